"""The published 240 W LLC: what README.md claims of it by hand is found anew, misses included.

Source and assumptions: ``published_llc.py``, which writes the tables. Its simulated rows are not repeated here but for
one point.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from published_llc import AS_DRAWN, AS_MEASURED, MEASURED, Tank, by_hand, fitted, left_out, simulated

README = Path(__file__).with_name("README.md")
DIGIT = 0.0011  # the tables give a tenth of a percent
FULL, LOW_BUS, HALF, LOW_HALF = MEASURED


@cache
def table(begins: str) -> list[list[float]]:
    """The misses in the rows of README.md that begin with some words, one for each measured frequency."""
    rows = [line for line in README.read_text(encoding="utf-8").splitlines() if line.startswith(f"| {begins}")]
    cells = [line.strip("| ").split(" | ")[-len(MEASURED) :] for line in rows]
    return [[float(cell.strip(" *%")) / 100 for cell in row] for row in cells]


def misses(tank: Tank) -> list[float]:
    return [by_hand(tank, point) / MEASURED[point] - 1 for point in MEASURED]


@pytest.mark.parametrize(
    ("name", "tank"), [("turns ratio behind the leakage", AS_DRAWN), ("turns ratio times coupling", AS_MEASURED)]
)
def test_blind(name: str, tank: Tank) -> None:
    """The printed tank read either way is low at every point; the manual's text is not of the converter measured."""
    (claimed,) = table(f"{name}, by hand")
    found = misses(tank)
    assert found == pytest.approx(claimed, abs=DIGIT)
    assert max(found) < -0.08


def test_blind_by_hand_is_what_the_stage_does() -> None:
    """The misses are the printed tank's, not the hand calculation's: simulated they are the same."""
    for name in ("turns ratio behind the leakage", "turns ratio times coupling"):
        (one,), (other,) = table(f"{name}, by hand"), table(f"{name}, simulated")
        assert one == pytest.approx(other, abs=3e-3)
    frequency, _ = simulated(AS_MEASURED, FULL)
    assert frequency == pytest.approx(by_hand(AS_MEASURED, FULL), rel=3e-3)


def test_a_fitted_tank_repeats_all_four() -> None:
    (claimed,) = table("all four, 3 unknowns")
    found = misses(fitted(tuple(MEASURED)))
    assert found == pytest.approx(claimed, abs=DIGIT)
    assert max(abs(one) for one in found) < 0.011


def test_frequencies_left_out() -> None:
    """Three unknowns meet three frequencies, so only the one left out judges: 1.6 to 5.7 %."""
    claimed = [row[index] for index, row in enumerate(table("three, 3 unknowns"))]
    found = [left_out(point)[1] for point in MEASURED]
    assert found == pytest.approx(claimed, abs=2 * DIGIT)
    assert max(abs(one) for one in found) < 0.06


def test_two_unknowns_do_not_carry_to_the_point_left_out() -> None:
    """With the ratio held at the printed turns the tank cannot be all four: up to 11.5 % at 380 V, 10 A."""
    claimed = table("three, 2 unknowns")[tuple(MEASURED).index(HALF)]
    assert left_out(HALF, unknowns=2)[1] == pytest.approx(claimed[2], abs=2 * DIGIT)
    assert abs(claimed[2]) > 0.1
