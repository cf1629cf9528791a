"""Adverse and rescued values of an answer: as simulated, or scaled by the hand calculation where that is enough.

The nominal point is simulated. The other two values are that simulation times the hand calculation there over the hand
calculation at nominal. They stand only for a verdict that is out of doubt; ``answers_to_simulate`` names all others,
whose corners must be simulated.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Literal

from harness.handcalc.expectation import Expectation
from harness.judge.agreement import agreement
from harness.judge.limits import Limit, limit_of
from harness.judge.limits_file import NO_LIMITS, LimitsFile
from harness.judge.structures import is_struck_out, struck_out
from harness.judge.verdict import is_over
from harness.plan.plan import Answer, Corner, Plan
from netlists.record import SupplyRecord

By = Literal["simulated", "hand-scaled"]
SCALED: tuple[Corner, ...] = ("adverse", "rescued")

# Of a scaled value, kept free of the limit beside the width of the declared difference, since a hand calculation that
# agrees at nominal need not agree at the corner too. Of 286 corners of kiln-900's switching stages, both scaled and
# simulated, the worst differed by 4.5 %, which was 0.6 of its declared width, and half of them by less than 0.1 %;
# of 77 of the rectifiers of kiln-900 and lantern-65 the worst by 2.6 %, 0.3 of its width.
FIXED_SHARE = 0.05
# The widest declared difference under which a value is scaled at all: where a hand calculation promises less than some
# 10 % either way, a scaled number misleads (that of a relay's contact, declared 130 % wide, would be 120 % off). Where
# a limit stands it is simulated; without one, there is none.
WIDEST = 0.2


@dataclass(frozen=True, slots=True)
class CornerValue:
    """A metric's value at a point, and how it came about."""

    value: float
    by: By


def corner_value(answer: Answer, corner: Corner) -> CornerValue | None:
    """As simulated where that was tried, None where it failed; else scaled where that is allowed."""
    at = answer.corners[corner]
    if at.was_run:
        return None if at.finding is None else CornerValue(at.finding.metric.value, "simulated")
    scaled = scaled_value(answer, corner)
    return None if scaled is None else CornerValue(scaled, "hand-scaled")


def scaled_value(answer: Answer, corner: Corner) -> float | None:
    """Simulation at nominal times hand calculation at a corner over hand calculation at nominal.

    None where it is not allowed: for a claim's or a measurement's number; where there is no hand calculation at nominal
    or at the corner, or one declared too coarse for it (``WIDEST``); where that at nominal does not agree with the
    simulation, or does so by its absolute floor alone, since the ratio of two numbers that small says nothing.
    """
    nominal, at = answer.corners["nominal"], answer.corners[corner]
    if answer.question.claim or answer.question.measurement or nominal.finding is None:
        return None
    if nominal.hand is None or nominal.hand.value == 0 or at.hand is None:
        return None
    if width(nominal.hand, at.hand) > WIDEST:
        return None
    simulated = nominal.finding.metric.value
    if agreement(simulated, dataclasses.replace(nominal.hand, floor=0.0)) != "agrees":
        return None
    return simulated * at.hand.value / nominal.hand.value


def agreed(answer: Answer) -> bool:
    """Whether simulation and hand calculation agree at nominal; where they do not, the corners are looked at too."""
    nominal = answer.corners["nominal"]
    if nominal.finding is None or nominal.hand is None:
        return False
    return agreement(nominal.finding.metric.value, nominal.hand) == "agrees"


def width(nominal: Expectation, corner: Expectation) -> float:
    """From the lowest to the highest difference declared at both points: how far apart agreeing simulations may lie."""
    differences = (nominal.difference, corner.difference)
    return max(one.high for one in differences) - min(one.low for one in differences)


def guard_band(value: float, nominal: Expectation, corner: Expectation) -> float:
    """How far a scaled value must stay from a limit to be clear of it; in the metric's unit.

    A simulation of the corner that agrees with its hand calculation lies, to first order, within the width of both
    points' declared differences of the scaled value, or within the floor; the fixed share is on top.
    """
    return (width(nominal, corner) + FIXED_SHARE) * abs(value) + corner.floor


def is_clear(answer: Answer, corner: Corner, limit: Limit | None) -> bool:
    """Whether a corner need not be simulated: no limit stands, or a scaled value has none within its guard band."""
    if limit is None and not (answer.question.claim or answer.question.measurement):
        return agreed(answer)
    value, nominal, at = scaled_value(answer, corner), answer.corners["nominal"].hand, answer.corners[corner].hand
    if value is None or nominal is None or at is None:
        return False
    if limit is None:
        return True
    band = guard_band(value, nominal, at)
    return not is_over(value + (band if limit.worse == "high" else -band), limit)


def answers_to_simulate(record: SupplyRecord, plan: Plan, limits: LimitsFile = NO_LIMITS) -> list[Answer]:
    """The answers whose corners must be simulated too, of a plan that has run.

    Those are all whose adverse or rescued value is not clear of the limit, or must not be scaled. An alternative of
    structure that is struck out counts for nothing, so it needs none.
    """
    struck = struck_out(plan)
    return [
        answer
        for answer in plan.answers
        if not all(answer.corners[corner].was_run for corner in SCALED)
        and not is_struck_out(answer, struck)
        and not all(is_clear(answer, corner, limit_of(record, answer, limits)) for corner in SCALED)
    ]
