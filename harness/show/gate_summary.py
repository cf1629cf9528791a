"""What the gate decided as Markdown for a pull request: failures, worst margins, changes against the baseline."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from harness.judge.baseline import worst_of
from harness.judge.gate import Gated
from harness.judge.tolerances import is_worse, worse_side
from harness.judge.verdict import margin_to
from harness.show.gate_table import CAUTION, counted, failing
from netlists.errors import one_line, shortened
from netlists.quantity import engineering

MOST_ROWS = 15  # of a table: who wants all has the JUnit file and the JSON
MOST_FAILING = 100
LONGEST_CELL = 240
SLIGHT = 1e-4  # relative: smaller changes are not listed
Row = Mapping[str, Any]


def markdown_text(found: Sequence[Gated], plot: str) -> str:
    """The whole text; ``plot`` is the name of the picture beside it, empty where there is none."""
    word = "passes" if all(one.passes for one in found) else "fails"
    lines = [f"## Gate {word}", ""]
    lines += [f"- {_cell(counted(one))}" for one in found]
    for one in found:
        lines += ["", f"### {_cell(one.record)}", *_failing(one), *_margins(one), *_changes(one), *_waived(one)]
    if plot:
        lines += ["", f"![Worst margins of all records, now and in the baseline]({plot})"]
    return "\n".join([*lines, "", f"*{CAUTION}*", ""])


def worst_margins(one: Gated) -> list[tuple[str, Row]]:
    """Rows with a margin, the worst first."""
    rows = [(key, row) for key, row in one.rows.items() if row["margin"] is not None]
    return sorted(rows, key=lambda item: (item[1]["margin"], item[0]))


def margin_before(one: Gated, key: str) -> float | None:
    """A row's margin by its baseline; None where that has no such row or no limit."""
    was = one.evidence.baseline.metrics.get(key) if one.evidence.baseline else None
    if was is None or was["limit"] is None:
        return None
    return margin_to(was["worst"], was["limit"], was["side"])


def _failing(one: Gated) -> Iterator[str]:
    left = failing(one)
    if not left:
        return
    yield from ("", "| fails | why |", "|---|---|")
    for failure in left[:MOST_FAILING]:
        yield f"| {_cell(failure.key)} | **{failure.kind}**: {_cell(failure.message)} |"
    if len(left) > MOST_FAILING:
        yield f"| ... | and {len(left) - MOST_FAILING} more |"


def _margins(one: Gated) -> Iterator[str]:
    rows = worst_margins(one)[:MOST_ROWS]
    if not rows:
        return
    waived = {failure.key: failure.waiver for failure in one.failures if failure.waiver}
    yield from ("", "| worst margins | worst case | limit | margin | before | verdict |", "|---|--:|--:|--:|--:|---|")
    for key, row in rows:
        before = margin_before(one, key)
        verdict = f"{row['verdict']}, waived" if key in waived else row["verdict"]
        yield (
            f"| {_cell(key)} | {_number(worst_of(row), row['unit'])} | {_number(row['limit_adverse'], row['unit'])} "
            f"| {row['margin']:+.1%} | {'' if before is None else f'{before:+.1%}'} | {verdict} |"
        )


def _changes(one: Gated) -> Iterator[str]:
    """Rows whose worst case moved, whose limit moved, new ones and those that are gone."""
    if one.evidence.baseline is None:
        return
    accepted, rows = one.evidence.baseline.metrics, one.rows
    moved = [(key, text) for key in rows if key in accepted and (text := _moved(rows[key], accepted[key]))]
    told = [f"| {_cell(key)} | {text} |" for key, text in moved[:MOST_FAILING]]
    told += [f"| {_cell(key)} | gone |" for key in accepted if key not in rows]
    waived = {failure.key for failure in one.failures if failure.waiver}
    told += [f"| {_cell(key)} | new |" for key in rows if key not in accepted and key not in waived]
    if len(moved) > MOST_FAILING:
        told.append(f"| ... | and {len(moved) - MOST_FAILING} more |")
    yield from ("", "| changed against the baseline | how |", "|---|---|", *told) if told else ("", "No row changed.")


def _moved(row: Row, was: Mapping[str, Any]) -> str:
    worst, unit, texts = worst_of(row), row["unit"], []
    if worst is not None and abs(worst - was["worst"]) > SLIGHT * abs(was["worst"]):
        side = worse_side(row["metric"], row["limit_side"])
        worse = worst > was["worst"] if side == "high" else worst < was["worst"]
        word = "worse" if worse else "better"
        beyond = "" if is_worse(row["metric"], unit, side, was["worst"], worst) or not worse else ", within tolerance"
        texts.append(f"{_number(was['worst'], unit)} to {_number(worst, unit)}, {word}{beyond}")
    limit = row["limit_adverse"]
    if (limit is None) != (was["limit"] is None) or abs((limit or 0) - (was["limit"] or 0)) > SLIGHT * abs(limit or 0):
        texts.append(f"limit {_number(was['limit'], unit)} to {_number(limit, unit)}")
    if row["verdict"] != was["verdict"]:
        texts.append(f"{was['verdict']} to {row['verdict']}")
    return "; ".join(texts)


def _waived(one: Gated) -> Iterator[str]:
    waivers = {waiver.name: waiver for waiver in one.evidence.waivers.waivers}
    used: dict[str, int] = {}
    for failure in one.failures:
        if failure.waiver:
            used[failure.waiver] = used.get(failure.waiver, 0) + 1
    if used:
        yield from ("", "| waived | rows | since | reason |", "|---|--:|---|---|")
    for name, count in used.items():
        waiver = waivers[name]
        yield f"| {name} ({waiver.verdict}) | {count} | {waiver.date} | {_cell(waiver.reason)} |"


def _number(value: float | None, unit: str) -> str:
    return "none" if value is None else engineering(value, unit)


def _cell(text: str) -> str:
    """Text that stays in its cell and makes no mark-up of its own."""
    plain = shortened(one_line(text), LONGEST_CELL)
    for sign in "\\|<>`*_[]":
        plain = plain.replace(sign, f"\\{sign}")
    return plain
