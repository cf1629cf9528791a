"""Single values of a record's text put right in place, with their history, and what that moves.

Knows what a value may look like in TOML (text, number, table, part of a marking) and keeps the form a person chose
where it can say what is new. The record's own reader decides whether the result is a record.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from netlists.errors import OptionError, nearest
from netlists.fields import Part, marked_values
from netlists.quantity import Quantity, QuantityError, read_marking, shown, tolerance_in
from netlists.record import read_content, record_from
from netlists.record_inference import DEVIATION
from netlists.record_model import SupplyRecord
from netlists.toml_lines import Path
from netlists.toml_rewrite import Rewriter, toml_value

RANGES = ("tolerance", "uncertainty", "low", "high")
KEYS = ("value", *RANGES, "known", "formula", "of", "note", "evidence", "date", "effort", "instrument")
COUNTS = ("parallel", "series")
TEXTS = ("marking",)  # of a part: fields beside values and counts that may be corrected
NO_VALUES = frozenset({*Part.model_fields, *TEXTS, "safety_class"})  # of a part: what is said and not known
PLATES = (("nameplate", "input_bands"), ("nameplate", "rails"))  # whose plain values are marked, as the label is
MARKED = {"capacitance": "value", "voltage_rating": "voltage", "temperature_rating": "temperature"}


@dataclass(frozen=True, slots=True)
class Correction:
    """One value that was put right: its record path, what the text says before and after, how it is known now."""

    path: str
    was: str
    now: str
    known: str


def stated(raw: Any) -> dict[str, Any]:
    """A value of a record as a table, however it is written; empty where there is none."""
    if raw is None:
        return {}
    return dict(raw) if isinstance(raw, Mapping) else {"value": raw}


def revised(raw: Any, default_known: str, given: Mapping[str, Any]) -> Any:
    """A value as TOML states it, with some of its keys said anew.

    Parameters
    ----------
    raw : as it is now, None where it was not read yet
    default_known : how it is known where it does not say so itself, empty where nothing does
    given : keys of a quantity's table -> what they shall be

    What a formula computes and what a person states exclude each other: each takes the other's keys away.
    """
    table = stated(raw)
    known = given.get("known") or table.get("known", default_known)
    if known == table.get("known", default_known):  # not said again where it holds already
        given = {key: value for key, value in given.items() if key != "known"}
    table.update(given)
    gone = ("value", "low", "high") if known == "inferred" else ("formula", "of")
    table = {key: value for key, value in table.items() if key not in gone}
    if set(table) == {"value"} and not isinstance(raw, Mapping) and (default_known or raw is not None):
        return table["value"]
    return {key: table[key] for key in (*stated(raw), *KEYS, *table) if key in table}


def read_anew(raw: Any, default_known: str, given: Mapping[str, Any]) -> Any:
    """``revised`` for a value somebody read again: an old range goes where a new one or another way of knowing comes,
    and an old date in any case.

    >>> read_anew("150u 20%", "marked", {"value": "120u"})
    '120u 20%'
    >>> read_anew("150u 20%", "marked", {"value": "143u", "known": "measured", "uncertainty": "2%"})
    {'value': '143u', 'uncertainty': '2%', 'known': 'measured'}
    """
    old, given = stated(raw), dict(given)
    is_ranged = any(key in given for key in RANGES) or tolerance_in(given.get("value"))
    is_otherwise = given.get("known", "") not in ("", old.get("known", default_known))
    if "value" in given or is_otherwise:  # it was read another day
        old.pop("date", None)
    if is_ranged or is_otherwise:
        old = {key: value for key, value in old.items() if key not in RANGES}
    elif "value" in given and (tolerance := tolerance_in(old.get("value"))):
        given["value"] = f"{given['value']} {tolerance}"
    raw = old if isinstance(raw, Mapping) else raw
    return revised(raw, default_known, given)


def put_value(text: Rewriter, path: Path, new: Any) -> None:
    """Writes a value where it stands, changing as little of its text as can be.

    Raises
    ------
    RewriteError : the text's form does not allow it
    """
    old = text.get(path)
    marking = text.get((*path[:-1], "marking"))
    if old is None and isinstance(marking, str) and path[-1] in _marked(marking):
        _put_marked(text, path, marking, new)
    elif isinstance(old, Mapping) and isinstance(new, Mapping):
        gone = [key for key in old if key not in new]
        if gone and text.is_entry(path):
            text.put(path, new)
            return
        for key in gone:
            text.drop((*path, key))
        for key, value in new.items():
            if key not in old or old[key] != value:
                text.put((*path, key), value)
    else:
        text.put(path, new)


def _marked(marking: str) -> Mapping[str, Any]:
    try:
        return marked_values(marking)
    except QuantityError:
        return {}


def _put_marked(text: Rewriter, path: Path, marking: str, new: Any) -> None:
    """A value that a marking gives: in the marking where it can say it, else the marking is taken apart."""
    values, table = marked_values(marking), stated(new)
    old_token = read_marking(marking)[MARKED[path[-1]]]
    token = str(table.get("value", ""))
    token += "V" if path[-1] == "voltage_rating" and token[-1:].isdigit() else ""
    token += "C" if path[-1] == "temperature_rating" and token[-1:].isdigit() else ""
    candidate = re.sub(rf"(?<!\S){re.escape(old_token)}(?!\S)", lambda _: token, marking, count=1)
    wanted = {**values, path[-1]: {**values[path[-1]], "value": token}}
    says_no_more = table.keys() <= {"value", "known"} and table.get("known", "marked") == "marked"
    if says_no_more and candidate != marking and _marked(candidate) == wanted:
        text.put((*path[:-1], "marking"), candidate)
        return
    plain = default_known(text, path) == "marked"
    apart = {name: _in_a_text(value) if plain else value for name, value in values.items()}
    text.split((*path[:-1], "marking"), {**apart, path[-1]: new})


def _in_a_text(marked: Mapping[str, str]) -> str:
    return " ".join(marked[key] for key in ("value", "tolerance") if key in marked)


def check_place(record: SupplyRecord, path: str) -> None:
    """OptionError where a record has no value at a path that could be corrected."""
    if record.specs.get(path, DEVIATION) is not DEVIATION or _part_field(record, path):
        return
    fields = [
        f"stages.{name}.parts.{designator}.{one}"
        for name, stage in record.data.stages.items() for designator, part in stage.parts.items()
        for one in (*COUNTS, *TEXTS) if hasattr(part, one)
    ]  # fmt: skip
    known = [*fields, *(known for known, spec in record.specs.items() if spec is not DEVIATION)]
    beside = [one for one in known if one.rpartition(".")[0] == path.rpartition(".")[0]]
    raise OptionError(f"PATH: {record.file} has no value at {shown(path)}; {nearest(path, beside or known)}")


def _part_field(record: SupplyRecord, path: str) -> bool:
    match = re.fullmatch(r"stages\.(\w+)\.parts\.(\w+)\.(\w+)", path)
    if match is None or match[3] not in (*COUNTS, *TEXTS):
        return False
    stage = record.data.stages.get(match[1])
    return stage is not None and hasattr(stage.parts.get(match[2]), match[3])


def default_known(text: Rewriter, path: Path) -> str:
    """How a plain value at a path is known: by the ``known`` of its table, or what such tables say of themselves."""
    found = text.get((*path[:-1], "known"))
    if isinstance(found, str):
        return found
    return "marked" if path[0] in ("claims", "measurements") or path[:2] in PLATES else ""


def correct(text: Rewriter, path: Path, new: Any) -> Correction:
    """Puts a new statement in the place of an old one; nothing is checked but the text's form."""
    default = default_known(text, path)
    is_value = path[-1] not in NO_VALUES
    was = said(_as_it_is(text, path)) or ("not read" if is_value else "nothing")
    put_value(text, path, new)
    known = str(stated(new).get("known", default)) if is_value else ""
    return Correction(".".join(path), was, said(_as_it_is(text, path)), known)


