"""Slips on more than one value, counts, names and structures; and every kind of slip a record offers."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from slip_kinds import BY_A_COUNT, ON_A_VALUE, READ, Chance, Slip
from written_values import GONE, Board, Entry, Place

RATINGS = ("voltage_rating", "drain_source_rating", "reverse_voltage_rating", "current_rating", "drain_current_rating",
           "average_current_rating", "ripple_current_rating")  # fmt: skip
MAIN_VALUES = ("capacitance", "resistance", "inductance", "primary_inductance", "on_resistance")
STRUCTURES = {
    "feed": ("bridge", "half_wave"), "bridge": ("half", "full"), "secondary": ("centre_tapped", "bridge"),
    "rectification": ("synchronous", "diode"), "mode": ("fixed_frequency", "boundary", "valley"),
    "bypass": ("diode", "none"),
}  # fmt: skip
# kind -> how it comes about, and the two fields of a part that are exchanged
EXCHANGED: dict[str, tuple[str, str, str]] = {
    "turns_inverted": ("primary and secondary turns exchanged", "primary_turns", "secondary_turns"),
    "leakage_for_magnetising": ("the short on the wrong measurement", "primary_inductance", "leakage_inductance"),
    "choke_and_saturated": ("the two inductances exchanged", "inductance", "saturated_inductance"),
    "fet_ratings_swapped": ("volts and amperes exchanged", "drain_source_rating", "drain_current_rating"),
    "diode_ratings_swapped": ("volts and amperes exchanged", "reverse_voltage_rating", "average_current_rating"),
    "fuse_ratings_swapped": ("volts and amperes exchanged", "voltage_rating", "current_rating"),
}


def _replaced(kind: str, entry: Entry, other: Entry) -> Slip:
    edit = entry.with_value(other.value)
    return Slip(kind, (entry.owner,), f"{entry.path} takes {other.value:.4g} of {other.path}", (edit,))


def _of_neighbour(kind: str, fields: tuple[str, ...]) -> Callable[[Board, Chance], Iterator[Slip]]:
    def slips(board: Board, chance: Chance) -> Iterator[Slip]:
        for entry in board.entries:
            alike = [
                one for one in board.entries if one.field == entry.field and abs(one.value / entry.value - 1) > 0.01
            ]
            if entry.field in fields and "parts" in entry.path and alike and entry.known in READ:
                yield _replaced(kind, entry, chance.choice(alike))

    return slips


def _nameplate_of_neighbour(board: Board, _: Chance) -> Iterator[Slip]:
    """Currents, voltages and powers of the row beside it on the label."""
    for entry in board.entries:
        for other in board.entries:
            same = entry.path.startswith("nameplate.") and entry.field == other.field and entry is not other
            above = [one.path.split(".")[:2] for one in (entry, other)]
            if same and above[0] == above[1] and entry.value != other.value:
                yield _replaced("label_row_slipped", entry, other)


def _exchanged(kind: str) -> Callable[[Board, Chance], Iterator[Slip]]:
    _, first, second = EXCHANGED[kind]

    def slips(board: Board, _: Chance) -> Iterator[Slip]:
        by_path = {entry.path: entry for entry in board.entries}
        for entry in board.entries:
            other = by_path.get(f"{entry.path.rsplit('.', 1)[0]}.{second}") if entry.field == first else None
            if other is not None:
                edits = (entry.with_value(other.value), other.with_value(entry.value))
                yield Slip(kind, (entry.owner,), f"{entry.path} and {second} swapped", edits)

    return slips


def _rails_swapped(board: Board, _: Chance) -> Iterator[Slip]:
    currents = [one for one in board.entries if re.fullmatch(r"nameplate\.rails\.\w+\.current", one.path)]
    for index, one in enumerate(currents):
        for other in currents[index + 1 :]:
            edits = (one.with_value(other.value), other.with_value(one.value))
            yield Slip("rail_currents_swapped", (one.owner, other.owner), f"{one.owner} and {other.owner}", edits)


def _voltamperes(board: Board, _: Chance) -> Iterator[Slip]:
    by_path = {entry.path: entry for entry in board.entries}
    for name in board.raw["nameplate"]["input_bands"]:
        path = f"nameplate.input_bands.{name}"
        volts, amps, watts = (by_path.get(f"{path}.{one}") for one in ("voltage_low", "current", "output_power"))
        if volts and amps and watts:
            edit = watts.with_value(volts.value * amps.value)
            yield Slip("voltamperes_for_watts", (path,), f"{path}: {volts.value * amps.value:g} VA", (edit,))


def _loss_angle_for_esr(board: Board, _: Chance) -> Iterator[Slip]:
    for place, part in board.parts():
        if part.get("kind") == "electrolytic_capacitor" and "esr" in part:
            ranged = {"value": "0.15", "low": "0.05", "high": "0.2", "known": "assumed"}
            yield Slip(
                "loss_angle_for_esr", (".".join(place),), "ESR 0.15 ohm, the loss angle", (((*place, "esr"), ranged),)
            )


def _counts(kind: str, field: str, changed: Callable[[int], int]) -> Callable[[Board, Chance], Iterator[Slip]]:
    def slips(board: Board, _: Chance) -> Iterator[Slip]:
        for place, part in board.parts():
            old = part.get(field, 1)
            if part["kind"] != "other" and changed(old) != old:
                yield Slip(
                    kind, (".".join(place),), f"{field} {old} -> {changed(old)}", (((*place, field), changed(old)),)
                )

    return slips


def _class_misread(board: Board, _: Chance) -> Iterator[Slip]:
    other = {"X2": "Y2", "Y2": "X2", "X1": "Y1", "Y1": "X1"}
    for place, part in board.parts():
        if now := other.get(part.get("safety_class", "")):
            yield Slip("safety_class_misread", (".".join(place),), f"read as {now}", (((*place, "safety_class"), now),))


def _entered_twice(board: Board, _: Chance) -> Iterator[Slip]:
    taken = {place[-1] for place, _ in board.parts()}
    for place, part in board.parts():
        letters = re.match(r"[A-Z]+", place[-1])
        if letters and part["kind"] != "other":
            name = next(
                f"{letters.group()}{number}" for number in range(60, 999) if f"{letters.group()}{number}" not in taken
            )
            paths = (".".join(place), ".".join((*place[:-1], name)))
            yield Slip("entered_twice", paths, f"{place[-1]} again as {name}", (((*place[:-1], name), dict(part)),))


def _omitted(board: Board, _: Chance) -> Iterator[Slip]:
    """A part left out is found by a word of its stage, since it has no path any more."""
    for place, part in board.parts():
        if part["kind"] != "other":
            yield Slip("part_omitted", (".".join(place), ".".join(place[:2])), f"without {place[-1]}", ((place, GONE),))


def _structures(board: Board, _: Chance) -> Iterator[Slip]:
    for name, stage in board.raw["stages"].items():
        for field, choices in STRUCTURES.items():
            for choice in choices if field in stage else ():
                if choice != stage[field]:
                    place: Place = ("stages", name, field)
                    paths = (f"stages.{name}.{field}", f"stages.{name}")
                    yield Slip("structure_misread", paths, f"{field} read as {choice}", ((place, choice),))


def _promises(board: Board, _: Chance) -> Iterator[Slip]:
    """s for ms, mA for A in what the label claims or what was measured."""
    for table in ("claims", "measurements"):
        for name, one in board.raw.get(table, {}).items():
            for field in ("at_least", "at_most", "value"):
                match = re.fullmatch(r"([\d.]+) (m?)(s|A|V)", str(one.get(field, "")))
                if match:
                    number, milli, unit = match.groups()
                    text = f"{number} {'' if milli else 'm'}{unit}"
                    yield Slip("claim_prefix", (f"{table}.{name}",), text, (((table, name, field), text),))


def _tolerance(board: Board, _: Chance) -> Iterator[Slip]:
    others = {" 5%": " 10%", " 10%": " 5%", " 20%": " 2%", " 1%": " 10%"}
    for entry in board.entries:
        if entry.rest in others and entry.known == "marked":
            text = f"{entry.number}{entry.prefix}{others[entry.rest]}"
            yield Slip("tolerance_misread", (entry.owner,), f"{entry.path}{others[entry.rest]}", ((entry.place, text),))


ON_A_BOARD: dict[str, tuple[str, Callable[[Board, Chance], Iterator[Slip]]]] = {
    "rating_of_neighbour": ("the line of another part", _of_neighbour("rating_of_neighbour", RATINGS)),
    "value_of_neighbour": ("the line of another part", _of_neighbour("value_of_neighbour", MAIN_VALUES)),
    "label_row_slipped": ("the row or column beside it on the label", _nameplate_of_neighbour),
    **{kind: (EXCHANGED[kind][0], _exchanged(kind)) for kind in EXCHANGED},
    "rail_currents_swapped": ("currents of two rails exchanged", _rails_swapped),
    "voltamperes_for_watts": ("input volt-amperes given for output watts", _voltamperes),
    "loss_angle_for_esr": ("tan delta written as ohm", _loss_angle_for_esr),
    "count_doubled": ("a row of parts counted twice", _counts("count_doubled", "parallel", lambda n: 2 * n)),
    "count_missed": ("one of several identical pieces seen", _counts("count_missed", "parallel", lambda n: 1)),
    "series_missed": ("one piece of a string seen", _counts("series_missed", "series", lambda n: 1)),
    "safety_class_misread": ("X for Y", _class_misread),
    "entered_twice": ("one part under two names", _entered_twice),
    "part_omitted": ("under the heat sink, or on the other board", _omitted),
    "structure_misread": ("half for full bridge and the like", _structures),
    "claim_prefix": ("s for ms on the label", _promises),
    "tolerance_misread": ("a letter J for K, a ring", _tolerance),
}
KINDS = (*ON_A_VALUE, *BY_A_COUNT, *ON_A_BOARD)


def candidates(board: Board, kind: str, chance: Chance) -> list[Slip]:
    """Every slip of a kind that a record offers."""
    if kind in ON_A_BOARD:
        return list(ON_A_BOARD[kind][1](board, chance))
    found = []
    for entry in board.entries:
        if kind in BY_A_COUNT:
            factor = BY_A_COUNT[kind][1](board, entry) if "parts" in entry.path else None
            edit = None if factor is None else entry.with_value(entry.value * factor)
        else:
            number = ON_A_VALUE[kind][1](entry, chance)
            edit = None if number is None or number == (entry.number, entry.prefix) else entry.written(*number)
        if edit is not None:
            said = f"{entry.path}: {entry.number}{entry.prefix}{entry.rest} -> {edit[1]}"
            found.append(Slip(kind, (entry.owner,), said, (edit,)))
    return found
