"""A picture of any stretch of one run: a panel a unit or of its own, each metric marked in place. Computes nothing."""

from __future__ import annotations

import contextlib
import itertools
import math
import os
import re
import textwrap
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Annotation
from matplotlib.transforms import Bbox

from harness.contracts import FloatArray, Metric
from harness.show.marks import sits_on
from harness.show.panels import COLOURS, MARKED, own_panel
from harness.show.plots import MOST_POINTS, thinned
from harness.show.stretch import Stretch, Trace
from harness.stored import SHORT
from netlists.errors import StoreError
from netlists.quantity import engineering

MORE_COLOURS = ("#6b3f7a", "#2f7f78", "#b0476a", "#4d5fa8", "#7a6a2a", "#3b3b3b")  # of signals without one of their own
QUANTITIES = {"V": "voltage", "A": "current", "degC": "temperature"}
WIDTH, HEAD, PANEL = 9.0, 0.9, 2.6  # inches: the figure, its title and time axis, a panel with its legend
ENTRY = 1.9  # inches a legend entry takes
LETTERS = 13  # of the title in an inch
TIME_UNITS = ((1.0, "s", 1.0), (1e-3, "ms", 1e3), (0.0, "us", 1e6))  # from this end of the window [s], name, factor
DASHED = (0, (5, 4))  # lets the trace below show through
LINE = 0.01  # of a panel's height: what a drawn line covers
HIDDEN = 0.3  # of a window, over which two traces are one line

Place = tuple[float, float, Literal["left", "center", "right"], Literal["bottom", "center", "top"]]
SIDES: tuple[Place, ...] = (
    (1, 1, "left", "bottom"), (1, -1, "left", "top"), (1, 0, "left", "center"),
    (-1, 1, "right", "bottom"), (-1, -1, "right", "top"), (-1, 0, "right", "center"),
    (0, 1, "center", "bottom"), (0, -1, "center", "top"),
)  # fmt: skip
# Where a label may go about its mark [points] and the edge it hangs by: near before far
PLACES: tuple[Place, ...] = tuple(
    (x * reach, y * reach, across, along) for reach in (8, 20, 36, 56, 80) for x, y, across, along in SIDES
)
NEAR = 20  # points; a label further off is led to its mark by a thin line
LEADER = {"arrowstyle": "-", "color": "#777777", "linewidth": 0.7, "shrinkA": 0, "shrinkB": 4}


@dataclass(frozen=True, slots=True)
class Mark:
    """Metrics taken at one instant [s] on one trace at its ``level``; None where their signal is not drawn."""

    instant: float
    level: float | None
    metrics: tuple[Metric, ...]


def draw_stretch(stretch: Stretch, file: Path, *, width: float = WIDTH) -> None:
    """Draws a stretch into a PNG file, whole or not at all.

    Parameters
    ----------
    width : of the picture [inch]

    Raises
    ------
    StoreError : the file cannot be written
    """
    panels: dict[str, list[Trace]] = defaultdict(list)
    for trace in stretch.traces:
        panels[_panel(trace)].append(trace)
    figure = Figure(figsize=(width, HEAD + PANEL * len(panels)), layout="constrained")
    grid = figure.subplots(len(panels), 1, sharex=True, squeeze=False)
    temporary = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        _draw_panels(stretch, panels, figure, list(grid[:, 0]))
        file.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(temporary, dpi=110, format="png")
        temporary.replace(file)
    except OSError as error:
        raise StoreError(f"{file}: cannot be written: {error.strerror}") from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def _panel(trace: Trace) -> str:
    """Title of the panel a trace is drawn in."""
    return own_panel(trace.name) or f"{QUANTITIES.get(trace.unit, '')} [{trace.unit}]".strip()


