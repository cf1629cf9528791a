"""A picture of a fit: the capture, the run at the values found and as recorded, what remains."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from harness.contracts import FloatArray
from harness.judge.fitted import FittedCapture
from harness.postprocess.fit_quality import autocorrelation
from harness.show.capture_plot import MEASURED, REMAINING, SIMULATED
from harness.show.plots import thinned
from harness.show.run_plot import DASHED, TIME_UNITS
from harness.show.table import short_path
from harness.store.export import write_whole
from harness.stored import SHORT
from netlists.quantity import engineering

RECORDED = "#7a7a7a"
LAGS = 60  # samples of the correlogram
WHITE = 1.96  # deviations: of white residuals one in twenty lies beyond


def draw_fit(found: FittedCapture, file: Path) -> None:
    """Draws a PNG or SVG, whole or not at all, by the file's ending.

    Raises
    ------
    StoreError : the file cannot be written
    """
    time = found.measured.time
    length = max(abs(float(time[0])), abs(float(time[-1])))
    unit, factor = next((name, factor) for least, name, factor in TIME_UNITS if length >= least)
    figure = Figure(figsize=(9, 8), layout="constrained")
    figure.suptitle(_title(found), fontsize=10)
    upper, middle, lower = figure.subplots(3, 1, height_ratios=(2.4, 1.2, 1))
    middle.sharex(upper)
    _courses(upper, found, factor)
    _residuals(middle, found, factor)
    middle.set_xlabel(f"time of the run [{unit}]")
    _correlogram(lower, found)
    for axis in (upper, middle, lower):
        axis.grid(alpha=0.25)
        axis.ticklabel_format(useOffset=False)
    image = io.BytesIO()
    figure.savefig(image, dpi=110, format=file.suffix.lower().removeprefix("."))
    write_whole(file, image.getvalue())


def _courses(axis: Axes, found: FittedCapture, factor: float) -> None:
    start, stop = float(found.measured.time[0]), float(found.measured.time[-1])
    course, level = thinned(found.measured.time, found.measured.values)
    axis.plot(course * factor, level, color=MEASURED, linewidth=1.1, label="measured")
    for one, color, style, name in (
        (found.recorded, RECORDED, ":", "simulated as recorded"),
        (found.fitted, SIMULATED, DASHED, "simulated at the values found, with gain and offset"),
    ):
        inside = (one.time >= start) & (one.time <= stop)
        values = one.values if one is found.recorded else (1 + found.terms[1]) * one.values + found.terms[2]
        course, level = thinned(one.time[inside], values[inside])
        axis.plot(course * factor, level, color=color, linewidth=1.3, linestyle=style, label=name)
    axis.set_ylabel(f"{found.channel.signal.replace('_', ' ')} [{found.channel.unit}]")
    axis.set_xlim(start * factor, stop * factor)
    _legend_above(axis)


def _residuals(axis: Axes, found: FittedCapture, factor: float) -> None:
    course, level = thinned(found.measured.time, residual_of(found))
    axis.plot(course * factor, level, color=REMAINING, linewidth=0.8)
    axis.axhline(0, color="#777777", linewidth=0.7)
    noise = WHITE * found.reading.noise
    axis.axhspan(-noise, noise, color=MEASURED, alpha=0.2, linewidth=0, label="95 % of the noise neighbours show")
    axis.set_ylabel(f"residual [{found.channel.unit}]")
    _legend_above(axis)


def _legend_above(axis: Axes) -> None:
    axis.legend(loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.2, ncols=3, fontsize=8, frameon=False)


def _correlogram(axis: Axes, found: FittedCapture) -> None:
    own = autocorrelation(residual_of(found))[: LAGS + 1]
    axis.vlines(np.arange(1, len(own)), 0, own[1:], color=REMAINING, linewidth=1.2)
    bound = WHITE / np.sqrt(len(found.measured.time))
    axis.axhspan(-bound, bound, color=RECORDED, alpha=0.2, linewidth=0, label="95 % of white residuals")
    axis.axhline(0, color="#777777", linewidth=0.7)
    axis.set_ylim(min(-0.2, float(own.min()) * 1.1), max(0.4, float(own[1:].max()) * 1.1))
    axis.set_xlim(0, len(own))
    axis.set_ylabel("correlation")
    axis.set_xlabel("samples between two residuals")
    _legend_above(axis)


def residual_of(found: FittedCapture) -> FloatArray:
    """Measured less simulated at the values found, gain and offset taken in."""
    fitted = (1 + found.terms[1]) * found.fitted.on(found.measured.time) + found.terms[2]
    return np.asarray(found.measured.values - fitted)


def _title(found: FittedCapture) -> str:
    instance = found.capture.instance
    values = ", ".join(
        f"{short_path(one.input.path, instance)} = {engineering(one.value, one.input.unit)}"
        f"{'' if one in found.offered else ' (not offered)'}" for one in found.values
    )  # fmt: skip
    lines = (
        f"{found.capture.record}, {instance}: {found.study}, {found.condition}",
        f"capture {found.capture.name} over run {found.run_id[:SHORT]}: {values}",
    )
    return "\n".join(lines).replace("$", r"\$")
