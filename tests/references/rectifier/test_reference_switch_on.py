"""Inrush in closed form, and the drops of a bridge on a direct supply.

check-values.md, "Closed forms" and "Inrush": exact solutions of our own of the circuits named there.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest
from own_equations import Junction
from rectifier_bench import (
    CONVERGED,
    IDEAL_SLOPE,
    MEANS,
    RINGING,
    WHO,
    by_name,
    dc,
    ideal_params,
    mains,
    run_stage,
    signal,
)

from harness.contracts import Metric
from harness.plan.rectifier_bulk import measure_inrush
from netlists.errors import BulkrailError
from netlists.stages.banks import Bank
from netlists.stages.rectifier_bulk import Scenario

SUPPLY = 325.27  # [V], crest of 230 V

# Series RLC on a direct step; half of the resistance as ESR, so that the split is exercised too.
RESISTANCE, INDUCTANCE, CAPACITANCE = 0.5, 100e-6, 220e-6


@cache
def ringing_inrush(largest_step: float, esr: float) -> dict[str, Metric]:
    params = ideal_params(
        full_wave=True,
        series_resistance=RESISTANCE - esr,
        capacitance=CAPACITANCE,
        inductance=INDUCTANCE,
        esr=esr,
    )
    run = run_stage(params, dc(SUPPLY), Scenario(2e-3, largest_step, load_on_at=None))
    return by_name(measure_inrush(run, who=WHO))


RINGING_STEP = 2 * math.pi * math.sqrt(INDUCTANCE * CAPACITANCE) / 60  # as the product resolves it


@pytest.mark.parametrize("esr", [1e-6, 0.25])
def test_series_resonance_peak(esr):
    """Peak 299.88 A at 190.2 us (exact). The bridge blocks only after the first half cycle."""
    peak = ringing_inrush(RINGING_STEP, esr)["inrush_peak"]
    # An inrush of 0.9 ms in steps of 15 us is smooth: a tenth of what a ringing peak may claim.
    assert peak.value == pytest.approx(299.88, rel=0.1 * RINGING)
    assert peak.at == pytest.approx(190.2e-6, abs=RINGING_STEP)  # the crest is flat: within a step
    assert ringing_inrush(RINGING_STEP, esr)["rectifier_surge_peak"].value == peak.value


def test_series_resonance_overshoot():
    """The bulk stops at 28.53 % above the supply (exact) and the bridge keeps it there."""
    top = ringing_inrush(RINGING_STEP, 1e-6)["bulk_voltage_peak"].value
    assert top / SUPPLY - 1 == pytest.approx(0.2853, rel=0.5 * RINGING)
    assert top == pytest.approx(1.2853 * SUPPLY, rel=MEANS)


def test_series_resonance_energy():
    """What the supply delivers is V times the charge, C V_top; the resistor takes all but the bulk's own energy.

    Closed form: integral of i2 = C V_top (V - V_top / 2) / R over the one half cycle.
    """
    top = 1.2853 * SUPPLY
    expected = CAPACITANCE * top * (SUPPLY - 0.5 * top) / RESISTANCE
    # twice a mean's: the square of a current that each is claimed to 0.3 %
    assert ringing_inrush(RINGING_STEP, 1e-6)["inrush_i2t"].value == pytest.approx(expected, rel=2 * MEANS)


def test_half_the_step_changes_the_resonance_less_than_is_claimed():
    coarse, fine = ringing_inrush(RINGING_STEP, 1e-6), ringing_inrush(0.5 * RINGING_STEP, 1e-6)
    for name, tolerance in (("inrush_peak", 0.1 * RINGING), ("bulk_voltage_peak", MEANS), ("inrush_i2t", 2 * MEANS)):
        assert coarse[name].value == pytest.approx(fine[name].value, rel=CONVERGED * tolerance), name


@cache
def crest_closed(steps: int) -> dict[str, Metric]:
    params = ideal_params(full_wave=True, series_resistance=10.0, capacitance=220e-6)
    scenario = Scenario(0.1, 0.02 / steps, load_on_at=None)
    run = run_stage(params, mains(SUPPLY, 50.0, switch_on_angle=90.0), scenario)
    return by_name(measure_inrush(run, who=WHO))


def test_closed_at_the_crest():
    """325.27 V peak, 50 Hz, 10 ohm, 220 uF: 32.53 A and, over 0.1 s, 10.17 J in the resistor (exact).

    The current jumps within nanoseconds and then falls by R C = 2.2 ms; the first steps after 0 are of nanoseconds.
    """
    found = crest_closed(1000)
    assert found["inrush_peak"].value == pytest.approx(32.53, rel=MEANS)
    assert found["inrush_peak"].at == pytest.approx(0.0, abs=20e-6)  # the first step
    energy = 10.0 * found["inrush_i2t"].value
    assert energy == pytest.approx(10.17, rel=2 * MEANS)  # of a square
    assert energy < 0.5 * 220e-6 * SUPPLY**2  # C V2 / 2 = 11.64 J holds for a step, a sine gives less


def test_half_the_step_changes_the_crest_less_than_is_claimed():
    coarse, fine = crest_closed(1000), crest_closed(2000)
    assert coarse["inrush_peak"].value == pytest.approx(fine["inrush_peak"].value, rel=CONVERGED * MEANS)
    assert coarse["inrush_i2t"].value == pytest.approx(fine["inrush_i2t"].value, rel=CONVERGED * 2 * MEANS)


def test_cans_add_as_they_are_wired():
    """Two in series, three strings, of 2/3 of the capacitance each: the same resonance, half of the voltage a can."""
    params = replace(
        ideal_params(full_wave=True, series_resistance=RESISTANCE, capacitance=CAPACITANCE, inductance=INDUCTANCE),
        bulk=(Bank("C1", CAPACITANCE * 2 / 3, 1e-6, parallel=3, series=2),),
    )
    run = run_stage(params, dc(SUPPLY), Scenario(2e-3, RINGING_STEP, load_on_at=None))
    metrics = by_name(measure_inrush(run, who=replace(WHO, banks=(("C1", 3, 2),))))
    assert metrics["bulk_voltage_peak"].value == pytest.approx(0.5 * 1.2853 * SUPPLY, rel=MEANS)
    assert metrics["inrush_peak"].value == pytest.approx(299.88, rel=0.1 * RINGING)


@pytest.mark.parametrize("current", [1.0, 0.1])
@pytest.mark.parametrize(("forward_voltage", "emission"), [(0.95, 1.8), (0.7, 0.5), (1.1, 1.0)])
def test_two_diodes_drop_what_is_stated(forward_voltage, emission, current):
    """From a direct supply through 0.1 ohm and two diodes into 10 V on a resistance: Kirchhoff, Shockley (exact).

    The stated point is at 1 A; a tenth of it takes the emission voltage times ln 10 off.
    """
    drop = Junction(forward_voltage, 1.0, IDEAL_SLOPE, emission).drop(current)
    params = ideal_params(
        full_wave=True,
        series_resistance=0.1,
        capacitance=10e-6,
        load_resistance=10.0 / current,
        forward_voltage=forward_voltage,
        emission=emission,
    )
    run = run_stage(params, dc(10.0 + 0.1 * current + 2 * drop), Scenario(2e-3, 2e-6, bulk_start=9.9))
    _, bulk = signal(run, "bulk_voltage")
    assert bulk[-1] == pytest.approx(10.0, rel=1e-4)  # settled: no step, no waveform, only the simulator's reltol


def test_a_drop_the_simulator_cannot_make_is_refused():
    """1.9 V at 1 A at an emission coefficient of 1 is 1e-32 A of saturation current: wrong silently, or refused."""
    with pytest.raises(BulkrailError, match="more than one junction drops"):
        ideal_params(
            full_wave=True,
            series_resistance=0.1,
            capacitance=10e-6,
            load_resistance=10.0,
            forward_voltage=1.9,
            emission=1.0,
        )
