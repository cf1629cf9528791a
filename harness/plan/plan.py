"""A record turned into questions, points and studies, run in rounds until every question has its answer.

For each metric three points are answered: nominal; adverse, with every open input at the end that makes the metric
worse; and rescued, with the unread inputs (assumed, inferred from assumed) at their best ends and only tolerances
adverse. Which end is worse is told by the hand calculation, one input at a time about the nominal: enough where the
metric is monotonic in each input over its range, which all metrics here are by their formulas.

``Plan.run`` simulates the nominal point; judge says whose other points are to be simulated too, and
``Plan.simulate_corners`` does so.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from harness.contracts import NotModelledError
from harness.handcalc.expectation import Expectation
from harness.plan import boost_pfc, buck, flyback, llc, output_network, rectifier_bulk, two_switch_forward
from harness.plan.converters import forget
from harness.plan.rounds import Making, begin, run_rounds
from harness.plan.statements import question_about
from harness.plan.study import Finding, MetricRule, Question, Study
from harness.simulate.campaign import Campaign
from netlists.catalog import STAGES
from netlists.errors import BulkrailError
from netlists.point import Point
from netlists.record import SupplyRecord

Situation = Any  # a stage's own frozen class: parameters and condition

UNREAD = ("assumed", "inferred")
MOST_STRUCTURES = 8

Corner = Literal["nominal", "adverse", "rescued"]
NO_SWING = 1e-9  # of a hand-calculated value between the ends of an input: less is rounding
CORNERS: tuple[Corner, ...] = ("nominal", "adverse", "rescued")


@dataclass(slots=True)
class CornerAnswer:
    """One metric at one point: by hand, and by simulation once its study is done (``was_run``).

    Parameters
    ----------
    not_modelled : the hand calculation finds an operation there that no model has; ``error`` says which
    """

    point: Point
    situation: Situation
    hand: Expectation | None
    finding: Finding | None = None
    angle: float | None = None
    error: str = ""
    not_modelled: bool = False
    was_run: bool = False


@dataclass(slots=True)
class Answer:
    """A metric of a subject under a question, at its three points; ``ends``: also one input alone at low or high."""

    instance: str
    structure: Mapping[str, str]
    question: Question
    metric: str
    subject: str
    rule: MetricRule
    rests_on: tuple[str, ...]
    corners: dict[Corner, CornerAnswer] = field(default_factory=dict)
    ends: dict[tuple[str, str], CornerAnswer] = field(default_factory=dict)


class StagePlan(Protocol):
    """What a stage's plan module offers.

    ``started`` is a situation with what its first case starts from, found with ``expect``, for which it is asked after.
    """

    METRICS: dict[str, MetricRule]
    STUDIES: dict[str, Callable[[Any], Study]]
    CONDITIONS: tuple[str, ...]  # what a sweep may vary beside record paths, by the names of ``sweep.CONDITION_UNITS``

    def questions(self, record: SupplyRecord, instance: str) -> list[Question]: ...

    def situation(
        self, record: SupplyRecord, instance: str, point: Point, question: Question
    ) -> tuple[Any, set[str]]: ...

    def not_modelled(self, record: SupplyRecord, instance: str) -> list[tuple[str, str]]: ...

    def worse_end(self, study: str, path: str) -> Literal["low", "high", ""]: ...

    def relevant(self, study: str, about: Any) -> Any: ...

    def prepare(self, study: str, situations: Sequence[Any]) -> None: ...

    def expect(self, study: str, about: Any) -> dict[tuple[str, str], Expectation]: ...

    def started(self, study: str, about: Any) -> Any: ...


PLANS: dict[str, StagePlan] = {
    "rectifier_bulk": rectifier_bulk,
    "boost_pfc": boost_pfc,
    "buck": buck,
    "llc": llc,
    "flyback": flyback,
    "two_switch_forward": two_switch_forward,
    "output_network": output_network,
}


def every_metric() -> dict[str, MetricRule]:
    """All metrics any stage has, by name."""
    return {metric: rule for planner in PLANS.values() for metric, rule in planner.METRICS.items()}


def kind_of(record: SupplyRecord, instance: str) -> str:
    """Stage kind of an instance."""
    return str(getattr(record.instance(instance), "kind", ""))


def simulated_instances(record: SupplyRecord) -> list[str]:
    """Names of the instances a model exists for."""
    return [
        name
        for name, instance in record.data.stages.items()
        if getattr(instance, "kind", "") in STAGES and instance.is_modelled()
    ]


def structures(record: SupplyRecord, instance: str) -> list[dict[str, str]]:
    """Every combination of an instance's stated alternatives, as structure choices of a Point."""
    kind = record.instance(instance)
    names = kind.structure_names()
    combinations = itertools.product(*(kind.choices(name) for name in names))
    paths = [f"stages.{instance}.{name}" for name in names]
    return [dict(zip(paths, combination, strict=True)) for combination in combinations][:MOST_STRUCTURES]


