"""Stretches of a stored waveform for whoever looks at it, reading kilobytes where the file holds megabytes.

Opens files through ``runs.py`` only. The seal is not checked, which would read the whole file; the sums of the chunks
that are read are, so what comes back is right or refused.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.contracts import FloatArray
from harness.store.runs import ANALYSIS_OF_AXIS, CHUNK, datasets_of, opened_run, read_values, stored_names, waveforms
from netlists.errors import StoreError


@dataclass(frozen=True, slots=True)
class Overview:
    """What a run's waveforms are, none of them read.

    Parameters
    ----------
    axis : ``time`` [s] or ``frequency`` [Hz];  first, last : its ends
    units : signal -> unit, in the order the signals were given
    """

    axis: Literal["time", "frequency"]
    first: float
    last: float
    units: Mapping[str, str]


def overview(path: Path) -> Overview | None:
    """Axis and units of a run's signals, reading two chunks; None where no waveform was kept.

    Raises as ``read_run``.
    """
    with opened_run(path, path) as file:
        axis_name, group = waveforms(file)
        if group is None or len(scale := group[axis_name]) == 0:
            return None
        units = {name: bytes(group[stored[0]].attrs["units"]).decode() for name, stored in stored_names(group).items()}
        return Overview(axis_name, float(scale[0]), float(scale[-1]), units)


def signal_names(path: Path) -> tuple[str, ...]:
    """Names of a run's signals in the order they were given; raises like ``read_run``."""
    with opened_run(path, path) as file:
        _, group = waveforms(file)
        return () if group is None else tuple(stored_names(group))


def read_window(
    path: Path, signal: str, start: float, stop: float, *, beyond: int = 0
) -> tuple[FloatArray, NDArray[Any]]:
    """The samples of one signal with start <= axis <= stop, reading only the chunks that hold them.

    Parameters
    ----------
    beyond : samples more on each side, so that a line drawn through them reaches both ends

    Returns
    -------
    axis [s] or [Hz] and values (f8 or complex), both of shape (samples,)

    Raises as ``read_run``.
    """
    with opened_run(path, path) as file:
        axis_name, group = waveforms(file)
        stored = datasets_of(group, signal, path)
        assert group is not None  # else the signal was not found
        scale = group[axis_name]
        first, last = _position(scale, start, "left"), _position(scale, stop, "right")
        span = slice(max(0, first - beyond), last + beyond)
        return scale[span], read_values(group, stored, span)


def read_envelope(
    path: Path, signal: str, start: float, stop: float, bins: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Minima and maxima of a real signal in start..stop, from the coarsest level with at least ``bins`` bins there.

    Returns
    -------
    axis at the start of each bin, lowest and highest value in it, all of shape (bins found,); the first bin may
    begin before ``start``. Samples themselves, lowest equal to highest, where no level is fine enough.

    Raises as ``read_run``; StoreError also for a complex signal.
    """
    with opened_run(path, path) as file:
        axis_name, group = waveforms(file)
        stored = datasets_of(group, signal, path)
        if len(stored) > 1:
            raise StoreError(f"{path}: signal {signal}: is complex and has no envelope; read its window instead")
        folder = f"pyramid/{ANALYSIS_OF_AXIS[axis_name]}"
        levels = file.get(f"{folder}/{signal}", ())
        # coarsest first: the first level that is fine enough is the cheapest
        for number in reversed(range(len(levels))):
            starts = file[f"{folder}/{axis_name}/L{number}"]
            first, last = max(0, _position(starts, start, "right") - 1), _position(starts, stop, "right")
            if last - first >= bins:
                low, high = levels[f"L{number}"][:, first:last].astype("f8")
                return starts[first:last], low, high
    axis, values = read_window(path, signal, start, stop)
    return axis, values, values


def _position(axis: Any, value: float, side: Literal["left", "right"]) -> int:
    """As ``np.searchsorted``, reading a chunk for each halving instead of the whole axis."""
    heads = range(0, len(axis), CHUNK)
    halve = bisect.bisect_left if side == "left" else bisect.bisect_right
    chunk = halve(heads, value, key=lambda index: axis[index]) - 1
    if chunk < 0:
        return 0
    begin = heads[chunk]
    return begin + int(np.searchsorted(axis[begin : begin + CHUNK], value, side))
