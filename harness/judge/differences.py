"""What differs between two records, or between two stored assessments: places, and their fields.

A place is a table of the record by its path: ``stages.logic_5v.parts.C40``, ``nameplate.rails.lamp``, or
``limits.policies.fuse``. So a part is known by its instance and designator; moved to another instance, it is a part
less and a part more.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel

from harness.judge.limits_file import LimitsFile
from harness.judge.listings import limits_summary
from netlists.quantity import Quantity
from netlists.record import SupplyRecord

Content = Mapping[str, Mapping[str, Any]]  # place -> field -> plain JSON value; no entry where nothing is given
LEFT_OUT = ("known",)  # of a table: it says how plain values are known, and stands in each quantity


@dataclass(frozen=True, slots=True)
class Difference:
    """A place that differs.

    Parameters
    ----------
    change : the place is in the second only (added), in the first only (removed), or has other fields
    fields : name -> (before, after); None where there is none
    """

    place: str
    change: Literal["added", "removed", "changed"]
    fields: Mapping[str, tuple[Any, Any]]


def differences(before: Content, after: Content) -> tuple[Difference, ...]:
    """Every place that differs: those of the first in its order, then those added."""
    found = []
    for place in dict.fromkeys((*before, *after)):
        old, new = before.get(place, {}), after.get(place, {})
        fields = {
            name: (old.get(name), new.get(name))
            for name in dict.fromkeys((*old, *new))
            if old.get(name) != new.get(name)
        }
        change: Literal["added", "removed", "changed"] = (
            "added" if place not in before else "removed" if place not in after else "changed"
        )
        if fields or change != "changed":
            found.append(Difference(place, change, fields))
    return tuple(found)


def moved_by_formula(found: Iterable[Difference]) -> tuple[tuple[str, Any, Any], ...]:
    """Path, and quantity before and after, of every inferred value that a correction elsewhere moved.

    Inferred on both sides, with another number: nobody wrote it, a formula did.
    """
    return tuple(
        (f"{one.place}.{name}", old, new)
        for one in found
        for name, (old, new) in one.fields.items()
        if _is_inferred(old) and _is_inferred(new)
    )


def _is_inferred(value: Any) -> bool:
    return isinstance(value, Mapping) and value.get("known") == "inferred"


def content_of_record(record: SupplyRecord, limits: LimitsFile) -> Content:
    """All a record and the limits file in force say; inferred values as computed."""
    content = {place or "record": fields for place, fields in _tables(record, record.data, "")}
    summary = {**limits_summary(limits), "rails": [dataclasses.asdict(rail) for rail in limits.rails]}
    return {**content, **dict(_limits(summary))}


def content_of_state(state: Mapping[str, Any]) -> Content:
    """What a stored assessment keeps of its record: names, parts, claims, measurements, limits in force."""
    content: dict[str, dict[str, Any]] = {"record": {"name": state["record"], "title": state["title"]}}
    for part in state["parts"]:
        fields = {name: value for name, value in part.items() if name not in ("instance", "designator", "quantities")}
        place = f"stages.{part['instance']}.parts.{part['designator']}"
        content[place] = _given({**fields, **part["quantities"]})
    for claim in state["claims"]:
        content[f"claims.{claim['claim']}"] = _given({name: claim.get(name) for name in ("metric", "source")})
    for one in state["measurements"]:
        names = ("metric", "instance", "date", "measured", "uncertainty", "unit")
        content[f"measurements.{one['measurement']}"] = _given({name: one.get(name) for name in names})
    rails = [
        {name: value for name, value in rail.items() if name not in ("state", "voltage")}
        for rail in state.get("rail_limits", ())
    ]
    return {**content, **dict(_limits({**state.get("limits", {}), "rails": rails}))}


def _tables(record: SupplyRecord, model: BaseModel, path: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Path and fields of a table of the record and of all tables in it."""
    fields: dict[str, Any] = {}
    inner: list[tuple[str, BaseModel]] = []
    for name, info in type(model).model_fields.items():
        value, dotted = getattr(model, name), f"{path}.{name}" if path else name
        if isinstance(value, Quantity):
            fields |= _quantity(name, record.quantities[dotted])
        elif isinstance(value, BaseModel):
            inner.append((dotted, value))
        elif isinstance(value, dict) and any(isinstance(item, BaseModel) for item in value.values()):
            inner += [(f"{dotted}.{key}", item) for key, item in value.items()]
        elif isinstance(value, list):
            fields[name] = [_plain(item) for item in value]
        elif name not in LEFT_OUT:
            fields[info.alias or name] = _plain(value)
    yield path, _given(fields)
    for dotted, item in inner:
        yield from _tables(record, item, dotted)


def _plain(value: Any) -> Any:
    """A line of the history as one text, all else as it is."""
    if isinstance(value, BaseModel):
        return ", ".join(str(item) for item in value.model_dump().values() if item != "")
    return value


def _quantity(name: str, quantity: Quantity) -> dict[str, Any]:
    """A quantity's numbers under its name, and the texts beside them under names of their own."""
    q = quantity
    fields: dict[str, Any] = {
        name: {"value": q.nominal, "low": q.low, "high": q.high, "unit": q.unit, "known": q.known}
    }
    if q.formula:
        fields[f"{name} formula"] = q.formula
        fields |= {f"{name} of {argument}": path for argument, path in q.of.items()}
        fields[f"{name} tolerance"] = list(q.deviation) if any(q.deviation) else None
    return fields | {f"{name} {text}": getattr(q, text) for text in ("note", "evidence", "date")}


def _limits(summary: Mapping[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Policies, overrides and limits of rails, each as a place."""
    for policy in summary.get("policies", ()):
        yield f"limits.policies.{policy['kind']}", _given(policy)
    for override in summary.get("overrides", ()):
        yield f"limits.overrides.{override['name']}", _given(override)
    for rail in summary.get("rails", ()):
        yield f"limits.rails.{rail['rail']}.{rail['quantity']}", _given(rail)


def _given(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Fields without those that say nothing."""
    return {name: value for name, value in fields.items() if value not in (None, "", [], {})}
