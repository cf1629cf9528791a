"""A picture of a capture over a run: both courses with the capture's uncertainty, and what remains below them."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from harness.contracts import FloatArray
from harness.judge.captured import Compared, Overlaid, amplitude_band
from harness.show.plots import thinned
from harness.show.run_plot import DASHED, TIME_UNITS
from harness.store.export import write_whole
from harness.stored import SHORT
from netlists.quantity import engineering

MEASURED, SIMULATED, REMAINING = "#b8860b", "#1f4e6b", "#8a3b12"
MARGIN = 0.02  # of the window, shown of either course beyond it


def draw_overlay(compared: Compared, file: Path) -> None:
    """Draws both on the run's time into a PNG file, whole or not at all.

    Raises
    ------
    StoreError : the file cannot be written
    """
    channel, found = compared.channel, compared.found
    length = max(abs(found.start), abs(found.stop))
    unit, factor = next((name, factor) for least, name, factor in TIME_UNITS if length >= least)
    figure = Figure(figsize=(9, 6), layout="constrained")
    figure.suptitle(_title(compared), fontsize=10)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.4, 1))
    time, values = _within(compared.measured, found)
    course, level = thinned(time, values)
    band = amplitude_band(channel, level)
    spread = f"{channel.gain * 100:.3g} % and {engineering(channel.offset, channel.unit)}"
    upper.fill_between(
        course * factor, level - band, level + band, color=MEASURED, alpha=0.25, linewidth=0, label=f"good to {spread}"
    )
    upper.plot(course * factor, level, color=MEASURED, linewidth=1.1, label="measured")
    course, level = thinned(*_within(compared.reference, found))
    upper.plot(course * factor, level, color=SIMULATED, linewidth=1.3, linestyle=DASHED, label="simulated")
    upper.set_ylabel(f"{channel.signal.replace('_', ' ')} [{channel.unit}]")
    inside = (time >= found.start) & (time <= found.stop)
    course, level = thinned(time[inside], (values - np.interp(time, *compared.reference))[inside])
    lower.plot(course * factor, level, color=REMAINING, linewidth=1.0)
    lower.axhline(0, color="#777777", linewidth=0.7)
    lower.set_ylabel(f"remaining [{channel.unit}]")
    lower.set_xlabel(f"time of the run [{unit}]")
    for axis in (upper, lower):
        axis.grid(alpha=0.25)
        axis.ticklabel_format(useOffset=False)
    edge = MARGIN * (found.stop - found.start)
    lower.set_xlim((found.start - edge) * factor, (found.stop + edge) * factor)
    upper.legend(loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.2, ncols=3, fontsize=8, frameon=False)
    image = io.BytesIO()
    figure.savefig(image, dpi=110, format="png")
    write_whole(file, image.getvalue())


def _within(waveform: tuple[FloatArray, FloatArray], found: Overlaid) -> tuple[FloatArray, FloatArray]:
    """What of a waveform is drawn: the window and a margin."""
    edge = MARGIN * (found.stop - found.start)
    inside = (waveform[0] >= found.start - edge) & (waveform[0] <= found.stop + edge)
    return waveform[0][inside], waveform[1][inside]


def _title(compared: Compared) -> str:
    lines = (
        f"{compared.capture.record}, {compared.capture.instance}: {compared.study}, {compared.condition}",
        f"capture {compared.capture.name} over run {compared.run_id[:SHORT]}, aligned by {compared.method}",
    )
    return "\n".join(lines).replace("$", r"\$")
