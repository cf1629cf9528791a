"""A cell of a parts list to values of a part: by the record's own reading of values, else as a code printed on it.

A code with several meanings is refused, or its likeliest is taken where that was asked for.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, get_args

from netlists.fields import Part, quantity_specs
from netlists.kinds import AnyPart
from netlists.marking_forms import Component, Reading, safety_classes
from netlists.marking_tables import ceramic_class, deviation_text
from netlists.markings import decode
from netlists.quantity import (
    PREFIXES,
    UNITS,
    QuantityError,
    QuantitySpec,
    engineering,
    read_tolerance,
    read_value,
    shown,
)  # fmt: skip

# Kind -> the value people write into a column of values; the others are told by their unit
MAIN: Mapping[str, str] = {
    "resistor": "resistance", "shunt": "resistance", "conductor": "resistance", "connector": "contact_resistance",
    "thermistor": "resistance_25", "fuse": "current_rating", "relay": "current_rating",
    "electrolytic_capacitor": "capacitance", "polymer_capacitor": "capacitance", "ceramic_capacitor": "capacitance",
    "film_capacitor": "capacitance", "choke": "inductance", "common_mode_choke": "inductance",
    "transformer": "primary_inductance", "winding": "turns", "diode": "average_current_rating",
    "bridge_rectifier": "average_current_rating", "mosfet": "drain_source_rating",
}  # fmt: skip
# Kind -> what a bare number in a column of ratings is
RATED: Mapping[str, str] = {
    "resistor": "power_rating", "shunt": "power_rating", "thermistor": "current_rating", "varistor": "voltage_rating",
    "fuse": "voltage_rating", "choke": "current_rating", "common_mode_choke": "current_rating",
    "diode": "reverse_voltage_rating", "bridge_rectifier": "reverse_voltage_rating", "mosfet": "drain_source_rating",
    "electrolytic_capacitor": "voltage_rating", "polymer_capacitor": "voltage_rating", "relay": "current_rating",
    "ceramic_capacitor": "voltage_rating", "film_capacitor": "voltage_rating", "connector": "current_rating",
}  # fmt: skip
COMPONENTS: Mapping[str, Component] = {"ohm": "resistor", "F": "capacitor", "H": "inductor"}
_MODELS: dict[str, type[Part]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model for model in get_args(get_args(AnyPart)[0])
}
KINDS = tuple(_MODELS)
_BARE = re.compile(r"[0-9]+(?:\.[0-9]+)?")
_FRACTION = re.compile(r"1/([248]|10|16)(?= ?W)")
_SPACED = re.compile(
    r"(?<=[0-9]) +(?=(?:[pnuµμmkMG]?(?:F|H|Hz|V(?:[aA][cC]|[dD][cC])?|A|W|J|Ω|\u2126|[oO]hms?|R)|°C|degC|%)"
    r"(?:[^A-Za-z]|$))"
)


class CellFault(Exception):
    """What is wrong with a cell, in words that follow its place."""


@dataclass
class Found:
    """What cells of a part say.

    Parameters
    ----------
    fields : name -> value as a record writes it;  notes : what no field holds;  told : what was decided for a person
    """

    fields: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def put(self, name: str, value: Any, cell: str) -> None:
        """Adds a field; CellFault where another cell has said it."""
        if name in self.fields and self.fields[name] != value:
            raise CellFault(f"{name} is {shown(self.fields[name])} by another cell, found {shown(cell)}")
        self.fields[name] = value


def specs_of(kind: str) -> Mapping[str, QuantitySpec]:
    """Values a kind of part may have."""
    return quantity_specs(_MODELS[kind])


def text_fields(kind: str) -> tuple[str, ...]:
    """Names of all other fields of a kind."""
    return tuple(name for name in _MODELS[kind].model_fields if name not in specs_of(kind))


def value_into(found: Found, kind: str, cell: str, unit: str, *, likeliest: bool) -> None:
    """What a cell of a column of values says of a part, such as ``470u``, ``100nF 50V X7R`` or ``104K``.

    Parameters
    ----------
    unit : of the column's heading, empty where it has none
    likeliest : an ambiguous code is taken as its likeliest meaning, else refused

    Raises
    ------
    CellFault : with what is allowed
    """
    text = _tidy(cell, unit)
    main = MAIN.get(kind)
    spec = specs_of(kind).get(main or "")
    if main is None or spec is None:  # a varistor's may be its rating or that at 1 mA
        found.notes.append(cell)
        return
    if not _BARE.fullmatch(text):
        if _is_value(spec, text):
            found.put(main, text, cell)
            return
        if _tokens_into(found, kind, main, text, cell):
            return
    _code_into(found, main, spec, text, cell, likeliest=likeliest)


def rating_into(found: Found, kind: str, cell: str, unit: str) -> None:
    """What a cell of a column of ratings says: values by their units, each to the field that takes it."""
    text, rated = _tidy(cell, unit), RATED.get(kind, "")
    if _BARE.fullmatch(text) and rated:
        found.put(rated, text, cell)
        found.told.append(f"a rating without a unit is taken as {specs_of(kind)[rated].unit} ({kind})")
    elif not _tokens_into(found, kind, "", text, cell):
        found.notes.append(f"rated {cell}")


def code_into(found: Found, kind: str, cell: str, *, likeliest: bool) -> None:
    """What a part's marking says; it is kept as it is where the record can, and always as a note."""
    spec = specs_of(kind).get(MAIN.get(kind, ""))
    if spec is None or spec.unit not in COMPONENTS:
        found.notes.append(f"marked {cell}")
        return
    _code_into(found, MAIN[kind], spec, cell.strip(), cell, likeliest=likeliest)


