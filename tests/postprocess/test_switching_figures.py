"""Figures of a switching period on waveforms whose values are known by arithmetic."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from harness.contracts import Axis, FloatArray, Run, Signal
from harness.postprocess.switching import (
    low_pass,
    measure_steady,
    median_where,
    unsaturated_peak,
)

PERIOD, DUTY = 1e-5, 0.25
TIME = np.concatenate([np.linspace(0, 2 * PERIOD, 4001)])


def signal(name: str, unit: str, values: FloatArray) -> Signal:
    return Signal(name, unit, "", "voltage" if unit == "V" else "current", "", values)


def phase() -> FloatArray:
    return np.asarray(np.mod(TIME, PERIOD) / PERIOD)


def buck_run() -> Run:
    """An ideal 20 V to 5 V buck at 4 A, ripple 1 A, its switch node with an overshoot of 3 V at one instant."""
    on = phase() < DUTY
    choke = np.where(on, 3.5 + phase() / DUTY, 4.5 - (phase() - DUTY) / (1 - DUTY))
    low = np.where(on, 20.0, 0.0)
    low[np.argmin(np.abs(TIME - 1.02 * PERIOD))] = 23.0
    signals = {
        "low_voltage": low, "high_voltage": np.where(on, 0.0, 20.0), "choke": choke,
        "high": np.where(on, choke, 0.0), "low": np.where(on, 0.0, -choke), "bank": choke - 4.0,
        "out": 5 + 0.01 * np.cos(2 * math.pi * phase()),
    }  # fmt: skip
    return Run(
        "x", "ok", Axis("time", "s", TIME), {k: signal(k, "V", np.asarray(v)) for k, v in signals.items()},
        {"frequency": 1 / PERIOD, "control.0.duty": DUTY},
    )  # fmt: skip


LAYOUT: dict[str, Any] = {
    "controls": [{"metric": "duty_cycle", "subject": "rail", "solution": "control.0.duty", "unit": "1"}],
    "places": [
        {"kind": "switch", "designator": "Q2", "voltages": ["low_voltage"], "currents": ["low"], "others": [["high"]],
         "pieces": 2, "sign": -1},
    ],
    "chokes": [{"designator": "L1", "currents": ["choke"], "voltages": [["low_voltage", "out"]], "inductance": 37.5e-6,
                "winding_resistance": 0.0}],
    "banks": [{"designator": "C1", "current": "bank", "parallel": 2}],
    "outputs": [{"subject": "rail", "bank": "out", "probe": ""}],
    "inputs": [{"subject": "input", "voltage": "", "drawn": [[1, "high"]],
                "interleaved": [{"subject": "rail", "currents": ["choke", "choke"]}]}],
}  # fmt: skip


def test_every_figure_of_an_ideal_buck() -> None:
    found = {metric.name: metric for metric in measure_steady(buck_run(), layout=LAYOUT)}
    assert found["duty_cycle"].value == DUTY
    assert found["switch_voltage_plateau"].value == pytest.approx(20.0)
    assert found["switch_voltage_peak"].value == pytest.approx(23.0)
    assert found["switch_voltage_overshoot"].value == pytest.approx(3.0)
    assert found["switch_voltage_peak"].at == pytest.approx(1.02 * PERIOD, abs=PERIOD / 1000)
    assert found["switch_current_average"].value == pytest.approx(4.0 * (1 - DUTY) / 2, rel=2e-3)
    assert found["switch_current_peak"].value == pytest.approx(2.25, rel=2e-3)
    mean_square = (4.0**2 + 1 / 12) * (1 - DUTY)
    assert found["switch_current_rms"].value == pytest.approx(math.sqrt(mean_square) / 2, rel=2e-3)
    assert found["choke_current_rms"].value == pytest.approx(math.sqrt(16 + 1 / 12), rel=1e-4)
    assert found["choke_ripple"].value == pytest.approx(1.0, rel=2e-3)
    assert found["capacitor_current_rms"].value == pytest.approx(1 / math.sqrt(12) / 2, rel=2e-3)
    assert found["output_ripple"].value == pytest.approx(0.02, rel=1e-3)
    alternating = math.sqrt((16 + 1 / 12) * DUTY - (4 * DUTY) ** 2)
    assert found["input_ripple_current"].value == pytest.approx(alternating, rel=3e-3)
    assert found["ripple_cancellation"].value == pytest.approx(2.0)  # two equal currents in phase cancel nothing


def test_needed_saturation_current_is_that_of_a_choke_that_stays_linear() -> None:
    """15 V for a quarter of 10 us into 37.5 uH is 1 A: half of it above the mean, whatever the current's own peak."""
    time = np.linspace(0, PERIOD, 2001)
    across = np.where(time < DUTY * PERIOD, 15.0, -5.0)
    saturated = np.where(time < DUTY * PERIOD, 3.0, 4.0) + 3.0 * (np.abs(time - DUTY * PERIOD) < 1e-7)
    mean = float(np.trapezoid(saturated, time) / PERIOD)
    assert unsaturated_peak(time, saturated, across, 37.5e-6) == pytest.approx(mean + 0.5, rel=5e-3)


