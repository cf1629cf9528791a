"""A picture of an LLC converter's gain against frequency, with its operating points as simulated. Computes nothing."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, NullLocator

from harness.judge.assess import Assessment
from harness.plan.llc_gain import GainChart, gain_chart
from harness.plan.plan import kind_of
from harness.store import files
from netlists.quantity import engineering
from netlists.record import SupplyRecord
from netlists.stages.llc import KIND

COLOURS = ("#1f4e6b", "#b8860b", "#8a3b12")  # of the loads
MARKERS = ("^", "o", "s")  # of the inputs
GREY = "#666666"
LABEL = 0.035  # of the gain axis: what a line of text takes
ROOM = 1.12  # of the gain axis above and below what must be seen
TICKS = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)  # of a decade of frequency
Row = Mapping[str, Any]


def draw(assessment: Assessment, record: SupplyRecord, instances: Sequence[str], folder: Path) -> list[Path]:
    """``<record>-<instance>-gain.png`` for every LLC converter among some instances.

    Raises
    ------
    StoreError : a file or the folder cannot be written
    """
    written = []
    for instance in instances:
        if kind_of(record, instance) == KIND:
            file = folder / f"{record.name}-{instance}-gain.png"
            rows = [row for row in assessment.metrics if row["instance"] == instance]
            draw_chart(gain_chart(record, instance), rows, f"{record.name}, {instance}", file)
            written.append(file)
    return written


def draw_chart(chart: GainChart, rows: Sequence[Row], title: str, file: Path) -> None:
    """Draws a chart with the operating points found in an assessment's rows, whole or not at all.

    Raises
    ------
    StoreError : the file cannot be written
    """
    figure = Figure(figsize=(9, 5.5), dpi=110, layout="constrained")
    axis = figure.subplots()
    rows = [row for row in rows if dict(row["condition"]["structure"]) == dict(chart.structure)]
    for colour, (load, curve) in zip(COLOURS, chart.curves.items(), strict=True):
        label = f"{load}, time domain with losses"
        axis.plot(curve.frequencies / 1e3, curve.time_domain, color=colour, linewidth=1.5, label=label)
        axis.plot(curve.frequencies / 1e3, curve.first_harmonic, "--", color=colour, linewidth=0.9, alpha=0.8)
    gains = _operating_points(axis, chart, rows) + _lowest_bus(axis, chart, rows)
    full = next(iter(chart.curves.values()))
    gains += [full.needed_gain(bus) for bus in chart.buses.values()] + [1.0]
    low, high = min(gains) / ROOM, max(gains) * ROOM
    axis.set_ylim(low, high)
    _limits(axis, chart)
    _axes(axis, float(full.frequencies[0]), float(full.frequencies[-1]))
    figure.suptitle(_title(title, chart, rows), fontsize=10)
    _legend(axis, chart)
    image = io.BytesIO()
    figure.savefig(image, format="png")
    files.replace_whole(file, image.getvalue())


def _operating_points(axis: Axes, chart: GainChart, rows: Sequence[Row]) -> list[float]:
    """Marks the frequency found at each input and load at the gain needed there; returns these gains."""
    gains = []
    for marker, (_, bus) in zip(MARKERS, chart.buses.items(), strict=True):
        for colour, curve in zip(COLOURS, chart.curves.values(), strict=True):
            for row in _points(chart, rows):
                condition = row["condition"]
                if (condition["line_voltage"], condition["load_fraction"]) == (bus, curve.load_fraction):
                    gains.append(curve.needed_gain(bus))
                    axis.plot(row["value"] / 1e3, gains[-1], marker, color=colour, markersize=6, zorder=3)
    return gains


def _points(chart: GainChart, rows: Sequence[Row]) -> list[Row]:
    """Rows with the frequency of an operating point."""
    return [
        row
        for row in rows
        if row["metric"] == "switching_frequency"
        and row["condition"]["label"] in chart.labels
        and row["value"] is not None
    ]


def _lowest_bus(axis: Axes, chart: GainChart, rows: Sequence[Row]) -> list[float]:
    """Marks the lowest bus that still regulates, at the frequency of its run; returns the gain there."""
    for row in rows:
        if row["metric"] == "lowest_input_voltage" and row["value"] is not None:
            start, stop = row["window"]  # the run's last period
            curve = next(one for one in chart.curves.values() if one.load_fraction == row["condition"]["load_fraction"])
            at, gain = 1e-3 / (stop - start), curve.needed_gain(row["value"])
            axis.plot(at, gain, "D", color="black", markersize=6, zorder=3)
            axis.annotate(
                f"lowest bus {engineering(row['value'], 'V')}", (at, gain), xytext=(30, 0), textcoords="offset points",
                fontsize=8, va="center", arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.7, "shrinkB": 4},
            )  # fmt: skip
            return [gain]
    return []


def _limits(axis: Axes, chart: GainChart) -> None:
    """The controller's frequencies and the series resonance upright, the gain each input needs level."""
    lines = ((chart.lowest, "lowest", "-"), (chart.highest, "highest", "-"), (chart.resonance, "resonance", ":"))
    for frequency, name, style in lines:
        axis.axvline(frequency / 1e3, linestyle=style, color=GREY, linewidth=1)
        axis.annotate(
            f"{name}\n{engineering(frequency, 'Hz')}", (frequency / 1e3, 1), xycoords=("data", "axes fraction"),
            xytext=(0, 3), textcoords="offset points", fontsize=8, ha="center", color=GREY,
        )  # fmt: skip
    full = next(iter(chart.curves.values()))
    bottom, top = axis.get_ylim()
    below = 1.0
    for name, bus in chart.buses.items():  # rising, so that the gains fall
        gain = full.needed_gain(bus)
        axis.axhline(gain, color=GREY, linewidth=0.6, alpha=0.6)
        below = min((gain - bottom) / (top - bottom), below - LABEL)
        axis.annotate(
            f"{name} {engineering(bus, 'V')}", (1, below), xycoords="axes fraction", xytext=(4, 0),
            textcoords="offset points", fontsize=8, va="center", color=GREY,
        )  # fmt: skip