def _tidy(cell: str, unit: str) -> str:
    """One spelling: fractions of a watt, no blank before a unit, the heading's unit behind a bare number."""
    text = _FRACTION.sub(lambda match: f"{1 / int(match[1]):g}", " ".join(cell.split()))
    if unit and _BARE.fullmatch(text) and re.fullmatch(r"[A-Za-zµμΩ°\u2126]{1,5}", unit):
        text += unit
    return re.sub(r"(?<=[0-9pnuµμmkMG])[oO]hms?\b", "ohm", _SPACED.sub("", text))


def _is_value(spec: QuantitySpec, text: str) -> bool:
    try:
        spec.parse({"value": text, "known": "marked"}, None)
    except QuantityError:
        return False
    return True


def _tokens_into(found: Found, kind: str, main: str, text: str, cell: str) -> bool:
    """Takes a text apart at blanks and strokes, each part by its own unit; False where one fits nothing."""
    taken: dict[str, str] = {}
    notes: list[str] = []
    specs = specs_of(kind)
    for token in re.split(r"[ ;]+|(?<=[A-Za-zΩ%])[/,](?=[0-9])|, ", text):
        name = next(iter(_fields_for(token, specs, main)), "")
        if name and name not in taken:
            taken[name] = token
        elif _is_tolerance(token) and main in taken and "%" not in taken[main]:
            taken[main] += f" {token}"
        elif safety_classes(token) and kind == "film_capacitor" and token in ("X1", "X2", "Y1", "Y2"):
            taken["safety_class"] = token
        elif ceramic_class(token) or safety_classes(token):
            notes.append(token)
        else:
            return False
    if not taken or (main and main not in taken and not set(taken) & set(specs)):
        return False
    for name, token in taken.items():
        found.put(name, token, cell)
    found.notes += notes
    return True


def _fields_for(token: str, specs: Mapping[str, QuantitySpec], main: str) -> Iterator[str]:
    """Fields a text with a unit written out may belong to, likeliest first."""
    order = [main, *(name for name in specs if "rating" in name), *specs]
    for name in dict.fromkeys(order):
        spec = specs.get(name)
        if spec is not None and _has_unit(token, spec.unit, name == main) and _is_value(spec, token):
            yield name


