"""What letters printed on parts stand for: tolerances, voltages, ceramic classes, X and Y classes, dates.

Tables and plain functions of one code each; markings.py puts them together. All from memory of the standards named: no
text of a standard was at hand when this was written.
"""

from __future__ import annotations

from netlists.preferred_values import SERIES
from netlists.quantity import TOLERANCE_LETTERS

Deviation = tuple[float, float]


def _both(percent: float) -> Deviation:
    return -percent / 100, percent / 100


# IEC 60062, relative: resistors, and capacitors of 10 pF and more. Letters every record may use come from quantity.py.
SYMMETRIC: dict[str, Deviation] = {letter: (-part, part) for letter, part in TOLERANCE_LETTERS.items()} | {
    "E": _both(0.005), "L": _both(0.01), "P": _both(0.02), "W": _both(0.05), "B": _both(0.1), "C": _both(0.25),
    "D": _both(0.5), "H": _both(3), "N": _both(30),
}  # fmt: skip
ASYMMETRIC: dict[str, Deviation] = {"Q": (-0.1, 0.3), "S": (-0.2, 0.5), "T": (-0.1, 0.5), "Z": (-0.2, 0.8)}
ABSOLUTE_BELOW_10_PF: dict[str, float] = {"B": 0.1e-12, "C": 0.25e-12, "D": 0.5e-12, "F": 1e-12, "G": 2e-12}
# Common practice of inductors, no source: L is 15 % there.
INDUCTOR_LETTERS: dict[str, Deviation] = {letter: SYMMETRIC[letter] for letter in "FGHJKMN"} | {"L": _both(15)}


def letter_tolerance(component: str, letter: str, value: float) -> tuple[Deviation, str] | None:
    """Relative deviations and text a tolerance letter means on a part of this value, or None where it means nothing.

    >>> letter_tolerance("resistor", "L", 1e3)[1], letter_tolerance("inductor", "L", 1e-3)[1]
    ('±0.01 %', '±15 %')
    >>> letter_tolerance("capacitor", "C", 4.7e-12)[1], letter_tolerance("capacitor", "Z", 1e-7)[1]
    ('±0.25 pF', '-20/+80 %')
    """
    if value <= 0:
        return None
    if component == "capacitor" and value < 10e-12 and letter in ABSOLUTE_BELOW_10_PF:
        part = ABSOLUTE_BELOW_10_PF[letter]
        if part >= value * (1 - 1e-9):  # 2 pF ±2 pF is no part
            return None
        return (-part / value, part / value), f"±{part * 1e12:g} pF"
    table = {
        "resistor": SYMMETRIC,
        "capacitor": {**SYMMETRIC, **ASYMMETRIC},
        "inductor": INDUCTOR_LETTERS,
    }[component]
    found = table.get(letter)
    return None if found is None else (found, deviation_text(found))


def deviation_text(deviation: Deviation) -> str:
    """A relative tolerance for people.

    >>> deviation_text((-0.2, 0.8)), deviation_text((-0.05, 0.05))
    ('-20/+80 %', '±5 %')
    """
    low, high = deviation
    return f"±{high * 100:g} %" if low == -high else f"{low * 100:g}/+{high * 100:g} %"


# Hundredths of a volt before the power of ten: R10 numbers of ISO 3, and 3.5, 4.5 (common practice, no source).
VOLTAGE_LETTERS: dict[str, int] = {
    "A": 100, "B": 125, "C": 160, "D": 200, "E": 250, "F": 315, "V": 350, "G": 400, "W": 450, "H": 500, "J": 630,
    "K": 800,
}  # fmt: skip


def coded_voltage(code: str) -> float:
    """Rated voltage [V] of a digit and a letter as film and electrolytic capacitors bear them.

    Raises
    ------
    KeyError : the letter is none of the code

    >>> coded_voltage("2A"), coded_voltage("2G"), coded_voltage("0J"), coded_voltage("2J")
    (100.0, 400.0, 6.3, 630.0)
    """
    return float(f"{VOLTAGE_LETTERS[code[1]]}e{int(code[0]) - 2}")


EIA96_MULTIPLIERS: dict[str, int] = {
    "Z": -3, "Y": -2, "R": -2, "X": -1, "S": -1, "A": 0, "B": 1, "H": 1, "C": 2, "D": 3, "E": 4, "F": 5,
}  # fmt: skip


def eia96_resistance(code: str) -> float:
    """Resistance [ohm] of two digits, the place of a value in E96, and a letter, the power of ten.

    Raises
    ------
    KeyError, IndexError : the letter or the place is none of the code

    >>> eia96_resistance("01C"), eia96_resistance("68X"), eia96_resistance("96F")
    (10000.0, 49.9, 97600000.0)
    """
    place = int(code[:2])
    if place < 1:
        raise IndexError(f"places are 01 to 96, found {code[:2]}")
    return float(f"{SERIES['E96'][place - 1]}e{EIA96_MULTIPLIERS[code[2]]}")


