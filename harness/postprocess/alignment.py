"""Lays one waveform over another: by a level and edge, or by cross-correlation, found to a fraction of a step.

A lag is what must be added to the measured time to have the reference's. The reference is smooth and finely stepped,
the measured one noisy: so the reference is interpolated at measured instants, never the other way round, which would
smooth noise between samples and draw the lag towards half steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.signal import correlate as correlation_of

from harness.contracts import FloatArray

FEWEST_SAMPLES = 16
MOST_POINTS = 1 << 17  # of the coarse search, of either waveform
AGREEING = 0.8  # a concordance below it may be a wrong factor's
LEAST_OVERLAP = 0.5  # of the shorter waveform
HYSTERESIS = 4.0  # noise deviations on either side of a level
ROUNDING = 1e-9  # of the largest square: below it a variance is the transform's rounding
NORMAL = 1.4826  # standard deviation over the median of magnitudes, of Gaussian noise


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where a measured waveform lies on the reference's time.

    Parameters
    ----------
    lag : [s]
    concordance : over the overlap at that lag; 1 where both are the same, 0 where they have nothing in common
    correlation : Pearson's coefficient there, which gain and offset do not move
    """

    lag: float
    concordance: float
    correlation: float


def noise_of(values: FloatArray) -> float:
    """Standard deviation of a waveform's noise, taken as white and the rest as smooth over three samples.

    Of each sample less its neighbours' mean, whose variance is 3/2 of the noise's; by the median, which edges do not
    move. A waveform that turns within three samples counts as noise too.
    """
    if len(values) < FEWEST_SAMPLES:
        return 0.0
    residual = values[1:-1] - (values[:-2] + values[2:]) / 2
    return float(NORMAL * np.median(np.abs(residual - np.median(residual))) / np.sqrt(1.5))


def edge_instant(time: FloatArray, values: FloatArray, level: float, *, rising: bool) -> float | None:
    """Instant of the first crossing of a level in one direction [s]: the middle of all crossings its noise makes.

    The waveform must have been clear of the level before and get clear of it behind; None where there is none.
    """
    sign = 1.0 if rising else -1.0
    above = sign * (values - level)
    clear = HYSTERESIS * noise_of(values)
    armed = np.nonzero(above < -clear)[0]
    if armed.size == 0:
        return None
    through = np.nonzero(above[armed[0] :] > clear)[0]
    if through.size == 0:
        return None
    last = int(armed[0]) + int(through[0])
    first = int(armed[armed < last][-1])
    part, when = above[first : last + 1], time[first : last + 1]
    at = np.nonzero((part[:-1] <= 0) != (part[1:] <= 0))[0]
    instants = when[at] - part[at] * (when[at + 1] - when[at]) / (part[at + 1] - part[at])
    return float(np.mean(instants))


def align_by_edge(
    reference: tuple[FloatArray, FloatArray], measured: tuple[FloatArray, FloatArray], level: float, *, rising: bool
) -> Alignment | None:
    """By the first crossing of a level in each; None where one has none."""
    instants = [edge_instant(*one, level, rising=rising) for one in (reference, measured)]
    if instants[0] is None or instants[1] is None:
        return None
    return aligned_at(reference, measured, instants[0] - instants[1])


def align_by_correlation(
    reference: tuple[FloatArray, FloatArray], measured: tuple[FloatArray, FloatArray], near: float | None = None
) -> Alignment | None:
    """By the lag at which both agree best; None where nothing does (a flat line, or too few samples).

    Both are resampled to equal steps and cross-correlated over all lags with half of the shorter one overlapping. The
    lag of the largest concordance is taken (Lin, Biometrics 45, 1989, from memory): twice the covariance over both
    variances and the squared difference of means, all of the overlap. The coefficient alone does not tell one stretch
    of an exponential or a ramp from another, and the covariance alone prefers whatever is large. A gain error g draws
    the lag of a lone edge by some g/2 of its length; that of a pulse or a ripple it leaves. The top is then found on
    continuous lags. Where they agree badly, a factor or a level may be wrong: the measured one is tried again at the
    reference's mean and spread, and what gives the better correlation is taken.

    Parameters
    ----------
    near : the top of the hill this lag [s] stands on is wanted, and not the highest of all: of a periodic course all
        periods are equally good
    """
    found = _best_lag(reference, measured, near)
    if found is None or found.concordance >= AGREEING:
        return found
    time, values = measured
    like = np.mean(reference[1]) + (values - np.mean(values)) * np.std(reference[1]) / np.std(values)
    again = _best_lag(reference, (time, like), near)
    return (
        found if again is None or again.correlation <= found.correlation else aligned_at(reference, measured, again.lag)
    )


