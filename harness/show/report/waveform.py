"""Pictures of stored runs as small SVG for a page: panels below each other, numbered marks, colours by style sheet.

The same panels, signals and marks as ``show.plots`` draws into PNG files. Here letters stay readable at the width of a
phone, colours follow light and dark, and what a mark says stands below the picture as text. Computes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
from markupsafe import Markup

from harness.contracts import FloatArray, Run
from harness.show.marks import is_of_pieces
from harness.show.plots import Picture, by_instant, thinned, time_unit
from harness.show.report import texts
from netlists.quantity import engineering

WIDTH, LEFT, RIGHT = 420.0, 48.0, 8.0  # of the picture, and left and right of its panels [px at full size]
PANEL, LEGEND_LINE, BETWEEN, BELOW = 104.0, 14.0, 14.0, 34.0
LETTER = 5.9  # advance of a legend's letter, wide enough for any usual sans-serif
MOST_POINTS = 900  # of a trace
STRAIGHT = 0.12  # px that a point may lie above or below the line between its neighbours and be left out
TICKS = 5  # at most, of an axis of a panel
COLOURS = 6  # classes t0 to t5 of the style sheet
LINE, HIDDEN = 0.01, 0.9  # of a trace's height: what a line covers; of its length: hidden by another
REACH = 9.0  # of a mark's number from its ring


@dataclass(frozen=True)
class Waveforms:
    """A picture for the page.

    Parameters
    ----------
    title : what was run;  svg : the picture;  marks : a line for each number
    has_adverse : a dashed trace of the adverse run is drawn too
    """

    title: str
    svg: Markup
    marks: tuple[str, ...]
    has_adverse: bool


@dataclass(frozen=True)
class _Panel:
    """Where values and times lie on the sheet: its upper edge, and the ranges drawn."""

    top: float
    low: float
    high: float
    last: float

    def x(self, time: Any) -> Any:
        return LEFT + (WIDTH - LEFT - RIGHT) * time / self.last

    def y(self, level: Any) -> Any:
        return self.top + PANEL * (self.high - level) / (self.high - self.low)


def draw_waveforms(picture: Picture, name: str) -> Waveforms:
    """A picture as SVG; ``name`` begins its ids."""
    unit, factor = time_unit(picture.rows[0]["window"][1])
    assert picture.nominal.axis is not None  # the run is ok and its signals were asked for
    last = float(picture.nominal.axis.values[-1])
    pieces: list[str] = []
    marks: list[str] = []
    top = 4.0
    panel = None
    for title, signals in picture.panels:
        styles = [
            f"t{place % COLOURS}{_hiding(picture.nominal, signals[: place + 1])}" for place in range(len(signals))
        ]
        top = _legend(pieces, title, list(zip(signals, styles, strict=True)), top)
        panel = _Panel(top, *_range(picture, signals), last)
        _axes(pieces, panel, factor)
        for run, style in ((picture.adverse, "adverse"), (picture.nominal, "nominal")):
            if run is not None:
                pieces += [_trace(panel, run, *one, style) for one in zip(signals, styles, strict=True)]
        _marks(pieces, marks, panel, picture, signals)
        top += PANEL + BETWEEN
    assert panel is not None  # a study has a panel at least
    _time_axis(pieces, panel, unit, factor)
    height = top + BELOW - BETWEEN
    label = escape(f"{picture.title}. {'; '.join(marks) or 'No metric is marked.'}", quote=True)
    svg = (
        f'<svg class="waveform" viewBox="0 0 {WIDTH:g} {height:g}" role="img" aria-labelledby="{name}-title">'
        f'<title id="{name}-title">{label}</title>{"".join(pieces)}</svg>'
    )
    return Waveforms(picture.title, Markup(svg), tuple(marks), picture.adverse is not None)


def _hiding(run: Run, signals: Sequence[str]) -> str:
    """The class of a trace, the last of these, that would hide another nearly everywhere: it is dotted."""
    own = _values(run, signals[-1])
    height = float(np.ptp(own)) or 1.0
    alike = (np.mean(np.abs(own - _values(run, other)) <= LINE * height) > HIDDEN for other in signals[:-1])
    return " hiding" if any(alike) else ""


def _values(run: Run, signal: str) -> FloatArray:
    return np.asarray(run.signals[signal].values, dtype=np.float64)


def _range(picture: Picture, signals: Sequence[str]) -> tuple[float, float]:
    """Lowest and highest value drawn, with a margin for rings and numbers."""
    runs = [run for run in (picture.nominal, picture.adverse) if run is not None]
    values = [end for run in runs for signal in signals for end in _ends(_values(run, signal))]
    low, high = min(values), max(values)
    margin = 0.12 * (high - low) or 0.1 * abs(high) or 1.0
    return low - margin, high + margin


def _ends(values: FloatArray) -> tuple[float, float]:
    return float(np.min(values)), float(np.max(values))


def _legend(pieces: list[str], title: str, signals: Sequence[tuple[str, str]], top: float) -> float:
    """The panel's title and its signals with their colours; returns y of the panel's upper edge."""
    title = title.replace("\n", " ")
    x, y = 2.0, top + 10
    pieces.append(f'<text x="{x:g}" y="{y:g}" class="strong">{escape(title)}</text>')
    x += LETTER * 1.1 * len(title) + 8
    for signal, style in signals:
        text = texts.words(signal)
        width = 20 + LETTER * len(text)
        if x + width > WIDTH and x > LEFT:
            x, y = 12.0, y + LEGEND_LINE
        pieces.append(
            f'<path class="trace {style} nominal" d="M{x:.1f} {y - 3.5:.1f}h13"/>'
            f'<text x="{x + 16:.1f}" y="{y:g}">{escape(text)}</text>'
        )
        x += width + 8
    return y + 9


def _ticks(low: float, high: float) -> tuple[list[float], int]:
    """Round values between two ends, and how many decimals they need: steps of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / TICKS
    decade = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * decade for factor in (1, 2, 5, 10) if factor * decade >= rough * 0.999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [number * step for number in range(first, last + 1)], decimals


