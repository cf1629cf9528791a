"""Which input moves a metric by how much, and at which value of one a verdict flips.

Ends of one input alone come from the hand calculation, scaled to what the simulation gave at the point it starts from;
from the simulation itself where the plan ran them. ``by`` says which.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from scipy.optimize import brentq

from harness.judge.limits import Limit
from harness.judge.verdict import is_over, margin
from harness.plan.plan import UNREAD, Answer, CornerAnswer, Plan
from netlists.point import Point

SIMULATED = "simulation"
NO_OPERATION = "no settled operation by hand calculation"
BREAK_EVEN_TOLERANCE = 1e-5  # of the input's range
LARGEST_MISS = 1e-3  # of the limit: what a continuous metric is off at a found break-even; a jump is off by more


@dataclass(frozen=True, slots=True)
class HandScale:
    """Turns hand calculations around a point into what the simulation would give, by their ratio at the point."""

    factor: float
    by: str


def hand_scale(corner: CornerAnswer, where: str) -> HandScale | None:
    """The scale at a point; None where it was not simulated or has no hand calculation."""
    if corner.finding is None or corner.hand is None:
        return None
    if corner.hand.value == 0:
        return HandScale(1.0, "hand calculation as it is, since it gives 0 there")
    ratio = corner.finding.metric.value / corner.hand.value
    return HandScale(ratio, f"hand calculation, scaled to the simulation {where}")


def sensitivities(plan: Plan, answer: Answer, limit: Limit | None) -> list[dict[str, Any]]:
    """Every open input that moves the metric, at both its ends alone with all others nominal; widest swing first."""
    nominal = answer.corners["nominal"]
    scale = hand_scale(nominal, "at nominal")
    found = nominal.finding
    if scale is None or found is None:
        return []
    rows = [
        _moved(plan, answer, path, scale, found.metric.value, limit) for path in answer.corners["adverse"].point.values
    ]
    rows.sort(key=lambda row: (-row["swing"], row["path"]))
    return rows


def _moved(
    plan: Plan, answer: Answer, path: str, scale: HandScale, nominal: float, limit: Limit | None
) -> dict[str, Any]:
    quantity = plan.record.quantities[path]
    (low, by_low), (high, by_high) = (
        _alone(plan, answer, path, end, value, scale) for end, value in (("low", quantity.low), ("high", quantity.high))
    )
    words = [None if limit is None else _word(value, limit) for value in (nominal, low, high)]
    lowest, highest = (end(v for v in (nominal, low, high) if v is not None) for end in (min, max))
    return {
        "path": path,
        "known": quantity.known,
        "low": quantity.low,
        "high": quantity.high,
        "unit": quantity.unit,
        "value_low": low,
        "value_high": high,
        # an end without settled operation moves the metric more than any number says
        "swing": highest - lowest if low is not None and high is not None else math.inf,
        "verdict_low": words[1],
        "verdict_high": words[2],
        "changes_verdict": len(set(words)) > 1,
        "by": by_low if by_low == by_high else f"low: {by_low}; high: {by_high}",
    }


def _alone(plan: Plan, answer: Answer, path: str, end: str, value: float, scale: HandScale) -> tuple[float | None, str]:
    """The metric with one input at an end, and what it was found by."""
    simulated = answer.ends.get((path, end))
    if simulated is not None and simulated.finding is not None:
        return simulated.finding.metric.value, SIMULATED
    by_hand = plan.hand_value(answer, answer.corners["nominal"].point.with_values({path: value}))
    return (None, NO_OPERATION) if by_hand is None else (by_hand * scale.factor, scale.by)


def _word(value: float | None, limit: Limit) -> str:
    """Within or over, of one number; no operation is over."""
    return "over" if value is None or is_over(value, limit) else "within"


def break_evens(plan: Plan, answer: Answer, limit: Limit, start: str) -> list[dict[str, Any]]:
    """For each unread input, the value at which the verdict flips, all else at a point.

    Parameters
    ----------
    start : ``adverse``: all else at its worse end; ``nominal``: all else nominal, the input alone
    """
    corner = answer.corners["adverse" if start == "adverse" else "nominal"]
    scale = hand_scale(corner, "at the adverse ends" if start == "adverse" else "at nominal")
    if scale is None:
        return []
    flips = []
    for path in answer.corners["adverse"].point.values:
        quantity = plan.record.quantities[path]
        if quantity.known not in UNREAD:
            continue
        value = flip(plan, answer, limit, corner.point, path, (quantity.low, quantity.high), scale.factor)
        if value is not None:
            flips.append(
                {
                    "path": path,
                    "value": value,
                    "unit": quantity.unit,
                    "low": quantity.low,
                    "high": quantity.high,
                    "by": scale.by,
                }
            )
    return flips


def flip(
    plan: Plan, answer: Answer, limit: Limit, start: Point, path: str, ends: tuple[float, float], factor: float
) -> float | None:
    """The value of an input at which the scaled hand calculation meets the limit; None where none in its range does."""

    def room(value: float) -> float:
        by_hand = plan.hand_value(answer, start.with_values({path: value}))
        return -1.0 if by_hand is None else margin(by_hand * factor, limit)  # no operation is over

    if room(ends[0]) * room(ends[1]) >= 0:
        return None
    found = float(brentq(room, ends[0], ends[1], xtol=BREAK_EVEN_TOLERANCE * (ends[1] - ends[0])))
    return found if abs(room(found)) <= LARGEST_MISS else None
