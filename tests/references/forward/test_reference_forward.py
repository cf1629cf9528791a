"""The product's two-switch forward converter, simulated, against the textbook and against ``ideal_forward.py``.

The stages are made of near-ideal parts at a low bus and a large current: strays that end within a thousandth of the
period and picofarads, which carry next to nothing there. What conducts is in both: resistances, and a diode as the
straight line that touches its curve at the current it carries.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
import steady
from ideal_forward import Circuit, Steady, solve, without_losses

from harness.contracts import FloatArray
from harness.handcalc import two_switch_forward as hand
from harness.postprocess import waveform
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Snubber, Strays, Switch
from netlists.stages.transformer import Transformer, Winding
from netlists.stages.two_switch_forward import Params

MEANS, RIPPLE, PEAKS = 0.003, 0.01, 0.03  # what a simulation of ours may claim (house rules)
# The picofarads at the primary's ends turn the core's current a hundredth of its peak below zero after the reset, where
# it stays: a thirtieth of its mean. The forward diode carries it, times the ratio, while the choke freewheels or rests.
OF_CORE = 0.03
CARRIED = 0.005  # [A]

PICOFARAD = 1e-12
FORWARD_VOLTAGE, TEST_CURRENT, SLOPE = 0.4, 1.0, 1e-3  # of every diode
EMISSION_VOLTAGE = 1.05 * 25.865e-3  # of a Schottky diode at 27 degC; k T / q is a constant of nature [V]


def straight_line(current: float) -> tuple[float, float]:
    """Drop [V] and resistance [ohm] of the line that touches a diode's curve at a current; Shockley's equation."""
    junction = FORWARD_VOLTAGE - SLOPE * TEST_CURRENT + EMISSION_VOLTAGE * math.log(current / TEST_CURRENT)
    return junction - EMISSION_VOLTAGE, SLOPE + EMISSION_VOLTAGE / current


def diode(designator: str) -> Diode:
    return Diode(designator, FORWARD_VOLTAGE, TEST_CURRENT, SLOPE, PICOFARAD)


def near_ideal(
    bus: float,
    output: tuple[float, float],
    frequency: float,
    ratio: float,
    inductances: tuple[float, float, float],
    banks: tuple[Bank, ...],
    snubber: Snubber | None = None,
) -> tuple[Params, Condition]:
    """Bus [V], output [V] and [A], inductances of primary, leakage and choke [H]."""
    primary, leakage, choke = inductances
    voltage, current = output
    params = Params(
        Switch("Q1", 2e-3, PICOFARAD),
        Switch("Q2", 2e-3, PICOFARAD),
        diode("D1"),
        diode("D2"),
        Transformer("T1", (Winding(ratio, 1e-3),), primary, leakage, 2e-3),
        diode("D3"),
        diode("D4"),
        Choke("L1", choke, 2e-3),
        Output("main", banks, voltage, current),
        Strays(1e-10, 1.0, 1e-9),
        frequency,
        0.5,
        3.0,
        snubber,
    )
    return params, Condition(bus, 0.0, voltage * current, 25.0, supply="dc")


def circuit_of(params: Params, condition: Condition, through: float, clamped: float) -> Circuit:
    """The same as the reference's circuit; diodes are drawn straight at ``through`` and ``clamped`` [A]."""
    drop, slope = straight_line(clamped)
    wound, output = params.transformer, params.output
    return Circuit(
        condition.line_voltage, params.switching_frequency, params.ratio, wound.leakage_inductance,
        wound.magnetising_inductance, params.choke.inductance, output.load_resistance(condition),
        tuple((bank.capacitance * bank.parallel, bank.esr / bank.parallel) for bank in output.banks),
        wound.primary_resistance + 4e-3, params.winding.resistance, params.choke.winding_resistance,
        wound.primary_resistance, (2 * drop, 2 * slope), straight_line(through), straight_line(through),
    )  # fmt: skip


