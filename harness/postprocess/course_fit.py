"""A measured waveform against simulated ones that move in straight lines with some values: least squares.

Values here are shares of their ranges, 0 to 1. Beside them four terms are fitted that are the instrument's and not the
supply's: lag (free), gain, offset and time base (each held by its stated uncertainty, taken as two standard deviations
of a normal distribution: JCGM 100:2008, 6.2.1). They cost no simulation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import Akima1DInterpolator
from scipy.optimize import least_squares

from harness.contracts import FloatArray

COVERAGE = 2.0  # standard deviations in a stated uncertainty
TERMS = ("lag", "gain", "offset", "time_base")
SMALLEST_NOISE = 1e-4  # of the span: what simulated courses scatter by; a capture without noise is no better known


@dataclass(frozen=True, slots=True)
class Reading:
    """A stretch of a capture, and how far it may be off.

    Parameters
    ----------
    time, values : shape (n,), the capture's own time [s]
    gain, time_base : shares, offset : the signal's unit; two standard deviations each
    noise : standard deviation that neighbouring samples show
    """

    time: FloatArray
    values: FloatArray
    gain: float
    offset: float
    time_base: float
    noise: float

    @property
    def step(self) -> float:
        """Median time between samples [s]."""
        return float(np.median(np.diff(self.time)))

    @property
    def least_noise(self) -> float:
        """What its residuals are weighed by at least."""
        return max(self.noise, SMALLEST_NOISE * float(np.ptp(self.values)), 1e-15)

    @property
    def scales(self) -> FloatArray:
        """What the four terms are counted in: a sample's step, and a standard deviation of each of the others."""
        stated = (self.gain, self.offset, self.time_base)
        return np.array([self.step, *(one / COVERAGE for one in stated)])


@dataclass(frozen=True, slots=True)
class Course:
    """A simulated waveform; time [s] and values of shape (m,). All of a search are on one time: see ``course_on``."""

    time: FloatArray
    values: FloatArray

    def on(self, time: FloatArray) -> FloatArray:
        """Its values at other instants; beyond its ends those at the ends."""
        return np.asarray(np.interp(time, self.time, self.values))


@dataclass(frozen=True, slots=True)
class Lines:
    """A course at a place, and by how much each value moves it.

    Parameters
    ----------
    at : values, shape (k,), as shares of their ranges;  slopes : shape (k, m), on the course's time
    """

    at: FloatArray
    course: Course
    slopes: FloatArray

    def moved(self, at: FloatArray) -> Course:
        """The course that is expected at another place."""
        return Course(self.course.time, self.course.values + (at - self.at) @ self.slopes)


@dataclass(frozen=True, slots=True)
class Priors:
    """What is known of values beside their ranges: centre and standard deviation, infinite where nothing is."""

    centre: FloatArray
    deviation: FloatArray


@dataclass(frozen=True, slots=True)
class Fit:
    """Values and terms that leave the smallest squares.

    Parameters
    ----------
    at : values, shape (k,);  terms : lag [s], gain, offset, time base
    square : sum of squares, weighed;  residual : measured less fitted, shape (n,)
    jacobian : of the fitted waveform by values and by terms in their scales, shape (n, k + 4)
    """

    at: FloatArray
    terms: FloatArray
    square: float
    residual: FloatArray
    jacobian: FloatArray

    @property
    def rms(self) -> float:
        """Of the residuals."""
        return float(np.sqrt(np.mean(self.residual**2)))


def course_on(grid: FloatArray, time: FloatArray, values: FloatArray) -> Course:
    """A run's waveform on a common time; beyond its ends the values there.

    By modified Akima curves, which keep a kink a kink. Straight lines between steps would miss a crest by more than a
    small change of a value moves it, and by another amount in each run, since each has steps of its own.
    """
    kept = np.concatenate(([True], np.diff(time) > 0))
    time, values = time[kept], values[kept]
    curve = Akima1DInterpolator(time, values, method="makima")
    return Course(grid, np.asarray(curve(np.clip(grid, time[0], time[-1]))))


