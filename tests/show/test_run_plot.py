"""Pictures of one run: the window and signals asked for, extremes kept, labels apart from each other."""

from __future__ import annotations

import io
import itertools
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from demonstration import Checked
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from matplotlib.figure import Figure
from matplotlib.text import Annotation
from stored_runs import a_run, failed_run, stored

from harness.show import plots, run_plot
from harness.show.panels import usual_signals
from harness.show.run_plot import draw_stretch
from harness.show.stretch import Stretch, read_stretch
from harness.store import files
from harness.stored import Measured, find_run, measured
from netlists.errors import DamagedRunError, OptionError, StoreError

VALUES = st.floats(-1e6, 1e6, width=32)


@settings(max_examples=60, deadline=None)
@given(values=arrays(np.float64, st.integers(2, 400), elements=VALUES), most=st.integers(4, 40))
def test_extremes_survive_thinning(values: np.ndarray, most: int) -> None:
    """The lowest and the highest of the whole and of any stretch of two strides, at their own instants, ends too."""
    time = np.cumsum(np.random.default_rng(values.size).uniform(0.1, 1, values.size))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plots, "MOST_POINTS", most)
        kept_time, kept = plots.thinned(time, values)
    assert kept.size <= most + 4  # the ends, and a last stretch that is not full
    positions = np.searchsorted(time, kept_time)
    assert np.array_equal(time[positions], kept_time)
    assert np.array_equal(values[positions], kept)
    assert (kept_time[0], kept_time[-1]) == (time[0], time[-1])
    assert (kept.min(), kept.max()) == (values.min(), values.max())
    stride = max(1, -(-2 * values.size // most))
    for start in range(0, values.size - 2 * stride, stride):
        inside = (positions >= start) & (positions < start + 2 * stride)
        part = values[start : start + 2 * stride]
        assert (kept[inside].min(), kept[inside].max()) == (part.min(), part.max())


def test_a_single_spike_among_a_million_samples_is_drawn() -> None:
    time, values = np.linspace(0, 1, 1_000_000), np.zeros(1_000_000)
    values[654_321] = 1.0
    kept_time, kept = plots.thinned(time, values)
    assert kept.size <= plots.MOST_POINTS + 4
    assert kept_time[np.argmax(kept)] == time[654_321]


# --- what is read


@pytest.fixture
def run(tmp_path: Path) -> Measured:
    """A hold-up of 0.2 s, with its metric at 115 ms."""
    return measured(stored(tmp_path))


def test_usual_signals_and_the_whole_run_if_nothing_is_said(run: Measured) -> None:
    stretch = read_stretch(run, usual=usual_signals("holdup"))
    assert [trace.name for trace in stretch.traces] == ["bulk_voltage", "line_voltage", "line_current"]
    assert (stretch.start, stretch.stop) == (stretch.first, stretch.last)
    assert stretch.stop == pytest.approx(0.2)
    assert usual_signals("unknown") == []
    assert len(read_stretch(run, usual=["none of these"]).traces) == 4


def test_a_window_reaches_both_of_its_ends(run: Measured) -> None:
    stretch = read_stretch(run, signals=["bulk_voltage"], start="100 ms", stop="0.12")
    (trace,) = stretch.traces
    assert (stretch.start, stretch.stop) == (0.1, 0.12)
    assert trace.time[0] < 0.1 <= trace.time[1]
    assert trace.time[-2] <= 0.12 < trace.time[-1]
    assert [metric.name for metric in stretch.metrics] == ["holdup_time"]
    assert read_stretch(run, stop="100ms").metrics == ()
    assert read_stretch(run, start="-1", stop="5 s").stop == pytest.approx(0.2)  # cut to the run
    between = read_stretch(run, signals=["bulk_voltage"], start="100.000 ms", stop="100.001 ms").traces[0]
    assert between.time.size >= 2  # shorter than a step, and still a line


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"start": "0.1", "stop": "0.1"}, "must end after it starts, found 100 ms and 100 ms; the run covers"),
        ({"start": "20 ms", "stop": "10 ms"}, "must end after it starts, found 20 ms and 10 ms"),
        ({"start": "1 s"}, "--from: 1 s is not before the run's end; the run covers .* to 200 ms"),
        ({"start": "1", "stop": "2"}, "--from: 1 s is not before"),
        ({"stop": "-1ms"}, "--to: -1 ms is not after the run's start"),
        ({"start": "ten"}, '--from: must be a value in s such as "12 ms", found "ten"'),
        ({"stop": "5 V"}, '--to: must be a value in s such as "12 ms", found "5 V"'),
        ({"stop": "1e999"}, "--to: must be finite"),
        ({"signals": ["bulk_volts"]}, 'no signal "bulk_volts"; allowed: bulk_voltage, .*; nearest: bulk_voltage'),
        ({"signals": ["", " "]}, "--signals: must name at least one; allowed: bulk_voltage"),
    ],
)
def test_what_cannot_be_drawn_is_one_line(run: Measured, asked: dict[str, Any], said: str) -> None:
    with pytest.raises(OptionError, match=said) as caught:
        read_stretch(run, **asked)
    assert "\n" not in str(caught.value)


