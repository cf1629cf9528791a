"""Time-weighted arithmetic on non-uniform steps, against closed forms and against itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.postprocess import holdup, inrush, ripple, stress, waveform

RNG = np.random.default_rng(65)


def uneven_time(stop: float, points: int) -> np.ndarray:
    """Steps that vary a hundredfold, as a simulator's do."""
    steps = RNG.uniform(0.01, 1.0, points)
    time = np.concatenate([[0.0], np.cumsum(steps)])
    return time * stop / time[-1]


def test_straight_signal_is_exact() -> None:
    time = uneven_time(2.0, 50)
    assert waveform.mean(time, 3 * time) == pytest.approx(3.0, rel=1e-12)
    # integral of (3 t)^2 from 0 to 2 is 24
    assert waveform.integral_of_square(time, 3 * time) == pytest.approx(24.0, rel=1e-12)


def test_sine_over_whole_periods() -> None:
    time = uneven_time(0.04, 40_000)
    sine = 325.0 * np.sin(2 * math.pi * 50 * time)
    assert waveform.rms(time, sine) == pytest.approx(325.0 / math.sqrt(2), rel=1e-5)  # chord error of the steps
    assert waveform.mean(time, sine) == pytest.approx(0.0, abs=325e-5)


def test_a_plain_mean_of_points_would_be_wrong() -> None:
    """Points crowd where a simulator works hard: weighting by time is what makes the mean right."""
    time = np.concatenate([np.linspace(0, 0.1, 1000), np.linspace(0.1001, 1.0, 10)])
    values = np.where(time <= 0.1, 10.0, 0.0)
    assert np.mean(values) > 9
    assert waveform.mean(time, values) == pytest.approx(1.0, rel=1e-3)


def test_window_interpolates_its_ends() -> None:
    time = np.array([0.0, 1.0, 2.0, 3.0])
    stretch, part = waveform.window(time, 10 * time, 0.5, 2.25)
    assert stretch.tolist() == [0.5, 1.0, 2.0, 2.25]
    assert part.tolist() == [5.0, 10.0, 20.0, 22.5]


@pytest.mark.parametrize(("start", "stop"), [(-1.0, 1.0), (1.0, 5.0), (2.0, 2.0), (2.0, 1.0)])
def test_window_outside_is_refused(start: float, stop: float) -> None:
    with pytest.raises(ValueError, match="window"):
        waveform.window(np.array([0.0, 1.0, 3.0]), np.zeros(3), start, stop)


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=60), st.floats(0.05, 0.45), st.floats(0.55, 0.95))
def test_mean_and_rms_stay_between_extremes(values: list[float], start: float, stop: float) -> None:
    time = np.linspace(0, 1, len(values))
    stretch, part = waveform.window(time, np.array(values), start, stop)
    assert part.min() - 1e-9 <= waveform.mean(stretch, part) <= part.max() + 1e-9
    assert waveform.rms(stretch, part) <= np.abs(part).max() * (1 + 1e-9) + 1e-150


@given(st.floats(0.1, 0.9), st.floats(1.5, 50.0))
def test_splitting_a_window_adds_up(cut: float, frequency: float) -> None:
    time = np.linspace(0, 1, 2001)
    values = np.sin(2 * np.pi * frequency * time)
    whole = waveform.integral_of_square(time, values)
    first = waveform.integral_of_square(*waveform.window(time, values, 0.0, cut))
    second = waveform.integral_of_square(*waveform.window(time, values, cut, 1.0))
    assert first + second == pytest.approx(whole, rel=2e-4)  # the new point at the cut straightens one chord


def test_crossing_is_interpolated() -> None:
    time = np.array([0.0, 1.0, 2.0])
    falling = np.array([10.0, 8.0, 4.0])
    assert waveform.crossing_below(time, falling, 6.0, 0.0) == pytest.approx(1.5)
    assert waveform.crossing_below(time, falling, 3.0, 0.0) is None
    assert waveform.crossing_below(time, falling, 12.0, 0.0) == 0.0
    assert waveform.crossing_below(time, falling, 9.0, 1.2) == pytest.approx(1.2)


