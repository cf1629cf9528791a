"""The tank of an LLC by hand and its search: limits, balances, symmetry, and that what it calls impossible is."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from integration.llc_designs import drawn_llc
from scipy.linalg import expm

from harness.handcalc import llc as hand
from harness.handcalc import llc_tank
from harness.handcalc.llc_search import (
    first_harmonic_frequency,
    first_harmonic_gain,
    forget,
    lowest_drive,
    periodic_half,
    regulated,
)
from harness.handcalc.llc_tank import Half, Tank, exponential, half_period

FREQUENCY, CHARACTERISTIC, RATIO = 100e3, 30.0, 5.0
SERIES = CHARACTERISTIC / (2 * math.pi * FREQUENCY)
CAPACITANCE = 1 / (2 * math.pi * FREQUENCY * CHARACTERISTIC)
LOW, HIGH = 0.45 * FREQUENCY, 2.5 * FREQUENCY


def tank(gain: float = 1.0, *, losses: float = 0.0, **more: float) -> Tank:
    """A tank of 200 V that is asked for a gain; ``losses`` in both paths over the characteristic impedance."""
    known = {
        "drive": 200.0, "series": SERIES, "magnetising": RATIO * SERIES, "capacitance": CAPACITANCE,
        "resistance": losses * CHARACTERISTIC, "reflected": 200.0 * gain,
        "reflected_resistance": losses * CHARACTERISTIC,
    }  # fmt: skip
    return Tank(**(known | more))


def current_of(quality: float, voltage: float = 200.0) -> float:
    """Mean rectified current at a quality factor, that of the first-harmonic formula [A]."""
    return voltage / (math.pi**2 / 8 * CHARACTERISTIC / quality)


def mean(half: Half, values: np.ndarray) -> float:
    return float(np.trapezoid(values, half.time)) / float(half.time[-1])


# --- limiting cases


@pytest.mark.parametrize("quality", [0.2, 0.4, 0.8])
def test_at_its_resonance_a_lossless_tank_delivers_any_load_at_a_gain_of_one(quality: float) -> None:
    """With a trace of losses, since without any every current is one: the gain sought is as much less."""
    losses = 2e-3
    lost = 2 * losses * quality  # of the two resistances over the load's, both seen from the primary
    frequency, half = regulated(tank(1 - lost, losses=losses), current_of(quality), LOW, HIGH)
    assert frequency == pytest.approx(FREQUENCY, rel=1e-5)
    assert half.delivered == pytest.approx(current_of(quality), rel=1e-6)


def test_first_harmonic_gain_in_its_limits() -> None:
    for quality in (0.1, 1.0, 10.0):
        assert first_harmonic_gain(1.0, RATIO, quality) == pytest.approx(1.0)
    lower = 1 / math.sqrt(1 + RATIO)
    assert first_harmonic_gain(lower, RATIO, 1e-6) > 1e5  # unloaded, at the resonance with idle rectifiers
    assert first_harmonic_gain(1e3, RATIO, 0.0) == pytest.approx(RATIO / (RATIO + 1), rel=1e-5)  # inductive divider
    assert first_harmonic_gain(2.0, 1e9, 0.0) == pytest.approx(1.0)  # nothing flows, nothing is lost


def test_the_first_harmonic_frequency_gives_the_first_harmonic_gain() -> None:
    for gain, quality in ((0.9, 0.4), (1.1, 0.4), (1.2, 0.3)):
        at = first_harmonic_frequency(tank(gain), current_of(quality, 200.0 * gain)) / FREQUENCY
        assert first_harmonic_gain(at, RATIO, quality) == pytest.approx(gain, rel=0.01)  # on a grid of 200


def test_scaling_of_impedance_and_of_time() -> None:
    """Half the impedance carries twice the current at the same frequency; half of L and C twice the frequency."""
    frequency, half = regulated(tank(1.1, losses=0.01), 2.0, LOW, HIGH)
    stiff = tank(1.1, losses=0.005, series=SERIES / 2, magnetising=RATIO * SERIES / 2, capacitance=2 * CAPACITANCE)
    twice, doubled = regulated(stiff, 4.0, LOW, HIGH)
    assert twice == pytest.approx(frequency, rel=1e-6)
    assert np.max(doubled.current) == pytest.approx(2 * np.max(half.current), rel=1e-6)
    fast = tank(1.1, losses=0.01, series=SERIES / 2, magnetising=RATIO * SERIES / 2, capacitance=CAPACITANCE / 2)
    assert regulated(fast, 2.0, 2 * LOW, 2 * HIGH)[0] == pytest.approx(2 * frequency, rel=1e-6)


def test_idle_rectifiers_without_a_capacitance_carry_nothing_and_divide_the_voltage() -> None:
    """Kirchhoff while idle: one current in both inductances, which share the voltage as they share the flux."""
    of = tank(1.15, losses=0.01)
    _, half = regulated(of, 2.5, LOW, HIGH)
    idle = (half.rectified == 0) & (half.time > 0)  # at its begin conduction begins
    assert 0.1 < np.mean(idle) < 0.5
    assert half.current[idle] == pytest.approx(half.magnetising[idle], abs=1e-9)
    driven = of.drive - of.resistance * half.current - half.voltage
    assert half.clamped[idle] == pytest.approx(driven[idle] * RATIO / (1 + RATIO), abs=1e-6 * of.drive)
    assert np.max(np.abs(half.clamped[idle])) <= of.reflected
    outset = int(np.flatnonzero(np.diff(idle.astype(int)) == 1)[0])  # the last instant of the conduction before it
    assert half.rectified[outset] < 0.2 * np.max(half.rectified)


@pytest.mark.parametrize("gain", [0.85, 0.9])
def test_what_a_capacitance_changes_goes_with_its_root_and_ends_in_none(gain: float) -> None:
    """Above the resonance rectifiers hand over in a part of its ring, pi sqrt(L K): a quarter, half the change."""
    without, _ = regulated(tank(gain, losses=0.01), 3.0, LOW, HIGH)
    shares = (8e-4, 2e-4, 5e-5, 1.25e-5)
    found = [regulated(tank(gain, losses=0.01, across=k * CAPACITANCE), 3.0, LOW, HIGH)[0] for k in shares]
    changes = [one / without - 1 for one in found]
    assert [two / one for one, two in pairwise(changes)] == pytest.approx([0.5] * 3, abs=0.05)
    assert changes[-1] < 3e-3
    left_out, _ = regulated(tank(gain, losses=0.01, across=llc_tank.LEAST_ACROSS * CAPACITANCE), 3.0, LOW, HIGH)
    assert left_out == pytest.approx(without, rel=1e-9)


# --- balances and symmetry

WORKING = {
    "below": (tank(1.15, losses=0.01), 2.5),
    "at": (tank(0.99, losses=0.01), 2.5),
    "above": (tank(0.9, losses=0.01), 3.0),
    "light": (tank(1.05, losses=0.01, across=2e-3 * CAPACITANCE, core=50 * CHARACTERISTIC), 0.4),
    "strays": (tank(0.95, losses=0.01, stray=0.03 * SERIES, across=1e-3 * CAPACITANCE, core=2e3), 2.0),
}
ANY = pytest.mark.parametrize("name", WORKING)


@pytest.fixture(scope="module")
def solved() -> dict[str, tuple[float, Half]]:
    return {name: regulated(tank_of, current, LOW, HIGH) for name, (tank_of, current) in WORKING.items()}


@ANY
def test_the_load_is_delivered(name: str, solved: dict[str, tuple[float, Half]]) -> None:
    assert solved[name][1].delivered == pytest.approx(WORKING[name][1], rel=1e-5)


@ANY
def test_the_half_period_mirrors(name: str, solved: dict[str, tuple[float, Half]]) -> None:
    """Every state ends as the negative of what it began with; so does the whole period, run from its begin."""
    frequency, half = solved[name]
    of = WORKING[name][0]
    begin = np.array([half.current[0], half.magnetising[0], half.voltage[0]])
    scale = np.array([np.max(np.abs(half.current)), np.max(np.abs(half.magnetising)), np.max(np.abs(half.voltage))])
    assert np.max(np.abs(half.end[:3] + begin) / scale) < 1e-6
    negative = half_period(replace(of, drive=-of.drive), half.end, frequency, llc_tank.FINE_STEPS)
    assert np.max(np.abs(negative.end[:3] - begin) / scale) < 1e-5


@ANY
def test_energy_in_is_energy_out_and_losses(name: str, solved: dict[str, tuple[float, Half]]) -> None:
    """All stores hold at the end what they held at the begin. Straight pieces between 128 instants: to 3e-3."""
    of, (_, half) = WORKING[name][0], solved[name]
    drawn = of.drive * mean(half, half.current)
    delivered = of.reflected * half.delivered
    lost = of.resistance * mean(half, half.current**2) + of.reflected_resistance * mean(half, half.rectified**2)
    if math.isfinite(of.core):
        draws = np.where(half.rectified > 0, of.reflected * np.sign(half.clamped), half.clamped) / of.core
        lost += mean(half, draws * half.clamped)
    assert drawn == pytest.approx(delivered + lost, rel=3e-3)
    assert drawn > delivered


@ANY
def test_nothing_direct_is_in_the_tank(name: str, solved: dict[str, tuple[float, Half]]) -> None:
    """The capacitor's charge in a half period is its swing; the flux over it is that of the clamped voltage."""
    of, (_, half) = WORKING[name][0], solved[name]
    moved = float(np.trapezoid(half.current, half.time))
    assert moved == pytest.approx(of.capacitance * (half.voltage[-1] - half.voltage[0]), rel=2e-3)


