"""A pyramid of minima and maxima beside a waveform, so that a view of 10 M samples reads a few kilobytes.

Level k takes 32 x 8^k neighbouring samples a bin. Bins count samples, not seconds: each level is one ``reduceat``
and a bin always holds data; whoever draws bins these bins by time, since steps are not uniform. No file, no HDF5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FIRST_BIN = 32  # samples; costs 6.5 % more bytes, smaller bins cost more and no screen shows them
GROWTH = 8  # bins of one level in a bin of the next
FEWEST_BINS = 512  # a level this short is drawn as it is, so nothing is built above it


@dataclass(frozen=True, slots=True)
class Level:
    """One level: ``starts`` is the axis value of each bin's first sample, all of shape (bins,)."""

    starts: NDArray[np.float64]
    low: NDArray[np.float32]
    high: NDArray[np.float32]


def build(axis: NDArray[np.float64], values: NDArray[np.float32]) -> tuple[Level, ...]:
    """Levels from the finest to the coarsest; none where there are 512 samples or fewer.

    Values that are not numbers are left out of a bin unless it holds nothing else (failed runs are viewed too).

    Parameters
    ----------
    axis : time [s] or frequency [Hz], shape (n,), never decreasing
    values : real samples as stored, shape (n,), any unit
    """
    levels: list[Level] = []
    starts, low, high = axis, values, values
    bin_size = FIRST_BIN
    while len(starts) > FEWEST_BINS:
        edges = np.arange(0, len(starts), bin_size)
        low, high = np.fmin.reduceat(low, edges), np.fmax.reduceat(high, edges)
        starts = starts[edges]
        levels.append(Level(starts, low, high))
        bin_size = GROWTH
    return tuple(levels)
