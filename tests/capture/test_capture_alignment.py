"""Waveforms laid over each other: known shifts with noise, and numbers against closed forms, numpy and scipy."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp, trapezoid
from scipy.stats import pearsonr

from harness.contracts import Channel, FloatArray
from harness.judge.captured import (
    amplitude_band,
    lag_uncertainty,
    overlaid,
    prediction_uncertainty,
    reading_uncertainty,
)
from harness.judge.uncertainty import combined, combined_uncertainty
from harness.postprocess.alignment import (
    Alignment,
    align_by_correlation,
    align_by_edge,
    aligned_at,
    edge_instant,
    noise_of,
)
from harness.postprocess.overlay import FIGURES, SURGE_FIGURES

# A surge through R and L into C from a direct voltage, overdamped: the textbook's series circuit
VOLTAGE, RESISTANCE, INDUCTANCE, CAPACITANCE = 325.0, 6.0, 1e-3, 150e-6
ALPHA = RESISTANCE / (2 * INDUCTANCE)
LAMBDA = math.sqrt(ALPHA**2 - 1 / (INDUCTANCE * CAPACITANCE))  # 1/s; real, as 6 ohm is above 2 sqrt(L/C)


def surge(time: FloatArray) -> FloatArray:
    """Closed form of the overdamped circuit's current from rest at 0 [A]; 0 before."""
    after = np.maximum(time, 0.0)
    return VOLTAGE / (LAMBDA * INDUCTANCE) * np.exp(-ALPHA * after) * np.sinh(LAMBDA * after)


@functools.cache
def solved() -> tuple[FloatArray, FloatArray]:
    """Time and current of the same by an independent solver: di/dt, dv/dt from rest at 0, over 20 ms."""
    time = np.linspace(0, 0.02, 20_001)
    found = solve_ivp(
        lambda _, state: [(VOLTAGE - RESISTANCE * state[0] - state[1]) / INDUCTANCE, state[0] / CAPACITANCE],
        (0, 0.02), [0.0, 0.0], t_eval=time, rtol=1e-9, atol=1e-9, method="DOP853",
    )  # fmt: skip
    return time, found.y[0]


def uneven(stop: float, count: int, seed: int = 3) -> FloatArray:
    steps = np.random.default_rng(seed).uniform(0.3, 1.7, count)
    return np.concatenate(([0.0], np.cumsum(steps) * stop / np.sum(steps)))


STEP = 7e-6  # s, of the bench
REFERENCE = (uneven(0.02, 3000), surge(uneven(0.02, 3000)))


def bench(shift: float, noise: float, *, gain: float = 1.0, seed: int = 1) -> tuple[FloatArray, FloatArray]:
    """What an instrument would show of the surge that comes at ``shift`` on its time, solved independently."""
    time = np.arange(-2e-3, 15e-3, STEP)
    values = gain * np.interp(time - shift, *solved(), left=0)
    return time, values + np.random.default_rng(seed).normal(0, noise, len(time))


def channel(values: FloatArray, gain: float = 0.03, offset: float = 0.0, signal: str = "line_current") -> Channel:
    return Channel(signal, "A", "Line", values, gain, offset)


def test_the_solver_agrees_with_the_closed_form() -> None:
    time, current = solved()
    assert surge(time) == pytest.approx(current, abs=1e-5)


@settings(max_examples=25, deadline=None)
@given(shift=st.floats(-1e-3, 4e-3), seed=st.integers(0, 10**6), gain=st.floats(0.9, 1.1))
def test_a_known_shift_with_noise_is_found_to_a_fraction_of_a_step(shift: float, seed: int, gain: float) -> None:
    """Within 5 deviations of the Cramer-Rao bound, the part of the gain's pull (see the module) and 2 % of a step."""
    noise = 0.5
    measured = bench(shift, noise, gain=gain, seed=seed)
    found = align_by_correlation(REFERENCE, measured)
    assert found is not None
    bound = noise / math.sqrt(float(np.sum(np.gradient(measured[1], measured[0]) ** 2)))
    assert abs(found.lag + shift) < 5 * bound + 0.02 * STEP + abs(gain - 1) * 2e-5
    assert found.correlation > 0.99