def _as_it_is(text: Rewriter, path: Path) -> Any:
    """A value in its own key, in its part's marking, or the one piece that nobody counts."""
    found = text.get(path)
    if found is None and path[-1] in COUNTS:
        return 1
    marking = text.get((*path[:-1], "marking"))
    if found is None and isinstance(marking, str):
        return _marked(marking).get(path[-1])
    return found


def said(raw: Any) -> str:
    """A value as the history of a record says it: its text with its range, or its formula; empty where it is none."""
    table = stated(raw)
    if not table:
        return ""
    if "formula" in table:
        of = ", ".join(f"{name} = {path}" for name, path in stated(table.get("of")).items())
        text = f"{table['formula']}({of})"
    else:
        value = table.get("value", "")
        text = " ".join(value.split()) if isinstance(value, str) else toml_value(value)
    if "low" in table and "high" in table:
        text += f" ({table['low']} to {table['high']})"
    return " ".join([text, *(str(table[key]) for key in ("tolerance", "uncertainty") if key in table)])


def add_history(text: Rewriter, path: Path, correction: Correction, why: str, date: str) -> None:
    """A line of history at the part or stage a path is of, or at the record itself."""
    owner = path[:4] if path[:1] == ("stages",) and path[2:3] == ("parts",) else path[:2] if path[0] == "stages" else ()
    line = {"date": date, "field": ".".join(path[len(owner) :]), "was": correction.was, "now": correction.now}
    text.item((*owner, "history"), {**line, **({"known": correction.known} if correction.known else {}), "why": why})


def record_of(text: Rewriter, file: str) -> tuple[bytes, SupplyRecord]:
    """The rewritten text's bytes and the record in them, refused as any record is.

    Raises
    ------
    RecordError : with all findings;  RewriteError : the text's form does not allow the changes
    """
    content = text.text().encode()
    return content, record_from(*read_content(content, file))


def moved_inferred(
    before: SupplyRecord, after: SupplyRecord, but: Collection[str] = ()
) -> list[tuple[str, Quantity, Quantity]]:
    """Path, old and new of every inferred value whose numbers are others now, but for some paths."""
    found = []
    for path, new in after.quantities.items():
        old = before.quantities.get(path)
        if new.known != "inferred" or old is None or path in but:
            continue
        if (old.nominal, old.low, old.high) != (new.nominal, new.low, new.high):
            found.append((path, old, new))
    return found


def is_same(text: Rewriter, path: Path, new: Any) -> bool:
    """Whether a value says this very thing already, in its own key or in its part's marking."""
    old = _as_it_is(text, path)
    if text.get(path) is None and isinstance(old, Mapping):  # marked
        return bool(stated(new).get("value") == old["value"] and stated(new).keys() <= old.keys())
    return bool(old == new)