def fit_lines(
    lines: Lines, reading: Reading, terms: FloatArray, sigma: float, priors: Priors,
    bounds: tuple[FloatArray, FloatArray] | None = None,
) -> Fit:  # fmt: skip
    """The best place on straight lines within bounds, and the best terms there; of given values where no bounds are.

    Parameters
    ----------
    terms : where to begin;  sigma : standard deviation residuals are weighed by
    bounds : lowest and highest values, shape (k,) each; the place of ``lines`` lies between them
    """
    scales = reading.scales
    count = 0 if bounds is None else len(lines.at)

    def split(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        return (x[:count] if count else lines.at), x[count:] * scales

    def residuals(x: FloatArray) -> FloatArray:
        at, own = split(x)
        return np.concatenate(((_fitted(lines, reading, at, own) - reading.values) / sigma, x[count + 1 :],
                               (at - priors.centre) / priors.deviation))  # fmt: skip

    def slopes(x: FloatArray) -> FloatArray:
        of_waveform = _jacobian(lines, reading, *split(x))[:, len(lines.at) - count :] / sigma
        of_terms = np.eye(count + 4)[count + 1 :]
        of_values = np.zeros((len(lines.at), count + 4))
        if count:
            of_values[:, :count] = np.diag(1 / priors.deviation)
        return np.vstack((of_waveform, of_terms, of_values))

    begin = np.divide(terms, scales, out=np.zeros(4), where=scales > 0)
    low, high = (np.empty(0), np.empty(0)) if bounds is None else bounds
    inside = np.clip(lines.at[:count], low, high)
    free = np.full(4, np.inf)
    found = least_squares(
        residuals, np.concatenate((inside, begin)), jac=slopes, x_scale=1.0,
        bounds=(np.concatenate((low, -free)), np.concatenate((high, free))),
    )  # fmt: skip
    at, own = split(found.x)
    return Fit(
        at.copy(), own, 2 * float(found.cost), reading.values - _fitted(lines, reading, at, own),
        _jacobian(lines, reading, at, own),
    )  # fmt: skip


def _instants(reading: Reading, terms: FloatArray) -> FloatArray:
    """A capture's instants on the run's time."""
    begin = reading.time[0]
    return np.asarray(begin + (reading.time - begin) * (1 + terms[3]) + terms[0])


def _fitted(lines: Lines, reading: Reading, at: FloatArray, terms: FloatArray) -> FloatArray:
    """What the instrument would show."""
    return np.asarray((1 + terms[1]) * lines.moved(at).on(_instants(reading, terms)) + terms[2])


def _jacobian(lines: Lines, reading: Reading, at: FloatArray, terms: FloatArray) -> FloatArray:
    instants, course, scales = _instants(reading, terms), lines.moved(at), reading.scales
    steepness = np.gradient(course.values, course.time)
    steep = (1 + terms[1]) * np.interp(instants, course.time, steepness, left=0.0, right=0.0)  # as flat as ``on`` is
    columns = [(1 + terms[1]) * np.interp(instants, course.time, slope) for slope in lines.slopes]
    columns += [
        steep * scales[0], course.on(instants) * scales[1], np.full_like(instants, scales[2]),
        steep * (reading.time - reading.time[0]) * scales[3],
    ]  # fmt: skip
    return np.column_stack(columns)


def straight(at: FloatArray, course: Course, others: Sequence[tuple[int, float, Course]]) -> Lines:
    """Lines through a course and one more for each value: (its index, how far it was moved, the course there)."""
    slopes = np.zeros((len(at), len(course.time)))
    for index, move, other in others:
        slopes[index] = (other.values - course.values) / move
    return Lines(at, course, slopes)


def turned(lines: Lines, at: FloatArray, course: Course) -> Lines:
    """Lines through a course at another place that also lead through the one they came from (Broyden's update)."""
    move = at - lines.at
    seen = course.values - lines.course.values - move @ lines.slopes
    return Lines(lines.at, lines.course, lines.slopes + np.outer(move, seen) / float(move @ move))
