"""Fits of waveforms of closed form: the search, intervals, and residuals that are no noise. No simulator."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from harness.contracts import FloatArray
from harness.postprocess.alignment import noise_of
from harness.postprocess.course_fit import COVERAGE, Course, Lines, Priors, Reading, course_on
from harness.postprocess.fit_quality import Quality, is_uneven, quality
from harness.postprocess.fit_search import Found, Search, SearchError

TIME = np.linspace(0.0, 10e-3, 1001)  # of the run
SAMPLES = np.arange(1000) * 9e-6 - 0.4e-3  # of the capture, which begins before the rise
NOISE, LAG = 0.2, 7.3e-6
TRUTH = np.array([0.3, 0.6])
FREE = Priors(np.zeros(2), np.full(2, np.inf))


def pulse(at: FloatArray, time: FloatArray) -> FloatArray:
    """A charge of 10 to 30 V through a resistance whose time constant is 1 to 3 ms, rising within 0.2 ms."""
    peak, constant = 10 + 20 * at[0], 1e-3 + 2e-3 * at[1]
    time = np.maximum(time, 0.0)
    return np.asarray(peak * np.exp(-time / constant) * (1 - np.exp(-time / 0.2e-3)))


def simulate(places) -> list[Course | str]:
    return [Course(TIME, pulse(at, TIME)) for at in places]


def reading(seed: int, *, gain: float = 0.01, offset: float = 0.1, noise: FloatArray | None = None) -> Reading:
    """A capture of the truth by an instrument of that class, its errors drawn."""
    draw = np.random.default_rng(seed)
    errors = draw.normal(size=2) / COVERAGE * np.array([gain, offset])
    clean = (1 + errors[0]) * pulse(TRUTH, SAMPLES) + errors[1]
    values = clean + (draw.normal(0, NOISE, len(SAMPLES)) if noise is None else noise)
    return Reading(SAMPLES - LAG, values, gain, offset, 1e-4, noise_of(values))


def searched(one: Reading, start: float = 0.5, **changed) -> tuple[Found, Quality]:
    given = {"simulate": simulate, "priors": FREE} | changed
    found = Search(given["simulate"], one, np.full(2, start), 0.0, given["priors"]).run()
    return found, quality(found.fit, one, found.sigma, given["priors"])


def test_the_truth_is_found_and_nuisance_terms_with_it() -> None:
    found, worth = searched(reading(1))
    assert found.rests
    assert np.all(np.abs(found.fit.at - TRUTH) < 3 * worth.deviation)
    assert found.fit.terms[0] == pytest.approx(LAG, abs=3 * worth.terms[0])
    assert found.sigma == pytest.approx(NOISE, rel=0.05)
    assert found.places <= 12
    assert np.all(worth.widened == 1)
    assert worth.systematic < worth.band


@pytest.mark.parametrize("start", [0.02, 0.98])
def test_a_far_start_ends_at_the_same_place(start: float) -> None:
    near, worth = searched(reading(1))
    far, _ = searched(reading(1), start)
    assert far.rests
    assert np.all(np.abs(far.fit.at - near.fit.at) < 0.3 * worth.deviation)


def coverage(seeds: int, **about) -> FloatArray:
    """How often each value's 95 % interval holds its truth."""
    held = np.zeros(2)
    for seed in range(seeds):
        made = {key: value(seed) if callable(value) else value for key, value in about.items()}
        found, worth = searched(reading(seed, **made))
        held += np.abs(found.fit.at - TRUTH) <= 1.96 * worth.deviation
    return held


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    held = coverage(60)
    assert np.all(held >= 52), held  # of 60 at 95 %, fewer come once in 90


def test_without_stated_uncertainty_noise_alone_makes_the_interval() -> None:
    held = coverage(40, gain=0.0, offset=0.0)
    assert np.all((held >= 34) & (held < 40)), held


def slow_noise(seed: int, step: float = 0.8) -> FloatArray:
    """Noise that runs together over some samples, as of an instrument's narrow input: a first-order course."""
    white = np.random.default_rng(1000 + seed).normal(size=len(SAMPLES) + 500)
    return np.asarray(lfilter([NOISE * np.sqrt(1 - step**2)], [1, -step], white)[500:])


def test_correlated_noise_widens_the_intervals_until_they_hold() -> None:
    one = reading(3, gain=0.0, offset=0.0, noise=slow_noise(3))
    found, worth = searched(one)
    assert np.all((worth.widened > 4) & (worth.widened < 14))  # (1 + 0.8) / (1 - 0.8) = 9 for slow changes
    assert not any(worth.endless)
    assert found.sigma > 1.5 * one.noise  # neighbours alone do not show it
    held = coverage(60, gain=0.0, offset=0.0, noise=slow_noise)
    assert np.all(held >= 52)  # of 60; unwidened it would be some 30


def test_another_course_is_no_noise() -> None:
    """A second, slower decay that the model lacks: correlated, and far beyond what the instrument may be off."""
    extra = np.where(SAMPLES > 0, 1.5 * np.sin(2 * np.pi * SAMPLES / 2e-3) * np.exp(-np.maximum(SAMPLES, 0) / 3e-3), 0)
    noise = np.random.default_rng(5).normal(0, NOISE, len(SAMPLES)) + extra
    _, worth = searched(reading(5, gain=0.005, offset=0.02, noise=noise))
    assert np.all(worth.widened > 5)
    assert worth.systematic > 3 * worth.band


