"""Text off a part to every meaning it may have, likeliest first, each with why it stands there.

``decode`` is the entry. It cuts a marking into tokens, reads the value of one and lets the others (voltage, tolerance,
class, temperature) belong to it, then orders. Points are our own judgement of what is usual, no source; only the order
they give is told. Misread characters come last and are marked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from netlists.errors import nearest
from netlists.marking_forms import (
    PRACTICE,
    Component,
    Reading,
    class_readings,
    safety_classes,
    safety_text,
    temperature_text,
    token_readings,
)  # fmt: skip
from netlists.marking_tables import Deviation, ceramic_class, coded_voltage, deviation_text, letter_tolerance
from netlists.preferred_values import neighbours, series_of, tolerance_suits
from netlists.quantity import QuantityError, engineering, read_tolerance, read_value, shown

LONGEST_MARKING = 40
MOST_MISREADINGS = 4
HIGHEST_CAN = 500.0  # V; electrolytic capacitors end about there (common practice, no source)
ALLOWED_FORMS = ("4R7", "4K7J", "4n7", "104", "104K", "1002", "01C", "2A104J", "X7R", "X2", "470uF 450V")
# Usual parts; outside it a reading is possible but rare (our own judgement, no source).
USUAL: dict[str, tuple[float, float]] = {"ohm": (0.5e-3, 22e6), "F": (0.5e-12, 0.1), "H": (1e-9, 50e-3)}
# Character -> what it may have been on the part, where print is small or worn.
CONFUSED: dict[str, str] = {
    "O": "0", "o": "0", "I": "1", "l": "1", "B": "8", "8": "B", "S": "5", "5": "S", "Z": "2", "2": "Z", "0": "O",
    "1": "I",
}  # fmt: skip
_TO_DIGITS = str.maketrans("OoIl", "0011")


@dataclass(frozen=True, slots=True)
class Decoded:
    """All readings of one text, likeliest first; ``fault`` is one line where there is none, else empty."""

    text: str
    readings: tuple[Reading, ...]
    fault: str = ""


def decode(text: str, kind: Component | None = None) -> Decoded:
    """Every meaning of a marking.

    Parameters
    ----------
    text : what stands on the part
    kind : what the part is known to be; its readings then come first, the others still follow

    >>> [(reading.component, reading.value) for reading in decode("104").readings[:3]]
    [('resistor', 100000.0), ('capacitor', 1e-07), ('inductor', 0.1)]
    """
    cleaned = cleaned_text(text)
    if not cleaned or len(cleaned) > LONGEST_MARKING or not re.fullmatch(r"[ -~°Ω]+", cleaned):
        return Decoded(text, (), f"{shown(text)}: no marking; {_rule(cleaned)}")
    readings = _ranked(_readings(cleaned), kind)
    readings += _misreadings(cleaned, readings, kind)
    fault = "" if readings else f"{shown(text)}: no code; {nearest(cleaned, ALLOWED_FORMS)}"
    return Decoded(text, tuple(readings), fault)


def cleaned_text(text: str) -> str:
    """One spelling for micro, ohm, MFD, tolerances and the decimal point; no space between a number and its unit."""
    if len(text) > 10 * LONGEST_MARKING:  # nothing a part could bear: not searched
        return text
    for found, instead in (("µ", "u"), ("μ", "u"), ("\u2126", "Ω"), ("+/-", " "), ("+-", " "), ("±", " ")):
        text = text.replace(found, instead)
    text = re.sub(r"/(?=[0-9.]+ ?V)", " ", text)  # 220uF/25V; -20/+50% keeps its stroke
    text = re.sub(r"(?<=[0-9]),(?=[0-9])", ".", re.sub(r" +", " ", text.strip(" \t")))
    text = re.sub(r"(?<=[0-9 ])(?:MFD|mfd|Mfd)(?![A-Za-z])", "uF", text)
    return re.sub(r"(?<![^ ])([0-9.]+) +([pnum]?[FH]|[kM]?Ω|[kKM]?ohm|%|V(?:ac|dc|AC|DC|~)?|°C)(?![^ ])", r"\1\2", text)


def _rule(cleaned: str) -> str:
    if not cleaned:
        return "allowed: a code such as 4R7, 104K or 01C, found nothing"
    if len(cleaned) > LONGEST_MARKING:
        return f"allowed: at most {LONGEST_MARKING} characters, found {len(cleaned)}"
    return "allowed: letters, digits and . % / ± ° Ω µ in one line"


# --- one marking, its tokens taken apart


@dataclass(frozen=True, slots=True)
class _Beside:
    """What stands beside a value: at most one of each."""

    voltage: float | None = None
    tolerance: Deviation | None = None
    letter: str = ""
    class_code: str = ""
    temperature: str = ""

    def and_also(self, token: str) -> _Beside | None:
        """With a further token, or None where it fits nothing that is still open."""
        for name, value in _beside(token).items():
            if getattr(self, name) in (None, ""):
                return replace(self, **{name: value})  # type: ignore[arg-type]  # names and types are _beside's own
        return None


def _beside(token: str) -> Mapping[str, object]:
    if re.fullmatch(r"[0-3]V", token):  # 35 V as a code; nobody rates a part for 1 V
        return {"voltage": coded_voltage(token)}
    if match := re.fullmatch(r"([0-9]{1,5}(?:\.[0-9]{1,3})?k?V)(?:ac|dc|AC|DC|~|-)?", token):
        return {"voltage": read_value(match.group(1), "V")}
    if "%" in token:
        try:
            return {"tolerance": read_tolerance(token)}
        except QuantityError:
            return {}
    if re.fullmatch(r"[A-Z]", token):
        return {"letter": token}
    if (said := temperature_text(token)) is not None:
        return {"temperature": said}
    if ceramic_class(token) is not None or safety_classes(token) is not None:
        return {"class_code": token}
    if any(reading.form == "voltage code alone" for reading in token_readings(token)):
        return {"voltage": coded_voltage(token)}
    return {}


def _readings(text: str) -> list[Reading]:
    tokens = text.split(" ")
    if len(tokens) == 1 and (alone := token_readings(tokens[0])):
        return alone
    for index in _value_places(tokens):
        beside: _Beside | None = _Beside()
        for token in tokens[:index] + tokens[index + 1 :]:
            beside = beside and beside.and_also(token)
        if beside is not None:
            return [found for reading in _values(tokens[index], beside) for found in _joined(reading, beside)]
    return _nothing_but_beside(tokens)


def _value_places(tokens: list[str]) -> list[int]:
    """Where the value may stand: first a token that can be nothing else, then the first ones; 105C is a temperature."""
    places = [
        index for index, token in enumerate(tokens) if temperature_text(token) is None and _values(token, _Beside())
    ]
    return sorted(places, key=lambda index: (bool(_beside(tokens[index])), index))


def _values(token: str, beside: _Beside) -> list[Reading]:
    found = [reading for reading in token_readings(token) if reading.value is not None]
    if beside.voltage is not None and beside.voltage <= HIGHEST_CAN and re.fullmatch(r"[1-9][0-9]{0,3}", token):
        form = "number as it stands beside a voltage, in uF, as on electrolytic cans"
        found.append(Reading("capacitor", float(f"{token}e-6"), form, PRACTICE, 50))
    return found


def _joined(reading: Reading, beside: _Beside) -> Iterator[Reading]:
    """A value with what stands beside it; nothing where the two contradict."""
    if beside.class_code and reading.component != "capacitor":
        return
    if beside.voltage is not None:
        if reading.voltage is not None:
            return
        reading = replace(reading, voltage=beside.voltage)
    marked: tuple[Deviation, str] | None = None
    if beside.tolerance is not None:
        marked = beside.tolerance, deviation_text(beside.tolerance)
    if beside.letter:
        if marked is not None:
            return
        marked = letter_tolerance(reading.component, beside.letter, reading.value or 0.0)
        if marked is None:
            return
    if marked is not None:
        if reading.tolerance is not None:
            return
        reading = replace(reading, tolerance=marked[0], tolerance_text=marked[1])
        reading = replace(reading, says=tuple(said for said in reading.says if not said.startswith("usually ")))
    says = (f"up to {beside.temperature}",) if beside.temperature else ()
    yield replace(reading, says=(*reading.says, *says, *_class_says(beside.class_code, reading.value)))


def _class_says(code: str, capacitance: float | None) -> list[str]:
    if not code:
        return []
    names = safety_classes(code)
    if names is not None:
        return [safety_text(name, capacitance) for name in names]
    return [f"{code}, {ceramic_class(code)}"]


def _nothing_but_beside(tokens: list[str]) -> list[Reading]:
    """X2 275VAC or X7R 50V: a capacitor's class and voltage without its value."""
    beside: _Beside | None = _Beside()
    for token in tokens:
        beside = beside and beside.and_also(token)
    if beside is None or beside.tolerance is not None or beside.letter:
        return []
    if beside.class_code:
        return [
            found for reading in class_readings(beside.class_code)
            for found in _joined(reading, replace(beside, class_code=""))
        ]  # fmt: skip
    if beside.voltage is None:
        return []
    alone = Reading("capacitor", None, "rated voltage alone", PRACTICE, 40)
    return list(_joined(alone, beside))


