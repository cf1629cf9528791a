"""The hand calculation against the same exact rows, apart from ngspice: no simulation in this file.

Twice: the pieces of ``conduction`` alone, at the tolerance of their own sampling, and the expectations the product
shows beside its metrics, which must keep the differences they declare.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from exact_rectifier import exact_rectifier
from rectifier_bench import dc, figures, ideal_params, mains, off_by
from test_reference_settled import CIRCUITS, LARGE, LARGE_CAPACITOR, SCHADE

from harness.handcalc import rectifier_bulk as hand
from harness.handcalc.conduction import Circuit, Course, steady_period
from harness.handcalc.inrush import Loop, inrush_course, prepare

OMEGA = 2 * math.pi * 50.0
STRAY = 1e-6  # omega L over Rs: none
NO_ESR = 1e-9
CREST = (math.pi / 2,)
NAMES = {"rectifier": "D1"}

# The pieces are exact; what is left is their 400 samples a half period: 0.02 % of means by trapezoids and 0.01 % of
# a smooth crest between two samples, and a charge that begins with a jump between its first two.
SAMPLED = 5e-4
JUMPING = 2e-3


def course_of(pulses: int, omega_rc: float, ratio: float, start: float) -> tuple[Course, float]:
    """Per unit: a source of 1 V, a load of 1 ohm."""
    circuit = Circuit(
        source_peak=1.0,
        frequency=50.0,
        full_wave=pulses == 2,
        resistance=ratio,
        inductance=STRAY * ratio / OMEGA,
        threshold=0.0,
        capacitance=omega_rc / OMEGA,
        esr=NO_ESR,
        load_conductance=1.0,
    )
    return steady_period(circuit, start)


@cache
def schade_course(circuit: tuple[int, float, float]) -> tuple[Course, float]:
    return course_of(*circuit, start=0.9)


def mean(course: Course, values: np.ndarray) -> float:
    return float(np.trapezoid(values, course.time) / course.time[-1])


@CIRCUITS
def test_pieces_against_schade_rows(circuit):
    pulses, _, _ = circuit
    course, _ = schade_course(circuit)
    direct, ripple, swing, conduction, diode_rms, diode_peak, source = SCHADE[circuit]
    voltage = mean(course, course.bulk)
    average, rms = mean(course, course.current), math.sqrt(mean(course, course.current**2))
    assert off_by(voltage, direct) <= SAMPLED
    assert off_by(100 * math.sqrt(mean(course, (course.bulk - voltage) ** 2)) / voltage, ripple) <= SAMPLED
    assert off_by(float(np.ptp(course.bulk)), swing) <= SAMPLED
    assert off_by(rms / voltage, source) <= SAMPLED
    assert off_by(math.sqrt(pulses) * rms / average, diode_rms) <= JUMPING
    assert off_by(pulses * float(np.max(course.current)) / average, diode_peak) <= JUMPING
    printed, rounding = figures(conduction)
    flowing = course.time[course.current > 0]
    ended = course.time[np.searchsorted(course.time, flowing[-1]) + 1]
    assert math.degrees(OMEGA * ended) == pytest.approx(printed, abs=0.01 + rounding)  # ends are interpolated


@CIRCUITS
def test_pieces_against_exact_solution(circuit):
    """To the digits that the printed rows do not have."""
    exact = exact_rectifier(*circuit)
    course, start = schade_course(circuit)
    assert mean(course, course.bulk) == pytest.approx(exact.mean, rel=1e-4)
    assert float(np.ptp(course.bulk)) == pytest.approx(exact.ripple, rel=SAMPLED)
    assert math.sqrt(mean(course, course.current**2)) == pytest.approx(exact.rms_current, rel=SAMPLED)
    assert float(np.max(course.current)) == pytest.approx(exact.peak_current, rel=SAMPLED)
    assert math.degrees(start) - 90 == pytest.approx(math.degrees(exact.on), abs=0.01)


@pytest.mark.parametrize("ratio", LARGE_CAPACITOR)
def test_pieces_with_a_large_capacitor(ratio):
    """From 0.3 % above. It stops where a charge adds less than 1e-5, which a slow bulk does before it has settled:

    1e-5 over the rate, pi / 1000 over a fifth of Rs / R at most, leaves 7e-4 of the peak.
    """
    limit, _ = figures(LARGE_CAPACITOR[ratio])
    course, _ = course_of(2, LARGE, ratio, start=1.003 * limit)
    assert off_by(mean(course, course.bulk), LARGE_CAPACITOR[ratio]) <= 1e-3


def test_steps_with_series_resonance():
    """299.88 A, 28.53 % over (exact); 4000 trapezoidal steps of the pulse lose nothing a reader would see."""
    loop = Loop(325.27, 0.0, True, 0.5, 100e-6, 0.0, 220e-6, NO_ESR, CREST)
    found = inrush_course(loop, 0.3)
    assert found.peak[0] == pytest.approx(299.88, rel=SAMPLED)
    assert found.bulk[0] / 325.27 - 1 == pytest.approx(0.2853, rel=1e-3)


def test_steps_closed_at_the_crest():
    """32.53 A and 10.17 J (exact). Without inductance the implicit Euler rule reads the jump at its first step's end,
    here a thousandth of 50 us on; later steps of 50 us lose a part of that over R C = 2.2 ms from the energy."""
    loop = Loop(325.27, 50.0, True, 10.0, 1e-7, 0.0, 220e-6, NO_ESR, CREST)
    found = inrush_course(loop, 1e-3 * 325.27)
    assert found.peak[0] == pytest.approx(32.53, rel=0.01)
    assert 10.0 * found.i2t[0] == pytest.approx(10.17, rel=0.01)


def test_steps_heat_the_thermistor_by_what_it_takes_from_the_line():
    """With no cooling, the thermistor's heat is the integral of i^2 R(T); halving R25 with B = 0 halves it (limits)."""
    cold = Loop(325.27, 50.0, True, 1e-3, 1e-6, 0.0, 220e-6, NO_ESR, CREST, r25=10.0, b_value=0.0, heat_capacity=0.5)
    found = inrush_course(cold, 0.3)
    assert (found.warm[0] - 25.0) * 0.5 == pytest.approx(10.0 * found.i2t[0], rel=1e-6)
    hotter = inrush_course(replace(cold, b_value=3000.0), 0.3)
    assert hotter.peak[0] >= found.peak[0]
    assert hotter.i2t[0] > found.i2t[0]


