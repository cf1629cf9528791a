"""What an assessment lists beside its metrics: coverage, parts, claims, measurements, limits in force, rails."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from harness.judge.limits_file import LimitsFile
from harness.judge.uncertainty import agrees, combined_uncertainty, predicted_uncertainty
from harness.plan.plan import Answer
from netlists.catalog import STAGES
from netlists.quantity import read_tolerance, read_value
from netlists.record import SupplyRecord


def coverage(record: SupplyRecord, answers: Sequence[Answer]) -> dict[str, Any]:
    """Which instances and parts a number was simulated from, calculated from by hand only, or recorded only."""
    simulated_paths = {path for answer in answers for path in answer.rests_on}
    instances = {
        name: "simulated" if any(answer.instance == name for answer in answers) else "recorded only"
        for name in record.data.stages
    }
    parts: dict[str, list[str]] = {"simulated": [], "hand_only": [], "recorded_only": []}
    for name, stage in record.data.stages.items():
        for designator in stage.parts:
            prefix = f"stages.{name}.parts.{designator}."
            used = any(path.startswith(prefix) for path in simulated_paths)
            parts["simulated" if used else "recorded_only"].append(designator)
    return {"instances": instances, "parts": parts}


def recorded_only(record: SupplyRecord) -> Iterator[dict[str, str]]:
    """Instances that are never simulated, each with the reason."""
    for name, stage in record.data.stages.items():
        kind = getattr(stage, "kind", "")
        if kind not in STAGES:
            reason = f"{kind} has no model; parts of it that another stage refers to are simulated there"
        elif not stage.is_modelled():
            reason = f"no part of it has a role yet, which says where in a {kind} it stands"
        else:
            continue
        yield {"instance": name, "what": "recorded only", "reason": reason}


def part_rows(record: SupplyRecord) -> list[dict[str, Any]]:
    """Every part as recorded."""
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


def claim_rows(record: SupplyRecord, rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Credible, not credible or cannot tell, of every claim; alternatives of structure must agree to tell."""
    words = {"within": "credible", "over": "not credible"}
    claims = []
    for name, claim in record.data.claims.items():
        about = [row for row in rows if row["condition"]["label"] == f"claim {name}"]
        verdicts = {words.get(row["verdict"], "cannot tell") for row in about}
        verdict = verdicts.pop() if len(verdicts) == 1 else "cannot tell"
        if not about:
            why = "its metric is not simulated"
        else:
            why = about[0]["why"] if not verdicts else "the alternatives of structure do not agree"
        claims.append({"claim": name, "metric": claim.metric, "source": claim.source, "verdict": verdict, "why": why})
    return claims


def measurement_rows(record: SupplyRecord, rows: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Every measurement beside the row that was simulated for it, by the measurement's name."""
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
                **_consistency(row, value, (low, high)),
                "run_id": row["run_id"] if row else None,
            }
        )
    return compared


def _consistency(
    row: Mapping[str, Any] | None, measured: float | None, relative: tuple[float, float]
) -> dict[str, Any]:
    """Uncertainty of the prediction and of its difference to what was measured (below, above; SI); if they agree."""
    own = predicted_uncertainty(row) if row is not None else None
    if row is None or own is None or measured is None:
        return {"predicted_uncertainty": None, "combined_uncertainty": None, "consistent": None}
    combined = combined_uncertainty(own, measured, relative)
    return {
        "predicted_uncertainty": list(own),
        "combined_uncertainty": list(combined),
        "consistent": agrees(row["value"] - measured, combined),
    }


def limits_summary(limits: LimitsFile) -> dict[str, Any]:
    """What the limits file chose; every kind of part not named is held to the manufacturer's rating."""
    return {
        "file": limits.file or None,
        "sha256": limits.sha256 or None,
        "rules_sha256": limits.rules_sha256 or None,
        "policies": [
            {
                "kind": kind,
                "policy": policy.name,
                "fractions": dict(policy.fractions),
                "source": policy.source,
                "mark": policy.mark,
                "reason": policy.reason,
            }
            for kind, policy in limits.policies.items()
        ],
        "overrides": [dataclasses.asdict(override) for override in limits.overrides],
    }


def rail_rows(record: SupplyRecord, limits: LimitsFile, rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Limits of output rails: judged in the metrics where ripple or voltage of the rail is, else kept until it is."""
    answers = {"output_ripple_probe": "ripple", "output_voltage": "regulation"}
    judged = {(row["subject"], answers[row["metric"]]) for row in rows if row["metric"] in answers}
    rails = record.data.nameplate.rails
    found = []
    for limit in limits.rails:
        voltage = rails[limit.rail].voltage
        state = "judged" if (limit.rail, limit.quantity) in judged else "not simulated yet"
        found.append({**dataclasses.asdict(limit), "voltage": voltage.nominal if voltage else None, "state": state})
    return found