def test_crossing_before_the_start_does_not_count() -> None:
    time = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    dips = np.array([10.0, 2.0, 10.0, 10.0, 0.0])
    assert waveform.crossing_below(time, dips, 5.0, 2.0) == pytest.approx(3.5)


def test_capacitor_discharge_gives_hold_up_by_the_energy_balance() -> None:
    """100 W from 57.14 uF between 400 and 300 V lasts 20 ms (published as 57.1 uF, see check-values; read)."""
    capacitance, power = 57.142857e-6, 100.0
    time = uneven_time(0.03, 3000)
    voltage = np.sqrt(np.maximum(400.0**2 - 2 * power * time / capacitance, 0.0))
    metric = holdup.holdup_time("bulk", time, voltage, 0.0, 300.0)
    assert metric is not None
    assert metric.value == pytest.approx(0.020, rel=1e-6)
    assert metric.window == (0.0, metric.at)
    assert holdup.holdup_time("bulk", time[:100], voltage[:100] + 50, 0.0, 300.0) is None


def test_holdup_ends_where_the_load_cuts_out_though_no_sample_lies_at_the_end_voltage() -> None:
    """A lock-out opens between two samples; without its current the ESR's drop is gone and the voltage rises."""
    time = np.linspace(0, 0.02, 201)
    is_out = time > 0.01
    voltage = np.where(is_out, 302.0, 400.0 - 9990.0 * time)
    current = np.where(is_out, 0.0, 1.0)
    assert holdup.holdup_time("bulk", time, voltage, 0.0, 300.0) is None
    metric = holdup.holdup_time("bulk", time, voltage, 0.0, 300.0, current)
    assert metric is not None
    assert metric.value == pytest.approx(0.01, abs=1.1e-4)
    assert holdup.holdup_time("bulk", time[:90], voltage[:90], 0.0, 300.0, current[:90]) is None


def test_rc_charge_gives_inrush_peak_and_i2t() -> None:
    """A dc step into R and C: peak V/R, I2t = C V^2 / (2 R) (energy in R is half of C V^2; closed form)."""
    v, r, c = 325.27, 10.0, 220e-6
    time = uneven_time(10 * r * c, 20_000)
    current = v / r * np.exp(-time / (r * c))
    assert inrush.inrush_peak("line", time, current, time[-1]).value == pytest.approx(v / r)
    i2t = inrush.inrush_i2t("F1", time, current, float(time[-1]))
    assert i2t.value == pytest.approx(c * v**2 / (2 * r), rel=1e-4)
    assert (i2t.unit, i2t.at) == ("A2s", None)


def test_ripple_marks_the_trough() -> None:
    time = np.linspace(0, 0.02, 2001)
    voltage = 100 + 5 * np.cos(2 * np.pi * 100 * time)
    metric = ripple.ripple("bulk_ripple", "bulk", time, voltage, 0.0, 0.01)
    assert metric.value == pytest.approx(10.0, rel=1e-6)
    assert metric.at == pytest.approx(0.005, abs=1e-5)
    low = ripple.trough("bulk_voltage_trough", "bulk", time, voltage, 0.0, 0.01)
    assert (low.value, low.at) == (pytest.approx(95.0), metric.at)
    assert ripple.drift("bulk_drift", "bulk", time, voltage, 0.01).value == pytest.approx(0.0, abs=1e-9)
    assert ripple.drift("bulk_drift", "bulk", time, voltage + 50 * time, 0.01).value == pytest.approx(0.5)


def test_peak_counts_both_signs_and_highest_only_one() -> None:
    time = np.linspace(0, 1, 5)
    values = np.array([0.0, 3.0, 0.0, -4.0, 0.0])
    assert stress.peak("x", "y", "A", time, values, 0.0, 1.0).value == 4.0
    assert stress.highest("x", "y", "A", time, values, 0.0, 1.0).value == 3.0
    assert stress.peak("x", "y", "A", time, values, 0.0, 1.0).at == 0.75
