"""What a command changed in a record, as people read it. Computes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.text import Text

from netlists.corrections import Correction
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