def test_angles_and_loops_at_once_equal_each_alone():
    """Side by side is only quicker: a loop's answer does not depend on the others, but for the first steps' length."""
    angles = tuple(np.radians([0.0, 45.0, 90.0, 135.0]))
    loop = Loop(325.27, 50.0, True, 1.0, 1e-4, 1.5, 220e-6, 0.1, angles, r25=5.0, b_value=3000.0, heat_capacity=0.8)
    other = replace(loop, capacitance=1e-3, angles=angles[::-1])
    prepare([(loop, 0.3), (other, 0.3)])
    together = inrush_course(loop, 0.3)
    for index, angle in enumerate(angles):
        alone = inrush_course(replace(loop, angles=(angle,)), 0.3)
        assert alone.peak[0] == pytest.approx(together.peak[index], rel=1e-9)
        assert alone.i2t[0] == pytest.approx(together.i2t[index], rel=1e-3)  # it may settle a half period earlier
    assert inrush_course(other, 0.3).i2t.max() > together.i2t.max()


def test_a_saturated_choke_lets_more_through():
    """A choke that never saturates, one that always is, and one between (limits)."""
    loop = Loop(
        373.0, 50.0, True, 0.5, 1e-4, 3.0, 660e-6, 0.2, CREST, choke=1e-3, saturated_choke=1e-4, choke_knee=20.0
    )
    never = inrush_course(replace(loop, choke_knee=1e6), 0.3).peak[0]
    always = inrush_course(replace(loop, choke_knee=0.0), 0.3).peak[0]
    assert never < inrush_course(loop, 0.3).peak[0] < always * 1.001


# --- what the product shows beside its metrics


def assert_declared(expectation, exact: float) -> None:
    gap = expectation.difference
    assert gap.low <= exact / expectation.value - 1 <= gap.high, expectation


@CIRCUITS
def test_line_ripple_keeps_its_declared_differences(circuit):
    pulses, omega_rc, ratio = circuit
    peak, load = 1000.0, 1000.0
    params = ideal_params(
        full_wave=pulses == 2,
        series_resistance=ratio * load,
        capacitance=omega_rc / OMEGA / load,
        load_resistance=load,
        inductance=STRAY * ratio * load / OMEGA,
    )
    expected = hand.line_ripple(params, mains(peak, 50.0), NAMES)
    exact = exact_rectifier(*circuit)
    ampere = peak / load
    assert_declared(expected["bulk_ripple", "bulk"], exact.ripple * peak)
    assert_declared(expected["rectifier_current_average", "D1"], exact.average_current * ampere / pulses)
    assert_declared(expected["rectifier_current_rms", "D1"], exact.rms_current * ampere / math.sqrt(pulses))
    assert_declared(expected["rectifier_current_peak", "D1"], exact.peak_current * ampere)
    assert_declared(expected["line_current_rms", "line"], exact.rms_current * ampere)
    assert_declared(expected["bulk_can_current_rms", "C1"], exact.capacitor_rms * ampere)


def test_inrush_keeps_its_declared_differences():
    params = ideal_params(full_wave=True, series_resistance=0.5, capacitance=220e-6, inductance=100e-6)
    expected = hand.inrush(params, dc(325.27), NAMES)
    assert_declared(expected["inrush_peak", "line"], 299.88)
    assert_declared(expected["bulk_voltage_peak", "C1"], 1.2853 * 325.27)
    top = 1.2853 * 325.27
    assert_declared(expected["inrush_i2t", "line"], 220e-6 * top * (325.27 - 0.5 * top) / 0.5)


@pytest.mark.parametrize(("power", "microfarads"), [(200.0, 114.29), (100.0, 57.14)])
def test_holdup_keeps_its_declared_difference(power, microfarads):
    params = ideal_params(full_wave=True, series_resistance=1e-3, capacitance=microfarads * 1e-6)
    params = replace(params, holdup_end_voltage=300.0)
    assert_declared(hand.holdup(params, dc(400.0, power))["holdup_time", "bulk"], 20e-3)
