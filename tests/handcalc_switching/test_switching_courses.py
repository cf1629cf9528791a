"""Straight-pieced courses and the closed forms around them, held against textbooks."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from handcalc_switching.textbook import boost_ratio, buck_ratio, ripple_cancellation

from harness.handcalc.switching_waveform import (
    Course,
    continuous_course,
    current_of,
    discontinuous_course,
    discontinuous_on_time,
    flux_of,
    interleaved,
    mean_of,
    part_of,
    peak_of,
    rms_of,
    summed,
    swing_of,
    triangle_mean,
)
from netlists.stages.switching import Choke


def choke(inductance: float, knee: float | None = None, beyond: float | None = None) -> Choke:
    return Choke("L1", inductance, 1e-6, knee, beyond)


def buck_course(volts: float, output: float, load: float, frequency: float, inductance: float) -> Course:
    """An ideal buck's choke current."""
    on = output / volts / frequency
    rests = 1 / frequency - on
    return continuous_course(choke(inductance), (on, rests), (volts - output, -output), output / load)


def test_hart_example_6_1() -> None:
    """Hart, Power Electronics, example 6-1 (from memory): 50 V, D = 0.4, 400 uH, 20 kHz, 20 ohm."""
    course = buck_course(50.0, 20.0, 20.0, 20e3, 400e-6)
    assert peak_of(course) == pytest.approx(1.75, rel=1e-9)
    assert peak_of(course) - swing_of(course) == pytest.approx(0.25, rel=1e-9)


def test_hart_example_6_2() -> None:
    """Hart, example 6-2 (from memory): 48 V to 18 V, 10 ohm, 40 kHz, 97.5 uH; printed 3.24 A, 0.36 A, 1.98 A RMS."""
    course = buck_course(48.0, 18.0, 10.0, 40e3, 97.5e-6)
    assert peak_of(course) == pytest.approx(3.24, abs=5e-3)
    assert float(np.min(course.value)) == pytest.approx(0.36, abs=5e-3)
    assert rms_of(course) == pytest.approx(1.98, abs=5e-3)


def test_hart_boost() -> None:
    """Hart, boost example (from memory): 12 V, D = 0.6, 25 kHz, 120 uH, 50 ohm: 30 V, 2.7 A, 0.3 A."""
    period = 1 / 25e3
    course = continuous_course(choke(120e-6), (0.6 * period, 0.4 * period), (12.0, 12.0 - 30.0), 30.0 / 50 / 0.4)
    assert peak_of(course) == pytest.approx(2.7, rel=1e-9)
    assert float(np.min(course.value)) == pytest.approx(0.3, rel=1e-9)


def test_jacob_examples_7_2_and_7_3() -> None:
    """Jacob, Power Electronics, examples 7.2, 7.3 (from memory): 12 V to 5 V, 10 ohm, 100 kHz, 220 uH.

    Printed 133.6 mA and 566.8 mA with D rounded to 0.42; exactly 132.6 mA and 566.3 mA.
    """
    course = buck_course(12.0, 5.0, 10.0, 100e3, 220e-6)
    assert swing_of(course) == pytest.approx(132.6e-3, rel=5e-4)
    assert peak_of(course) == pytest.approx(566.3e-3, rel=2e-4)
    assert swing_of(course) == pytest.approx(133.6e-3, rel=0.01)


@pytest.mark.parametrize(("output", "printed", "tolerance"), [(5.0, 5.9, 0.02), (3.3, 4.8, 0.01)])
def test_microchip_phase_ripple(output: float, printed: float, tolerance: float) -> None:
    """Microchip DS70320B (from memory): 12 V, 500 kHz, 1 uH; 5.9 A printed at 5 V, without drops by hand 5.83 A."""
    assert swing_of(buck_course(12.0, output, 0.25, 500e3, 1e-6)) == pytest.approx(printed, rel=tolerance)


