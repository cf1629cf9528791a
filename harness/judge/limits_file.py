"""The limits file: what a person says ratings are worth, beside a record. Read whole or refused with all findings.

``<record-stem>.limits.toml`` lies beside its record. It chooses a policy for kinds of parts, overrides single limits
with a reason, states limits of output rails, and holds what a person answers for: remarks accepted, rows waived.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from harness.judge.policies import (
    MANUFACTURER,
    PROJECT,
    PUBLISHED,
    RAIL_GUIDES,
    Policy,
    ratings_by_kind,
)
from harness.judge.review import RULES
from harness.judge.review_accepted import Acceptance, read_accepted
from harness.judge.waivers import Waivers, read_waivers
from harness.plan.plan import PLANS, Plan
from harness.plan.study import MetricRule
from netlists.errors import RecordError, nearest
from netlists.quantity import shown
from netlists.record import MOST_FINDINGS, SupplyRecord, read_toml
from netlists.toml_checker import Checker as _Checker

ANSWERS = ("accepted", "waivers", "waived_ranges")  # tables of review and gate; no verdict knows them
OTHER_SUBJECTS = ("line", "bulk")  # of metrics, beside designators
_NAME = re.compile(r"[a-z][a-z0-9_]{0,62}")


@dataclass(frozen=True, slots=True)
class Override:
    """A limit of one metric of one subject that replaces what a rating gives; ``instance`` empty: of any."""

    name: str
    instance: str
    metric: str
    subject: str
    value: float
    reason: str
    date: str

    def covers(self, instance: str, metric: str, subject: str) -> bool:
        return (self.metric, self.subject) == (metric, subject) and self.instance in ("", instance)


@dataclass(frozen=True, slots=True)
class RailLimit:
    """A limit of an output rail; ``quantity`` is ripple (peak to peak) or regulation (fraction of the voltage)."""

    rail: str
    quantity: str
    value: float
    unit: str
    condition: str
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class LimitsFile:
    """A limits file that passed every check; ``file`` is empty where there is none.

    Parameters
    ----------
    policies : kind of part -> policy chosen for it
    rules_sha256 : of all but ``ANSWERS``: what verdicts rest on
    waivers : what the gate lets pass;  accepted : remarks of a review; no verdict knows either
    lines : path -> line of the file
    """

    file: str = ""
    sha256: str = ""
    policies: Mapping[str, Policy] = field(default_factory=dict)
    overrides: tuple[Override, ...] = ()
    rails: tuple[RailLimit, ...] = ()
    rules_sha256: str = ""
    waivers: Waivers = field(default_factory=Waivers)
    lines: Mapping[tuple[str, ...], int] = field(default_factory=dict)
    accepted: tuple[Acceptance, ...] = ()

    def policy(self, kind: str) -> Policy:
        """The policy of a kind of part: the manufacturer's rating where none is chosen."""
        return self.policies.get(kind, Policy())

    def override(self, instance: str, metric: str, subject: str) -> Override | None:
        return next((o for o in self.overrides if o.covers(instance, metric, subject)), None)


NO_LIMITS = LimitsFile()


def limits_beside(record_file: Path) -> Path | None:
    """The limits file beside a record; None where there is none."""
    path = record_file.with_name(f"{record_file.stem}.limits.toml")
    return path if path.exists() else None


def limits_for(record: SupplyRecord, record_file: Path, chosen: Path | None = None) -> LimitsFile:
    """A record's limits: from the file chosen, else from the one beside it, else none; errors as of ``load_limits``."""
    path = chosen or limits_beside(record_file)
    return load_limits(path, record) if path else NO_LIMITS


def load_limits(path: Path, record: SupplyRecord) -> LimitsFile:
    """Reads and checks a limits file against the record it is for.

    Raises
    ------
    RecordError : with all findings, each with file, line and field
    """
    raw, file, lines = read_toml(path)
    checker = _Checker(file, lines)
    top = checker.table((), raw, ("schema", "notes", "policies", "overrides", "rails", *ANSWERS))
    checker.text((), top, "notes")
    policies = dict(_policies(checker, top))
    overrides = tuple(_overrides(checker, top, record))
    rails = tuple(_rails(checker, top, record))
    waivers = read_waivers(checker, top, date.today())
    accepted = read_accepted(checker, top, [rule.name for rule in RULES], date.today())
    if checker.findings:
        raise RecordError(checker.findings[:MOST_FINDINGS])
    rules = json.dumps({name: part for name, part in top.items() if name not in ANSWERS}, sort_keys=True, default=str)
    sha256, rules_sha256 = (hashlib.sha256(data).hexdigest() for data in (path.read_bytes(), rules.encode()))
    return LimitsFile(file, sha256, policies, overrides, rails, rules_sha256, waivers, lines, accepted)


