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
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, Field, ValidationError

from netlists.errors import Finding, RecordError, nearest
from netlists.fields import HistoryLine, Part, RecordModel, Refused, Text, quantity, quantity_specs
from netlists.formulas import INFERENCES
from netlists.instances import AnyInstance, Name, RectifierBulk, Role, StageInstance
from netlists.quantity import Quantity, QuantityError, QuantitySpec, shown
from netlists.toml_lines import find_lines, line_of

SCHEMA = 1
LARGEST_FILE = 1_000_000  # bytes; the largest record seen in practice is under 50 kB
DEEPEST_NESTING = 12
MOST_FINDINGS = 50
MOST_INFERENCE_STEPS = 10  # inferred of inferred of inferred ...

# All that str.splitlines breaks at but \n, other control characters, and the marks that reverse the reading direction.
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]")
_TOO_DOTTED = re.compile(
    r"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){30}"""  # more than any text has
)
_MULTILINE_KEYS = {"note", "notes"}


class InputBand(RecordModel):
    """One input range of the label, with the current and output power it states for it."""

    known: Literal["measured", "marked", "inferred", "assumed"] = "marked"
    supply: Literal["mains", "dc"] = "mains"
    voltage_low: Quantity = quantity("V", "lower end of the label's range, RMS or direct", gt=0, le=1000)
    voltage_high: Quantity = quantity("V", "upper end of the label's range, RMS or direct", gt=0, le=1000)
    voltage_tolerance: Quantity | None = quantity("1", "of the mains beyond the label's range", ge=0, lt=1)
    frequency_low: Quantity | None = quantity("Hz", "lowest line frequency", gt=0, le=1000)
    frequency_high: Quantity | None = quantity("Hz", "highest line frequency", gt=0, le=1000)
    current: Quantity | None = quantity("A", "input current of the label", gt=0)
    output_power: Quantity = quantity("W", "total output power in this range", gt=0)


class Rail(RecordModel):
    known: Literal["measured", "marked", "inferred", "assumed"] = "marked"
    voltage: Quantity | None = quantity("V", "", gt=0)
    current: Quantity | None = quantity("A", "", gt=0)


class Nameplate(RecordModel):
    input_bands: dict[Name, InputBand] = Field(min_length=1)
    rails: dict[Name, Rail] = Field(default_factory=dict)
    ambient: Quantity | None = quantity("degC", "air around the supply", gt=-60, lt=120)


class Line(RecordModel):
    """The mains in front of the supply, up to its inlet: both conductors together."""

    known: Literal["measured", "marked", "inferred", "assumed"] | None = None
    note: Text = ""
    resistance: Quantity | None = quantity("ohm", "line and neutral together", gt=0)
    inductance: Quantity | None = quantity("H", "line and neutral together", gt=0)


class Claim(RecordModel):
    """A number the label or data sheet promises: at_least or at_most, at a condition."""

    known: Literal["marked"] = "marked"
    metric: Name
    at_least: Text | float | int | None = None
    at_most: Text | float | int | None = None
    line_voltage: Quantity | None = quantity("V", "the claim's own line voltage", gt=0, le=1000)
    line_frequency: Quantity | None = quantity("Hz", "", gt=0, le=1000)
    load_fraction: Quantity | None = quantity("1", "of the output power", gt=0, le=2)
    ambient: Quantity | None = quantity("degC", "air around the supply", gt=-60, lt=120)
    source: Text = ""


class Measurement(RecordModel):
    """A number measured on the unit: metric, condition, value with uncertainty, date."""

    known: Literal["marked"] = Field(default="marked", description="of the conditions, which are set, not measured")
    metric: Name
    instance: Name
    value: Text | float | int
    uncertainty: Text
    line_voltage: Quantity | None = quantity("V", "", gt=0, le=1000)
    line_frequency: Quantity | None = quantity("Hz", "", gt=0, le=1000)
    load_fraction: Quantity | None = quantity("1", "", gt=0, le=2)
    ambient: Quantity | None = quantity("degC", "air around the supply", gt=-60, lt=120)
    date: Text
    note: Text = ""


class RecordData(RecordModel):
    """The whole file."""

    schema_number: Literal[1] = Field(alias="schema")
    name: Text = Field(pattern=r"^[a-z][a-z0-9-]{0,62}$")
    title: Text
    notes: Text = ""
    nameplate: Nameplate
    line: Line = Field(default_factory=Line)
    stages: dict[Name, AnyInstance] = Field(min_length=1, max_length=100)
    claims: dict[Name, Claim] = Field(default_factory=dict)
    measurements: dict[Name, Measurement] = Field(default_factory=dict)
    history: list[HistoryLine] = Field(default_factory=list)