def _draw_panels(stretch: Stretch, panels: Mapping[str, Sequence[Trace]], figure: Figure, axes: Sequence[Axes]) -> None:
    unit, factor = next((name, factor) for least, name, factor in TIME_UNITS if stretch.stop >= least)
    width = float(figure.get_figwidth())
    figure.suptitle(_title(stretch, width), fontsize=10)
    colours = itertools.cycle(MORE_COLOURS)
    marks = _marks(stretch, panels)
    for axis, (of, traces) in zip(axes, panels.items(), strict=True):
        for index, trace in enumerate(traces):
            hides = any(_share_a_course(trace, other) for other in traces[:index])
            _line(axis, trace, factor, COLOURS.get(trace.name) or next(colours), hides=hides)
        _ring(axis, marks[of], factor)
        axis.set_ylabel(of)
        axis.set_xlim(stretch.start * factor, stretch.stop * factor)
        axis.margins(y=0.25)  # room for rings and labels at the extremes
        axis.ticklabel_format(useOffset=False)
        axis.grid(alpha=0.25)
        axis.legend(  # above the panel, where it covers no trace and no label
            loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.2,
            ncols=max(1, int(width / ENTRY)), fontsize=8, frameon=False,
        )  # fmt: skip
    axes[-1].set_xlabel(f"time [{unit}]")
    figure.draw_without_rendering()  # labels are placed about panels that have their final place
    for axis, of in zip(axes, panels, strict=True):
        _label(axis, marks[of], factor)


def _title(stretch: Stretch, width: float) -> str:
    run = stretch.run
    ends = f"{engineering(stretch.start, 's')} to {engineering(stretch.stop, 's')} of {engineering(stretch.last, 's')}"
    is_whole = (stretch.start, stretch.stop) == (stretch.first, stretch.last)
    parts = (
        ", ".join(filter(None, (run.origin("record"), run.origin("instance")))),
        ", ".join(filter(None, (run.origin("study").replace("_", " "), run.origin("condition")))),
        f"whole run {run.run_id[:SHORT]}" if is_whole else f"run {run.run_id[:SHORT]}, {ends}",
        "metrics stale" if run.state == "stale" else "",
    )
    text = "; ".join(filter(None, parts)).replace("$", r"\$")  # a dollar would begin a formula
    text = re.sub(r"(?<=[0-9]) (?=[A-Za-z])", "\N{NO-BREAK SPACE}", text)  # a number keeps its unit
    return "\n".join(textwrap.wrap(text, max(20, int(LETTERS * width))))


def _line(axis: Axes, trace: Trace, factor: float, colour: str, *, hides: bool) -> None:
    time, values = thinned(trace.time, trace.values)
    style = DASHED if hides else "-"
    axis.plot(time * factor, values, linestyle=style, linewidth=1.2, color=colour, label=trace.name.replace("_", " "))


def _share_a_course(trace: Trace, other: Trace) -> bool:
    """Whether the one would hide the other: equal over a good part of the window."""
    height = max(float(np.ptp(trace.values)), float(np.ptp(other.values)))
    return bool(np.mean(np.abs(trace.values - other.values) <= LINE * height) > HIDDEN)


def _marks(stretch: Stretch, panels: Mapping[str, Sequence[Trace]]) -> dict[str, list[Mark]]:
    """Title of a panel -> its marks. A metric whose signal is not drawn goes to one of its unit, or the first."""
    found: dict[tuple[str, float, float | None], list[Metric]] = defaultdict(list)
    sitting: dict[tuple[str, float], tuple[Trace, float | None]] = {}
    for metric in sorted(stretch.metrics, key=lambda one: one.name not in MARKED):
        assert metric.at is not None  # those without an instant are not in the stretch
        trace, level = _sits_on(metric, metric.at, stretch.traces)
        if trace is None:  # an overshoot stands where its peak does
            trace, level = sitting.get((metric.subject, metric.at), (None, None))
        else:
            sitting[metric.subject, metric.at] = (trace, level)
        of_unit = [title for title, traces in panels.items() if traces[0].unit == metric.unit]
        title = _panel(trace) if trace else next(iter([*of_unit, *panels]))
        found[title, metric.at, level].append(metric)
    marks: dict[str, list[Mark]] = {title: [] for title in panels}
    for (title, instant, level), metrics in found.items():
        marks[title].append(Mark(instant, level, tuple(metrics)))
    return marks