@dataclass(frozen=True, slots=True)
class NoExpectation:
    """Why there is no hand calculation; ``not_modelled`` as in ``CornerAnswer``."""

    reason: str
    not_modelled: bool


Expected = Mapping[tuple[str, str], Expectation] | NoExpectation  # by metric and subject
InputEnds = Mapping[str, tuple[Expected, Expected]]  # path of an open input -> expected with it alone at low, at high


@dataclass(frozen=True, slots=True)
class _Planned:
    """What one question of one structure adds to a plan."""

    answers: list[Answer]
    hand: dict[tuple[object, ...], Expected]
    started: dict[tuple[object, ...], Situation]
    situations: dict[tuple[object, ...], Situation]


def _planned(
    record: SupplyRecord, instance: str, structure: Mapping[str, str], question: Question, _try: int
) -> _Planned | None:
    """One question planned in a worker; None where that raises, so that the parent meets the error itself."""
    plan = Plan(record, [])
    try:
        plan.add(instance, structure, question)
    except BulkrailError:
        return None
    return plan.planned()


class Plan:
    """All answers of a record, and the studies that will bring them.

    Parameters
    ----------
    campaign : its workers do the hand calculations side by side; None: they are done here
    """

    def __init__(self, record: SupplyRecord, instances: Sequence[str], campaign: Campaign | None = None) -> None:
        self.record = record
        self.answers: list[Answer] = []
        self._studies: dict[tuple[str, Situation], Study] = {}
        self._hand: dict[tuple[object, ...], Expected] = {}
        self._started: dict[tuple[object, ...], Situation] = {}
        self._situations: dict[tuple[object, ...], Situation] = {}
        wanted = [
            (instance, structure, question)
            for instance in instances
            for structure in structures(record, instance)
            for question in self.questions(instance)
        ]
        lost: list[_Planned | None] = [None] * len(wanted)
        found = lost if campaign is None else campaign.calculate(_planned, [(record, *one) for one in wanted])
        for one, planned in zip(wanted, found, strict=True):
            if planned is None:
                self.add(*one)
            else:
                self._take(planned)

    def planned(self) -> _Planned:
        """All that was added."""
        return _Planned(self.answers, self._hand, self._started, self._situations)

    def _take(self, planned: _Planned) -> None:
        self.answers += planned.answers
        self._hand |= planned.hand
        self._started |= planned.started
        self._situations |= planned.situations

    def questions(self, instance: str) -> list[Question]:
        """The stage's own questions, then the claims about its metrics."""
        planner = self._planner(instance)
        asked = list(planner.questions(self.record, instance))
        for name, claim in self.record.data.claims.items():
            if claim.metric in planner.METRICS:
                asked.append(question_about(self.record, "claim", name, claim, planner.METRICS[claim.metric]))
        for name, measurement in self.record.data.measurements.items():
            if measurement.instance == instance and measurement.metric in planner.METRICS:
                rule = planner.METRICS[measurement.metric]
                asked.append(question_about(self.record, "measurement", name, measurement, rule))
        return asked

    def add(self, instance: str, structure: Mapping[str, str], question: Question) -> None:
        """Plans one question of one structure: its answers' three points, by hand."""
        forget()
        nominal = Point({}, structure)
        planner = self._planner(instance)
        _, reads = planner.situation(self.record, instance, nominal, question)
        paths = tuple(sorted(reads))
        quantities = {path: self.record.quantities[path] for path in paths if path in self.record.quantities}
        alone = {
            path: (nominal.with_values({path: q.low}), nominal.with_values({path: q.high}))
            for path, q in quantities.items()
            if not q.is_exact
        }
        self._prepare(instance, question, [nominal, *itertools.chain.from_iterable(alone.values())])
        expected = self.expected(instance, question, nominal)
        ends = {
            path: (self.expected(instance, question, low), self.expected(instance, question, high))
            for path, (low, high) in alone.items()
        }
        planned: list[tuple[Answer, dict[Corner, Point]]] = []
        for metric, subject in self._keys(question, expected):
            answer = Answer(instance, structure, question, metric, subject, planner.METRICS[metric], paths)
            worse_ends = self.worse_ends(answer, ends)
            points = {corner: nominal.with_values(self._corner_values(worse_ends, corner)) for corner in CORNERS}
            planned.append((answer, points))
        self._prepare(instance, question, [point for _, points in planned for point in points.values()])
        for answer, points in planned:
            answer.corners = {corner: self._corner_answer(answer, point) for corner, point in points.items()}
            self.answers.append(answer)

    def _prepare(self, instance: str, question: Question, points: Sequence[Point]) -> None:
        """Lets a stage calculate side by side what the hand calculations of many points share."""
        planner = self._planner(instance)
        situations = [self.situation(instance, question, point) for point in points]
        planner.prepare(question.study, list(dict.fromkeys(situations)))

    @staticmethod
    def _keys(question: Question, expected: Expected) -> list[tuple[str, str]]:
        if isinstance(expected, NoExpectation):  # no hand calculation, so the subjects are not known from it
            return [(metric, "bulk") for metric in question.metrics]
        wanted = [key for key in expected if key[0] in question.metrics]
        return sorted(wanted, key=lambda key: question.metrics.index(key[0]))

    def situation(self, instance: str, question: Question, point: Point) -> Situation:
        """Parameters and condition of an instance under a question at a point; each is made once."""
        key = (instance, question, frozenset(point.values.items()), frozenset(point.structure.items()))
        if key not in self._situations:
            self._situations[key], _ = self._planner(instance).situation(self.record, instance, point, question)
        return self._situations[key]

    def expected(self, instance: str, question: Question, point: Point) -> Expected:
        """Hand calculation of a question's study at a point, or why there is none; each is made once."""
        planner, study = self._planner(instance), question.study
        about = self.situation(instance, question, point)
        key = (study, planner.relevant(study, about))
        if key not in self._hand:
            try:
                self._hand[key] = planner.expect(study, about)
                self._started[key] = planner.started(study, about)
            except ArithmeticError as error:
                self._hand[key] = NoExpectation(str(error), isinstance(error, NotModelledError))
        return self._hand[key]

    def _planner(self, instance: str) -> StagePlan:
        return PLANS[kind_of(self.record, instance)]

    def hand_value(self, answer: Answer, point: Point) -> float | None:
        """Hand calculation of an answer's metric at a point."""
        return _value_of(answer, self.expected(answer.instance, answer.question, point))

    def worse_ends(self, answer: Answer, ends: InputEnds) -> dict[str, tuple[float, float]]:
        """Path -> (worse end, better end) of every open input that moves the metric."""
        sign = 1.0 if answer.rule.worse == "high" else -1.0
        found: dict[str, tuple[float, float]] = {}
        for path, expected in ends.items():
            quantity = self.record.quantities[path]
            known_worse = self._planner(answer.instance).worse_end(answer.question.study, path)
            at_low, at_high = (_value_of(answer, one) for one in expected)
            if known_worse:
                low_is_worse = known_worse == "low"
            elif at_low is None or at_high is None:  # an end without settled operation is the worse one
                low_is_worse = at_low is None
            elif math.isclose(at_low, at_high, rel_tol=NO_SWING):
                continue  # stays nominal: which of two rounding errors is larger must decide nothing
            else:
                low_is_worse = sign * at_low > sign * at_high
            found[path] = (quantity.low, quantity.high) if low_is_worse else (quantity.high, quantity.low)
        return found

    def _corner_values(self, worse_ends: Mapping[str, tuple[float, float]], corner: Corner) -> dict[str, float]:
        if corner == "nominal":
            return {}
        unread = {path for path in worse_ends if self.record.quantities[path].known in UNREAD}
        return {
            path: better if corner == "rescued" and path in unread else worse
            for path, (worse, better) in worse_ends.items()
        }

    def _corner_answer(self, answer: Answer, point: Point) -> CornerAnswer:
        situation = self.situation(answer.instance, answer.question, point)
        expected = self.expected(answer.instance, answer.question, point)
        if isinstance(expected, NoExpectation):
            return CornerAnswer(point, situation, None, error=expected.reason, not_modelled=expected.not_modelled)
        return CornerAnswer(point, situation, expected.get((answer.metric, answer.subject)))

    def run(self, campaign: Campaign) -> None:
        """Simulates every answer's nominal point."""
        self._simulate(campaign, [(answer, answer.corners["nominal"]) for answer in self.answers])

    def simulate_corners(self, campaign: Campaign, answers: Sequence[Answer]) -> None:
        """Simulates the adverse and the rescued point of some answers."""
        self._simulate(campaign, [(answer, corner) for answer in answers for corner in answer.corners.values()])

    def simulate_ends(self, campaign: Campaign, answers: Sequence[Answer]) -> None:
        """Runs every open input of some answers at both its ends, all others nominal, beside the hand calculation."""
        for answer in answers:
            nominal = answer.corners["nominal"].point
            for path in answer.corners["adverse"].point.values:
                quantity = self.record.quantities[path]
                for end, value in (("low", quantity.low), ("high", quantity.high)):
                    answer.ends[path, end] = self._corner_answer(answer, nominal.with_values({path: value}))
        self._simulate(campaign, [(answer, corner) for answer in answers for corner in answer.ends.values()])

    def _simulate(self, campaign: Campaign, wanted: Sequence[tuple[Answer, CornerAnswer]]) -> None:
        """Runs the studies of some points that have not run yet, then fills the points in."""
        fresh: dict[tuple[str, Situation], Making] = {}
        for answer, corner in wanted:
            key = (answer.question.study, corner.situation)
            if key not in self._studies and key not in fresh:
                planner, study = self._planner(answer.instance), answer.question.study
                known = (study, planner.relevant(study, corner.situation))
                fresh[key] = (planner.STUDIES[study], self._started.get(known, corner.situation))
        begun = begin(campaign, list(fresh.values()))
        self._studies |= zip(fresh, (one.study for one in begun), strict=True)
        run_rounds(campaign, begun)
        for answer, corner in wanted:
            self._fill(answer, corner)

    def _fill(self, answer: Answer, corner: CornerAnswer) -> None:
        result = self._studies[answer.question.study, corner.situation].result
        key = (answer.metric, answer.subject)
        corner.was_run = True
        corner.finding = result.findings.get(key)
        corner.angle = result.angles.get(key)
        if corner.finding is None:
            corner.error = result.error or corner.error or f"no {answer.metric} of {answer.subject} was measured"


def _value_of(answer: Answer, expected: Expected) -> float | None:
    """An answer's own metric among what a hand calculation found."""
    expectation = None if isinstance(expected, NoExpectation) else expected.get((answer.metric, answer.subject))
    return None if expectation is None else expectation.value