@dataclass(frozen=True)
class SupplyRecord:
    """A record that passed every check.

    Parameters
    ----------
    data : the file's content
    file : its name as given, for messages
    lines : path -> line of the file
    quantities : dotted path -> quantity, inferred ones filled in
    specs : dotted path -> unit and bounds of that field, also of fields not filled in
    """

    data: RecordData
    file: str
    lines: Mapping[tuple[str, ...], int]
    quantities: Mapping[str, Quantity]
    specs: Mapping[str, QuantitySpec]

    @property
    def name(self) -> str:
        return self.data.name

    def instance(self, name: str) -> StageInstance:
        """A stage instance by name; RecordError that lists the known where there is none."""
        if name not in self.data.stages:
            raise RecordError(
                [Finding(self.file, 0, "stages", f"no instance {shown(name)}; {nearest(name, self.data.stages)}")]
            )
        return self.data.stages[name]

    def parts_in_role(self, instance: str, role: str) -> list[tuple[str, str, Part]]:
        """Designator, path and part of every part that holds a role in an instance, owned or referred to."""
        stage = self.instance(instance)
        found: list[tuple[str, str, Part]] = [
            (designator, f"stages.{instance}.parts.{designator}", part)
            for designator, part in stage.parts.items()
            if part.role == role
        ]
        for referred_role, path in stage.refers.items():
            if referred_role == role:
                _, owner, _, designator = path.split(".")
                found.append((designator, path, self.data.stages[owner].parts[designator]))
        return found

    def finding(self, path: str, message: str) -> Finding:
        """A finding at a path of this record, with its line."""
        return Finding(self.file, line_of(self.lines, tuple(path.split("."))), path, message)


def load_record(path: str | Path) -> SupplyRecord:
    """Reads and checks a record.

    Raises
    ------
    RecordError : with all findings, each with file, line and field
    """
    raw, file, lines = read_toml(path)
    try:
        data = RecordData.model_validate(raw)
    except ValidationError as error:
        raise RecordError(_shape_findings(error, file, lines)) from error
    record = _flattened(data, file, lines)
    findings = list(itertools.islice(_whole_record_faults(record), MOST_FINDINGS))
    if findings:
        raise RecordError(findings)
    return _with_inferred(record)


def read_toml(path: str | Path) -> tuple[dict[str, Any], str, Mapping[tuple[str, ...], int]]:
    """Content, name and lines of a TOML file of this schema: a record, or a file that lies beside one.

    Raises
    ------
    RecordError : for its size, its characters, its TOML or its schema number
    """
    file = Path(path).name
    text = _read_text(Path(path), file)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordError([_toml_finding(file, str(error), text)]) from error
    except ValueError as error:  # a whole number of more digits than Python reads
        raise RecordError([_longest_number_finding(file, text)]) from error
    except RecursionError as error:
        raise RecordError([Finding(file, 0, "", f"nested deeper than {DEEPEST_NESTING} levels")]) from error
    lines = find_lines(text)
    faults = itertools.islice(_text_faults(raw), MOST_FINDINGS)
    findings = [Finding(file, line_of(lines, place), ".".join(place), message) for place, message in faults]
    findings = findings or list(_schema_faults(raw, file, lines))
    if findings:
        raise RecordError(findings)
    return raw, file, lines


def _read_text(path: Path, file: str) -> str:
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise RecordError([Finding(file, 0, "", "must be a regular file")])
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise RecordError([Finding(str(path), 0, "", f"cannot be read: {error.strerror}")]) from error
    except ValueError as error:  # a path with a NUL
        raise RecordError([Finding(str(path), 0, "", "cannot be read: no possible name of a file")]) from error
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


