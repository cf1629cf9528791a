"""Names, units and metadata of a capture's rows, and which of them is time. By content; knows no signal."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.capture.text import Rows, refuse
from harness.capture.units import UNITS, bare_unit, split_name
from harness.contracts import FloatArray
from netlists.errors import OptionError, nearest
from netlists.quantity import shown

TIME_NAMES = frozenset({"time", "t", "timestamp", "elapsed", "elapsed time", "second", "seconds", "sec"})
MOST_METADATA_CELLS = 3  # key, value and perhaps its unit
LARGEST_GAP = 20.0  # over the median step: what lies between is not known

_KEY_VALUE = re.compile(r"\s*([^:=]+?)\s*[:=]\s*(\S.*)")
_VALUE = re.compile(r"([+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?)\s*(\S*)")
_INTERVAL = re.compile(r"(sampl\w* |time )?(interval|step|increment)|sampl\w* (period|time)|dt|delta t")
_RATE = re.compile(r"(data |acquisition )?sampl\w* (rate|frequency)")


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of a file.

    Parameters
    ----------
    names, units : one a column; a unit as written, empty where none is
    metadata : what stood above the header, key -> value
    """

    rows: Rows
    names: tuple[str, ...]
    units: tuple[str, ...]
    metadata: Mapping[str, str]

    def index(self, option: str, column: str) -> int:
        """Place of a column by its name, or by its number from 1; OptionError where there is none, or several."""
        return column_place(option, column, self.names, self.rows.file)


def column_place(option: str, column: str, names: Sequence[str], file: str) -> int:
    """The same among any names."""
    places = [place for place, name in enumerate(names) if name.casefold() == column.strip().casefold()]
    if len(places) == 1:
        return places[0]
    if column.strip().isdecimal() and 1 <= int(column) <= len(names):
        return int(column) - 1
    if places:
        raise OptionError(f"{option}: {len(places)} columns are named {shown(column)}; give its number from 1")
    known = f"{nearest(column, names)}, or a number from 1 to {len(names)}"
    raise OptionError(f"{option}: {file} has no column {shown(column)}; {known}")


def table_of(rows: Rows) -> Table:
    """Names and units of the columns and the metadata above them.

    Raises
    ------
    RecordError : a header of another width than the rows
    """
    width = rows.values.shape[1]
    head = [cells for cells in rows.head if any(any(map(str.isalnum, cell)) for cell in cells)]
    numbered = tuple(f"column {place + 1}" for place in range(width))
    names, units = numbered, ("",) * width
    if head and _is_header(rows, head[-1], width):
        stated = tuple(bare_unit(cell) for cell in head[-1])
        if all(unit or not cell for unit, cell in zip(stated, head[-1], strict=True)):
            units = stated
            head.pop()
        if head and _is_header(rows, head[-1], width):
            pairs = [split_name(cell) for cell in head.pop()]
            names = tuple(name or number for (name, _), number in zip(pairs, numbered, strict=True))
            units = tuple(below or unit for below, (_, unit) in zip(units, pairs, strict=True))
    elif head and (message := _misfit(rows, head[-1], width)):
        refuse(rows.file, rows.lines[0], message)
    return Table(rows, names, units, _metadata(head))


def _is_header(rows: Rows, cells: tuple[str, ...], width: int) -> bool:
    if len(cells) != width or any(map(rows.dialect.is_number, cells)):
        return False
    return width > 1 or not _KEY_VALUE.fullmatch(cells[0])


def _misfit(rows: Rows, cells: tuple[str, ...], width: int) -> str:
    """What is wrong with a header of another width than the rows; empty where it is metadata."""
    if any(map(rows.dialect.is_number, cells)):
        return ""
    is_split = rows.dialect.delimiter == "," and bool(np.all(rows.values % 1 == 0))
    if len(cells) > 1 and width == 2 * len(cells) and is_split:
        return f"{width} numbers below {len(cells)} names: a decimal comma is not told from a comma between cells"
    if len(cells) > MOST_METADATA_CELLS:
        return f"its header names {len(cells)} columns, and rows have {width} numbers"
    return ""


