"""Edges of synchronous rectifiers from synthetic currents, whose conduction is known in advance."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.contracts import FloatArray, Periodic
from harness.simulate import rectifiers
from harness.simulate.rectifiers import Conduction, conduction, spanning, wanted
from netlists.periodic import Edge, Gate, Rectifier

PERIOD = 10e-6
TIME = np.linspace(0.0, PERIOD, 2001)
STEP = PERIOD / 2000
DELAY, LEAD = 80e-9, 50e-9


def half_sine(begin: float, width: float, peak: float = 10.0) -> FloatArray:
    """A half sine that begins at an instant and may go on beyond the period's end; nothing elsewhere."""
    since = (TIME - begin) % PERIOD
    return np.where(since < width, peak * np.sin(np.pi * np.minimum(since, width) / width), 0.0)


def begins(begin: float, width: float) -> float:
    """When a half sine passes the share of its peak at which a device counts as conducting."""
    return begin + width / math.pi * math.asin(rectifiers.CONDUCTS)


def seen(current: FloatArray, through: FloatArray | None = None, near: float | None = None) -> Conduction:
    found = conduction(TIME, current, current if through is None else through, PERIOD, near)
    assert found is not None
    return found


def test_one_interval() -> None:
    found = seen(half_sine(2e-6, 4e-6))
    assert found.begin == pytest.approx(begins(2e-6, 4e-6), abs=0.1 * STEP)
    assert found.zero == pytest.approx(6e-6, abs=STEP)
    assert found.count == 1
    assert found.share == pytest.approx(1.0, abs=1e-3)


def test_an_interval_across_the_end_of_the_period_is_one() -> None:
    found = seen(half_sine(8e-6, 4e-6))
    assert found.begin == pytest.approx(begins(8e-6, 4e-6), abs=0.1 * STEP)
    assert found.zero == pytest.approx(12e-6, abs=STEP)  # counted on beyond the period
    assert found.count == 1


def test_of_two_intervals_the_one_with_more_charge_is_the_main_one() -> None:
    small, large = half_sine(1e-6, 1e-6, 6.0), half_sine(4e-6, 3e-6, 10.0)
    found = seen(small + large)
    assert found.begin == pytest.approx(begins(4e-6, 3e-6), abs=0.1 * STEP)
    assert found.zero == pytest.approx(7e-6, abs=STEP)
    assert found.count == 2
    assert found.share == pytest.approx(30 / 36, abs=2e-3)  # a half sine's charge goes as peak times width


def test_the_interval_found_before_stays_the_main_one_until_another_carries_three_times_its_charge() -> None:
    for peak, begin in ((4.0, 1e-6), (3.0, 4e-6)):  # 10 over 4 is less than three, over 3 it is more
        found = seen(half_sine(1e-6, 2e-6, peak) + half_sine(4e-6, 2e-6, 10.0), near=2e-6)
        assert found.begin == pytest.approx(begin, abs=20 * STEP)


def test_the_span_reaches_from_the_first_interval_to_the_last_that_carry_charge_worth_counting() -> None:
    blip, first, last = half_sine(0.3e-6, 0.2e-6, 0.1), half_sine(1e-6, 1e-6, 4.0), half_sine(4e-6, 2e-6, 10.0)
    found = seen(blip + first + last)
    assert found.count == 3
    assert found.span == (pytest.approx(1e-6, abs=20 * STEP), pytest.approx(6e-6, abs=20 * STEP))
    alone = seen(blip + last)
    assert alone.span == (alone.begin, pytest.approx(6e-6, abs=20 * STEP))


def test_the_span_goes_across_the_end_of_the_period_where_the_longest_pause_is_inside() -> None:
    found = seen(half_sine(0.5e-6, 1e-6, 10.0) + half_sine(9e-6, 0.5e-6, 10.0))
    assert found.span == (pytest.approx(9e-6, abs=20 * STEP), pytest.approx(PERIOD + 1.5e-6, abs=20 * STEP))


def test_near_is_understood_across_the_end_of_the_period() -> None:
    early, late = half_sine(3e-6, 2e-6, 10.0), half_sine(9e-6, 2e-6, 5.0)
    for near in (9.5e-6, 0.5e-6, 10.5e-6):
        assert seen(early + late, near=near).begin == pytest.approx(9e-6, abs=20 * STEP)


