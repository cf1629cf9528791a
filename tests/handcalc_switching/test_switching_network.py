"""Banks under a periodic current: closed forms, and an exact periodic solution by matrix exponentials."""

from __future__ import annotations

import math

import numpy as np
import pytest
from handcalc_switching.textbook import capacitor_ripple
from scipy.linalg import expm

from harness.handcalc.network import (
    ORDERS,
    Branch,
    Load,
    branch_of,
    branch_rms,
    harmonics,
    high_frequency,
    probe_transfer,
    ripple,
    train,
)
from harness.handcalc.switching_waveform import Course, interleaved, mean_of, part_of, rms_of, swing_of
from netlists.stages.banks import Bank


def triangle(swing: float, frequency: float, duty: float) -> Course:
    time = np.array([0.0, duty, 1.0]) / frequency
    return Course(time, np.array([-0.5, 0.5, -0.5]) * swing)


def swing_on(course: Course, branches: list[Branch]) -> float:
    return swing_of(ripple(course, train(course, 1), branches))


@pytest.mark.parametrize(("esr", "millivolts"), [(1e-9, 93.75), (0.1, 156.25), (0.2, 300.0)])
def test_one_capacitor_in_numbers(esr: float, millivolts: float) -> None:
    """1.5 A at 20 kHz, D = 0.4, 100 uF; worked by hand from the parabolas, all three regimes."""
    course = triangle(1.5, 20e3, 0.4)
    assert swing_on(course, [Branch(esr, 0.0, 100e-6)]) == pytest.approx(millivolts * 1e-3, rel=1e-6)
    assert capacitor_ripple(1.5, 20e3, 0.4, 100e-6, esr) == pytest.approx(millivolts * 1e-3, rel=1e-7)


@pytest.mark.parametrize("duty", [0.1, 0.3, 0.5, 0.9])
@pytest.mark.parametrize("r", [1e-6, 0.03, 0.2, 0.4, 0.6])
def test_one_capacitor_in_general(duty: float, r: float) -> None:
    """r = ESR C f from none to all resistance, the regime between included."""
    esr, capacitance, frequency = r / (100e-6 * 50e3), 100e-6, 50e3
    course = triangle(2.0, frequency, duty)
    assert swing_on(course, [Branch(esr, 0.0, capacitance)]) == pytest.approx(
        capacitor_ripple(2.0, frequency, duty, capacitance, esr), rel=2e-4
    )


def test_hart_ripples() -> None:
    """Hart, examples 6-1, 6-2 (from memory): 0.469 % of 20 V and 0.5 % of 18 V."""
    assert swing_on(triangle(1.5, 20e3, 0.4), [Branch(1e-9, 0.0, 100e-6)]) / 20 == pytest.approx(0.00469, rel=1e-3)
    swing = 18 * 0.625 / (97.5e-6 * 40e3)
    assert swing_on(triangle(swing, 40e3, 0.375), [Branch(1e-9, 0.0, 100e-6)]) / 18 == pytest.approx(0.005, rel=0.01)


def test_hart_boost_ripple() -> None:
    """Hart, boost example (from memory): 48 uF, 50 ohm, D = 0.6, 25 kHz: 1 % of 30 V.

    The book lets the capacitor discharge during the on-time alone; here the diode's current ends below the load's, so
    it discharges a little longer: (0.6 - 0.3)^2 / 2 over the fall's slope, 2 % more.
    """
    period = 1 / 25e3
    choke = Course(np.array([0.0, 0.6, 1.0]) * period, np.array([0.3, 2.7, 0.3]))
    free = part_of(choke, 0.6 * period, period)
    assert mean_of(free) == pytest.approx(0.6)
    later = 0.5 * 0.3**2 / (2.4 / (0.4 * period)) / 48e-6 / 30
    found = swing_on(free, [Branch(1e-9, 0.0, 48e-6)]) / 30
    assert found - later == pytest.approx(0.01, rel=5e-4)
    assert found == pytest.approx(0.01, rel=0.03)


def test_esl_steps_show_no_overshoot_of_the_series() -> None:
    """A bare inductance turns the triangle into steps of L times the change of slope."""
    course = triangle(3.0, 500e3, 0.4)
    found = swing_on(course, [Branch(1e-6, 2e-9, 1.0)])
    assert found == pytest.approx(2e-9 * 3.0 * 500e3 * (1 / 0.4 + 1 / 0.6), rel=1e-3)


def test_equal_branches_share_equally_and_pieces_lump() -> None:
    course = triangle(2.0, 100e3, 0.3)
    orders = train(course, 1)
    one = Bank("C1", 100e-6, 30e-3, esl=5e-9)
    pair = Bank("C1", 100e-6, 30e-3, parallel=2, esl=5e-9)
    assert swing_on(course, [branch_of(one)] * 2) == pytest.approx(swing_on(course, [branch_of(pair)]), rel=1e-9)
    shared = branch_rms(course, orders, [branch_of(one)] * 2)
    assert shared == pytest.approx([1.0 / math.sqrt(3) / 2] * 2, rel=1e-9)


def test_pulse_train_keeps_its_rms() -> None:
    """RMS of a rectangular pulse, though its harmonics fall slowly: D (1 - D) I^2."""
    pulse = part_of(Course(np.array([0.0, 1e-5]), np.array([4.0, 4.0])), 0.0, 0.25e-5)
    found = branch_rms(pulse, train(pulse, 1), [Branch(1e-3, 0.0, 1.0)])[0]
    assert found == pytest.approx(4 * math.sqrt(0.25 * 0.75), rel=1e-6)


