"""Verdicts that hang on unread values, and their margins at any values of these, by hand calculation.

Nothing is simulated: at each of the two points a verdict is taken at, the hand calculation is scaled by what the
simulation of that very point gave over it, so with nothing read the verdict is the check's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from harness.judge.agreement import agreement
from harness.judge.assess import undecided_answers
from harness.judge.limits import Limit, limit_of
from harness.judge.limits_file import NO_LIMITS, LimitsFile
from harness.judge.sensitivity import hand_scale
from harness.judge.verdict import margin
from harness.plan.plan import CORNERS, UNREAD, Answer, Corner, NoExpectation, Plan
from harness.plan.study import Question
from netlists.point import Point
from netlists.record import SupplyRecord

NO_OPERATION = -1.0  # margin where the hand calculation finds no settled operation: over


@dataclass(frozen=True, slots=True)
class OpenVerdict:
    """An undecided verdict and what it takes to decide it.

    Parameters
    ----------
    unread : path -> (worse end, better end) of every unread input that moves the metric
    points : the values its adverse and its rescued point choose, and simulation over hand calculation there
    """

    instance: str
    structure: Mapping[str, str]
    question: Question
    metric: str
    subject: str
    limit: Limit
    unread: Mapping[str, tuple[float, float]]
    points: Mapping[Corner, tuple[Mapping[str, float], float]]

    @property
    def words(self) -> str:
        """As people call it."""
        return f"{self.metric} of {self.subject}, {self.question.label}"


@dataclass(frozen=True, slots=True)
class Left:
    """An undecided verdict that no reading of a value is known to decide, and why."""

    words: str
    reason: str


class Margin(Protocol):
    """Margin of a verdict at a point of its own with some values chosen anew; negative is over."""

    def __call__(self, verdict: OpenVerdict, corner: Corner, values: Mapping[str, float]) -> float: ...


@dataclass(frozen=True)
class HandMargin:
    """The margin by hand calculation, scaled to the simulation of the point it starts from."""

    record: SupplyRecord

    def __call__(self, verdict: OpenVerdict, corner: Corner, values: Mapping[str, float]) -> float:
        chosen, factor = verdict.points[corner]
        point = Point({**chosen, **values}, verdict.structure)
        expected = Plan(self.record, []).expected(verdict.instance, verdict.question, point)
        if isinstance(expected, NoExpectation) or (verdict.metric, verdict.subject) not in expected:
            return NO_OPERATION
        return margin(expected[verdict.metric, verdict.subject].value * factor, verdict.limit)


def open_verdicts(
    record: SupplyRecord, plan: Plan, limits: LimitsFile = NO_LIMITS
) -> tuple[list[OpenVerdict], list[Left]]:
    """The undecided verdicts of a plan that has run: those that readings can decide, and those that none can."""
    found: list[OpenVerdict] = []
    left: list[Left] = []
    for answer in undecided_answers(record, plan, limits):
        limit = limit_of(record, answer, limits)
        assert limit is not None  # without a limit nothing is undecided
        verdict, reason = _open(record, answer, limit)
        if verdict is not None:
            found.append(verdict)
        else:
            left.append(Left(f"{answer.metric} of {answer.subject}, {answer.question.label}", reason))
    return found, left


def _open(record: SupplyRecord, answer: Answer, limit: Limit) -> tuple[OpenVerdict | None, str]:
    """An answer's open verdict, or None and why no reading decides it."""
    run = [answer.corners[corner] for corner in CORNERS]
    if any(one.finding is not None and agreement(one.finding.metric.value, one.hand) == "disagrees" for one in run):
        return None, "simulation and hand calculation disagree, which no reading mends"
    points: dict[Corner, tuple[Mapping[str, float], float]] = {}
    for corner in ("adverse", "rescued"):
        at = answer.corners[corner]
        scale = hand_scale(at, f"at the {corner} ends")
        if scale is None:
            return None, at.error or "no hand calculation at its ends to scale"
        points[corner] = (at.point.values, scale.factor)
    unread = {
        path: (worse, points["rescued"][0][path])
        for path, worse in points["adverse"][0].items()
        if record.quantities[path].known in UNREAD
    }
    verdict = OpenVerdict(
        answer.instance, answer.structure, answer.question, answer.metric, answer.subject, limit, unread, points
    )
    return verdict, ""


def margins(margin_of: Margin, verdict: OpenVerdict, points: Sequence[Mapping[str, float]], _try: int) -> list[float]:
    """Margins at many values of a verdict's unread inputs, its tolerances adverse: a task for a worker."""
    return [margin_of(verdict, "adverse", values) for values in points]