def _sits_on(metric: Metric, instant: float, traces: Sequence[Trace]) -> tuple[Trace | None, float | None]:
    """The trace a metric was taken from, and its level there."""
    levels = {trace.name: float(np.interp(instant, trace.time, trace.values)) for trace in traces}
    name = sits_on(metric, levels, {trace.name: trace.unit for trace in traces})
    chosen = next((trace for trace in traces if trace.name == name), None)
    return chosen, None if chosen is None else levels[chosen.name]


def _ring(axis: Axes, marks: Sequence[Mark], factor: float) -> None:
    """A ring on the trace, or a dotted line where it is not drawn; hold-up also shows its stretch."""
    for mark in marks:
        at = mark.instant * factor
        if mark.level is None:
            axis.axvline(at, color="#222222", linestyle=":", linewidth=1)
        else:  # whole also at the window's edge
            axis.plot(
                [at], [mark.level], "o", markersize=8, markerfacecolor="none", color="#222222", clip_on=False, zorder=3
            )
        for metric in mark.metrics:
            if metric.name == "holdup_time":
                start, stop = metric.window
                axis.axvspan(start * factor, stop * factor, color="#d9c27a", alpha=0.35, linewidth=0)


def _label(axis: Axes, marks: Sequence[Mark], factor: float) -> None:
    """Writes each mark's text at the place about it that covers other labels, marks and traces least."""
    middle = sum(axis.get_ylim()) / 2
    spots = [(mark.instant * factor, middle if mark.level is None else mark.level) for mark in marks]
    taken = [Bbox.from_bounds(x - 6, y - 6, 12, 12) for x, y in (axis.transData.transform(spot) for spot in spots)]
    panel = axis.bbox.padded(-4)  # pixels: its frame stays whole
    course = np.concatenate([_course(line) for line in axis.get_lines()])
    for mark, spot in zip(marks, spots, strict=True):
        note = axis.annotate(
            "\n".join(_text(metric) for metric in mark.metrics), spot, xytext=(0, 0), textcoords="offset points",
            fontsize=8, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 1},
        )  # fmt: skip
        best, least = PLACES[0], math.inf
        for place in PLACES:
            _move(note, place)
            if (cost := _cost(note.get_window_extent(), panel, taken, course)) < least:
                best, least = place, cost
        _move(note, best)
        taken.append(note.get_window_extent())
        if max(abs(best[0]), abs(best[1])) > NEAR:
            axis.annotate("", spot, xytext=best[:2], textcoords="offset points", arrowprops=LEADER)


def _move(note: Annotation, place: Place) -> None:
    x, y, across, along = place
    note.set(position=(x, y), horizontalalignment=across, verticalalignment=along)


def _cost(box: Bbox, panel: Bbox, taken: Sequence[Bbox], course: FloatArray) -> float:
    """How bad a place is: most for leaving the panel or covering what is written, then for each bit of a trace."""
    inside = Bbox.intersection(box, panel)
    outside = 1 - (inside.width * inside.height if inside else 0.0) / (box.width * box.height)
    covered = np.all((course >= box.min) & (course <= box.max), axis=1)
    return 1e6 * outside + 1e5 * sum(box.overlaps(other) for other in taken) + float(np.sum(covered))


def _course(line: Line2D) -> FloatArray:
    """Points along a drawn line, a few pixels apart, in pixels; shape (points, 2)."""
    points = np.asarray(line.get_transform().transform(line.get_xydata()), dtype=np.float64)
    if len(points) < 2:
        return points
    way = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    along = np.linspace(0.0, way[-1], min(4 * MOST_POINTS, 2 + int(way[-1] / 4)))
    return np.column_stack([np.interp(along, way, points[:, column]) for column in (0, 1)])


def _text(metric: Metric) -> str:
    name = metric.name.replace("_", " ")
    subject = "" if metric.subject in name.split() else f" {metric.subject}"
    return f"{name}{subject} {engineering(metric.value, metric.unit)}"
