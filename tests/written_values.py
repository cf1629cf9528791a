"""The values of a record as a person wrote them, and how to write one anew: what slips are made on.

Works on what ``read_toml`` gave, so that a slipped record goes through every check that a file goes through.
"""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from netlists.quantity import read_value
from netlists.record import SupplyRecord, record_from

Place = tuple[str, ...]
Edit = tuple[Place, Any]
GONE = object()  # in an edit: the key is taken out
_LETTER_CODE = re.compile(r"(\d+)([pnumkKMR])(\d+)(.*)")
PREFIXED = ("F", "H", "ohm", "s", "Hz")
_PREFIX_OF = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M"}
MARKING_FIELDS = {"capacitance": r"[\d.]+[pnum]F?", "voltage_rating": r"[\d.]+V", "temperature_rating": r"\d+C"}


@dataclass(frozen=True)
class Entry:
    """A value as written.

    Parameters
    ----------
    path : dotted record path
    kind, role : of its part, empty elsewhere
    number, prefix, rest : ``4.7``, ``n`` and `` 10%`` of "4.7n 10%"; a letter code is written with its point
    raw : what stands in the file: a text, a table, or the marking that holds it
    place : of that
    """

    path: str
    kind: str
    role: str
    unit: str
    known: str
    number: str
    prefix: str
    rest: str
    raw: Any
    place: Place

    @property
    def field(self) -> str:
        return self.path.rsplit(".", 1)[1]

    @property
    def owner(self) -> str:
        """Path of the part or table it belongs to; of a stage's own value the value itself."""
        words = self.path.split(".")
        if words[0] == "stages":
            return ".".join(words[:4]) if len(words) > 4 else self.path
        return ".".join(words[:-1]) if words[0] in ("nameplate", "claims", "measurements") else self.path

    @property
    def value(self) -> float:
        return self.value_of(self.number, self.prefix)

    def value_of(self, number: str, prefix: str) -> float:
        share = 0.01 if self.unit == "1" and self.rest.startswith("%") else 1.0
        return read_value(f"{number}{prefix}", self.unit if prefix else "1") * share

    def written(self, number: str, prefix: str) -> Edit:
        """The edit that writes another number; a range around the old one goes along with it."""
        text = f"{number}{prefix}{self.rest}"
        if self.place[-1] == "marking":
            tokens = [text if re.fullmatch(MARKING_FIELDS[self.field], one) else one for one in self.raw.split()]
            return self.place, " ".join(tokens)
        if not isinstance(self.raw, Mapping):
            return self.place, text
        table, ratio = dict(self.raw), self.value_of(number, prefix) / self.value
        for end in ("low", "high"):
            if end in table:
                old = read_value(table[end], self.unit)
                table[end] = self.value_of(number, prefix) if old == self.value else old * ratio
        return self.place, {**table, "value": text}

    def with_value(self, value: float) -> Edit:
        """The same for a number that was calculated, with four digits and a prefix where the unit takes one."""
        share = 0.01 if self.unit == "1" and self.rest.startswith("%") else 1.0
        value /= share
        exponent = 3 * math.floor(math.log10(value) / 3) if self.unit in PREFIXED else 0
        exponent = max(-12, min(6, exponent))
        return self.written(f"{value / 10.0**exponent:.4g}", _PREFIX_OF[exponent])


def split(text: str) -> tuple[str, str, str] | None:
    """Number, prefix and rest of a written value.

    >>> split("2n2 20%"), split("150u"), split("88%"), split("60 A")
    (('2.2', 'n', ' 20%'), ('150', 'u', ''), ('88', '', '%'), ('60', '', ' A'))
    """
    if match := _LETTER_CODE.fullmatch(text):
        whole, letter, part, rest = match.groups()
        return f"{whole}.{part}", {"R": "", "K": "k"}.get(letter, letter), rest
    match = re.fullmatch(r"(\d*\.?\d+)(.*)", text)
    if match is None:
        return None
    number, rest = match.groups()
    if found := re.fullmatch(r" ?([pnumkMG])(?=$| |F|H|s|A\b|V\b|W\b)(.*)", rest):
        return number, found.group(1), found.group(2)
    return number, "", rest


def entries(raw: Mapping[str, Any], record: SupplyRecord) -> list[Entry]:
    """Every written value of a record, but inferred ones."""
    found = []
    for path, quantity in record.quantities.items():
        if path not in record.specs or quantity.known == "inferred" or path.endswith(".deviation"):
            continue
        *above, field = path.split(".")
        table = at(raw, tuple(above))
        place: Place = (*above, field)
        if field in table:
            written = table[field]
            text = written["value"] if isinstance(written, Mapping) else written
        else:
            place, written = (*above, "marking"), table["marking"]
            text = next(one for one in written.split() if re.fullmatch(MARKING_FIELDS[field], one))
        parts = split(str(text))
        if parts is not None:
            kind, role = (str(table.get(name, "")) if "parts" in above else "" for name in ("kind", "role"))
            found.append(Entry(path, kind, role, quantity.unit, quantity.known, *parts, written, place))
    return found


def at(raw: Any, place: Place) -> Any:
    """What stands at a place."""
    for word in place:
        raw = raw[word]
    return raw


def edited(raw: Mapping[str, Any], edits: Iterable[Edit]) -> dict[str, Any]:
    """A copy with some places written anew."""
    changed = copy.deepcopy(dict(raw))
    for place, value in edits:
        table = at(changed, place[:-1])
        if value is GONE:
            del table[place[-1]]
        else:
            table[place[-1]] = value
    return changed


@dataclass(frozen=True, eq=False)
class Board:
    """A record as read from its file, with all that was written in it."""

    raw: Mapping[str, Any]
    file: str
    lines: Mapping[Place, int]
    record: SupplyRecord
    entries: tuple[Entry, ...]

    @classmethod
    def of(cls, raw: Mapping[str, Any], file: str, lines: Mapping[Place, int]) -> Board:
        record = record_from(copy.deepcopy(dict(raw)), file, lines)
        return cls(raw, file, lines, record, tuple(entries(raw, record)))

    def parts(self) -> Iterator[tuple[Place, dict[str, Any]]]:
        """Place and table of every part."""
        for stage, table in self.raw["stages"].items():
            for designator, part in table.get("parts", {}).items():
                yield ("stages", stage, "parts", designator), part

    def edited(self, edits: Iterable[Edit]) -> SupplyRecord:
        """The record after some edits; RecordError where its checks refuse it."""
        return record_from(edited(self.raw, edits), self.file, self.lines)
