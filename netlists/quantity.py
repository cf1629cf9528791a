"""Values with unit, tolerance and how they are known. The only module that knows suffixes; everything else is SI.

Reads what a person writes off a part: ``4R7``, ``470u``, ``120uF 20%``, ``470u 450V 20%``. Refuses what is ambiguous.
IEC 60062 gives the letter-as-decimal-point form and the tolerance letters.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, time
from typing import Any, Literal, get_args

from netlists.errors import OptionError, one_line
from netlists.formulas import FITTED

Known = Literal["measured", "marked", "inferred", "assumed"]
KNOWN: tuple[str, ...] = get_args(Known)

PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9}
# Unit as stored -> spellings accepted beside it. The unit "1" is a plain ratio.
UNITS: dict[str, tuple[str, ...]] = {
    "F": ("F",),
    "H": ("H",),
    "ohm": ("ohm", "Ohm", "Ω", "\u2126", "R"),  # Greek omega and the ohm sign look the same
    "V": ("V", "Vac", "Vdc", "VAC", "VDC"),
    "A": ("A",),
    "W": ("W",),
    "J": ("J",),
    "s": ("s",),
    "Hz": ("Hz",),
    "degC": ("degC", "°C", "C"),
    "deg": ("deg", "°"),
    "K": ("K",),
    "W/K": ("W/K",),
    "K/W": ("K/W",),
    "A2s": ("A2s", "A²s"),
    "V s": ("Vs", "V s"),
    "1": ("",),
}
# Beyond these no part of a mains supply lies: a slipped prefix, and outside what a deck may hold. Smallest is of values
# above 0; the ends are far from any real part, so a bound is never met by a value that was read rightly.
PLAUSIBLE: dict[str, tuple[float, float]] = {
    "F": (1e-15, 10.0),
    "H": (1e-12, 1e3),
    "ohm": (1e-6, 1e10),
    "V": (1e-6, 1e6),
    "A": (1e-9, 1e6),
    "W": (1e-9, 1e6),
    "J": (1e-9, 1e6),
    "s": (1e-12, 1e7),
    "Hz": (1e-3, 1e9),
    "W/K": (1e-9, 1e4),
    "K/W": (1e-4, 1e9),
    "A2s": (1e-9, 1e9),
    "V s": (1e-12, 1e3),
}
TOLERANCE_LETTERS = {"F": 0.01, "G": 0.02, "J": 0.05, "K": 0.10, "M": 0.20}  # IEC 60062

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_PLAIN = re.compile(rf"({_NUMBER}) ?([pnuµμmkMG]?)([^0-9\s.,+-]{{0,4}}[0-9]?[^0-9\s.,+-]{{0,2}})")
# 4R7, 2n2, R47, n47; kilo is K in IEC 60062, k elsewhere. A leading k, M or G is never written and is refused.
_LETTER_POINT = re.compile(r"([0-9]+)([pnuµμmkKMGR])([0-9]+)|()([pnuµμmR])([0-9]+)")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9].*")
_BOTH_SIDES = re.compile(r"(?:\+-|±|\+/-)?([0-9]+(?:\.[0-9]+)?) ?%")
_TWO_SIDES = re.compile(r"-([0-9]+(?:\.[0-9]+)?) ?%?[ /]?\+([0-9]+(?:\.[0-9]+)?) ?%")
_TWO_SIDES_HIGH_FIRST = re.compile(r"\+([0-9]+(?:\.[0-9]+)?) ?%?[ /]?-([0-9]+(?:\.[0-9]+)?) ?%")
_VALUE_TOLERANCE = re.compile(
    r"(.{1,60}?) +((?:\+-|±|\+/-)?[0-9.]{1,10} ?%|[+-][0-9.]{1,10} ?%?[ /][+-][0-9.]{1,10} ?%)"
)
LONGEST_TEXT = 120


class QuantityError(ValueError):
    """A text is not a quantity; the message says what is allowed. Turned into a RecordError with its place."""


def read_value(text: str | float | int, unit: str) -> float:
    """SI value of a text such as ``4R7``, ``470u``, ``0.35``, ``12 ms``, ``87%`` (ratios only).

    Raises
    ------
    QuantityError : not a number with a known prefix and the expected unit, or not finite

    >>> read_value("4k7", "ohm"), read_value("2n2", "F"), read_value("87%", "1")
    (4700.0, 2.2e-09, 0.87)
    """
    if isinstance(text, bool) or not isinstance(text, str | float | int):
        raise QuantityError(f'must be a number or a text such as "{_example(unit)}", found {shown(text)}')
    try:
        value = _parse(text, unit) if isinstance(text, str) else float(text)
    except OverflowError:  # a whole number beyond the floats
        value = math.inf
    if not math.isfinite(value):
        raise QuantityError(f"must be finite, found {shown(text)}")
    return value


def read_option(option: str, text: str, unit: str) -> float:
    """SI value of an option's text, as ``read_value`` reads it.

    Raises
    ------
    OptionError : it is none, with the option's name
    """
    try:
        return read_value(text, unit)
    except QuantityError as error:
        raise OptionError(f"{option}: {error}") from error


def _parse(text: str, unit: str) -> float:
    stripped = text.strip()
    if len(stripped) > LONGEST_TEXT:
        raise QuantityError(f"must be a value of at most {LONGEST_TEXT} characters, found {len(stripped)}")
    if unit == "1" and stripped.endswith("%"):
        return _parse(stripped[:-1], unit) / 100
    if match := _LETTER_POINT.fullmatch(stripped):
        whole, letter, fraction = (group for group in match.groups() if group is not None)
        if letter in "RK" and unit != "ohm":
            raise QuantityError(f"{letter} as decimal point means ohm, allowed: a value in {unit}, found {shown(text)}")
        return _scaled(f"{whole or 0}.{fraction}", {"R": "", "K": "k"}.get(letter, letter))
    if _DECIMAL_COMMA.fullmatch(stripped):
        raise QuantityError(f'must have a decimal point, such as "4.7" for "4,7", found {shown(text)}')
    if match := _PLAIN.fullmatch(stripped):
        number, prefix, written = match.groups()
        if prefix + written in UNITS[unit]:  # "5 m" never: metres are no unit here; "120 K" is kelvin, not kilo
            return float(number)
        if written == "" or written in UNITS[unit]:
            return _scaled(number, prefix)
    raise QuantityError(f'must be a value in {_unit_name(unit)} such as "{_example(unit)}", found {shown(text)}')


def _scaled(number: str, prefix: str) -> float:
    """Rounds once: 2n2 is the float 2.2e-09 itself, not 2.2 times an inexact 1e-09."""
    if not prefix:
        return float(number)
    mantissa, _, exponent = number.lower().partition("e")
    return float(f"{mantissa}e{int(exponent or 0) + round(math.log10(PREFIXES[prefix]))}")


def _unit_name(unit: str) -> str:
    return "a plain ratio" if unit == "1" else unit


def _example(unit: str) -> str:
    examples = {
        "F": "470u",
        "ohm": "4R7",
        "H": "10m",
        "V": "400",
        "A": "2.5",
        "s": "12 ms",
        "1": "87%",
        "degC": "40",
        "deg": "180",
    }
    return examples.get(unit, "1.5")


def shown(found: object) -> str:
    """What was found, quoted and shortened, with control characters made visible."""
    if isinstance(found, str):
        text = '"' + one_line(found[:80].replace("\\", "\\\\")) + '"'
    elif isinstance(found, date | time):
        text = f"the date or time {found.isoformat()}"
    else:
        try:
            text = one_line(repr(found))
        except (ValueError, RecursionError):  # a whole number of thousands of digits, or nesting without end
            text = "a value too large to show"
    return text if len(text) <= 60 else text[:57] + "..."


def read_tolerance(text: str) -> tuple[float, float]:
    """Lower and upper relative deviation of a text such as ``20%``, ``+-5%``, ``-20/+50%`` or the letter ``M``.

    >>> read_tolerance("-20/+50%")
    (-0.2, 0.5)
    """
    stripped = text.strip()
    if stripped in TOLERANCE_LETTERS:
        return -TOLERANCE_LETTERS[stripped], TOLERANCE_LETTERS[stripped]
    if match := _BOTH_SIDES.fullmatch(stripped):
        deviation = float(match.group(1)) / 100
        low, high = -deviation, deviation
    elif match := _TWO_SIDES.fullmatch(stripped):
        low, high = -float(match.group(1)) / 100, float(match.group(2)) / 100
    elif match := _TWO_SIDES_HIGH_FIRST.fullmatch(stripped):
        low, high = -float(match.group(2)) / 100, float(match.group(1)) / 100
    else:
        raise QuantityError(f'tolerance must be such as "20%", "-20/+50%" or a letter F G J K M, found {shown(text)}')
    if low <= -1:
        raise QuantityError(f"tolerance must stay above -100 %, found {shown(text)}")
    return low, high


def tolerance_in(value: object) -> str:
    """The tolerance written behind a value such as ``5 ohm 20%``; empty where there is none.

    >>> tolerance_in("150u 20%"), tolerance_in("470u"), tolerance_in("2800 K")
    ('20%', '', '')
    """
    match = _VALUE_TOLERANCE.fullmatch(value.strip()) if isinstance(value, str) else None
    return match.group(2) if match else ""


def read_marking(text: str) -> dict[str, str]:
    """Splits a capacitor's marking such as ``470u 450V 20% 105C`` into value, voltage, tolerance, temperature texts.

    Raises
    ------
    QuantityError : a token fits none of them, or two tokens fit the same
    """
    found: dict[str, str] = {}
    joined = re.sub(r"(?<!\S)([0-9.]+) ([pnuµμm]F)(?!\S)", r"\1\2", text)  # "470 uF" as printed on cans
    for token in joined.split():
        if "%" in token or (token in TOLERANCE_LETTERS and token != "F"):  # F would be taken for farad
            read_tolerance(token)
            name = "tolerance"
        elif re.fullmatch(r"[0-9]+(?:\.[0-9]+)?V(?:dc|ac)?", token):
            name = "voltage"
        elif re.fullmatch(r"[0-9]{2,3}(?:°C|degC|C)", token):
            name = "temperature"
        else:
            if re.fullmatch(r"[0-9]{3}", token):
                raise QuantityError(f'three-digit code: write it out, such as "100n" for 104, found {shown(text)}')
            read_value(token, "F")
            name = "value"
        if name in found:
            raise QuantityError(f"marking has two {name} texts, found {shown(text)}")
        found[name] = token
    if "value" not in found:
        raise QuantityError(f'marking must hold a capacitance such as "470u 450V 20%", found {shown(text)}')
    return found


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value as found on the board.

    Parameters
    ----------
    nominal, low, high : SI values, low <= nominal <= high
    unit : SI unit as text
    known : how the value is known
    formula : name in ``netlists.formulas.INFERENCES``, or ``FITTED``, where ``known`` is ``inferred``, else empty
    of : argument of that formula -> record path it is taken from
    deviation : relative range laid around an inferred value, (low, high)
    note, evidence, date : free texts of the person who recorded it
    effort : of measuring it, in any unit the record keeps to; what to measure next is ranked by the gain per effort
    instrument : relative deviations (low, high) such a measurement would leave; None: the usual one of its kind
    """

    nominal: float
    low: float
    high: float
    unit: str
    known: Known
    formula: str = ""
    of: Mapping[str, str] = field(default_factory=dict)
    deviation: tuple[float, float] = (0.0, 0.0)
    note: str = ""
    evidence: str = ""
    date: str = ""
    effort: float = 1.0
    instrument: tuple[float, float] | None = None

    @property
    def is_exact(self) -> bool:
        """True where nothing is left open: low and high are the nominal."""
        return self.low == self.high

    @property
    def is_computed(self) -> bool:
        """True where the value follows from others by a formula; one fitted to a capture stands by itself."""
        return self.known == "inferred" and self.formula != FITTED

    def with_values(self, nominal: float, low: float, high: float) -> Quantity:
        """The same quantity with other numbers: how an inferred one is filled in."""
        return replace(self, nominal=nominal, low=low, high=high)