@pytest.mark.parametrize("current", [np.zeros_like(TIME), np.full_like(TIME, -1.0), np.full_like(TIME, 1.0)])
def test_what_never_conducts_or_never_ceases_has_no_interval(current: FloatArray) -> None:
    assert conduction(TIME, current, current, PERIOD) is None


def test_the_zero_is_that_of_device_and_capacitance_together() -> None:
    """After gate-off the device's current is cut, and the capacitance carries the rest to its zero."""
    device = half_sine(2e-6, 4e-6)
    through = device.copy()
    device[TIME > 5.9e-6] = 0.0
    assert seen(device, through).zero == pytest.approx(6e-6, abs=STEP)


def test_without_a_zero_near_the_end_the_end_itself_counts() -> None:
    device = half_sine(2e-6, 4e-6)
    found = seen(device, np.full_like(TIME, 5.0))
    assert found.zero == pytest.approx(6e-6 - (begins(2e-6, 4e-6) - 2e-6), abs=0.1 * STEP)


def rectifier(group: int = 0, *, delay: float = DELAY, least: float = 200e-9, fraction: float = 0.0) -> Rectifier:
    gate = Gate(f"v{group}", Edge(fraction), Edge(fraction), 10e-9)
    return Rectifier(gate, "device", "through", -1, 1, delay, LEAD, least, group)


def conducts(begin: float, zero: float, share: float = 1.0) -> Conduction:
    return Conduction(begin, zero, 1, share, (begin, zero))


def test_edges_are_a_delay_after_the_begin_and_a_lead_before_the_zero() -> None:
    ((on, off),) = wanted([rectifier()], [conducts(1e-6, 4e-6)], None, PERIOD)
    assert (on, off) == (pytest.approx(1e-6 + DELAY), pytest.approx(4e-6 - LEAD))


def test_gates_span_all_intervals_where_there_are_several_and_else_nothing() -> None:
    alone = conducts(4e-6, 6e-6)
    assert spanning([rectifier()], [alone], PERIOD) is None
    assert spanning([rectifier()], [None], PERIOD) is None
    ((on, off),) = spanning([rectifier()], [replace(alone, span=(1e-6, 6e-6))], PERIOD) or []
    assert (on, off) == (pytest.approx(1e-6 + DELAY), pytest.approx(6e-6 - LEAD))


def test_edges_are_counted_from_the_edge_that_causes_them() -> None:
    """Also where conduction begins a little before it: above resonance or with an early body diode."""
    late = wanted([rectifier(fraction=0.75)], [conducts(7.6e-6, 11e-6)], None, PERIOD)[0]
    early = wanted([rectifier(fraction=0.75)], [conducts(7.4e-6, 11e-6)], None, PERIOD)[0]
    assert late == (pytest.approx(0.1e-6 + DELAY), pytest.approx(3.5e-6 - LEAD))
    assert early == (pytest.approx(-0.1e-6 + DELAY), pytest.approx(3.5e-6 - LEAD))


def test_a_rectifier_that_never_conducts_or_for_less_than_its_least_on_time_stays_off() -> None:
    for found in (None, conducts(1e-6, 1e-6 + DELAY + LEAD + 199e-9)):
        ((on, off),) = wanted([rectifier()], [found], None, PERIOD)
        assert on == off
    ((on, off),) = wanted([rectifier()], [conducts(1e-6, 1e-6 + DELAY + LEAD + 201e-9)], None, PERIOD)
    assert off - on == pytest.approx(201e-9)


def test_two_intervals_of_channels_that_conduct_by_themselves_begin_narrow() -> None:
    """On later by a quarter of the width or a tenth of the period, off earlier by a tenth of the width or 2 %."""
    ((on, off),) = wanted([rectifier()], [conducts(1e-6, 3e-6, share=0.7)], None, PERIOD)
    assert on == pytest.approx(1e-6 + DELAY + 0.5e-6)
    assert off == pytest.approx(3e-6 - LEAD - 0.2e-6)
    ((on, off),) = wanted([rectifier()], [conducts(1e-6, 9e-6, share=0.7)], None, PERIOD)
    assert on == pytest.approx(1e-6 + DELAY + 1e-6)
    assert off == pytest.approx(9e-6 - LEAD - 0.2e-6)