def test_a_run_without_waveforms(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"kept no waveforms \(failed\), nothing to draw"):
        read_stretch(measured(stored(tmp_path, failed_run())))


def test_only_the_chunks_of_the_window_are_read(tmp_path: Path) -> None:
    """A chunk that is damaged is no obstacle to a window that lies in another, and is noticed by one that needs it."""
    path = stored(tmp_path, a_run(samples=200_000))
    image = bytearray(files.unseal(path.read_bytes(), path))
    with h5py.File(io.BytesIO(bytes(image)), "r") as file:
        chunk = file["waveforms/transient/bulk_voltage"].id.get_chunk_info(2)
    image[chunk.byte_offset + chunk.size // 2] ^= 0xFF
    path.write_bytes(files.seal(bytes(image)))
    run = measured(path, verify=False)
    assert read_stretch(run, start="0", stop="50 ms").traces[0].time.size > 40_000
    with pytest.raises(DamagedRunError):
        read_stretch(run, start="0", stop="150 ms")


# --- what is drawn


def drawn(stretch: Stretch, file: Path, monkeypatch: pytest.MonkeyPatch, width: float = 9.0) -> Figure:
    """The figure that went into a file."""
    figures: list[Figure] = []
    monkeypatch.setattr(run_plot, "Figure", lambda **given: figures.append(Figure(**given)) or figures[-1])
    draw_stretch(stretch, file, width=width)
    assert file.read_bytes().startswith(b"\x89PNG")
    assert list(file.parent.glob(".*")) == []
    return figures[0]


def notes(figure: Figure) -> list[Annotation]:
    return [text for axis in figure.axes for text in axis.texts if isinstance(text, Annotation) and text.get_text()]


@pytest.mark.parametrize("width", [4.5, 9.0, 16.0])
@pytest.mark.parametrize(("study", "metric"), [("inrush", "inrush_peak"), ("line_ripple", "bulk_ripple")])
def test_panels_units_and_labels_apart(
    checked: Checked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, study: str, metric: str, width: float
) -> None:
    row = next(row for row in checked.json["metrics"] if row["metric"] == metric)
    run = measured(find_run(checked.results, row["run_id"][:12]), verify=False)
    stretch = read_stretch(run, usual=usual_signals(study))
    figure = drawn(stretch, tmp_path / "x.png", monkeypatch, width)
    assert {axis.get_ylabel() for axis in figure.axes} == {"current [A]", "voltage [V]"}
    assert figure.axes[-1].get_xlabel() == "time [ms]"
    text = "\n".join(note.get_text() for note in notes(figure))
    for found in stretch.metrics:
        assert found.name.replace("_", " ") in text
    boxes = [note.get_window_extent() for note in notes(figure)]
    assert not any(one.overlaps(other) for one, other in itertools.combinations(boxes, 2))
    for axis in figure.axes:
        legend = axis.get_legend()
        assert legend is not None
        assert not any(legend.get_window_extent().overlaps(box) for box in boxes)


def test_a_ring_sits_on_the_trace_and_a_line_stands_where_it_is_not_drawn(
    run: Measured, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    figure = drawn(read_stretch(run, signals=["bulk_voltage"]), tmp_path / "ring.png", monkeypatch)
    (note,) = notes(figure)
    assert note.get_text() == "holdup time bulk 75 ms"
    assert note.xy == pytest.approx((115.0, 250.0), rel=1e-6)
    figure = drawn(read_stretch(run, signals=["thermistor_temperature"]), tmp_path / "line.png", monkeypatch)
    assert figure.axes[0].get_ylabel() == "temperature [degC]"
    (note,) = notes(figure)
    assert note.xy[0] == pytest.approx(115.0)
    assert any(line.get_linestyle() == ":" for line in figure.axes[0].get_lines())


@pytest.mark.parametrize(("stop", "unit"), [(0.5e-3, "us"), (0.2, "ms"), (3.0, "s")])
def test_the_time_axis_has_a_fitting_unit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stop: float, unit: str
) -> None:
    run = measured(stored(tmp_path, a_run(stop=stop), record="cheap $ and $ cheerful"))
    figure = drawn(read_stretch(run), tmp_path / "x.png", monkeypatch)
    assert figure.axes[-1].get_xlabel() == f"time [{unit}]"
    assert figure.axes[-1].get_xlim()[1] == pytest.approx(stop * {"s": 1, "ms": 1e3, "us": 1e6}[unit])


def test_a_picture_that_cannot_be_written(run: Measured, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    with pytest.raises(StoreError, match=r"x\.png: cannot be written"):
        draw_stretch(read_stretch(run), tmp_path / "taken" / "x.png")
    (tmp_path / "folder.png").mkdir()
    with pytest.raises(StoreError, match=r"folder\.png: cannot be written"):
        draw_stretch(read_stretch(run), tmp_path / "folder.png")
    assert list(tmp_path.glob(".folder*")) == []