def test_steps_do_not_matter(solved: dict[str, tuple[float, Half]]) -> None:
    """Steps are exact, and the end of a mode is found as well in coarse ones: also where idle rectifiers ring fast."""
    for across in (1e-3, 1e-4, 2e-5, 0.0):
        of = tank(0.85, losses=1e-3, across=across * CAPACITANCE)
        half = regulated(of, 3.0, LOW, HIGH)[1]
        begin = np.array([half.current[0], half.magnetising[0], half.voltage[0], half.clamped[0]])
        begin[3] = math.copysign(min(abs(begin[3]), of.reflected), begin[3])
        frequency = 0.5 / float(half.time[-1])
        ends = [half_period(of, begin, frequency, steps).end[:3] for steps in (16, 40, 256)]
        assert np.max(np.abs(np.ptp(ends, axis=0))) < 1e-6 * of.drive


@pytest.mark.parametrize("seed", range(5))
def test_exponential_is_that_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for size in (0.1, 3.0, 40.0):
        matrix = size * rng.normal(size=(6, 6)) / 6
        assert exponential(matrix) == pytest.approx(expm(matrix), rel=1e-8, abs=1e-8 * np.max(np.abs(expm(matrix))))
    assert np.array_equal(exponential(np.zeros((3, 3))), np.eye(3))


