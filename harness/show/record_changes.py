"""What a command changed in a record, as people read it. Computes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from harness.partlist.outcome import Imported
from netlists.corrections import Correction, said
from netlists.errors import one_line
from netlists.quantity import Quantity, engineering


def print_corrected(
    console: Console,
    file: Path,
    correction: Correction,
    values: tuple[Quantity | None, Quantity | None],
    moved: Sequence[tuple[str, Quantity, Quantity]],
    *,
    dry_run: bool,
) -> None:
    """A corrected value with its numbers before and after, the inferred values it moved, and what comes next."""
    say(console, change_line(correction))
    before, after = values
    if before is not None and after is not None:
        say(console, f"    {numbers(before)} -> {numbers(after)}")
    print_moved(console, moved)
    if dry_run:
        say(console, f"nothing written: {file} is as it was (--dry-run)")
        return
    say(console, f"wrote {file}, with a line of history")
    say(console, f"stored results are of the record before: bulkrail check {file}; a published report is corrected by "
                 f"bulkrail report {file} --corrects REPORT.html")  # fmt: skip


def print_imported(console: Console, found: Imported, *, dry_run: bool) -> None:
    """What the columns were taken for, what changes, what is new, and what nobody can place."""
    _print_columns(console, found)
    merged = found.merged
    for line in merged.told:
        say(console, f"taken: {line}")
    if found.is_new:
        say(console, f"{found.record}: new, from the starter; its own values are placeholders")
    for designator in found.placeholders:
        say(
            console,
            f"the starter's {designator} is now PLACEHOLDER_{designator}: the list has another part of that name",
        )
    for one in merged.corrections:
        say(console, f"changed {change_line(one)}")
    for name in merged.stages:
        say(console, f"added stages.{name}: kind other; say what it is to have it simulated")
    for path, part in merged.added.items():
        say(console, f"added {path}: {_part(part)}")
    if found.moved:
        print_moved(console, found.moved)
    for line_number, what, why in merged.unplaced:
        say(console, f"not placed: line {line_number}: {what}: {why}")
    if merged.absent and not found.is_new:
        say(console, f"kept as they are, not in the list: {', '.join(merged.absent)}")
    counts = f"{len(merged.corrections)} changed, {len(merged.added)} added, {len(merged.unplaced)} not placed"
    if not found.is_changed:
        say(console, f"{counts}: {found.record} says all of it already and is as it was")
    elif dry_run:
        say(console, f"{counts}; nothing written (--dry-run)")
    else:
        history = (
            "" if found.with_history or not merged.corrections else "; without a line of history, which --why adds"
        )
        say(console, f"{counts}; wrote {found.record}{history}")


def _print_columns(console: Console, found: Imported) -> None:
    delimiter = {"": "a workbook", "\t": "tabs", ";": "semicolons", ",": "commas", "|": "strokes"}[
        found.sheet.delimiter
    ]
    head = found.columns.head
    where = "no headings" if head is None else f"headings in line {found.sheet.lines[head]}"
    say(console, f"{found.sheet.file}: {delimiter}, {where}, {len(found.sheet.rows)} rows")
    for column in found.columns.taken:
        unit = f", in {column.unit}" if column.unit else ""
        say(console, f"    column {column.place + 1} {column.name}: {column.meaning}, {column.how}{unit}")
    if found.columns.left_out:
        names = ", ".join(f"{column.place + 1} {column.name}" for column in found.columns.left_out)
        say(console, f"    nothing is taken from column {names} (--column COLUMN=MEANING says what it is)")


def _part(part: Mapping[str, Any]) -> str:
    kind, *others = part.items()
    return ", ".join([str(kind[1]), *(f"{name} {said(value)}" for name, value in others)])


def change_line(correction: Correction) -> str:
    """``C1.esr: was 0.4 (0.1 to 0.6), now 0.31 5%, measured``."""
    known = f", {correction.known}" if correction.known else ""
    return f"{correction.path}: was {correction.was}, now {correction.now}{known}"


def print_moved(console: Console, moved: Sequence[tuple[str, Quantity, Quantity]]) -> None:
    """Every inferred value that came out otherwise."""
    for path, old, new in moved:
        say(console, f"    moves {path} ({new.formula}): {numbers(old)} -> {numbers(new)}")
    if not moved:
        say(console, "    moves no inferred value")


def numbers(quantity: Quantity) -> str:
    """A value with its range: ``133 uF (120 uF to 150 uF)``."""
    unit = quantity.unit
    nominal = engineering(quantity.nominal, unit)
    if quantity.is_exact:
        return nominal
    return f"{nominal} ({engineering(quantity.low, unit)} to {engineering(quantity.high, unit)})"


def say(console: Console, line: str, style: str = "") -> None:
    """A line in which nothing is taken for mark-up or broken by what a record says."""
    console.print(Text(one_line(line), style=style), highlight=False, soft_wrap=True)