def _text_faults(raw: object, place: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    """Control characters that came in by escapes, whole numbers beyond TOML's, and nesting no record needs."""
    if len(place) > DEEPEST_NESTING:
        yield place, f"nested deeper than {DEEPEST_NESTING} levels"
    elif isinstance(raw, dict):
        for key, value in raw.items():
            if _CONTROL.search(key) or "\n" in key or "\t" in key:
                yield place, f"control character in the name {shown(key)}"
            else:
                yield from _text_faults(value, (*place, key))
    elif isinstance(raw, list):
        for number, value in enumerate(raw):
            yield from _text_faults(value, (*place, str(number)))
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
        return f"unknown field; {nearest(place[-1], _fields_beside(place, fault))}"
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


def _fields_beside(place: tuple[str, ...], fault: Mapping[str, Any]) -> list[str]:
    """Names allowed where an unknown one was found: by the kind in pydantic's place, else by the table's name."""
    models = _models_by_kind()
    for part in reversed([str(part) for part in fault["loc"][:-1]]):
        if part in models:
            model = models[part]
            break
    else:
        tables: dict[str, type[BaseModel]] = {
            "input_bands": InputBand, "rails": Rail, "claims": Claim, "measurements": Measurement,
            "nameplate": Nameplate, "line": Line, "history": HistoryLine,
        }  # fmt: skip
        model = next((tables[part] for part in reversed(place[:-1]) if part in tables), RecordData)
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


def _whole_record_faults(record: SupplyRecord) -> Iterator[Finding]:
    yield from _required_faults(record)
    yield from _owner_faults(record)
    yield from _feeding_faults(record)
    for name, stage in record.data.stages.items():
        yield from _reference_faults(record, name, stage)
    for name, claim in record.data.claims.items():
        if (claim.at_least is None) == (claim.at_most is None):
            yield record.finding(f"claims.{name}", "must have either at_least or at_most")


def _required_faults(record: SupplyRecord) -> Iterator[Finding]:
    """Fields typed as always present but declared by ``quantity``, whose default is None."""
    for band_name, band in record.data.nameplate.input_bands.items():
        path = f"nameplate.input_bands.{band_name}"
        for name in ("voltage_low", "voltage_high", "output_power"):
            if getattr(band, name) is None:
                yield record.finding(f"{path}.{name}", "missing; it must be given")
        if band.supply == "mains" and (band.frequency_low is None or band.frequency_high is None):
            yield record.finding(path, "a mains band needs frequency_low and frequency_high")
        for low, high in (("voltage_low", "voltage_high"), ("frequency_low", "frequency_high")):
            ends = getattr(band, low), getattr(band, high)
            if None not in ends and ends[0].nominal > ends[1].nominal:
                yield record.finding(
                    f"{path}.{low}", f"must be <= {high}, found {ends[0].nominal:g} > {ends[1].nominal:g}"
                )


def _owner_faults(record: SupplyRecord) -> Iterator[Finding]:
    owners: dict[str, str] = {}
    for name, stage in record.data.stages.items():
        for designator in stage.parts:
            if designator in owners:
                yield record.finding(
                    f"stages.{name}.parts.{designator}",
                    f"designator {designator} is owned by stages.{owners[designator]} already; a part has one owner, "
                    f'refer to it by refers = {{ role = "stages.{owners[designator]}.parts.{designator}" }}',
                )
            owners.setdefault(designator, name)


def _feeding_faults(record: SupplyRecord) -> Iterator[Finding]:
    stages = record.data.stages
    for name, stage in stages.items():
        if stage.fed_by is not None and stage.fed_by not in stages:
            yield record.finding(
                f"stages.{name}.fed_by", f"no instance {shown(stage.fed_by)}; {nearest(stage.fed_by, stages)}"
            )
            continue
        chain, current = [name], stage.fed_by
        while current is not None and current in stages and current not in chain:
            chain.append(current)
            current = stages[current].fed_by
        if current == name:
            yield record.finding(f"stages.{name}.fed_by", f"feeds itself: {' <- '.join([*chain, name])}")


def _reference_faults(record: SupplyRecord, name: str, stage: StageInstance) -> Iterator[Finding]:
    broken = False
    for role, path in stage.refers.items():
        place = f"stages.{name}.refers.{role}"
        match = re.fullmatch(r"stages\.([a-z0-9_]+)\.parts\.([A-Za-z0-9_]+)", path)
        owner = record.data.stages.get(match.group(1)) if match else None
        if match is None or owner is None or match.group(2) not in owner.parts:
            known = [f"stages.{s}.parts.{d}" for s, other in record.data.stages.items() for d in other.parts]
            yield record.finding(place, f"no part {shown(path)}; {nearest(path, known)}")
            broken = True
        elif role not in stage.ROLES:
            yield record.finding(place, f"unknown role {shown(role)}; {nearest(role, stage.ROLES)}")
        elif owner is stage:
            message = f'{match.group(2)} is a part of this instance; give it role = "{role}" instead'
            yield record.finding(place, message)
    if not stage.ROLES or broken:
        return
    for designator, part in stage.parts.items():
        if part.role and part.role not in stage.ROLES:
            place = f"stages.{name}.parts.{designator}.role"
            yield record.finding(place, f"unknown role {shown(part.role)}; {nearest(part.role, stage.ROLES)}")
    for role, rule in stage.ROLES.items():
        yield from _role_faults(record, name, role, rule)
    if isinstance(stage, RectifierBulk):
        yield from _rectifier_bulk_faults(record, name, stage)


def _role_faults(record: SupplyRecord, instance: str, role: str, rule: Role) -> Iterator[Finding]:
    holders = record.parts_in_role(instance, role)
    if not rule.least <= len(holders) <= rule.most:
        wanted = str(rule.least) if rule.least == rule.most else f"{rule.least} to {rule.most}"
        found = ", ".join(designator for designator, _, _ in holders) or "none"
        yield record.finding(f"stages.{instance}", f"needs {wanted} part with role {role} ({rule.doc}), found {found}")
    for _, path, part in holders:
        kind = getattr(part, "kind", "")
        if kind not in rule.kinds:
            yield record.finding(f"{path}.kind", f"role {role} takes {' or '.join(rule.kinds)}, found {kind}")
            continue
        for counted in ("parallel", "series"):
            pieces = getattr(part, counted)
            if pieces != 1 and counted not in rule.counts:
                yield record.finding(
                    f"{path}.{counted}", f"must be 1 for role {role}: the model takes one piece, found {pieces}"
                )
        for field_name in rule.needs:
            if f"{path}.{field_name}" not in record.quantities:
                yield record.finding(f"{path}.{field_name}", _unread(instance, field_name))


def _unread(instance: str, field_name: str) -> str:
    return (
        f"missing; simulating {instance} needs {field_name}: give it, or a range such as "
        f'{{ value = "…", low = "…", high = "…", known = "assumed" }}'
    )


def _rectifier_bulk_faults(record: SupplyRecord, name: str, stage: RectifierBulk) -> Iterator[Finding]:
    if len(set(stage.choices("feed"))) < len(stage.choices("feed")):
        yield record.finding(f"stages.{name}.feed", "must name each alternative once")
    needed = ["load_resistance"] if stage.load == "resistance" else ["undervoltage_cutoff", "undervoltage_restart"]
    for field_name in (*needed, "converter_efficiency", "holdup_end_voltage"):
        if getattr(stage, field_name) is None:
            yield record.finding(f"stages.{name}.{field_name}", _unread(name, field_name))
    for field_name in ("resistance", "inductance"):
        if f"line.{field_name}" not in record.quantities:
            yield record.finding(f"line.{field_name}", _unread(name, field_name))
    if "nameplate.ambient" not in record.quantities:
        yield record.finding("nameplate.ambient", _unread(name, "ambient"))
    if "boosted" in stage.choices("feed"):
        yield from _boosted_faults(record, name, stage)
    if record.parts_in_role(name, "bypass_relay") and not record.parts_in_role(name, "inrush_limiter"):
        yield record.finding(f"stages.{name}", "a bypass_relay needs an inrush_limiter to bypass")
    if stage.load == "constant_power" and stage.undervoltage_cutoff and stage.undervoltage_restart:
        if stage.undervoltage_restart.low <= stage.undervoltage_cutoff.high:
            yield record.finding(
                f"stages.{name}.undervoltage_restart",
                "must stay above undervoltage_cutoff in all of both ranges, found "
                f"{stage.undervoltage_restart.low:g} V <= {stage.undervoltage_cutoff.high:g} V",
            )
        if stage.holdup_end_voltage and stage.holdup_end_voltage.low < stage.undervoltage_cutoff.high:
            yield record.finding(
                f"stages.{name}.holdup_end_voltage",
                "must not lie below undervoltage_cutoff anywhere in both ranges, found "
                f"{stage.holdup_end_voltage.low:g} V < {stage.undervoltage_cutoff.high:g} V",
            )


def _boosted_faults(record: SupplyRecord, name: str, stage: RectifierBulk) -> Iterator[Finding]:
    if stage.bus_setpoint is None:
        yield record.finding(f"stages.{name}.bus_setpoint", _unread(name, "bus_setpoint"))
    elif stage.holdup_end_voltage and stage.holdup_end_voltage.high >= stage.bus_setpoint.low:
        yield record.finding(
            f"stages.{name}.bus_setpoint",
            "must stay above holdup_end_voltage in all of both ranges, found "
            f"{stage.bus_setpoint.low:g} V <= {stage.holdup_end_voltage.high:g} V",
        )
    if stage.load != "constant_power":
        yield record.finding(f"stages.{name}.load", 'must be "constant_power" where feed is boosted')
    wanted = {"diode": ("bypass_diode",), "none": ("boost_choke", "boost_diode")}
    for choice in stage.choices("bypass"):
        for role in wanted[choice]:
            if not record.parts_in_role(name, role):
                yield record.finding(f"stages.{name}.bypass", f"{choice} needs a part with role {role}, found none")


def _with_inferred(record: SupplyRecord) -> SupplyRecord:
    """Fills in inferred quantities, in the order they need each other; a range from the corners of their inputs."""
    filled = {path: q for path, q in record.quantities.items() if q.known != "inferred"}
    waiting = {path: q for path, q in record.quantities.items() if q.known == "inferred"}
    faults = (finding for path, q in waiting.items() for finding in _inference_faults(record, path, q))
    findings = list(itertools.islice(faults, MOST_FINDINGS))
    if findings:
        raise RecordError(findings)
    steps = 0
    while waiting:
        ready = [path for path, q in waiting.items() if all(source in filled for source in q.of.values())]
        if not ready:
            raise RecordError(
                [record.finding(path, _circle_text(path, waiting)) for path in list(waiting)[:MOST_FINDINGS]]
            )
        steps += 1
        if steps > MOST_INFERENCE_STEPS:
            message = f"inferred through more than {MOST_INFERENCE_STEPS} others; give a value of its own"
            raise RecordError([record.finding(path, message) for path in ready[:MOST_FINDINGS]])
        for path in ready:
            filled[path] = _inferred_value(record, path, waiting.pop(path), filled)
    return SupplyRecord(record.data, record.file, record.lines, filled, record.specs)


def _circle_text(path: str, waiting: Mapping[str, Quantity]) -> str:
    """The way from a path round the circle it is in or leads into."""
    way = [path]
    while way.count(way[-1]) == 1:
        way.append(next(source for source in waiting[way[-1]].of.values() if source in waiting))
    return f"inferred in a circle: {' <- '.join(way)}; measure or assume one of them"


def _inference_faults(record: SupplyRecord, path: str, quantity_: Quantity) -> Iterator[Finding]:
    inference = INFERENCES.get(quantity_.formula)
    if inference is None:
        yield record.finding(
            path, f"unknown formula {shown(quantity_.formula)}; {nearest(quantity_.formula, INFERENCES)}"
        )
        return
    if inference.unit != quantity_.unit:
        yield record.finding(
            path, f"formula {quantity_.formula} gives {inference.unit}, this field takes {quantity_.unit}"
        )
    if set(quantity_.of) != set(inference.arguments):
        yield record.finding(path, f"of must name the arguments {', '.join(sorted(inference.arguments))}")
        return
    for argument, source in quantity_.of.items():
        if source not in record.quantities:
            yield record.finding(
                path, f"of.{argument}: no value at {shown(source)}; {nearest(source, record.quantities)}"
            )
        elif record.quantities[source].unit != inference.arguments[argument]:
            unit = record.quantities[source].unit
            yield record.finding(
                path, f"of.{argument} must be in {inference.arguments[argument]}, {source} is in {unit}"
            )


def _inferred_value(record: SupplyRecord, path: str, wanted: Quantity, filled: Mapping[str, Quantity]) -> Quantity:
    function = INFERENCES[wanted.formula].function
    names = list(wanted.of)
    sources = [filled[wanted.of[name]] for name in names]
    corners = itertools.product(*({q.low, q.high} for q in sources))
    try:
        nominal = function(**dict(zip(names, (q.nominal for q in sources), strict=True)))
        values = [function(**dict(zip(names, corner, strict=True))) for corner in corners]
        low = min(values) * (1 + wanted.deviation[0])
        high = max(values) * (1 + wanted.deviation[1])
        result = wanted.with_values(nominal, low, high)
        record.specs[path].check_bounds(result)
    except (ArithmeticError, ValueError, QuantityError) as error:
        raise RecordError([record.finding(path, f"{wanted.formula} gives no usable value: {error}")]) from error
    return result