# --- what the bridge's capacitances take off the square wave


def test_edges_take_off_the_first_harmonic_of_a_trapezoid() -> None:
    """A constant current moves a leg's charge in Q / I; the first harmonic of such edges by Fourier's integral."""
    params, condition = drawn_llc(26)
    bus = condition.line_voltage
    charge = hand.needed_charge(params, bus)
    for taken in (0.3 * params.dead_time, 0.9 * params.dead_time, 3.0 * params.dead_time):
        length = 5 * params.dead_time
        time = np.linspace(0.0, length, 20_001)
        none = np.zeros_like(time)
        half = Half(time, np.full_like(time, -charge / taken), none, none, none, none, 0.0)
        edge = min(taken, params.dead_time)  # the middle of the edge is where the trapezoid crosses zero
        trapezoid = np.clip((np.minimum(time, length - time)) / (0.5 * edge), 0.0, 1.0)
        first = 2 / length * np.trapezoid(trapezoid * np.sin(np.pi * time / length), time)
        # to a fortieth of the dead time, in which the charge is counted
        assert hand.edge_share(params, bus, half) == pytest.approx(first / (4 / np.pi), abs=3e-3)


def test_with_no_capacitance_in_the_bridge_nothing_is_taken_off() -> None:
    params, condition = drawn_llc(26)
    bare = replace(params, switch=replace(params.switch, output_capacitance=1e-18))
    half = hand.solve(params, condition).half
    assert hand.edge_share(bare, condition.line_voltage, half) == pytest.approx(1.0, abs=1e-3)
    assert hand.solve(params, condition).frequency < hand.solve(bare, condition).frequency