@dataclass(frozen=True)
class Case:
    params: Params
    condition: Condition
    circuit: Circuit
    discontinuous: bool = False


def case_of(through: float, clamped: float, discontinuous: bool = False, load: float = 1.0, **parts: object) -> Case:
    params, condition = near_ideal(**parts)  # type: ignore[arg-type]
    condition = replace(condition, load_fraction=load, output_power=condition.output_power * load)
    return Case(params, condition, circuit_of(params, condition, through, clamped), discontinuous)


# All of our own invention.
CASES = {
    "continuous": case_of(
        20.0, 3.0, bus=100.0, output=(15.0, 20.0), frequency=80e3, ratio=2.2, inductances=(600e-6, 2e-6, 30e-6),
        banks=(Bank("C1", 470e-6, 10e-3, parallel=2),),
    ),
    "two banks, more leakage": case_of(
        30.0, 6.0, bus=120.0, output=(12.0, 30.0), frequency=100e3, ratio=3.4, inductances=(500e-6, 3e-6, 10e-6),
        banks=(Bank("C1", 1000e-6, 12e-3, parallel=2), Bank("C2", 22e-6, 3e-3, parallel=3)),
    ),
    "discontinuous": case_of(
        4.5, 1.5, True, 0.1, bus=100.0, output=(15.0, 20.0), frequency=80e3, ratio=2.2,
        inductances=(600e-6, 3e-6, 30e-6), banks=(Bank("C1", 470e-6, 10e-3, parallel=2),),
        snubber=Snubber(500.0, 20 * PICOFARAD),  # ends the ringing of choke and picofarads in the idle time
    ),
}  # fmt: skip
ANY = pytest.mark.parametrize("name", CASES)
PROBES = {
    "choke": "choke_current_0", "forward": "forward_current", "freewheel": "freewheel_current",
    "primary": "high_current", "clamp": "clamp_low_current", "magnetising": "magnetising_current",
    "output": "output_voltage_a",
}  # fmt: skip


@cache
def expected(name: str) -> Steady:
    return solve(CASES[name].circuit, CASES[name].params.output.voltage)


@cache
def simulated(name: str) -> tuple[float, FloatArray, dict[str, FloatArray]]:
    """Duty, and the last period: times and every signal under the reference's name."""
    case = CASES[name]
    run, analysis = steady.settled("two_switch_forward", case.params, case.condition)
    assert run.axis is not None
    span = (float(run.axis.values[-1]) - 1 / analysis.frequency, float(run.axis.values[-1]))
    windows = {
        ours: waveform.window(run.axis.values, run.signals[probe].values, *span) for ours, probe in PROBES.items()
    }
    return run.solution["control.0.duty"], windows["choke"][0], {ours: values for ours, (_, values) in windows.items()}


@ANY
def test_means_and_rms(name: str) -> None:
    reference, (_, time, period) = expected(name), simulated(name)
    for signal in ("choke", "forward", "freewheel", "primary", "output"):
        assert waveform.rms(time, period[signal]) == pytest.approx(reference.rms[signal], rel=MEANS), signal
        mean = pytest.approx(reference.means[signal], rel=MEANS, abs=CARRIED if signal == "forward" else 0.0)
        assert waveform.mean(time, period[signal]) == mean, signal
    for signal in ("clamp", "magnetising"):
        assert waveform.rms(time, period[signal]) == pytest.approx(reference.rms[signal], rel=OF_CORE), signal
        assert waveform.mean(time, period[signal]) == pytest.approx(reference.means[signal], rel=OF_CORE), signal


@ANY
def test_duty(name: str) -> None:
    assert simulated(name)[0] == pytest.approx(expected(name).duty, rel=MEANS)


@ANY
def test_ripple(name: str) -> None:
    reference, (_, _, period) = expected(name), simulated(name)
    for signal in ("choke", "output"):
        assert np.ptp(period[signal]) == pytest.approx(np.ptp(reference.courses[signal]), rel=RIPPLE), signal
    assert np.ptp(period["magnetising"]) == pytest.approx(np.ptp(reference.courses["magnetising"]), rel=OF_CORE)


