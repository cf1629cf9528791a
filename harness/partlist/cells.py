"""Single cells of a parts list, read or held against what a record says."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from harness.partlist.listing import LIST_SEPARATOR, Cells
from harness.partlist.values import CellFault
from harness.partlist.words import known_of, plain_words
from netlists.errors import one_line, shortened
from netlists.quantity import QuantityError, QuantitySpec, read_tolerance, read_value, shown

MOST_EXPANDED = 100  # designators in one cell


def designators(cell: str) -> list[str]:
    """Designators in a cell: ``R1, R2``, ``R1-R4`` or one alone.

    Raises
    ------
    CellFault : more than any part list has in one cell

    >>> designators("R1, R3-R5"), designators("C12")
    (['R1', 'R3', 'R4', 'R5'], ['C12'])
    """
    text = re.sub(r"\s*(?:-|–|\.\.\.?|…)\s*(?=[A-Z]*[0-9])", "-", cell)
    found: list[str] = []
    for token in re.split(r"[\s,;+/]+", text):
        match = re.fullmatch(r"([A-Z]+)([0-9]+)-([A-Z]*)([0-9]+)", token)
        if match and match[3] in ("", match[1]) and int(match[2]) < int(match[4]):
            if int(match[4]) - int(match[2]) >= MOST_EXPANDED:
                raise CellFault(f"more than {MOST_EXPANDED} designators in one cell, found {shown(cell)}")
            found += [f"{match[1]}{number}" for number in range(int(match[2]), int(match[4]) + 1)]
        elif token:
            found.append(token)
    return list(dict.fromkeys(found))


def field_name(cell: str) -> str:
    """A value's name in a record for what stands in the column of names: ``Voltage rating`` is voltage_rating."""
    return cell if re.fullmatch(r"[a-z0-9_]*", cell) else plain_words(cell).replace(" ", "_")


def summary(cells: Cells) -> str:
    """What a row says, for a line about it."""
    return shortened(one_line(", ".join(cell for meaning, cell in cells.items() if meaning != "designator")), 60)


def alike(cell: str, now: str) -> bool:
    """Whether two texts differ in blanks alone, which spreadsheets move."""
    return " ".join(cell.split()) == " ".join(now.split())


def whole(cells: Cells, meaning: str) -> int | None:
    """The whole number in a cell, None where it is empty; CellFault for all else."""
    cell = cells.get(meaning)
    if cell is None:
        return None
    match = re.fullmatch(r"([0-9]{1,6})(?:\.0+)? ?(?:x|pcs?\.?|pieces?)?", cell)
    if match is None or not 1 <= int(match[1]) <= 1000:
        raise CellFault(f"{meaning} must be a whole number of 1 to 1000, found {shown(cell)}")
    return int(match[1])


def same_number(cell: str, number: str, now: str | None, spec: QuantitySpec) -> bool:
    """Whether a cell, or its number with a decimal point, is what the record's text says."""
    if now is None or cell == now or number == now:
        return now is not None
    try:
        return read_value(number, spec.unit) == read_value(now, spec.unit)
    except QuantityError:
        return " ".join(number.split()) == " ".join(now.split())


def same_tolerance(cell: str, number: str, now: str | None) -> bool:
    """The same of a tolerance."""
    if now is None or cell == now:
        return now is not None
    try:
        return read_tolerance(number) == read_tolerance(now)
    except QuantityError:
        return False


def arguments(cell: str) -> dict[str, str]:
    """Arguments of a formula, each with its record path; CellFault where one has none."""
    pairs: Iterator[tuple[str, str, str]] = (one.partition("=") for one in re.split(r"[;\n]", cell) if one.strip())
    found = {name.strip(): path.strip() for name, _, path in pairs}
    if not all(found.values()):
        raise CellFault(
            f"a formula's arguments must be NAME=PATH with {LIST_SEPARATOR.strip()} between, found {shown(cell)}"
        )
    return found


def known_word(name: str, cell: str) -> str:
    """How a value is known, in a record's word; CellFault where the cell says none."""
    known = known_of(cell)
    if not known:
        allowed = "allowed: measured, marked, inferred, assumed, or a plain word for one"
        raise CellFault(f"{name}: how it is known must be one of the known, found {shown(cell)}; {allowed}")
    return known


def photos(fault_of: Callable[[str], str], cell: str, known: Sequence[str]) -> list[str]:
    """Names of photos in a cell; CellFault where one that the record does not name yet cannot be shown."""
    names = [name.strip() for name in re.split(r"[;\n]", cell) if name.strip()]
    for name in names:
        if name not in known and (fault := fault_of(name)):
            raise CellFault(f"photo {shown(name)} {fault}")
    return names


def value_table(designator: str, cells: Cells, value: str, default_known: str | None) -> dict[str, Any]:
    """The table of a new value; ``cells`` with decimal points. CellFault where nothing says how it is known."""
    known = known_word(designator, cells["known"]) if "known" in cells else default_known
    if known is None:
        raise CellFault(f"{designator}: say how its values are known, in a column 'how read' or by --known")
    table: dict[str, Any] = {"value": value} if value else {}
    table |= {key: cells[key] for key in ("low", "high") if key in cells}
    if "tolerance" in cells:
        table["uncertainty" if known == "measured" else "tolerance"] = cells["tolerance"]
    others = {"value_note": "note", "value_photo": "evidence", "formula": "formula"}
    table |= {"known": known} | {key: cells[meaning] for meaning, key in others.items() if meaning in cells}
    if "date" in cells:
        table["date"] = cells["date"].partition(" ")[0]
    return table | ({"of": arguments(cells["of"])} if "of" in cells else {})