def test_a_shift_without_noise() -> None:
    for shift in (0.0, 1.2345e-3, -0.5e-3):
        found = align_by_correlation(REFERENCE, bench(shift, 0.0))
        assert found is not None
        assert found.lag == pytest.approx(-shift, abs=7e-8)  # 1 % of a step: both are of straight pieces
        assert found.concordance == pytest.approx(1.0, abs=1e-5)


def test_a_step_with_pre_trigger_and_a_periodic_course() -> None:
    """A charging bulk begins where the run does; of a ripple any period is right."""
    time = uneven(0.07, 4000)
    charged = (time, 320 * (1 - np.exp(-time / 2e-3)))
    late = np.arange(-5e-3, 0.03, 5e-6)
    values = 320 * (1 - np.exp(-np.maximum(0, late - 1e-3) / 2e-3)) + np.random.default_rng(2).normal(0, 1, len(late))
    found = align_by_correlation(charged, (late, values))
    assert found is not None
    assert found.lag == pytest.approx(-1e-3, abs=2e-5)
    ripple = (time, 300 + 10 * np.sin(2 * np.pi * 100 * time))
    moved = (late, 300 + 10 * np.sin(2 * np.pi * 100 * (late - 1.7e-3)))
    again = align_by_correlation(ripple, moved)
    assert again is not None
    assert (again.lag + 1.7e-3 + 5e-3) % 10e-3 - 5e-3 == pytest.approx(0, abs=1e-6)
    one = channel(moved[1], 0.03, 2.0)
    lag = again.lag
    uncertain = lag_uncertainty(lambda changed: align_by_correlation(ripple, changed, lag), lag, one, moved)
    assert uncertain < 1e-3  # a tenth of a period, not a whole one, another of which is as good


def test_nothing_to_align_is_said() -> None:
    flat = (np.linspace(0, 1, 100), np.full(100, 3.0))
    assert align_by_correlation(flat, flat) is None
    assert align_by_correlation(REFERENCE, flat) is None  # a hundred samples at a hundred times its length
    assert align_by_edge(flat, flat, 3.0, rising=True) is None
    assert aligned_at(REFERENCE, bench(0, 0), 1.0) == Alignment(1.0, 0.0, 0.0)


def test_concordance_and_correlation_against_scipy() -> None:
    measured = bench(0.4e-3, 0.8, gain=1.3)
    found = aligned_at(REFERENCE, measured, -0.4e-3)
    inside = (measured[0] - 0.4e-3 >= 0) & (measured[0] - 0.4e-3 <= 0.02)
    ours, theirs = np.interp(measured[0][inside] - 0.4e-3, *REFERENCE), measured[1][inside]
    assert found.correlation == pytest.approx(pearsonr(ours, theirs).statistic, rel=1e-9)
    slope, apart = float(np.cov(ours, theirs, bias=True)[0, 1]), float(ours.mean() - theirs.mean())
    assert found.concordance == pytest.approx(2 * slope / (ours.var() + theirs.var() + apart**2), rel=1e-9)
    assert found.concordance < found.correlation  # the gain tells


@pytest.mark.parametrize("rising", [True, False])
def test_an_edge_in_noise_is_met_in_its_middle(rising: bool) -> None:
    sign = 1 if rising else -1
    time = np.arange(0, 1e-3, 1e-7)
    values = sign * 100 * np.clip((time - 4e-4) / 1e-4, -1, 1) + np.random.default_rng(5).normal(0, 2, len(time))
    instant = edge_instant(time, values, 0.0, rising=rising)
    assert instant == pytest.approx(4e-4, abs=1e-6)  # noise alone moves a first crossing by some 4 us
    assert edge_instant(time, values, 0.0, rising=not rising) is None
    assert edge_instant(time, values, 150.0, rising=rising) is None


