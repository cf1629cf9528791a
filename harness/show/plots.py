"""Pictures of stored runs, with each metric marked where it was taken. Computes nothing."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
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
from harness.store import runs
from harness.store.views import signal_names
from netlists.errors import StoreError
from netlists.quantity import engineering

# Of a two-switch forward converter.
FORWARD_VOLTAGES = ("high_voltage", "forward_voltage", "freewheel_voltage")
FORWARD_CURRENTS = ("primary_current", "clamp_low_current", "forward_current")
# Of a flyback; its regulated rail is a.
FLYBACK_VOLTAGES = ("switch_voltage", "rectifier_voltage_a")
FLYBACK_CURRENTS = ("magnetising_current", "switch_current", "rectifier_current_a")
# A buck's phases are a0, a1 (first rail), b0 (second), a corrector's 0, 1; the first of each is drawn.
STEADY_PANELS = (
    ("voltage [V]", ("high_voltage_a0", "low_voltage_a0", "high_voltage_b0", "low_voltage_b0", "low_voltage_0",
                     "free_voltage_0", *FORWARD_VOLTAGES, *FLYBACK_VOLTAGES)),
    ("current [A]", ("choke_current_a0", "high_current_a0", "choke_current_b0", "high_current_b0", "choke_current_0",
                     "low_current_0", "free_current_0", *FORWARD_CURRENTS, *FLYBACK_CURRENTS)),
    ("output [V]", ("output_voltage_a", "load_voltage_a", "output_voltage_b", "load_voltage_b", "bus_voltage")),
)  # fmt: skip
# Panels of each study: title and the signals drawn in it, all of one unit.
PANELS: Mapping[str, Sequence[tuple[str, tuple[str, ...]]]] = {
    "inrush": (("line current [A]", ("line_current",)), ("bulk voltage [V]", ("bulk_voltage",))),
    "hot_restart": (("line current [A]", ("line_current",)), ("bulk voltage [V]", ("bulk_voltage",))),
    "held_relay": (("current [A]", ("line_current", "contact_current")), ("bulk voltage [V]", ("bulk_voltage",))),
    "relay_closing": (("current [A]", ("line_current", "contact_current")), ("bulk voltage [V]", ("bulk_voltage",))),
    "relay_late": (("current [A]", ("line_current", "contact_current")), ("bulk voltage [V]", ("bulk_voltage",))),
    "relay_stuck": (("bulk voltage [V]", ("bulk_voltage",)), ("current [A]", ("line_current", "rectified_current"))),
    "x_capacitor": (("line current [A]", ("line_current",)), ("capacitor voltage [V]", ("capacitor_voltage",))),
    "line_ripple": (
        ("bulk voltage [V]", ("bulk_voltage",)),
        ("current [A]", ("line_current", "rectified_current", "source_current", "load_current")),
    ),
    "steady": STEADY_PANELS,
    "worst_instant": STEADY_PANELS,
    "holdup": (("voltage [V]", ("bulk_voltage", "line_voltage")), ("line current [A]", ("line_current",))),
}
# Of a row about a node of an output network, instead of the study's panels: every signal whose name begins so.
NETWORK_NODE = re.compile(r" (bank|filter|connector)$")
NETWORK_PANELS = (
    ("current [A]", ("branch_current_", "connector_current_")),
    ("output [V]", ("output_voltage_", "bank_voltage_", "filter_voltage_", "connector_voltage_")),
)
NETWORK_COLOURS = ("#1f4e6b", "#8a3b12", "#c46f2a", "#b8860b", "#6a4c93", "#2f7f78", "#b0476a", "#9a9a9a")
# The signals a metric's mark may sit on, of which the one that has its value is taken; metrics that are means or
# integrals have no instant and no mark.
MARKED: Mapping[str, str | tuple[str, ...]] = {
    "inrush_peak": "line_current",
    "hot_restart_peak": "line_current",
    "held_relay_peak": "line_current",
    "held_relay_contact_peak": "contact_current",
    "relay_closing_peak": "line_current",
    "relay_closing_contact": "contact_current",
    "relay_late_peak": "line_current",
    "relay_late_contact": "contact_current",
    "x_capacitor_spike": "line_current",
    "bulk_voltage_peak": "bulk_voltage",
    "bulk_ripple": "bulk_voltage",
    "bulk_voltage_trough": "bulk_voltage",
    "rectifier_current_peak": "rectified_current",
    "holdup_time": "bulk_voltage",
    "switch_voltage_peak": (
        "high_voltage_a0",
        "high_voltage_b0",
        "low_voltage_a0",
        "low_voltage_b0",
        "low_voltage_0",
        "high_voltage",
        "switch_voltage",
    ),
    "diode_voltage_peak": (
        "low_voltage_a0",
        "low_voltage_b0",
        "free_voltage_0",
        "forward_voltage",
        "freewheel_voltage",
        "rectifier_voltage_a",
    ),
    "primary_current_peak": "primary_current",
    "switch_current_peak": ("high_current_a0", "high_current_b0", "low_current_0", "switch_current"),
    "diode_current_peak": ("free_current_0", "rectifier_current_a"),
    "magnetising_current_peak": "magnetising_current",
    "choke_current_peak": ("choke_current_a0", "choke_current_b0", "choke_current_0"),
    "output_ripple": ("output_voltage_a", "output_voltage_b", "bus_voltage"),
}
RAIL = re.compile(r"_([ab])[0-9]?$")  # how the signals of a buck's rails end
SAME_LEVEL = 0.02  # of a metric's value: a signal that close at its instant is the one it was taken from
COLOURS = {
    "high_voltage": "#1f4e6b",
    "forward_voltage": "#b8860b",
    "freewheel_voltage": "#8a3b12",
    "primary_current": "#6a4c93",
    "clamp_low_current": "#2f7f78",
    "forward_current": "#b8860b",
    "high_voltage_a0": "#1f4e6b",
    "low_voltage_a0": "#8a3b12",
    "high_voltage_b0": "#2f7f78",
    "low_voltage_b0": "#b0476a",
    "low_voltage_0": "#1f4e6b",
    "free_voltage_0": "#8a3b12",
    "choke_current_a0": "#1f4e6b",
    "high_current_a0": "#b8860b",
    "choke_current_b0": "#2f7f78",
    "high_current_b0": "#b0476a",
    "choke_current_0": "#1f4e6b",
    "low_current_0": "#b8860b",
    "free_current_0": "#8a3b12",
    "switch_voltage": "#1f4e6b",
    "rectifier_voltage_a": "#8a3b12",
    "magnetising_current": "#1f4e6b",
    "switch_current": "#b8860b",
    "rectifier_current_a": "#8a3b12",
    "output_voltage_a": "#5b7c2f",
    "load_voltage_a": "#9a9a9a",
    "output_voltage_b": "#6a4c93",
    "load_voltage_b": "#3b3b3b",
    "bus_voltage": "#5b7c2f",
    "line_current": "#8a3b12",
    "rectified_current": "#b8860b",
    "load_current": "#5b7c2f",
    "bulk_voltage": "#1f4e6b",
    "line_voltage": "#9a9a9a",
    "source_current": "#b8860b",
    "contact_current": "#6a4c93",
    "capacitor_voltage": "#1f4e6b",
}
ADVERSE_ALPHA = 0.45
MOST_POINTS = 6000  # a picture shows no more; extremes of each stretch are kept


def draw(assessment: Assessment, results: Path, folder: Path) -> list[Path]:
    """One PNG for each instance, study and condition: the nominal run and, fainter, the adverse one.

    Raises
    ------
    StoreError : a stored run or the folder cannot be used
    """
    groups: dict[tuple[str, str, str], list[Mapping[str, Any]]] = defaultdict(list)
    for row in assessment.metrics:
        if row["run_id"] and row["metric"] in MARKED:
            structure = " ".join((f"{row['condition']['line_voltage']:g} V", *row["condition"]["structure"].values()))
            groups[row["instance"], f"{row['condition']['label']} {structure}", row["condition"]["study"]].append(row)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{folder}: cannot be made a folder for plots: {error.strerror}") from error
    files = []
    for (instance, label, study), rows in groups.items():
        name = re.sub(r"[^a-z0-9]+", "-", f"{assessment.record} {instance} {study} {label}".lower()).strip("-")
        figure = _figure(assessment, rows, results, study)
        file = folder / f"{name}.png"
        try:
            figure.savefig(file, dpi=110)
        except OSError as error:
            raise StoreError(f"{file}: cannot be written: {error.strerror}") from error
        plt.close(figure)
        files.append(file)
    return files


def _figure(assessment: Assessment, rows: Sequence[Mapping[str, Any]], results: Path, study: str) -> Figure:
    path = runs.run_path(results, rows[0]["run_id"])
    kept = signal_names(path)
    panels = [(title, tuple(name for name in names if name in kept)) for title, names in PANELS[study]]
    if any(NETWORK_NODE.search(row["subject"]) for row in rows):
        panels = [(title, tuple(name for name in kept if name.startswith(begins))) for title, begins in NETWORK_PANELS]
    panels = [(title, names) for title, names in panels if names]  # a regulated bus has no line current of its own
    figure, axes = plt.subplots(len(panels), 1, sharex=True, figsize=(9, 6), layout="constrained", squeeze=False)
    names = tuple(name for _, signals in panels for name in signals)
    unit, factor = time_unit(rows[0]["window"][1])
    nominal = runs.read_run(path, signals=names).run
    panels = [(title, _of_one_rail(rows, signals, nominal)) for title, signals in panels]
    adverse_id = next((row["adverse"]["run_id"] for row in rows if row["adverse"]["run_id"]), None)
    adverse = runs.read_run(runs.run_path(results, adverse_id), signals=names).run if adverse_id else None
    for axis, (title, signals) in zip(axes[:, 0], panels, strict=True):
        if adverse is not None and adverse_id != rows[0]["run_id"]:
            _traces(axis, adverse, signals, factor, alpha=ADVERSE_ALPHA, style="--", suffix=", adverse ends")
        _traces(axis, nominal, signals, factor, alpha=1.0, style="-", suffix="")
        for (instant, name), marked in _by_instant(rows, signals, nominal).items():
            _mark(axis, instant, name, marked, nominal, factor)
        axis.set_ylabel(title)
        axis.grid(alpha=0.25)
        axis.legend(loc="upper left", bbox_to_anchor=(1.0, 1.02), fontsize=8, frameon=False)
    axes[-1, 0].set_xlabel(f"time [{unit}]")
    condition = rows[0]["condition"]
    line = f"{condition['line_voltage']:g} V"
    line += f" {condition['line_frequency']:g} Hz" if condition["supply"] == "mains" else " dc"
    figure.suptitle(
        f"{assessment.record}, {rows[0]['instance']}: {study.replace('_', ' ')}, {condition['label']}, {line}, "
        f"{condition['output_power']:g} W",
        fontsize=10,
    )
    return figure


def _of_one_rail(rows: Sequence[Mapping[str, Any]], signals: tuple[str, ...], run: Run) -> tuple[str, ...]:
    """Of two rails simulated together, the signals of the one whose values the rows have."""
    marked = [
        name
        for row in rows
        if not isinstance(MARKED[row["metric"]], str) and row["metric"] != "output_ripple" and row["at"] is not None
        if (name := marked_signal(row, tuple(run.signals), run)) is not None
    ]
    rails = {match.group(1) for name in marked if (match := RAIL.search(name))}
    if len(rails) != 1:
        return signals
    return tuple(name for name in signals if not (match := RAIL.search(name)) or match.group(1) in rails)


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


def thinned(time: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """At most about MOST_POINTS points of a signal, the lowest and highest of every stretch among them."""
    stride = -(-2 * time.size // MOST_POINTS)
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
    if NETWORK_NODE.search(row["subject"]):
        nodes = [name for name in signals if "_voltage_" in name]
        swings = {name: float(np.ptp(np.asarray(run.signals[name].values, dtype=np.float64))) for name in nodes}
        near = [name for name, swing in swings.items() if abs(swing - row["value"]) < SAME_LEVEL * row["value"]]
        return near[0] if near else None
    if row["metric"] == "output_ripple":
        return drawn[0] if drawn else None
    for name in drawn:
        level = abs(float(np.interp(row["at"], run.axis.values, run.signals[name].values)))
        if abs(level - row["value"]) < SAME_LEVEL * row["value"]:
            return name
    return None


def _by_instant(
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


def _mark(axis: Axes, instant: float, name: str, rows: Sequence[Mapping[str, Any]], run: Run, factor: float) -> None:
    """A ring at the instant of metrics, with their names and values; hold-up also shows its stretch."""
    assert run.axis is not None  # the run is ok and its signals were asked for
    level = float(np.interp(instant, run.axis.values, run.signals[name].values))
    axis.plot([instant * factor], [level], "o", markersize=8, markerfacecolor="none", color="#222222")
    for row in rows:
        if row["metric"] == "holdup_time":
            start, stop = row["window"]
            axis.axvspan(start * factor, stop * factor, color="#d9c27a", alpha=0.35, linewidth=0)
    text = "\n".join(f"{row['metric'].replace('_', ' ')} {engineering(row['value'], row['unit'])}" for row in rows)
    right = instant > 0.6 * run.axis.values[-1]
    axis.annotate(
        text, (instant * factor, level), xytext=(-10 if right else 10, 10), textcoords="offset points", fontsize=8,
        ha="right" if right else "left", bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 1},
    )  # fmt: skip
