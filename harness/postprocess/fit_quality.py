"""What a fit's values are worth: deviations, which cannot be told apart, whether residuals are noise or another course.

A value's deviation has two parts: noise, which more samples lower, and the instrument's stated uncertainty, which none
does. The noise part is that of white residuals; where sums of residuals over blocks scatter more than white ones can
(each sample weighed by what it does to the value), it is widened by the ratio: a sandwich estimate over blocks (Liang,
Zeger, Biometrika 73, 1986; Newey, West, Econometrica 55, 1987; both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import correlate
from scipy.stats import chi2

from harness.contracts import FloatArray
from harness.postprocess.course_fit import COVERAGE, Course, Fit, Lines, Priors, Reading

WEAK = 10.0  # ranges: a deviation where the waveform says nothing, so that no matrix is singular
SURE = 0.999  # of the scatter of white residuals' blocks; what lies beyond is called correlated
FEWEST_BLOCKS = 8  # beyond the fitted numbers, for a ratio to mean something
SIGNIFICANT = 3.0  # deviations of a white course's correlation of neighbours
ENDLESS = (4.0, 2.5)  # blocks over the steady ratio, and their growth over four times the length
UNEVEN = 0.5  # of what straight lines promise
SEEN = 5.0  # noise deviations over all samples: below it nothing uneven could be seen
PIECES = 128  # of the window: residuals are averaged over each to see what is no noise


@dataclass(frozen=True, slots=True)
class Quality:
    """Of a fit of k values, as shares of their ranges.

    Parameters
    ----------
    deviation : standard, shape (k,);  terms : of lag [s], gain, offset, time base
    steps : how far shorter time steps moved each value, shape (k,)
    correlation : of the values, shape (k, k)
    widened : variance of the noise part over that of white residuals, shape (k,), 1 or more
    endless : residuals run together over so long that no ratio holds, for each value
    systematic : RMS of what is left beside noise [unit];  band : RMS of the capture's stated uncertainty [unit]
    pulls : gain, offset and time base in their standard deviations
    """

    deviation: FloatArray
    steps: FloatArray
    terms: FloatArray
    correlation: FloatArray
    widened: FloatArray
    endless: tuple[bool, ...]
    systematic: float
    band: float
    pulls: FloatArray


def deviations(fit: Fit, reading: Reading, sigma: float, priors: Priors) -> FloatArray:
    """Standard deviations of the values, residuals taken as white; shape (k,)."""
    covariance, _, _ = _covariance(fit, sigma, priors)
    return np.asarray(np.sqrt(np.diag(covariance)[: len(fit.at)]))


def quality(fit: Fit, reading: Reading, sigma: float, priors: Priors, steps: FloatArray | None = None) -> Quality:
    """What a fit is worth.

    Parameters
    ----------
    steps : by how much each value moved when the simulation's steps were halved, shape (k,), None where they were not:
        what is left of their effect is at most as much again, which is taken as two standard deviations; likewise what
        a search could not reach
    """
    count = len(fit.at)
    covariance, of_noise, influence = _covariance(fit, sigma, priors)
    told = [_widening(influence[index], fit.residual, sigma, count + 3) for index in range(count)]
    widened = np.array([ratio for ratio, _ in told])
    steps = np.zeros(count) if steps is None else steps
    deviation = np.sqrt(
        np.diag(covariance)[:count] + (widened - 1) * np.diag(of_noise)[:count] + (steps / COVERAGE) ** 2
    )
    spread = np.sqrt(np.diag(covariance)[:count])
    pulls = np.divide(fit.terms, reading.scales, out=np.zeros(4), where=reading.scales > 0)[1:]
    return Quality(
        deviation, steps, np.sqrt(np.diag(covariance)[count:]) * reading.scales,
        covariance[:count, :count] / np.outer(spread, spread), widened, tuple(endless for _, endless in told),
        _systematic(fit.residual, reading.noise),
        float(np.sqrt(np.mean((reading.gain * reading.values) ** 2 + reading.offset**2))), pulls,
    )  # fmt: skip


def is_uneven(lines: Lines, place: FloatArray, course: Course, instants: FloatArray, sigma: float) -> bool:
    """Whether a course at a place is far from where straight lines have it, at some instants [s].

    A waveform that jumps as a value moves has no slope: one taken across the jump is far too steep.
    """
    here = lines.course.on(instants)
    promised, seen = lines.moved(place).on(instants) - here, course.on(instants) - here
    missed = float(np.linalg.norm(seen - promised))
    return missed > max(UNEVEN * float(np.linalg.norm(promised)), SEEN * sigma)


def _covariance(fit: Fit, sigma: float, priors: Priors) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of values and terms: all of it, its noise part, and what each sample does to each number (k + 4, n)."""
    slopes = fit.jacobian / sigma
    data = slopes.T @ slopes
    held = np.concatenate((1 / priors.deviation**2 + 1 / WEAK**2, [0.0, 1.0, 1.0, 1.0]))
    size = np.sqrt(np.diag(data) + held)  # of equal size before it is inverted
    size = np.where(size > 0, size, 1.0)
    whole = np.linalg.pinv((data + np.diag(held)) / np.outer(size, size), hermitian=True) / np.outer(size, size)
    return whole, whole @ data @ whole, whole @ slopes.T / sigma


