"""What the gate decided, for a terminal: what fails by name, what is waived by whom, counts. Decides nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from harness.judge.gate import Failure, Gated
from netlists.errors import one_line

CAUTION = (
    "No safety certificate: a passed gate knows nothing of creepage, insulation or firmware. An opened supply holds "
    "charge long after the plug is out; local codes and licensed practice come first."
)


def print_gated(console: Console, found: Sequence[Gated]) -> None:
    """Prints each record: failures first, then waivers by name, then counts."""
    for one in found:
        _say(console, f"{one.record}: {one.title} ({one.file})", "bold")
        for failure in one.failures:
            if not failure.waiver:
                _say(console, f"FAILS  {failure.key}: {failure.kind}: {failure.message}", "red")
        for name, count in Counter(failure.waiver for failure in one.failures if failure.waiver).items():
            waiver = next(waiver for waiver in one.evidence.waivers.waivers if waiver.name == name)
            _say(console, f"waived {name} ({count}, {waiver.date}): {waiver.reason}")
        for line in one.accepted:
            _say(console, line)
        _say(console, counted(one), "green" if one.passes else "red")
    _say(console, CAUTION)


def counted(one: Gated) -> str:
    """A record's outcome in one line."""
    failing = {failure.key for failure in one.failures if not failure.waiver}
    waived = {failure.key for failure in one.failures if failure.waiver} - failing
    kinds = Counter(failure.kind for failure in one.failures if not failure.waiver)
    why = f" ({', '.join(f'{count} {kind}' for kind, count in sorted(kinds.items()))})" if kinds else ""
    word = "passes" if one.passes else "FAILS"
    clear = len([key for key in one.rows if key not in failing | waived])
    return f"{one.record} {word}: {clear} rows clear, {len(waived)} waived, {len(failing)} failing{why}"


def failing(one: Gated) -> list[Failure]:
    """What is not waived."""
    return [failure for failure in one.failures if not failure.waiver]


def _say(console: Console, line: str, style: str = "") -> None:
    console.print(Text(one_line(line), style=style, overflow="fold"))