def _has_unit(token: str, unit: str, is_main: bool) -> bool:
    """Whether the unit, or for the main value a prefix, is written: a bare number belongs to nothing."""
    if unit == "1":
        return False
    written = token.lstrip("+-0123456789.")
    spellings = [spelling for spelling in UNITS[unit] if spelling]
    return written.endswith(tuple(spellings)) or (is_main and written[:1] in {*PREFIXES, "R"} and written != "")


def _is_tolerance(token: str) -> bool:
    try:
        read_tolerance(token)
    except QuantityError:
        return False
    return True


def _code_into(found: Found, main: str, spec: QuantitySpec, text: str, cell: str, *, likeliest: bool) -> None:
    """A code, or a bare number, which may be one."""
    component = COMPONENTS.get(spec.unit)
    if component is None:
        if not _is_value(spec, text):
            raise CellFault(f"{main}: {_why_not(spec, text)}")
        found.put(main, text, cell)
        return
    readings = [one for one in decode(text, component).readings if one.component == component and not one.misread]
    readings = [one for one in readings if one.value is not None and _is_value(spec, _written(one.value, spec.unit))]
    meanings = {(one.value, one.tolerance, one.voltage): one for one in reversed(readings)}
    if _BARE.fullmatch(text) and _is_value(spec, text):
        plain = (read_value(text, spec.unit), None, None)
        meanings.setdefault(plain, Reading(component, plain[0], f"number as it stands, in {spec.unit}", "", 0))
    if not meanings:
        raise CellFault(f"{main}: {_why_not(spec, text)}")
    if len(meanings) > 1 and not likeliest:
        listed = " or ".join(_meaning(one) for one in list(reversed(meanings.values()))[:3])
        raise CellFault(f"{shown(cell)} may be {listed}; write the unit, or take the likeliest by --likeliest")
    chosen = readings[0] if readings else next(iter(meanings.values()))
    if len(meanings) > 1:
        found.told.append(f"{shown(cell)} taken as its likeliest meaning, {_meaning(chosen)}")
    _reading_into(found, main, spec, chosen, text, cell)


def _reading_into(found: Found, main: str, spec: QuantitySpec, chosen: Reading, text: str, cell: str) -> None:
    value = _written(chosen.value or 0.0, spec.unit)
    tolerance = "" if chosen.tolerance is None else f" {deviation_text(chosen.tolerance)}"
    tolerance = tolerance.replace("±", "").replace(" %", "%")
    if not _is_value(spec, value + tolerance):  # an absolute one, as of small capacitors, which the note keeps
        tolerance = ""
    found.put(main, value + tolerance, cell)
    if chosen.voltage is not None:
        found.put("voltage_rating", _written(chosen.voltage, "V"), cell)
    if not _BARE.fullmatch(text) or read_value(text, spec.unit) != chosen.value:
        found.notes.append(f"marked {cell}")


def _why_not(spec: QuantitySpec, text: str) -> str:
    try:
        spec.parse({"value": text, "known": "marked"}, None)
    except QuantityError as error:
        return str(error)
    return f"must be a value in {spec.unit}, found {shown(text)}"


def _meaning(reading: Reading) -> str:
    tolerance = "" if reading.tolerance is None else f" {deviation_text(reading.tolerance)}"
    return f"{engineering(reading.value or 0.0, reading.unit)}{tolerance}"


def _written(value: float, unit: str) -> str:
    """The shortest text that reads back as the very value.

    >>> _written(1e-7, "F"), _written(4700.0, "ohm")
    ('100n', '4.7k')
    """
    for digits in (4, 6, 9):
        text = re.sub(r" ?(?:ohm|F|H|V)$", "", engineering(value, unit, digits).replace(" ", ""))
        try:
            if read_value(text, unit) == value:
                return text
        except QuantityError:
            continue
    return repr(value)