def test_where_the_gate_itself_began_the_conduction_it_is_tried_later() -> None:
    """Its begin tells nothing of the body diode's then."""
    now = [(1e-6, 4e-6)]
    ((on, _),) = wanted([rectifier()], [conducts(1e-6 + 2e-9, 4e-6)], now, PERIOD)
    assert on == pytest.approx(1e-6 + rectifiers.LATER * PERIOD)
    ((on, _),) = wanted([rectifier()], [conducts(1e-6 - 30e-9, 4e-6)], now, PERIOD)
    assert on == pytest.approx(1e-6 - 30e-9 + DELAY)
    # a rectifier without a delay turns on as conduction begins: there is nothing to be moved away from
    ((on, _),) = wanted([rectifier(delay=0.0)], [conducts(1e-6 + 2e-9, 4e-6)], now, PERIOD)
    assert on == pytest.approx(1e-6 + 2e-9)


def test_an_interval_grows_in_steps_and_shrinks_at_once() -> None:
    now, most = [(3e-6, 5e-6)], rectifiers.LARGEST_GROWTH * PERIOD
    assert wanted([rectifier()], [conducts(0.5e-6, 8e-6)], now, PERIOD)[0] == (
        pytest.approx(3e-6 - most), pytest.approx(5e-6 + most)
    )  # fmt: skip
    assert wanted([rectifier()], [conducts(3.5e-6, 4.2e-6)], now, PERIOD)[0] == (
        pytest.approx(3.5e-6 + DELAY), pytest.approx(4.2e-6 - LEAD)
    )  # fmt: skip


def test_rectifiers_of_a_group_keep_the_mean_of_their_edges_and_are_off_together() -> None:
    three = [rectifier(0), rectifier(0), rectifier(1)]
    found = wanted(three, [conducts(1e-6, 4e-6), conducts(1.2e-6, 4.4e-6), conducts(2e-6, 5e-6)], None, PERIOD)
    assert found[0] == found[1] == (pytest.approx(1.1e-6 + DELAY), pytest.approx(4.2e-6 - LEAD))
    assert found[2] == (pytest.approx(2e-6 + DELAY), pytest.approx(5e-6 - LEAD))
    found = wanted(three, [conducts(1e-6, 4e-6), None, conducts(2e-6, 5e-6)], None, PERIOD)
    assert found[0] == found[1] == (0.0, 0.0)
    assert found[2][1] > found[2][0]


def test_currents_are_taken_with_the_signs_they_conduct_with() -> None:
    current = half_sine(2e-6, 4e-6)
    analysis = Periodic(1 / PERIOD, (), (), (), (), (), (), rectifiers=(rectifier(),))
    signals = {"device": -current, "through": current}
    (found,) = rectifiers.observed(analysis, TIME, signals, PERIOD, None)
    assert found == seen(current)
    reversed_ = replace(analysis, rectifiers=(replace(rectifier(), device_sign=1),))
    assert rectifiers.observed(reversed_, TIME, signals, PERIOD, None) == [None]


DUTY, RAMP = 0.3, 10e-9
TURN_OFF, TURN_ON = Edge(0.0, 0.5), Edge(0.0, -0.5)  # of a switch whose on-time lies about the period's begin


def following(*, latest: Edge | None = None, timed: bool = False, straight: bool = False) -> Rectifier:
    """A rectifier whose conduction begins at a switch's turn-off, which moves with the duty."""
    edge = replace(TURN_OFF, seconds=-RAMP)  # so that the knee at its ramp's end falls on it
    gate = Gate("v0", edge, edge, RAMP)
    return Rectifier(gate, "device", "through", -1, 1, DELAY, LEAD, 200e-9, 0, latest, timed, straight)


def test_edges_are_counted_from_an_origin_that_moves_with_the_duty() -> None:
    for duty in (0.2, 0.4):
        begin = 0.5 * duty * PERIOD + 0.1e-6
        ((on, off),) = wanted([following()], [conducts(begin, begin + 3e-6)], None, PERIOD, controls=(duty,))
        assert (on, off) == (pytest.approx(0.1e-6 + DELAY), pytest.approx(3.1e-6 - LEAD))


def test_an_edge_is_no_later_than_the_latest_whatever_the_current_does() -> None:
    """In continuous conduction the current ends behind the switch's turn-on, which forces it over."""
    one = following(latest=replace(TURN_ON, seconds=-LEAD))
    assert one.room(PERIOD, DUTY) == pytest.approx((1 - DUTY) * PERIOD - LEAD)
    begin, turn_on = 0.5 * DUTY * PERIOD, (1 - 0.5 * DUTY) * PERIOD
    for after in (30e-9, -2e-6):
        zero, off = turn_on + after, (1 - DUTY) * PERIOD + min(after, 0.0) - LEAD
        ((_, found),) = wanted([one], [conducts(begin, zero)], None, PERIOD, controls=(DUTY,))
        assert found == pytest.approx(off)