@dataclass(frozen=True, slots=True)
class QuantitySpec:
    """What a field of a record may hold: unit and bounds, with a meaning for error texts and documentation."""

    unit: str
    doc: str
    gt: float | None = None
    ge: float | None = None
    lt: float | None = None
    le: float | None = None

    def parse(self, raw: object, default_known: str | None) -> Quantity:
        """The quantity a TOML value describes.

        Parameters
        ----------
        raw : text, number or table from TOML
        default_known : how plain texts and numbers are known, or None where they must say so themselves

        Raises
        ------
        QuantityError : with rule and what was found
        """
        if isinstance(raw, dict):
            return self._from_table(raw, default_known)
        if default_known is None:
            raise QuantityError(
                f'must say how it is known, such as {{ value = {shown(raw)}, known = "marked" }}; '
                f"allowed: {', '.join(KNOWN)}"
            )
        return self._from_table({"value": raw}, default_known)

    def _from_table(self, raw: dict[str, Any], default_known: str | None) -> Quantity:
        table = dict(raw)
        unknown = sorted(set(table) - _TABLE_KEYS)
        if unknown:
            raise QuantityError(
                f"unknown key {shown(unknown[0])} in a quantity; allowed: {', '.join(sorted(_TABLE_KEYS))}"
            )
        known = table.get("known", default_known)
        if not isinstance(known, str) or known not in KNOWN:
            raise QuantityError(f"known must be one of {', '.join(KNOWN)}, found {shown(known)}")
        texts: dict[str, Any] = {key: _text(table, key) for key in ("note", "evidence", "date")}
        texts |= _measuring(table)
        if known == "inferred":
            return self._fitted(table, texts) if table.get("formula") == FITTED else self._inferred(table, texts)
        if "formula" in table or "of" in table:
            raise QuantityError(f'formula and of belong to known = "inferred", found known = {shown(known)}')
        if "value" not in table:
            raise QuantityError("must have a value")
        nominal, deviation = self._value_and_tolerance(table["value"])
        low, high = self._range(table, nominal, deviation, known)
        self._check_bounds(low, table.get("low", table["value"]))
        self._check_bounds(nominal, table["value"])
        self._check_bounds(high, table.get("high", table["value"]))
        return Quantity(nominal, low, high, self.unit, known, **texts)  # type: ignore[arg-type]  # checked above

    def _value_and_tolerance(self, raw: object) -> tuple[float, tuple[float, float] | None]:
        if isinstance(raw, str) and (match := _VALUE_TOLERANCE.fullmatch(raw.strip())):
            return read_value(match.group(1), self.unit), read_tolerance(match.group(2))  # "5 ohm 20%"
        if isinstance(raw, str) and " " in raw.strip():
            value_text, _, rest = raw.strip().partition(" ")
            if rest.strip() != "%" and (
                "%" in rest or rest.strip() in self._tolerance_letters(value_text, rest.strip())
            ):
                return read_value(value_text, self.unit), read_tolerance(rest)
        return read_value(raw, self.unit), None  # type: ignore[arg-type]  # read_value refuses other types in words

    def _tolerance_letters(self, value_text: str, letter: str) -> Collection[str]:
        """Letters that mean a tolerance behind this value: "2800 K" is kelvin and "1 M" could be a million."""
        if letter not in TOLERANCE_LETTERS:
            return ()
        bare = value_text[-1:].isdigit() and not _LETTER_POINT.fullmatch(value_text)
        if letter in UNITS[self.unit] and bare:
            return ()
        if letter in UNITS[self.unit] or (bare and letter in "MGK"):
            start, percent = one_line(value_text[:40]), f"{TOLERANCE_LETTERS[letter] * 100:g}%"
            raise QuantityError(
                f'{letter} may be a tolerance or belong to the value: write "{start} {percent}" or '
                f'"{start}{"k" if letter == "K" else letter}", found {shown(f"{value_text} {letter}")}'
            )
        return TOLERANCE_LETTERS

    def _range(
        self, table: dict[str, Any], nominal: float, deviation: tuple[float, float] | None, known: str
    ) -> tuple[float, float]:
        given: list[str] = [name for name in ("tolerance", "uncertainty") if name in table]
        if deviation is not None:
            given.append("a tolerance in its value")
        if "low" in table or "high" in table:
            given.append("low and high")
        if len(given) > 1:
            raise QuantityError(f"must have one range, found {' and '.join(given)}")
        if "low" in table or "high" in table:
            if not {"low", "high"} <= set(table):
                raise QuantityError("low and high go together, found one of them")
            low, high = read_value(table["low"], self.unit), read_value(table["high"], self.unit)
            if not low <= nominal <= high:
                raise QuantityError(f"must have low <= value <= high, found {low:g}, {nominal:g}, {high:g}")
            return low, high
        for name in ("tolerance", "uncertainty"):
            if name in table:
                if not isinstance(table[name], str):
                    raise QuantityError(f'{name} must be a text such as "5%", found {shown(table[name])}')
                deviation = read_tolerance(table[name])
        if deviation is None:
            if known == "assumed":
                raise QuantityError("assumed values need a range: low and high, or a tolerance")
            if known == "measured":
                raise QuantityError("measured values need an uncertainty, or low and high")
            return nominal, nominal
        ends = (nominal * (1 + deviation[0]), nominal * (1 + deviation[1]))
        return min(ends), max(ends)

    def _fitted(self, table: dict[str, Any], texts: dict[str, Any]) -> Quantity:
        """A value that ``bulkrail fit`` found: nothing computes it anew, so it needs its interval and what it is of."""
        if "of" in table:
            raise QuantityError(f"{FITTED}: of may not be given, the value is computed from no other")
        given = [key for key in table if key not in texts or texts[key]]
        missing = [key for key in ("value", "low", "high", "evidence", "date") if key not in given]
        if missing:
            raise QuantityError(f"{FITTED}: needs value, low, high, evidence (the capture) and date; no {missing[0]}")
        value, low, high = (read_value(table[key], self.unit) for key in ("value", "low", "high"))
        self._range(table, value, None, "inferred")  # refuses a second range, and a value outside its interval
        if not low < high:
            raise QuantityError(f"{FITTED}: must have low < high, found {low:g} and {high:g}")
        for end in (low, value, high):
            self._check_bounds(end, end)
        return Quantity(value, low, high, self.unit, "inferred", formula=FITTED, **texts)

    def _inferred(self, table: dict[str, Any], texts: dict[str, Any]) -> Quantity:
        if "value" in table or "low" in table or "high" in table:
            raise QuantityError("inferred values are computed at load, so value, low and high may not be given")
        formula, of = table.get("formula"), table.get("of", {})
        if not isinstance(formula, str) or not formula:
            raise QuantityError(f"inferred values need the name of a formula, found {shown(formula)}")
        if not isinstance(of, dict) or not all(isinstance(path, str) for path in of.values()):
            raise QuantityError("of must map each argument of the formula to a record path")
        given = [name for name in ("tolerance", "uncertainty") if name in table]
        if len(given) > 1:
            raise QuantityError("must have one range, found tolerance and uncertainty")
        deviation = read_tolerance(str(table[given[0]])) if given else (0.0, 0.0)
        return Quantity(
            math.nan,
            math.nan,
            math.nan,
            self.unit,
            "inferred",
            formula=formula,
            of=dict(of),
            deviation=deviation,
            **texts,
        )

    def check_bounds(self, quantity: Quantity) -> None:
        """Raises QuantityError where an inferred quantity's numbers break the bounds of its field."""
        for value in (quantity.low, quantity.nominal, quantity.high):
            self._check_bounds(value, value)

    def _check_bounds(self, value: float, found: object) -> None:
        rules: tuple[tuple[float | None, str, Callable[[float, float], bool]], ...] = (
            (self.gt, ">", lambda x, bound: x > bound),
            (self.ge, ">=", lambda x, bound: x >= bound),
            (self.lt, "<", lambda x, bound: x < bound),
            (self.le, "<=", lambda x, bound: x <= bound),
        )
        unit = "" if self.unit == "1" else f" {self.unit}"
        if not math.isfinite(value):
            raise QuantityError(f"must be finite, found {shown(found)}")
        for bound, sign, holds in rules:
            if bound is not None and not holds(value, bound):
                raise QuantityError(f"must be {sign} {bound:g}{unit}, found {shown(found)}")
        least, most = PLAUSIBLE.get(self.unit, (1e-12, 1e12))
        if not (value == 0 or least <= abs(value) <= most):
            raise QuantityError(f"must lie within {least:g} and {most:g}{unit}, found {shown(found)}; prefix slipped?")


