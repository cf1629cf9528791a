"""A supply as found: one TOML file, read whole or refused with every finding at once.

Three steps: the text (size, characters, TOML), the shape (pydantic models of ``instances`` and ``kinds``), and what
only the whole record can tell (owners, references, feeding, roles, inferred values).
"""

from __future__ import annotations

import itertools
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from netlists.errors import MOST_FINDINGS as MOST_FINDINGS
from netlists.errors import Finding, RecordError, nearest
from netlists.fields import HistoryLine, Part, Refused, quantity_specs
from netlists.instances import NetworkBranch, StageInstance
from netlists.quantity import Quantity, QuantitySpec, shown
from netlists.record_checks import whole_record_faults
from netlists.record_inference import with_inferred, without_hanging
from netlists.record_model import SCHEMA as SCHEMA
from netlists.record_model import Claim as Claim
from netlists.record_model import InputBand as InputBand
from netlists.record_model import Line as Line
from netlists.record_model import Measurement as Measurement
from netlists.record_model import Nameplate as Nameplate
from netlists.record_model import Rail as Rail
from netlists.record_model import RecordData as RecordData
from netlists.record_model import SupplyRecord as SupplyRecord
from netlists.record_model import is_unread
from netlists.toml_lines import find_lines, line_of

LARGEST_FILE = 1_000_000  # bytes; the largest record seen in practice is under 50 kB
DEEPEST_NESTING = 12
# All that str.splitlines breaks at but \n, other control characters, and the marks that reverse the reading direction.
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]")
_TOO_DOTTED = re.compile(
    r"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){30}"""  # more than any text has
)
_MULTILINE_KEYS = {"note", "notes"}


def load_record(path: str | Path) -> SupplyRecord:
    """Reads and checks a record.

    Raises
    ------
    RecordError : with all findings, each with file, line and field
    """
    return record_from(*read_toml(path))


def record_from(raw: Mapping[str, Any], file: str, lines: Mapping[tuple[str, ...], int]) -> SupplyRecord:
    """The record in what ``read_toml`` gave; its errors as of ``load_record``."""
    try:
        data = RecordData.model_validate(raw)
    except ValidationError as error:
        raise RecordError(_shape_findings(error, file, lines)) from error
    record = _flattened(data, file, lines)
    findings = list(itertools.islice(whole_record_faults(record), MOST_FINDINGS))
    if findings:
        raise RecordError(findings)
    return with_inferred(record)


def record_as_far_as_read(raw: Mapping[str, Any], file: str, lines: Mapping[tuple[str, ...], int]) -> SupplyRecord:
    """The record in what ``read_toml`` gave, though values that a simulation needs are missing.

    Inferred values that rest on missing ones are left out. All other errors as of ``load_record``.
    """
    try:
        data = RecordData.model_validate(raw)
    except ValidationError as error:
        raise RecordError(_shape_findings(error, file, lines)) from error
    record = _flattened(data, file, lines)
    faults = (fault for fault in whole_record_faults(record) if not is_unread(fault))
    findings = list(itertools.islice(faults, MOST_FINDINGS))
    if findings:
        raise RecordError(findings)
    return with_inferred(without_hanging(record))


def read_toml(path: str | Path) -> tuple[dict[str, Any], str, Mapping[tuple[str, ...], int]]:
    """Content, name and lines of a TOML file of this schema: a record, or a file that lies beside one.

    Raises
    ------
    RecordError : for its size, its characters, its TOML or its schema number
    """
    return read_content(read_record_bytes(path), Path(path).name or str(path) or ".")


def read_content(content: bytes, file: str) -> tuple[dict[str, Any], str, Mapping[tuple[str, ...], int]]:
    """The same of bytes that are not in a file, or not yet; ``file`` begins each finding."""
    text = _checked_text(content, file)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordError([_toml_finding(file, str(error), text)]) from error
    except ValueError as error:  # a whole number of more digits than Python reads
        raise RecordError([_longest_number_finding(file, text)]) from error
    except RecursionError as error:
        raise RecordError([Finding(file, 0, "", f"nested deeper than {DEEPEST_NESTING} levels")]) from error
    lines = find_lines(text)
    faults = itertools.islice(text_faults(raw), MOST_FINDINGS)
    findings = [Finding(file, line_of(lines, place), ".".join(place), message) for place, message in faults]
    findings = findings or list(_schema_faults(raw, file, lines))
    if findings:
        raise RecordError(findings)
    return raw, file, lines


