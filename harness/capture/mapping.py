"""What a person says of a capture's columns, and the channels that come of it. SI beyond this module."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.capture.table import Table
from harness.capture.units import SHOWN, UNITS
from harness.contracts import Channel, FloatArray
from netlists.errors import OptionError, nearest, one_line
from netlists.probe import Probe
from netlists.quantity import read_option, shown

LARGEST_GAIN = 0.5


@dataclass(frozen=True, slots=True)
class ColumnOptions:
    """The options of ``capture add`` about columns, as written.

    Parameters
    ----------
    columns : ``COLUMN=SIGNAL``;  units, scales : ``COLUMN=UNIT``, ``COLUMN=FACTOR``
    gains, offsets : ``SHARE`` for all columns, or ``COLUMN=SHARE``; likewise ``AMOUNT``
    """

    columns: Sequence[str]
    units: Sequence[str] = ()
    scales: Sequence[str] = ()
    gains: Sequence[str] = ()
    offsets: Sequence[str] = ()


def channels_of(
    table: Table, asked: ColumnOptions, probes: Mapping[str, Probe], time_column: int | None
) -> tuple[tuple[Channel, ...], tuple[str, ...]]:
    """The channels asked for, and a line for each thing the file did not state.

    Parameters
    ----------
    probes : signals there are, by name

    Raises
    ------
    OptionError : an unknown column, signal or unit, one given twice, a value that is none
    """
    units, scales = stated_units(table, asked.units), _by_column(table, "--scale", asked.scales)
    gains, offsets = _by_column(table, "--gain", asked.gains), _by_column(table, "--offset", asked.offsets)
    channels: list[Channel] = []
    assumed: list[str] = []
    for place, signal in _signals(table, asked.columns, probes, time_column):
        probe, name = probes[signal], table.names[place]
        factor, note = _factor(name, units.get(place, ""), table.units[place], probe)
        assumed += [note] if note else []
        scale = read_option("--scale", scales.get(place, "1"), "1")
        if scale == 0:
            raise OptionError("--scale: must not be 0")
        values = _scaled(table, place, factor * scale)
        gain = gains.get(place, gains.get(None))
        if gain is None:
            raise OptionError(
                f"--gain: say by what share the amplitude of {shown(name)} may be off, instrument and probe together, "
                "such as --gain 3%"
            )
        share = read_option("--gain", gain, "1")
        if not 0 <= share <= LARGEST_GAIN:
            raise OptionError(f"--gain: must be 0 to {LARGEST_GAIN:.0%}, found {shown(gain)}")
        offset = read_option("--offset", offsets.get(place, offsets.get(None, "0")), probe.unit)
        if offset < 0:
            raise OptionError(f"--offset: must be 0 or more, either way is meant, found {shown(offset)}")
        channels.append(Channel(signal, probe.unit, one_line(name), values, share, offset))
    return tuple(channels), tuple(assumed)


def stated_units(table: Table, given: Sequence[str]) -> dict[int, str]:
    """Column -> unit of ``--unit``; OptionError for a unit that is not known."""
    found = {place: unit for place, unit in _by_column(table, "--unit", given).items() if place is not None}
    for unit in found.values():
        if unit not in UNITS:
            raise OptionError(f"--unit: unknown {shown(unit)}; {nearest(unit, SHOWN)}")
    return found


def _signals(
    table: Table, given: Sequence[str], probes: Mapping[str, Probe], time_column: int | None
) -> list[tuple[int, str]]:
    """Column and signal of each channel, in the order given."""
    found: list[tuple[int, str]] = []
    for text in given:
        column, equals, signal = text.rpartition("=")
        if not equals:
            raise OptionError(f"--column: must be COLUMN=SIGNAL, found {shown(text)}")
        place = table.index("--column", column)
        if signal.strip() not in probes:
            raise OptionError(f"--column: unknown signal {shown(signal)}; {nearest(signal, probes)}")
        if place == time_column:
            raise OptionError(f"--column: {shown(column)} is the column of time")
        if signal.strip() in (taken for _, taken in found):
            raise OptionError(f"--column: {signal.strip()} is given twice")
        found.append((place, signal.strip()))
    if not found:
        columns = ", ".join(name for place, name in enumerate(table.names) if place != time_column)
        raise OptionError(f"--column: say which column is which signal, COLUMN=SIGNAL; columns: {columns}; "
                          f"{nearest('', probes)}")  # fmt: skip
    return found


def _by_column(table: Table, option: str, given: Sequence[str]) -> dict[int | None, str]:
    """Column -> text of an option; None: for all columns, which ``--gain`` and ``--offset`` allow."""
    found: dict[int | None, str] = {}
    for text in given:
        column, equals, value = text.rpartition("=")
        if not equals and option not in ("--gain", "--offset"):
            raise OptionError(f"{option}: must be COLUMN=VALUE, found {shown(text)}")
        place = table.index(option, column) if equals else None
        if place in found:
            raise OptionError(f"{option}: is given twice for one column")
        found[place] = value.strip()
    return found


def _factor(name: str, given: str, written: str, probe: Probe) -> tuple[float, str]:
    """Factor from a column's numbers to SI, and what was taken to be where the file says nothing."""
    text = given or written
    if not text:
        return 1.0, f"column {one_line(name)}: the file states no unit, taken as {probe.unit}; --unit says another"
    unit, factor = UNITS.get(text, ("", 1.0))
    if unit == probe.unit:
        return factor, ""
    fault = "is not known" if not unit else f"does not fit {probe.name}, which is in {probe.unit}"
    raise OptionError(
        f"--unit: unit {shown(text)} of column {shown(name)} {fault}; say what its numbers are, --unit "
        f"COLUMN={probe.unit}, and --scale COLUMN=FACTOR where a probe turned one into the other"
    )


def _scaled(table: Table, place: int, factor: float) -> FloatArray:
    with np.errstate(over="ignore"):
        values: FloatArray = table.rows.values[:, place] * factor
    if not np.all(np.isfinite(values)):
        raise OptionError(f"--scale: values of column {shown(table.names[place])} are too large to be told")
    return values
