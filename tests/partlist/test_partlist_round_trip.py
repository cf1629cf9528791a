"""A record written out as a list and read back: nothing moves that nobody edited, and one edit moves one value."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from demonstration import DRUM, KILN, LANTERN
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from harness.partlist.mapping import ListMapping
from harness.partlist.sheet import protected
from harness.parts_list import Imported, export_parts, import_parts
from netlists.errors import RecordError
from netlists.quantity import QuantityError, read_value
from netlists.record import load_record
from netlists.starter import starter_text
from netlists.toml_rewrite import toml_key, toml_value

DEMONSTRATIONS = pytest.mark.parametrize("source", [LANTERN, KILN, DRUM], ids=lambda file: file.stem)
DRAWN = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def imported(parts: Path, record: Path, **said: Any) -> Imported:
    return import_parts(parts, record, ListMapping(**said))


def leaves(value: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every value of a parsed TOML text by its path."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    else:
        yield path, value


@DEMONSTRATIONS
@pytest.mark.parametrize(
    ("ending", "decimal"), [(".csv", "point"), (".csv", "comma"), (".xlsx", "point"), (".xlsx", "comma")]
)
def test_what_nobody_edits_comes_back_byte_for_byte(tmp_path: Path, source: Path, ending: str, decimal: str) -> None:
    file = tmp_path / source.name
    file.write_bytes(source.read_bytes())
    parts, rows = export_parts(file, tmp_path / f"parts{ending}", decimal=decimal)
    found = imported(parts, file, known="marked")
    assert not found.is_changed
    assert not found.merged.corrections
    assert found.exit_code == 0
    assert file.read_bytes() == source.read_bytes()
    assert rows > 90


@DEMONSTRATIONS
def test_every_part_and_every_stated_value_stands_in_the_list(tmp_path: Path, source: Path) -> None:
    parts, _ = export_parts(source, tmp_path / "parts.csv")
    rows = list(csv.DictReader(io.StringIO(parts.read_text(encoding="utf-8-sig"))))
    record = load_record(source)
    designators = {row["designator"] for row in rows} - {""}
    assert designators == {one for stage in record.data.stages.values() for one in stage.parts}
    marked = sum(
        "marking" in part.model_fields_set for stage in record.data.stages.values() for part in stage.parts.values()
    )
    stated = [path for path in record.quantities if not path.endswith(".deviation")]
    assert len(stated) - 3 * marked <= sum(row["value of"] != "" for row in rows) < len(stated)


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_one_edited_cell_changes_one_value(tmp_path: Path, ending: str) -> None:
    file = tmp_path / LANTERN.name
    file.write_bytes(LANTERN.read_bytes())
    parts, _ = export_parts(file, tmp_path / f"parts{ending}")
    _edit(parts, ("R1", "resistance", "value"), "1M 5%", "820k 5%")
    found = imported(parts, file)
    assert [one.path for one in found.merged.corrections] == ["stages.inlet_filter.parts.R1.resistance"]
    old = LANTERN.read_text(encoding="utf-8")
    assert file.read_text(encoding="utf-8") == old.replace('"1M 5%"', '"820k 5%"', 1)


def _edit(parts: Path, where: tuple[str, str, str], old: str, new: str) -> None:
    """Replaces a cell, given by designator, name of the value and column."""
    if parts.suffix == ".xlsx":
        openpyxl = pytest.importorskip("openpyxl")
        book = openpyxl.load_workbook(parts)
        rows = [[str(cell.value or "") for cell in row] for row in book.active]
        row, column = _place(rows, where)
        cell = book.active.cell(row + 1, column + 1)
        assert cell.value == old
        cell.value = new
        book.save(parts)
        return
    rows = list(csv.reader(io.StringIO(parts.read_text(encoding="utf-8-sig"), newline="")))
    row, column = _place(rows, where)
    assert rows[row][column] == old
    rows[row][column] = new
    stream = io.StringIO()
    csv.writer(stream).writerows(rows)
    parts.write_text(stream.getvalue(), encoding="utf-8")


def _place(rows: list[list[str]], where: tuple[str, str, str]) -> tuple[int, int]:
    head = rows[0]
    designator, name, column = where
    row = next(
        number for number, row in enumerate(rows)
        if row[head.index("designator")] == designator and row[head.index("value of")] == name
    )  # fmt: skip
    return row, head.index(column)


@DRAWN
@given(st.data())
def test_any_edited_number_changes_that_number_alone(tmp_path: Path, data: st.DataObject) -> None:
    source = data.draw(st.sampled_from([LANTERN, KILN, DRUM]))
    file = tmp_path / source.name
    file.write_bytes(source.read_bytes())
    parts, _ = export_parts(file, tmp_path / "parts.csv", replace=True)
    rows = list(csv.reader(io.StringIO(parts.read_text(encoding="utf-8-sig"), newline="")))
    head = rows[0]
    column = data.draw(st.sampled_from(["value", "low", "high"]))
    place = head.index(column)
    row = data.draw(st.sampled_from([row for row in rows[1:] if row[place]]))
    new = data.draw(st.integers(1, 99)).__str__() + row[place].lstrip("0123456789.")
    assume(_number(new, row[place]))
    row[place] = new
    stream = io.StringIO()
    csv.writer(stream).writerows([[protected(cell) for cell in row] for row in rows])
    parts.write_text(stream.getvalue(), encoding="utf-8")
    try:
        found = imported(parts, file)
    except RecordError:  # such as a value outside its range: then nothing is written
        assert file.read_bytes() == source.read_bytes()
        return
    before, after = (dict(leaves(tomllib.loads(one.read_text(encoding="utf-8")))) for one in (source, file))
    moved = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    assert len(moved) == 1
    ((path,), (corrected,)) = (moved, found.merged.corrections)
    assert ".".join(path).startswith(corrected.path)
    old, text = (one.read_text(encoding="utf-8").splitlines() for one in (source, file))
    assert len(old) == len(text)
    assert sum(one != other for one, other in zip(old, text, strict=True)) == 1


def _number(new: str, old: str) -> bool:
    """Whether an edit is another number, of whatever unit."""
    try:
        return any(read_value(new, unit) != read_value(old, unit) for unit in ("1",))
    except QuantityError:
        return new != old


# --- drawn records

TEXT = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs"), exclude_characters="\ufeff"), min_size=1,
    max_size=24,
).filter(lambda text: text.strip() == text and text.isprintable() and text not in "-")  # fmt: skip
HOSTILE = st.sampled_from(
    ["=1+1", "+49", "-20/+50%", "@x", "'quoted", "''", '"', 'a;b,c"d', "a|b c", '="104"', "=HYPERLINK(1)", "n/a", "1,5",
     "1.000,5", "null", "TRUE", "1e5", "2026-01-02"]
)  # fmt: skip
NOTE = st.one_of(TEXT, HOSTILE, st.just("two\nlines, one = more"))
NUMBER = st.sampled_from(["1", "4.7", "0.35", "1.000", "330m", "2e0", "7.500"])
QUANTITY = st.one_of(
    NUMBER,
    st.builds(lambda number, share: f"{number} {share}", NUMBER, st.sampled_from(["5%", "-20/+50%", "10 %"])),
    st.integers(1, 9),
    st.floats(0.5, 9, width=16),
    st.builds(
        lambda number, note: {"value": number, "low": "1m", "high": "100", "known": "assumed", "note": note},
        NUMBER, NOTE,
    ),
    st.builds(
        lambda number, note: {"known": "measured", "evidence": note, "value": number, "uncertainty": "2%",
                              "date": "2026-11-02"}, NUMBER, HOSTILE,
    ),
)  # fmt: skip
FIELDS = {
    "resistor": ("resistance", "power_rating"), "choke": ("inductance", "winding_resistance"),
    "fuse": ("current_rating", "cold_resistance", "melting_i2t"),
    "film_capacitor": ("capacitance", "esr", "voltage_rating"), "other": (),
}  # fmt: skip


@st.composite
def drawn_part(draw: st.DrawFn) -> dict[str, Any]:
    kind = draw(st.sampled_from(list(FIELDS)))
    part: dict[str, Any] = {"kind": kind, "known": "marked"}
    names = draw(st.lists(st.sampled_from(FIELDS[kind]), unique=True)) if FIELDS[kind] else []
    part |= {name: draw(QUANTITY) for name in names if name not in ("capacitance", "inductance")}
    if "capacitance" in names:
        part["capacitance"] = draw(st.sampled_from(["330n 10%", "2n2", "1.000u"]))
    if "inductance" in names:
        part["inductance"] = draw(st.sampled_from(["10m", "4.7u 20%"]))
    for name, texts in (("note", NOTE), ("description", st.one_of(TEXT, HOSTILE))):
        if draw(st.booleans()):
            part[name] = draw(texts)
    if draw(st.booleans()):
        part["parallel"] = draw(st.integers(1, 9))
    if draw(st.booleans()):
        part["evidence"] = draw(st.lists(HOSTILE, max_size=3))
    return part


@DRAWN
@given(
    st.lists(drawn_part(), min_size=1, max_size=5), st.sampled_from([".csv", ".xlsx"]), st.sampled_from(["\n", "\r\n"])
)
def test_drawn_records_come_back_byte_for_byte(
    tmp_path: Path, parts: list[dict[str, Any]], ending: str, newline: str
) -> None:
    text = starter_text("drawn") + '\n[stages.board]\nkind = "other"\n'
    for number, part in enumerate(parts):
        lines = [f"{toml_key(name)}  = {toml_value(value)} # by hand" for name, value in part.items()]
        text += f"\n# part {number}\n[stages.board.parts.Z{number}]\n" + "\n".join(lines) + "\n"
    file = tmp_path / "drawn.toml"
    file.write_bytes(text.replace("\n", newline).encode())
    try:
        before = load_record(file)
    except RecordError:
        assume(False)
    listed, _ = export_parts(file, tmp_path / f"drawn{ending}", replace=True)
    found = imported(listed, file)
    assert found.merged.corrections == []
    assert file.read_bytes() == text.replace("\n", newline).encode()
    assert load_record(file).quantities == before.quantities