def test_values_that_do_the_same_cannot_be_told_apart() -> None:
    def same(places) -> list[Course | str]:
        return [Course(TIME, pulse(np.array([(at[0] + at[1]) / 2, 0.6]), TIME)) for at in places]

    found, worth = searched(reading(2), simulate=same)
    assert abs(worth.correlation[0, 1]) > 0.99
    assert found.fit.at.mean() == pytest.approx(TRUTH[0], abs=0.02)  # what both do together is found all the same


def test_a_value_that_does_nothing_keeps_its_whole_range() -> None:
    def still(places) -> list[Course | str]:
        return [Course(TIME, pulse(np.array([at[0], 0.6]), TIME)) for at in places]

    _, worth = searched(reading(2), simulate=still)
    assert worth.deviation[1] > 1
    assert worth.deviation[0] < 0.02


def test_a_truth_beyond_the_range_ends_at_its_end() -> None:
    def higher(places) -> list[Course | str]:
        return [Course(TIME, pulse(np.array([0.5 + at[0], at[1]]), TIME)) for at in places]

    found, _ = searched(reading(2), simulate=higher)
    assert found.fit.at[0] == pytest.approx(0, abs=1e-6)


def test_what_is_stated_of_an_input_holds_it() -> None:
    """With the truth at 0.3 and 0.32 +/- 0.02 stated, the other value gains, and the first is no worse than stated."""
    stated = Priors(np.array([0.32, 0.5]), np.array([0.01, np.inf]))
    _, free = searched(reading(4, gain=0.2))
    found, held = searched(reading(4, gain=0.2), priors=stated)
    assert held.deviation[0] <= 0.01
    assert free.deviation[0] > 0.03
    assert found.fit.at[0] == pytest.approx(0.32, abs=0.03)


def test_places_that_cannot_be_simulated_are_gone_round() -> None:
    asked = []

    def holed(places) -> list[Course | str]:
        asked.extend(places)
        return ["no operation there" if at[1] > 0.58 and len(asked) < 9 else one
                for at, one in zip(places, simulate(places), strict=True)]  # fmt: skip

    found, worth = searched(reading(1), simulate=holed)
    assert set(found.failures) == {"no operation there"}
    assert found.rests
    assert np.all(np.abs(found.fit.at - TRUTH) < 3 * worth.deviation)


@pytest.mark.parametrize("after", [0, 1])
def test_a_start_that_cannot_be_simulated_is_an_error(after: int) -> None:
    asked = []

    def failing(places) -> list[Course | str]:
        asked.extend(places)
        return ["timestep: too small" if len(asked) > after else one for one in simulate(places)]

    with pytest.raises(SearchError, match="timestep: too small"):
        searched(reading(1), simulate=failing)


def test_a_search_that_finds_no_rest_says_so() -> None:
    """A model whose every answer is another one."""
    draw = np.random.default_rng(0)

    def restless(places) -> list[Course | str]:
        return [Course(TIME, pulse(at + draw.uniform(-0.3, 0.3, 2), TIME)) for at in places]

    assert not searched(reading(1), simulate=restless)[0].rests


def test_steps_that_moved_a_value_are_in_its_deviation() -> None:
    found, worth = searched(reading(1))
    moved = quality(found.fit, reading(1), found.sigma, FREE, np.array([0.02, 0.0]))
    assert moved.deviation[0] == pytest.approx(np.hypot(worth.deviation[0], 0.01))
    assert moved.deviation[1] == worth.deviation[1]


def test_a_run_is_laid_on_a_common_time_without_flattening_its_crests() -> None:
    """A sine of 40 points a period: straight lines miss its crest by (pi / 40)^2 / 2 = 0.3 %, and its middle too."""
    time = np.linspace(0, 1, 41)
    grid = np.linspace(-0.1, 1.1, 999)
    course = course_on(grid, np.repeat(time, 2), np.repeat(np.sin(2 * np.pi * time), 2))  # instants may stand twice
    inside = (grid >= 0) & (grid <= 1)
    assert np.abs(course.values - np.sin(2 * np.pi * grid))[inside].max() < 1e-3
    assert course.on(np.array([5.0]))[0] == pytest.approx(0, abs=1e-12)  # beyond its end: the value there


@pytest.mark.parametrize(("jump", "uneven"), [(0.0, False), (1e-3, False), (0.2e-3, False), (0.3, True)])
def test_a_slope_across_a_jump_is_told(jump: float, uneven: bool) -> None:
    """A pulse that moves evenly with its first value, and one that is larger by a step on one side of it."""
    at, move = np.array([0.5, 0.5]), np.array([-0.02, 0.0])
    slopes = np.array([(pulse(at - move, TIME) * (1 + jump) - pulse(at, TIME)) / 0.02, np.zeros(len(TIME))])
    lines = Lines(at, Course(TIME, pulse(at, TIME)), slopes)
    other = Course(TIME, pulse(at + move, TIME))
    assert is_uneven(lines, at + move, other, SAMPLES[SAMPLES > 0], NOISE) == uneven