def _metadata(head: list[tuple[str, ...]]) -> dict[str, str]:
    found: dict[str, str] = {}
    for cells in head:
        filled = [cell for cell in cells if cell]
        if len(filled) == 1 and not _KEY_VALUE.fullmatch(filled[0]):  # rows of one number do not tell the delimiter
            delimiter = next((one for one in "\t;," if one in filled[0]), "\t")
            filled = [part for part in (part.strip() for part in filled[0].split(delimiter)) if part]
        if len(filled) == 1 and (match := _KEY_VALUE.fullmatch(filled[0])):
            found.setdefault(match[1], match[2])
        elif len(filled) > 1:
            found.setdefault(filled[0].rstrip(" :="), " ".join(filled[1:]))
    return found


def stated_interval(table: Table) -> tuple[float, str] | None:
    """Sample interval [s] that the metadata state, as such or as a rate, and the words they do it in; None if not."""
    for key, text in table.metadata.items():
        name, unit_in_key = split_name(key)
        plain = " ".join(re.sub(r"[^a-z0-9]+", " ", name.casefold()).split())
        is_rate = _RATE.fullmatch(plain) is not None
        match = _VALUE.fullmatch(text.strip())
        if not match or not (is_rate or _INTERVAL.fullmatch(plain)):
            continue
        number = match[1].replace(",", ".")
        wanted = "Hz" if is_rate else "s"
        unit, factor = UNITS.get(match[2].strip("[](){}") or unit_in_key or wanted, ("", 0))
        if unit != wanted or number.count(".") > 1 or not float(number) > 0:
            continue
        value = float(number) * factor
        return (1 / value if is_rate else value), f"{key} {text}"
    return None


def time_of(
    table: Table, *, column: str | None, interval: float | None, units: Mapping[int, str]
) -> tuple[FloatArray, int | None, str]:
    """Time [s], the column it came from and how it was told; the column None where a sample interval gave it.

    Parameters
    ----------
    column : of ``--time``;  interval : of ``--interval`` [s];  units : column -> unit of ``--unit``

    Raises
    ------
    OptionError : neither a column nor an interval is found, or its unit is not one of time
    RecordError : time goes back, stands still, or leaves a gap; with the line
    """
    count: FloatArray = np.arange(len(table.rows.values), dtype=np.float64)
    place = _time_place(table, column)
    if interval is not None:
        return count * float(interval), place, "from --interval"
    stated = None
    if place is None and (stated := stated_interval(table)):
        return count * float(stated[0]), None, f"from {shown(stated[1])}"
    if place is None and table.rows.values.shape[1] > 1 and bool(np.all(np.diff(table.rows.values[:, 0]) > 0)):
        place = 0
    if place is None:
        raise OptionError(
            f"--time: {table.rows.file} names no column of time and no sample interval; give --time COLUMN or "
            f"--interval such as 1us (columns: {', '.join(table.names[:12])})"
        )
    written = units.get(place, table.units[place])
    unit, factor = UNITS.get(written or "s", ("", 1.0))
    if unit != "s":
        name = shown(table.names[place])
        raise OptionError(f"--unit: column {name} must be in a unit of time, found {shown(written)}")
    time = table.rows.values[:, place] * factor
    _check_steps(table, time)
    taken = "" if written else ", taken as s: the file states no unit"
    return time, place, f"column {table.names[place]}{taken}"


def _time_place(table: Table, column: str | None) -> int | None:
    if column is not None:
        return table.index("--time", column)
    named = [place for place, name in enumerate(table.names) if name.casefold() in TIME_NAMES]
    of_unit = [place for place, unit in enumerate(table.units) if UNITS.get(unit, ("",))[0] == "s"]
    found = named or of_unit
    if len(found) > 1:
        raise OptionError(f"--time: {table.rows.file} has {len(found)} columns of time; say which, by name or number")
    return found[0] if found else None


def _check_steps(table: Table, time: FloatArray) -> None:
    steps = np.diff(time)
    if np.any(wrong := ~(steps > 0)):
        row = int(np.argmax(wrong)) + 1
        word = "stands still" if steps[row - 1] == 0 else "goes back"
        remedy = "; too few digits: give --interval" if steps[row - 1] == 0 else ""
        refuse(table.rows.file, table.rows.lines[row], f"time must rise from row to row, it {word} here{remedy}")
    if np.any(wide := steps > LARGEST_GAP * np.median(steps)):
        row = int(np.argmax(wide)) + 1
        message = f"a gap: {steps[row - 1]:.3g} s since the row before, the median step is {np.median(steps):.3g} s"
        refuse(table.rows.file, table.rows.lines[row], f"{message}; cut the file there")
