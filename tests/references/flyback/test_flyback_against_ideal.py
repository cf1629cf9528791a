"""The product's flyback, simulated, against the exact ideal one of ``ideal_flyback.py``.

The stage is made of near-ideal parts: a leakage of half a ten-thousandth, picofarads, strays that end within a
thousandth of a period. What conducts is in both: resistances, and the diode as the straight line that touches its curve
at the current it carries. Left between them are the edges, the leakage's takeover, and what the clamp takes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
import steady
from ideal_flyback import Circuit, Steady, solve

from harness.contracts import FloatArray
from harness.postprocess import waveform
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.flyback_params import Clamp, Params, Secondary
from netlists.stages.outputs import Output
from netlists.stages.switching import Diode, Strays, Switch
from netlists.stages.transformer import Transformer, Winding

# What a simulation of ours may claim (house rules).
MEANS, RIPPLE, PEAKS = 0.003, 0.01, 0.03
ON, WOUND, SLOPE, SMALL = 1e-3, 1e-3, 1e-4, 0.1e-12
LEAKAGE = 5e-5  # of the inductance; its ringing with the picofarads is damped within a swing
BODY, TIMING = 0.3, 20e-9  # of a synchronous rectifier: its body diode, its delay and its lead
FORWARD_VOLTAGE, TEST_CURRENT = 0.4, 1.0
EMISSION_VOLTAGE = 1.05 * 25.865e-3  # of a Schottky diode at 27 degC; k T / q is a constant of nature [V]


@dataclass(frozen=True)
class Case:
    """One stage as the product's parameters and as the reference's circuit, regulated to the same mean output."""

    params: Params
    condition: Condition
    circuit: Circuit
    target: float
    discontinuous: bool


def straight_line(current: float) -> tuple[float, float]:
    """Drop [V] and resistance [ohm] of the line that touches a diode's curve at a current; Shockley's equation."""
    junction = FORWARD_VOLTAGE - SLOPE * TEST_CURRENT + EMISSION_VOLTAGE * math.log(current / TEST_CURRENT)
    return junction - EMISSION_VOLTAGE, SLOPE + EMISSION_VOLTAGE / current


def case(
    voltages: tuple[float, float], load: float, frequency: float, inductance: float, ratio: float, capacitance: float,
    esr: float, diode_at: float, *, discontinuous: bool = False, synchronous: bool = False,
) -> Case:  # fmt: skip
    """Input and output [V], load [ohm]; ``diode_at`` is the current its diode is drawn straight at [A].

    A synchronous rectifier is one without a drop but for the few nanoseconds of its delay and its lead.
    """
    winding = Winding(ratio, WOUND)
    small = Diode("D1", FORWARD_VOLTAGE, TEST_CURRENT, SLOPE, SMALL)
    output = Output("rail", (Bank("C1", capacitance, esr),), voltages[1], voltages[1] / load)
    reflected = ratio * voltages[1]
    rectifier = Switch("Q2", ON, SMALL, BODY) if synchronous else replace(small, designator="D2")
    params = Params(
        "fixed_frequency",
        Switch("Q1", ON, SMALL),
        Transformer("T1", (winding,), inductance, LEAKAGE * inductance, WOUND),
        Clamp(small, "C9", "R9", 1e-9, reflected**2 / (3e-4 * voltages[1] ** 2 / load)),
        (Secondary(output, winding, rectifier),),
        Strays(loop_inductance=1e-9, loop_quality=0.005, switching_time=1e-9),
        frequency,
        largest_duty=0.95,
        **({"rectifier_delay": TIMING, "rectifier_lead": TIMING} if synchronous else {}),
    )
    drop, resistance = (0.0, ON) if synchronous else straight_line(diode_at)
    circuit = Circuit(
        voltages[0], frequency, inductance, ratio, load, capacitance, esr, ON + WOUND, drop, resistance + WOUND
    )
    condition = Condition(voltages[0], 0.0, voltages[1] ** 2 / load, 25.0, supply="dc")
    return Case(params, condition, circuit, voltages[1], discontinuous)


CASES = {
    # D. Hart, Power Electronics, 2011, the flyback of ch. 7, from memory; test_ideal_flyback.py holds the reference to
    # the book. Here it has a diode, so its duty is another.
    "Hart": case((24.0, 5.0), 5.0, 40e3, 500e-6, 3.0, 200e-6, 1e-5, 1.6),
    # Of our own invention from here on.
    "continuous": case((120.0, 12.0), 4.0, 100e3, 900e-6, 6.0, 470e-6, 20e-3, 5.5),
    "discontinuous": case((120.0, 12.0), 12.0, 100e3, 120e-6, 6.0, 470e-6, 20e-3, 5.0, discontinuous=True),
    "synchronous, continuous": case((120.0, 12.0), 4.0, 100e3, 900e-6, 6.0, 470e-6, 20e-3, 0.0, synchronous=True),
    "synchronous, discontinuous": case(
        (120.0, 12.0), 12.0, 50e3, 240e-6, 6.0, 470e-6, 20e-3, 0.0, discontinuous=True, synchronous=True
    ),
}
ANY = pytest.mark.parametrize("name", CASES)


@cache
def expected(name: str) -> Steady:
    return solve(CASES[name].circuit, target=CASES[name].target)


@cache
def simulated(name: str) -> tuple[float, FloatArray, dict[str, FloatArray]]:
    """Duty, and the run's last period: times and every signal under the reference's name."""
    run, analysis = steady.settled("flyback", CASES[name].params, CASES[name].condition)
    assert run.axis is not None
    axis = run.axis.values
    span = (float(axis[-1]) - 1 / analysis.frequency, float(axis[-1]))
    theirs = {
        "magnetising": "magnetising_current", "switch": "switch_current", "diode": "rectifier_current_a",
        "output": "output_voltage_a", "capacitor": "output_current_a0",
    }  # fmt: skip
    found = {ours: waveform.window(axis, run.signals[signal].values, *span) for ours, signal in theirs.items()}
    if CASES[name].params.secondaries[0].synchronous:  # its source lies at the winding
        found["diode"] = (found["diode"][0], -found["diode"][1])
    return run.solution["control.0.duty"], found["output"][0], {ours: values for ours, (_, values) in found.items()}


@ANY
def test_means_and_rms(name: str) -> None:
    reference, (duty, time, period) = expected(name), simulated(name)
    assert duty == pytest.approx(reference.duty, rel=MEANS)
    for signal in ("magnetising", "switch", "diode", "output"):
        values = getattr(reference, signal)
        assert waveform.mean(time, period[signal]) == pytest.approx(reference.mean(values), rel=MEANS), signal
        assert waveform.rms(time, period[signal]) == pytest.approx(reference.rms(values), rel=MEANS), signal
    assert waveform.rms(time, period["capacitor"]) == pytest.approx(reference.rms(reference.capacitor), rel=MEANS)


@ANY
def test_ripple_and_peaks(name: str) -> None:
    reference, (_, _, period) = expected(name), simulated(name)
    for signal in ("magnetising", "output"):
        assert np.ptp(period[signal]) == pytest.approx(np.ptp(getattr(reference, signal)), rel=RIPPLE), signal
    for signal in ("magnetising", "switch", "diode"):
        assert np.max(period[signal]) == pytest.approx(np.max(getattr(reference, signal)), rel=PEAKS), signal


@ANY
def test_conduction(name: str) -> None:
    """The reference is in the conduction the case is there for."""
    assert (expected(name).idle > 0) == CASES[name].discontinuous
