"""Preferred values of IEC 60063: the series E3 to E192, who belongs to which, the neighbours of who belongs to none.

E24 and the series below it are a table, because they are no formula: rounding 10**(i/24) to two digits gives 2.6, 2.9,
3.2, 3.5, 3.8, 4.2, 4.6 and 8.3 where the standard has 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7 and 8.2. E48, E96 and E192 are
10**(i/n) rounded to three digits, but for one member: E192 has 9.20 where the formula gives 9.19. From memory of the
standard, and the same as the tables of the Python library eseries 1.2.1.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right

_E24 = (
    100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300, 330, 360, 390, 430, 470, 510, 560, 620, 680, 750, 820,
    910,
)  # fmt: skip


def rounded_series(count: int) -> tuple[int, ...]:
    """Members of E48, E96 or E192 in hundredths, 100 to 999.

    >>> rounded_series(48)[:4], rounded_series(192)[185]
    ((100, 105, 110, 115), 920)
    """
    members = [round(100 * 10 ** (index / count)) for index in range(count)]
    return tuple(920 if count == 192 and member == 919 else member for member in members)


# Name -> members in hundredths of a decade's first value. Coarsest first: each of E3 to E24 holds the one before it,
# and each of E48 to E192; E24 and E48 share no more than some members.
SERIES: dict[str, tuple[int, ...]] = {
    "E3": _E24[::8],
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E48": rounded_series(48),
    "E96": rounded_series(96),
    "E192": rounded_series(192),
}
# Tolerance a series is meant for: where it is much wider, neighbours overlap. E3 is for anything above 20 %; E192 is
# used for 0.5 % and all that is closer.
MEANT_FOR: dict[str, float] = {"E6": 0.20, "E12": 0.10, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005}


def significant(value: float) -> tuple[int, int] | None:
    """Hundredths (100 to 999) and exponent of ten of a value with at most three significant digits, else None.

    >>> significant(4.7e-9), significant(1234.0)
    ((470, -9), None)
    """
    if not (math.isfinite(value) and value > 0):
        return None
    mantissa, exponent = f"{value:.9e}".split("e")  # nine digits: what a float's own rounding leaves is gone
    hundredths = float(mantissa) * 100
    if abs(hundredths - round(hundredths)) > 1e-6:
        return None
    return round(hundredths), int(exponent)


def series_of(value: float) -> tuple[str, ...]:
    """Names of all series that have this value, coarsest first.

    >>> series_of(4700.0), series_of(499.0), series_of(1.13e-6), series_of(123.0)
    (('E3', 'E6', 'E12', 'E24', 'E192'), ('E96', 'E192'), ('E96', 'E192'), ('E192',))
    """
    found = significant(value)
    return () if found is None else tuple(name for name, members in SERIES.items() if found[0] in members)


def neighbours(value: float, series: str) -> tuple[float, float]:
    """Nearest members of a series at or below and at or above a value; both are the value where it belongs.

    Raises
    ------
    KeyError : no such series
    ValueError : the value is not finite and above 0

    >>> neighbours(5000.0, "E24"), neighbours(9.5, "E12")
    ((4700.0, 5100.0), (8.2, 10.0))
    """
    members = SERIES[series]
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"must be finite and > 0, found {value}")
    mantissa, exponent = f"{value:.9e}".split("e")
    hundredths, decade = round(float(mantissa) * 100, 6), int(exponent) - 2
    below = members[bisect_right(members, hundredths) - 1]
    above = bisect_left(members, hundredths)
    over = (members[above], decade) if above < len(members) else (members[0], decade + 1)
    return float(f"{below}e{decade}"), float(f"{over[0]}e{over[1]}")


def tolerance_suits(series: str, low: float, high: float) -> bool:
    """Whether a relative tolerance is no wider than a series is meant for; E3 takes any.

    A closer tolerance suits too: 1 % resistors of E24 values are stocked everywhere (common practice, no source).

    >>> tolerance_suits("E96", -0.01, 0.01), tolerance_suits("E24", -0.2, 0.2)
    (True, False)
    """
    return series == "E3" or max(abs(low), abs(high)) <= MEANT_FOR[series] * (1 + 1e-9)