def _axes(pieces: list[str], panel: _Panel, factor: float) -> None:
    """Frame, level grid lines with their values, upright ones without."""
    right, bottom = WIDTH - RIGHT, panel.top + PANEL
    levels, decimals = _ticks(panel.low, panel.high)
    grid = "".join(f"M{LEFT:g} {panel.y(level):.1f}H{right:g}" for level in levels)
    times, _ = _ticks(0.0, panel.last * factor)
    grid += "".join(f"M{panel.x(time / factor):.1f} {panel.top:g}V{bottom:g}" for time in times)
    pieces.append(f'<path class="grid" d="{grid}"/>')
    for level in levels:
        text = f"{level + 0.0:.{decimals}f}".replace("-", "−")
        pieces.append(f'<text class="tick" x="{LEFT - 4:g}" y="{panel.y(level) + 3.5:.1f}">{text}</text>')
    pieces.append(f'<path class="frame" d="M{LEFT:g} {panel.top:g}V{bottom:g}H{right:g}"/>')


def _time_axis(pieces: list[str], panel: _Panel, unit: str, factor: float) -> None:
    times, decimals = _ticks(0.0, panel.last * factor)
    y = panel.top + PANEL + 13
    for time in times:
        pieces.append(f'<text class="time" x="{panel.x(time / factor):.1f}" y="{y:g}">{time:.{decimals}f}</text>')
    name = "µs" if unit == "us" else unit
    pieces.append(f'<text class="time" x="{(LEFT + WIDTH - RIGHT) / 2:g}" y="{y + 14:g}">time [{name}]</text>')