# --- what it cannot do


@pytest.mark.parametrize(
    ("gain", "current", "says"),
    [
        (1.6, 8.0, "delivers at most"),  # far beyond the gain's peak at this load
        (0.3, 1.0, "even at the highest frequency"),  # a tank of this ratio has no such gain so low
    ],
)
def test_out_of_reach(gain: float, current: float, says: str) -> None:
    with pytest.raises(ArithmeticError, match=says):
        regulated(tank(gain, losses=0.01), current, LOW, HIGH)


def test_what_was_forgotten_leaves_no_trace() -> None:
    """To the last bit, since a case is named by its numbers: a search from another tank's end agrees to 1e-7 only."""
    asked, other, current = tank(1.1, losses=0.01, across=3e-10), tank(1.12, losses=0.01, across=3e-10), 4.0
    found = []
    for before in ((), (other,)):
        forget()
        for one in before:
            regulated(one, current, LOW, HIGH)
            lowest_drive(one, current, LOW)
        if before:
            found.append(regulated(asked, current, LOW, HIGH)[0])
            forget()
        found.append((regulated(asked, current, LOW, HIGH)[0], lowest_drive(asked, current, LOW)[:2]))
    alone, warm, again = found
    assert alone == again
    assert warm == pytest.approx(alone[0], rel=1e-5)


def test_the_lowest_drive_is_a_minimum() -> None:
    """At it the current is delivered; a little less delivers it at no frequency; at others it takes more."""
    of, current = tank(1.0, losses=0.01), 4.0
    drive, frequency, half = lowest_drive(of, current, LOW)
    assert half.delivered == pytest.approx(current, rel=1e-5)
    assert drive < of.drive
    at = periodic_half(replace(of, drive=drive), frequency, -half.end)
    assert at.delivered == pytest.approx(current, rel=1e-3)
    for factor in (0.92, 0.97, 1.03, 1.08):
        there = regulated_drive(of, current, factor * frequency)
        assert there > drive * (1 - 1e-4), factor
    with pytest.raises(ArithmeticError):
        regulated(replace(of, drive=0.985 * drive), current, LOW, HIGH)


def regulated_drive(of: Tank, current: float, frequency: float) -> float:
    """The drive with which a tank delivers a current at a frequency, by halving alone."""
    low, high = 0.5 * of.drive, 1.5 * of.drive
    for _ in range(30):
        middle = 0.5 * (low + high)
        delivered = periodic_half(replace(of, drive=middle), frequency).delivered
        low, high = (middle, high) if delivered < current else (low, middle)
    return high


def test_the_lowest_drive_lies_at_the_lowest_frequency_where_the_gain_still_rises_there() -> None:
    of, low = tank(1.0, losses=0.01), 0.9 * FREQUENCY
    drive, frequency, _ = lowest_drive(of, 2.0, low)
    assert frequency == pytest.approx(low, rel=5e-3)
    assert drive < of.drive


# --- rectifiers that conduct on behind their zero


@pytest.mark.parametrize("frequency", [0.7 * FREQUENCY, 0.85 * FREQUENCY])
def test_rectifiers_that_conduct_on_bring_back_what_the_slope_at_their_zero_says(frequency: float) -> None:
    """Below the resonance the current comes to its zero within the half period, and runs on as it came."""
    one = tank(losses=0.01, across=2e-3 * CAPACITANCE)
    in_time = periodic_half(one, frequency)
    assert np.min(in_time.rectified) >= -1e-9 * np.max(in_time.rectified)
    late = 0.01 / frequency
    held = periodic_half(replace(one, late=late), frequency)
    last = int(np.argmin(held.rectified))
    assert held.time[last] - held.time[last - 1] == pytest.approx(late, rel=1e-6)
    steep = (held.rectified[last - 2] - held.rectified[last - 1]) / (held.time[last - 1] - held.time[last - 2])
    assert held.rectified[last - 1] == pytest.approx(0.0, abs=1e-6 * np.max(held.rectified))
    assert -held.rectified[last] == pytest.approx(steep * late, rel=0.1)
    assert held.delivered < in_time.delivered
