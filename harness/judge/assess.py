"""Puts a plan's answers, limits and verdicts together as one frozen Assessment; its JSON is what others read."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from scipy.optimize import brentq

from harness.judge.agreement import agreement, difference
from harness.judge.limits import Limit, limit_of, missing_limit
from harness.judge.verdict import decide, margin
from harness.plan.plan import CORNERS, UNREAD, Answer, CornerAnswer, Plan
from netlists.point import Point
from netlists.quantity import read_tolerance, read_value
from netlists.record import SupplyRecord

SCHEMA = 1
BREAK_EVEN_TOLERANCE = 1e-4  # of the input's range


@dataclass(frozen=True)
class Assessment:
    """Everything a check found, in plain JSON types.

    Parameters
    ----------
    metrics : one mapping a metric, keys as in DEVELOPERS.md, in the order they were asked
    """

    record: str
    title: str
    coverage: Mapping[str, Any]
    metrics: tuple[Mapping[str, Any], ...]
    parts: tuple[Mapping[str, Any], ...]
    claims: tuple[Mapping[str, Any], ...]
    measurements: tuple[Mapping[str, Any], ...]
    provenance: Mapping[str, Any]

    @property
    def exit_code(self) -> int:
        """0: all within or unjudged; 1: something is over, undecided or failed."""
        return 1 if any(row["verdict"] in ("over", "undecided", "failed") for row in self.metrics) else 0

    def to_json(self) -> str:
        """The assessment as JSON text; numbers that are not finite become null."""
        content = {"schema": SCHEMA, **{name: getattr(self, name) for name in self.__dataclass_fields__}}
        return json.dumps(_finite(content), indent=1, allow_nan=False) + "\n"


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value


def assess(record: SupplyRecord, plan: Plan, provenance: Mapping[str, Any]) -> Assessment:
    """Judges a plan whose studies have run."""
    all_rows = [(answer, _row(record, plan, answer)) for answer in plan.answers]
    # what is simulated for a measurement alone is compared, not judged
    rows = tuple(row for answer, row in all_rows if not answer.question.measurement)
    measured = {answer.question.measurement: row for answer, row in all_rows if answer.question.measurement}
    return Assessment(
        record.name,
        record.data.title,
        coverage(record, plan),
        rows,
        tuple(_parts(record)),
        tuple(_claims(record, rows)),
        tuple(_measurements(record, measured)),
        {**provenance, "created_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")},
    )


def _row(record: SupplyRecord, plan: Plan, answer: Answer) -> dict[str, Any]:
    limit = limit_of(record, answer)
    nominal, adverse = answer.corners["nominal"], answer.corners["adverse"]
    values = {corner: _value(answer.corners[corner]) for corner in CORNERS}
    errors = [answer.corners[corner].error for corner in CORNERS if answer.corners[corner].finding is None]
    agreements = tuple(
        agreement(value, answer.corners[corner].hand) for corner, value in values.items() if value is not None
    )
    verdict = decide(
        limit, values["adverse"], values["rescued"], agreements, errors[0] if errors else "", missing_limit(answer)
    )
    found = nominal.finding
    hand = nominal.hand
    return {
        "instance": answer.instance,
        "metric": answer.metric,
        "subject": answer.subject,
        "condition": _condition(answer),
        "value": values["nominal"],
        "unit": answer.rule.unit,
        "window": list(found.metric.window) if found else None,
        "at": found.metric.at if found else None,
        "hand": hand.value if hand else None,
        "hand_source": hand.source if hand else None,
        "difference": difference(found.metric.value, hand) if found else None,
        "expected_difference": [hand.difference.low, hand.difference.high, hand.difference.reason] if hand else None,
        "agreement": "disagrees" if "disagrees" in agreements else (agreements[0] if agreements else None),
        "limit": limit.nominal if limit else None,
        "limit_adverse": limit.adverse if limit else None,
        "limit_side": limit.worse if limit else None,
        "limit_source": limit.source if limit else None,
        "margin": margin(values["adverse"], limit) if limit and values["adverse"] is not None else None,
        "verdict": verdict.word,
        "why": verdict.why,
        "adverse": _corner(adverse),
        "rescued": _corner(answer.corners["rescued"]),
        "rests_on": list(answer.rests_on),
        "break_even": _break_even(record, plan, answer, limit) if verdict.word == "undecided" and limit else [],
        "run_id": found.run_id if found else None,
    }


def _value(corner: CornerAnswer) -> float | None:
    return corner.finding.metric.value if corner.finding else None


def _condition(answer: Answer) -> dict[str, Any]:
    question = answer.question
    situation = answer.corners["nominal"].situation
    return {
        "label": question.label,
        "study": question.study,
        "supply": question.supply,
        "line_voltage": question.line_voltage,
        "line_frequency": question.line_frequency,
        "output_power": question.output_power,
        "load_fraction": question.load_fraction,
        "ambient": situation.condition.ambient,
        "switch_on_angle": answer.corners["nominal"].angle,
        "structure": dict(answer.structure),
    }


def _corner(corner: CornerAnswer) -> dict[str, Any]:
    return {
        "value": _value(corner),
        "hand": corner.hand.value if corner.hand else None,
        "difference": difference(corner.finding.metric.value, corner.hand) if corner.finding else None,
        "at": corner.finding.metric.at if corner.finding else None,
        "switch_on_angle": corner.angle,
        "inputs": dict(corner.point.values),
        "run_id": corner.finding.run_id if corner.finding else None,
        "error": corner.error,
    }


def _break_even(record: SupplyRecord, plan: Plan, answer: Answer, limit: Limit) -> list[dict[str, Any]]:
    """For each unread input, the value at which the verdict flips with all others adverse.

    By the hand calculation, scaled to what the simulation gave at the adverse ends.
    """
    adverse = answer.corners["adverse"]
    simulated = _value(adverse)
    if simulated is None or adverse.hand is None or adverse.hand.value == 0:
        return []
    scale = simulated / adverse.hand.value
    flips = []
    for path in adverse.point.values:
        quantity = record.quantities[path]
        if quantity.known not in UNREAD:
            continue
        value = _flip(plan, answer, limit, adverse.point, path, (quantity.low, quantity.high), scale)
        if value is not None:
            flips.append(
                {"path": path, "value": value, "unit": quantity.unit, "low": quantity.low, "high": quantity.high}
            )
    return flips


def _flip(
    plan: Plan, answer: Answer, limit: Limit, adverse: Point, path: str, ends: tuple[float, float], scale: float
) -> float | None:
    def over(value: float) -> float:
        by_hand = plan.hand_value(answer, adverse.with_values({path: value}))
        return math.nan if by_hand is None else margin(by_hand * scale, limit)

    low, high = over(ends[0]), over(ends[1])
    if not (math.isfinite(low) and math.isfinite(high)) or low * high >= 0:
        return None
    return float(brentq(over, ends[0], ends[1], xtol=BREAK_EVEN_TOLERANCE * (ends[1] - ends[0])))


def coverage(record: SupplyRecord, plan: Plan) -> dict[str, Any]:
    """Which instances and parts a number was simulated from, calculated from by hand only, or recorded only."""
    simulated_paths = {path for answer in plan.answers for path in answer.rests_on}
    instances = {
        name: "simulated" if any(answer.instance == name for answer in plan.answers) else "recorded only"
        for name in record.data.stages
    }
    parts: dict[str, list[str]] = {"simulated": [], "hand_only": [], "recorded_only": []}
    for name, stage in record.data.stages.items():
        for designator in stage.parts:
            prefix = f"stages.{name}.parts.{designator}."
            used = any(path.startswith(prefix) for path in simulated_paths)
            parts["simulated" if used else "recorded_only"].append(designator)
    return {"instances": instances, "parts": parts}


def _parts(record: SupplyRecord) -> list[dict[str, Any]]:
    rows = []
    for name, stage in record.data.stages.items():
        for designator, part in stage.parts.items():
            prefix = f"stages.{name}.parts.{designator}."
            values = {
                path.removeprefix(prefix): {
                    "value": q.nominal, "low": q.low, "high": q.high, "unit": q.unit, "known": q.known,
                }
                for path, q in record.quantities.items()
                if path.startswith(prefix)
            }  # fmt: skip
            rows.append(
                {
                    "instance": name,
                    "designator": designator,
                    "kind": getattr(part, "kind", ""),
                    "role": part.role,
                    "description": part.description,
                    "parallel": part.parallel,
                    "series": part.series,
                    "quantities": values,
                    "note": part.note,
                    "evidence": list(part.evidence),
                }
            )
    return rows


def _claims(record: SupplyRecord, rows: tuple[dict[str, Any], ...]) -> list[dict[str, Any]]:
    claims = []
    for name, claim in record.data.claims.items():
        row = next((row for row in rows if row["condition"]["label"] == f"claim {name}"), None)
        words = {"within": "credible", "over": "not credible"}
        verdict = words.get(row["verdict"], "cannot tell") if row else "cannot tell"
        why = row["why"] if row else "its metric is not simulated"
        claims.append({"claim": name, "metric": claim.metric, "source": claim.source, "verdict": verdict, "why": why})
    return claims


def _measurements(record: SupplyRecord, rows: Mapping[str, dict[str, Any]]) -> list[dict[str, Any]]:
    compared = []
    for name, measurement in record.data.measurements.items():
        row = rows.get(name)
        unit = row["unit"] if row else ""
        value = read_value(measurement.value, unit) if row else None
        predicted = row["value"] if row else None
        low, high = read_tolerance(measurement.uncertainty)
        compared.append(
            {
                "measurement": name,
                "instance": measurement.instance,
                "metric": measurement.metric,
                "date": measurement.date,
                "measured": value,
                "uncertainty": [low, high],
                "unit": unit,
                "predicted": predicted,
                "predicted_adverse": row["adverse"]["value"] if row else None,
                "difference": predicted / value - 1 if predicted is not None and value else None,
                "run_id": row["run_id"] if row else None,
            }
        )
    return compared
