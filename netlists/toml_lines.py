"""Finds where a key of a TOML file stands, by line and by character, since no library tells.

A scanner of text that tomllib has accepted already: it follows texts, brackets and comments, and checks nothing.
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

Path = tuple[str, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY_PART = re.compile(r"""[ \t]*(?:([A-Za-z0-9_-]+)|("(?:[^"\\\n]|\\.)*"|'[^'\n]*'))[ \t]*(\.?)""")
# A text in its four forms; a closing run of three quotes takes up to two more into the text. No possessive quantifiers:
# Python 3.11.2, which Debian 12 has, matches them wrongly.
_TEXT = re.compile(
    r'''"""(?:[^"\\]|\\.|"(?!""))*"{3,5}|\'\'\'(?:[^']|'(?!''))*'{3,5}|"(?:[^"\\\n]|\\.)*"|'[^'\n]*\'''',
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\[\]{}#\n\"']+")  # numbers, booleans, dates


@dataclass(frozen=True, slots=True)
class Entry:
    """A ``key = value``, or an item of an array, by its characters in the text.

    Parameters
    ----------
    start, value, end : where its key begins, where its value begins and ends
    block : start of the header it stands under, 0 above the first;  header : path of that header
    inline : it stands in a table of one line, or in an array
    """

    start: int
    value: int
    end: int
    block: int
    header: Path
    inline: bool


@dataclass(frozen=True, slots=True)
class Places:
    """Every entry of a text, in its order, and every header with the character behind it."""

    entries: Mapping[Path, Entry]
    headers: Mapping[Path, int]


def find_places(text: str) -> Places:
    """Where all entries and headers of a text that tomllib accepts stand.

    >>> found = find_places("[a]\\nb = { c = 1 } # 2").entries["a", "b"]
    >>> (found.start, found.value, found.end, found.header)
    (4, 8, 17, ('a',))
    """
    scanner = _Scanner(text)
    return Places(scanner.entries, scanner.headers)


def find_lines(text: str) -> Mapping[Path, int]:
    """Path of every table header and key -> its line, counted from 1. Arrays count their items as names 0, 1, ...

    Text that tomllib refuses gives the lines found up to its fault.
    """
    return _Scanner(text).lines


def line_of(lines: Mapping[Path, int], path: Path) -> int:
    """Line of a path or of its nearest ancestor that has one; 0 where none has.

    >>> line_of(find_lines("[a]\\nb = { c = 1 }"), ("a", "b", "c"))
    2
    """
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 0


class _NotToml(Exception):
    """A pattern that must match did not: no TOML from here on."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.lines: dict[Path, int] = {}
        self.entries: dict[Path, Entry] = {}
        self.headers: dict[Path, int] = {}
        self._block, self._depth = 0, 0
        self._header: Path = ()
        self._at = 0
        self._line, self._counted_to = 1, 0
        with contextlib.suppress(_NotToml, RecursionError):
            self._document()

    def _document(self) -> None:
        table: Path = ()
        items: dict[Path, int] = {}  # array of tables -> number of its newest item
        self._skip_blank()
        while self._at < len(self.text):
            if self.text.startswith("[", self._at):
                double = self.text.startswith("[[", self._at)
                line, self._block = self._line_here(), self._at
                self._at += 2 if double else 1
                table = self._in_newest_items(self._key(), items, double)
                if double:
                    self.lines.setdefault(table[:-1], line)
                self.lines.setdefault(table, line)
                self._at += 2 if double else 1
                self._header = table
                self.headers.setdefault(table, self._at)
            else:
                self._pair(table)
            self._skip_blank()

    @staticmethod
    def _in_newest_items(key: Path, items: dict[Path, int], double: bool) -> Path:
        """A header's path with the numbers of the array items it lies in; opens a new item for a double bracket."""
        place: Path = ()
        for index, part in enumerate(key):
            place = (*place, part)
            if double and index == len(key) - 1:
                items[place] = items.get(place, -1) + 1
            if place in items:
                place = (*place, str(items[place]))
        return place

    def _pair(self, table: Path) -> None:
        line, start = self._line_here(), self._at
        key = self._key()
        for length in range(1, len(key) + 1):
            self.lines.setdefault(table + key[:length], line)
        self._at += 1  # the equals sign
        self._entry(table + key, start)

    def _entry(self, place: Path, start: int | None = None) -> None:
        """Value of a key that began at ``start``, or an item of an array."""
        self._skip_blank()
        value = self._at
        self._value(place)
        end = value + len(self.text[value : self._at].rstrip())
        begin = value if start is None else start
        self.entries[place] = Entry(begin, value, end, self._block, self._header, self._depth > 0)

    def _value(self, place: Path) -> None:
        self._skip_blank()
        opening = self.text[self._at : self._at + 1] or "end"
        if opening in "[{":
            closing = "]" if opening == "[" else "}"
            self._at += 1
            self._depth += 1
            self._skip_blank()
            number = 0
            while not self.text.startswith(closing, self._at):
                if opening == "[":
                    item = (*place, str(number))
                    self.lines.setdefault(item, self._line_here())
                    self._entry(item)
                    number += 1
                else:
                    self._pair(place)
                self._skip_blank()
                if self.text.startswith(",", self._at):
                    self._at += 1
                    self._skip_blank()
            self._at += 1
            self._depth -= 1
        else:
            self._take(_TEXT if opening in "\"'" else _PLAIN)

    def _key(self) -> Path:
        parts: list[str] = []
        dot = "."
        while dot:
            match = self._take(_KEY_PART)
            bare, quoted, dot = match.groups()
            parts.append(bare if bare is not None else _unquoted(quoted))
        return tuple(parts)

    def _take(self, pattern: re.Pattern[str]) -> re.Match[str]:
        match = pattern.match(self.text, self._at)
        if match is None:
            raise _NotToml
        self._at = match.end()
        return match

    def _skip_blank(self) -> None:
        self._take(_BLANK)

    def _line_here(self) -> int:
        self._line += self.text.count("\n", self._counted_to, self._at)
        self._counted_to = self._at
        return self._line


def _unquoted(quoted: str) -> str:
    try:
        return str(tomllib.loads(f"key = {quoted}")["key"])
    except tomllib.TOMLDecodeError:
        return quoted[1:-1]