def test_noise_is_told_from_the_course() -> None:
    for noise in (0.05, 0.5, 2.0):
        assert noise_of(bench(0, noise)[1]) == pytest.approx(noise, rel=0.06)  # 2400 samples: 3 deviations are 6 %
    assert noise_of(bench(0, 0.0)[1]) < 0.01


def test_figures_against_numpy_scipy_and_closed_forms() -> None:
    """I2t of the whole surge is C V^2 / (2 R): half of what the source gives stays in the capacitor, R has the rest."""
    time, values = uneven(0.05, 40_000), surge(uneven(0.05, 40_000))
    i2t = SURGE_FIGURES["surge_i2t"](time, values)
    assert i2t == pytest.approx(CAPACITANCE * VOLTAGE**2 / (2 * RESISTANCE), rel=1e-5)
    assert i2t == pytest.approx(trapezoid(values**2, time), rel=1e-5)
    assert FIGURES["mean"](time, values) == pytest.approx(CAPACITANCE * VOLTAGE / 0.05, rel=1e-5)
    assert FIGURES["rms"](time, values) == pytest.approx(math.sqrt(i2t / 0.05), rel=1e-9)
    instant = math.atanh(LAMBDA / ALPHA) / LAMBDA  # where the derivative is zero
    assert SURGE_FIGURES["surge_peak"](time, -values) == pytest.approx(float(surge(np.array([instant]))[0]), rel=1e-6)
    assert FIGURES["peak_to_peak"](time, values) == pytest.approx(values.max() - values.min())


def laid(gain: float, noise: float, stated: float = 0.03):  # type: ignore[no-untyped-def]
    time, values = bench(1e-3, noise, gain=gain)
    span = (float(REFERENCE[0][0]), 0.0135)
    return overlaid(channel(values, stated), (time - 1e-3, values), REFERENCE, span, (1e-4, 0.0), "inrush", [])


def test_what_is_within_the_stated_gain_agrees_and_what_is_beyond_differs() -> None:
    """An instrument 2 % off is within its 3 %, one 6 % off is not; I2t is off by twice as much."""
    within, beyond = laid(1.02, 0.1), laid(1.06, 0.1)
    assert within.consistent
    assert [row.name for row in beyond.rows if not row.consistent] == ["surge_peak", "surge_i2t", "mean", "rms"]
    by_name = {row.name: row for row in within.rows}
    assert by_name["surge_i2t"].difference / by_name["surge_i2t"].measured == pytest.approx(1 / 1.02**2 - 1, abs=2e-3)
    assert by_name["mean"].difference / by_name["mean"].measured == pytest.approx(1 / 1.02 - 1, abs=2e-3)
    assert by_name["mean"].uncertainty[0] == pytest.approx(
        math.hypot(0.03 * by_name["mean"].measured, 0.003 * by_name["mean"].predicted), rel=0.02
    )


def test_the_remainder_against_numpy() -> None:
    """With 4 % of gain left in it, the remainder is 4 % of the surge: its RMS and largest by plain numpy."""
    found = laid(1.04, 0.0)
    fine = np.linspace(*(found.start, found.stop), 100_001)
    left = 0.04 * surge(fine)
    assert found.left.rms == pytest.approx(math.sqrt(np.mean(left**2)), rel=2e-3)
    assert found.left.largest == pytest.approx(left.max(), rel=2e-3)
    assert found.left.span == pytest.approx(surge(fine).max(), rel=1e-3)


def rms(values: FloatArray) -> float:
    return math.sqrt(np.mean(values**2))


