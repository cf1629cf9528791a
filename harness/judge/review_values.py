"""Rules on single values: usual size and slipped prefix, ratings as sold, preferred values, texts beside a value."""

from __future__ import annotations

import re
from collections.abc import Iterator

from harness.judge.review_facts import Facts, Held
from harness.judge.review_rule import PRACTICE, Rule, Said, Usual, judged, usual_band
from harness.judge.review_tables import (
    LINE_FREQUENCIES,
    OF_A_PROMISE,
    OF_A_STAGE,
    OF_THE_LINE,
    SOLD,
    TOLERANCES,
    Band,
)
from netlists.marking_forms import Reading
from netlists.markings import decode
from netlists.preferred_values import neighbours, series_of
from netlists.quantity import QuantityError, engineering, read_value, shown

STEP = 1e3  # between prefixes
SEEN_IN_NOTES = re.compile(
    r"(?:mark(?:ed|ing)?|print(?:ed)?|code|reads?|says?|stamped)\s*[:=]?\s*\"?([0-9A-Z][0-9A-Za-z.]{1,9})(?![\w.])"
)
DATED = re.compile(r"\b(?:date|week|year|lot|batch)\b[^,;.]*$", re.IGNORECASE)  # before a number in a text
VALUE_IN_TEXT = re.compile(r"(?<![\w.])(\d+(?:\.\d+)? ?[pnumk]?(?:F|H|ohm))\b")
COMPONENTS = {
    "resistor": ("resistance", "resistor"), "shunt": ("resistance", "resistor"), "choke": ("inductance", "inductor"),
    "ceramic_capacitor": ("capacitance", "capacitor"), "film_capacitor": ("capacitance", "capacitor"),
    "electrolytic_capacitor": ("capacitance", "capacitor"), "polymer_capacitor": ("capacitance", "capacitor"),
}  # fmt: skip
LEFT_OF_BIAS = (0.12, 1.0)  # share of the printed capacitance a class 2 ceramic keeps at its voltage; no source
LEAST_ROOM = 40.0  # K; common practice, no source
WIDEST_ASSUMED, WIDEST_MEASURED = 30.0, 3.0  # high over low; common practice, no source
NEAR = 0.012  # relative: what is taken for the same value


def usual_size(facts: Facts) -> Iterator[Said]:
    """A value outside what its kind and role usually have; wrong where another prefix puts it inside."""
    for held in facts.parts:
        for name, quantity in held.quantities.items():
            band = usual_band(facts, held.at(name))
            if band is not None and quantity.known != "inferred":  # what it is inferred from is looked at instead
                value = quantity.nominal
                what = f"{name.replace('_', ' ')} of {held.designator}, {_kind(held)},"
                yield from _sized(facts, held.at(name), value, what, band)
    named = [
        (f"stages.{stage}.{name}", f"{name.replace('_', ' ')} of {stage}", span)
        for stage in facts.record.data.stages
        for name, span in OF_A_STAGE.items()
    ]
    for path, what, span in (*named, *((path, path.replace(".", " "), span) for path, span in OF_THE_LINE.items())):
        if (found := facts.value(path)) is not None:
            yield from _sized(facts, path, found, what, span)


def _kind(held: Held) -> str:
    return (held.role or held.kind).replace("_", " ")


def _sized(facts: Facts, path: str, value: float, what: str, band: Band) -> Iterator[Said]:
    low, high = band
    unit = facts.record.quantities[path].unit
    for said in judged(facts, Usual(what, value, unit, low, high, {path: 1.0})):
        slipped = any(low <= value * step <= high for step in (STEP, 1 / STEP)) and unit not in ("1", "V", "degC", "K")
        yield Said("wrong", said.paths, said.says, said.likely) if slipped else said


def rating_as_sold(facts: Facts) -> Iterator[Said]:
    """A rated voltage, temperature or fuse current no such part is sold with."""
    for held in facts.parts:
        for name, sold in SOLD.get(held.kind, {}).items():
            quantity = held.quantities.get(name)
            if quantity is None or quantity.known != "marked":
                continue
            value = quantity.nominal
            if not any(abs(value / one - 1) < NEAR for one in sold):
                nearest = min(sold, key=lambda one: abs(one - value))
                says = (
                    f"{name.replace('_', ' ')} of {held.designator} is {value:g} {quantity.unit}, and "
                    f"{held.kind.replace('_', ' ')}s are not sold with that"
                )
                yield Said("doubtful", (held.at(name),), says, f"{nearest:g} {quantity.unit}, the nearest that is")


