"""Remarks of a review as text for a terminal, 100 columns wide."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from harness.judge.review_rule import EITHER
from netlists.errors import one_line

STYLES = {"wrong": "bold red", "doubtful": "yellow", "note": "dim"}
MOST_PATHS = 6
CAUTION = (
    "Caution: a remark is a reason to look again, and no remark is no proof. Look with the mains off and the bulk "
    "discharged and measured; what review reads is no safety certificate."
)
Row = Mapping[str, Any]


def print_review(console: Console, found: Mapping[str, Any]) -> None:
    """Every remark with its place, numbers, source and likely correction; accepted ones and the counts."""
    console.print(Text(f"{found['record']}: {found['title']}", style="bold"))
    for alike in explained_alike(open_rows(found)):
        _print_remark(console, found["file"], alike[0])
        for row in alike[1:]:
            _say_below(console, f"so too, line {row['line']}: {row['says']} ({row['rule']}: {row['source']})")
    for line in accepted_lines(found):
        _say(console, line)
    _say(console, counts_line(found))
    console.print(Text(CAUTION, style="dim"))


def _say(console: Console, line: str, style: str = "") -> None:
    console.print(Text(one_line(line), style=style, overflow="fold"))


def _print_remark(console: Console, file: str, row: Row) -> None:
    _say(console, headline(row), STYLES[row["severity"]])
    where = f"{file}:{row['line']}" if row["line"] else file
    paths = row["paths"][:MOST_PATHS]
    more = len(row["paths"]) - len(paths)
    lines = [f"at {where}: {', '.join(paths)}" + (f" and {more} more" if more else "")]
    lines += [f"likely: {row['likely']}"] if row["likely"] else []
    lines += [f"rule: {row['rule']} ({row['source']})"]
    lines += [row["lapsed"]] if row["lapsed"] else []
    for line in lines:
        _say_below(console, line)


def _say_below(console: Console, line: str) -> None:
    console.print(Padding(Text(one_line(line), overflow="fold"), (0, 0, 0, 4)))


def explained_alike(rows: Sequence[Row]) -> list[list[Row]]:
    """Remarks that one correction would answer together, each group in the place of its first."""
    groups: dict[str, list[Row]] = {}
    for number, row in enumerate(rows):
        groups.setdefault(row["likely"].split(EITHER)[0] or f"alone {number}", []).append(row)
    return [sorted(alike, key=_is_about_another) for alike in groups.values()]


def _is_about_another(row: Row) -> bool:
    """Whether what is likely is another value than the one the remark is about."""
    return not row["likely"].startswith(".".join(row["paths"][0].split(".")[-2:]))


def headline(row: Row) -> str:
    """Severity and what is said."""
    return f"{row['severity']}: {row['says']}"


def accepted_lines(found: Mapping[str, Any]) -> list[str]:
    """Remarks that a person has accepted, each with reason and date; acceptances that answer none."""
    lines = [
        f"accepted ({row['accepted']['date']}, {row['accepted']['name']}): {row['says']}: {row['accepted']['reason']}"
        for row in found["remarks"]
        if row["accepted"] is not None
    ]
    return lines + [f"accepted.{name} answers no remark any more; take it out" for name in found["idle_acceptances"]]


def counts_line(found: Mapping[str, Any]) -> str:
    """``review: 1 wrong, 0 doubtful, 2 notes, 1 accepted``."""
    counts = found["open"]
    return (
        f"review: {counts['wrong']} wrong, {counts['doubtful']} doubtful, {counts['note']} "
        f"note{'' if counts['note'] == 1 else 's'}, {found['accepted']} accepted"
    )


def brief_lines(found: Mapping[str, Any]) -> list[str]:
    """For a check: every open remark in one line, and the counts; nothing of an assessment that has no review."""
    if not found:
        return []
    lines = [
        f"review: {headline(alike[0])}"
        + (f"; likely {alike[0]['likely']}" if alike[0]["likely"] else "")
        + (f"; {len(alike) - 1} more say so" if len(alike) > 1 else "")
        for alike in explained_alike(open_rows(found))
    ]
    return [*lines, *(f"review: {line}" for line in accepted_lines(found)), counts_line(found)]


def acceptances_text(rows: Sequence[Row], day: str) -> str:
    """TOML that accepts remarks, with the reasons left for a person to give."""
    lines: list[str] = []
    for number, row in enumerate(rows, 1):
        values = ", ".join(f'"{path}" = {value!r}' for path, value in row["values"].items())
        lines += [
            "", f"# {one_line(row['says'])}", f"[accepted.{row['rule']}_{number}]", f'rule = "{row["rule"]}"',
            f'path = "{row["paths"][0]}"', 'reason = ""', f'date = "{day}"', f"values = {{ {values} }}",
        ]  # fmt: skip
    return "\n".join(lines[1:]) + "\n" if lines else ""


def open_rows(found: Mapping[str, Any]) -> list[Row]:
    """Remarks nobody has accepted."""
    return [row for row in found["remarks"] if row["accepted"] is None]
