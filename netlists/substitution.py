"""A record with parts swapped for others, by single fields or a small file; the record's own file stays as it is.

A swap that gives a kind is another part: what was read off the old one goes, and its place on the board stays (role,
output, branch, counts) unless it is given too. Every other swap replaces single fields.
"""

from __future__ import annotations

import copy
import itertools
import re
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from netlists.errors import MOST_FINDINGS, Finding, OptionError, RecordError, nearest
from netlists.fields import marked_values
from netlists.origins import Origins, told_where_given
from netlists.quantity import QuantityError, shown
from netlists.record import read_toml, record_from, text_faults
from netlists.record_model import SupplyRecord
from netlists.toml_checker import Checker
from netlists.toml_lines import line_of

PLACE = ("role", "output", "branch", "parallel", "series")  # of a part: they are the board's, not the part's
OPTION = "--swap"
LONGEST_SWAP = 2000  # characters
_PATH = re.compile(r"stages\.(\w+)\.parts\.(\w+)\.(\w+)")
_TOML_VALUE = re.compile(r"[\[{\"'].*|[0-9]+", re.DOTALL)  # all else is a text whose quotes the shell took


@dataclass(frozen=True)
class Swaps:
    """What to replace in which parts.

    Parameters
    ----------
    parts : (instance, designator) -> field -> value as TOML gives it
    origins : path -> file and line (0 where there is none) a finding about it belongs to
    """

    parts: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    origins: Origins = field(default_factory=dict)

    def add(self, part: tuple[str, str], name: str, value: Any, origin: tuple[str, int]) -> None:
        """Adds a field; RecordError where it is given already."""
        path = (*part_path(part), name)
        fields = self.parts.setdefault(part, {})
        if name in fields:
            raise RecordError([Finding(*origin, ".".join(path), "is swapped twice; keep one of the two")])
        fields[name] = value
        self.origins[path] = origin
        if name == "kind":
            self.origins[part_path(part)] = origin  # of all that the new part should say and does not

    def told_where_given(self) -> AbstractContextManager[None]:
        """Findings about what is swapped name the option or file that gave it, not the record's old line."""
        return told_where_given(self.origins, "with the parts swapped")


def part_path(part: tuple[str, str]) -> tuple[str, ...]:
    """Record path of a part."""
    return ("stages", part[0], "parts", part[1])


def read_swaps(texts: Sequence[str], file: Path | None) -> Swaps:
    """Swaps of the option, ``stages.X.parts.C40.capacitance=680u 20%`` each, and of a file.

    Raises
    ------
    OptionError, RecordError : a text or the file cannot be read
    """
    swaps = Swaps()
    if file is not None:
        _read_file(file, swaps)
    for text in texts:
        path, _, value = text[:LONGEST_SWAP].partition("=")
        match = _PATH.fullmatch(path.strip())
        if match is None or not value.strip() or len(text) > LONGEST_SWAP:
            raise OptionError(
                f'{OPTION}: must be such as stages.mains_rectifier.parts.C1.capacitance="180u 20%", found {shown(text)}'
            )
        instance, designator, name = match.groups()
        swaps.add((instance, designator), name, value_given(OPTION, value.strip()), (OPTION, 0))
    return swaps


def value_given(option: str, text: str) -> Any:
    """An option's value as in a record, or a text without its quotes; OptionError where it is no TOML."""
    if not _TOML_VALUE.fullmatch(text):
        return text
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError) as error:
        raise OptionError(f"{option}: not a value of TOML: {shown(text)}") from error


def _read_file(path: Path, swaps: Swaps) -> None:
    """Parts of a file with the tables of a record, ``[stages.X.parts.C40]``."""
    raw, file, lines = read_toml(path)
    checker = Checker(file, lines)
    top = checker.table((), raw, ("schema", "notes", "stages"))
    checker.text((), top, "notes")
    if not top.get("stages") and not checker.findings:
        checker.fault(("stages",), "missing; a table such as [stages.mains_rectifier.parts.C1] says what to swap")
    for instance, stage in checker.table(("stages",), top.get("stages", {}), None).items():
        place: tuple[str, ...] = ("stages", instance)
        parts = checker.table(place, stage, ("parts",)).get("parts", {})
        for designator, part in checker.table((*place, "parts"), parts, None).items():
            place = part_path((instance, designator))
            for name, value in checker.table(place, part, None).items():
                swaps.add((instance, designator), name, value, (file, line_of(lines, (*place, name))))
    if checker.findings:
        raise RecordError(checker.findings[:MOST_FINDINGS])


def load_swapped(path: str | Path, swaps: Swaps) -> tuple[SupplyRecord, SupplyRecord]:
    """A record as it is, and with the swaps, which is checked as any record.

    Raises
    ------
    RecordError : with all findings of the record, or of what the swaps make of it
    """
    raw, file, lines = read_toml(path)
    original = record_from(raw, file, lines)
    changed = copy.deepcopy(raw)
    findings = [fault for part in swaps.parts if (fault := _missing(original, part, swaps))]
    if findings:
        raise RecordError(findings[:MOST_FINDINGS])
    for part, fields in swaps.parts.items():
        parts = changed["stages"][part[0]]["parts"]
        parts[part[1]] = swapped_part(parts[part[1]], fields)
    with swaps.told_where_given():
        faults = itertools.islice(text_faults(changed), MOST_FINDINGS)
        findings = [Finding(file, line_of(lines, place), ".".join(place), message) for place, message in faults]
        if findings:
            raise RecordError(findings)
        return original, record_from(changed, file, lines)


def _missing(record: SupplyRecord, part: tuple[str, str], swaps: Swaps) -> Finding | None:
    """What is wrong with a part to swap that the record does not have."""
    instance, designator = part
    origin = next(origin for path, origin in swaps.origins.items() if path[:4] == part_path(part))
    if instance not in record.data.stages:
        known = nearest(instance, record.data.stages)
        return Finding(*origin, f"stages.{instance}", f"no instance {shown(instance)} in {record.file}; {known}")
    parts = record.data.stages[instance].parts
    if designator not in parts:
        message = f"no part {shown(designator)} in {record.file}; {nearest(designator, parts)}"
        return Finding(*origin, ".".join(part_path(part)), message)
    return None


def swapped_part(old: Mapping[str, Any], fields: Mapping[str, Any]) -> dict[str, Any]:
    """A part's table with fields of another: all of it where they give a kind, else these fields alone.

    A marking is taken apart where one of its values is swapped, and takes the place of values it gives.
    """
    if "kind" in fields:
        return {**{name: old[name] for name in PLACE if name in old}, **fields}
    part = {**old, **fields}
    if "marking" in fields:
        return {name: value for name, value in part.items() if name in fields or name not in _marked(fields)}
    given = _marked(old)
    if fields.keys() & given.keys():
        del part["marking"]
        return {**given, **part}
    return part


def _marked(part: Mapping[str, Any]) -> Mapping[str, Any]:
    """What a part's marking gives; nothing where it cannot be read, which the record's own check says."""
    marking = part.get("marking")
    if not isinstance(marking, str):
        return {}
    try:
        return marked_values(marking)
    except QuantityError:
        return {}
