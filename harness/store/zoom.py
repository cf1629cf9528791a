"""What a picture of some width needs of a stretch of a waveform: never an extreme less, and never one too many.

A window of n samples is shown by the coarsest level of the pyramid that still has two bins a column. Bins that reach
beyond the window are replaced by the samples inside it, and bins that last longer than a column (steps are not
uniform) by those of finer levels, at last by samples. Then each column keeps its lowest and its highest value, in the
order in which they come. So the extremes of what comes back are those of the samples of the window, exactly.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from harness.contracts import FloatArray
from harness.store.pyramid import FIRST_BIN, GROWTH
from harness.store.runs import ANALYSIS_OF_AXIS, datasets_of, opened_run, waveforms
from harness.store.views import position
from netlists.errors import StoreError

BINS_A_COLUMN = 2  # of the level that is read, at least: a bin is then seldom longer than a column
SAMPLES = -1  # the level of the samples themselves


@dataclass(frozen=True, slots=True)
class Course:
    """A signal drawn: axis [s] or [Hz] and values, shape (points,); at the window's ends interpolated."""

    axis: FloatArray
    values: FloatArray


@dataclass(frozen=True, slots=True)
class _Bins:
    """Neighbouring bins: where each begins and ends on the axis, lowest and highest value, all of shape (bins,)."""

    begin: FloatArray
    end: FloatArray
    low: FloatArray
    high: FloatArray


def read_courses(path: Path, signals: Sequence[str], start: float, stop: float, columns: int) -> dict[str, Course]:
    """Real signals of a run over time in start..stop, at most about two points a column each.

    Parameters
    ----------
    columns : of the picture, such as its width in pixels

    Raises
    ------
    StoreError, SchemaError, DamagedRunError : as ``read_run``; also a complex signal, and an axis that runs back
    """
    with opened_run(path, path) as file:
        axis_name, group = waveforms(file)
        datasets = {name: datasets_of(group, name, path) for name in signals}
        if group is None or not datasets:
            return {}
        for name, stored in datasets.items():
            if len(stored) > 1:
                raise StoreError(f"{path}: signal {name}: is complex, its window is read as it is")
        levels = file.get(f"pyramid/{ANALYSIS_OF_AXIS[axis_name]}")
        plan = _Plan(group[axis_name], None if levels is None else levels.get(axis_name), start, stop, columns)
        if not plan.is_ordered:
            raise StoreError(f"{path}: its {axis_name} runs back or is no number, so it cannot be drawn")
        return {name: plan.course(group[name], None if levels is None else levels.get(name)) for name in signals}


def course_of(
    axis: FloatArray, values: FloatArray, start: float, stop: float, columns: int, *, logarithmic: bool = False
) -> Course:
    """The same of samples at hand.

    Parameters
    ----------
    axis, values : shape (n,), the axis never decreasing
    logarithmic : columns are equal ratios, as on an axis of frequency; start must be above 0
    """
    first, last = np.searchsorted(axis, start, "left"), np.searchsorted(axis, stop, "right")
    inside = slice(int(first), int(last))
    bins = _Bins(axis[inside], axis[inside], values[inside], values[inside])
    about = slice(max(0, int(first) - 1), int(last) + 1)
    covered = _covered(axis, start, stop)
    ends = [(at, float(np.interp(at, axis[about], values[about]))) for at in covered or ()]
    return _ended(_merged(bins, start, stop, columns, logarithmic=logarithmic), ends)


