"""Remarks of a review that a person has looked at and accepts: ``[accepted.NAME]`` in the limits file.

As a waiver, an acceptance is of one thing and holds only while the values it was given for stay what they were.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from harness.judge.waivers import NAME, past_day
from netlists.quantity import shown
from netlists.toml_checker import Checker

SAME = 1e-6  # relative: values are written with seven digits
FIELDS = ("rule", "path", "values", "reason", "date")


@dataclass(frozen=True, slots=True)
class Acceptance:
    """One decision of a person.

    Parameters
    ----------
    rule, path : of the remark, the path it is about;  values : path -> value [SI] or count, as they were then
    """

    name: str
    rule: str
    path: str
    values: Mapping[str, float]
    reason: str
    date: str

    def answers(self, rule: str, path: str) -> bool:
        """Whether it is about such a remark, whatever the values are."""
        return (self.rule, self.path) == (rule, path)


def holds(accepted: Acceptance, values: Mapping[str, float]) -> str:
    """Why an acceptance no longer holds for a remark that rests on some values; empty where it does."""
    for path in dict.fromkeys((*accepted.values, *values)):
        was, now = accepted.values.get(path), values.get(path)
        if was is None or now is None:
            then = "did not count" if was is None else "counted"
            return f"accepted {accepted.date} ({accepted.name}); then {path} {then}"
        if not math.isclose(was, now, rel_tol=SAME):
            return f"accepted {accepted.date} ({accepted.name}) when {path} was {was:.6g}; it is {now:.6g}"
    return ""


def read_accepted(
    checker: Checker, top: Mapping[str, Any], rules: Iterable[str], today: date
) -> tuple[Acceptance, ...]:
    """Reads ``[accepted.NAME]``; what is wrong with one is left with the checker."""
    found, known = [], tuple(rules)
    for name, raw in checker.table(("accepted",), top.get("accepted", {}), None).items():
        place = ("accepted", name)
        if not NAME.fullmatch(name):
            checker.fault(place, f"must be a name that matches {NAME.pattern}, found {shown(name)}")
        table = checker.table(place, raw, FIELDS)
        if not isinstance(raw, Mapping):
            continue
        checker.choice((*place, "rule"), table.get("rule", ""), known, "rule of bulkrail review")
        path = checker.text(place, table, "path", missing="the path of the record that the remark is about")
        reason = checker.text(place, table, "reason", missing="say why it is so")
        values = checker.table((*place, "values"), table.get("values", {}), None)
        numbers = {key: float(value) for key, value in values.items() if _is_number(value)}
        for key in values.keys() - numbers.keys():
            checker.fault((*place, "values", key), f"must be the value it had, in SI, found {shown(values[key])}")
        day = past_day(checker, place, table.get("date"), today)
        found.append(Acceptance(name, str(table.get("rule", "")), path, numbers, reason, day))
    return tuple(found)


def _is_number(raw: object) -> bool:
    return isinstance(raw, int | float) and not isinstance(raw, bool) and math.isfinite(raw)
