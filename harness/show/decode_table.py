"""Meanings of markings as text for a terminal, 100 columns wide, and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from netlists.marking_forms import Reading
from netlists.markings import Decoded
from netlists.preferred_values import neighbours, series_of
from netlists.quantity import engineering, shown

JSON_SCHEMA = 1
CAUTION = (
    "Caution: a marking is what was printed, not what the part is now. Measure it out of circuit, mains off and "
    "capacitors discharged, before a verdict rests on it; a class printed on a part is no proof of its approval."
)


def print_decoded(console: Console, found: Iterable[Decoded]) -> None:
    """A table for each marking that could be read."""
    for decoded in found:
        if decoded.readings:
            console.print(Text(f"{shown(decoded.text)}: {_counted(decoded.readings)}", style="bold"))
            console.print(_table(decoded.readings))
    console.print(Text(CAUTION))


def _counted(readings: Sequence[Reading]) -> str:
    plain = sum(not reading.misread for reading in readings)
    counted = "no meaning as it stands" if not plain else f"{plain} meaning{'s' if plain > 1 else ', no other'}"
    counted += ", likeliest first" if plain > 1 else ""
    misread = len(readings) - plain
    return counted + (f"; {misread} more if a character is misread" if misread else "")


def _table(readings: Sequence[Reading]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    table.add_column("", justify="right", width=2)
    table.add_column("part", width=9)
    table.add_column("value", width=9, overflow="fold")
    table.add_column("tolerance", width=10, overflow="fold")
    table.add_column("code, standard", width=31, overflow="fold")
    table.add_column("why here", overflow="fold")
    for number, reading in enumerate(readings, 1):
        code = "; ".join((reading.form, *reading.says, reading.standard))
        why = "; ".join((f"MISREAD? {reading.misread}", *reading.why) if reading.misread else reading.why)
        cells = (str(number), reading.component, value_text(reading), reading.tolerance_text or "-", code, why)
        table.add_row(*map(Text, cells), style="dim" if reading.misread else "")
    return table


def value_text(reading: Reading) -> str:
    """Value and rated voltage for people; ``-`` where the marking gives neither."""
    parts = [] if reading.value is None else [engineering(reading.value, reading.unit)]
    parts += [] if reading.voltage is None else [engineering(reading.voltage, "V")]
    return " ".join(parts) or "-"


def decoded_json(found: Iterable[Decoded], kind: str | None) -> dict[str, Any]:
    """All readings as plain values: SI, tolerances relative."""
    texts = [
        {
            "text": decoded.text,
            "fault": decoded.fault or None,
            "readings": [_reading_json(reading) for reading in decoded.readings],
        }
        for decoded in found
    ]
    return {"schema": JSON_SCHEMA, "kind": kind, "texts": texts}


def _reading_json(reading: Reading) -> dict[str, Any]:
    series = series_of(reading.value) if reading.value else ()
    nearest = {name: neighbours(reading.value, name) for name in ("E24", "E96")} if reading.value else {}
    return {
        "component": reading.component,
        "value": reading.value,
        "unit": reading.unit or None,
        "tolerance": reading.tolerance,
        "tolerance_text": reading.tolerance_text or None,
        "rated_voltage": reading.voltage,
        "series": list(series),
        "nearest": {name: list(pair) for name, pair in nearest.items()},
        "form": reading.form,
        "standard": reading.standard,
        "says": list(reading.says),
        "why": list(reading.why),
        "misread": reading.misread or None,
    }
