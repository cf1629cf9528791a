"""Peak, mean and RMS of one signal over a window: what a part endures."""

from __future__ import annotations

import numpy as np

from harness.contracts import FloatArray, Metric
from harness.postprocess.waveform import mean, rms, window


def peak(name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float) -> Metric:
    """Largest magnitude in the window and the instant it stands at."""
    stretch, part = window(time, values, start, stop)
    index = int(np.argmax(np.abs(part)))
    return Metric(name, subject, float(abs(part[index])), unit, (start, stop), float(stretch[index]))


def highest(
    name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float
) -> Metric:
    """Largest value, with its sign, in the window and the instant it stands at."""
    stretch, part = window(time, values, start, stop)
    index = int(np.argmax(part))
    return Metric(name, subject, float(part[index]), unit, (start, stop), float(stretch[index]))


def lowest(
    name: str, subject: str, unit: str, time: FloatArray, values: FloatArray, start: float, stop: float
) -> Metric:
    """Smallest value, with its sign, in the window and the instant it stands at."""
    stretch, part = window(time, values, start, stop)
    index = int(np.argmin(part))
    return Metric(name, subject, float(part[index]), unit, (start, stop), float(stretch[index]))


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