# EIA-198 (and IEC 60384-21 class 1, -22 class 2).
_COLDEST = {"X": -55, "Y": -30, "Z": 10}
_HOTTEST = {"2": 45, "4": 65, "5": 85, "6": 105, "7": 125, "8": 150, "9": 200}
_CHANGE = {
    "A": "±1", "B": "±1.5", "C": "±2.2", "D": "±3.3", "E": "±4.7", "F": "±7.5", "L": "-40/+15", "P": "±10", "R": "±15",
    "S": "±22", "T": "-33/+22", "U": "-56/+22", "V": "-82/+22",
}  # fmt: skip
_SLOPE = {
    "C": 0.0, "B": 0.3, "L": 0.8, "A": 0.9, "M": 1.0, "P": 1.5, "R": 2.2, "S": 3.3, "T": 4.7, "U": 7.5,
}  # fmt: skip
_SLOPE_FACTOR = {
    "0": -1,
    "1": -10,
    "2": -100,
    "3": -1000,
    "4": -10000,
    "5": 1,
    "6": 10,
    "7": 100,
    "8": 1000,
    "9": 10000,
}
_SLOPE_TOLERANCE = {"G": 30, "H": 60, "J": 120, "K": 250, "L": 500, "M": 1000, "N": 2500}


def ceramic_class(code: str) -> str | None:
    """What a three-character ceramic class promises, or None where it is none.

    >>> ceramic_class("X7R"), ceramic_class("C0G")
    ('class 2: ±15 % from -55 to 125 degC, without bias', 'class 1: 0 ±30 ppm/K')
    >>> ceramic_class("U2J")
    'class 1: -750 ±120 ppm/K'
    """
    if code == "NP0":
        code = "C0G"
    if len(code) != 3:
        return None
    first, second, third = code[0], code[1], code[2]
    if first in _COLDEST and second in _HOTTEST and third in _CHANGE:
        span = f"{_COLDEST[first]} to {_HOTTEST[second]} degC"
        return f"class 2: {_CHANGE[third]} % from {span}, without bias"
    if first in _SLOPE and second in _SLOPE_FACTOR and third in _SLOPE_TOLERANCE:
        slope = _SLOPE[first] * _SLOPE_FACTOR[second] + 0.0
        return f"class 1: {slope:g} ±{_SLOPE_TOLERANCE[third]} ppm/K"
    return None


# IEC 60384-14: where it may stand, and the peak of the impulses before the endurance test [V].
SAFETY_CLASSES: dict[str, tuple[str, float | None]] = {
    "X1": ("across the line, service peaks above 2.5 up to 4 kV", 4000.0),
    "X2": ("across the line, service peaks up to 2.5 kV", 2500.0),
    "X3": ("across the line, service peaks up to 1.2 kV", None),
    "Y1": ("bridges double or reinforced insulation, up to 500 V", 8000.0),
    "Y2": ("bridges basic insulation, 150 to 500 V", 5000.0),
    "Y3": ("bridges basic insulation, 150 to 250 V", None),
    "Y4": ("bridges basic insulation, below 150 V", 2500.0),
}


def impulse_voltage(name: str, capacitance: float | None = None) -> float | None:
    """Peak [V] of the impulse test of an X or Y class, None where the class has none.

    Above 1 uF the X classes' peak falls with the root of the capacitance in microfarad.

    Parameters
    ----------
    name : a key of SAFETY_CLASSES
    capacitance : [F], or None where it is not known

    >>> impulse_voltage("X2"), impulse_voltage("X2", 4e-6), impulse_voltage("Y1"), impulse_voltage("X3")
    (2500.0, 1250.0, 8000.0, None)
    """
    peak = SAFETY_CLASSES[name][1]
    if peak is not None and name in ("X1", "X2") and capacitance is not None and capacitance > 1e-6:
        return float(peak / (capacitance * 1e6) ** 0.5)
    return peak


# IEC 60062: years in a cycle of twenty, without I, O, Q, Y, Z and G; months 1 to 9, then O, N, D.
YEAR_LETTERS = "ABCDEFHJKLMNPRSTUVWX"
MONTHS = "123456789OND"


def dated(code: str) -> tuple[tuple[int, ...], int] | None:
    """Years it may be (latest first) and month of a date code of two characters, else None.

    >>> dated("S5"), dated("AD"), dated("I1")
    (((2024, 2004, 1984), 5), ((2010, 1990, 1970), 12), None)
    """
    if len(code) != 2 or code[0] not in YEAR_LETTERS or code[1] not in MONTHS:
        return None
    year = 2010 + YEAR_LETTERS.index(code[0])
    return (year, year - 20, year - 40), MONTHS.index(code[1]) + 1
