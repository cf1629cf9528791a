"""The product's LLC stage, simulated, and its tank by hand against the exact ideal converter of ``ideal_llc.py``.

Both sides have the same resistances, the same straight line for a diode, the same output bank. The reference's
frequency is sought anew for the same mean output.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from ideal_llc import Capacitor, Circuit, Steady, regulated, solve
from llc_stage import Converter, circuit_of, condition_of, last_period, settled, stage_of
from scipy.integrate import solve_ivp

from harness.contracts import FloatArray
from harness.handcalc import llc as hand
from harness.postprocess import waveform
from netlists.stages.banks import Bank

# What a simulation of ours may claim (house rules).
MEANS = 0.003  # means and RMS
RIPPLE = 0.01  # differences of two close values
PEAKS = 0.03
AROUND = 0.15  # the reference's frequency is sought so far about the hand calculation's


@dataclass(frozen=True)
class Case:
    """A converter at a bus [V] and a share of its full load; ``modes`` in turn as the reference must find them."""

    converter: Converter
    bus: float
    load: float
    modes: tuple[int, ...]


def bank(resonance: float) -> tuple[Bank, ...]:
    """An output bank whose ripple is about a thousandth of the output."""
    return (Bank("C9", 4.0 / resonance, 10e-3),)


def converter(bridge: str, resonance: float, inductance_ratio: float, quality: float, **more: str) -> Converter:
    ratio = 1.0 if bridge == "full" else 0.5
    return Converter(bridge, resonance, inductance_ratio, quality, ratio, 400.0, 20.0, bank(resonance), **more)


# Above the resonance rectifiers hand over within nanoseconds in the ideal circuit; the stage's picofarads take pi
# sqrt(L K) for it. What that changes fell with the square root of K / C as the resonance was moved from 20 to 3 kHz:
# RMS of the bank's current 1.2 to 0.3 %, of the tank's 0.37 to 0.1 %, so the case stands at 3 kHz.
CASES = {
    "half bridge, below": Case(converter("half", 5e3, 5.0, 0.4), 350.0, 1.0, (1, 0, -1, 0)),
    "half bridge, at": Case(converter("half", 5e3, 5.0, 0.4), 400.8, 1.0, (1, 0, -1, 0)),
    "full bridge, above": Case(converter("full", 3e3, 5.0, 0.4, secondary="bridge"), 450.0, 1.0, (-1, 1, 1, -1)),
    "full bridge, light load below": Case(
        converter("full", 5e3, 6.0, 0.5, secondary="bridge"), 380.0, 0.15, (0, 1, 0, 0, -1, 0)
    ),
    "half bridge, light load above": Case(converter("half", 5e3, 5.0, 0.4), 415.0, 0.2, (-1, 0, 1, 1, 0, -1)),
}
ANY = pytest.mark.parametrize("name", CASES)


@cache
def by_hand(name: str) -> hand.Solved:
    case = CASES[name]
    return hand.solve(stage_of(case.converter), condition_of(case.converter, case.bus, case.load))


@cache
def expected(name: str, *, stiff: bool = False) -> Steady:
    """The reference; ``stiff``: with an output that hardly ripples, as the tank by hand takes it."""
    case, near = CASES[name], by_hand(name).frequency
    circuit = circuit_of(case.converter, case.bus, case.load)
    if stiff:
        circuit = replace(circuit, capacitors=(Capacitor(50 * circuit.capacitors[0].capacitance, 1e-4),))
    return regulated(circuit, case.converter.voltage, (1 - AROUND) * near, (1 + AROUND) * near)


@cache
def simulated(name: str) -> tuple[float, FloatArray, dict[str, FloatArray]]:
    """Frequency, times and signals of the last period under the reference's names."""
    case = CASES[name]
    run, frequency = settled(case.converter, case.bus, case.load)
    time, period = last_period(run, frequency)
    pairs = [name_of for name_of in period if name_of.startswith("rectifier_current") and not name_of.endswith("low")]
    return frequency, time, {
        "tank_current": period["tank_current"],
        "magnetising_current": period["magnetising_current_0"],
        "resonant_voltage": period["resonant_voltage"],
        "rectified": np.sum([period[name_of] for name_of in pairs], axis=0),
        "output_voltage": period["output_voltage_a"],
        "capacitor_current": period["output_current_a0"],
    }  # fmt: skip