def _best_lag(
    reference: tuple[FloatArray, FloatArray], measured: tuple[FloatArray, FloatArray], near: float | None
) -> Alignment | None:
    """The lag of the largest concordance, or of the top near one; None where nothing agrees."""
    step = _common_step(reference[0], measured[0])
    ours, theirs = (_even(*one, step) for one in (reference, measured))
    if min(len(ours[0]), len(theirs[0])) < FEWEST_SAMPLES:
        return None
    score = _sliding(ours[1], theirs[1])
    if not np.any(score > 0):
        return None
    begin = ours[0][0] - theirs[0][0] - (len(theirs[0]) - 1) * step
    place = int(np.argmax(score)) if near is None else _top_about(score, round((near - begin) / step))
    lag = begin + place * step
    top = minimize_scalar(
        lambda shift: -aligned_at(reference, theirs, lag + shift * step).concordance, bounds=(-1.0, 1.0),
        method="bounded", options={"xatol": 1e-4},
    )  # fmt: skip
    return aligned_at(reference, theirs, lag + float(top.x) * step)


def aligned_at(
    reference: tuple[FloatArray, FloatArray], measured: tuple[FloatArray, FloatArray], lag: float
) -> Alignment:
    """Concordance and correlation over the overlap at a lag; 0 where one is flat there or too little overlaps."""
    time = measured[0] + lag
    inside = (time >= reference[0][0]) & (time <= reference[0][-1])
    if np.count_nonzero(inside) < FEWEST_SAMPLES // 2:
        return Alignment(lag, 0.0, 0.0)
    a, b = np.interp(time[inside], *reference), measured[1][inside]
    apart = float(np.mean(a) - np.mean(b))
    a, b = a - np.mean(a), b - np.mean(b)
    square_a, square_b, product = float(np.mean(a * a)), float(np.mean(b * b)), float(np.mean(a * b))
    if square_a <= 0 or square_b <= 0:
        return Alignment(lag, 0.0, 0.0)
    return Alignment(lag, 2 * product / (square_a + square_b + apart**2), product / float(np.sqrt(square_a * square_b)))


def _common_step(reference: FloatArray, measured: FloatArray) -> float:
    """The measured one's median step, or a longer one where either waveform would have too many points."""
    longest = max(reference[-1] - reference[0], measured[-1] - measured[0])
    return float(max(np.median(np.diff(measured)), longest / MOST_POINTS))


def _even(time: FloatArray, values: FloatArray, step: float) -> tuple[FloatArray, FloatArray]:
    """At equal steps; where samples are dense, the mean of each step, which keeps noise from folding down."""
    count = int((time[-1] - time[0]) / step * (1 + 1e-12)) + 1
    even = time[0] + step * np.arange(count)
    if len(time) <= 2 * count:
        return even, np.interp(even, time, values)
    course = np.concatenate(([0.0], np.cumsum(np.diff(time) * (values[1:] + values[:-1]) / 2)))
    low, high = np.maximum(even - step / 2, time[0]), np.minimum(even + step / 2, time[-1])
    means = (np.interp(high, time, course) - np.interp(low, time, course)) / (high - low)
    return even[1:-1], means[1:-1]


def _sliding(ours: FloatArray, theirs: FloatArray) -> FloatArray:
    """Concordance at each lag; 0 where too little overlaps, or one is flat.

    Index i is a lag of ``i - (len(theirs) - 1)`` steps; shape (len(ours) + len(theirs) - 1,).
    """
    middle = float(np.mean(ours))  # taken off both, so that squares of large means do not swamp the differences
    ours, theirs = ours - middle, theirs - middle
    ones_a, ones_b = np.ones_like(ours), np.ones_like(theirs)

    def summed(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.asarray(correlation_of(a, b, mode="full", method="fft"))

    count = np.maximum(np.round(summed(ones_a, ones_b)), 1.0)
    mean_a, mean_b = summed(ours, ones_b) / count, summed(ones_a, theirs) / count
    covariance = summed(ours, theirs) / count - mean_a * mean_b
    square_a = summed(ours**2, ones_b) / count - mean_a**2
    square_b = summed(ones_a, theirs**2) / count - mean_b**2
    floor_a, floor_b = (ROUNDING * float(np.max(one**2, initial=0.0)) for one in (ours, theirs))
    is_told = (count >= LEAST_OVERLAP * min(len(ours), len(theirs))) & (square_a > floor_a) & (square_b > floor_b)
    whole = np.where(is_told, square_a + square_b + (mean_a - mean_b) ** 2, 1.0)
    return np.where(is_told, 2 * covariance / whole, 0.0)


def _top_about(score: FloatArray, place: int) -> int:
    """Index of the top of the hill an index stands on."""
    place = min(max(place, 0), len(score) - 1)
    while True:
        about = range(max(place - 1, 0), min(place + 2, len(score)))
        best = max(about, key=lambda index: float(score[index]))
        if score[best] <= score[place]:
            return place
        place = best
