"""The corpus of slips: drawn by a seeded program from the demonstrations, two thirds to work with, one third held back.

Also what must not be taken for a slip: the records as they are, values moved to a neighbour of their series, and the
same design for another power or another switching frequency.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from demonstration import DRUM, KILN, LANTERN
from slip_boards import KINDS, candidates
from slip_kinds import Slip
from written_values import Board, Edit, Entry

from netlists.preferred_values import SERIES, series_of
from netlists.record import read_toml

SEED = 65_350_900
MOST_OF_A_KIND = 24  # in all records together
VARIATIONS = 60  # of each kind of variation
HELD_BACK = 3  # one of so many
DEMONSTRATIONS = (LANTERN, DRUM, KILN)
PUBLISHED = LANTERN.parents[2] / "tests" / "references" / "review"


@dataclass(frozen=True)
class Drawn:
    """A slip or a variation, of the record it is done to."""

    board: Board
    slip: Slip
    held_back: bool


@cache
def boards() -> tuple[Board, ...]:
    return tuple(Board.of(*read_toml(file)) for file in DEMONSTRATIONS)


@cache
def published() -> tuple[Board, ...]:
    """Supplies written down as they are published, with fewer ratings; no rule was made with them."""
    return tuple(Board.of(*read_toml(file)) for file in sorted(PUBLISHED.glob("*.toml")))


def slips(of: tuple[Board, ...] | None = None) -> Iterator[Drawn]:
    """All slips of some records, the demonstrations if not given; every third of a kind is held back."""
    for kind in KINDS:
        chance = random.Random(f"{SEED} {kind}")
        found = [(board, slip) for board in of or boards() for slip in candidates(board, kind, chance)]
        chance.shuffle(found)
        for index, (board, slip) in enumerate(found[:MOST_OF_A_KIND]):
            yield Drawn(board, slip, index % HELD_BACK == HELD_BACK - 1)


def touches(slip: Slip, path: str) -> bool:
    """Whether a path is of the slipped part, or below it; a stage counts by its own name alone, not by its parts."""
    is_stage = [one for one in slip.paths if one.startswith("stages.") and one.count(".") == 1]
    return path in slip.paths or any(path.startswith(f"{one}.") for one in slip.paths if one not in is_stage)


# --- sensible designs that are not the demonstrations


def variations() -> Iterator[Drawn]:
    """Sensible records; every third of a kind is held back."""
    for kind, make in (
        ("next_in_series", _next_in_series),
        ("other_power", _other_power),
        ("other_frequency", _other_frequency),
    ):
        chance = random.Random(f"{SEED} {kind}")
        for index in range(VARIATIONS):
            board = boards()[index % len(DEMONSTRATIONS)]
            edits, said = make(board, chance)
            yield Drawn(board, Slip(kind, (), said, tuple(edits)), index % HELD_BACK == HELD_BACK - 1)


def _next_in_series(board: Board, chance: random.Random) -> tuple[list[Edit], str]:
    """Some three marked values, each the next larger or smaller of the coarsest series it belongs to, E6 at least."""
    fitting = [
        one for one in board.entries
        if one.known == "marked" and one.field in ("capacitance", "resistance") and series_of(one.value)
    ]  # fmt: skip
    chosen = chance.sample(fitting, min(3, len(fitting)))
    edits, said = [], []
    for entry in chosen:
        name = next(one for one in series_of(entry.value) if one != "E3")
        value = _moved(entry.value, SERIES[name], chance.choice((-1, 1)))
        edits.append(entry.with_value(value))
        said.append(f"{entry.path} {value:.3g}")
    return _one_a_place(edits), "; ".join(said)


def _moved(value: float, members: tuple[int, ...], by: int) -> float:
    hundredths, exponent = f"{value:.6e}".split("e")
    index = members.index(round(float(hundredths) * 100)) + by
    return float(members[index % len(members)]) * 10.0 ** (int(exponent) - 2 + index // len(members))


def _one_a_place(edits: list[Edit]) -> list[Edit]:
    return list({place: (place, value) for place, value in edits}.values())


# unit or field -> power of the factor by which a value goes with the supply's power
_WITH_POWER = {"A": 1.0, "W": 1.0, "J": 1.0, "A2s": 2.0, "F": 1.0, "H": -1.0, "ohm": -1.0, "W/K": 1.0}
_SOLD = {
    ("fuse", "current_rating"): (1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10, 12.5, 16, 20, 25, 30),
    ("bridge_rectifier", "average_current_rating"): (2, 3, 4, 6, 8, 10, 15, 20, 25, 35, 50),
}
_KEPT_AT_ANY_POWER = ("resistor", "varistor", "common_mode_choke")


def _other_power(board: Board, chance: random.Random) -> tuple[list[Edit], str]:
    """The same supply for 0.6 to 1.6 times its power: currents and capacitances with it, impedances against it."""
    factor = math.exp(chance.uniform(math.log(0.6), math.log(1.6)))
    edits = []
    for entry in board.entries:
        power = _WITH_POWER.get(entry.unit, 0.0)
        if entry.path.startswith(("line.", "claims.")) or _stays(entry):
            continue
        if power:
            edits.append((entry, factor**power))
    return _one_a_place(_scaled(edits)), f"{factor:.2f} times the power"


def _stays(entry: Entry) -> bool:
    """Filters, and what hangs on the line's voltage and not on the power."""
    return entry.kind in _KEPT_AT_ANY_POWER or ("inlet_filter" in entry.path and entry.kind != "fuse")


def _other_frequency(board: Board, chance: random.Random) -> tuple[list[Edit], str]:
    """Switching stages at 0.7 to 1.5 times their frequency: energy stores shrink as it grows."""
    factor = math.exp(chance.uniform(math.log(0.7), math.log(1.5)))
    stages = {one.path.split(".")[1] for one in board.entries if one.unit == "Hz" and one.field.endswith("frequency")
              and one.path.startswith("stages.") and "parts" not in one.path}  # fmt: skip
    edits = []
    for entry in board.entries:
        words = entry.path.split(".")
        if words[0] != "stages" or words[1] not in stages:
            continue
        if entry.unit == "Hz":
            edits.append((entry, factor))
        elif entry.unit == "s" or entry.field in (
            "capacitance",
            "inductance",
            "primary_inductance",
            "leakage_inductance",
            "saturated_inductance",
        ):
            edits.append((entry, 1 / factor))
    return _one_a_place(_scaled(edits)), f"{factor:.2f} times the frequency"


def _scaled(wanted: list[tuple[Entry, float]]) -> list[Edit]:
    """Marked capacitances and resistances go to the nearest of E12, so that a design stays one that can be bought."""
    edits = []
    for entry, factor in wanted:
        value = entry.value * factor
        if entry.known == "marked" and entry.field in ("capacitance", "resistance"):
            below = min(SERIES["E12"], key=lambda one: abs(math.log(_as_decade(value) / one)))
            value *= below / _as_decade(value)
        sold = _SOLD.get((entry.kind, entry.field))
        if sold:  # as a designer would choose it
            value = min(sold, key=lambda one: abs(math.log(one / value)))
        edits.append(entry.with_value(value))
    return edits


def _as_decade(value: float) -> float:
    return float(f"{value:.9e}".split("e")[0]) * 100
