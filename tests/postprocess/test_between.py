"""Figures between two cursors: against closed forms, and the same however the samples come in pieces."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.postprocess.between import between, magnitude, phase
from harness.postprocess.waveform import mean, rms, window


def sine(samples: int = 200_001) -> tuple[np.ndarray, np.ndarray]:
    """A sine of amplitude 3 upon 2, 5 periods in 1 s, steps of every length."""
    time = np.concatenate(([0.0], np.cumsum(np.random.default_rng(1).exponential(1.0, samples - 1))))
    time /= time[-1]
    return time, 2 + 3 * np.sin(2 * np.pi * 5 * time)


def test_a_sine_has_its_textbook_figures() -> None:
    """Mean the offset, RMS the root of offset squared and half the amplitude squared, of whole periods."""
    time, values = sine()
    found = between([(time, values)], 0.2, 0.8)
    assert found is not None
    assert found.mean == pytest.approx(2, abs=1e-6)
    assert found.rms == pytest.approx(np.sqrt(4 + 4.5), rel=1e-6)
    assert found.peak_to_peak == pytest.approx(6, rel=1e-6)
    assert found.highest_at % 0.2 == pytest.approx(0.05, abs=1e-3)
    assert found.lowest_at % 0.2 == pytest.approx(0.15, abs=1e-3)


def test_uneven_steps_count_by_their_time() -> None:
    """Of a step that lasts a tenth, crowded with samples, the mean is a tenth: a mean of samples would say half."""
    time = np.concatenate((np.linspace(0, 0.1, 1000), [0.1, 1.0]))
    values = np.concatenate((np.ones(1000), [0.0, 0.0]))
    found = between([(time, values)], 0.0, 1.0)
    assert found is not None
    assert found.mean == pytest.approx(0.1)
    assert found.rms == pytest.approx(np.sqrt(0.1))
    assert found.samples == 1002


@given(cuts=st.lists(st.integers(0, 500), max_size=6), ends=st.tuples(st.floats(-0.2, 1.2), st.floats(-0.2, 1.2)))
@settings(max_examples=80, deadline=None)
def test_pieces_are_the_same_as_the_whole(cuts: list[int], ends: tuple[float, float]) -> None:
    time, values = sine(501)
    start, stop = min(ends), max(ends)
    borders = [0, *sorted(cuts), 501]
    pieces = [(time[a:b], values[a:b]) for a, b in itertools.pairwise(borders)]
    found, whole = between(pieces, start, stop), between([(time, values)], start, stop)
    if whole is None:
        assert found is None
        assert stop < 0 or start > 1
        return
    assert found is not None
    for name in ("start", "stop", "first", "last", "mean", "rms", "lowest", "highest", "lowest_at", "highest_at"):
        assert getattr(found, name) == pytest.approx(getattr(whole, name), rel=1e-9, abs=1e-12), name
    assert found.samples == whole.samples == np.count_nonzero((time >= start) & (time <= stop))
    if whole.stop - whole.start > 1e-6:  # as the post-processors take them
        stretch = window(time, values, whole.start, whole.stop)
        assert (found.mean, found.rms) == pytest.approx((mean(*stretch), rms(*stretch)), rel=1e-9)
        assert (found.first, found.last) == pytest.approx((stretch[1][0], stretch[1][-1]))
        assert (found.lowest, found.highest) == (stretch[1].min(), stretch[1].max())


def test_one_instant_is_its_value() -> None:
    found = between([(np.array([0.0, 1.0]), np.array([0.0, -4.0]))], 0.5, 0.5)
    assert found is not None
    assert (found.first, found.mean, found.rms, found.peak_to_peak) == (-2.0, -2.0, 2.0, 0.0)


def test_no_number_spoils_only_what_it_is_in() -> None:
    found = between([(np.arange(4.0), np.array([1.0, np.nan, 3.0, 2.0]))], 0.0, 3.0)
    assert found is not None
    assert (found.lowest, found.highest) == (1.0, 3.0)
    assert np.isnan(found.mean)


def test_a_first_order_lag_as_magnitude_and_phase() -> None:
    """1 / (1 + j w / w0): 3 dB and 45 degrees at its corner, no jump where three lags pass 180 degrees."""
    ratio = np.logspace(-2, 2, 401)
    lag = 1 / (1 + 1j * ratio)
    assert magnitude(lag)[200] == pytest.approx(1 / np.sqrt(2))
    assert phase(lag)[200] == pytest.approx(-45)
    assert phase(lag**3)[-1] == pytest.approx(3 * np.degrees(-np.arctan(100)))
