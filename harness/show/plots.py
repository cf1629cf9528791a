"""Pictures of stored runs, with each metric marked where it was taken. Computes nothing."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from harness.contracts import FloatArray, Run
from harness.judge.assess import Assessment
from harness.show.marks import is_of_pieces
from harness.show.panels import COLOURS, MARKED, NETWORK_COLOURS, Panels, is_network_node, network_panels, panels_of
from harness.store import runs
from harness.store.views import signal_names
from netlists.errors import StoreError
from netlists.quantity import engineering

RAIL = re.compile(r"_([ab])[0-9]$|^(?:output|load)_voltage_([ab])$")  # how the signals of a buck's rails end
SAME_LEVEL = 0.02  # of a metric's value: a signal that close at its instant is the one it was taken from
PANEL = 1.9  # least height of a panel [inch]
FEW_PANELS, CROWDED_MARGIN = 3, 0.5  # of more panels each is low, and its labels stand above or below the traces
TOGETHER = 0.01  # of a picture's length: marks this close share a label
ADVERSE_ALPHA = 0.45
MOST_POINTS = 6000  # a picture shows no more; extremes of each stretch are kept


@dataclass(frozen=True)
class Picture:
    """What one picture shows.

    Parameters
    ----------
    title : record, instance, study and condition in one line
    rows : of the assessment, all of one run
    panels : title with its unit, and the signals drawn in it
    nominal, adverse : the runs drawn; no adverse one where it was not simulated
    """

    title: str
    rows: tuple[Mapping[str, Any], ...]
    panels: Panels
    nominal: Run
    adverse: Run | None


def draw(assessment: Assessment, results: Path, folder: Path) -> list[Path]:
    """One PNG for each instance, study and condition: the nominal run and, fainter, the adverse one.

    Raises
    ------
    StoreError : a stored run or the folder cannot be used
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{folder}: cannot be made a folder for plots: {error.strerror}") from error
    files = []
    for name, rows in grouped(assessment.record, assessment.metrics).items():
        figure = _figure(read_picture(assessment.record, rows, results))
        file = folder / f"{name}.png"
        try:
            figure.savefig(file, dpi=110)
        except OSError as error:
            raise StoreError(f"{file}: cannot be written: {error.strerror}") from error
        plt.close(figure)
        files.append(file)
    return files