@pytest.mark.parametrize("angle", [0.0, 0.13])
def test_interleaving_picks_orders_out(angle: float) -> None:
    course = part_of(triangle(2.0, 100e3, 0.3), 0.0, 0.3e-5)
    plain, quick = harmonics(interleaved(course, 3, angle), 1, ORDERS), train(course, 3, angle)
    assert np.max(np.abs(quick[1:] - plain)) < 1e-9


def periodic(matrix: np.ndarray, forced: np.ndarray, currents: Course) -> tuple[np.ndarray, np.ndarray]:
    """Exact periodic state of x' = A x + b i(t) at 2000 instants of a straight-pieced current without jumps."""
    size, steps = matrix.shape[0], 2000
    step = currents.period / steps
    larger = np.zeros((size + 2, size + 2))  # state, current, its slope
    larger[:size, :size], larger[:size, size], larger[size, size + 1] = matrix, forced, 1.0
    move = expm(larger * step)
    instants = np.arange(steps + 1) * step
    value = currents.at(instants)
    value[-1] = currents.value[-1]
    slope = np.diff(value) / step

    def run(start: np.ndarray) -> np.ndarray:
        states = [start]
        for i, m in zip(value[:-1], slope, strict=True):
            states.append((move @ np.concatenate((states[-1], [i, m])))[:size])
        return np.array(states)

    end = run(np.zeros(size))[-1]
    start = np.linalg.solve(np.eye(size) - np.linalg.matrix_power(move[:size, :size], steps), end)
    return instants, run(start)


def test_against_an_exact_periodic_solution() -> None:
    """Two banks with and without ESL and a load behind copper: state space by matrix exponentials."""
    bulk, ceramic, load = Branch(8e-3, 4e-9, 500e-6), Branch(3e-3, 0.0, 40e-6), Load(2e-3, 30e-9, 0.2)
    course = triangle(6.0, 250e3, 0.4)
    # states: bulk current, bulk voltage, ceramic voltage, copper current; v = vc + rc (i - ib - il)
    rc, rb, rl = ceramic.resistance, bulk.resistance, load.copper_resistance + load.load
    matrix = np.array([
        [-(rc + rb) / bulk.inductance, -1 / bulk.inductance, 1 / bulk.inductance, -rc / bulk.inductance],
        [1 / bulk.capacitance, 0, 0, 0],
        [-1 / ceramic.capacitance, 0, 0, -1 / ceramic.capacitance],
        [-rc / load.copper_inductance, 0, 1 / load.copper_inductance, -(rc + rl) / load.copper_inductance],
    ])  # fmt: skip
    forced = np.array([rc / bulk.inductance, 0, 1 / ceramic.capacitance, rc / load.copper_inductance])
    instants, state = periodic(matrix, forced, course)
    current = course.at(instants)
    current[-1] = course.value[-1]
    voltage = state[:, 2] + rc * (current - state[:, 0] - state[:, 3])
    branches = [bulk, ceramic, load]
    orders = train(course, 1)
    assert swing_of(ripple(course, orders, branches)) == pytest.approx(float(np.ptp(voltage)), rel=2e-3)
    in_bulk = math.sqrt(float(np.trapezoid(state[:, 0] ** 2, instants)) / course.period)
    in_ceramic = (current - state[:, 0] - state[:, 3]) ** 2
    found = branch_rms(course, orders, branches)
    assert found[0] == pytest.approx(in_bulk, rel=1e-3)
    assert found[1] == pytest.approx(math.sqrt(float(np.trapezoid(in_ceramic, instants)) / course.period), rel=1e-3)


def test_probe_reads_the_load_and_dulls_steps() -> None:
    """Without copper and steps the probe reads the bank's ripple; a low pass takes of an ESL's steps what it must."""
    course = triangle(2.0, 50e3, 0.4)
    banks = [Branch(20e-3, 0.0, 200e-6)]
    bare = Load(1e-6, 0.0, 1.0)
    orders = train(course, 1)
    transfer = probe_transfer([*banks, bare], bare, course.period, 20e6)
    assert swing_of(ripple(course, orders, [*banks, bare], transfer)) == pytest.approx(
        swing_of(ripple(course, orders, [*banks, bare])), rel=3e-3
    )
    steps = [Branch(1e-6, 2e-9, 1.0), Load(1e-6, 0.0, 1e3)]
    read = swing_of(ripple(course, orders, steps, probe_transfer(steps, steps[1], course.period, 1e4)))
    assert read < 0.3 * swing_of(ripple(course, orders, steps))


def test_high_frequency_limits() -> None:
    assert high_frequency([Branch(2.0), Branch(2.0, 1e-9, 1.0)]) == (2.0, 0.0)
    resistance, inductance = high_frequency([Branch(1.0, 2e-9, 1.0), Branch(1.0, 2e-9, 1.0)])
    assert (resistance, inductance) == (pytest.approx(0.5), pytest.approx(1e-9))


def test_rms_of_a_course_is_parsevals() -> None:
    course = triangle(2.0, 100e3, 0.3)
    orders = train(course, 1)
    assert float(np.sum(2 * np.abs(orders[1:]) ** 2)) == pytest.approx(rms_of(course) ** 2, rel=1e-6)