def _trace(panel: _Panel, run: Run, signal: str, colour: str, style: str) -> str:
    assert run.axis is not None  # the run is ok and its signals were asked for
    time, values = thinned(run.axis.values, _values(run, signal), MOST_POINTS)
    inside = time <= panel.last
    points = np.column_stack([panel.x(time[inside]), panel.y(values[inside])]).round(1)
    path = " ".join(f"{x:g} {y:g}" for x, y in _corners(points))
    return f'<path class="trace {colour} {style}" d="M{path}"/>'


def _corners(points: FloatArray) -> list[tuple[float, float]]:
    """Points without those that lie, within ``STRAIGHT``, on the line from the last one kept to the next kept.

    One pass: of a line from the last point kept, the slopes that still pass all points since. Time never runs back.
    """
    kept = [(float(points[0, 0]), float(points[0, 1]))]
    last, low, high = kept[0], -math.inf, math.inf
    for x, y in points[1:].tolist():
        (x0, y0) = kept[-1]
        slope = (y - y0) / (x - x0) if x > x0 else math.inf
        if not low <= slope <= high and last != kept[-1]:
            kept.append(last)
            (x0, y0), low, high = last, -math.inf, math.inf
        if x > x0:
            low, high = max(low, (y - STRAIGHT - y0) / (x - x0)), min(high, (y + STRAIGHT - y0) / (x - x0))
        else:  # upright: the next point begins another line
            low, high = math.inf, -math.inf
        last = (x, y)
    return [*kept, last]


def _marks(pieces: list[str], marks: list[str], panel: _Panel, picture: Picture, signals: Sequence[str]) -> None:
    """A ring where each metric was taken, with the number of its line below the picture."""
    run = picture.nominal
    assert run.axis is not None
    taken: list[tuple[float, float]] = []
    for (instant, name), rows in sorted(by_instant(picture.rows, signals, run).items()):
        x = panel.x(instant)
        level = float(np.interp(instant, run.axis.values, _values(run, name)))
        y = panel.y(level)
        numbers = []
        for row in rows:
            if row["metric"] == "holdup_time":
                _stretch(pieces, panel, row)
            marks.append(_line(row, level))
            numbers.append(str(len(marks)))
        pieces.append(f'<circle class="ring" cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>')
        at = _free(panel, taken, x, y)
        taken.append(at)
        pieces.append(f'<text class="mark" x="{at[0]:.1f}" y="{at[1]:.1f}">{", ".join(numbers)}</text>')


def _free(panel: _Panel, taken: Sequence[tuple[float, float]], x: float, y: float) -> tuple[float, float]:
    """A place about a ring that no other number has and that lies in the panel."""
    places = [(x + dx, y + dy + 4) for dy in (-REACH, REACH, -2 * REACH, 2 * REACH, 0) for dx in (REACH, -REACH, 0)]
    inside = [
        (u, v) for u, v in places if LEFT + 6 < u < WIDTH - RIGHT - 6 and panel.top + 8 < v < panel.top + PANEL - 2
    ]
    free = [(u, v) for u, v in inside if all(abs(u - a) > 14 or abs(v - b) > 11 for a, b in taken)]
    return (free or inside or places)[0]


def _stretch(pieces: list[str], panel: _Panel, row: Mapping[str, Any]) -> None:
    start, stop = (float(panel.x(end)) for end in row["window"])
    pieces.append(
        f'<rect class="stretch" x="{start:.1f}" y="{panel.top:g}" width="{stop - start:.1f}" height="{PANEL:g}"/>'
    )


def _line(row: Mapping[str, Any], level: float) -> str:
    """What a mark says; where the trace is of several pieces and the metric of one, that too."""
    at = texts.pretty(engineering(row["at"], "s"))
    of_all = f" (one piece; the trace is all of them, {texts.value(abs(level), row['unit'])})"
    is_piece = is_of_pieces(abs(level), row["value"]) if row["value"] else False
    return f"{texts.of(row)} {texts.value(row['value'], row['unit'])} at {at}{of_all if is_piece else ''}"