_TABLE_KEYS = {
    "value", "low", "high", "tolerance", "uncertainty", "known", "formula", "of", "note", "evidence", "date",
    "effort", "instrument",
}  # fmt: skip


def _measuring(table: dict[str, Any]) -> dict[str, Any]:
    """What measuring a value would cost and leave: ``effort`` and ``instrument``, where they are stated."""
    found: dict[str, Any] = {}
    if "effort" in table:
        effort = table["effort"]
        if isinstance(effort, bool) or not isinstance(effort, int | float) or not 0 < effort < math.inf:
            raise QuantityError(f"effort must be a number > 0, found {shown(effort)}")
        found["effort"] = float(effort)
    if "instrument" in table:
        if not isinstance(table["instrument"], str):
            raise QuantityError(f'instrument must be a text such as "5%", found {shown(table["instrument"])}')
        try:
            found["instrument"] = read_tolerance(table["instrument"])
        except QuantityError as error:
            raise QuantityError(f"instrument: {error}") from error
    return found


def _text(table: dict[str, Any], key: str) -> str:
    value = table.get(key, "")
    if not isinstance(value, str):
        # TOML dates are dates; they are kept as written
        return str(value) if key == "date" else _refuse(key, value)
    return value


def _refuse(key: str, value: object) -> str:
    raise QuantityError(f"{key} must be a text, found {shown(value)}")


def engineering(value: float, unit: str, digits: int = 4) -> str:
    """A value with a prefix for people: ``0.00012 F`` reads ``120 uF``. Never used where a program reads it back.

    >>> engineering(0.00012, "F"), engineering(0.92, "1"), engineering(40.0, "degC")
    ('120 uF', '0.92', '40 degC')
    """
    value += 0.0  # no "-0 V"
    if not math.isfinite(value):
        return f"{value} {unit}".strip()
    if unit == "1":
        return f"{value:.{digits}g}"
    if unit in ("degC", "K", "A2s", "W/K", "K/W", "deg") or value == 0:
        return f"{value:.{digits}g} {unit}"
    exponent = max(-12, min(9, 3 * math.floor(math.log10(abs(value) * (1 + 10.0**-digits)) / 3)))
    prefix = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}[exponent]
    return f"{value / 10**exponent:.{digits}g} {prefix}{unit}"
