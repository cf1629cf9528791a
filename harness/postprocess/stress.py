"""Peak, mean and RMS of one signal over a window: what a part endures."""

from __future__ import annotations

import numpy as np

from harness.contracts import FloatArray, Metric
from harness.postprocess.waveform import mean, rms, window


def peak(name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float) -> Metric:
    """Largest magnitude in the window and the instant it stands at."""
    stretch, part = window(time, values, start, stop)
    magnitude = np.abs(part)
    return _at_largest(name, subject, unit, stretch, magnitude, magnitude)


def highest(
    name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float
) -> Metric:
    """Largest value, with its sign, in the window and the instant it stands at."""
    stretch, part = window(time, values, start, stop)
    return _at_largest(name, subject, unit, stretch, part, part)


def lowest(
    name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float
) -> Metric:
    """Smallest value, with its sign, in the window and the instant it stands at."""
    stretch, part = window(time, values, start, stop)
    return _at_largest(name, subject, unit, stretch, part, -part)


def average(
    name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float
) -> Metric:
    """Time-weighted mean over the window."""
    return Metric(name, subject, mean(*window(time, values, start, stop)), unit, (start, stop))


def root_mean_square(
    name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float
) -> Metric:
    """RMS over the window."""
    return Metric(name, subject, rms(*window(time, values, start, stop)), unit, (start, stop))


def _at_largest(
    name: str, subject: str, unit: str, stretch: FloatArray, values: FloatArray, score: FloatArray
) -> Metric:
    """The value and instant at which a score is largest, over the whole stretch."""
    index = int(np.argmax(score))
    window_ends = (float(stretch[0]), float(stretch[-1]))
    return Metric(name, subject, float(values[index]), unit, window_ends, float(stretch[index]))
