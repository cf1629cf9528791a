"""What a signal does between two instants, from every sample of it, and complex signals as people read them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.contracts import FloatArray
from harness.postprocess.waveform import integral_of_square


@dataclass(frozen=True, slots=True)
class Between:
    """Figures of the stretch start..stop [s] that the signal covers, its ends interpolated; in the signal's unit.

    Parameters
    ----------
    first, last : values at its ends
    mean, rms : time-weighted, exact for a piecewise straight signal
    lowest, highest, lowest_at, highest_at : extremes and the first instant [s] that has each
    samples : number of samples in it
    """

    start: float
    stop: float
    first: float
    last: float
    mean: float
    rms: float
    lowest: float
    highest: float
    lowest_at: float
    highest_at: float
    samples: int

    @property
    def peak_to_peak(self) -> float:
        """Highest less lowest."""
        return self.highest - self.lowest


def between(pieces: Iterable[tuple[FloatArray, FloatArray]], start: float, stop: float) -> Between | None:
    """Figures of a signal from start to stop, taken piece by piece so that ten million samples need not fit at once.

    Parameters
    ----------
    pieces : neighbouring stretches of time [s] and values, shape (n,) each; together they hold the window and, where
        the signal goes on, a sample beyond either end

    Returns
    -------
    None where the signal lies outside the window
    """
    found = _Sums()
    last: tuple[FloatArray, FloatArray] | None = None
    for piece in pieces:
        if len(piece[0]) == 0:
            continue
        found.samples += int(np.count_nonzero((piece[0] >= start) & (piece[0] <= stop)))
        # the step from the last piece to this one belongs to both
        time, values = piece if last is None else (np.append(last[k], piece[k]) for k in (0, 1))
        found.add(*_clipped(time, values, start, stop))
        last = piece[0][-1:], piece[1][-1:]
    return found.result()


class _Sums:
    """What is carried from piece to piece."""

    def __init__(self) -> None:
        self.area = self.square = 0.0
        self.samples = 0
        self.ends: list[tuple[float, float]] = []
        self.low = (math.inf, math.nan)
        self.high = (-math.inf, math.nan)

    def add(self, time: FloatArray, values: FloatArray) -> None:
        """A clipped stretch that begins where the last one ended."""
        if len(time) == 0:
            return
        self.area += float(np.trapezoid(values, time))
        self.square += integral_of_square(time, values)
        first = float(time[0]), float(values[0])
        self.ends = [self.ends[0] if self.ends else first, (float(time[-1]), float(values[-1]))]
        if not np.all(np.isnan(values)):
            low, high = int(np.nanargmin(values)), int(np.nanargmax(values))
            self.low = min(self.low, (float(values[low]), float(time[low])), key=lambda pair: pair[0])
            self.high = max(self.high, (float(values[high]), float(time[high])), key=lambda pair: pair[0])

    def result(self) -> Between | None:
        """All figures; of a single instant its value is mean and, without sign, RMS."""
        if not self.ends or math.isinf(self.low[0]):
            return None
        (start, first), (stop, last) = self.ends
        length = stop - start
        return Between(
            start=start, stop=stop, first=first, last=last,
            mean=self.area / length if length else first,
            rms=math.sqrt(self.square / length) if length else abs(first),
            lowest=self.low[0], highest=self.high[0], lowest_at=self.low[1], highest_at=self.high[1],
            samples=self.samples,
        )  # fmt: skip


def _clipped(time: FloatArray, values: FloatArray, start: float, stop: float) -> tuple[FloatArray, FloatArray]:
    """The part in start..stop, ends interpolated where the signal reaches beyond them; empty where there is none."""
    begin, end = max(start, float(time[0])), min(stop, float(time[-1]))
    if begin > end:
        return time[:0], values[:0]
    inside = (time >= begin) & (time <= end)
    at, of = time[inside], values[inside]
    if len(at) == 0 or at[0] > begin:
        at, of = np.concatenate(([begin], at)), np.concatenate(([np.interp(begin, time, values)], of))
    if at[-1] < end:
        at, of = np.append(at, end), np.append(of, np.interp(end, time, values))
    return at, of


def magnitude(values: NDArray[Any]) -> FloatArray:
    """Magnitude of a complex signal, in its unit; shape as given."""
    return np.asarray(np.abs(values), dtype=np.float64)


def phase(values: NDArray[Any]) -> FloatArray:
    """Phase of a complex signal [deg], without jumps of a whole turn along it; shape as given."""
    return np.asarray(np.degrees(np.unwrap(np.angle(values))), dtype=np.float64)