def courses(found: Steady) -> dict[str, FloatArray]:
    names = ("tank_current", "magnetising_current", "resonant_voltage", "rectified", "output_voltage")
    return {name: getattr(found, name) for name in names} | {"capacitor_current": found.capacitor_currents[0]}


# --- the reference by itself


@ANY
def test_the_reference_works_as_the_case_is_meant_to(name: str) -> None:
    assert tuple(mode for mode, _ in expected(name).modes) == CASES[name].modes


@ANY
def test_the_reference_balances_charge_and_power(name: str) -> None:
    """Exact: no mean current in any capacitor, and the power drawn is that delivered and lost."""
    case, found = CASES[name], expected(name)
    circuit = circuit_of(case.converter, case.bus, case.load)
    size = found.rms(found.tank_current)
    assert found.mean(found.tank_current) == pytest.approx(0.0, abs=1e-8 * size)
    assert found.mean(found.capacitor_currents[0]) == pytest.approx(0.0, abs=1e-6 * size)
    assert found.mean(found.output_voltage) == pytest.approx(case.converter.voltage, rel=1e-8)
    drawn = found.mean(found.drive * found.tank_current)
    lost = (
        circuit.resistance * found.rms(found.tank_current) ** 2
        + circuit.secondary_resistance * found.rms(found.rectified) ** 2
        + circuit.drop * found.mean(found.rectified)
        + circuit.capacitors[0].esr * found.rms(found.capacitor_currents[0]) ** 2
    )
    assert drawn == pytest.approx(found.rms(found.output_voltage) ** 2 / circuit.load_resistance + lost, rel=1e-7)


@ANY
def test_the_reference_repeats_by_another_method(name: str) -> None:
    """Its first half period, stepped by Runge and Kutta from equations written out anew, ends where its middle is."""
    case, found = CASES[name], expected(name)
    circuit = circuit_of(case.converter, case.bus, case.load)
    ends = runge_kutta(circuit, found)
    scale = [np.ptp(found.tank_current), np.ptp(found.magnetising_current), np.ptp(found.resonant_voltage)]
    middle = int(np.searchsorted(found.time, (0.5 - 1e-12) * found.time[-1]))
    wanted = [found.tank_current[middle], found.magnetising_current[middle], found.resonant_voltage[middle]]
    assert np.max(np.abs(ends[:3] - wanted) / scale) < 1e-6


def runge_kutta(circuit: Circuit, found: Steady) -> FloatArray:
    """Tank current, magnetising current, resonant and output capacitor voltage after the first half period."""
    drive, part, ratio = float(found.drive[0]), circuit.capacitors[0], circuit.ratio
    start = float(found.output_voltage[0]) - part.esr * float(found.capacitor_currents[0][0])
    state = np.array([found.tank_current[0], found.magnetising_current[0], found.resonant_voltage[0], start])

    def across(mode: int, y: FloatArray) -> tuple[float, float]:
        """Voltage across the magnetising inductance, current of the output's capacitor."""
        i, m, u, v = y
        rectified = mode * ratio * (i - m)
        output = (rectified + v / part.esr) / (1 / circuit.load_resistance + 1 / part.esr)
        if mode:
            return mode * ratio * (output + circuit.drop + circuit.secondary_resistance * rectified), (
                output - v
            ) / part.esr
        share = circuit.magnetising / (circuit.series + circuit.magnetising)
        return share * (drive - u - circuit.resistance * i), (output - v) / part.esr

    def slopes(_: float, y: FloatArray, mode: int) -> list[float]:
        w, into = across(mode, y)
        return [
            (drive - y[2] - circuit.resistance * y[0] - w) / circuit.series, w / circuit.magnetising,
            y[0] / circuit.capacitance, into / part.capacitance,
        ]  # fmt: skip

    def ends(_: float, y: FloatArray, mode: int) -> float:
        if mode:
            return float(mode * (y[0] - y[1]))
        return float(ratio * (y[3] + circuit.drop) - abs(across(0, y)[0]))

    ends.terminal, ends.direction = True, -1.0  # type: ignore[attr-defined]
    now, mode, end = 0.0, found.modes[0][0], 0.5 * float(found.time[-1])
    while now < end * (1 - 1e-12):
        done = solve_ivp(
            slopes, (now, end), state, "DOP853", events=ends, args=(mode,), rtol=1e-10, atol=1e-9, max_step=end / 50
        )
        now, state = float(done.t[-1]), done.y[:, -1]
        if done.status == 0:  # the half period's end, in the middle of a mode
            break
        if mode:
            state[1] = state[0]
        w = across(0, state)[0]
        mode = 0 if mode and abs(w) < ratio * (state[3] + circuit.drop) else (1 if w > 0 else -1)
    return state


