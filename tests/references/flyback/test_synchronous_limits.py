"""A flyback's synchronous rectifier at its limits: a delay beyond its conduction, edges as stated, a late turn-off."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import steady
from integration.switching_designs import FLYBACKS, synchronous

from harness.contracts import FloatArray, Periodic, Run
from harness.handcalc import flyback as hand
from harness.plan.flyback_bench import flyback_layout
from harness.plan.switching_measures import measure_steady
from netlists.point import Condition
from netlists.stages.flyback_params import Params
from netlists.stages.switching import BODY_TEST_CURRENT, Diode

DISCONTINUOUS = synchronous(FLYBACKS[0]), Condition(310.0, 0.0, 60.0, 25.0, supply="dc")
CONTINUOUS = synchronous(FLYBACKS[1]), Condition(130.0, 0.0, 12.5, 25.0, supply="dc")
SAME = 1e-3  # two searches for one steady state end so near each other
BOTH = pytest.mark.parametrize("design", [DISCONTINUOUS, CONTINUOUS], ids=["discontinuous", "continuous"])


def metrics_of(run: Run, analysis: Periodic, params: Params, condition: Condition) -> dict[tuple[str, str], float]:
    layout = flyback_layout(params, condition, valley=len(analysis.controls) > 1)
    return {(one.name, one.subject): one.value for one in measure_steady(run, layout=layout)}


def rectified(run: Run, sign: int) -> FloatArray:
    return sign * run.signals["rectifier_current_a"].values


@BOTH
def test_a_delay_beyond_its_conduction_leaves_its_body_diode(design: tuple[Params, Condition]) -> None:
    """The same flyback with that diode instead of the switch."""
    params, condition = design
    (lead,) = params.secondaries
    part = lead.synchronous
    assert part is not None
    never = dataclasses.replace(params, rectifier_delay=20e-6)
    body = Diode(
        part.designator, part.body_diode_voltage, BODY_TEST_CURRENT, part.body_diode_slope, part.output_capacitance
    )
    diode = dataclasses.replace(params, secondaries=(dataclasses.replace(lead, rectifier=body),))
    one, analysis = steady.settled("flyback", never, condition)
    other, _ = steady.settled("flyback", diode, condition)
    assert one.solution["control.0.duty"] == pytest.approx(other.solution["control.0.duty"], rel=SAME)
    peaks = float(np.max(rectified(one, -1))), float(np.max(rectified(other, 1)))
    assert peaks[0] == pytest.approx(peaks[1], rel=0.01)  # within the leakage's ring
    found = metrics_of(one, analysis, never, condition)
    assert one.solution["edge.v.xstage.vgate_rectifier_a.off"] == one.solution["edge.v.xstage.vgate_rectifier_a.on"]
    expected = hand.expect(never, condition)["body_diode_time", "Q2"].value
    assert found["body_diode_time", "Q2"] == pytest.approx(expected, rel=0.05)  # all of the fall


@BOTH
def test_edges_are_where_delay_and_lead_put_them(design: tuple[Params, Condition]) -> None:
    """On a delay after the body diode begins; off a lead before the current's zero, or before the switch's turn-on."""
    params, condition = design
    run, analysis = steady.settled("flyback", params, condition)
    assert run.axis is not None
    period = 1 / analysis.frequency
    time = run.axis.values - (run.axis.values[-1] - period)
    current = rectified(run, -1)
    duty = run.solution["control.0.duty"]
    turn_off = 0.5 * duty * period  # this design's period begins in the middle of the on-time
    on, off = (turn_off + run.solution[f"edge.v.xstage.vgate_rectifier_a.{side}"] for side in ("on", "off"))
    begins = float(time[np.flatnonzero((time > turn_off - 50e-9) & (current > 0.01 * np.max(current)))[0]])
    assert on - begins == pytest.approx(params.rectifier_delay, abs=10e-9)  # 1 % of its peak is reached later
    if params is CONTINUOUS[0]:
        assert off == pytest.approx(period - turn_off - params.rectifier_lead, abs=1e-9)
    else:
        last = (time > off - 0.5e-6) & (time < off - 50e-9)
        slope, level = np.polyfit(time[last] - off, current[last], 1)
        assert -level / slope == pytest.approx(params.rectifier_lead, abs=10e-9)  # 0.2 % of its fall
    assert np.min(current[time > 0]) > -0.002 * params.secondaries[0].output.load_current


@BOTH
def test_a_late_turn_off_lets_the_current_run_back_as_far_as_by_hand(design: tuple[Params, Condition]) -> None:
    """The core's current at the output's voltage over its inductance, or the leakage's at bus and output together."""
    params, condition = design
    late = dataclasses.replace(params, rectifier_lead=-150e-9)
    run, analysis = steady.settled("flyback", late, condition)
    rail = late.secondaries[0].output.name
    found = metrics_of(run, analysis, late, condition)["reverse_current_share", rail]
    expected = hand.expect(late, condition)["reverse_current_share", rail]
    assert expected.value > 0.02
    assert found == pytest.approx(expected.value, rel=0.25)  # the gate's fall takes 20 of these 150 ns
