"""A record as rows of a parts list: its parts one after the other, a row a value, then what has no part.

A part's own cells stand in its first row. Cells are the record's own texts, so that what nobody edits comes back as it
was. Values that a marking gives stand in the marking alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from harness.partlist.columns import MEANINGS
from harness.partlist.values import MAIN
from netlists.corrections import default_known, stated
from netlists.record_inference import DEVIATION
from netlists.record_model import SupplyRecord
from netlists.toml_rewrite import Rewriter

EXPORTED = tuple(meaning for meaning in MEANINGS if meaning != "rating")
TEXTS = {  # meaning -> field of a part
    "role": "role", "marking": "marking", "description": "description", "note": "note", "output": "output",
    "branch": "branch", "safety_class": "safety_class",
}  # fmt: skip
COUNTS = {"quantity": "parallel", "series": "series"}
# Meaning -> key of a value's table; a tolerance may be an uncertainty
KEYS = {
    "value": "value", "low": "low", "high": "high", "known": "known", "date": "date", "value_note": "note",
    "value_photo": "evidence", "formula": "formula",
}  # fmt: skip
NUMBERS = ("value", "low", "high", "tolerance")
LIST_SEPARATOR = "; "

Cells = dict[str, str]  # meaning -> text; no entry where the cell is empty


def rows_of(record: SupplyRecord, text: Rewriter) -> list[Cells]:
    """Every part with its values, and every other value of the record, in the record's order."""
    rows: list[Cells] = []
    stated_paths = [
        path for path, spec in record.specs.items()
        if spec is not DEVIATION and text.get(tuple(path.split("."))) is not None
    ]  # fmt: skip
    for name, stage in record.data.stages.items():
        own = re.compile(rf"stages\.{name}\.(\w+)")
        for path in stated_paths:
            if match := own.fullmatch(path):
                rows.append({"stage": name, "field": match[1], **_value_row(text, path)})
        for designator in stage.parts:
            rows += _part_rows(text, name, designator, stated_paths)
    of_no_stage = [path for path in stated_paths if not path.startswith("stages.")]
    return [*rows, *({"field": path, **_value_row(text, path)} for path in of_no_stage)]


def _value_row(text: Rewriter, path: str) -> Cells:
    place = tuple(path.split("."))
    return value_cells(text.get(place), default_known(text, place))


def _part_rows(text: Rewriter, stage: str, designator: str, stated_paths: list[str]) -> Iterator[Cells]:
    prefix = f"stages.{stage}.parts.{designator}."
    part = text.get(("stages", stage, "parts", designator))
    names = [path.removeprefix(prefix) for path in stated_paths if path.startswith(prefix)]
    main = MAIN.get(part["kind"], "")
    names.sort(key=lambda name: name != main)  # stable: the others as recorded
    place = {"stage": stage, "designator": designator}
    own = part_cells(part)
    for name in names or [""]:
        yield {**place, **own, **({"field": name, **_value_row(text, prefix + name)} if name else {})}
        own = {}


def part_cells(part: Mapping[str, Any]) -> Cells:
    """What a part's own columns say."""
    cells = {"part": str(part.get("kind", ""))}
    cells |= {meaning: str(part.get(name, 1)) for meaning, name in COUNTS.items()}
    cells |= {meaning: str(part[name]) for meaning, name in TEXTS.items() if part.get(name)}
    if part.get("evidence"):
        cells["photo"] = LIST_SEPARATOR.join(map(str, part["evidence"]))
    return cells


def value_cells(raw: Any, known: str) -> Cells:
    """What the columns of a value say of it; ``known`` is how it is known where it does not say so itself."""
    table = {"known": known, **stated(raw)}
    cells = {meaning: _text(table[key]) for meaning, key in KEYS.items() if key in table}
    ranges = [_text(table[key]) for key in ("tolerance", "uncertainty") if key in table]
    if ranges:
        cells["tolerance"] = ranges[0]
    if isinstance(table.get("of"), Mapping):
        cells["of"] = LIST_SEPARATOR.join(f"{name}={path}" for name, path in table["of"].items())
    return {meaning: cell for meaning, cell in cells.items() if cell}


def _text(value: Any) -> str:
    return value if isinstance(value, str) else repr(value) if isinstance(value, int | float) else str(value)


def table_of(rows: list[Cells], decimal: str) -> list[list[str]]:
    """Heading and rows with a cell for each column; ``decimal`` is the decimal sign of values."""
    table = [[MEANINGS[meaning][0] for meaning in EXPORTED]]
    for row in rows:
        table.append([_signed(meaning, row.get(meaning, ""), decimal) for meaning in EXPORTED])
    return table


def _signed(meaning: str, cell: str, decimal: str) -> str:
    return re.sub(r"(?<=[0-9])\.(?=[0-9])", decimal, cell) if meaning in NUMBERS else cell