@ANY
def test_peaks(name: str) -> None:
    reference, (_, _, period) = expected(name), simulated(name)
    for signal in ("choke", "forward", "freewheel", "primary", "clamp", "magnetising"):
        assert np.max(period[signal]) == pytest.approx(np.max(reference.courses[signal]), rel=PEAKS), signal


@ANY
def test_conduction(name: str) -> None:
    """The reference is in the conduction the case is there for."""
    assert (expected(name).idle > 0) == CASES[name].discontinuous


@ANY
def test_hand_calculation(name: str) -> None:
    """The hand calculation, which has its own straight pieces, against the reference."""
    case, reference = CASES[name], expected(name)
    found = hand.expect(case.params, case.condition)
    swing = np.ptp(reference.courses["magnetising"]) * case.circuit.magnetising
    for key, value in {
        ("duty_cycle", "main"): reference.duty,
        ("choke_current_rms", "L1"): reference.rms["choke"],
        ("choke_current_peak", "L1"): float(np.max(reference.courses["choke"])),
        ("diode_current_average", "D3"): reference.means["forward"],
        ("diode_current_rms", "D3"): reference.rms["forward"],
        ("diode_current_average", "D4"): reference.means["freewheel"],
        ("flux_linkage_swing", "T1"): float(swing),
    }.items():
        gap = found[key].difference
        assert gap.low <= found[key].value / value - 1 <= gap.high, (key, found[key].value, value)


def hart() -> tuple[Params, Condition]:
    """Hart, Power Electronics (2011), example of the forward converter in ch. 7, from memory: 48 V, 35 kHz, N1/N2 1.5,
    Lm 5 mH, Lx 0.4 mH, 100 uF, 10 ohm, D 0.4. Printed: 12.8 V; 1.56 and 1.01 A; 0.11 A; 0.15 %. Its core is reset by a
    third winding of as many turns as the first, which takes as long as two clamp diodes do."""
    return near_ideal(
        48.0, (12.8, 1.28), 35e3, 1.5, (5e-3, 1e-7, 0.4e-3), (Bank("C1", 100e-6, 1e-5),)
    )  # fmt: skip


def test_textbook_by_the_reference() -> None:
    params, condition = hart()
    ideal = solve(without_losses(circuit_of(params, condition, 1.28, 0.06)), 12.8)
    assert ideal.duty == pytest.approx(0.4, rel=1e-3)
    assert np.max(ideal.courses["choke"]) == pytest.approx(1.56, rel=0.005)
    assert np.min(ideal.courses["choke"]) == pytest.approx(1.01, rel=0.005)
    assert np.max(ideal.courses["magnetising"]) == pytest.approx(0.11, rel=0.005)
    assert np.ptp(ideal.courses["output"]) / 12.8 == pytest.approx(0.0015, rel=0.03)  # printed to two digits


def test_textbook_as_a_stage() -> None:
    """Hart's V = Vin D / n with the rectifiers' drop added to the output, and his currents."""
    params, condition = hart()
    run, _ = steady.settled("two_switch_forward", params, condition)
    drop, slope = straight_line(1.28)
    wanted = (12.8 + drop + 1.28 * (slope + 3e-3)) * 1.5 / 48.0
    assert run.solution["control.0.duty"] == pytest.approx(wanted, rel=MEANS)
    swing = np.ptp(run.signals["choke_current_0"].values)
    assert swing == pytest.approx((12.8 + drop) * (1 - wanted) / (0.4e-3 * 35e3), rel=RIPPLE)
    flux = np.ptp(run.signals["magnetising_current"].values)
    assert flux == pytest.approx(48.0 * wanted / (5e-3 * 35e3), rel=0.03)  # its ring below zero is a fiftieth here
    assert np.ptp(run.signals["output_voltage_a"].values) / 12.8 == pytest.approx(0.0015, rel=0.05)