# --- order


def _ranked(readings: Iterable[Reading], kind: Component | None) -> list[Reading]:
    weighed = [_weighed(reading, kind) for reading in readings]
    return sorted(weighed, key=lambda reading: -reading.points)


def _weighed(reading: Reading, kind: Component | None) -> Reading:
    """Points and reasons of the value: preferred or not, usual size or not, of the kind asked for or not."""
    reasons: list[tuple[int, str]] = [(0, _commonness(reading))]
    if kind is not None and reading.component == kind:
        reasons.append((200, f"the part is said to be a {kind}"))
    elif kind is not None and reading.component != "date":
        reasons.append((0, f"the part is said to be a {kind}"))
    if reading.value is not None and reading.voltage is not None and reading.component == "capacitor":
        reasons.append((40, "a voltage beside it is a capacitor's"))
    if reading.value:
        reasons.append(_series_reason(reading.value, reading.tolerance))
        least, most = USUAL[reading.unit]
        if not least <= reading.value <= most:
            span = f"{engineering(least, reading.unit)} to {engineering(most, reading.unit)}"
            reasons.append((-30, f"rare: usual {reading.component}s are {span}"))
        close = reading.tolerance is not None and max(map(abs, reading.tolerance)) < 0.01
        if reading.component == "capacitor" and close:
            reasons.append((-30, "rare: capacitors closer than 1 %"))
    points = reading.points + sum(points for points, _ in reasons)
    return replace(reading, points=points, why=tuple(reason for _, reason in reasons))


