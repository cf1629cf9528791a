"""Rewrites single values of a TOML text and leaves every other character as a person wrote it.

Changes are cuts in the text at places ``toml_lines`` finds. What comes out is read again and must hold what was asked
for and nothing else, so a slip here is refused and never stored. tomlkit 0.15.2 was tried: it replaces values as well,
but puts a new key or table behind the comment of the table that follows, and eats blank lines.
"""

from __future__ import annotations

import copy
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date, time
from typing import Any

from netlists.errors import InputError
from netlists.toml_lines import Entry, Path, find_places

KEY, ITEM, TABLE = range(3)  # order of what is added at one place: a key would else fall into the table before it
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_COMMENT_LINE = re.compile(r"[ \t]*#[^\n]*(?:\n|\Z)")


class RewriteError(InputError):
    """A text whose form allows no such change; the message says where and what to do."""


def toml_value(value: object) -> str:
    """A value as TOML writes it in one line.

    >>> toml_value({"value": "4k7", "low": 1, "of": ["a"]})
    '{ value = "4k7", low = 1, of = ["a"] }'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml_key(key)} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml_value, value)) + "]"
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value)


def toml_key(*names: str) -> str:
    """A key, dotted where it has several names."""
    return ".".join(name if _BARE.fullmatch(name) else json.dumps(name, ensure_ascii=False) for name in names)


class Rewriter:
    """Collects changes of one text; ``text`` makes them all.

    No place may be changed twice, and nothing inside a place that is changed.
    """

    def __init__(self, text: str) -> None:
        self._old = text
        self.data: dict[str, Any] = tomllib.loads(text)
        self._places = find_places(text)
        self._newline = "\r\n" if "\r\n" in text else "\n"
        self._cuts: list[tuple[int, int, int, str]] = []  # start, end, order of those at one place, text
        # the last entry directly in a table, and at or below a path; where the last entry of a block ends
        self._in: dict[Path, Entry] = {}
        self._below: dict[Path, Entry] = {}
        self._ends: dict[int, int] = {}
        for place, entry in sorted(self._places.entries.items(), key=lambda pair: pair[1].start):
            self._in[place[:-1]] = entry
            self._below |= {place[:length]: entry for length in range(len(place) + 1)}
            self._ends[entry.block] = max(entry.end, self._ends.get(entry.block, 0))
        self._items: dict[Path, list[Mapping[str, Any]]] = {}

    @property
    def is_changed(self) -> bool:
        """Whether anything was asked for."""
        return bool(self._cuts or self._items)

    def get(self, path: Path) -> Any:
        """The value at a path as it will be; None where there is none."""
        found: Any = self.data
        for name in path:
            if not isinstance(found, dict) or name not in found:
                return None
            found = found[name]
        return found

    def is_entry(self, path: Path) -> bool:
        """Whether a value is written behind its own key, not as a table under a header."""
        return path in self._places.entries

    def put(self, path: Path, value: Any) -> None:
        """Replaces a value where it stands, or adds it behind the last of its table."""
        old = self._places.entries.get(path)
        if old is not None:
            self._cuts.append((old.value, old.end, KEY, toml_value(value)))
        elif isinstance(self.get(path), dict):
            raise self._refused(path, "is a table under a header of its own")
        else:
            self._add(path, value)
        table = self.data
        for name in path[:-1]:
            table = table.setdefault(name, {})
        table[path[-1]] = copy.deepcopy(value)

    def split(self, path: Path, fields: Mapping[str, Any]) -> None:
        """Puts several keys in the place of one."""
        old = self._places.entries[path]
        gap = ", " if old.inline else self._newline + self._indent(old)
        pairs = (f"{toml_key(*self._written(old, path, name))} = {toml_value(one)}" for name, one in fields.items())
        self._cuts.append((old.start, old.end, KEY, gap.join(pairs)))
        table = self.get(path[:-1])
        del table[path[-1]]
        table.update(copy.deepcopy(dict(fields)))

    def drop(self, path: Path) -> None:
        """Takes out a key that stands on lines of its own."""
        old = self._places.entries.get(path)
        if old is None or old.inline:
            raise self._refused(path, "cannot be taken out of its line")
        begin = old.start - len(self._indent(old))
        self._cuts.append((begin, self._line_end(old.end), KEY, ""))
        del self.get(path[:-1])[path[-1]]

    def table(self, path: Path, fields: Mapping[str, Any]) -> None:
        """Adds a table with a header of its own behind all that stands below its nearest table, or at the end."""
        lines = [f"[{toml_key(*path)}]", *(f"{toml_key(name)} = {toml_value(item)}" for name, item in fields.items())]
        above = (self._below[path[:length]] for length in range(len(path) - 1, 1, -1) if path[:length] in self._below)
        self._block(next(above, None), lines, TABLE)
        table = self.data
        for name in path[:-1]:
            table = table.setdefault(name, {})
        table[path[-1]] = copy.deepcopy(dict(fields))

    def item(self, path: Path, fields: Mapping[str, Any]) -> None:
        """Adds a table to the array at a path, behind its last; the array is made where there is none."""
        self._items.setdefault(path, []).append(fields)
        table = self.data
        for name in path[:-1]:
            table = table.setdefault(name, {})
        table.setdefault(path[-1], []).append(dict(fields))

    def text(self) -> str:
        """The text with all changes.

        Raises
        ------
        RewriteError : the text's form allows them not, such as a part written in one line
        """
        for path, items in self._items.items():
            self._add_items(path, items)
        self._items = {}
        text, behind = "", 0
        for start, end, _, new in sorted(self._cuts, key=lambda cut: (cut[0], cut[2])):
            if start < behind:
                raise RewriteError("one place cannot be changed twice at once; make one change after the other")
            text, behind = text + self._old[behind:start] + new, end
        text += self._old[behind:]
        try:
            found = tomllib.loads(text)
        except ValueError as error:
            raise RewriteError(f"cannot be rewritten as it is laid out ({error}); write the value by hand") from error
        if found != self.data:
            raise RewriteError("cannot be rewritten as it is laid out; write the value by hand")
        return text

    # --- places

    def _refused(self, path: Path, what: str) -> RewriteError:
        return RewriteError(f"{'.'.join(path)}: {what}; write the value by hand")

    def _add(self, path: Path, value: Any) -> None:
        last = self._in.get(path[:-1])
        if last is not None:
            text = f"{toml_key(*self._written(last, path, path[-1]))} = {toml_value(value)}"
            if last.inline:
                self._cuts.append((last.end, last.end, KEY, f", {text}"))
            else:
                self._line(self._line_end(last.end), self._indent(last) + text, KEY)
        elif path[:-1] in self._places.headers:
            behind = self._line_end(self._places.headers[path[:-1]])
            self._line(behind, f"{toml_key(path[-1])} = {toml_value(value)}", KEY)
        elif self.get(path[:-1]) in (None, {}) and self._places.entries.get(path[:-1]) is None:
            lines = [f"[{toml_key(*path[:-1])}]", f"{toml_key(path[-1])} = {toml_value(value)}"]
            self._block(None, lines, TABLE)
        else:
            raise self._refused(path, "has no table it could be added to")

    def _written(self, beside: Entry, path: Path, name: str) -> Path:
        """A key's names as they must be written beside an entry of the same table."""
        return (name,) if beside.inline else (*path[len(beside.header) : -1], name)

    def _add_items(self, path: Path, items: Sequence[Mapping[str, Any]]) -> None:
        array, owner = self._places.entries.get(path), self._places.entries.get(path[:-1])
        listed = ", ".join(map(toml_value, items))
        if array is not None:
            last = self._in.get(path)
            where = last.end if last else array.value + 1
            self._cuts.append((where, where, KEY, f", {listed}" if last else listed))
        elif owner is not None:  # a part in one line takes no header
            self._add(path, [dict(item) for item in items])
        else:
            lines: list[str] = []
            for item in items:
                lines += ["", f"[[{toml_key(*path)}]]"]
                lines += [f"{toml_key(name)} = {toml_value(value)}" for name, value in item.items()]
            self._block(self._below.get(path[:-1]) if len(path) > 1 else None, lines[1:], ITEM)

    def _block(self, behind: Entry | None, lines: Sequence[str], order: int) -> None:
        """Puts lines, with a blank one before them, behind the block an entry stands in; at the end where None."""
        where = len(self._old)
        if behind is not None:
            where = self._line_end(self._ends[behind.block])
            comments = where
            while (match := _COMMENT_LINE.match(self._old, comments)) and match.end() > comments:
                comments = match.end()
            if not self._old.startswith("[", comments):  # else they are of the table that follows
                where = comments
        self._line(where, self._newline.join(["", *lines]), order)

    def _line(self, where: int, text: str, order: int) -> None:
        start = "" if where == 0 or self._old[where - 1] == "\n" else self._newline
        self._cuts.append((where, where, order, f"{start}{text}{self._newline}"))

    def _line_end(self, at: int) -> int:
        """Behind the end of the line that a place is in."""
        found = self._old.find("\n", at)
        return len(self._old) if found < 0 else found + 1

    def _indent(self, entry: Entry) -> str:
        start = self._old.rfind("\n", 0, entry.start) + 1
        text = self._old[start : entry.start]
        return text if not text.strip() else ""