# --- the simulated stage


@ANY
def test_frequency(name: str) -> None:
    assert simulated(name)[0] == pytest.approx(expected(name).frequency, rel=MEANS)


@ANY
def test_means_and_rms(name: str) -> None:
    found, (_, time, period) = expected(name), simulated(name)
    reference = courses(found)
    size = found.rms(found.rectified)
    for signal, values in period.items():
        assert waveform.rms(time, values) == pytest.approx(found.rms(reference[signal]), rel=MEANS), signal
        # the mean of an alternating current is none, a difference of two of which each is claimed to so much
        mean, slack = found.mean(reference[signal]), MEANS * size if "current" in signal else 0.0
        if signal != "resonant_voltage" or CASES[name].converter.bridge == "half":
            assert waveform.mean(time, values) == pytest.approx(mean, rel=MEANS, abs=slack), signal


@ANY
def test_swings_and_ripple(name: str) -> None:
    found, (_, _, period) = expected(name), simulated(name)
    for signal, values in courses(found).items():
        assert np.ptp(period[signal]) == pytest.approx(np.ptp(values), rel=RIPPLE), signal


@ANY
def test_peaks(name: str) -> None:
    found, (_, _, period) = expected(name), simulated(name)
    for signal, values in courses(found).items():
        assert np.max(period[signal]) == pytest.approx(np.max(values), rel=PEAKS), signal


# --- the tank by hand


@ANY
def test_tank_by_hand(name: str) -> None:
    """Its output does not ripple, so the reference's must not: its means and RMS to 0.3 %, peaks too."""
    case, found, solved = CASES[name], expected(name, stiff=True), by_hand(name)
    half = solved.half
    assert solved.frequency == pytest.approx(found.frequency, rel=MEANS)
    offset = 0.0 if case.converter.bridge == "full" else 0.5 * case.bus
    pairs = {
        "tank current": (half.current, found.tank_current),
        "magnetising current": (half.magnetising, found.magnetising_current),
        "resonant voltage": (half.voltage, found.resonant_voltage - offset),
        "rectified current": (case.converter.ratio * half.rectified, found.rectified),
    }
    for signal, (values, reference) in pairs.items():
        assert np.sqrt(hand.mean_square(half, values)) == pytest.approx(found.rms(reference), rel=MEANS), signal
        assert np.max(np.abs(values)) == pytest.approx(np.max(np.abs(reference)), rel=RIPPLE), signal


def test_a_period_solved_at_its_frequency_is_the_same() -> None:
    """Nothing of the regulated solution rests on the search for its frequency."""
    case, found = CASES["half bridge, below"], expected("half bridge, below")
    again = solve(circuit_of(case.converter, case.bus, case.load), found.frequency)
    assert again.mean(again.output_voltage) == pytest.approx(case.converter.voltage, rel=1e-8)
