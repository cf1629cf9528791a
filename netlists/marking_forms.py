"""What one printed token may say: every meaning of a code, each with how likely its form is on such a part.

Knows the forms and no order: markings.py ranks. Likelihoods of forms are our own judgement of the trade, no source;
they count points, and only their differences mean anything. Suffixes are read by quantity.py alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal, get_args

from netlists.marking_tables import (
    EIA96_MULTIPLIERS,
    SAFETY_CLASSES,
    VOLTAGE_LETTERS,
    Deviation,
    ceramic_class,
    coded_voltage,
    dated,
    deviation_text,
    eia96_resistance,
    impulse_voltage,
    letter_tolerance,
)  # fmt: skip
from netlists.quantity import PLAUSIBLE, QuantityError, engineering, read_value

Component = Literal["resistor", "capacitor", "inductor"]
COMPONENTS: tuple[Component, ...] = get_args(Component)
UNIT_OF: dict[Component, str] = {"resistor": "ohm", "capacitor": "F", "inductor": "H"}
COMPONENT_OF: dict[str, Component] = {unit: component for component, unit in UNIT_OF.items()}

IEC = "IEC 60062, from memory"
EIA_198 = "EIA-198, from memory"
PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Reading:
    """One meaning of a marking.

    Parameters
    ----------
    component : resistor, capacitor, inductor, or ``date`` for a date code, which any part may bear
    value : SI value, 0 for a zero-ohm link, None where the marking gives none (a class, a voltage, a date)
    form : which kind of code it is, in words
    standard : what lays the form down, or that nothing does
    points : how likely, for ordering only; a form's own points before markings.py adds its reasons
    tolerance : relative deviations (low, high), or None where none is marked
    tolerance_text : the same for people; absolute where the standard has it so
    voltage : rated voltage [V], or None
    says : what else the marking says
    why : reasons of its place among the readings
    misread : which character would have to be another one; empty for what stands there
    """

    component: Component | Literal["date"]
    value: float | None
    form: str
    standard: str
    points: int
    tolerance: Deviation | None = None
    tolerance_text: str = ""
    voltage: float | None = None
    says: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    misread: str = ""

    @property
    def unit(self) -> str:
        """SI unit of the value."""
        return "" if self.component == "date" else UNIT_OF[self.component]


# Letter -> what it may be: unit, letter as quantity.py reads it, standard, points. Capitals K and L are IEC 60062's.
_LETTERS: dict[str, tuple[tuple[str, str, str, int], ...]] = {
    "R": (("ohm", "R", IEC, 60), ("H", "u", PRACTICE, 30), ("F", "p", PRACTICE, 25)),
    "r": (("ohm", "R", PRACTICE, 55),),
    "K": (("ohm", "k", IEC, 70),),
    "k": (("ohm", "k", PRACTICE, 70),),
    "M": (("ohm", "M", IEC, 70),),
    "G": (("ohm", "G", IEC, 70),),
    "L": (("ohm", "m", IEC, 65),),
    "m": (("ohm", "m", PRACTICE, 45), ("H", "m", PRACTICE, 40), ("F", "m", IEC, 30)),
    "u": (("F", "u", IEC, 70), ("H", "u", PRACTICE, 35)),
    "n": (("F", "n", IEC, 70), ("H", "n", PRACTICE, 30)),
    "p": (("F", "p", IEC, 70),),
    "U": (("F", "u", PRACTICE, 45), ("H", "u", PRACTICE, 30)),
    "N": (("H", "n", PRACTICE, 35), ("F", "n", PRACTICE, 30)),
    "P": (("F", "p", PRACTICE, 45),),
}
_LETTER_CODE = re.compile(r"((?:0|[1-9][0-9]{0,3})?(?:\.[0-9]{1,3})?)([RrKkMGLmunpUNP])([0-9]{0,4})")
_WITH_UNIT = re.compile(r"([0-9]{0,6}(?:\.[0-9]{0,4})?[pnumkKMGR]?[0-9]{0,4})(F|H|ohm|Ohm|Ω)")
_DECIMAL = re.compile(r"[0-9]{0,3}\.[0-9]{1,4}")
_ZERO = re.compile(r"0{1,4}|0R0{0,2}|R0{1,3}")
_VOLTAGE_CODE = re.compile(rf"[0-4][{''.join(VOLTAGE_LETTERS)}]")
_VOLTAGE_BEFORE = re.compile(rf"({_VOLTAGE_CODE.pattern})([1-9][0-9]{{2}}[A-Z]?|[0-9]{{0,3}}[nupR][0-9]{{0,3}}[A-Z]?)")
_VOLTAGE_BEHIND = re.compile(r"([^ ]{2,6}[FGHJKMNQSTZ])([1-9][0-9]{1,3})V?")
_TEMPERATURE = re.compile(r"(?:70|85|105|110|125|130|135|150|155)°?C")
_EIA96 = re.compile(rf"[0-9]{{2}}[{''.join(EIA96_MULTIPLIERS)}]")
# A tolerance letter behind a code without letters is a capacitor's or inductor's custom; chip resistors have none.
_LETTER_BEHIND_DIGITS: dict[str, int] = {"resistor": -20, "capacitor": 20, "inductor": 5}


def token_readings(token: str) -> list[Reading]:
    """Every meaning of a token without spaces, in no order; empty where it is no code.

    >>> [(reading.component, reading.value) for reading in token_readings("4K7")]
    [('resistor', 4700.0)]
    """
    readings = list(_zero_ohm(token) or (*_value_readings(token), *_with_tolerance(token), *_eia96(token)))
    readings += [*_with_voltage(token), *class_readings(token), *_voltage_alone(token), *_temperature(token)]
    readings += _dates(token)
    return [reading for reading in readings if reading.value is None or _possible(reading)]


def _possible(reading: Reading) -> bool:
    least, most = PLAUSIBLE[reading.unit]
    return reading.value is not None and (reading.value == 0 or least <= reading.value <= most)


def _zero_ohm(token: str) -> list[Reading]:
    if not _ZERO.fullmatch(token):
        return []
    return [Reading("resistor", 0.0, "zero-ohm link", PRACTICE, 90, says=("a link, no resistance to speak of",))]


def _value_readings(token: str) -> Iterator[Reading]:
    if re.fullmatch(r"[1-9][0-9]{0,3}", token):
        yield from _digits(token)
    elif _DECIMAL.fullmatch(token):
        yield from _decimal(token)
    elif match := _WITH_UNIT.fullmatch(token):
        yield from _unit_written(*match.groups())
    elif match := _LETTER_CODE.fullmatch(token):
        yield from _letter_code(*match.groups())


def _value_of(text: str, unit: str) -> float | None:
    try:
        value = read_value(text, unit)
    except QuantityError:
        return None
    return value if value > 0 else None


def _letter_code(before: str, letter: str, behind: str) -> Iterator[Reading]:
    """4R7, R47, 47K, 4n7, 5L0: the letter is the decimal point and says the power of ten."""
    for unit, read_as, standard, points in _LETTERS[letter]:
        value = _value_of(f"{before}{read_as}{behind}", unit)
        if value is None:
            continue
        form = f"letter code, {letter} for {'ohm' if read_as == 'R' else read_as + unit}"
        found = Reading(COMPONENT_OF[unit], value, form, standard, points)
        # 4.7k: the letter was to spare the point
        yield found if "." not in before else replace(found, standard=PRACTICE, points=points - 25)


def _unit_written(number: str, unit: str) -> Iterator[Reading]:
    """470uF, 4.7kΩ, 10mH. A unit without prefix, as in 1H, may as well be the voltage code 1H, 50 V."""
    name = {"F": "F", "H": "H"}.get(unit, "ohm")
    value = _value_of(number.replace("K", "k") + ("" if number.endswith("R") else name), name)
    if value is None:
        value = _value_of(number.replace("K", "k"), name)  # 4n7F: the letter stands inside
    if value is not None:
        prefixed = not re.fullmatch(r"[0-9.]+", number)
        yield Reading(COMPONENT_OF[name], value, "unit written out", PRACTICE, 90 if prefixed or name == "ohm" else 50)


def _decimal(token: str) -> Iterator[Reading]:
    """0.1, .47: microfarad on film capacitors, else ohm or microhenry."""
    meanings: tuple[tuple[Component, str, int, int], ...] = (
        ("capacitor", "uF", -6, 40), ("resistor", "ohm", 0, 30), ("inductor", "uH", -6, 25),
    )  # fmt: skip
    for component, unit, exponent, points in meanings:
        value = float(f"{token}e{exponent}")
        if value > 0:
            yield Reading(component, value, f"decimal number, in {unit}", PRACTICE, points)


def _basic(component: str) -> str:
    return {"resistor": "ohm", "capacitor": "pF", "inductor": "uH"}[component]


_BASE_EXPONENT: dict[Component, int] = {"resistor": 0, "capacitor": -12, "inductor": -6}
_STANDARD_OF_DIGITS: dict[Component, str] = {"resistor": PRACTICE, "capacitor": EIA_198, "inductor": PRACTICE}
# Number of digits -> points where the last digit counts zeros, and where the number is meant as it stands.
_ZEROS_COUNTED: dict[int, dict[Component, int]] = {
    3: {"resistor": 50, "capacitor": 45, "inductor": 25},
    4: {"resistor": 55, "capacitor": 20, "inductor": 8},
}
_AS_IT_STANDS: dict[int, dict[Component, int]] = {
    1: {"resistor": 20, "capacitor": 20, "inductor": 10},
    2: {"resistor": 35, "capacitor": 40, "inductor": 20},
    3: {"resistor": 20, "capacitor": 25, "inductor": 10},
    4: {"resistor": 8, "capacitor": 15, "inductor": 5},
}
_MOST_ZEROS: dict[Component, int] = {"resistor": 7, "capacitor": 7, "inductor": 5}


def _digits(token: str) -> Iterator[Reading]:
    """104, 1002, 47. Of three or four digits the last counts zeros; where it is 0 the number may be meant as it is."""
    count, last = len(token), int(token[-1])
    for component, points in _ZEROS_COUNTED.get(count, {}).items():
        zeros = {8: -2, 9: -1}.get(last, last) if component == "capacitor" else last  # 229 is 2.2 pF
        if zeros <= _MOST_ZEROS[component]:
            value = float(f"{token[:-1]}e{zeros + _BASE_EXPONENT[component]}")
            form = f"{'three' if count == 3 else 'four'}-digit code in {_basic(component)}, last digit counts zeros"
            says = (f"usually ±{5 if count == 3 else 1} %",) if component == "resistor" else ()
            yield Reading(component, value, form, _STANDARD_OF_DIGITS[component], points, says=says)
    if count <= 2 or last == 0:
        for component, points in _AS_IT_STANDS[count].items():
            value = float(f"{token}e{_BASE_EXPONENT[component]}")
            yield Reading(component, value, f"number as it stands, in {_basic(component)}", PRACTICE, points)


def _with_tolerance(token: str) -> Iterator[Reading]:
    """104K, 4R7J: any value with a tolerance letter behind it that such a part can have."""
    core, letter = token[:-1], token[-1:]
    for reading in _value_readings(core):
        found = letter_tolerance(reading.component, letter, reading.value or 0.0)
        if found is not None:
            more = _LETTER_BEHIND_DIGITS[reading.component] if core.replace(".", "").isdigit() else 5
            if letter == "F" and core[-1] in "pnum":  # 470uF is microfarad, and hardly 470 u of 1 %
                more = -60
            form = f"{reading.form}, tolerance letter {letter}"
            points = reading.points + more
            yield replace(reading, form=form, tolerance=found[0], tolerance_text=found[1], points=points, says=())


def _eia96(token: str) -> Iterator[Reading]:
    if _EIA96.fullmatch(token) and 1 <= int(token[:2]) <= 96:
        form = f"EIA-96 code of 1 % chip resistors, place {int(token[:2])} of E96"
        standard = "EIA-96, as the trade calls it, from memory"
        tolerance = (-0.01, 0.01)
        yield Reading(
            "resistor", eia96_resistance(token), form, standard, 50, tolerance, deviation_text(tolerance)
        )  # fmt: skip


def _with_voltage(token: str) -> Iterator[Reading]:
    """2A104J and 104K630: a capacitor's code with its voltage before or behind it."""
    if match := _VOLTAGE_BEFORE.fullmatch(token):
        volts, rest = coded_voltage(match.group(1)), match.group(2)
        form = f"voltage code {match.group(1)}, then "
    elif match := _VOLTAGE_BEHIND.fullmatch(token):
        rest, volts = match.group(1), float(match.group(2))
        form = "voltage behind, before it "
    else:
        return
    for reading in (*_value_readings(rest), *_with_tolerance(rest)):
        if reading.component == "capacitor":
            less = 45 if rest[-1].isdigit() else 0  # hardly met without a tolerance letter: 2K130 is 2.13 kohm
            standard = f"{reading.standard}; the voltage {PRACTICE}"
            points = reading.points - less
            yield replace(reading, form=form + reading.form, standard=standard, voltage=volts, points=points, says=())