def _widening(influence: FloatArray, residual: FloatArray, sigma: float, fitted: int) -> tuple[float, bool]:
    """By how much correlated residuals raise a value's variance over that of white ones, and whether without end.

    The larger of two ratios: by the residuals' own correlation, as if it were the same all over the window; and by
    blocks of doubled length each time, which also see residuals that run together where the waveform moves. Where
    blocks show far more than the first and still grow, no ratio holds.
    """
    weights, scores = influence**2, influence * residual
    white = sigma**2 * float(np.sum(weights))
    if white <= 0:
        return 1.0, False
    steady = _by_correlation(influence, residual)
    ratios: list[float] = []
    widest, length = steady, 2
    while length <= len(residual):
        begins = np.arange(0, len(residual), length)
        parts = np.add.reduceat(weights, begins)
        blocks = float(np.sum(parts) ** 2 / np.sum(parts**2))
        free = blocks - fitted  # the fit takes as many numbers off their scatter
        if free < FEWEST_BLOCKS:
            break
        ratios.append(float(np.sum(np.add.reduceat(scores, begins) ** 2)) / white * blocks / free)
        if ratios[-1] > chi2.ppf(SURE, free) / free:
            widest = max(widest, ratios[-1])
        length *= 2
    least, growth = ENDLESS
    endless = len(ratios) > 2 and ratios[-1] > least * steady and ratios[-1] > growth * ratios[-3]
    return widest, endless


def _by_correlation(influence: FloatArray, residual: FloatArray) -> float:
    """The ratio for residuals of one autocorrelation throughout; 1 where neighbours show none.

    Taken up to twice the lag where it falls below what white residuals show, weighed down in a straight line.
    """
    scatter = 1 / np.sqrt(len(residual))
    own, seen = autocorrelation(residual), autocorrelation(influence)
    if own[1] < SIGNIFICANT * scatter:
        return 1.0
    below = np.nonzero(own < 2 * scatter)[0]
    reach = min(2 * int(below[0]) if below.size else len(own), len(own) // 4)
    taper = 1 - np.arange(1, reach) / reach
    return max(1.0, float(1 + 2 * np.sum(taper * own[1:reach] * seen[1:reach])))


def autocorrelation(values: FloatArray) -> FloatArray:
    """Of a series about zero, by lag in samples; 1 at lag 0. Shape of ``values``."""
    found = correlate(values, values, mode="full", method="fft")[len(values) - 1 :]
    return np.asarray(found / found[0])


def _systematic(residual: FloatArray, noise: float) -> float:
    """RMS of residuals averaged over short pieces, less what white noise leaves of itself there."""
    length = max(len(residual) // PIECES, 1)
    whole = len(residual) // length * length
    means = residual[:whole].reshape(-1, length).mean(axis=1)
    return float(np.sqrt(max(np.mean(means**2) - noise**2 / length, 0.0)))
