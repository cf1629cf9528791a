"""Two-switch forward converters by hand: limits, balances and closed forms of the edges."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from demonstration import DRUM
from scipy.integrate import solve_ivp

from harness.handcalc import forward_edges as edges
from harness.handcalc import two_switch_forward as hand
from harness.handcalc.channel import time_constant
from harness.handcalc.forward_currents import currents_of
from harness.handcalc.forward_period import lowest_bus, solve
from harness.handcalc.switching_waveform import mean_of, rms_of
from netlists.point import Condition, Point
from netlists.record import load_record
from netlists.stages import two_switch_forward as stage
from netlists.stages.switching import gate_law

PARAMS = stage.params_from(load_record(DRUM), "main_24v", Point())[0]


def condition(load: float = 1.0, bus: float = 385.0) -> Condition:
    return Condition(bus, 0.0, 336.0 * load, 25.0, supply="dc", load_fraction=load)


def test_the_gate_laws_lags_are_those_of_the_equations() -> None:
    """Both closed forms against their own equation, integrated: C v' = I - g v falling, C v' = -g v rising."""
    law, capacitance, current, bus = gate_law(0.2, 200.0, 20e-9), 150e-12, 1.5, 390.0
    tau = time_constant(law)

    def conductance(gate: float) -> float:
        return law.scale * math.expm1(law.steepness * min(max(gate, 0.0), 1.0))

    off = solve_ivp(
        lambda t, v: [(current - conductance((law.lead_on - t) / law.ramp) * v[0]) / capacitance],
        (-law.lead_off, 2 * law.lead_off), [0.3], method="LSODA", rtol=1e-8, max_step=tau / 10,
    )  # fmt: skip
    seen = off.t[-1] - off.y[0, -1] * capacitance / current
    # the law ends at x = 0, where the form's exponential goes on: worth a tenth of a time constant
    assert edges.turn_off_lag(law, 1, capacitance) == pytest.approx(seen, abs=0.15 * tau)
    on = solve_ivp(
        lambda t, v: [-conductance((law.lead_on + t) / law.ramp) * v[0] / capacitance],
        (-law.lead_on, law.lead_off), [bus], method="LSODA", rtol=1e-8, max_step=tau / 10,
    )  # fmt: skip
    middle = float(np.trapezoid(on.y[0], on.t)) / bus + on.t[0]
    assert edges.turn_on_lag(law, 1, capacitance) == pytest.approx(middle, abs=0.15 * tau)


def test_the_fall_is_straight_for_a_large_current_and_a_quarter_sine_for_none() -> None:
    """Limits: C V / I, V / 2 on average; and the resonance's own quarter from rest."""
    straight = edges.fall(390.0, 10.0, 200e-12, 5e-3, 1e-3, 130.0)
    assert straight.duration == pytest.approx(200e-12 * 390.0 / 10.0, rel=1e-3)
    assert straight.area == pytest.approx(0.5 * 390.0 * straight.duration, rel=1e-3)
    slow = edges.fall(390.0, 0.0, 200e-12, 5e-3, 1e9, 0.0)
    assert slow.duration == pytest.approx(0.5 * math.pi * math.sqrt(5e-3 * 200e-12), rel=1e-6)
    assert slow.area == pytest.approx(390.0 * math.sqrt(5e-3 * 200e-12), rel=1e-6)


def test_the_leakages_energy_is_kept() -> None:
    """L I^2 / 2 less what charges the ends: C V^2 / 2; the rest falls at V / L."""
    found = edges.release(390.0, 3.0, 0.2, 10e-6, 100e-12, 1e9)
    left = math.sqrt(9.0 - 100e-12 / 10e-6 * 390.0**2)
    assert found.leakage == pytest.approx(left)
    assert found.handing == pytest.approx((left - 0.2) * 10e-6 / 390.0)
    assert edges.release(390.0, 0.6, 0.3, 10e-6, 100e-12, 1e9).handing == 0.0  # too little: the core charges the ends


