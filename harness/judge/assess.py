"""Puts a plan's answers, limits and verdicts together as one frozen Assessment; its JSON is what others read."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from harness.judge.agreement import Agreement, agreement, difference
from harness.judge.corners import corner_value
from harness.judge.limits import Limit, limit_of, missing_limit
from harness.judge.limits_file import NO_LIMITS, LimitsFile
from harness.judge.listings import (
    claim_rows,
    coverage,
    limits_summary,
    measurement_rows,
    part_rows,
    rail_rows,
    recorded_only,
)
from harness.judge.review import review
from harness.judge.sensitivity import break_evens, sensitivities
from harness.judge.structures import StruckOut, is_struck_out, struck_out
from harness.judge.verdict import Verdict, decide, margin
from harness.plan.plan import CORNERS, PLANS, Answer, Corner, Plan, kind_of
from netlists.record import SupplyRecord

SCHEMA = 1


@dataclass(frozen=True)
class Assessment:
    """Everything a check found, in plain JSON types.

    Parameters
    ----------
    metrics : one mapping a metric, keys as in DEVELOPERS.md, in the order they were asked
    limits : what the limits file chose
    rail_limits : its limits of output rails, and whether they are judged in the metrics
    not_modelled : what no study answers, with the reason
    review : what reading the record without simulating has to say, as ``harness.judge.review`` has it
    struck_out : alternatives of structure that cannot be, with the reason and their rows, which count for nothing
    """

    record: str
    title: str
    coverage: Mapping[str, Any]
    metrics: tuple[Mapping[str, Any], ...]
    parts: tuple[Mapping[str, Any], ...]
    claims: tuple[Mapping[str, Any], ...]
    measurements: tuple[Mapping[str, Any], ...]
    provenance: Mapping[str, Any]
    limits: Mapping[str, Any]
    rail_limits: tuple[Mapping[str, Any], ...]
    struck_out: tuple[Mapping[str, Any], ...]
    not_modelled: tuple[Mapping[str, Any], ...]
    review: Mapping[str, Any] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """0: all within or unjudged; 1: something is over, undecided or failed."""
        return 1 if any(row["verdict"] in ("over", "undecided", "failed") for row in self.metrics) else 0

    def to_json(self) -> str:
        """The assessment as JSON text; numbers that are not finite become null."""
        content = {"schema": SCHEMA, **{name: getattr(self, name) for name in self.__dataclass_fields__}}
        return json.dumps(finite(content), indent=1, allow_nan=False) + "\n"

    @classmethod
    def from_state(cls, state: Mapping[str, Any]) -> Assessment:
        """The assessment that a stored one's JSON was written of."""
        lists: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value for name, value in state.items()
        }
        return cls(
            **{name: lists[name] for name in cls.__dataclass_fields__ if name in lists}
        )  # an older one has fewer


