"""No view loses the extreme of its window, whichever level it is from and however uneven the steps are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from example_runs import run_id
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.contracts import Axis, Run, Signal
from harness.store import views
from harness.store.runs import read_run, write_run
from harness.store.zoom import course_of, read_courses
from netlists.errors import StoreError

SAMPLES = 150_000  # three chunks, levels of 32, 256 and 2048


def steps(kind: str, samples: int) -> np.ndarray:
    """Time steps [s] of every sort that a simulator leaves."""
    random = np.random.default_rng(7)
    if kind == "even":
        return np.full(samples, 1e-8)
    if kind == "uneven":
        return random.exponential(1e-8, samples)
    found = random.uniform(0.5e-9, 1.5e-9, samples)  # bursts of short steps, and now and then a very long one
    found[::1000] = 1e-5
    found[random.integers(0, samples, 40)] = 0.0
    found[60_000:60_200] = 5e-6
    return found


@pytest.fixture(scope="module", params=["even", "uneven", "bursts"])
def waveform(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, np.ndarray, np.ndarray]:
    """A run's file, its time and its values as stored: noise with a few peaks of one sample each."""
    random = np.random.default_rng(11)
    time = np.cumsum(steps(request.param, SAMPLES))
    values = random.normal(size=SAMPLES) + np.sin(np.arange(SAMPLES) / 9000)
    values[random.integers(0, SAMPLES, 60)] *= 100
    run = Run(run_id(request.param), "ok", Axis("time", "s", time), {"x": Signal("x", "V", "", "voltage", "", values)})
    path = write_run(tmp_path_factory.mktemp("zoom"), run, (), postprocess_version="1", provenance={}, parameters={})
    stored = read_run(path, signals=["x"]).run
    assert stored.axis is not None
    return path, stored.axis.values, stored.signals["x"].values


@given(
    first=st.integers(0, SAMPLES - 1), length=st.sampled_from([0, 1, 2, 40, 700, 9_000, 70_000, SAMPLES]),
    part=st.floats(0, 1), columns=st.integers(1, 900),
)  # fmt: skip
@settings(max_examples=120, deadline=None)
def test_no_view_loses_an_extreme_nor_invents_one(waveform, first, length, part, columns) -> None:
    """Against the samples of the window and the line's own values at its ends, exactly; every window, every width."""
    path, time, values = waveform
    last = min(first + length, SAMPLES - 1)
    step = time[min(last + 1, SAMPLES - 1)] - time[last]
    start, stop = time[first] - part * (time[first] - time[max(first - 1, 0)]), time[last] + (part * step or 1e-12)
    if stop <= start:
        return
    course = read_courses(path, ["x"], start, stop, columns)["x"]
    inside = values[(time >= start) & (time <= stop)]
    ends = np.interp([at for at in (start, stop) if time[0] <= at <= time[-1]], time, values)
    truth = np.concatenate((inside, ends))
    assert np.all(np.diff(course.axis) >= 0)
    assert start <= course.axis[0]
    assert course.axis[-1] <= stop
    assert course.values.max() == pytest.approx(truth.max(), rel=1e-12)
    assert course.values.min() == pytest.approx(truth.min(), rel=1e-12)
    assert {inside.max(), inside.min()} <= set(course.values)
    assert len(course.axis) <= 2 * columns + 2


def test_each_column_keeps_its_own_extremes(waveform) -> None:
    """Not the window's alone: of every column of the picture, to within the column beside it."""
    path, time, values = waveform
    start, stop, columns = time[100], time[-100], 300
    course = read_courses(path, ["x"], start, stop, columns)["x"]
    width = (stop - start) / columns
    column = np.clip(((time - start) / width).astype(int), 0, columns - 1)
    drawn = ((course.axis - start) / width).astype(int)
    for index in range(columns):
        own = values[(column == index) & (time >= start) & (time <= stop)]
        if len(own):
            near = course.values[np.abs(drawn - index) <= 1]
            assert near.max() >= own.max()
            assert near.min() <= own.min()