def check_overrides(limits: LimitsFile, plan: Plan) -> None:
    """Raises RecordError for overrides no row of a plan of all instances answers to: they would do nothing, unseen."""
    rows = {(a.instance, a.metric, a.subject) for a in plan.answers if not a.question.claim}
    idle = [o for o in limits.overrides if not any(o.covers(*row) for row in rows)]
    checker = _Checker(limits.file, limits.lines)
    for override in idle:
        subjects = {s for i, m, s in rows if m == override.metric and override.instance in ("", i)}
        message = f"no {override.metric} of {override.subject} is simulated; {nearest(override.subject, subjects)}"
        checker.fault(("overrides", override.name, "subject"), message)
    if checker.findings:
        raise RecordError(checker.findings)


def metric_rules() -> dict[str, MetricRule]:
    """Every metric a stage has."""
    return {metric: rule for planner in PLANS.values() for metric, rule in planner.METRICS.items()}


def _policies(checker: _Checker, top: Mapping[str, Any]) -> Iterator[tuple[str, Policy]]:
    ratings = ratings_by_kind()
    for kind, raw in checker.table(("policies",), top.get("policies", {}), None).items():
        place = ("policies", kind)
        table = checker.table(place, raw, ("use", "fractions", "reason"))
        reason = checker.text(place, table, "reason")
        if not checker.choice(place, kind, ratings, "kind of part") or not isinstance(raw, Mapping):
            continue
        names = (MANUFACTURER, PROJECT, *PUBLISHED)
        if "use" not in table:
            checker.fault((*place, "use"), f"missing; {nearest('', names)}")
        elif checker.choice((*place, "use"), table["use"], names, "policy"):
            yield kind, Policy(table["use"], _fractions(checker, place, table, ratings[kind]), reason)


def _fractions(
    checker: _Checker, place: tuple[str, ...], table: Mapping[str, Any], ratings: Mapping[str, str]
) -> dict[str, float]:
    kind, name = place[1], table["use"]
    inside = (*place, "fractions")
    if name != PROJECT:
        if "fractions" in table:
            checker.fault(inside, f'belongs to use = "{PROJECT}", found use = {shown(name)}')
        if name == MANUFACTURER:
            return {}
        covered = PUBLISHED[name].fractions
        if kind not in covered:
            checker.fault((*place, "use"), f"{name} says nothing of {kind}; {nearest(kind, covered)}")
        return dict(covered.get(kind, {}))
    given = checker.table(inside, table.get("fractions", {}), ratings)
    if not table.get("fractions"):
        checker.fault(inside, f'missing; such as {{ {next(iter(ratings))} = "75%" }}')
    values = {rating: checker.positive((*inside, rating), raw, "1", most=1.0) for rating, raw in given.items()}
    return {rating: value for rating, value in values.items() if value is not None}


def _overrides(checker: _Checker, top: Mapping[str, Any], record: SupplyRecord) -> Iterator[Override]:
    seen: list[Override] = []
    for name, raw in checker.table(("overrides",), top.get("overrides", {}), None).items():
        if not _NAME.fullmatch(name):
            checker.fault(("overrides", name), f"must be a name that matches {_NAME.pattern}, found {shown(name)}")
            continue
        override = _override(checker, name, raw, record)
        if override is None:
            continue
        for other in seen:
            same_instance = "" in (other.instance, override.instance) or other.instance == override.instance
            if (other.metric, other.subject) == (override.metric, override.subject) and same_instance:
                checker.fault(("overrides", name), f"sets the limit overrides.{other.name} sets already; keep one")
        seen.append(override)
        yield override