def _axes(axis: Axes, low: float, high: float) -> None:
    """Frequency in kHz, logarithmic between two ends [Hz]."""
    axis.set_xscale("log")
    axis.set_xlim(low / 1e3, high / 1e3)
    ticks = [factor * 10.0**decade for decade in range(7) for factor in TICKS]
    axis.xaxis.set_major_locator(FixedLocator([tick for tick in ticks if low <= tick * 1e3 <= high]))
    axis.xaxis.set_minor_locator(NullLocator())
    axis.xaxis.set_major_formatter("{x:g}")
    axis.set_xlabel("frequency [kHz]")
    axis.set_ylabel("gain: output seen from the primary over the square wave")
    axis.grid(alpha=0.25)


def _title(title: str, chart: GainChart, rows: Sequence[Row]) -> str:
    found = {row["condition"]["label"] for row in _points(chart, rows)}
    lines = [f"{title}: gain against frequency, operating points as simulated"]
    without = [label for label in chart.labels if label not in found]
    if without:
        lines.append(f"no steady state found: {'; '.join(without)}")
    return "\n".join(lines).replace("$", r"\$")  # a dollar would begin a formula


def _legend(axis: Axes, chart: GainChart) -> None:
    handles, labels = axis.get_legend_handles_labels()
    handles.append(Line2D([], [], linestyle="--", color=GREY, linewidth=0.9))
    errors = [one.first_harmonic_error(chart.lowest, chart.highest) for one in chart.curves.values()]
    low, high = min(error for error, _ in errors), max(error for _, error in errors)
    labels.append(
        "first harmonic, lossless: right at the resonance alone,\n"
        f"off by {low:+.0%} to {high:+.0%} between lowest and highest"
    )
    for marker, name in zip(MARKERS, chart.buses, strict=True):
        handles.append(Line2D([], [], marker=marker, linestyle="", color=GREY, markersize=6))
        labels.append(name)
    axis.legend(handles, labels, loc="upper right", fontsize=8, framealpha=1)
