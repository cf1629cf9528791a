"""The product's buck and boost stages, simulated, against the exact ideal stage of ``piecewise.py``.

The stages are made of near-ideal parts: strays that end within a thousandth of a period, picofarads, milliohms. What
conducts is in both: resistances, and a diode as the straight line that touches its curve at the current it carries.
Left between them are the edges, each of which costs the input voltage for about half a nanosecond, body diodes over
dead times of 5 ns, and a feed of 0.1 mohm: together they move the duty by less than 0.1 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from ideal_stage import Capacitor, Circuit, Feed, Topology
from piecewise import Steady, solve

from harness.contracts import FloatArray, Run
from harness.postprocess import waveform
from netlists.point import Condition
from netlists.stages import boost_pfc, buck
from netlists.stages.banks import Bank
from netlists.stages.switching import Choke, Diode, Snubber, Strays, Switch

steady = pytest.importorskip("steady", reason="tests/steady.py, which settles a stage, is not written yet")

# What a simulation of ours may claim (house rules).
MEANS = 0.003  # means and RMS
RIPPLE = 0.01  # differences of two close values
PEAKS = 0.03  # of a switch: what it carries for nanoseconds beside the choke's current is not in the ideal stage

ON, WINDING, SLOPE = 1e-3, 1e-3, 1e-4  # [ohm]
PICOFARAD, DEAD_TIME = 1e-12, 5e-9
STRAYS = Strays(loop_inductance=1e-10, loop_quality=1.0, switching_time=1e-9)
STIFF_INPUT = {"inputs": (Bank("C9", 10e-3, 1e-5),), "feed_resistance": 1e-4, "feed_inductance": 1e-9}
FORWARD_VOLTAGE, TEST_CURRENT = 0.4, 1.0  # of every diode
EMISSION_VOLTAGE = 1.05 * 25.865e-3  # of a Schottky diode at 27 degC; k T / q is a constant of nature [V]


@dataclass(frozen=True)
class Case:
    """One stage as the product's parameters and as the reference's circuit, regulated to the same mean output."""

    topology: Topology
    params: buck.Params | boost_pfc.Params
    condition: Condition
    circuit: Circuit
    target: float
    discontinuous: bool = False


def straight_line(current: float) -> tuple[float, float]:
    """Drop [V] and resistance [ohm] of the line that touches a diode's curve at a current; Shockley's equation."""
    junction = FORWARD_VOLTAGE - SLOPE * TEST_CURRENT + EMISSION_VOLTAGE * math.log(current / TEST_CURRENT)
    return junction - EMISSION_VOLTAGE, SLOPE + EMISSION_VOLTAGE / current


def near_ideal_diode() -> Diode:
    return Diode("D1", FORWARD_VOLTAGE, TEST_CURRENT, SLOPE, PICOFARAD)


def branches(parts: tuple[Bank, ...]) -> tuple[Capacitor, ...]:
    return tuple(Capacitor(part.capacitance * part.parallel, part.esr / part.parallel) for part in parts)


def buck_case(
    voltages: tuple[float, float],
    current: float,
    frequency: float,
    inductance: float,
    outputs: tuple[Bank, ...],
    *,
    phases: int = 1,
    diode_at: float | None = None,
    snubber: Snubber | None = None,
    discontinuous: bool = False,
    emulates: bool = False,
    **feed: object,
) -> Case:
    """Input and output [V], load [A]; ``diode_at`` is the current its diode is drawn straight at, None: synchronous.

    ``emulates`` : the low side turns off as the choke's current ends, so it is a diode without a drop
    """
    rail = buck.Rail(
        name="rail",
        rectification="synchronous" if diode_at is None else "diode",
        high=Switch("Q1", ON, PICOFARAD),
        low=Switch("Q2", ON, PICOFARAD) if diode_at is None else None,
        diode=None if diode_at is None else near_ideal_diode(),
        choke=Choke("L1", inductance, WINDING),
        outputs=outputs,
        strays=STRAYS,
        voltage=voltages[1],
        load_current=current,
        phases=phases,
        dead_time_rising=DEAD_TIME,
        dead_time_falling=DEAD_TIME,
        snubber=snubber,
        light_load="diode_emulation" if emulates else "forced_continuous",
        turn_off_lead=DEAD_TIME,
    )
    params = buck.Params(
        rails=(rail,), input_voltage=voltages[0], switching_frequency=frequency, **(STIFF_INPUT | feed)
    )
    drop, resistance = (0.0, ON) if diode_at is None else straight_line(diode_at)
    circuit = Circuit(
        voltages[0], frequency, inductance, voltages[1] / current, branches(outputs), phases, WINDING, ON, resistance,
        drop, synchronous=diode_at is None and not emulates, feed=_feed(params) if feed else None,
    )  # fmt: skip
    condition = Condition(voltages[0], 0.0, voltages[1] * current, 25.0, supply="dc")
    return Case("buck", params, condition, circuit, voltages[1], discontinuous)


def _feed(params: buck.Params) -> Feed:
    filtering = params.input_choke
    resistance, inductance = params.feed_resistance, params.feed_inductance
    if filtering is not None:
        resistance, inductance = resistance + filtering.winding_resistance, inductance + filtering.inductance
    (part,) = branches(params.inputs)
    return Feed(resistance, inductance, part)


def boost_case(
    voltages: tuple[float, float],
    power: float,
    frequency: float,
    inductance: float,
    outputs: tuple[Bank, ...],
    *,
    diode_at: float,
    phases: int = 1,
    snubber: Snubber | None = None,
    discontinuous: bool = False,
) -> Case:
    """Input and output [V], power into the load [W]; ``diode_at`` is the current its diode is drawn straight at."""
    params = boost_pfc.Params(
        mode="fixed_frequency",
        low=Switch("Q1", ON, PICOFARAD),
        high=near_ideal_diode(),
        choke=Choke("L1", inductance, WINDING),
        inputs=(),
        outputs=outputs,
        strays=STRAYS,
        bus_setpoint=voltages[1],
        converter_efficiency=1.0,
        switching_frequency=frequency,
        feed_resistance=1e-6,
        feed_inductance=1e-9,
        phases=phases,
        snubber=snubber,
    )
    drop, resistance = straight_line(diode_at)
    circuit = Circuit(
        voltages[0], frequency, inductance, voltages[1] ** 2 / power, branches(outputs), phases, WINDING, ON,
        resistance, drop,
    )  # fmt: skip
    condition = Condition(voltages[0], 0.0, power, 25.0, supply="dc")
    return Case("boost", params, condition, circuit, voltages[1], discontinuous)


NO_ESR = 1e-5  # [ohm]
CASES = {
    # D. Hart, Power Electronics, 2011, Ex. 6-1, 6-2 and the boost of ch. 6, from memory; test_piecewise.py holds the
    # reference to the book. The boost has a diode here, so its duty is another.
    "Hart 6-1": buck_case((50.0, 20.0), 1.0, 20e3, 400e-6, (Bank("C1", 100e-6, NO_ESR),)),
    "Hart 6-2": buck_case((48.0, 18.0), 1.8, 40e3, 97.5e-6, (Bank("C1", 100e-6, NO_ESR),)),
    "Hart boost": boost_case((12.0, 30.0), 18.0, 25e3, 120e-6, (Bank("C1", 48e-6, NO_ESR),), diode_at=1.5),
    # Of our own invention from here on.
    "three phases, two banks": buck_case(
        (12.0, 5.0),
        30.0,
        150e3,
        3e-6,
        (Bank("C1", 820e-6, 8e-3, parallel=2), Bank("C2", 22e-6, 2e-3, parallel=4)),
        phases=3,
    ),
    "two-phase boost": boost_case(
        (48.0, 120.0), 300.0, 100e3, 60e-6, (Bank("C1", 220e-6, 30e-3),), diode_at=3.1, phases=2
    ),
    "discontinuous buck": buck_case(
        (24.0, 12.0),
        0.5,
        100e3,
        10e-6,
        (Bank("C1", 100e-6, 20e-3),),
        diode_at=1.2,
        snubber=Snubber(2e3, 10 * PICOFARAD),  # ends the ringing of choke and picofarads in the idle time
        discontinuous=True,
    ),
    "diode emulation": buck_case(
        (24.0, 12.0),
        0.5,
        100e3,
        10e-6,
        (Bank("C1", 100e-6, 20e-3),),
        snubber=Snubber(2e3, 10 * PICOFARAD),
        discontinuous=True,
        emulates=True,
    ),
    "three phases in diode emulation": buck_case(
        (12.0, 5.0),
        3.0,
        150e3,
        3e-6,
        (Bank("C1", 820e-6, 8e-3, parallel=2), Bank("C2", 22e-6, 2e-3, parallel=4)),
        phases=3,
        snubber=Snubber(1e3, 10 * PICOFARAD),
        discontinuous=True,
        emulates=True,
    ),
    "diode emulation, continuous": buck_case(
        (48.0, 18.0), 1.8, 40e3, 97.5e-6, (Bank("C1", 100e-6, NO_ESR),), emulates=True
    ),
    "discontinuous boost": boost_case(
        (24.0, 48.0),
        50.0,
        100e3,
        4e-6,
        (Bank("C1", 220e-6, 20e-3),),
        diode_at=5.5,
        snubber=Snubber(1e3, 10 * PICOFARAD),
        discontinuous=True,
    ),
    "input filter": buck_case(
        (24.0, 5.0),
        5.0,
        100e3,
        15e-6,
        (Bank("C1", 470e-6, 15e-3),),
        inputs=(Bank("C9", 100e-6, 20e-3),),
        feed_resistance=10e-3,
        feed_inductance=0.1e-6,
        input_choke=Choke("L9", 4.7e-6, 10e-3),
    ),
}
ANY = pytest.mark.parametrize("name", CASES)


@cache
def expected(name: str) -> Steady:
    case = CASES[name]
    return solve(case.topology, case.circuit, target=case.target)


@cache
def simulated(name: str) -> tuple[Run, FloatArray, dict[str, FloatArray]]:
    """The run, and its last period: times and every signal under the reference's name."""
    case = CASES[name]
    run, analysis = steady.settled("buck" if case.topology == "buck" else "boost_pfc", case.params, case.condition)
    assert run.axis is not None
    axis = run.axis.values
    span = (float(axis[-1]) - 1 / analysis.frequency, float(axis[-1]))
    time, period = axis, {}
    for ours, (theirs, sign) in names(case).items():
        time, values = waveform.window(axis, run.signals[theirs].values, *span)
        period[ours] = sign * values
    return run, time, period