def class_readings(token: str) -> Iterator[Reading]:
    """X7R, C0G, X2, Y1, X1Y2: classes, which are no values."""
    if (said := ceramic_class(token)) is not None:
        usual = said.startswith("class 2") or token in ("C0G", "NP0", "U2J")
        yield Reading(
            "capacitor", None, "ceramic class", EIA_198, 90 if usual else 20, says=(said,)
        )  # fmt: skip
    if (names := safety_classes(token)) is not None:
        says = tuple(safety_text(name, None) for name in names)
        yield Reading("capacitor", None, "class of mains capacitors", "IEC 60384-14, from memory", 90, says=says)


def safety_classes(token: str) -> tuple[str, ...] | None:
    """Names of the X and Y classes a token holds, such as ``X1/Y2``, or None."""
    match = re.fullmatch(r"([XY][1-4])(?:/?([XY][1-4]))?", token)
    names = tuple(name for name in match.groups() if name) if match else ()
    return names if names and all(name in SAFETY_CLASSES for name in names) else None


def safety_text(name: str, capacitance: float | None) -> str:
    """What a class of mains capacitors stands for, with its impulse test."""
    peak = impulse_voltage(name, capacitance)
    tested = "no impulse test" if peak is None else f"impulse test {engineering(peak, 'V', 3)}"
    falls = " up to 1 uF, less above" if capacitance is None and name in ("X1", "X2") else ""
    return f"{name}: {SAFETY_CLASSES[name][0]}; {tested}{falls}"


