"""Limits of a buck's diode emulation: a low side that never turns on, continuous current, a late turn-off."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import steady
from integration.switching_designs import BUCKS, emulating

from harness.handcalc import buck as hand
from harness.plan.switching_measures import buck_layout, measure_steady
from netlists.point import Condition
from netlists.stages.buck import Params
from netlists.stages.switching import BODY_TEST_CURRENT, Diode

LIGHT = Condition(24.0, 0.0, 60.0, 25.0, supply="dc", load_fraction=0.05)
FULL = dataclasses.replace(LIGHT, load_fraction=1.0)
SAME = 1e-3  # two searches for one steady state end so near each other


def with_rail(params: Params, **changes: object) -> Params:
    """Another only rail."""
    (rail,) = params.rails
    return dataclasses.replace(params, rails=(dataclasses.replace(rail, **changes),))


def test_a_low_side_that_never_turns_on_is_its_body_diode() -> None:
    never = with_rail(emulating(BUCKS[0]), least_on_time=10e-6)
    part = never.rails[0].low
    assert part is not None
    body = Diode("D2", part.body_diode_voltage, BODY_TEST_CURRENT, part.body_diode_slope, part.output_capacitance)
    one, analysis = steady.settled("buck", never, LIGHT)
    other, _ = steady.settled("buck", with_rail(BUCKS[0], rectification="diode", low=None, diode=body), LIGHT)
    assert one.solution["control.0.duty"] == pytest.approx(other.solution["control.0.duty"], rel=SAME)
    peaks = [float(np.max(run.signals["choke_current_a0"].values)) for run in (one, other)]
    assert peaks[0] == pytest.approx(peaks[1], rel=3 * SAME)
    gate = next(item.gate.source for item in analysis.rectifiers)
    assert one.solution[f"edge.{gate}.on"] == one.solution[f"edge.{gate}.off"]


def test_while_the_current_is_continuous_it_is_an_ordinary_synchronous_buck() -> None:
    """The low side is off a dead time before the next turn-on, and nothing else differs but an idle choke's damping."""
    one, analysis = steady.settled("buck", emulating(BUCKS[0]), FULL)
    other, _ = steady.settled("buck", BUCKS[0], FULL)
    duty = one.solution["control.0.duty"]
    assert duty == pytest.approx(other.solution["control.0.duty"], rel=SAME)
    off = one.solution[f"edge.{analysis.rectifiers[0].gate.source}.off"]
    dead = BUCKS[0].rails[0].dead_time_rising
    assert off == pytest.approx((1 - duty) / BUCKS[0].switching_frequency - dead, abs=1e-9)
    for signal in ("choke_current_a0", "output_voltage_a"):
        values = [run.signals[signal].values for run in (one, other)]
        assert np.ptp(values[0]) == pytest.approx(np.ptp(values[1]), rel=0.01), signal


@pytest.mark.parametrize("lead", [60e-9, -150e-9])
def test_the_turn_off_is_a_lead_before_the_current_is_zero(lead: float) -> None:
    """And where it is late, the current runs back by its own slope, V / L, for as long."""
    params = with_rail(emulating(BUCKS[0]), turn_off_lead=lead)
    (rail,) = params.rails
    run, analysis = steady.settled("buck", params, LIGHT)
    found = {(one.name, one.subject): one.value for one in measure_steady(run, layout=buck_layout(params, LIGHT))}
    choke = run.signals["choke_current_a0"].values
    fall = rail.choke.inductance * float(np.max(choke)) / rail.voltage  # straight, the channel's drop is 10 mV of 5 V
    off = run.solution[f"edge.{analysis.rectifiers[0].gate.source}.off"]
    assert off == pytest.approx(fall - lead, abs=30e-9)  # the middle's own fall begins some ten nanoseconds later
    expected = hand.expect(params, LIGHT)["reverse_current_share", rail.name]
    assert expected.value == pytest.approx(max(-lead, 0.0) * rail.voltage / rail.choke.inductance / rail.load_current)
    assert found["reverse_current_share", rail.name] == pytest.approx(expected.value, rel=0.3, abs=0.002)