def test_an_edge_at_its_latest_instant_stays_there_whatever_duty_is_tried() -> None:
    one = following(latest=replace(TURN_ON, seconds=-LEAD))
    bound, free = one.gated(DELAY, one.room(PERIOD, DUTY), PERIOD, DUTY), one.gated(DELAY, 3e-6, PERIOD, DUTY)
    assert isinstance(bound, Gate)
    assert isinstance(free, Gate)
    for duty in (0.25, 0.35):
        assert bound.off.at(PERIOD, duty) == pytest.approx((1 - 0.5 * duty) * PERIOD - LEAD - RAMP)
        assert free.off.at(PERIOD, duty) == pytest.approx(0.5 * duty * PERIOD + 3e-6 - RAMP)
        assert (
            bound.on.at(PERIOD, duty) == free.on.at(PERIOD, duty) == pytest.approx(0.5 * duty * PERIOD + DELAY - RAMP)
        )
    assert one.gated(1e-6, 1e-6, PERIOD, DUTY).pulse(PERIOD, DUTY)[:2] == (0.0, 0.0)


def test_a_timed_rectifier_does_not_wait_for_its_body_diode() -> None:
    begin = 0.5 * DUTY * PERIOD + 0.15e-6
    ((on, off),) = wanted([following(timed=True)], [conducts(begin, begin + 3e-6)], None, PERIOD, controls=(DUTY,))
    assert (on, off) == (pytest.approx(DELAY), pytest.approx(3.15e-6 - LEAD))


def test_a_straight_current_s_zero_is_where_its_fall_leads_and_not_where_a_ring_has_its_first() -> None:
    """Down from 10 A in 4 us, cut a lead before its zero; what is left then rings to a zero of its own."""
    one = following(straight=True)
    begin = 0.5 * DUTY * PERIOD
    zero, cut = begin + 4e-6, 4e-6 - LEAD
    current = np.where((begin <= TIME) & (zero - LEAD > TIME), 10 * (zero - TIME) / 4e-6, 0.0)
    current = current - np.where(zero - LEAD <= TIME, 0.05, 0.0)
    analysis = Periodic(1 / PERIOD, (), (), (), (), (), (), rectifiers=(one,))
    signals = {"device": -current, "through": current}
    (found,) = rectifiers.observed(analysis, TIME, signals, PERIOD, [(DELAY, cut)], (DUTY,))
    assert found is not None
    assert found.zero == pytest.approx(zero, abs=0.1e-9)
    (first,) = rectifiers.observed(
        replace(analysis, rectifiers=(following(),)), TIME, signals, PERIOD, [(DELAY, cut)], (DUTY,)
    )
    assert first is not None
    assert first.zero < zero - 0.8 * LEAD


def test_moved_edges() -> None:
    assert rectifiers.moved([(1.0, 2.0)], [(1.5, 2.25)]) == 0.5
    assert rectifiers.moved([(0.0, 0.0)], [(0.0, 0.0)]) == 0.0
    assert rectifiers.moved([(0.0, 0.0)], [(1.0, 2.0)]) == math.inf
    assert rectifiers.moved([(1.0, 2.0)], [(0.0, 0.0)]) == math.inf


def test_edges_are_damped_after_some_rounds_alone() -> None:
    now, asked = [(1.0, 2.0)], [(2.0, 4.0)]
    assert rectifiers.damped(now, asked, 0) == asked
    assert rectifiers.damped(now, asked, rectifiers.DAMPED_AFTER) == [(1.5, 3.0)]
    # a rectifier that begins to be gated or ceases goes all the way
    assert rectifiers.damped([(0.0, 0.0)], asked, rectifiers.DAMPED_AFTER) == asked
    assert rectifiers.damped(now, [(0.0, 0.0)], rectifiers.DAMPED_AFTER) == [(0.0, 0.0)]


def test_the_tolerance_only_widens() -> None:
    allowed = [rectifiers.tolerance(turn, PERIOD) for turn in range(rectifiers.MOST_ROUNDS)]
    assert allowed == sorted(allowed)
    assert allowed[0] == rectifiers.STAYED
    assert allowed[-1] == rectifiers.RING * PERIOD