def _commonness(reading: Reading) -> str:
    """A form's own points in words."""
    words = ((60, "the usual meaning of such a code"), (40, "a common meaning"), (25, "a less common meaning"))
    return next((said for least, said in words if reading.points >= least), "a rare meaning")


def _series_reason(value: float, tolerance: Deviation | None) -> tuple[int, str]:
    series = series_of(value)
    if not series:
        below, above = neighbours(value, "E24")
        unit_free = f"{_mantissa(below)} and {_mantissa(above)}"
        return -25, f"in no E series; nearest of E24 are {unit_free}"
    if tolerance is None:
        common = series[0] in ("E3", "E6", "E12", "E24")
        return (20 if common else 5), f"value of {series[0]}"
    wide = deviation_text(tolerance)
    if tolerance_suits(series[0], *tolerance):
        return 20, f"value of {series[0]}, which suits {wide}"
    return 0, f"value of {series[0]}, closer than {wide} needs"


def _mantissa(value: float) -> str:
    """A preferred value as the standard writes it, 1.00 to 9.99."""
    return f"{float(f'{value:.9e}'.split('e')[0]):g}"


# --- misread characters


def _misreadings(text: str, found: list[Reading], kind: Component | None) -> list[Reading]:
    """The likeliest meaning of each text that a confused character, or another case, could have been."""
    known = {_essence(reading) for reading in found}
    offered: list[Reading] = []
    for other, note in _confusions(text):
        ranked = [reading for reading in _ranked(_readings(other), kind) if reading.component != "date"]
        # all meanings where nothing else is read, as of 1O4; else they would bury what stands there
        for reading in ranked if not (found or offered) else ranked[:1]:
            if _essence(reading) not in known:
                known.add(_essence(reading))
                offered.append(replace(reading, misread=note))
    return sorted(offered, key=lambda reading: -reading.points)[:MOST_MISREADINGS]


def _essence(reading: Reading) -> tuple[object, ...]:
    return reading.component, reading.value, reading.tolerance, reading.voltage, reading.says


def _confusions(text: str) -> Iterator[tuple[str, str]]:
    if (digits := text.translate(_TO_DIGITS)) != text:
        yield digits, f"if it reads {digits}"
    for index, character in enumerate(text):
        if character in CONFUSED:
            other = text[:index] + CONFUSED[character] + text[index + 1 :]
            yield other, f"if it reads {other}: {CONFUSED[character]} for {character}"
    for other in (text.upper(), text.translate(_TO_DIGITS).upper()):
        if other != text:
            yield other, f"if it reads {other}: capitals"