def finite(value: Any) -> Any:
    """Plain JSON types, with null for numbers that are not finite."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    return value


def assess(
    record: SupplyRecord, plan: Plan, provenance: Mapping[str, Any], limits: LimitsFile = NO_LIMITS
) -> Assessment:
    """Judges a plan whose studies have run."""
    struck = struck_out(plan)
    kept = [answer for answer in plan.answers if not is_struck_out(answer, struck)]
    all_rows = [(answer, _row(record, plan, answer, limits)) for answer in kept]
    # what is simulated for a measurement alone is compared, not judged
    rows = tuple(row for answer, row in all_rows if not answer.question.measurement)
    measured: dict[str, dict[str, Any]] = {}
    for answer, row in all_rows:  # with alternatives of structure, the first stated is compared
        if answer.question.measurement:
            measured.setdefault(answer.question.measurement, row)
    return Assessment(
        record.name,
        record.data.title,
        coverage(record, kept),
        rows,
        tuple(part_rows(record)),
        tuple(claim_rows(record, rows)),
        tuple(measurement_rows(record, measured)),
        {**provenance, "created_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")},
        limits_summary(limits),
        tuple(rail_rows(record, limits, rows)),
        tuple(_struck_row(record, plan, item, limits) for item in struck),
        tuple(
            {"instance": instance, "what": what, "reason": reason}
            for instance in dict.fromkeys(answer.instance for answer in plan.answers)
            for what, reason in PLANS[kind_of(record, instance)].not_modelled(record, instance)
        )
        + tuple(recorded_only(record)),
        review(record, limits.accepted).plain(),
    )


def undecided_answers(record: SupplyRecord, plan: Plan, limits: LimitsFile = NO_LIMITS) -> list[Answer]:
    """The answers of a plan that has run whose verdict hangs on values not read yet."""
    struck = struck_out(plan)
    return [
        answer
        for answer in plan.answers
        if not is_struck_out(answer, struck)
        and not answer.question.measurement
        and _verdict(answer, limit_of(record, answer, limits)).word == "undecided"
    ]


def _struck_row(record: SupplyRecord, plan: Plan, item: StruckOut, limits: LimitsFile) -> dict[str, Any]:
    answers = [answer for answer in plan.answers if is_struck_out(answer, [item]) and not answer.question.measurement]
    return {
        "instance": item.instance,
        "structure": dict(item.structure),
        "reason": item.reason,
        "metrics": [_row(record, plan, answer, limits) for answer in answers],
    }


def _agreements(answer: Answer) -> tuple[Agreement, ...]:
    """With the hand calculation, at every point simulated."""
    corners = (answer.corners[corner] for corner in CORNERS)
    return tuple(agreement(c.finding.metric.value, c.hand) for c in corners if c.finding is not None)


def _verdict(answer: Answer, limit: Limit | None) -> Verdict:
    run = [answer.corners[corner] for corner in CORNERS if answer.corners[corner].was_run]
    lost = [corner for corner in run if corner.finding is None]
    error, beyond = (
        next((corner.error for corner in lost if corner.not_modelled == is_beyond), "") for is_beyond in (False, True)
    )
    adverse, rescued = (_value(answer, corner) for corner in ("adverse", "rescued"))
    return decide(limit, adverse, rescued, _agreements(answer), error, missing_limit(answer), beyond)


def _row(record: SupplyRecord, plan: Plan, answer: Answer, limits: LimitsFile) -> dict[str, Any]:
    limit = limit_of(record, answer, limits)
    verdict = _verdict(answer, limit)
    # where simulation and hand calculation disagree, or an end has no model, no value found by hand could settle it
    is_settled_by_hand = "disagrees" not in _agreements(answer) and not answer.corners["adverse"].not_modelled
    hangs_on = limit if verdict.word == "undecided" and is_settled_by_hand else None
    return {
        "instance": answer.instance,
        "metric": answer.metric,
        "subject": answer.subject,
        "condition": _condition(answer),
        **_found(answer),
        **_held_against(answer, limit),
        "verdict": verdict.word,
        "why": verdict.why,
        "adverse": _corner(answer, "adverse"),
        "rescued": _corner(answer, "rescued"),
        "rests_on": list(answer.rests_on),
        "sensitivities": sensitivities(plan, answer, limit),
        "break_even": break_evens(plan, answer, hangs_on, "adverse") if hangs_on else [],
        "break_even_alone": break_evens(plan, answer, hangs_on, "nominal") if hangs_on else [],
    }


def _found(answer: Answer) -> dict[str, Any]:
    """The nominal value, where it was taken, and the hand calculation beside it."""
    found, hand = answer.corners["nominal"].finding, answer.corners["nominal"].hand
    agreements = _agreements(answer)
    return {
        "value": found.metric.value if found else None,
        "unit": answer.rule.unit,
        "window": list(found.metric.window) if found else None,
        "at": found.metric.at if found else None,
        "hand": hand.value if hand else None,
        "hand_source": hand.source if hand else None,
        "difference": difference(found.metric.value, hand) if found else None,
        "expected_difference": [hand.difference.low, hand.difference.high, hand.difference.reason] if hand else None,
        "agreement": "disagrees" if "disagrees" in agreements else (agreements[0] if agreements else None),
        "run_id": found.run_id if found else None,
    }


def _held_against(answer: Answer, limit: Limit | None) -> dict[str, Any]:
    """The limit with its source, and the adverse value's margin to it."""
    adverse = _value(answer, "adverse")
    return {
        "limit": limit.nominal if limit else None,
        "limit_adverse": limit.adverse if limit else None,
        "limit_side": limit.worse if limit else None,
        "limit_source": limit.source if limit else None,
        "limit_policy": (limit.policy or None) if limit else None,
        "limit_override": (limit.override or None) if limit else None,
        "margin": margin(adverse, limit) if limit and adverse is not None else None,
    }


def _value(answer: Answer, corner: Corner) -> float | None:
    found = corner_value(answer, corner)
    return None if found is None else found.value


def _condition(answer: Answer) -> dict[str, Any]:
    question = answer.question
    nominal = answer.corners["nominal"]
    condition = nominal.situation.condition
    return {
        "label": question.label,
        "study": question.study,
        "supply": question.supply,
        "line_voltage": question.line_voltage,
        "line_frequency": question.line_frequency,
        "output_power": question.output_power,
        "load_fraction": question.load_fraction,
        "ambient": condition.ambient,
        "switch_on_angle": nominal.angle if condition.line_angle is None else None,
        "line_angle": None if condition.line_angle is None else (nominal.angle or condition.line_angle),
        "probe": condition.probe,
        "structure": dict(answer.structure),
    }


def _corner(answer: Answer, name: Corner) -> dict[str, Any]:
    corner, found = answer.corners[name], corner_value(answer, name)
    return {
        "value": found.value if found else None,
        "by": found.by if found else None,
        "hand": corner.hand.value if corner.hand else None,
        "difference": difference(corner.finding.metric.value, corner.hand) if corner.finding else None,
        "at": corner.finding.metric.at if corner.finding else None,
        "switch_on_angle": corner.angle,
        "inputs": dict(corner.point.values),
        "run_id": corner.finding.run_id if corner.finding else None,
        "error": corner.error,
    }