@pytest.mark.parametrize("k", [0.01, 0.05, 0.2, 0.4])
@pytest.mark.parametrize("ratio", [0.2, 0.5, 0.55])
def test_discontinuous_buck_is_the_books(k: float, ratio: float) -> None:
    """Erickson, Maksimovic, table 5.2 (from memory): the on-time found gives back the ratio it was asked for."""
    period, inductance, volts = 1e-5, 10e-6, 12.0
    output = ratio * volts
    mean = output * k * period / (2 * inductance)  # load R from k = 2 L / (R T)
    duty = discontinuous_on_time(choke(inductance), period, volts - output, output, mean) / period
    assert duty < ratio
    assert buck_ratio(duty, k) == pytest.approx(ratio, rel=1e-9)


@pytest.mark.parametrize("k", [0.01, 0.03, 0.06])
@pytest.mark.parametrize("ratio", [1.5, 2.0, 3.0])
def test_discontinuous_boost_is_the_books(k: float, ratio: float) -> None:
    """The same table; the load's share of the choke's mean is that of the fall."""
    period, inductance, volts = 1e-5, 100e-6, 100.0
    rise, fall = volts, (ratio - 1) * volts
    load = ratio * volts * k * period / (2 * inductance)
    duty = discontinuous_on_time(choke(inductance), period, rise, fall, load * (1 + fall / rise)) / period
    assert boost_ratio(duty, k) == pytest.approx(ratio, rel=1e-9)


@pytest.mark.parametrize("duty", [0.1, 0.4, 0.8])
def test_ratios_meet_at_the_critical_k(duty: float) -> None:
    """Critical k: 1 - D of the buck, D (1 - D)^2 of the boost (same source)."""
    assert buck_ratio(duty, (1 - duty) * (1 - 1e-9)) == pytest.approx(duty, rel=1e-6)
    assert boost_ratio(duty, duty * (1 - duty) ** 2 * (1 - 1e-9)) == pytest.approx(1 / (1 - duty), rel=1e-6)
    assert buck_ratio(duty, 1e-12) == pytest.approx(1.0, rel=1e-4)


def test_discontinuous_course_has_the_mean_asked_for() -> None:
    for part in (choke(10e-6), choke(10e-6, 1.0, 2e-6)):
        on = discontinuous_on_time(part, 1e-5, 8.0, 4.0, 0.7)
        course = discontinuous_course(part, 1e-5, (on, 8.0), 4.0)
        assert mean_of(course) == pytest.approx(0.7, rel=1e-6)
        assert course.value[-1] == 0


def test_saturation_with_a_high_knee_is_none() -> None:
    linear, late = choke(10e-6), choke(10e-6, 100.0, 1e-6)
    pieces = ((3e-6, 7e-6), (7.0, -3.0), 5.0)
    straight, same = continuous_course(linear, *pieces), continuous_course(late, *pieces)
    assert rms_of(same) == pytest.approx(rms_of(straight), rel=1e-8)
    assert peak_of(same) == pytest.approx(peak_of(straight), rel=1e-8)


def test_saturation_raises_peak_and_swing_at_the_same_mean() -> None:
    pieces = ((3e-6, 7e-6), (7.0, -3.0), 5.0)
    straight, bent = continuous_course(choke(10e-6), *pieces), continuous_course(choke(10e-6, 5.0, 4e-6), *pieces)
    assert mean_of(bent) == pytest.approx(5.0, rel=1e-7)
    assert peak_of(bent) > peak_of(straight)
    assert swing_of(bent) > swing_of(straight)
    flux = flux_of(choke(10e-6, 5.0, 4e-6), bent.value)
    assert np.ptp(flux) == pytest.approx(21e-6, rel=1e-9)  # what the voltages give, whatever the choke makes of it


def test_saturated_throughout_is_the_smaller_inductance() -> None:
    bent = continuous_course(choke(10e-6, 1.0, 4e-6), (3e-6, 7e-6), (7.0, -3.0), 20.0)
    assert swing_of(bent) == pytest.approx(21e-6 / 4e-6, rel=1e-9)


def test_flux_and_current_undo_each_other() -> None:
    part, current = choke(10e-6, 2.0, 3e-6), np.linspace(-9.0, 9.0, 37)
    assert current_of(part, flux_of(part, current)) == pytest.approx(current, abs=1e-12)
    for one in (-9.0, 0.5, 9.0):
        assert flux_of(part, np.array([one]))[0] == pytest.approx(np.interp(one, current, flux_of(part, current)))