def grouped(record: str, rows: Iterable[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    """Name of a picture -> the rows marked in it: those of one instance, study and condition."""
    groups: dict[tuple[str, str, str], list[Mapping[str, Any]]] = defaultdict(list)
    for row in rows:
        if row["run_id"] and row["metric"] in MARKED:
            structure = " ".join((f"{row['condition']['line_voltage']:g} V", *row["condition"]["structure"].values()))
            groups[row["instance"], f"{row['condition']['label']} {structure}", row["condition"]["study"]].append(row)
    return {
        re.sub(r"[^a-z0-9]+", "-", f"{record} {instance} {study} {label}".lower()).strip("-"): found
        for (instance, label, study), found in groups.items()
    }


def read_picture(record: str, rows: Sequence[Mapping[str, Any]], results: Path) -> Picture:
    """The picture of rows that were grouped together, its runs read from the store.

    Raises
    ------
    StoreError : a stored run cannot be used
    """
    study = rows[0]["condition"]["study"]
    path = runs.run_path(results, rows[0]["run_id"])
    kept = signal_names(path)
    of_network = any(is_network_node(row["subject"]) for row in rows)
    panels = network_panels(kept) if of_network else panels_of(study, kept)
    names = tuple(name for _, signals in panels for name in signals)
    nominal = runs.read_run(path, signals=names).run
    panels = [(title, _of_one_rail(rows, signals, nominal)) for title, signals in panels]
    adverse_id = next((row["adverse"]["run_id"] for row in rows if row["adverse"]["run_id"]), None)
    is_drawn = adverse_id is not None and adverse_id != rows[0]["run_id"]
    adverse = runs.read_run(runs.run_path(results, str(adverse_id)), signals=names).run if is_drawn else None
    condition = rows[0]["condition"]
    line = f"{condition['line_voltage']:g} V"
    line += f" {condition['line_frequency']:g} Hz" if condition["supply"] == "mains" else " dc"
    title = (
        f"{record}, {rows[0]['instance']}: {study.replace('_', ' ')}, {condition['label']}, {line}, "
        f"{condition['output_power']:g} W"
    )
    return Picture(title, tuple(rows), panels, nominal, adverse)


def _figure(picture: Picture) -> Figure:
    rows, panels, nominal = picture.rows, picture.panels, picture.nominal
    size = (9, max(6.0, PANEL * len(panels)))
    figure, axes = plt.subplots(len(panels), 1, sharex=True, figsize=size, layout="constrained", squeeze=False)
    unit, factor = time_unit(rows[0]["window"][1])
    crowded = len(panels) > FEW_PANELS
    for axis, (title, signals) in zip(axes[:, 0], panels, strict=True):
        if picture.adverse is not None:
            _traces(axis, picture.adverse, signals, factor, alpha=ADVERSE_ALPHA, style="--", suffix=", adverse ends")
        _traces(axis, nominal, signals, factor, alpha=1.0, style="-", suffix="")
        if crowded:  # room for a label beyond the extremes
            axis.margins(y=CROWDED_MARGIN)
        for spots in _together(by_instant(rows, signals, nominal), rows[0]["window"][1]):
            _mark(axis, spots, nominal, factor, crowded=crowded)
        axis.set_ylabel(title)
        axis.ticklabel_format(axis="y", useOffset=False)  # 19.501 rather than an offset in the corner
        axis.grid(alpha=0.25)
        axis.legend(loc="upper left", bbox_to_anchor=(1.0, 1.02), fontsize=8, frameon=False)
    axes[-1, 0].set_xlabel(f"time [{unit}]")
    figure.suptitle(picture.title, fontsize=10)
    return figure


def _of_one_rail(rows: Sequence[Mapping[str, Any]], signals: tuple[str, ...], run: Run) -> tuple[str, ...]:
    """Of two rails simulated together, the signals of the one whose values the rows have."""
    marked = [
        name
        for row in rows
        if not isinstance(MARKED[row["metric"]], str) and row["metric"] != "output_ripple" and row["at"] is not None
        if (name := marked_signal(row, tuple(run.signals), run)) is not None
    ]
    rails = {_rail(name) for name in marked} - {""}
    if len(rails) != 1:
        return signals
    return tuple(name for name in signals if _rail(name) in rails | {""})


def _rail(signal: str) -> str:
    """Tag of the buck's rail a signal is of; empty where it is of none."""
    match = RAIL.search(signal)
    return "" if match is None else match[1] or match[2]


def time_unit(stop: float) -> tuple[str, float]:
    """Unit for the times of a picture that ends at an instant [s], and how many of it make a second."""
    return ("ms", 1e3) if stop > 1e-3 else ("us", 1e6)


def _traces(
    axis: Axes, run: Run, signals: Sequence[str], factor: float, *, alpha: float, style: str, suffix: str
) -> None:
    assert run.axis is not None  # the run is ok and its signals were asked for
    for place, name in enumerate(signals):
        colour = COLOURS.get(name, NETWORK_COLOURS[place % len(NETWORK_COLOURS)])
        time, values = thinned(run.axis.values, np.asarray(run.signals[name].values, dtype=np.float64))
        label = f"{name.replace('_', ' ')}{suffix}"
        axis.plot(time * factor, values, style, color=colour, alpha=alpha, linewidth=1.2, label=label)


def thinned(time: FloatArray, values: FloatArray, most: int | None = None) -> tuple[FloatArray, FloatArray]:
    """At most about ``most`` (MOST_POINTS) points of a signal, the lowest and highest of every stretch among them."""
    stride = -(-2 * time.size // (most or MOST_POINTS))
    if stride <= 2:
        return time, values
    kept: list[int] = [0]
    for start in range(0, time.size, stride):
        part = values[start : start + stride]
        kept.extend(sorted({start + int(np.argmin(part)), start + int(np.argmax(part))}))
    kept.append(time.size - 1)
    chosen = np.unique(np.array(kept))
    return time[chosen], values[chosen]


def marked_signal(row: Mapping[str, Any], signals: Sequence[str], run: Run) -> str | None:
    """Which of some drawn signals a row's mark sits on; None where its metric has no mark among them.

    Of several candidates it is the one that has the metric's value at its instant; for a ripple, no level, any will do.
    """
    assert run.axis is not None  # the run is ok and its signals were asked for
    candidates = MARKED[row["metric"]]
    if isinstance(candidates, str):
        return candidates if candidates in signals else None
    drawn = [name for name in candidates if name in signals]
    if is_network_node(row["subject"]):
        nodes = [name for name in signals if "_voltage_" in name]
        swings = {name: float(np.ptp(np.asarray(run.signals[name].values, dtype=np.float64))) for name in nodes}
        near = [name for name, swing in swings.items() if abs(swing - row["value"]) < SAME_LEVEL * row["value"]]
        return near[0] if near else None
    if row["metric"] == "output_ripple":
        return drawn[0] if drawn else None
    levels = {name: abs(float(np.interp(row["at"], run.axis.values, run.signals[name].values))) for name in drawn}
    off = {name: _off(level, row["value"]) for name, level in levels.items()}
    best = min(drawn, key=lambda name: off[name], default=None)
    return best if best is not None and math.isfinite(off[best]) else None


def _off(level: float, value: float) -> float:
    """By how much a level misses a value, as a share of it; infinite where it is neither the same nor of pieces."""
    if abs(level - value) < SAME_LEVEL * value:
        return abs(level - value) / value
    return 0.0 if is_of_pieces(level, value) else math.inf


def _together(
    marks: Mapping[tuple[float, str], list[Mapping[str, Any]]], length: float
) -> list[dict[tuple[float, str], list[Mapping[str, Any]]]]:
    """Marks whose labels would lie on each other, put together: closer than a small part of a run's length [s]."""
    found: list[dict[tuple[float, str], list[Mapping[str, Any]]]] = []
    for spot in sorted(marks):
        if not found or spot[0] - max(found[-1])[0] > TOGETHER * length:
            found.append({})
        found[-1][spot] = marks[spot]
    return found


def by_instant(
    rows: Sequence[Mapping[str, Any]], signals: Sequence[str], run: Run
) -> dict[tuple[float, str], list[Mapping[str, Any]]]:
    """Rows whose mark sits on one of these signals of this run, together where they share signal and instant."""
    found: dict[tuple[float, str], list[Mapping[str, Any]]] = defaultdict(list)
    for row in rows:
        if row["at"] is not None and row["run_id"] == run.case_id:
            name = marked_signal(row, signals, run)
            if name is not None:
                found[row["at"], name].append(row)
    return found


def _mark(
    axis: Axes, spots: Mapping[tuple[float, str], Sequence[Mapping[str, Any]]], run: Run, factor: float, *,
    crowded: bool,
) -> None:  # fmt: skip
    """Rings at the instants of metrics, with one label of their names and values; hold-up also shows its stretch.

    Parameters
    ----------
    spots : instant [s] and signal -> rows, all within a label's reach
    crowded : the label goes below a mark in the lower half of the panel, not above it
    """
    assert run.axis is not None  # the run is ok and its signals were asked for
    for instant, name in spots:
        level = float(np.interp(instant, run.axis.values, run.signals[name].values))
        axis.plot([instant * factor], [level], "o", markersize=8, markerfacecolor="none", color="#222222")
    rows = [row for found in spots.values() for row in found]
    for row in rows:
        if row["metric"] == "holdup_time":
            start, stop = row["window"]
            axis.axvspan(start * factor, stop * factor, color="#d9c27a", alpha=0.35, linewidth=0)
    text = "\n".join(f"{row['metric'].replace('_', ' ')} {engineering(row['value'], row['unit'])}" for row in rows)
    right = instant > 0.6 * run.axis.values[-1]
    below = crowded and level < sum(axis.get_ylim()) / 2
    axis.annotate(
        text, (instant * factor, level), xytext=(-10 if right else 10, -10 if below else 10),
        textcoords="offset points", fontsize=8, ha="right" if right else "left", va="top" if below else "baseline",
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 1},
    )  # fmt: skip
