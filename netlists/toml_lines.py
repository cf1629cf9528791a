"""Finds the line a key of a TOML file stands on, since neither tomllib nor tomlkit tells."""

from __future__ import annotations

import re
from collections.abc import Mapping

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=(.*)$"""
)
_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")

Path = tuple[str, ...]


def find_lines(text: str) -> Mapping[Path, int]:
    """Path of every table header and key -> its line, counted from 1. Array tables count their index as a name.

    Keys inside an inline table or array are not listed: ask ``line_of`` for the nearest listed ancestor.
    """
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    closing = ""  # the delimiter a multi-line text waits for
    for number, line in enumerate(text.split("\n"), start=1):
        if closing:
            if closing in line:
                closing = ""
            continue
        if header := _HEADER.match(line):
            table = _parts(header.group(2))
            if header.group(1) == "[[":
                counts[table] = counts.get(table, -1) + 1
                table = (*table, str(counts[table]))
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault(table + _parts(key.group(1)), number)
            closing = _opens_multiline(key.group(2))
    return lines


def _parts(dotted: str) -> Path:
    return tuple(part.strip("\"'") for part in _KEY_PART.findall(dotted))


def _opens_multiline(value: str) -> str:
    for delimiter in ('"""', "'''"):
        if value.count(delimiter) == 1 and value.lstrip().startswith(delimiter):
            return delimiter
    return ""


def line_of(lines: Mapping[Path, int], path: Path) -> int:
    """Line of a path or of its nearest ancestor that has one; 0 where none has.

    >>> line_of(find_lines("[a]\\nb = { c = 1 }"), ("a", "b", "c"))
    2
    """
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 0