def names(case: Case) -> dict[str, tuple[str, float]]:
    """Reference's signal -> stage's probe, and the sign between them."""
    if isinstance(case.params, boost_pfc.Params):
        found = {"output_voltage": ("bus_voltage", 1.0)}
        tag, switch, output, free, sign = "", "low", "output_current_", "free", 1.0
    else:
        found = {"output_voltage": ("output_voltage_a", 1.0)}
        tag, switch, output = "a", "high", "output_current_a"
        # A low place's current counts into its drain, and freewheeling flows out of it.
        free, sign = ("free", 1.0) if case.params.rails[0].diode else ("low", -1.0)
    for phase in range(case.circuit.phases):
        found[f"choke_current_{phase}"] = (f"choke_current_{tag}{phase}", 1.0)
        found[f"switch_current_{phase}"] = (f"{switch}_current_{tag}{phase}", 1.0)
        found[f"diode_current_{phase}"] = (f"{free}_current_{tag}{phase}", sign)
    for branch in range(len(case.circuit.capacitors)):
        found[f"capacitor_current_{branch}"] = (f"{output}{branch}", 1.0)
    if case.circuit.feed is not None:
        found["input_current"] = ("feed_current", 1.0)
        found["input_capacitor_current"] = ("input_current_0", 1.0)
        found["input_voltage"] = ("input_voltage", 1.0)
    return found


