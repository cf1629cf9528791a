"""Gain of an LLC tank: its curve against an own integration by scipy, and the first harmonic's known error."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from integration.llc_designs import drawn_llc
from scipy.integrate import solve_ivp

from harness.contracts import FloatArray
from harness.handcalc import llc_gain
from harness.handcalc.llc import lumped, output_current, ratio_sum
from harness.handcalc.llc_gain import first_harmonic_curve, gain_curve, gain_curves
from harness.handcalc.llc_search import first_harmonic_gain, regulated
from harness.handcalc.llc_tank import Tank

RESONANCE, IMPEDANCE, REFLECTED = 100e3, 25.0, 300.0
SERIES = IMPEDANCE / (2 * math.pi * RESONANCE)


def tank(inductance_ratio: float, resistance: float, across: float = 3e-4) -> Tank:
    """A tank of 100 kHz; ``across``: the rectifiers' capacitance over the tank's."""
    capacitance = SERIES / IMPEDANCE**2
    ring = SERIES * inductance_ratio / (1 + inductance_ratio)
    return Tank(
        drive=REFLECTED, series=SERIES, magnetising=inductance_ratio * SERIES, capacitance=capacitance,
        resistance=resistance, reflected=REFLECTED, reflected_resistance=max(resistance, 1e-3),
        across=across * capacitance, core=15 * math.sqrt(ring / (across * capacitance)),
    )  # fmt: skip


def current_at(quality: float) -> float:
    """Mean current of the rectifiers at a quality factor: the load is 8 / pi^2 times their resistance."""
    return 8 / math.pi**2 * REFLECTED * quality / IMPEDANCE


def delivered(one: Tank, frequency: float, periods: int = 30) -> float:
    """Mean current of the rectifiers in the last of some periods from rest, by scipy's implicit integration [A].

    The rectifiers are a conductance above their clamped voltage here, so that no mode is solved for by itself.
    """

    def rates(time: float, state: FloatArray) -> list[float]:
        current, magnetising, voltage, across, _ = state
        square = one.drive if (time * frequency) % 1 < 0.5 else -one.drive
        over = max(abs(across) - one.reflected, 0.0)
        rectified = math.copysign(over / one.reflected_resistance, across)
        return [
            (square - one.resistance * current - voltage - across) / one.series,
            across / one.magnetising,
            current / one.capacitance,
            (current - magnetising - across / one.core - rectified) / one.across,
            abs(rectified),
        ]

    state = np.zeros(5)
    for half in range(2 * periods):
        if half == 2 * periods - 2:
            state[4] = 0.0
        span = (half / 2 / frequency, (half + 1) / 2 / frequency * (1 - 1e-12))
        solved = solve_ivp(rates, span, state, "LSODA", rtol=1e-6, atol=1e-8)
        state = solved.y[:, -1].copy()
    return float(state[4]) * frequency


@pytest.mark.parametrize(("share", "quality"), [(0.7, 0.4), (1.25, 0.4), (1.6, 0.1)])
def test_the_drive_of_a_gain_delivers_the_current(share: float, quality: float) -> None:
    """0.5 %: the integration's conductance lets the capacitance charge a little beyond the clamp."""
    one = tank(4.0, 0.5)
    (gain,) = gain_curve(one, current_at(quality), np.array([share * RESONANCE]))
    driven = dataclasses.replace(one, drive=one.reflected / float(gain))
    assert delivered(driven, share * RESONANCE) == pytest.approx(current_at(quality), rel=5e-3)


@pytest.mark.parametrize("quality", [0.1, 0.4, 0.8])
def test_a_tank_of_small_losses_has_a_gain_of_one_at_the_resonance_at_every_load(quality: float) -> None:
    """Where L and C cancel the square wave stands across the load; common knowledge, every textbook on the LLC."""
    gains = gain_curve(tank(4.0, 0.03), current_at(quality), np.array([1.3, 1.0, 0.9]) * RESONANCE)
    assert gains[1] == pytest.approx(1.0, abs=3e-3)
    assert gains[0] < 1 < gains[2]


def test_a_gain_and_the_frequency_that_needs_it_are_each_other_s_inverse() -> None:
    one, current = dataclasses.replace(tank(4.0, 0.5), drive=260.0), current_at(0.4)
    frequency, _ = regulated(one, current, 0.5 * RESONANCE, 2.5 * RESONANCE)
    (gain,) = gain_curve(one, current, np.array([frequency]))
    assert one.reflected / gain == pytest.approx(one.drive, rel=1e-4)


def test_frequencies_may_come_in_any_order() -> None:
    frequencies = np.array([1.3, 0.8, 2.0, 1.05]) * RESONANCE
    gains = gain_curve(tank(4.0, 0.5), current_at(0.4), frequencies)
    upwards = gain_curve(tank(4.0, 0.5), current_at(0.4), np.sort(frequencies))
    assert gains == pytest.approx(upwards[np.argsort(np.argsort(frequencies))], rel=1e-5)
    assert np.all(np.diff(upwards) < 0)


def test_the_first_harmonic_is_right_at_the_resonance_alone() -> None:
    """The error the module states: 4 % low at 0.8 of the resonance, 15 % and more at 0.6; too high above it."""
    shares = np.array([0.6, 0.8, 1.0, 1.5])
    for ratio, quality in ((3.0, 0.3), (4.0, 0.4)):
        one, current = tank(ratio, 1e-3), current_at(quality)
        found = gain_curve(one, current, shares * RESONANCE)
        error = first_harmonic_curve(one, current, shares * RESONANCE) / found - 1
        assert -0.18 < error[0] < -0.14
        assert -0.05 < error[1] < -0.03
        assert abs(error[2]) < 3e-3
        assert 0.05 < error[3] < 0.09


def test_limits_of_the_first_harmonic_gain() -> None:
    """At the resonance 1 at every load; idle and far above it the divider of both inductances."""
    for quality in (0.0, 0.3, 3.0):
        assert first_harmonic_gain(1.0, 4.0, quality) == pytest.approx(1.0)
    assert first_harmonic_gain(1e3, 4.0, 0.0) == pytest.approx(4.0 / 5.0, rel=1e-5)


@pytest.mark.parametrize(("seed", "fraction"), [(9, 1.0), (10, 0.5)])
def test_the_drawn_curve_goes_through_the_gains_between_its_nodes(seed: int, fraction: float) -> None:
    params, condition = drawn_llc(seed)
    (curve,) = gain_curves(params, condition, [fraction])
    loaded = dataclasses.replace(condition, load_fraction=fraction)
    current = output_current(params, loaded)
    one = lumped(params, condition.line_voltage, current)
    between = gain_curve(one, current / ratio_sum(params), curve.frequencies[4::20])
    assert curve.time_domain[4::20] == pytest.approx(between, rel=0.02, nan_ok=True)
    assert np.sum(np.isfinite(between)) >= 7
    low, high = curve.first_harmonic_error(params.lowest_frequency, params.highest_frequency)
    assert low < -0.03 < 0.03 < high
    assert curve.needed_gain(condition.line_voltage) == pytest.approx(one.reflected / one.drive)


def test_a_curve_without_operation_is_not_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(llc_gain, "gain_curve", lambda tank, current, frequencies: np.full(len(frequencies), math.nan))
    (curve,) = gain_curves(*drawn_llc(9), [1.0])
    assert np.all(np.isnan(curve.time_domain))
    assert math.isnan(curve.first_harmonic_error(0.0, math.inf)[0])
