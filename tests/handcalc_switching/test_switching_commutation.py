"""One edge of a leg against closed forms of its limits: a fast switch, one capacitance, a known damping."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from harness.handcalc.commutation import Cell, turn_off, turn_on
from netlists.stages.switching import gate_law

VOLTS, AMPERES, LOOP = 12.0, 10.0, 5e-9
NONE = 2e-12  # a capacitance that does not count [F]


def cell(
    controlled: float, other: float, *, quality: float = 1e3, upper: bool = True, time: float = 1e-12, lag: float = LOOP
) -> Cell:
    """An all but ideal cell whose switch takes ``time`` [s]; quality of the ringing with the larger capacitance."""
    damping = quality * math.sqrt(lag / max(controlled, other))
    law = gate_law(1e-4, VOLTS / AMPERES, time)
    return Cell(upper, lag, damping, 0.0, 0.0, controlled, other, law, 1, 1e-3, 1e-4, 1e-3, 1e-4)


@pytest.mark.parametrize("upper", [True, False])
def test_fast_turn_off_rings_by_the_loops_energy(upper: bool) -> None:
    """Own energy argument: L I^2 = C (v - V)^2, so the peak is V + I sqrt(L / C) without damping."""
    found = turn_off(cell(1e-9, NONE, upper=upper), VOLTS, AMPERES, 0.0)
    assert found.controlled_peak == pytest.approx(VOLTS + AMPERES * math.sqrt(LOOP / 1e-9), rel=5e-3)


@pytest.mark.parametrize("upper", [True, False])
@pytest.mark.parametrize("quality", [1e3, 5.0, 2.0])
def test_fast_turn_on_rings_by_its_quality(upper: bool, quality: float) -> None:
    """V (1 + exp(-pi z / sqrt(1 - z^2))), z = 1 / 2Q: step on L with a resistance beside it, C; any textbook.

    The resistance takes V / R while the loop's current rises, so at the clamp's end the current falls short by that
    and the first swing is a little lower or higher: held to 3 %.
    """
    found = turn_on(cell(NONE, 1e-9, quality=quality, upper=upper), VOLTS, AMPERES, 0.0)
    decay = 1 / (2 * quality)
    swing = math.exp(-math.pi * decay / math.sqrt(1 - decay**2))
    assert found.other_peak == pytest.approx(VOLTS * (1 + swing), rel=0.03)


def test_what_a_fast_turn_on_takes_from_the_period() -> None:
    """The current rises in L I / V while the middle stands still: L I volt-seconds are lost, the middle is charged.

    The ringing itself adds none: its volt-seconds are L times a change of current that is none in the end.
    """
    found = turn_on(cell(NONE, 1e-9), VOLTS, AMPERES, 0.0)
    assert found.middle_area == pytest.approx(-LOOP * AMPERES, rel=0.02)
    assert found.charge == pytest.approx(1e-9 * VOLTS - 0.5 * LOOP * AMPERES**2 / VOLTS, rel=0.02)


def test_what_a_fast_turn_off_charges() -> None:
    """After the turn-off the loop charges the controlled capacitance to the cell's voltage and nothing else.

    4 A, so that the ringing stays above the controlled switch's body diode.
    """
    found = turn_off(cell(1e-9, NONE, quality=50.0), VOLTS, 4.0, 0.0)
    assert found.charge == pytest.approx(1e-9 * VOLTS, rel=0.02)
    both = turn_off(cell(1e-9, 3e-9, lag=1e-12), VOLTS, AMPERES, 0.0)  # no loop: both share the choke's current
    fall = 4e-9 * VOLTS / AMPERES
    assert both.middle_area == pytest.approx(0.5 * VOLTS * fall, rel=0.02)


def test_a_slow_switch_overshoots_less_and_costs_volt_seconds() -> None:
    """Without loop and capacitance v = I / g: one time constant of V at either edge."""
    time = 20e-9
    law = gate_law(1e-4, VOLTS / AMPERES, time)
    bare = dataclasses.replace(cell(1e-12, 1e-12, lag=1e-12), law=law, damping=10.0)
    constant = time / math.log(9.0)
    assert turn_off(bare, VOLTS, AMPERES, 0.0).middle_area == pytest.approx(-VOLTS * constant, rel=0.05)
    assert turn_on(bare, VOLTS, AMPERES, 0.0).middle_area == pytest.approx(-VOLTS * constant, rel=0.05)
    peaks = [
        turn_off(cell(1e-9, 1e-9, time=t, quality=8.0), VOLTS, AMPERES, 0.0).controlled_peak for t in (1e-9, 5e-9, 4e-8)
    ]
    assert peaks[0] > peaks[1] > peaks[2] > VOLTS


def test_bank_inductance_rings_along() -> None:
    """The same loop, part of it in the bank: same peak; its node shows the share that lies in the bank."""
    whole = cell(1e-9, NONE)
    split = dataclasses.replace(whole, inductance=0.5 * LOOP, bank_inductance=0.5 * LOOP)
    one, two = turn_off(whole, VOLTS, AMPERES, 0.0), turn_off(split, VOLTS, AMPERES, 0.0)
    assert two.controlled_peak == pytest.approx(one.controlled_peak, rel=5e-3)
    assert two.node_high == pytest.approx(0.5 * (two.controlled_peak - VOLTS), rel=0.02)
    assert one.node_high == pytest.approx(0.0)


def test_snubber_damps() -> None:
    ringing = cell(NONE, 1e-9, quality=50.0)
    snubbed = dataclasses.replace(ringing, snubber=(math.sqrt(LOOP / 1e-9), 4e-9))
    assert turn_on(snubbed, VOLTS, AMPERES, 0.0).other_peak < 0.85 * turn_on(ringing, VOLTS, AMPERES, 0.0).other_peak


def test_dead_time_adds_nothing_of_its_own() -> None:
    """A synchronous low place: the dead time is a piece of the period, so the edge takes the same whatever it lasts."""
    law = gate_law(1e-3, VOLTS / AMPERES, 5e-9)
    leg = dataclasses.replace(cell(0.5e-9, 1e-9, time=5e-9, quality=5.0), other_law=law, threshold=0.7, slope=5e-3)
    short, long = (turn_on(leg, VOLTS, AMPERES, dead) for dead in (40e-9, 90e-9))
    assert long.middle_area == pytest.approx(short.middle_area, abs=0.01 * VOLTS * 1e-9)
    assert long.other_peak == pytest.approx(short.other_peak, rel=1e-3)
    assert long.charge == pytest.approx(short.charge, rel=1e-3)


def test_negative_current_commutates_by_itself() -> None:
    """A synchronous low place that opens at a negative current: the middle is up before the high place is asked."""
    law = gate_law(1e-3, VOLTS / AMPERES, 5e-9)
    leg = dataclasses.replace(cell(0.5e-9, 1e-9, time=5e-9, quality=5.0), other_law=law, threshold=0.7, slope=5e-3)
    found = turn_on(leg, VOLTS, -4.0, 60e-9)
    assert found.middle_area > 0.5 * VOLTS * 40e-9
    assert found.controlled_current < 0.5


@pytest.mark.parametrize("current", [0.5, 3.0, 10.0])
def test_every_reading_is_finite(current: float) -> None:
    leg = dataclasses.replace(cell(0.3e-9, 0.2e-9, quality=4.0, upper=False, time=1e-8), threshold=0.8, slope=0.05)
    for found in (
        turn_off(leg, 400.0, current, 0.0),
        turn_on(leg, 400.0, current, 0.0),
        turn_on(leg, 400.0, 0.0, 0.0, 150.0),
    ):
        assert np.all(np.isfinite(dataclasses.astuple(found)))