def reference_courses(case: Case, found: Steady) -> dict[str, FloatArray]:
    """Waveforms of the reference by signal."""
    courses = {"output_voltage": found.output_voltage, "input_voltage": found.input_voltage}
    courses |= {"input_current": found.input_current, "input_capacitor_current": found.input_capacitor_current}
    for phase in range(case.circuit.phases):
        courses[f"choke_current_{phase}"] = found.choke_currents[phase]
        courses[f"switch_current_{phase}"] = found.switch_currents[phase]
        courses[f"diode_current_{phase}"] = found.diode_currents[phase]
    return courses


@ANY
def test_means_and_rms(name):
    reference, (_, time, period) = expected(name), simulated(name)
    for signal, values in period.items():
        assert waveform.rms(time, values) == pytest.approx(reference.rms[signal], rel=MEANS), signal
        # a capacitor's mean is none, the difference of two that are each claimed to so much of the choke's
        mean, size = reference.means[signal], reference.means["choke_current_0"] if "capacitor" in signal else 0.0
        assert waveform.mean(time, values) == pytest.approx(mean, rel=MEANS, abs=MEANS * size), signal


@ANY
def test_duty(name):
    run, _, _ = simulated(name)
    assert run.solution["control.0.duty"] == pytest.approx(expected(name).duty, rel=MEANS)


@ANY
def test_ripple(name):
    case, reference, (_, _, period) = CASES[name], expected(name), simulated(name)
    courses = reference_courses(case, reference)
    smooth = ["output_voltage", *(f"choke_current_{phase}" for phase in range(case.circuit.phases))]
    if case.circuit.feed is not None:
        smooth += ["input_voltage", "input_current"]
    for signal in smooth:
        assert np.ptp(period[signal]) == pytest.approx(np.ptp(courses[signal]), rel=RIPPLE), signal


@ANY
def test_peaks(name):
    case, reference, (_, _, period) = CASES[name], expected(name), simulated(name)
    courses = reference_courses(case, reference)
    for phase in range(case.circuit.phases):
        for place in ("switch", "diode"):
            signal = f"{place}_current_{phase}"
            assert np.max(period[signal]) == pytest.approx(np.max(courses[signal]), rel=PEAKS), signal


@ANY
def test_conduction(name):
    """The reference is in the conduction the case is there for."""
    assert (expected(name).idle_fraction > 0) == CASES[name].discontinuous
