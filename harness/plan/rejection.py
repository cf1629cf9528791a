"""Samples of a record's unread values that cannot be: refused by the record, without operation, against a measurement.

Unread values are not independent of each other: what the stage's own laws and the bench's measurements rule out is left
out, and its share is stated by who calls.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from harness.handcalc.expectation import Expectation
from harness.plan.plan import PLANS, kind_of
from harness.plan.statements import question_about
from harness.plan.study import Question
from netlists.errors import DeckError, InputError
from netlists.point import Point
from netlists.quantity import engineering, read_tolerance, read_value
from netlists.record import SupplyRecord

Expected = Mapping[tuple[str, str], Expectation]


def measured_questions(record: SupplyRecord, instance: str) -> list[Question]:
    """What was measured on an instance, as questions its hand calculation can answer."""
    planner = PLANS[kind_of(record, instance)]
    return [
        question_about(record, "measurement", name, one, planner.METRICS[one.metric])
        for name, one in record.data.measurements.items()
        if one.instance == instance and one.metric in planner.METRICS
    ]


def why_not(
    record: SupplyRecord, instance: str, point: Point, asked: Sequence[Question], measured: Sequence[Question]
) -> str:
    """Why a sample cannot be; empty where nothing speaks against it.

    Parameters
    ----------
    asked : what is to be simulated there;  measured : what the bench says of this very unit
    """
    planner = PLANS[kind_of(record, instance)]
    for question in (*measured, *asked):
        try:
            about, _ = planner.situation(record, instance, point, question)
            expected = planner.expect(question.study, planner.relevant(question.study, about))
        except ArithmeticError as error:
            return f"no operation by hand: {error}"
        except (InputError, DeckError) as error:
            return str(error).splitlines()[0]
        if question.measurement and (told := _against(record, question, expected)):
            return told
    return ""


def _against(record: SupplyRecord, question: Question, expected: Expected) -> str:
    """Why a hand calculation does not reproduce a measurement within its uncertainty; empty where it does.

    The hand calculation may lie off the simulation by its declared difference, which is granted.
    """
    about = record.data.measurements[question.measurement]
    found = [one for (metric, _), one in expected.items() if metric == about.metric]
    if not found:
        return ""
    (one, *_) = found
    value = read_value(about.value, one.unit)
    low, high = (value * (1 + end) for end in read_tolerance(about.uncertainty))
    ends = sorted(one.value * (1 + end) for end in (one.difference.low, one.difference.high))
    if ends[0] - one.floor <= high and ends[1] + one.floor >= low:
        return ""
    told = f"{engineering(one.value, one.unit)} by hand, measured {engineering(value, one.unit)} {about.uncertainty}"
    return f"measurement {question.measurement}: {about.metric} {told}"


def situation_of(record: SupplyRecord, instance: str, point: Point, question: Question) -> Any:
    """Parameters and condition of an instance under a question at a point."""
    return PLANS[kind_of(record, instance)].situation(record, instance, point, question)[0]