def preferred_value(facts: Facts) -> Iterator[Said]:
    """A marked resistance or capacitance that is in no series of its tolerance."""
    for held in facts.of_kind("resistor", *(kind for kind in COMPONENTS if kind.endswith("capacitor"))):
        name = COMPONENTS[held.kind][0]
        quantity = held.quantities.get(name)
        if quantity is None or quantity.known != "marked" or (name == "resistance" and quantity.nominal < 0.1):
            continue
        wide = max(quantity.high / quantity.nominal - 1, 1 - quantity.low / quantity.nominal)
        allowed = _series_for(name, wide)
        found = series_of(quantity.nominal)
        if not set(found) & set(allowed):
            below, above = neighbours(quantity.nominal, "E12" if name == "capacitance" else "E24")
            value, unit = engineering(quantity.nominal, quantity.unit, 5), quantity.unit
            says = f"{name} of {held.designator} is {value}" + (
                f", a value of {found[0]} that no part of {wide:.0%} has" if found else ", in no series of IEC 60063"
            )
            likely = f"{engineering(below, unit)} or {engineering(above, unit)}, its neighbours"
            yield Said("doubtful", (held.at(name),), says, likely)


def _series_for(name: str, wide: float) -> tuple[str, ...]:
    """Series in which parts of a tolerance are sold; 0 where none is marked, which may be any."""
    if wide == 0:
        return ("E3", "E6", "E12", "E24", "E48", "E96", "E192")
    if name == "capacitance" and wide >= 0.09:
        return ("E3", "E6", "E12")
    if wide > 0.06:
        return ("E3", "E6", "E12")
    return ("E3", "E6", "E12", "E24") + (("E48", "E96", "E192") if wide < 0.03 else ())


def tolerance_of_its_kind(facts: Facts) -> Iterator[Said]:
    """A marked tolerance closer or wider than such parts are sold with."""
    for held in facts.parts:
        kinds = [
            held.kind,
            *held.roles,
            *(["x_capacitor"] if getattr(held.part, "safety_class", "")[:1] == "X" else []),
        ]
        for field, (low, high), sold in (TOLERANCES[kind] for kind in dict.fromkeys(kinds) if kind in TOLERANCES):
            quantity = held.quantities.get(field)
            if quantity is None or quantity.known != "marked" or quantity.is_exact:
                continue
            wide = max(quantity.high / quantity.nominal - 1, 1 - quantity.low / quantity.nominal)
            if not low <= wide <= high:
                says = (
                    f"{field.replace('_', ' ')} of {held.designator} is marked ±{wide:.1%}; such parts are sold "
                    f"with {sold}"
                )
                yield Said("doubtful", (held.at(field),), says, sold)


def marking_beside_value(facts: Facts) -> Iterator[Said]:
    """A marking or a value in a part's note or description that is not the value recorded."""
    for held in facts.parts:
        name, component = COMPONENTS.get(held.kind, ("", ""))
        quantity = held.quantities.get(name)
        if quantity is None:
            continue
        text = f"{held.part.note} {held.part.description} {quantity.note}"
        for match in SEEN_IN_NOTES.finditer(text):
            if _is_no_code(match.group(1), text[: match.start()], component):
                continue
            readings = [
                one for one in decode(match.group(1)).readings
                if one.component == component and one.value and not one.misread
            ]  # fmt: skip
            if readings and not any(_same(one, quantity.low, quantity.high) for one in readings):
                means = " or ".join(dict.fromkeys(engineering(one.value or 0, quantity.unit) for one in readings[:2]))
                value = engineering(quantity.nominal, quantity.unit)
                says = f"{name} of {held.designator} is {value}, and its note has {shown(match.group(1))}, {means}"
                yield Said("wrong", (held.at(name),), says, means)
        yield from _value_in_text(held, name, text)


def _is_no_code(text: str, before: str, component: str) -> bool:
    """Whether bare digits are a date, or four of them a year and week; of four digits only resistors have codes."""
    return text.isdigit() and (bool(DATED.search(before)) or (component != "resistor" and len(text) != 3))


def _same(reading: Reading, low: float, high: float) -> bool:
    return low * (1 - NEAR) <= (reading.value or 0) <= high * (1 + NEAR)


def _value_in_text(held: Held, name: str, text: str) -> Iterator[Said]:
    quantity = held.quantities[name]
    for match in VALUE_IN_TEXT.finditer(text):
        try:
            told = read_value(match.group(1), quantity.unit)
        except QuantityError:  # of another unit
            continue
        biased = "before bias" in text
        low, high = LEFT_OF_BIAS if biased else (1 - NEAR, 1 + NEAR)
        inside = low * told <= quantity.nominal <= high * told or (not biased and quantity.low <= told <= quantity.high)
        if told > 0 and not inside:
            value = engineering(quantity.nominal, quantity.unit)
            kept = f"; at bias {low:.0%} to {high:.0%} of that are left" if biased else ""
            says = f"{name} of {held.designator} is {value}, and its text says {match.group(1)}{kept}"
            yield Said("doubtful", (held.at(name),), says)


