"""Waivers of a limits file: rows that fail the gate and are accepted by a person, with reason and date.

A waiver names every row it is for, each with its worst case when it was waived; there is no pattern that a row nobody
has looked at could match. It holds only while what was looked at holds.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from harness.judge.tolerances import is_worse, worse_side
from netlists.quantity import Quantity, shown
from netlists.toml_checker import Checker

# What a person may answer for. What is stale, damaged, worse than the baseline or not a number has a remedy instead.
WAIVABLE = ("over", "undecided", "unjudged", "failed", "timed_out", "missing", "disagrees")
SLACK = 1e-6  # relative: numbers of a waiver are written with six digits or fewer
DIGITS = 6
NAME = re.compile(r"[a-z][a-z0-9_]{0,62}")
Place = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WaivedRow:
    """What a row was when it was waived: worst case and adverse limit, None where there was none."""

    worst: float | None
    limit: float | None


@dataclass(frozen=True, slots=True)
class Waiver:
    """One decision of a person; ``rows`` by key (``harness.judge.gate``), ``verdict`` one of ``WAIVABLE``."""

    name: str
    verdict: str
    reason: str
    date: str
    rows: Mapping[str, WaivedRow]


@dataclass(frozen=True, slots=True)
class Waivers:
    """All waivers of a limits file; ``ranges``: path of an open input -> (low, high) when they were given."""

    waivers: tuple[Waiver, ...] = ()
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def of(self, key: str) -> Waiver | None:
        return next((waiver for waiver in self.waivers if key in waiver.rows), None)


def read_waivers(checker: Checker, top: Mapping[str, Any], today: date) -> Waivers:
    """Reads ``[waivers.NAME]`` and ``[waived_ranges]``; what is wrong with them is left with the checker."""
    found: list[Waiver] = []
    owners: dict[str, str] = {}
    for name, raw in checker.table(("waivers",), top.get("waivers", {}), None).items():
        waiver = _waiver(checker, name, raw, today)
        for key in waiver.rows:
            if key in owners:
                message = f"is waived by waivers.{owners[key]} already; keep one"
                checker.fault(("waivers", name, "rows", key), message)
            owners[key] = name
        found.append(waiver)
    return Waivers(tuple(found), dict(_ranges(checker, top)))


def _waiver(checker: Checker, name: str, raw: object, today: date) -> Waiver:
    place = ("waivers", name)
    if not NAME.fullmatch(name):
        checker.fault(place, f"must be a name that matches {NAME.pattern}, found {shown(name)}")
    table = checker.table(place, raw, ("verdict", "reason", "date", "rows"))
    verdict = table.get("verdict", "")
    checker.choice((*place, "verdict"), verdict, WAIVABLE, "verdict to waive")
    reason = checker.text(place, table, "reason", missing="say why this may pass, and until when")
    rows = dict(_rows(checker, place, table))
    if not table.get("rows"):
        checker.fault((*place, "rows"), "missing; name each row that is waived, with its worst case")
    return Waiver(name, str(verdict), reason, past_day(checker, place, table.get("date"), today), rows)


def past_day(checker: Checker, place: Place, raw: object, today: date) -> str:
    try:
        day = date.fromisoformat(raw.isoformat()[:10] if isinstance(raw, date) else str(raw or ""))
    except ValueError:
        checker.fault((*place, "date"), f"must be the day it was decided, such as 2026-10-20, found {shown(raw)}")
        return ""
    if day > today:
        checker.fault((*place, "date"), f"must not lie in the future, found {day.isoformat()}")
    return day.isoformat()


def _rows(checker: Checker, place: Place, table: Mapping[str, Any]) -> Iterator[tuple[str, WaivedRow]]:
    for key, raw in checker.table((*place, "rows"), table.get("rows", {}), None).items():
        numbers = raw if isinstance(raw, list) else [raw]
        if raw == "none":
            yield key, WaivedRow(None, None)
        elif 1 <= len(numbers) <= 2 and all(map(_is_number, numbers)):
            yield key, WaivedRow(float(numbers[0]), float(numbers[1]) if len(numbers) > 1 else None)
        else:
            message = f'must be the worst case, [worst case, adverse limit], or "none"; SI, found {shown(raw)}'
            checker.fault((*place, "rows", key), message)


def _ranges(checker: Checker, top: Mapping[str, Any]) -> Iterator[tuple[str, tuple[float, float]]]:
    for path, raw in checker.table(("waived_ranges",), top.get("waived_ranges", {}), None).items():
        if isinstance(raw, list) and len(raw) == 2 and all(map(_is_number, raw)) and raw[0] <= raw[1]:
            yield path, (float(raw[0]), float(raw[1]))
        else:
            checker.fault(("waived_ranges", path), f"must be [low, high] in SI, found {shown(raw)}")


def _is_number(raw: object) -> bool:
    return isinstance(raw, int | float) and not isinstance(raw, bool) and math.isfinite(raw)


def lapse(
    waivers: Waivers, waiver: Waiver, key: str, kind: str, row: Mapping[str, Any], quantities: Mapping[str, Quantity]
) -> str:
    """Why a waiver no longer holds for a row; empty where it does.

    Parameters
    ----------
    row : of the assessment, or what stands for one: ``metric``, ``unit``, ``worst``, ``limit_adverse``, ``limit_side``,
        ``rests_on``
    """
    was = waiver.rows[key]
    if kind != waiver.verdict:
        return f"it was {waiver.verdict} then"
    worst, limit, side = row["worst"], row["limit_adverse"], row["limit_side"]
    if (worst is None) != (was.worst is None):
        return "it had no value then" if was.worst is None else "it has no value now"
    if worst is not None and was.worst is not None:
        towards = worse_side(row["metric"], side)
        if is_worse(row["metric"], row["unit"], towards, was.worst, worst):
            return f"its worst case was {was.worst:.6g} {row['unit']} then"
    if (limit is None) != (was.limit is None):
        return "it had no limit then" if was.limit is None else "it has no limit now"
    if limit is not None and was.limit is not None:
        tighter = was.limit - limit if side == "high" else limit - was.limit
        if tighter > SLACK * abs(was.limit):
            return f"its limit was {was.limit:.6g} {row['unit']} then"
    return _widened(row["rests_on"], waivers.ranges, quantities)


def _widened(
    paths: Iterable[str], ranges: Mapping[str, tuple[float, float]], quantities: Mapping[str, Quantity]
) -> str:
    """The first open input whose range reaches beyond what the waivers name, as text."""
    for path in paths:
        quantity = quantities.get(path)
        if quantity is None or quantity.is_exact:
            continue
        if path not in ranges:
            return f"waived_ranges does not name {path}"
        low, high = ranges[path]
        slack = SLACK * max(abs(low), abs(high))
        if quantity.low < low - slack or quantity.high > high + slack:
            return f"{path} was {low:g} to {high:g} {quantity.unit} then, is {quantity.low:g} to {quantity.high:g}"
    return ""


def waivers_text(waivers: Waivers) -> str:
    """Waivers as they stand in a limits file."""
    lines: list[str] = []
    for waiver in waivers.waivers:
        lines += [
            "", f"[waivers.{waiver.name}]", f'verdict = "{waiver.verdict}"', f"reason = {_quoted(waiver.reason)}",
            f'date = "{waiver.date}"', f"[waivers.{waiver.name}.rows]",
        ]  # fmt: skip
        lines += [f"{_quoted(key)} = {_numbers(row)}" for key, row in waiver.rows.items()]
    if waivers.ranges:
        lines += ["", "[waived_ranges]"]
        lines += [f"{_quoted(path)} = [{_rounded(low)}, {_rounded(high)}]" for path, (low, high) in
                  sorted(waivers.ranges.items())]  # fmt: skip
    return "\n".join(lines[1:]) + "\n"


def _numbers(row: WaivedRow) -> str:
    if row.worst is None:
        return '"none"'
    return _rounded(row.worst) if row.limit is None else f"[{_rounded(row.worst)}, {_rounded(row.limit)}]"


def _rounded(value: float) -> str:
    return repr(float(f"{value:.{DIGITS}g}"))


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