def _voltage_alone(token: str) -> Iterator[Reading]:
    if _VOLTAGE_CODE.fullmatch(token):
        yield Reading("capacitor", None, "voltage code alone", PRACTICE, 70, voltage=coded_voltage(token))


def temperature_text(token: str) -> str | None:
    """``105 degC`` of 105C or 105°C, or None: the temperatures electrolytic cans are rated for, and some above.

    >>> temperature_text("105°C"), temperature_text("10C")
    ('105 degC', None)
    """
    return f"{token.rstrip('°C')} degC" if _TEMPERATURE.fullmatch(token) else None


def _temperature(token: str) -> Iterator[Reading]:
    if (said := temperature_text(token)) is not None:
        points = 90 if "°" in token else 60
        yield Reading("capacitor", None, "rated temperature alone", PRACTICE, points, says=(f"up to {said}",))


def _dates(token: str) -> Iterator[Reading]:
    """Year and month letters, or year and week in four digits."""
    if (found := dated(token)) is not None:
        years, month = found
        says = f"month {month} of {years[0]}, {years[1]} or {years[2]}"
        yield Reading("date", None, "date code, year letter and month", IEC, 20, says=(says,))
    elif re.fullmatch(r"[0-9]{4}", token) and 1 <= int(token[2:]) <= 53 and not 30 <= int(token[:2]) < 70:
        year = int(token[:2]) + (1900 if int(token[:2]) >= 70 else 2000)
        says = f"week {int(token[2:])} of {year}"
        yield Reading("date", None, "date code, year and week", IEC, 25, says=(says,))
