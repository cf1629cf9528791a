"""E series against members the standard prints (IEC 60063, from memory) and against what they are for."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netlists.preferred_values import SERIES, neighbours, series_of, significant, tolerance_suits


def test_number_of_members_is_the_series_name() -> None:
    for name, members in SERIES.items():
        assert len(members) == len(set(members)) == int(name[1:])
        assert list(members) == sorted(members)
        assert members[0] == 100
        assert members[-1] < 1000


def test_series_are_nested_as_the_standard_says() -> None:
    for coarse, fine in (("E3", "E6"), ("E6", "E12"), ("E12", "E24"), ("E48", "E96"), ("E96", "E192")):
        assert set(SERIES[coarse]) < set(SERIES[fine])
    assert not set(SERIES["E24"]) <= set(SERIES["E192"])  # 1.2 and 3.3 are not in it


# IEC 60063, from memory
@pytest.mark.parametrize(
    ("name", "members"),
    [
        ("E3", "100 220 470"),
        ("E6", "100 150 220 330 470 680"),
        ("E12", "100 120 150 180 220 270 330 390 470 560 680 820"),
        ("E48", "100 105 110 115 121 127 133 140 147 154 162 169 178 187 196 205 215 226 237 249 261 274 287 301"),
        ("E96", "487 499 511 523 536 549 562 576 590 604 619 634 649 665 681 698 715 732 750 768 787 806 825 845"),
        ("E192", "887 898 909 920 931 942 953 965 976 988"),
    ],
)
def test_published_members(name: str, members: str) -> None:
    wanted = [int(member) for member in members.split()]
    start = SERIES[name].index(wanted[0])
    assert list(SERIES[name][start : start + len(wanted)]) == wanted


def test_the_one_exception_to_rounding() -> None:
    for count in (48, 96, 192):
        differ = [
            (member, index)
            for index, member in enumerate(SERIES[f"E{count}"])
            if member != round(100 * 10 ** (index / count))
        ]
        assert differ == ([(920, 185)] if count == 192 else [])


def test_e24_is_no_formula() -> None:
    """Eight members of E24 differ from 10**(i/24) rounded to two digits: 2.7 to 4.7, and 8.2."""
    differ = [member for index, member in enumerate(SERIES["E24"]) if member != 10 * round(10 * 10 ** (index / 24))]
    assert differ == [270, 300, 330, 360, 390, 430, 470, 820]


@given(st.sampled_from(sorted(SERIES)), st.integers(0, 191), st.integers(-15, 9))
def test_members_of_every_decade_belong(name: str, index: int, decade: int) -> None:
    member = SERIES[name][index % len(SERIES[name])]
    value = float(f"{member}e{decade}")
    assert name in series_of(value)
    assert neighbours(value, name) == (value, value)


@given(st.sampled_from(sorted(SERIES)), st.floats(1e-13, 1e9))
def test_neighbours_enclose_and_nothing_lies_between(name: str, value: float) -> None:
    below, above = neighbours(value, name)
    assert below <= value * (1 + 1e-8)
    assert above >= value * (1 - 1e-8)
    assert name in series_of(below)
    assert name in series_of(above)
    if below != above:
        assert neighbours(math.sqrt(below * above), name) == (below, above)
        assert above / below < 10 ** (1.5 / int(name[1:])) * 1.09  # no member was stepped over


@pytest.mark.parametrize("value", [0.0, -4.7, math.nan, math.inf])
def test_what_is_no_value_belongs_nowhere(value: float) -> None:
    assert series_of(value) == ()
    assert significant(value) is None
    with pytest.raises(ValueError, match="must be finite and > 0"):
        neighbours(value, "E24")


@pytest.mark.parametrize("name", ["E6", "E12", "E24", "E48", "E96"])
def test_tolerances_of_a_series_about_cover_its_steps(name: str) -> None:
    """What the series are for: the tolerance bands of neighbours about meet."""
    part = {"E6": 0.2, "E12": 0.1, "E24": 0.05, "E48": 0.02, "E96": 0.01}[name]
    assert tolerance_suits(name, -part, part)
    assert not tolerance_suits(name, -2 * part, 2 * part)
    ratio = 10 ** (1 / int(name[1:]))
    assert ratio == pytest.approx((1 + part) / (1 - part), rel=0.03)
