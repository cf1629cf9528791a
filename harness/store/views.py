"""Stretches of a stored waveform for whoever looks at it, reading kilobytes where the file holds megabytes.

Opens files through ``runs.py`` only. The seal is not checked, which would read the whole file; the sums of the chunks
that are read are, so what comes back is right or refused.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.contracts import FloatArray
from harness.store.pyramid import FIRST_BIN, GROWTH
from harness.store.runs import ANALYSIS_OF_AXIS, CHUNK, datasets_of, opened_run, read_values, stored_names, waveforms
from netlists.errors import StoreError

SHORT_LEVEL = 8192  # bins that are read at once to find a place on the axis


@dataclass(frozen=True, slots=True)
class Overview:
    """What a run's waveforms are, none of them read.

    Parameters
    ----------
    axis : ``time`` [s] or ``frequency`` [Hz];  first, last : its ends
    units : signal -> unit, in the order the signals were given
    samples : on that axis
    complex_signals : those of them that are complex
    descriptions : signal -> what it is, in words
    """

    axis: Literal["time", "frequency"]
    first: float
    last: float
    units: Mapping[str, str]
    samples: int
    complex_signals: frozenset[str]
    descriptions: Mapping[str, str]


def overview(path: Path) -> Overview | None:
    """Axis and units of a run's signals, reading two chunks; None where no waveform was kept.

    Raises as ``read_run``.
    """
    with opened_run(path, path) as file:
        axis_name, group = waveforms(file)
        if group is None or len(scale := group[axis_name]) == 0:
            return None
        stored = stored_names(group)
        units, said = (
            {name: bytes(group[parts[0]].attrs[key]).decode() for name, parts in stored.items()}
            for key in ("units", "long_name")
        )
        with_two = frozenset(name for name, parts in stored.items() if len(parts) > 1)
        return Overview(axis_name, float(scale[0]), float(scale[-1]), units, len(scale), with_two, said)


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
        first, last = position(scale, start, "left"), position(scale, stop, "right")
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
            first, last = max(0, position(starts, start, "right") - 1), position(starts, stop, "right")
            if last - first >= bins:
                low, high = levels[f"L{number}"][:, first:last].astype("f8")
                return starts[first:last], low, high
    axis, values = read_window(path, signal, start, stop)
    return axis, values, values


def window_pieces(
    path: Path, signals: Sequence[str], start: float, stop: float, *, beyond: int = 0
) -> Iterator[tuple[FloatArray, list[NDArray[Any]]]]:
    """``read_window`` of several signals, a chunk after the other: of any length, only one is held at a time.

    Yields axis [s] or [Hz] and the values of each signal, all of shape (samples,). Raises as ``read_run``.
    """
    with opened_run(path, path) as file:
        axis_name, group = waveforms(file)
        stored = [datasets_of(group, name, path) for name in signals]
        if group is None:
            return
        scale = group[axis_name]
        first = max(0, position(scale, start, "left") - beyond)
        last = min(len(scale), position(scale, stop, "right") + beyond)
        for begin in range(first // CHUNK * CHUNK, last, CHUNK):  # as they are stored, so that none is read twice
            span = slice(max(first, begin), min(last, begin + CHUNK))
            yield scale[span], [read_values(group, datasets, span) for datasets in stored]


def values_at(path: Path, signals: Sequence[str], instants: Sequence[float]) -> list[dict[str, float]]:
    """For each instant of the axis the values of real signals there, interpolated; empty where the run has none.

    Raises as ``read_run``.
    """
    with opened_run(path, path) as file:
        axis_name, group = waveforms(file)
        stored = {name: datasets_of(group, name, path) for name in signals}
        if group is None or len(scale := group[axis_name]) == 0:
            return [{} for _ in instants]
        found: list[dict[str, float]] = []
        for instant in instants:
            if not scale[0] <= instant <= scale[-1]:
                found.append({})
                continue
            first = max(0, position(scale, instant, "right") - 2)
            span = slice(first, first + 3)
            found.append(
                {
                    name: float(np.interp(instant, scale[span], read_values(group, parts, span)))
                    for name, parts in stored.items()
                }
            )
        return found


def position(axis: Any, value: float, side: Literal["left", "right"], levels: Any = None) -> int:
    """As ``np.searchsorted`` on a stored axis, without reading all of it.

    Parameters
    ----------
    levels : starts of bins beside the axis, of which one short level tells nearly where; None: a chunk is read for each
        halving, eight in ten million samples
    """
    number = next((n for n in range(len(levels or ())) if len(levels[f"L{n}"]) <= SHORT_LEVEL), None)
    place: int
    if number is not None:
        size = FIRST_BIN * GROWTH**number
        place = int(np.searchsorted(levels[f"L{number}"][()], value, side)) - 1
    else:
        size = CHUNK
        halve = bisect.bisect_left if side == "left" else bisect.bisect_right
        place = halve(range(0, len(axis), size), value, key=lambda index: axis[index]) - 1
    if place < 0:
        return 0
    begin: int = place * size
    return begin + int(np.searchsorted(axis[begin : begin + size], value, side))