def promise_size(facts: Facts) -> Iterator[Said]:
    """A claim or a measurement of another size than such numbers have."""
    for promise in facts.promises:
        unit, (low, high) = OF_A_PROMISE.get(promise.metric, ("", (0.0, 0.0)))
        value = promise.value(unit) if unit else None
        if value is None:
            continue
        path = promise.path
        what = f"{promise.metric.replace('_', ' ')} of {path.replace('.', ' ')}"
        for said in judged(facts, Usual(what, value, unit, low, high, {f"{path}.{promise.field}": 1.0})):
            slips = [value * step for step in (STEP, 1 / STEP) if low <= value * step <= high]
            likely = f"{engineering(slips[0], unit, 3)}, if the prefix slipped" if slips else ""
            yield Said("wrong" if slips else said.severity, said.paths, said.says, likely)


def temperature(facts: Facts) -> Iterator[Said]:
    """Air around the supply hotter than a supply is used in, such as a reading in Fahrenheit."""
    for path, quantity in facts.record.quantities.items():
        if quantity.unit == "degC" and path.rsplit(".", 1)[1] == "ambient" and not -45 <= quantity.nominal <= 60:
            celsius = (quantity.nominal - 32) / 1.8
            likely = f"{celsius:.0f} degC, if it was read in degF" if -45 <= celsius <= 60 else ""
            says = f"{facts.short(path)} is {quantity.nominal:g} degC; supplies are used in air of up to some 60 degC"
            yield Said("doubtful", (path,), says, likely)


def temperature_room(facts: Facts) -> Iterator[Said]:
    """Electrolytic cans rated little above the hottest air, in which their own and their neighbours' heat adds up."""
    ambient = facts.record.quantities.get("nameplate.ambient")
    for held in facts.of_kind("electrolytic_capacitor") if ambient is not None else ():
        rated = held.value("temperature_rating")
        assert ambient is not None  # else there is no part in the loop
        if rated is not None and rated - ambient.high < LEAST_ROOM:
            says = (
                f"{held.designator} is rated {rated:g} degC and stands in air of up to {ambient.high:g} degC: "
                f"{rated - ambient.high:.3g} K for all heat inside"
            )
            yield Said("note", (held.at("temperature_rating"), "nameplate.ambient"), says, "105 degC, if misread")


def range_width(facts: Facts) -> Iterator[Said]:
    """An assumed range so wide that it says nothing, or a measurement that says little."""
    for path, quantity in facts.record.quantities.items():
        widest = {"assumed": WIDEST_ASSUMED, "measured": WIDEST_MEASURED}.get(quantity.known)
        if widest and quantity.low > 0 and quantity.high / quantity.low > widest and quantity.unit != "degC":
            ends = f"{engineering(quantity.low, quantity.unit, 3)} to {engineering(quantity.high, quantity.unit, 3)}"
            says = f"{facts.short(path)} is {quantity.known} as {ends}, {quantity.high / quantity.low:.3g} times"
            yield Said("note", (path,), says, "an end of the range with another prefix")


def line_frequency(facts: Facts) -> Iterator[Said]:
    """A line frequency no mains has."""
    for path, quantity in facts.record.quantities.items():
        name = path.rsplit(".", 1)[1]
        named = name in ("frequency_low", "frequency_high", "line_frequency")
        if named and quantity.nominal and not any(low <= quantity.nominal <= high for low, high in LINE_FREQUENCIES):
            says = f"{facts.short(path)} is {quantity.nominal:g} Hz; mains has 50 or 60, railways 16.7, aircraft 400"
            yield Said("wrong", (path,), says, "50 or 60 Hz")


RULES = (
    Rule("usual_size", "values within what their kind of part has", PRACTICE, usual_size),
    Rule("rating_as_sold", "ratings are those parts are sold with", PRACTICE, rating_as_sold),
    Rule("preferred_value", "marked values belong to a series of their tolerance", "IEC 60063, from memory",
         preferred_value),
    Rule("tolerance_of_its_kind", "tolerances as the kind of part is sold", PRACTICE, tolerance_of_its_kind),
    Rule("marking_beside_value", "what a note says of a marking is the value recorded",
         "IEC 60062, EIA-198, from memory", marking_beside_value),
    Rule("promise_size", "claims and measurements of the size such numbers have", PRACTICE, promise_size),
    Rule("temperature", "air a supply is used in", PRACTICE, temperature),
    Rule("temperature_room", "cans rated well above the air they stand in", PRACTICE, temperature_room),
    Rule("range_width", "ranges that say something", PRACTICE, range_width),
    Rule("line_frequency", "frequencies of the mains", PRACTICE, line_frequency),
)  # fmt: skip
