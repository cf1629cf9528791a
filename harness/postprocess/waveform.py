"""Time-weighted arithmetic on signals with non-uniform steps: windows, means, RMS, integrals, crossings.

Everywhere ``time`` and ``values`` have shape (n,), time in s and never decreasing.
"""

from __future__ import annotations

import numpy as np

from harness.contracts import FloatArray


def window(time: FloatArray, values: FloatArray, start: float, stop: float) -> tuple[FloatArray, FloatArray]:
    """The stretch [start, stop] of a signal, its ends interpolated.

    Raises
    ------
    ValueError : the window is empty or reaches beyond the signal
    """
    slack = 1e-9 * max(abs(time[-1]), 1e-12)
    if not (time[0] - slack <= start < stop <= time[-1] + slack):
        raise ValueError(f"window {start:g} to {stop:g} s does not lie in {time[0]:g} to {time[-1]:g} s")
    inside = (time > start) & (time < stop)
    ends = np.interp([start, stop], time, values)
    return (
        np.concatenate(([start], time[inside], [stop])),
        np.concatenate((ends[:1], values[inside], ends[1:])),
    )


def mean(time: FloatArray, values: FloatArray) -> float:
    """Time-weighted mean, exact for piecewise straight signals."""
    return float(np.trapezoid(values, time) / (time[-1] - time[0]))


def integral_of_square(time: FloatArray, values: FloatArray) -> float:
    """Integral of the square over time, exact for piecewise straight signals: (a^2 + a b + b^2) / 3 a step."""
    a, b = values[:-1], values[1:]
    return float(np.sum(np.diff(time) * (a * a + a * b + b * b)) / 3)


def rms(time: FloatArray, values: FloatArray) -> float:
    """Root of the time-weighted mean square."""
    return float(np.sqrt(integral_of_square(time, values) / (time[-1] - time[0])))


def crossing_below(time: FloatArray, values: FloatArray, level: float, after: float) -> float | None:
    """First instant from ``after`` on at which the signal is at or below a level, interpolated; None if never."""
    first = int(np.searchsorted(time, after))
    below = np.nonzero(values[first:] <= level)[0]
    if below.size == 0:
        return None
    index = first + int(below[0])
    if index == first:
        return max(after, float(time[index])) if first == 0 else _interpolated(time, values, level, index, after)
    return _interpolated(time, values, level, index, after)


def _interpolated(time: FloatArray, values: FloatArray, level: float, index: int, after: float) -> float:
    drop = values[index - 1] - values[index]
    fraction = (values[index - 1] - level) / drop if drop > 0 else 1.0
    instant = time[index - 1] + np.clip(fraction, 0.0, 1.0) * (time[index] - time[index - 1])
    return max(after, float(instant))