def test_median_is_weighted_by_time_and_ignores_what_is_not_chosen() -> None:
    time = np.array([0.0, 1.0, 1.01, 1.02, 3.0, 4.0])
    values = np.array([10.0, 10.0, 30.0, 10.0, 10.0, 99.0])
    assert median_where(time, values, np.array([True, True, True, True, True, False])) == 10.0
    assert median_where(time, values, np.zeros(6, dtype=bool)) == 0.0


def test_low_pass_passes_direct_voltage_and_halves_power_at_its_corner() -> None:
    time = np.linspace(0, 2e-6, 4001)
    assert low_pass(time, np.full(time.size, 3.0), 20e6)[-1] == pytest.approx(3.0)
    sine = np.sin(2 * math.pi * 20e6 * time)
    passed = low_pass(time, sine, 20e6)[1000:]
    assert float(np.ptp(passed)) / 2 == pytest.approx(1 / math.sqrt(2), rel=1e-2)
    slow = np.sin(2 * math.pi * 1e6 * time)
    assert float(np.ptp(low_pass(time, slow, 20e6)[500:])) / 2 == pytest.approx(1.0, rel=3e-3)


def test_clamp_core_and_level_of_an_isolated_converter() -> None:
    """A clamp that falls straight from 210 to 190 V over two resistors, a core under +100 V and -50 V in turn."""
    clamp = 210.0 - 20.0 * phase()
    core = np.where(phase() < 1 / 3, 100.0, -50.0)
    current = np.where(phase() < 1 / 3, 3 * phase(), 1.5 * (1 - phase()))
    run = Run(
        "x", "ok", Axis("time", "s", TIME),
        {"clamp": signal("clamp", "V", clamp), "core": signal("core", "V", core), "i": signal("i", "A", current),
         "second": signal("second", "V", np.full(TIME.size, 5.1))},
        {"frequency": 1 / PERIOD},
    )  # fmt: skip
    empty: dict[str, Any] = {name: [] for name in ("controls", "places", "chokes", "banks", "outputs", "inputs")}
    layout = empty | {
        "clamps": [{"capacitor": "C1", "resistor": "R1", "voltage": "clamp", "resistance": 48e3, "pieces": 2}],
        "cores": [{"designator": "T1", "current": "i", "voltage": "core"}],
        "levels": [{"metric": "output_voltage", "subject": "second", "signal": "second"}],
    }
    found = {(one.name, one.subject): one.value for one in measure_steady(run, layout=layout)}
    assert found["clamp_voltage", "C1"] == pytest.approx(200.0, rel=1e-3)
    assert found["clamp_dissipation", "R1"] == pytest.approx((200.0**2 + 20.0**2 / 12) / 48e3 / 2, rel=2e-3)
    assert found["flux_linkage_swing", "T1"] == pytest.approx(100.0 * PERIOD / 3, rel=2e-3)
    assert found["magnetising_current_peak", "T1"] == pytest.approx(1.0, rel=2e-3)
    assert found["output_voltage", "second"] == pytest.approx(5.1)
