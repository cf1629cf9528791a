"""A record's file corrected: one value put right with its history, whole or not at all, and what that moved."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from harness.store.export import write_whole
from harness.store.files import locked
from harness.store.photos import check_evidence
from netlists import corrections
from netlists.corrections import COUNTS, TEXTS, Correction
from netlists.errors import OptionError, StoreError
from netlists.origins import told_where_given
from netlists.quantity import Quantity, shown
from netlists.record import SupplyRecord, read_content, read_record_bytes, record_from
from netlists.substitution import value_given
from netlists.toml_rewrite import Rewriter

VALUE = "VALUE"  # what a finding about the new value names in place of a file


@dataclass(frozen=True)
class Said:
    """What ``bulkrail correct`` was told of a value beside its text, each as a record writes it; None: not told."""

    known: str | None = None
    tolerance: str | None = None
    low: str | None = None
    high: str | None = None
    date: str | None = None
    evidence: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Corrected:
    """What was corrected, the inferred values it moved (path, old, new), and the file as it is now."""

    correction: Correction
    moved: Sequence[tuple[str, Quantity, Quantity]]
    before: Quantity | None
    after: Quantity | None
    content: bytes


def open_record(file: Path) -> tuple[bytes, Rewriter, SupplyRecord]:
    """A record's bytes, its text to be rewritten, and the record in them.

    Raises
    ------
    RecordError : it is none
    """
    content = read_record_bytes(file)
    record = record_from(*read_content(content, file.name))
    return content, Rewriter(content.decode("utf-8")), record


def correct_record(
    file: Path, path: str, value: str, why: str, told: Said, *, dry_run: bool = False, today: str | None = None
) -> Corrected:
    """Puts a value of a record right and adds a line to the history of its part, stage or record.

    Parameters
    ----------
    path : of the record, such as ``stages.mains_rectifier.parts.C1.esr``
    value : as in a record, a text without quotes or a table
    why : reason of the correction, in a line
    dry_run : nothing is written;  today : date of the line, else that of the clock

    Raises
    ------
    InputError : path, value or reason is wrong, or the record's reader refuses the result; nothing is written then
    StoreError : the file cannot be written, or was changed meanwhile
    """
    if not why.strip() or not why.isprintable():
        raise OptionError(f"--why: say in a line why the value is corrected, found {shown(why)}")
    today = _checked_date("--date", told.date or today or date.today().isoformat())
    content, text, record = open_record(file)
    corrections.check_place(record, path)
    if told.evidence is not None:
        check_evidence("--evidence", file, told.evidence)
    place = tuple(path.split("."))
    new = _new_value(text, place, value, told, today)
    if corrections.is_same(text, place, new):
        raise OptionError(f"{VALUE}: {path} is {corrections.said(new)} already; nothing to correct")
    correction = corrections.correct(text, place, new)
    corrections.add_history(text, place, correction, why.strip(), today)
    with told_where_given({place: (VALUE, 0)}, "with the correction"):
        changed, after = corrections.record_of(text, file.name)
    if not dry_run:
        replace_record(file, content, changed)
    moved = corrections.moved_inferred(record, after, (path,))
    return Corrected(correction, moved, record.quantities.get(path), after.quantities.get(path), changed)


def _new_value(text: Rewriter, place: tuple[str, ...], value: str, told: Said, today: str) -> Any:
    given = {name: said for name in Said.__dataclass_fields__ if (said := getattr(told, name)) is not None}
    if place[-1] in (*COUNTS, *TEXTS):
        if given.keys() - {"date"}:
            raise OptionError(f"--{next(iter(given.keys() - {'date'}))}: goes with a value, not with {place[-1]}")
        if place[-1] in TEXTS:
            return value
        if not value.strip().isdecimal() or len(value) > 9:
            raise OptionError(f"{VALUE}: {place[-1]} must be a whole number, found {shown(value)}")
        return int(value)
    new = value_given(VALUE, value.strip())
    table: Mapping[str, Any] = new if isinstance(new, Mapping) else {"value": new}
    if (given.get("tolerance") is not None) + ("low" in given or "high" in given) > 1:
        raise OptionError("--tolerance: give it, or --low and --high")
    default = corrections.default_known(text, place)
    known = given.get("known", table.get("known", corrections.stated(text.get(place)).get("known", default)))
    if known == "measured":
        given["date"] = today
        if "tolerance" in given:
            given["uncertainty"] = given.pop("tolerance")
    elif known != "inferred" and told.date is None:
        given.pop("date", None)
    return corrections.read_anew(text.get(place), default, {**table, **given})


def _checked_date(option: str, text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise OptionError(f"{option}: must be a date such as 2026-11-29, found {shown(text)}") from error


def replace_record(file: Path, before: bytes, after: bytes) -> None:
    """Puts a record's new bytes in the place of those it was read with, whole or not at all.

    Raises
    ------
    StoreError : it cannot be written, or somebody else wrote it meanwhile
    """
    place = file.resolve()  # a link stays one
    try:
        with locked(place.parent):
            if place.read_bytes() != before:
                raise StoreError(f"{file}: was changed meanwhile and is kept; run the command again")
            mode = stat.S_IMODE(place.stat().st_mode)
            if not os.access(place, os.W_OK):
                raise StoreError(f"{file}: cannot be written: it is read-only")
            write_whole(place, after)
            place.chmod(mode)
    except OSError as error:
        raise StoreError(f"{file}: cannot be written: {error.strerror}") from error
