"""The picture of an LLC converter's gain: what is marked where, and that no words lie on each other."""

from __future__ import annotations

import dataclasses
import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from demonstration import KILN
from matplotlib.figure import Figure
from matplotlib.text import Annotation

from harness.handcalc.llc_gain import GainCurve
from harness.plan import llc_gain
from harness.plan.llc_gain import GainChart, gain_chart
from harness.show import gain_plot
from harness.show.gain_plot import draw_chart
from netlists.errors import StoreError
from netlists.record import load_record

FREQUENCIES = np.geomspace(50e3, 260e3, 40)
BUSES = {"low input": 340.0, "nominal input": 380.0, "high input": 390.0}
LOADS = {"full load": 1.0, "half load": 0.5, "light load": 0.1}
STRUCTURE = {"stages.main.bridge": "half"}


def curve(fraction: float) -> GainCurve:
    """A falling gain that is one at 100 kHz; its first harmonic is 5 % higher at 200 kHz, as much lower at 50 kHz."""
    gain = (FREQUENCIES / 100e3) ** (-0.2 - 0.3 * fraction)
    return GainCurve(fraction, FREQUENCIES, gain, gain * (1 + 0.05 * np.log2(FREQUENCIES / 100e3)), 360.0)


CHART = GainChart(
    STRUCTURE, {name: curve(fraction) for name, fraction in LOADS.items()}, 100e3, 60e3, 250e3, BUSES,
    tuple(f"{bus}, {load}" for bus in BUSES for load in LOADS),
)  # fmt: skip


def row(metric: str, value: float | None, label: str, bus: float, fraction: float, **more: Any) -> dict[str, Any]:
    condition = {"label": label, "line_voltage": bus, "load_fraction": fraction, "structure": STRUCTURE, **more}
    return {"metric": metric, "value": value, "condition": condition, "window": [10e-6, 26e-6]}


ROWS = [
    row("switching_frequency", 90e3 + 10e3 * place, f"{bus}, {load}", BUSES[bus], LOADS[load])
    for place, (bus, load) in enumerate(itertools.product(BUSES, LOADS))
]


def drawn(rows: list[dict[str, Any]], file: Path, monkeypatch: pytest.MonkeyPatch, chart: GainChart = CHART) -> Figure:
    """The figure that went into a file."""
    figures: list[Figure] = []
    monkeypatch.setattr(gain_plot, "Figure", lambda **given: figures.append(Figure(**given)) or figures[-1])
    draw_chart(chart, rows, "kiln-900, $main", file)
    assert file.read_bytes().startswith(b"\x89PNG")
    return figures[0]


def marks(figure: Figure) -> set[tuple[float, float, str]]:
    """Frequency [kHz], gain and marker of every mark; the legend's are not among them."""
    return {
        (round(float(x), 6), round(float(y), 6), str(line.get_marker()))
        for line in figure.axes[0].get_lines()
        if line.get_marker() not in ("None", None, "")
        for x, y in [(np.ravel(line.get_xdata())[0], np.ravel(line.get_ydata())[0])]
    }


def test_operating_points_stand_at_their_frequency_and_the_gain_their_bus_needs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lowest = row("lowest_input_voltage", 300.0, "lowest input, full load", 380.0, 1.0)
    figure = drawn([*ROWS, lowest], tmp_path / "gain.png", monkeypatch)
    found = marks(figure)
    for place, (bus, marker) in enumerate(zip(BUSES.values(), "^os", strict=True)):
        for step in range(3):
            assert (90 + 30 * place + 10 * step, round(360 / bus, 6), marker) in found
    assert (62.5, 1.2, "D") in found  # a period of 16 us, 360 V over 300 V
    assert len(found) == 10
    low, high = figure.axes[0].get_ylim()
    assert all(low < gain < high for _, gain, _ in found)
    assert "no steady state" not in figure.get_suptitle()


def test_points_that_were_not_found_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    failed = {**ROWS[3], "value": None}
    other = {**ROWS[4], "condition": {**ROWS[4]["condition"], "structure": {"stages.main.bridge": "full"}}}
    figure = drawn([*ROWS[:3], failed, other, *ROWS[5:8]], tmp_path / "gain.png", monkeypatch)
    assert figure.get_suptitle().endswith(
        "no steady state found: nominal input, full load; nominal input, half load; high input, light load"
    )
    assert len(marks(figure)) == 6


def test_the_first_harmonic_is_named_with_its_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    legend = drawn(ROWS, tmp_path / "gain.png", monkeypatch).axes[0].get_legend()
    assert legend is not None
    (text,) = (text.get_text() for text in legend.get_texts() if "first harmonic" in text.get_text())
    assert text.endswith("off by -3% to +7% between lowest and highest")  # log2 of 0.6 and 2.5, times 5 %


@pytest.mark.parametrize("resonance", [75e3, 100e3, 200e3])
def test_words_lie_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, resonance: float) -> None:
    """Buses 10 V apart and a resonance near the lowest frequency are the hard cases."""
    chart = dataclasses.replace(CHART, resonance=resonance)
    lowest = row("lowest_input_voltage", 300.0, "lowest input, full load", 380.0, 1.0)
    figure = drawn([*ROWS, lowest], tmp_path / "gain.png", monkeypatch, chart)
    axis = figure.axes[0]
    notes = [text for text in axis.texts if isinstance(text, Annotation)]
    assert len(notes) == 7
    boxes = [note.get_window_extent() for note in notes]
    boxes += [axis.get_legend().get_window_extent(), axis.title.get_window_extent()]  # type: ignore[union-attr]
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    width, height = figure.get_size_inches() * figure.dpi
    assert all(box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height for box in boxes)


def test_a_chart_of_the_demonstration_record(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its marks by the parts: 1 / (2 pi sqrt(42 uH 66 nF)); 344 V are 24 V and a threshold over 16 turns at 0.894."""
    monkeypatch.setattr(llc_gain, "gain_curves", lambda params, condition, fractions: tuple(map(curve, fractions)))
    chart = gain_chart(load_record(KILN), "main_24v")
    assert chart.resonance == pytest.approx(1 / (2 * math.pi * math.sqrt(42e-6 * 66e-9)), rel=1e-6)
    assert (chart.lowest, chart.highest) == (65e3, 250e3)
    assert chart.buses == {"low input": 340.0, "nominal input": 390.0, "high input": 410.0}
    assert list(chart.curves) == list(LOADS)
    assert chart.structure["stages.main_24v.bridge"] == "full"
    assert len(chart.labels) == 9


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError):
        draw_chart(CHART, [], "title", tmp_path / "file" / "gain.png")