def read_record_bytes(path: str | Path) -> bytes:
    """The bytes of a record's file, no more than tell that it is too large; RecordError where it cannot be read."""
    path = Path(path)
    file = path.name or str(path) or "."
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise RecordError([Finding(file, 0, "", "must be a regular file")])
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise RecordError([Finding(str(path), 0, "", f"cannot be read: {error.strerror}")]) from error
    except ValueError as error:  # a path with a NUL
        raise RecordError([Finding(str(path), 0, "", "cannot be read: no possible name of a file")]) from error
    return content


def _checked_text(content: bytes, file: str) -> str:
    if len(content) > LARGEST_FILE:
        raise RecordError([Finding(file, 0, "", f"must be at most {LARGEST_FILE} bytes")])
    try:
        text = content.decode("utf-8").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise RecordError([Finding(file, line, "", "must be UTF-8 text")]) from error
    if text.startswith("\ufeff"):
        raise RecordError([Finding(file, 1, "", "starts with a byte order mark; save it as UTF-8 without one")])
    if match := _TOO_DOTTED.search(text):  # tomllib takes the square of their number
        line = text[: match.start()].count("\n") + 1
        raise RecordError([Finding(file, line, "", f"nested deeper than {DEEPEST_NESTING} levels")])
    if match := _CONTROL.search(text):
        line = text[: match.start()].count("\n") + 1
        raise RecordError([Finding(file, line, "", f"control character U+{ord(match.group()):04X} is not allowed")])
    return text


def _toml_finding(file: str, message: str, text: str) -> Finding:
    place = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    if place is None:  # "at end of document"
        return Finding(file, text.count("\n") + 1, "", f"not valid TOML: {message}")
    return Finding(
        file, int(place.group(1)), "", f"not valid TOML: {message[: place.start()]}, column {place.group(2)}"
    )


def text_faults(raw: object, place: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    """Control characters that came in by escapes, whole numbers beyond TOML's, and nesting no record needs."""
    if len(place) > DEEPEST_NESTING:
        yield place, f"nested deeper than {DEEPEST_NESTING} levels"
    elif isinstance(raw, dict):
        for key, value in raw.items():
            if _CONTROL.search(key) or "\n" in key or "\t" in key:
                yield place, f"control character in the name {shown(key)}"
            else:
                yield from text_faults(value, (*place, key))
    elif isinstance(raw, list):
        for number, value in enumerate(raw):
            yield from text_faults(value, (*place, str(number)))
    elif isinstance(raw, int) and not -(2**63) <= raw < 2**63:
        yield place, f"whole number of {raw.bit_length()} bits; TOML allows 64"
    elif isinstance(raw, str):
        in_note = bool(place) and place[-1] in _MULTILINE_KEYS
        fault = _CONTROL.search(raw) or (None if in_note else re.search("[\n\t]", raw))
        if fault:
            start = max(0, fault.start() - 12)
            yield place, f"must be one line without control characters, found {shown(raw[start : start + 40])}"


def _longest_number_finding(file: str, text: str) -> Finding:
    longest = max(re.finditer(r"[0-9_]+", text), key=lambda match: len(match.group()))
    line = text[: longest.start()].count("\n") + 1
    return Finding(file, line, "", f"number of {len(longest.group())} digits; no value of a part needs more than 20")


def _schema_faults(raw: Mapping[str, Any], file: str, lines: Mapping[tuple[str, ...], int]) -> Iterator[Finding]:
    """A record of another schema gets this one finding: all others would be noise."""
    number = raw.get("schema")
    remedy = f"write schema = {SCHEMA}"
    if number is None:
        yield Finding(file, 0, "schema", f"missing; {remedy} at the top, the schema this program reads")
    elif type(number) is not int:
        yield Finding(
            file, line_of(lines, ("schema",)), "schema", f"must be a whole number, found {shown(number)}; {remedy}"
        )
    elif number != SCHEMA:
        message = f"schema {shown(number)} is not known to this program, which reads schema {SCHEMA}"
        newer = "; use a newer bulkrail" if number > SCHEMA else f"; {remedy}"
        yield Finding(file, line_of(lines, ("schema",)), "schema", message + newer)


_TAGGED = {"stages", "parts"}  # behind each of their names, pydantic puts the kind into the place


def _shape_findings(error: ValidationError, file: str, lines: Mapping[tuple[str, ...], int]) -> list[Finding]:
    unique: dict[str, Finding] = {}  # one a field: where several types are allowed, the first says the most
    for fault in error.errors(include_url=False):
        place = _without_tags(tuple(str(part) for part in fault["loc"]))
        finding = Finding(file, line_of(lines, place), ".".join(place), _fault_text(fault, place))
        unique.setdefault(finding.field, finding)
        if len(unique) == MOST_FINDINGS:
            break
    return list(unique.values())


# pydantic ends a place with the member of a union it tried; that is none of the file's names
_UNION_MEMBER = re.compile(
    r"(literal|list|constrained-[a-z]+|function-[a-z]+|lax-or-strict|nullable)\[.*|str|float|int"
)


def _without_tags(loc: tuple[str, ...]) -> tuple[str, ...]:
    """The place of a fault in the file: pydantic's, less the kinds it puts behind the names of stages and parts."""
    kinds = _models_by_kind()
    place: list[str] = []
    for index, part in enumerate(loc):
        behind_a_name = index >= 2 and loc[index - 2] in _TAGGED
        if not (behind_a_name and part in kinds) and part != "[key]":
            place.append(part)
    while len(place) > 1 and _UNION_MEMBER.fullmatch(place[-1]):
        place.pop()
    return tuple(place)


@cache
def _models_by_kind() -> dict[str, type[BaseModel]]:
    models: dict[str, type[BaseModel]] = {}
    waiting: list[type[BaseModel]] = [Part, StageInstance]
    while waiting:
        model = waiting.pop()
        waiting.extend(model.__subclasses__())
        if "kind" in model.model_fields:
            for kind in getattr(model.model_fields["kind"].annotation, "__args__", ()):
                models[kind] = model
    return models


# pydantic's name of a type fault -> what to write instead
_WANTED = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "list_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
}


