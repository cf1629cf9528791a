"""Parts of a report as plain values for its template: values, photos, notes, corrections."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

from harness.show.report import texts
from harness.show.report.evidence import Evidence
from netlists.instances import StageInstance
from netlists.record import SupplyRecord


def parts(assessment: Mapping[str, Any], record: SupplyRecord, evidence: Evidence) -> list[dict[str, Any]]:
    """Parts of every instance with how each value is known, photos, and what was corrected."""
    simulated = set(assessment["coverage"]["parts"]["simulated"])
    found = []
    for instance, group in itertools.groupby(assessment["parts"], key=lambda part: part["instance"]):
        stage = record.data.stages.get(instance)
        rows = [
            _part(part, simulated) | _shown_of(evidence, (instance, part["designator"]))
            | {"history": _history(stage, part["designator"])}
            for part in group
        ]  # fmt: skip
        own = _shown_of(evidence, (instance, "")) | {"note": stage.note if stage else ""}
        found.append({"instance": instance, "parts": rows, "own": own})
    return found


def _shown_of(evidence: Evidence, place: tuple[str, str]) -> dict[str, Any]:
    return {"photos": evidence.pictures.get(place, ()), "evidence": ", ".join(evidence.files.get(place, ()))}


def _history(stage: StageInstance | None, designator: str) -> list[dict[str, str]]:
    """Corrections of a part, oldest first; lines of one day as they stand in the record."""
    part = stage.parts.get(designator) if stage else None
    return [line.model_dump() for line in sorted(part.history, key=lambda line: line.date)] if part else []


def _part(part: Mapping[str, Any], simulated: set[str]) -> dict[str, Any]:
    counts = [f"{part[name]} in {name}" for name in ("parallel", "series") if part.get(name, 1) > 1]
    return {
        "designator": part["designator"],
        "kind": texts.words(part.get("kind", "")),
        "role": texts.words(part.get("role") or "") if part.get("role") != part.get("kind") else "",
        "about": ", ".join(filter(None, [part.get("description", ""), *counts])),
        "note": part.get("note", ""),
        "simulated": part["designator"] in simulated,
        "values": [
            {"name": texts.words(name), "value": value_text(one), "known": one["known"]}
            for name, one in part["quantities"].items()
            if one["value"] is not None
        ],
    }


def value_text(one: Mapping[str, Any]) -> str:
    """A value with its range."""
    nominal = texts.value(one["value"], one["unit"])
    if one["low"] == one["high"]:
        return nominal
    return f"{nominal} ({texts.spread(one['low'], one['high'], one['unit'])})"


def further_history(record: SupplyRecord) -> list[dict[str, str]]:
    """Corrections that are of no part, oldest first, each with its stage; empty: of the record itself."""
    found = [{"stage": "", **line.model_dump()} for line in record.data.history]
    for name, stage in record.data.stages.items():
        found += [{"stage": name, **line.model_dump()} for line in stage.history]
    return sorted(found, key=lambda line: line["date"])