@pytest.mark.parametrize(("name", "gain", "offset", "expected"), [
    ("mean", 0.02, 0.0, lambda x: 0.02 * x.mean()), ("mean", 0.0, 0.5, lambda x: 0.5),
    ("highest", 0.02, 0.5, lambda x: math.hypot(0.02 * x.max(), 0.5)), ("peak_to_peak", 0.0, 0.5, lambda x: 0.0),
    ("peak_to_peak", 0.02, 0.5, lambda x: 0.02 * np.ptp(x)), ("rms", 0.02, 0.0, lambda x: 0.02 * rms(x)),
    ("rms", 0.0, 0.5, lambda x: 0.5 * x.mean() / rms(x)),
])  # fmt: skip
def test_uncertainty_of_a_reading_by_hand(name: str, gain: float, offset: float, expected) -> None:  # type: ignore[no-untyped-def]
    """Law of propagation with derivatives taken by hand (JCGM 100:2008, 5.1.2; from memory)."""
    time = np.linspace(0, 1, 20_001)
    values = 300 + 10 * np.sin(2 * np.pi * 10 * time)
    found = reading_uncertainty(
        name, FIGURES[name], channel(values, gain, offset), (time, values), (0.0, 1.0), (0.0, 0.0), 0.0
    )
    assert found == pytest.approx((expected(values),) * 2, rel=2e-3, abs=1e-9)


def test_noise_lifts_a_peak_by_no_more_than_is_counted() -> None:
    """200 draws of 2000 samples about a flat top: none but a few beyond the bound, which is not far off either."""
    time, rng = np.linspace(0, 1, 2000), np.random.default_rng(11)
    lifted = np.array([rng.normal(0, 1, 2000).max() for _ in range(200)])
    low, high = reading_uncertainty(
        "highest", FIGURES["highest"], channel(time, 0.0), (time, 5 + 0 * time), (0.0, 1.0), (0.0, 0.0), 1.0
    )
    assert high == 0
    assert np.mean(lifted > low) < 0.25
    assert low == pytest.approx(lifted.mean(), rel=0.2)


def test_the_lags_uncertainty_covers_what_gain_does_to_an_edge() -> None:
    time = uneven(0.02, 4000)
    reference = (time, 320 * (1 - np.exp(-time / 2e-3)))
    late = np.arange(-2e-3, 0.015, 5e-6)
    true = 320 * (1 - np.exp(-np.maximum(0, late) / 2e-3))
    one = Channel("bulk_voltage", "V", "Bus", true * 0.98, 0.03, 0.0)
    found = align_by_correlation(reference, (late, one.values))
    assert found is not None
    near = found.lag
    uncertain = lag_uncertainty(
        lambda waveform: align_by_correlation(reference, waveform, near), near, one, (late, one.values)
    )
    assert 0 < abs(found.lag) < uncertain < 0.03 * 2e-3  # an exponential off by g looks moved by g time constants


def test_a_prediction_brings_its_inputs_swings_where_it_is_the_same_number() -> None:
    row = {"metric": "inrush_peak", "value": 40.0, "sensitivities": [
        {"value_low": 37.0, "value_high": 42.0}, {"value_low": 44.0, "value_high": 40.0},
    ]}  # fmt: skip
    (below, above), counted = prediction_uncertainty("line_current", "surge_peak", 40.2, "inrush", [row])
    assert counted == "inputs"
    assert (below, above) == pytest.approx((3.0, math.hypot(2, 4)), rel=0.01)
    (below, above), counted = prediction_uncertainty("line_current", "surge_peak", 30.0, "inrush", [row])
    assert counted == "solver"  # of another stretch: not that number
    assert below == above == pytest.approx(0.003 * 30)


def test_a_reading_that_may_be_low_lifts_the_difference_no_further() -> None:
    """Prediction less truth: truth above its reading lowers it, so the reading's upper side meets the lower one."""
    expected = pytest.approx((math.hypot(3.0, 0.8), math.hypot(1.0, 0.4)))
    assert combined((3.0, 1.0), (0.4, 0.8)) == expected
    assert combined_uncertainty((3.0, 1.0), 8.0, (-0.05, 0.1)) == expected


def test_the_band_of_a_sample() -> None:
    assert amplitude_band(channel(np.array([]), 0.03, 4.0), np.array([-100.0, 0.0])) == pytest.approx([5.0, 4.0])
