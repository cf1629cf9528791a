"""The lines of a picture: what is drawn of them, what is between two cursors, and their samples as CSV.

Stored runs are read window by window; what was dropped on the viewer lies in its memory.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from harness.contracts import FloatArray
from harness.judge.assess import finite
from harness.postprocess.between import Between, between, magnitude, phase
from harness.show.viewer.asked import TraceName
from harness.show.viewer.folder import Folder
from harness.store import views
from harness.store.files import check_seal
from harness.store.zoom import Course, course_of, read_courses
from harness.stored import SHORT
from netlists.errors import OptionError, StoreError, nearest, one_line

PARTS = {"magnitude": magnitude, "phase": phase}
ALIGNMENT = 8  # bytes: where arrays of f8 may begin in a browser


@dataclass(frozen=True, slots=True)
class Held:
    """A line in memory: axis [s] and values, shape (samples,), never decreasing."""

    unit: str
    axis: FloatArray
    values: FloatArray


class Memory(Protocol):
    """What lies in memory, by its source and signal."""

    def held(self, source: str, signal: str) -> Held:
        """The line; AbsentError where there is none."""

    def read_file(self, name: str, data: bytes) -> dict[str, Any]:
        """Keeps a text file of columns and tells what is in it; RecordError where it is none."""

    def captures_for(self, digits: str) -> list[dict[str, Any]]:
        """Stored captures that may be laid over a run."""

    def lay(self, trace: TraceName, said: Mapping[str, str]) -> dict[str, Any]:
        """Lays something measured over a line, keeps it, and tells what both differ by."""


class Traces:
    """The lines that addresses name, from files and from memory."""

    def __init__(self, folder: Folder, memory: Memory) -> None:
        self.folder, self.memory = folder, memory

    def view(self, names: Sequence[TraceName], start: float, stop: float, columns: int) -> bytes:
        """The lines drawn in so many columns, as one binary answer.

        A length (4 bytes, little-endian) and as much JSON, blanks to the next multiple of 8, then all axes (f8) and
        all values (f4) one behind the other. JSON: ``traces``, each ``name``, ``unit``, ``points``.

        Raises
        ------
        AbsentError, OptionError : no such run or signal, a window without length, two kinds of axis
        StoreError : as ``read_run``
        """
        courses, units = self._courses(names, start, stop, max(1, columns))
        told = [{"name": str(name), "unit": units[name], "points": len(courses[name].axis)} for name in names]
        head = json.dumps({"traces": told}).encode()
        head += b" " * (-(4 + len(head)) % ALIGNMENT)
        axes = [courses[name].axis.astype("<f8").tobytes() for name in names]
        values = [courses[name].values.astype("<f4").tobytes() for name in names]
        return b"".join((struct.pack("<I", len(head)), head, *axes, *values))

    def _courses(
        self, names: Sequence[TraceName], start: float, stop: float, columns: int
    ) -> tuple[dict[TraceName, Course], dict[TraceName, str]]:
        found: dict[TraceName, Course] = {}
        units: dict[TraceName, str] = {}
        kinds = set()
        for source, own in _by_source(names).items():
            if source.startswith("file-"):
                kinds.add("time")
                for name in own:
                    held = self.memory.held(source, name.signal)
                    found[name], units[name] = course_of(held.axis, held.values, start, stop, columns), held.unit
                continue
            path, overview = self._run(source, own)
            kinds.add(overview.axis)
            units |= {name: "deg" if name.part == "phase" else overview.units[name.signal] for name in own}
            if overview.axis == "time" and not any(name.part for name in own):
                drawn = read_courses(path, [name.signal for name in own], start, stop, columns)
                found |= {name: drawn[name.signal] for name in own}
            else:
                found |= self._swept(path, own, overview, (start, stop, columns))
        if len(kinds) > 1:
            raise OptionError("trace: runs over time and over frequency have no axis in common")
        return found, units

    def _swept(
        self, path: Path, names: Sequence[TraceName], overview: views.Overview, window: tuple[float, float, int]
    ) -> dict[TraceName, Course]:
        """Lines of a run over frequency, or of complex signals: some thousand samples, read whole."""
        is_swept = overview.axis == "frequency"
        if is_swept and window[0] <= 0:
            raise OptionError("from: a frequency must be above 0 Hz")
        found = {}
        for name in names:
            axis, values = views.read_window(path, name.signal, -np.inf, np.inf)
            line = PARTS[name.part](values) if name.part else np.asarray(values, dtype=np.float64)
            found[name] = course_of(axis, line, *window, logarithmic=is_swept)
        return found

    def _run(self, source: str, names: Sequence[TraceName]) -> tuple[Path, views.Overview]:
        """File and overview of a run that has these lines."""
        path = self.folder.run_file(source)
        overview = views.overview(path)
        if overview is None:
            raise StoreError(f"run {source[:SHORT]}: kept no waveforms, nothing to draw")
        for name in names:
            if name.signal not in overview.units:
                told = nearest(name.signal, overview.units)
                raise StoreError(f"run {source[:SHORT]}: no signal {one_line(name.signal)[:80]}; {told}")
            if (name.signal in overview.complex_signals) != bool(name.part):
                word = "is complex: add :magnitude or :phase" if not name.part else "is not complex"
                raise OptionError(f"trace: {name.signal} {word}")
        return path, overview

    def figures(self, names: Sequence[TraceName], first: float, second: float) -> list[dict[str, Any]]:
        """Figures between two cursors from every sample; of lines over frequency no mean and no RMS."""
        start, stop = min(first, second), max(first, second)
        found = []
        for name in names:
            pieces, unit, is_time = self._pieces(name, start, stop)
            figures = between(pieces, start, stop)
            found.append({"name": str(name), "unit": unit, **_told(figures, (first, second), is_time=is_time)})
        return list(finite(found))

    def _pieces(
        self, name: TraceName, start: float, stop: float
    ) -> tuple[Iterator[tuple[FloatArray, FloatArray]], str, bool]:
        """The samples of a line in a window and one beyond either end, its unit, and whether it is over time."""
        if name.source.startswith("file-"):
            held = self.memory.held(name.source, name.signal)
            return iter([(held.axis, held.values)]), held.unit, True
        path, overview = self._run(name.source, [name])
        is_time = overview.axis == "time"
        if name.part:
            axis, values = views.read_window(path, name.signal, -np.inf, np.inf)
            unit = "deg" if name.part == "phase" else overview.units[name.signal]
            return iter([(axis, PARTS[name.part](values))]), unit, is_time
        pieces = views.window_pieces(path, [name.signal], start, stop, beyond=1)
        return ((axis, values) for axis, (values,) in pieces), overview.units[name.signal], is_time

    def csv(self, names: Sequence[TraceName], start: float, stop: float) -> Iterator[bytes]:
        """Every sample in start..stop: an axis and its signals for each run, side by side; shorter runs end in blanks.

        Numbers read back as the very values that are stored. Raises before the first line as ``view`` does.
        """
        heads: list[str] = []
        blocks = []
        for source, own in _by_source(names).items():
            head, rows = self._block(source, own, start, stop)
            heads += head
            blocks.append((rows, "," * (len(head) - 1)))
        return _joined(heads, blocks)

    def _block(
        self, source: str, names: Sequence[TraceName], start: float, stop: float
    ) -> tuple[list[str], Iterator[list[str]]]:
        """Names of the columns of one run or file, and its rows chunk by chunk, cells joined."""
        if source.startswith("file-"):
            lines = [self.memory.held(source, name.signal) for name in names]
            head = [
                f"time [s] {source}",
                *(f"{name.signal} [{line.unit}] {source}" for name, line in zip(names, lines, strict=True)),
            ]
            return head, iter([_cells(lines[0].axis, [line.values for line in lines], start, stop)])
        path, overview = self._run(source, names)
        check_seal(path)  # damage must be told before the first line is sent
        signals = list(dict.fromkeys(name.signal for name in names))
        short = source[:SHORT]
        head = [f"{overview.axis} [{'s' if overview.axis == 'time' else 'Hz'}] {short}"]
        for signal in signals:
            parts = (" real", " imaginary") if signal in overview.complex_signals else ("",)
            head += [one_line(f"{signal}{part} [{overview.units[signal]}] {short}") for part in parts]
        pieces = views.window_pieces(path, signals, start, stop)
        return head, (_cells(axis, _real(values), start, stop, stored=True) for axis, values in pieces)


def _by_source(names: Sequence[TraceName]) -> Mapping[str, list[TraceName]]:
    found: dict[str, list[TraceName]] = {}
    for name in names:
        found.setdefault(name.source, []).append(name)
    return found


def _told(figures: Between | None, ends: tuple[float, float], *, is_time: bool) -> dict[str, Any]:
    """Figures as the page shows them; values at the cursors only where the line has them."""
    if figures is None:
        return {"figures": None}
    turned = ends[0] > ends[1]
    at_low, at_high = figures.first, figures.last
    low, high = min(ends), max(ends)
    has = figures.start <= low, figures.stop >= high
    values = [at_low if has[0] else None, at_high if has[1] else None]
    a, b = reversed(values) if turned else values
    return {
        "figures": {
            "a": a, "b": b, "difference": None if a is None or b is None else b - a,
            "mean": figures.mean if is_time else None, "rms": figures.rms if is_time else None,
            "peak_to_peak": figures.peak_to_peak, "lowest": figures.lowest, "highest": figures.highest,
            "lowest_at": figures.lowest_at, "highest_at": figures.highest_at, "samples": figures.samples,
            "covered": [figures.start, figures.stop],
        }
    }  # fmt: skip


def _real(values: Sequence[NDArray[Any]]) -> list[FloatArray]:
    """Columns of signals, complex ones as two."""
    found: list[FloatArray] = []
    for one in values:
        found += [one.real, one.imag] if np.iscomplexobj(one) else [one]
    return found


def _cells(
    axis: FloatArray, columns: Sequence[FloatArray], start: float, stop: float, *, stored: bool = False
) -> list[str]:
    """Rows of a stretch as text; stored signals are f4 and so are their digits."""
    inside = (axis >= start) & (axis <= stop)
    texts = [map(repr, axis[inside].tolist())]
    for column in columns:
        if stored:
            texts.append(_blank(column[inside].astype("f4").astype("U").tolist()))
        else:
            texts.append(_blank(map(repr, column[inside].tolist())))
    return [",".join(cells) for cells in zip(*texts, strict=True)]


def _blank(texts: Any) -> Any:
    return ("" if text in ("nan", "inf", "-inf") else text for text in texts)


def _joined(heads: Sequence[str], blocks: Sequence[tuple[Iterator[list[str]], str]]) -> Iterator[bytes]:
    """The file, piece by piece."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(heads)
    yield text.getvalue().encode()
    if len(blocks) == 1:
        for rows in blocks[0][0]:
            yield "".join(f"{row}\n" for row in rows).encode()
        return
    lines = [itertools.chain(itertools.chain.from_iterable(rows), itertools.repeat(None)) for rows, _ in blocks]
    while True:
        piece = []
        for _ in range(10_000):
            row = [next(line) for line in lines]
            if all(cells is None for cells in row):
                break
            piece.append(
                ",".join(blank if cells is None else cells for cells, (_, blank) in zip(row, blocks, strict=True))
            )
        yield "".join(f"{row}\n" for row in piece).encode()
        if len(piece) < 10_000:
            return