def test_a_window_of_samples_is_the_samples(waveform) -> None:
    path, time, values = waveform
    course = read_courses(path, ["x"], time[500], time[600], 4000)["x"]
    assert np.isin(values[500:601], course.values).all()
    assert np.isin(course.axis, time[500:601]).all()


def test_of_a_long_run_little_is_read(waveform, monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole of it in 20 columns: bins of the pyramid, and no chunk of samples but at the ends."""
    path, time, _ = waveform
    read: list[int] = []
    whole = views.read_window(path, "x", time[0], time[-1])
    assert len(whole[0]) == SAMPLES
    import h5py

    original = h5py.Dataset.__getitem__

    def counted(self, key, *rest):
        found = original(self, key, *rest)
        read.append(np.size(found))
        return found

    monkeypatch.setattr(h5py.Dataset, "__getitem__", counted)
    course = read_courses(path, ["x"], time[0], time[-1], 20)["x"]
    assert len(course.axis) <= 42
    steps_are_long = path.stem == run_id("bursts")
    assert sum(read) < (SAMPLES if steps_are_long else SAMPLES / 5)


def test_columns_on_an_axis_of_frequency_are_equal_ratios() -> None:
    frequency = np.logspace(0, 6, 6001)
    values = np.sin(np.arange(6001.0))
    course = course_of(frequency, values, 1.0, 1e6, 60, logarithmic=True)
    decades = np.histogram(np.log10(course.axis), bins=6, range=(0, 6))[0]
    assert decades.min() >= 19
    assert (course.values.min(), course.values.max()) == (values.min(), values.max())


def test_what_cannot_be_drawn_is_refused(tmp_path: Path) -> None:
    signal = {"x": Signal("x", "V", "", "voltage", "", np.arange(3.0))}
    back = Run(run_id("back"), "failed", Axis("time", "s", np.array([0.0, 2.0, 1.0])), signal)
    given = {"postprocess_version": "1", "provenance": {}, "parameters": {}}
    with pytest.raises(StoreError, match="runs back"):
        read_courses(write_run(tmp_path, back, (), **given), ["x"], -1.0, 3.0, 10)
    gain = {"g": Signal("g", "1", "", "voltage", "", np.array([1j, 2.0]))}
    swept = Run(run_id("ac"), "ok", Axis("frequency", "Hz", np.array([1.0, 10.0])), gain)
    with pytest.raises(StoreError, match="complex"):
        read_courses(write_run(tmp_path, swept, (), **given), ["g"], 1.0, 10.0, 10)


def test_a_line_that_begins_and_ends_in_the_window_does_so_there(waveform) -> None:
    path, time, values = waveform
    course = read_courses(path, ["x"], time[0] - 1e-3, time[-1] + 1e-3, 50)["x"]
    assert (course.axis[0], course.axis[-1]) == (time[0], time[-1])
    assert (course.values[0], course.values[-1]) == (values[0], values[-1])
    at_hand = course_of(time, values, time[0] - 1e-3, time[-1] + 1e-3, 50)
    assert (at_hand.axis[0], at_hand.axis[-1]) == (time[0], time[-1])
    beyond = read_courses(path, ["x"], time[-1] + 1e-3, time[-1] + 2e-3, 50)["x"]
    assert len(beyond.axis) == len(course_of(time, values, time[-1] + 1e-3, time[-1] + 2e-3, 50).axis) == 0


def test_values_that_are_no_numbers_hide_nothing_else() -> None:
    values = np.array([np.nan, 3.0, np.nan, np.nan, -1.0, np.nan])
    course = course_of(np.arange(6.0), values, 0.0, 5.0, 2)
    assert (np.nanmin(course.values), np.nanmax(course.values)) == (-1.0, 3.0)