def test_a_ring_without_damping_doubles_the_step() -> None:
    """Textbook: the step response of L and C reaches twice the step, its current V sqrt(C / L)."""
    on = edges.TurningOn(100.0, (0.5, 0.5), (1e-11, 1e-11), 1e-6, 1e9, 1e-9, None, 0.0, 5.0, 0.0)
    found = edges.turned_on(on)
    assert found.voltage == pytest.approx(200.0, rel=2e-3)
    assert found.current == pytest.approx(5.0 + 100.0 * math.sqrt(1e-9 / 1e-6), rel=5e-3)
    damped = edges.turned_on(dataclasses.replace(on, snubber=(math.sqrt(1e-6 / 1e-9), 4e-9)))
    assert 100.0 < damped.voltage < 160.0


def test_duty_is_the_balance_of_volt_seconds() -> None:
    """Own balance at full load: on-time volts of the secondary against output and drops; within what edges move."""
    state = solve(PARAMS, condition())
    on = state.volts.secondary * state.power * 100e3
    low = state.volts.freewheel * (1 - state.power * 100e3)
    assert on - low == pytest.approx(24.0 + 14.0 * 9e-3, rel=0.01)
    assert state.duty == pytest.approx((24.0 + 0.95) * 5.0 / 385.0, rel=0.06)
    assert state.takeover > 0
    assert solve(PARAMS, condition(bus=405.0)).duty < state.duty


def test_power_into_the_bus_covers_output_and_conduction() -> None:
    """Own balance: what the bus gives is the output and between one and eight percent of losses."""
    for load in (1.0, 0.5):
        state = solve(PARAMS, condition(load))
        drawn = mean_of(currents_of(PARAMS, state).feed) * 385.0
        assert 1.02 < drawn / (24.0 * mean_of(state.choke)) < 1.1


def test_currents_of_the_rectifiers_are_the_chokes() -> None:
    flows, state = currents_of(PARAMS, solve(PARAMS, condition())), solve(PARAMS, condition())
    assert mean_of(flows.forward) + mean_of(flows.freewheel) == pytest.approx(mean_of(state.choke), rel=1e-6)
    assert rms_of(flows.forward) < rms_of(state.choke)


def test_the_core_is_reset_in_as_long_as_it_was_driven() -> None:
    """Erickson, Maksimovic, ch. 6 (from memory): D + D2 <= 1 with D2 = D for a reset at the bus.

    The ring behind the reset gives the core a start below zero, and has that share of the flux to itself.
    """
    state = solve(PARAMS, condition())
    core = state.core
    assert core.first < 0
    assert core.reset / state.power == pytest.approx(core.peak / (core.peak - core.first), rel=0.04)
    bus, lowest = lowest_bus(PARAMS, condition())
    assert lowest.duty == pytest.approx(PARAMS.largest_duty, rel=1e-4)
    assert 0 < lowest.core.left < 0.15 * PARAMS.period
    assert bus < 345.0


def test_beyond_the_largest_duty_it_is_refused_in_words() -> None:
    with pytest.raises(ArithmeticError, match="no settled operation: a bus of 250 V needs a duty of"):
        hand.expect(PARAMS, condition(bus=250.0))


def test_light_load_is_discontinuous_and_leaves_more_open() -> None:
    full, light = hand.expect(PARAMS, condition()), hand.expect(PARAMS, condition(0.05))
    assert not solve(PARAMS, condition(0.05)).is_continuous
    key = ("duty_cycle", "drive_24v")
    assert light[key].value < full[key].value
    assert light[key].difference.high > full[key].difference.high


def test_every_expectation_has_its_reason() -> None:
    for found in (hand.expect(PARAMS, condition()), hand.expect_lowest(PARAMS, condition())):
        for key, one in found.items():
            assert math.isfinite(one.value), key
            assert one.difference.low < 0 < one.difference.high, key
            assert one.source
            assert one.difference.reason