def _override(checker: _Checker, name: str, raw: object, record: SupplyRecord) -> Override | None:
    place = ("overrides", name)
    fields = ("metric", "subject", "instance", "at_most", "at_least", "reason", "date")
    table = checker.table(place, raw, fields)
    if not isinstance(raw, Mapping):
        return None
    before = len(checker.findings)
    rules = metric_rules()
    subjects = (*(designator for stage in record.data.stages.values() for designator in stage.parts), *OTHER_SUBJECTS)
    for key, known in (("metric", rules), ("subject", subjects), ("instance", record.data.stages)):
        if key in table:
            checker.choice((*place, key), table[key], known, key)
        elif key != "instance":
            checker.fault((*place, key), "missing; an override is of one metric of one subject")
    reason = checker.text(place, table, "reason", missing="say why this limit holds and not the rating")
    day = _day(checker, (*place, "date"), table.get("date", ""))
    rule = rules.get(table["metric"]) if isinstance(table.get("metric"), str) else None
    value = None if rule is None else _bound(checker, place, table, rule)
    if value is None or len(checker.findings) > before:
        return None
    return Override(name, table.get("instance", ""), table["metric"], table["subject"], value, reason, day)


def _bound(checker: _Checker, place: tuple[str, ...], table: Mapping[str, Any], rule: MetricRule) -> float | None:
    """The limit itself, on the side the metric is worse on."""
    wanted, other = ("at_most", "at_least") if rule.worse == "high" else ("at_least", "at_most")
    if other in table:
        worse = "higher" if rule.worse == "high" else "lower"
        checker.fault((*place, other), f"{table['metric']} is worse the {worse} it is; give {wanted}, found {other}")
    elif wanted not in table:
        checker.fault((*place, wanted), "missing; it must be given")
    else:
        return checker.positive((*place, wanted), table[wanted], rule.unit)
    return None


def _day(checker: _Checker, place: tuple[str, ...], raw: object) -> str:
    if isinstance(raw, date):  # without quotes TOML has dates of its own
        return raw.isoformat()[:10]
    try:
        return date.fromisoformat(str(raw)).isoformat() if raw else ""
    except ValueError:
        checker.fault(place, f"must be a date such as 2026-10-20, found {shown(raw)}")
        return ""


def _rails(checker: _Checker, top: Mapping[str, Any], record: SupplyRecord) -> Iterator[RailLimit]:
    rails = record.data.nameplate.rails
    for name, raw in checker.table(("rails",), top.get("rails", {}), None).items():
        place = ("rails", name)
        table = checker.table(place, raw, ("use", "ripple", "regulation", "condition", "source"))
        if not checker.choice(place, name, rails, "rail") or not isinstance(raw, Mapping):
            continue
        if "use" in table:
            voltage = rails[name].voltage
            yield from _guided(checker, place, table, None if voltage is None else voltage.nominal)
        else:
            yield from _own_rail(checker, place, table)


def _guided(
    checker: _Checker, place: tuple[str, ...], table: Mapping[str, Any], voltage: float | None
) -> Iterator[RailLimit]:
    """Limits of a published guide, found by the rail's nominal voltage."""
    for key in table:
        if key != "use":
            checker.fault((*place, key), "is given by use too; keep one of the two")
    if not checker.choice((*place, "use"), table["use"], RAIL_GUIDES, "guide"):
        return
    guide = RAIL_GUIDES[table["use"]]
    found = next((limits for at, limits in guide.limits.items() if voltage and abs(voltage / at - 1) < 0.01), None)
    if found is None:
        allowed = ", ".join(f"{at:g} V" for at in sorted(guide.limits))
        rail = "no voltage in the record" if voltage is None else f"{voltage:g} V"
        checker.fault((*place, "use"), f"{table['use']} has limits for {allowed}; found {rail}")
        return
    yield RailLimit(place[1], "ripple", found[0], "V", guide.condition, guide.source, guide.mark)
    yield RailLimit(place[1], "regulation", found[1], "1", "", guide.source, guide.mark)


def _own_rail(checker: _Checker, place: tuple[str, ...], table: Mapping[str, Any]) -> Iterator[RailLimit]:
    source = checker.text(place, table, "source", missing="say where the rail's limits come from")
    condition = checker.text(place, table, "condition")
    if "ripple" not in table and "regulation" not in table:
        checker.fault(place, f"must have ripple, regulation or use; use: {nearest('', RAIL_GUIDES)}")
    for quantity, unit, most in (("ripple", "V", None), ("regulation", "1", 1.0)):
        if quantity in table:
            value = checker.positive((*place, quantity), table[quantity], unit, most)
            if value is not None:
                yield RailLimit(place[1], quantity, value, unit, condition, source, "")