def test_mean_of_a_triangle_of_flux() -> None:
    part = choke(10e-6, 2.0, 3e-6)
    for flux in (5e-6, 20e-6, 50e-6):
        sampled = current_of(part, (np.arange(20000) + 0.5) / 20000 * flux)
        assert triangle_mean(part, flux) == pytest.approx(float(np.mean(sampled)), rel=1e-6)


@pytest.mark.parametrize("phases", [2, 3, 4, 6])
def test_cancellation_is_complete_where_duties_fit(phases: int) -> None:
    """Zero at D = k / n; elsewhere the geometry's closed form."""
    for whole in range(1, phases):
        course = continuous_course(
            choke(1e-6), (whole / phases, 1 - whole / phases), (1 - whole / phases, -whole / phases), 3.0
        )
        assert swing_of(interleaved(course, phases)) < 1e-6 * swing_of(course)
    for duty in (0.07, 0.36, 0.61):
        course = continuous_course(choke(1e-6), (duty, 1 - duty), (1 - duty, -duty), 3.0)
        ratio = swing_of(interleaved(course, phases)) / swing_of(course)
        assert ratio == pytest.approx(ripple_cancellation(duty, phases), rel=1e-9)
        assert mean_of(interleaved(course, phases)) == pytest.approx(3.0 * phases, rel=1e-8)


def test_pulse_and_its_readings() -> None:
    """A rectangular pulse of 2 A for 0.3 of the period: mean 0.6 A, RMS 2 sqrt(0.3) A; sums keep jumps."""
    steady = Course(np.array([0.0, 1.0]), np.array([2.0, 2.0]))
    pulse = part_of(steady, 0.0, 0.3)
    assert mean_of(pulse) == pytest.approx(0.6)
    assert rms_of(pulse) == pytest.approx(2 * math.sqrt(0.3))
    both = summed([pulse, pulse], [0.9, 0.1])
    assert mean_of(both) == pytest.approx(1.2)
    assert peak_of(both) == pytest.approx(4.0)  # they overlap from 0.1 to 0.2
    assert both.at(np.array([0.15, 0.3, 0.5, 0.95])) == pytest.approx([4.0, 2.0, 0.0, 2.0])
    assert both.at(np.array([0.2]), before=True)[0] == pytest.approx(4.0)
    assert both.at(np.array([0.2]))[0] == pytest.approx(2.0)


def test_course_reads_any_period() -> None:
    course = Course(np.array([0.0, 0.25, 1.0]), np.array([-1.0, 2.0, -1.0]))
    instants = np.array([0.1, 0.25, 0.7])
    for turns in (-3, 2):
        assert course.at(instants + turns) == pytest.approx(course.at(instants), abs=1e-9)


def test_knee_parameters_are_needed_together() -> None:
    part = dataclasses.replace(choke(10e-6), saturation_current=1.0)
    assert not part.saturates
    assert current_of(part, np.array([50e-6]))[0] == pytest.approx(5.0)


@pytest.mark.parametrize("before", [False, True])
def test_one_instant_reads_as_many_do(before: bool) -> None:
    """Both readings of a course with jumps, at its corners, beside them, and in other periods."""
    course = part_of(Course(np.array([0.0, 0.3, 1.0]), np.array([1.0, 4.0, 1.0])), 0.2, 0.5)
    instants = np.concatenate((course.time, course.time + 3.0, course.time - 2.0, np.linspace(-1.3, 2.7, 101)))
    assert [course.once(one, before=before) for one in instants] == pytest.approx(
        list(course.at(instants, before=before)), abs=1e-12
    )


@pytest.mark.parametrize("mean", [0.0, 4.0, 9.6, 14.0, -11.0])
def test_a_saturating_choke_has_its_mean_below_about_and_beyond_its_knee(mean: float) -> None:
    """Mean by the course's own exact integral, its period's volt-seconds by the flux linkage at every corner."""
    part = choke(10e-6, 10.0, 2e-6)
    course = continuous_course(part, (1e-6, 3e-6), (9.0, -3.0), mean)
    assert mean_of(course) == pytest.approx(mean, abs=1e-6)
    assert np.ptp(flux_of(part, course.value)) == pytest.approx(9e-6)
    assert course.value[0] == pytest.approx(course.value[-1])
