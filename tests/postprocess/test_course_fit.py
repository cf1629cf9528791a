"""Fits of waveforms of closed form: the search, intervals, and residuals that are no noise. No simulator."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from harness.contracts import FloatArray
from harness.postprocess.alignment import noise_of
from harness.postprocess.course_fit import COVERAGE, Course, Priors, Reading
from harness.postprocess.fit_quality import Quality, quality
from harness.postprocess.fit_search import Found, Search

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
    assert np.all((coverage(100) >= 90) & (coverage(100) <= 99))


def test_without_stated_uncertainty_noise_alone_makes_the_interval() -> None:
    held = coverage(100, gain=0.0, offset=0.0)
    assert np.all((held >= 90) & (held <= 99))


def slow_noise(seed: int, step: float = 0.9) -> FloatArray:
    """Noise that runs together over some ten samples, as of an instrument's narrow input."""
    white = np.random.default_rng(1000 + seed).normal(size=len(SAMPLES) + 500)
    return np.asarray(lfilter([NOISE * np.sqrt(1 - step**2)], [1, -step], white)[500:])


def test_correlated_noise_widens_the_intervals_until_they_hold() -> None:
    found, worth = searched(reading(3, gain=0.0, offset=0.0, noise=slow_noise(3)))
    assert np.all(worth.widened > 5)  # (1 + 0.9) / (1 - 0.9) = 19 of a first-order course
    assert not any(worth.endless)
    assert found.sigma > 2 * noise_of(reading(3, noise=slow_noise(3)).values)  # neighbours alone do not show it
    held = coverage(100, gain=0.0, offset=0.0, noise=slow_noise)
    assert np.all((held >= 88) & (held <= 99))
