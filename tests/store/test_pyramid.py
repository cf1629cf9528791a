"""No level of the pyramid loses an extreme, and views read what the samples say."""

from __future__ import annotations

import numpy as np
import pytest
from example_runs import a_run, run_id
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.contracts import Axis, Run, Signal
from harness.store.pyramid import FEWEST_BINS, FIRST_BIN, GROWTH, build
from harness.store.runs import read_run
from harness.store.views import read_envelope, read_window, signal_names
from netlists.errors import StoreError


@given(samples=st.integers(0, 40_000), seed=st.integers(0, 2**32 - 1), spikes=st.integers(0, 20))
@settings(max_examples=60, deadline=None)
def test_no_level_loses_an_extreme(samples, seed, spikes):
    random = np.random.default_rng(seed)
    time = np.cumsum(random.exponential(1e-8, samples))
    values = random.normal(size=samples).astype("f4")
    if samples:
        values[random.integers(0, samples, spikes)] *= 1e6
    levels = build(time, values)
    assert bool(levels) == (samples > FEWEST_BINS)
    for number, level in enumerate(levels):
        bin_size = FIRST_BIN * GROWTH**number
        edges = np.arange(0, samples, bin_size)
        assert np.array_equal(level.starts, time[edges])
        assert np.array_equal(level.low, np.minimum.reduceat(values, edges))
        assert np.array_equal(level.high, np.maximum.reduceat(values, edges))
        assert (level.low.min(), level.high.max()) == (values.min(), values.max())


def test_values_that_are_no_numbers_hide_nothing_else():
    values = np.full(1000, np.nan, dtype="f4")
    values[40] = 3.0
    (level,) = build(np.arange(1000.0), values)
    assert (level.low[1], level.high[1]) == (3.0, 3.0)
    assert np.isnan(level.low[0])


@pytest.fixture(scope="module")
def long_run():
    return a_run(samples=200_000)  # four chunks


def test_a_window_is_what_the_samples_say(store, long_run):
    path = store(long_run)
    time = long_run.axis.values
    stored = read_run(path, signals=["v(bulk)"]).run.signals["v(bulk)"].values
    edges = [-1.0, 0.0, *time[[0, 1, 65535, 65536, 131071, 199_999]], time[70_000] + 1e-12, 1.0]
    for start in edges:
        for stop in edges:
            inside = (time >= start) & (time <= stop)
            found_time, found = read_window(path, "v(bulk)", start, stop)
            assert np.array_equal(found_time, time[inside])
            assert np.array_equal(found, stored[inside])


def test_equal_instants_across_a_chunk_edge_are_all_found(store):
    time = np.repeat(np.arange(4.0), 40_000)
    run = Run(run_id("steps"), "ok", Axis("time", "s", time), {"x": Signal("x", "V", "", "voltage", "", time)})
    found_time, found = read_window(store(run), "x", 1.0, 2.0)
    assert len(found_time) == 80_000
    assert set(found) == {1.0, 2.0}


def test_an_envelope_holds_the_extremes(store, long_run):
    path = store(long_run)
    time = long_run.axis.values
    stored = read_run(path, signals=["i(BR1)"]).run.signals["i(BR1)"].values
    for bins, most in ((50, 100_000 / 256 + 2), (500, 100_000 / 32 + 2), (50_000, 100_000)):
        start, low, high = read_envelope(path, "i(BR1)", time[50_000], time[149_999], bins)
        assert bins <= len(start) <= most
        assert (low.min(), high.max()) <= (stored[50_000:150_000].min(), stored[50_000:150_000].max())
        assert high.max() >= stored[50_000:150_000].max()
        assert start[0] <= time[50_000]


def test_without_a_pyramid_the_samples_are_the_envelope(store, long_run):
    path = store(long_run, pyramid=False)
    start, low, high = read_envelope(path, "v(bulk)", 0.0, 1.0, 10)
    assert len(start) == 200_000
    assert np.array_equal(low, high)


def test_complex_signals_have_a_window_but_no_envelope(store):
    gain = np.array([1j, 2.0, 3.0])
    axis = Axis("frequency", "Hz", np.array([1.0, 10.0, 100.0]))
    path = store(Run(run_id("ac"), "ok", axis, {"gain": Signal("gain", "1", "", "voltage", "", gain)}))
    assert signal_names(path) == ("gain",)
    assert read_window(path, "gain", 0.5, 10.0)[1].tolist() == [1j, 2.0]
    with pytest.raises(StoreError, match="complex"):
        read_envelope(path, "gain", 0.5, 10.0, 10)


def test_names_of_signals_and_unknown_ones(store):
    path = store()
    assert signal_names(path) == ("v(bulk)", "i(BR1)")
    with pytest.raises(StoreError, match="no signal 'v'; allowed"):
        read_window(path, "v", 0.0, 1.0)
    empty = store(Run(run_id("none"), "failed", None, {}))
    assert signal_names(empty) == ()
    with pytest.raises(StoreError, match="allowed: nothing"):
        read_window(empty, "v", 0.0, 1.0)
