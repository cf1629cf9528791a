"""The text of waivers for rows that fail: to be filled in with a reason, or renewed where a reason stands already."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from harness.judge.baseline import worst_of
from harness.judge.gate import Evidence, Failure, keyed
from harness.judge.waivers import WAIVABLE, WaivedRow, Waiver, Waivers, waivers_text


def offer(evidence: Evidence, failures: Sequence[Failure], today: str) -> str:
    """Waivers, without a reason, for what fails and a person may answer for; one for each verdict and why of it.

    Empty where there is nothing to waive. A reader refuses them until each has a reason.
    """
    grouped: dict[tuple[str, str], list[Failure]] = {}
    for failure in failures:
        if not failure.waiver and failure.kind in WAIVABLE:
            why = failure.message.split("; waiver ")[0]
            grouped.setdefault((failure.kind, why), []).append(failure)
    rows = _rows_of(evidence)
    text = ""
    found = []
    for number, ((kind, why), group) in enumerate(grouped.items(), 1):
        waiver = Waiver(f"{kind}_{number}", kind, "", today, {one.key: _now(rows.get(one.key)) for one in group})
        text += f"\n# {why}\n{waivers_text(Waivers((waiver,)))}"
        found.append(waiver)
    if found:
        text += "\n" + waivers_text(Waivers((), _ranges(evidence, rows, found)))
    return text.lstrip("\n")


def renewed(evidence: Evidence, failures: Sequence[Failure], today: str) -> tuple[str, list[Failure]]:
    """The waivers in force brought up to date, and what fails beside them.

    Each keeps name, verdict and reason. Of its rows stay those that still fail so, with what they are now; no row is
    added, and a row whose verdict is another is left to fail. A date changes only where a number does.
    """
    rows = _rows_of(evidence)
    kinds: dict[str, set[str]] = {}
    for failure in failures:
        kinds.setdefault(failure.key, set()).add(failure.kind)
    lapsed = {failure.key for failure in failures if not failure.waiver}
    found = []
    for waiver in evidence.waivers.waivers:
        kept = {
            key: _now(rows.get(key)) if key in lapsed else was
            for key, was in waiver.rows.items()
            if waiver.verdict in kinds.get(key, ())
        }
        if kept:
            day = waiver.date if kept == waiver.rows else today
            found.append(Waiver(waiver.name, waiver.verdict, waiver.reason, day, kept))
    named = {(key, waiver.verdict) for waiver in found for key in waiver.rows}
    left = [
        one for one in failures if not one.waiver and (one.key, one.kind) not in named and one.kind != "unused waiver"
    ]
    return waivers_text(Waivers(tuple(found), _ranges(evidence, rows, found))), left


def _rows_of(evidence: Evidence) -> Mapping[str, Mapping[str, Any]]:
    return {} if evidence.state is None else keyed(evidence.state["metrics"])


def _now(row: Mapping[str, Any] | None) -> WaivedRow:
    return WaivedRow(None, None) if row is None else WaivedRow(worst_of(row), row["limit_adverse"])


def _ranges(
    evidence: Evidence, rows: Mapping[str, Mapping[str, Any]], waivers: Iterable[Waiver]
) -> dict[str, tuple[float, float]]:
    """Every open input that a waived row rests on, with its range."""
    paths = {path for waiver in waivers for key in waiver.rows if key in rows for path in rows[key]["rests_on"]}
    return {
        path: (evidence.quantities[path].low, evidence.quantities[path].high)
        for path in sorted(paths)
        if path in evidence.quantities and not evidence.quantities[path].is_exact
    }