class _Plan:
    """Which bins of which level, and which samples, show a window of a run: the same for all its signals."""

    def __init__(self, axis: h5py.Dataset, levels: h5py.Group | None, start: float, stop: float, columns: int) -> None:
        self.axis, self.levels, self.start, self.stop, self.columns = axis, levels, start, stop, columns
        self.first, self.last = position(axis, start, "left", levels), position(axis, stop, "right", levels)
        self.width = (stop - start) / columns
        self.pieces = self._pieces()
        self.ends = self._ends()
        self.is_ordered = all(bool(np.all(np.diff(begin) >= 0)) for _, _, _, begin, _ in self.pieces)

    def course(self, values: h5py.Dataset, levels: h5py.Group | None) -> Course:
        """A signal drawn by this plan."""
        found = [self._read(piece, values, levels) for piece in self.pieces]
        fields = [np.concatenate([getattr(one, name) for one in found] or [[]]) for name in _Bins.__slots__]
        ends = [
            (at, float(np.interp(at, instants, values[index : index + 2].astype("f8"))))
            for at, index, instants in self.ends
        ]
        return _ended(_merged(_Bins(*fields), self.start, self.stop, self.columns), ends)

    def _ends(self) -> list[tuple[float, int, FloatArray]]:
        """Where the line enters and leaves the window, or begins and ends in it: instant, index of the sample at or
        before it, and the instants of that sample and the next."""
        if len(self.axis) == 0:
            return []
        # the axis is looked at only where the place in it does not tell already that it goes on beyond the window
        first = self.start if self.first > 0 else max(self.start, float(self.axis[0]))
        last = self.stop if self.last < len(self.axis) else min(self.stop, float(self.axis[-1]))
        if first > last:
            return []
        before = (max(self.first - 1, 0), max(self.last - 1, 0))
        return [(at, index, self.axis[index : index + 2]) for at, index in zip((first, last), before, strict=True)]

    def _read(self, piece: _Piece, values: h5py.Dataset, levels: h5py.Group | None) -> _Bins:
        level, first, last, begin, end = piece
        if level == SAMPLES:
            samples = values[first:last].astype("f8")
            return _Bins(begin, end, samples, samples)
        if levels is None:
            raise LookupError("a signal without its pyramid")  # told as damage
        low, high = levels[f"L{level}"][:, first:last].astype("f8")
        return _Bins(begin, end, low, high)

    def _pieces(self) -> list[_Piece]:
        level = self._level()
        if level == SAMPLES:
            return [self._samples(self.first, self.last)]
        size = FIRST_BIN * GROWTH**level
        first = -(-self.first // size)
        is_to_the_end = self.last == len(self.axis)  # then the last bin is whole, however few samples it has
        last = -(-self.last // size) if is_to_the_end else self.last // size
        found = [self._samples(self.first, min(first * size, self.last)), *self._bins(level, first, last)]
        if not is_to_the_end:
            found.append(self._samples(last * size, self.last))
        return [piece for piece in found if piece[2] > piece[1]]

    def _level(self) -> int:
        """The coarsest level with enough bins in the window; the samples where none has."""
        samples = self.last - self.first
        found = SAMPLES
        while (
            self.levels is not None
            and f"L{found + 1}" in self.levels
            and samples >= BINS_A_COLUMN * self.columns * FIRST_BIN * GROWTH ** (found + 1)
        ):
            found += 1
        return found

    def _samples(self, first: int, last: int) -> _Piece:
        at = self.axis[first:last]
        return SAMPLES, first, last, at, at

    def _bins(self, level: int, first: int, last: int) -> list[_Piece]:
        """Bins of a level, those longer than a column replaced by what is below them."""
        if first >= last:
            return []
        assert self.levels is not None  # there is a level
        starts = self.levels[f"L{level}"][first : last + 1]
        if len(starts) == last - first:  # the last bin ends with the axis
            starts = np.append(starts, self.axis[-1])
        is_long = np.diff(starts) > self.width
        borders = [0, *(np.flatnonzero(np.diff(is_long)) + 1).tolist(), last - first]
        found: list[_Piece] = []
        for begin, end in itertools.pairwise(borders):
            if not is_long[begin]:
                found.append((level, first + begin, first + end, starts[begin:end], starts[begin + 1 : end + 1]))
            elif level == 0:
                most = len(self.axis)
                found.append(self._samples((first + begin) * FIRST_BIN, min((first + end) * FIRST_BIN, most)))
            else:
                most = len(self.levels[f"L{level - 1}"])
                found += self._bins(level - 1, (first + begin) * GROWTH, min((first + end) * GROWTH, most))
        return found


_Piece = tuple[int, int, int, FloatArray, FloatArray]  # level, first and last index in it, begin and end of each bin


def _covered(axis: Any, start: float, stop: float) -> tuple[float, float] | None:
    """The part of a window that a line has; None where it has none of it."""
    if len(axis) == 0:
        return None
    first, last = max(start, float(axis[0])), min(stop, float(axis[-1]))
    return (first, last) if first <= last else None


def _merged(bins: _Bins, start: float, stop: float, columns: int, *, logarithmic: bool = False) -> Course:
    """Each column's lowest and highest value at the instants that have them, in the order in which they come."""
    if len(bins.begin) == 0:
        return Course(np.empty(0), np.empty(0))
    along = (np.log(bins.begin / start) / np.log(stop / start) if logarithmic
             else (bins.begin - start) / (stop - start))  # fmt: skip
    column = np.clip((along * columns).astype(np.int64), 0, columns - 1)
    edges = np.flatnonzero(np.diff(column, prepend=-1))
    counts = np.diff(edges, append=len(column))
    lowest, highest = np.fmin.reduceat(bins.low, edges), np.fmax.reduceat(bins.high, edges)
    at_low, at_high = (
        _first_of(values, of, edges, counts) for values, of in ((bins.low, lowest), (bins.high, highest))
    )
    middle = (lowest + highest) / 2
    rises = np.concatenate(([True], middle[1:] >= middle[:-1]))
    low_first = np.where(at_low == at_high, rises, at_low < at_high)
    first, second = np.where(low_first, at_low, at_high), np.where(low_first, at_high, at_low)
    later = np.where(first == second, (bins.begin[second] + bins.end[second]) / 2, bins.begin[second])
    axis = np.column_stack((bins.begin[first], later)).ravel()
    values = np.column_stack((np.where(low_first, lowest, highest), np.where(low_first, highest, lowest))).ravel()
    is_needed = np.ones(len(axis), dtype=bool)
    is_needed[1::2] = (first != second) | (lowest != highest)  # a lone sample is one point
    return Course(axis[is_needed], values[is_needed])


def _first_of(values: FloatArray, of: FloatArray, edges: Any, counts: Any) -> Any:
    """Index of the first bin of each column that has the column's extreme; its first where there is no number."""
    index = np.arange(len(values))
    found = np.minimum.reduceat(np.where(values == np.repeat(of, counts), index, len(values)), edges)
    return np.where(found < len(values), found, edges)


def _ended(course: Course, ends: Sequence[tuple[float, float]]) -> Course:
    """With the line's values at the window's own ends, where it does not have a point there already."""
    axis, values = course.axis, course.values
    for at, value in ends:
        if len(axis) == 0 or at < axis[0]:
            axis, values = np.concatenate(([at], axis)), np.concatenate(([value], values))
        elif at > axis[-1]:
            axis, values = np.append(axis, at), np.append(values, value)
    return Course(axis, values)