def _fault_text(fault: Mapping[str, Any], place: tuple[str, ...]) -> str:
    kind, found, context = fault["type"], fault.get("input"), fault.get("ctx", {})
    if isinstance(found, Refused):
        return found.message
    if kind == "quantity":
        return str(fault["msg"])
    if kind == "extra_forbidden":
        return f"unknown field; {nearest(place[-1], _fields_beside(fault))}"
    if kind == "missing":
        return "missing; it must be given"
    if kind == "union_tag_not_found":
        return 'missing kind; it must say what this is, such as kind = "resistor"'
    if kind == "union_tag_invalid":
        allowed = re.findall(r"'([^']+)'", str(context["expected_tags"]))
        return f"unknown kind {shown(context['tag'])}; {nearest(str(context['tag']), allowed)}"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']+)'|(\d+)", str(context["expected"]))
        names = [text or number for text, number in allowed]
        return f"must be one of the known, found {shown(found)}; {nearest(str(found), names)}"
    if kind == "string_pattern_mismatch":
        return f"must be a name that matches {context['pattern']}, found {shown(found)}"
    if kind in ("greater_than_equal", "less_than_equal"):
        bound = context.get("ge", context.get("le"))
        return f"must be {'>=' if kind.startswith('greater') else '<='} {bound}, found {shown(found)}"
    if kind in _WANTED:
        return f"must be {_WANTED[kind]}, found {shown(found)}"
    if kind in ("too_short", "too_long"):
        rule = f">= {context['min_length']}" if kind == "too_short" else f"<= {context['max_length']}"
        return f"must have {rule} entries, found {len(found) if isinstance(found, list | dict) else shown(found)}"
    message = str(fault["msg"])
    return f"{message[0].lower()}{message[1:]}, found {shown(found)}"


def _fields_beside(fault: Mapping[str, Any]) -> list[str]:
    """Names allowed where an unknown one was found: by the nearest kind or table in pydantic's place."""
    tables: dict[str, type[BaseModel]] = {
        "input_bands": InputBand, "rails": Rail, "claims": Claim, "measurements": Measurement,
        "nameplate": Nameplate, "line": Line, "history": HistoryLine, "branches": NetworkBranch,
    }  # fmt: skip
    known = tables | _models_by_kind()
    model = next(
        (known[part] for part in reversed([str(part) for part in fault["loc"][:-1]]) if part in known), RecordData
    )
    return [info.alias or name for name, info in model.model_fields.items()]


def _flattened(data: RecordData, file: str, lines: Mapping[tuple[str, ...], int]) -> SupplyRecord:
    quantities: dict[str, Quantity] = {}
    specs: dict[str, QuantitySpec] = {}
    for path, model in _models_in(data, ""):
        for name, spec in quantity_specs(type(model)).items():
            dotted = f"{path}{name}"
            specs[dotted] = spec
            value = getattr(model, name)
            if value is not None:
                quantities[dotted] = value
    return SupplyRecord(data, file, lines, quantities, specs)


def _models_in(value: object, path: str) -> Iterator[tuple[str, BaseModel]]:
    if isinstance(value, BaseModel):
        yield path, value
        for name in type(value).model_fields:
            yield from _models_in(getattr(value, name), f"{path}{name}.")
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _models_in(item, f"{path}{name}.")
