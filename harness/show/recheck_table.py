"""What no longer holds of a published report, as text for a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from rich.console import Console
from rich.text import Text

from harness.judge.differences import Difference
from harness.judge.holding import Lapse
from harness.judge.published import Published
from harness.show.comparison import moved_lines, place_text, shown_value
from harness.show.report.errata import changes
from netlists.errors import one_line


class Rechecked(Protocol):
    """What is printed; ``harness.publish.Recheck`` is one."""

    @property
    def published(self) -> Published: ...
    @property
    def differences(self) -> Sequence[Difference]: ...
    @property
    def lapses(self) -> Sequence[Lapse]: ...
    @property
    def claims(self) -> Sequence[Mapping[str, Any]]: ...
    @property
    def measurements(self) -> Sequence[Mapping[str, Any]]: ...
    @property
    def held(self) -> int: ...
    @property
    def new(self) -> Sequence[Mapping[str, Any]]: ...


PLAIN = str.maketrans(
    {"µ": "u", "Ω": "ohm", "°": "deg", "²": "2", "−": "-", "≤": "<=", "≥": ">=", "–": "-", "\N{NO-BREAK SPACE}": " "}
)


def print_recheck(console: Console, found: Rechecked) -> None:
    """What changed in the record, every metric that no longer holds, claims and measurements, and counts."""
    record, when = found.published.assessment["record"], found.published.published_utc
    _say(console, f"{record}: report published {when}", style="bold")
    for one in found.differences:
        if one.change != "changed":
            _say(console, f"{place_text(one.place)}: {one.change}")
        for name, (old, new) in one.fields.items() if one.change == "changed" else ():
            _say(console, f"{place_text(one.place)}: {name}: {shown_value(old)} -> {shown_value(new)}")
    for line in moved_lines(found.differences):
        _say(console, line)
    for lapse in found.lapses:
        said = lapse.plain()
        moved = ", ".join(f"{one['what']} {one['was']} -> {one['now']}" for one in changes(said))
        _say(console, f"no longer holds: {said['metric']} of {said['subject']}: {_where(said)}: {moved}")
    for claim in found.claims:
        now = claim["after"] or "no longer stated"
        _say(console, f"no longer holds: claim {claim['claim']}: {claim['before']} -> {now}")
    for measured in found.measurements:
        _say(console, f"no longer holds: measurement {measured['measurement']}: {_sides(measured)}")
    if found.new:
        _say(console, f"{len(found.new)} metrics are new and not in the report")
    if found.lapses:
        _say(console, f"{len(found.lapses)} of {found.held} published metrics no longer hold")
    else:
        _say(console, f"all {found.held} published metrics hold")


def _where(said: Mapping[str, Any]) -> str:
    structure = ", ".join(said["structure"].values())
    return f"{said['instance']}{f' ({structure})' if structure else ''}, {said['label']}"


def _sides(one: Mapping[str, Any]) -> str:
    """Measured and predicted, then and now."""
    if one["after"] is None:
        return "no longer stated"
    return (
        ", ".join(
            f"{name} {one['before'][name]:.4g} -> {one['after'][name]:.4g} {one['unit']}"
            for name in ("measured", "predicted")
            if one["before"][name] != one["after"][name] and None not in (one["before"][name], one["after"][name])
        )
        or "cannot be predicted now"
    )


def _say(console: Console, line: str, style: str = "") -> None:
    """A line that may be wrapped but is never cut, with nothing in it that moves a cursor."""
    console.print(Text(one_line(line.translate(PLAIN)), style=style, overflow="fold"))
