"""Verdicts that hang on unread values, and their margins at any values of these, by hand calculation.

Nothing is simulated: at each of the two points a verdict is taken at, the hand calculation is scaled by what the
simulation of that very point gave over it, so with nothing read the verdict is the check's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from harness.judge.limits import Limit
from harness.judge.verdict import margin
from harness.plan.plan import CORNERS, UNREAD, Corner, NoExpectation, Plan
from harness.plan.study import Question
from netlists.errors import StoreError
from netlists.point import Point
from netlists.record import SupplyRecord

Row = Mapping[str, Any]  # of an assessment's metrics, keys as in DEVELOPERS.md
CONDITION = ("label", "study", "supply", "line_voltage", "line_frequency", "output_power", "load_fraction")
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


def open_verdicts(record: SupplyRecord, rows: Sequence[Row]) -> tuple[list[OpenVerdict], list[Left]]:
    """The undecided verdicts among an assessment's metric rows: those readings can decide, and those none can."""
    found: list[OpenVerdict] = []
    left: list[Left] = []
    for row in rows:
        if row["verdict"] != "undecided":
            continue
        reason = _why_left(row)
        if reason:
            left.append(Left(f"{row['metric']} of {row['subject']}, {row['condition']['label']}", reason))
        else:
            found.append(_open(record, row))
    return found, left


def _why_left(row: Row) -> str:
    """Why no reading decides a row; empty where some may."""
    if row["agreement"] == "disagrees":
        return "simulation and hand calculation disagree, which no reading mends"
    for corner in CORNERS[1:]:
        at = row[corner]
        if at["value"] is None or not at["hand"]:
            return str(at["error"] or f"no hand calculation at its {corner} ends to scale")
    return ""


def _open(record: SupplyRecord, row: Row) -> OpenVerdict:
    points = {
        corner: (dict(row[corner]["inputs"]), float(row[corner]["value"] / row[corner]["hand"]))
        for corner in CORNERS[1:]
    }
    unread = {
        path: (worse, points["rescued"][0][path])
        for path, worse in points["adverse"][0].items()
        if record.quantities[path].known in UNREAD
    }
    limit = Limit(row["limit"], row["limit_adverse"], row["limit_side"], row["limit_source"])
    structure = row["condition"]["structure"]
    return OpenVerdict(
        row["instance"], structure, _question(record, row), row["metric"], row["subject"], limit, unread, points
    )


def _question(record: SupplyRecord, row: Row) -> Question:
    """The question a row answers."""
    asked = [question for question in Plan(record, []).questions(row["instance"]) if not question.measurement]
    for question in asked:
        if row["metric"] in question.metrics and all(
            getattr(question, name) == row["condition"][name] for name in CONDITION
        ):
            return question
    raise StoreError(f"{row['metric']}, {row['condition']['label']}: not asked any more; run bulkrail check again")


def margins(margin_of: Margin, verdict: OpenVerdict, points: Sequence[Mapping[str, float]], _try: int) -> list[float]:
    """Margins at many values of a verdict's unread inputs, its tolerances adverse: a task for a worker."""
    return [margin_of(verdict, "adverse", values) for values in points]
