"""Lists of parts as people write them, read into a record; and all that is refused in a line, nothing written."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import pytest
from demonstration import LANTERN
from photos import draw_photo

from harness.partlist import sheet as sheet_module
from harness.partlist.mapping import ListMapping
from harness.partlist.values import CellFault, Found, code_into, rating_into, value_into
from harness.partlist.words import decimal_sign, with_point
from harness.parts_list import Imported, export_parts, import_parts
from netlists.errors import BulkrailError, InputError, OptionError, SetupError
from netlists.record import load_record

BOARD: dict[str, Any] = {"stage": "board", "new_stages": True, "known": "marked"}


def listed(folder: Path, text: str | bytes, name: str = "parts.csv") -> Path:
    file = folder / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def imported(
    folder: Path, text: str | bytes, *, dry_run: bool = False, why: str | None = None, **said: Any
) -> Imported:
    return import_parts(
        listed(folder, text), folder / "new.toml", ListMapping(**{**BOARD, **said}), dry_run=dry_run, why=why
    )


def board(folder: Path) -> dict[str, Any]:
    """Parts of the stage the tests put them into."""
    return dict(load_record(folder / "new.toml").data.stages["board"].parts)


def meanings(found: Imported) -> dict[str, str]:
    return {column.name: column.meaning for column in found.columns.taken}


# --- columns


@pytest.mark.parametrize(
    ("head", "taken"),
    [
        (
            "Designator,Part,Value,Rating,Quantity,Note,How read",
            ["designator", "part", "value", "rating", "quantity", "note", "known"],
        ),
        ("Ref Des;Qty;Val.;Comment", ["designator", "quantity", "value", "note"]),
        ("Bauteil\tWert\tAnzahl\tBemerkung", ["designator", "value", "quantity", "note"]),
        ("REF.|VALUE [ohm]|HOW KNOWN", ["designator", "value", "known"]),
        ("Repère;Valeur;Quantité", ["designator", "value", "quantity"]),
    ],
)  # fmt: skip
def test_headings_of_many_styles_are_known(tmp_path: Path, head: str, taken: list[str]) -> None:
    delimiter = next(one for one in ";\t|," if one in head)
    cells = {"designator": "R1", "part": "resistor", "value": "4R7", "rating": "0.25 W", "quantity": "1", "note": "n",
             "known": "print"}  # fmt: skip
    found = imported(tmp_path, f"{head}\n{delimiter.join(cells[one] for one in taken)}\n")
    assert list(meanings(found).values()) == taken
    assert board(tmp_path)["R1"].resistance.nominal == 4.7


def test_columns_without_a_known_heading_are_told_by_their_content(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="say how"):
        imported(tmp_path, "4R7,R1,resistor\n1k,R2,resistor\n", known=None)
    found = imported(tmp_path, "4R7,R1,resistor,print\n1k,R2,resistor,print\n")
    assert found.columns.head is None
    assert [column.meaning for column in found.columns.taken] == ["value", "designator", "part", "known"]
    assert all("by its content" in column.how for column in found.columns.taken)


def test_a_person_says_what_a_column_is_and_keeps_it(tmp_path: Path) -> None:
    text = "Blob;Thing;Odd;Price\nR1;4R7;print;3\nR2;1k;print;4\n"
    keep = tmp_path / "kept.toml"
    said = ListMapping(columns=("Blob=designator", "2=value", "Odd=how read", "Price=-"), **BOARD)
    import_parts(listed(tmp_path, text), tmp_path / "new.toml", said, keep=keep)
    assert board(tmp_path)["R2"].resistance.nominal == 1000
    (tmp_path / "new.toml").unlink()
    again = import_parts(listed(tmp_path, text), tmp_path / "new.toml", ListMapping(), kept=keep)
    assert meanings(again) == {"Blob": "designator", "Thing": "value", "Odd": "known"}
    assert board(tmp_path)["R1"].resistance.nominal == 4.7


@pytest.mark.parametrize(
    ("columns", "says"),
    [
        (("Rf=designator",), "no column \"Rf\"; allowed: Ref, Value; nearest: Ref"),
        (("Ref=designatr",), "unknown meaning \"designatr\""),
        (("Ref",), "must be COLUMN=MEANING"),
        (("Ref=designator", "1=value"), "given twice"),
        (("Ref=-",), "no column of parts.csv looks like designators"),
        (("9=value",), "no column \"9\""),
    ],
)  # fmt: skip
def test_a_wrong_word_about_a_column_is_refused(tmp_path: Path, columns: tuple[str, ...], says: str) -> None:
    with pytest.raises(OptionError) as caught:
        imported(tmp_path, "Ref,Value\nabc,4R7\nb,1k\n", columns=columns)
    assert says in str(caught.value)


def test_a_mapping_with_faults_is_refused_with_its_lines(tmp_path: Path) -> None:
    kept = tmp_path / "kept.toml"
    kept.write_text('schema = 1\nknown = "so so"\n[columns]\nRef = "odd"\n')
    with pytest.raises(InputError) as caught:
        import_parts(listed(tmp_path, "Ref,Value\nR1,1k\n"), tmp_path / "new.toml", ListMapping(), kept=kept)
    assert [line.partition(": ")[0] for line in str(caught.value).splitlines()] == ["kept.toml:2", "kept.toml:4"]


# --- forms of files

LIST = "Ref;Wert;Bemerkung\nR1;4,7 kΩ;µ\nR2;1.250,5;ü\n"


@pytest.mark.parametrize(
    "data",
    [LIST.encode(), LIST.encode("utf-8-sig"), LIST.encode("utf-16"), LIST.replace("Ω", "Ohm").encode("cp1252"),
     LIST.replace("\n", "\r\n").encode()],
    ids=["utf-8", "bom", "utf-16", "cp1252", "crlf"],
)  # fmt: skip
def test_text_of_any_coding_with_decimal_commas(tmp_path: Path, data: bytes) -> None:
    imported(tmp_path, data)
    parts = board(tmp_path)
    assert parts["R1"].resistance.nominal == 4700
    assert parts["R2"].resistance.nominal == 1250.5
    assert parts["R2"].note.startswith("ü")


def test_blank_and_title_rows_quoted_line_ends_and_ragged_rows(tmp_path: Path) -> None:
    text = '"Supply 7\nof the bench",,,\n,,,\nRef,Value,Note\n\nR1,4R7,"one ""so""\nand two"\n,,,\nR2,1k\n'
    imported(tmp_path, text)
    parts = board(tmp_path)
    assert parts["R1"].note == 'one "so"\nand two'
    assert parts["R2"].resistance.nominal == 1000


def test_several_designators_in_a_cell(tmp_path: Path) -> None:
    found = imported(tmp_path, 'Ref,Qty,Value\n"R1, R2",2,4R7\nR5-R7,3,1k\nR9,4,10R\n')
    parts = board(tmp_path)
    assert list(parts) == ["R1", "R2", "R5", "R6", "R7", "R9"]
    assert parts["R9"].parallel == 4
    assert parts["R1"].parallel == 1
    assert any("pieces in parallel" in line for line in found.merged.told)


def test_parts_nobody_can_place_are_listed_and_the_others_written(tmp_path: Path) -> None:
    text = "Ref,Part,Value\nR1,,4R7\nC1,cap,10u\n?9,,1k\n,,a remark\nXY1,gizmo,\nC3,MLCC,104\n"
    found = imported(tmp_path, text)
    assert found.exit_code == 1
    assert [line for line, _, _ in found.merged.unplaced] == [3, 4, 5, 6]
    assert "which kind of capacitor" in found.merged.unplaced[0][2]
    assert set(board(tmp_path)) == {"R1", "C3"}
    assert board(tmp_path)["C3"].note == "marked 104"
    none = import_parts(listed(tmp_path, text), LANTERN, ListMapping(known="marked"), dry_run=True)
    assert all("no stage" in why for _, what, why in none.merged.unplaced if what.startswith("R99"))


def test_kinds_by_words_letters_and_as_a_person_says(tmp_path: Path) -> None:
    text = (
        "Ref,Type,Value,Description\nC1,Elko,10u,\nC2,,100n,MLCC\nC3,film capacitor X2,330n,\nC4,,47n,\nQ1,,,\n"
        "U1,fan driver,,\n"
    )
    imported(tmp_path, text, kinds={"C": "ceramic_capacitor"})
    kinds = {name: part.kind for name, part in board(tmp_path).items()}
    assert kinds == {
        "C1": "electrolytic_capacitor", "C2": "ceramic_capacitor", "C3": "film_capacitor", "C4": "ceramic_capacitor",
        "Q1": "mosfet", "U1": "other",
    }  # fmt: skip


def test_ways_of_knowing_and_ranges(tmp_path: Path) -> None:
    text = (
        "Ref,Value,Tolerance,Rating,How read,Date,Min,Max\nL1,480u,5%,2 A,LCR bridge,2026-11-02,,\n"
        "R1,4R7,,,typical guess,,4,6\nR2,1k,1%,,print,,,\n"
    )
    imported(tmp_path, text, columns=("Min=low", "Max=high"))
    record = load_record(tmp_path / "new.toml").quantities
    choke = record["stages.board.parts.L1.inductance"]
    assert (choke.known, choke.date, choke.low) == ("measured", "2026-11-02", pytest.approx(456e-6))
    assert record["stages.board.parts.L1.current_rating"].known == "marked"
    assert (record["stages.board.parts.R1.resistance"].known, record["stages.board.parts.R1.resistance"].high) == (
        "assumed",
        6,
    )
    assert record["stages.board.parts.R2.resistance"].high == pytest.approx(1010)


def test_placeholders_of_the_starter_give_way(tmp_path: Path) -> None:
    found = imported(tmp_path, "Ref,Type,Value\nC1,MLCC,100nF\n")
    assert found.placeholders == ["C1"]
    record = load_record(tmp_path / "new.toml")
    assert record.data.stages["board"].parts["C1"].kind == "ceramic_capacitor"
    assert record.data.stages["mains_rectifier"].parts["PLACEHOLDER_C1"].role == "bulk"


# --- into a record that is there


@pytest.fixture
def record(tmp_path: Path) -> Path:
    file = tmp_path / LANTERN.name
    file.write_bytes(LANTERN.read_bytes())
    return file


def merged(record: Path, text: str, **said: Any) -> Imported:
    why = said.pop("why", None)
    return import_parts(listed(record.parent, text), record, ListMapping(**said), why=why, today="2026-11-29")


def test_a_known_part_is_updated_and_a_new_one_added_to_its_stage(record: Path) -> None:
    text = (
        "Ref,Part,Value,Rating,Stage,How read\nCX1,film,470nF,275 V,inlet_filter,print\nR9,,10k,,Main Flyback,print\n"
    )
    found = merged(record, text, why="counted again")
    assert [one.path for one in found.merged.corrections] == ["stages.inlet_filter.parts.CX1.capacitance"]
    assert list(found.merged.added) == ["stages.main_flyback.parts.R9"]
    assert "RT1" in found.merged.absent
    new, old = record.read_text(encoding="utf-8"), LANTERN.read_text(encoding="utf-8")
    assert 'capacitance = "470nF 10%"' in new  # the marked tolerance stays
    added = set(new.splitlines()) - set(old.splitlines())
    assert {'why = "counted again"', 'was = "330n 10%"', "[stages.main_flyback.parts.R9]"} < added
    assert [line for line in new.splitlines() if line.startswith("#")] == [
        line for line in old.splitlines() if line.startswith("#")
    ]
    assert not merged(record, text).is_changed


def test_the_same_values_in_other_words_change_nothing(record: Path) -> None:
    text = (
        "Ref;Part;Wert;Rating;Anzahl;How read\nCX1;Folie X2;0,33 uF;275 VAC;1;print\nR1;Widerstand;1 MOhm 5%;;2;print\n"
        "C1;Elko;150 µF;400 V;;sleeve\nC20;Elko;680uF;25V;3;print\nF1;fuse;3,15 A;250 V;;print\nU2;opto;;;;\n"
    )
    found = merged(record, text)
    assert found.merged.corrections == []
    assert record.read_bytes() == LANTERN.read_bytes()


def test_a_dry_run_shows_the_differences_and_writes_nothing(record: Path) -> None:
    parts = listed(record.parent, "Ref,Value\nCX1,470n\n")
    found = import_parts(parts, record, ListMapping(), keep=record.parent / "kept.toml", dry_run=True)
    assert found.is_changed
    assert record.read_bytes() == LANTERN.read_bytes()
    assert sorted(os.listdir(record.parent)) == [record.name, "parts.csv"]


def test_photos_a_list_names_must_be_there(record: Path) -> None:
    draw_photo(record.parent / "cx1.jpg")
    merged(record, "Ref,Photo,Note\nCX1,cx1.jpg,blue block\n")
    part = load_record(record).data.stages["inlet_filter"].parts["CX1"]
    assert (part.evidence, part.note) == (["cx1.jpg"], "blue block")
    with pytest.raises(InputError, match=r'parts.csv:2: photo "gone.jpg" is not in the record\'s folder'):
        merged(record, "Ref,Photo\nCX1,cx1.jpg; gone.jpg\n")


REFUSED = [
    ("Ref,Value\nR1,see photo\n", {}, "parts.csv:2: resistance: must be a value in ohm"),
    ("Ref,Value\nR1,820k\nR1,470k\n", {}, "parts.csv:3: R1 stands in line 2 too"),
    ("Ref,Value\nR1,=4*7\n", {}, 'parts.csv:2: column "Value" holds the formula'),
    ("Ref,Value\nR1,470\n", {}, "may be 47 ohm or 470 ohm; write the unit, or take the likeliest by --likeliest"),
    ('Ref,Value\nR1,"1,000"\n', {}, '--decimal: line 2: "1,000" has thousands or decimals'),
    ('Ref,Value\nR1,"4,7k"\nL1,4.7m\n', {}, '--decimal: line 3 has "4.7m" and line 2 has "4,7k"'),
    ("Ref,Part\nR1,fuse\n", {}, 'R1 is a resistor in the record, found "fuse"'),
    ("Ref,Stage,Value\nR1,main_flyback,1M\n", {}, "R1 stands in stage inlet_filter of the record"),
    ("Ref,Qty\nR1,some\n", {}, "quantity must be a whole number of 1 to 1000"),
    ('Ref,Qty\n"R1,R10",3\n', {}, "quantity 3 and 2 designators"),
    ("Ref,Value\nR1-R400,1k\n", {}, "more than 100 designators in one cell"),
    ("Ref,Value,How read\nR1,820k,dreamt\n", {}, 'how it is known must be one of the known, found "dreamt"'),
    ("Ref,Value\nR99,1k\n", {"stage": "inlet_filter"}, "say how its values are known"),
    (
        "Ref,Value\nR99,1k\n",
        {"stage": "inlet_filter", "known": "measured"},
        "R99.resistance: measured values need an uncertainty",
    ),
    (
        "Ref,Value\nr99,1k\n",
        {"stage": "inlet_filter", "known": "marked", "kinds": {"r": "resistor"}},
        "must be a name that matches",
    ),
    ("Ref,Value of,Value\nR1,resistnce,1k\n", {}, 'no value "resistnce" at stages.inlet_filter.parts.R1'),
    ("Ref,Value of,Value\nRT1,b_value,99 k\n", {}, "parts.csv:2: stages.mains_rectifier.parts.RT1.b_value"),
    ("Ref,Safety class\nR1,X2\n", {}, "a resistor has no safety_class"),
    ("Ref,Role\nC1,bulkk\n", {}, "parts.csv:2: stages.mains_rectifier.parts.C1.role: unknown role"),
    ('Ref,Value\nR1,"820k\n', {}, "cannot be parted into cells"),
    ("", {}, "is empty"),
    ("\n\n,,\n", {}, "is empty"),
    (b"\xd0\xcf\x11\xe0old", {}, "is an old workbook"),
    (b"PK\x03\x04broken", {}, "is no workbook that can be read"),
    (b"a\0b\1\2\3", {}, "is no text but binary"),
    ("Ref" + ",x" * 300 + "\nR1,1k\n", {}, "at most 200 columns"),
    ("words only\nof no list\n", {}, "no column of parts.csv looks like designators"),
    ("Ref,Designator,Value\nR1,R1,1k\n", {}, "2 columns of parts.csv are designator"),
    ("Ref,Value\nR1,1k\n", {"kinds": {"C": "capacitr"}}, '--kind: C: unknown kind "capacitr"'),
    ("Ref,Value\nR1,1k\n", {"why": " "}, "--why: say in a line"),
    ("Ref,Note\nR1,a\u202eb\n", {}, "control character"),
]


@pytest.mark.parametrize(("text", "said", "says"), REFUSED, ids=[says[:40] for _, _, says in REFUSED])
def test_every_fault_is_a_line_and_nothing_is_written(
    record: Path, text: str | bytes, said: dict[str, Any], says: str
) -> None:
    said = dict(said)
    why = said.pop("why", None)
    with pytest.raises(BulkrailError) as caught:
        import_parts(
            listed(record.parent, text), record, ListMapping(**said), why=why, keep=record.parent / "kept.toml"
        )
    assert says in str(caught.value)
    assert all(len(line) < 500 for line in str(caught.value).splitlines())
    assert record.read_bytes() == LANTERN.read_bytes()
    assert sorted(os.listdir(record.parent)) == [record.name, "parts.csv"]


def test_all_faults_of_a_list_come_at_once_with_their_lines(record: Path) -> None:
    text = "Ref,Value\nR1,odd\nCX1,odder\nF1,4 A\nL1,oddest\n"
    with pytest.raises(InputError) as caught:
        merged(record, text)
    assert [line.split(":")[1] for line in str(caught.value).splitlines()] == ["2", "3", "5"]


def test_a_hundred_thousand_rows_are_refused_in_a_line(record: Path) -> None:
    text = "Ref,Value\n" + "".join(f"R{number},1k\n" for number in range(100_000))
    with pytest.raises(InputError, match=f"at most {sheet_module.MOST_ROWS} rows"):
        merged(record, text)
    assert record.read_bytes() == LANTERN.read_bytes()


def test_a_thousand_new_parts_are_one_rewrite(record: Path) -> None:
    text = "Ref,Value\n" + "".join(f"R{number},1k\n" for number in range(100, 1090))
    found = merged(record, text, stage="inlet_filter", known="marked")
    assert len(found.merged.added) == 990
    assert len(load_record(record).data.stages["inlet_filter"].parts) == 995


def test_an_exported_list_makes_the_parts_of_a_new_record(record: Path) -> None:
    """What the starter has no place for is told; every part comes over with the same values."""
    draw_photo(record.parent / "c1-sleeve.jpg")
    parts, _ = export_parts(record, record.parent / "parts.csv")
    new = record.with_name("copy.toml")
    found = import_parts(parts, new, ListMapping(new_stages=True))
    assert found.exit_code == 1
    places = {what for _, what, _ in found.merged.unplaced}
    assert "nameplate.rails.lamp.voltage" in places
    assert "main_flyback switching_frequency" in places
    old, copy = load_record(record), load_record(new)
    for stage in ("inlet_filter", "main_flyback", "lamp_output"):
        for path, value in old.quantities.items():
            if path.startswith(f"stages.{stage}.parts."):
                assert copy.quantities[path] == value, path
        assert copy.data.stages[stage].parts.keys() == old.data.stages[stage].parts.keys()


def test_a_rating_is_not_known_as_its_value_is(record: Path) -> None:
    text = "Ref,Value,Rating,How read,Tolerance,Note\nL2,2.4u,6.5 A 20 V,LCR,5%,wound by hand\n"
    found = merged(record, text)
    assert {one.path.rpartition(".")[2]: one.now for one in found.merged.corrections} == {
        "inductance": "2.4u 5%", "note": "wound by hand; rated 6.5 A 20 V",
    }  # fmt: skip
    quantities = load_record(record).quantities
    inductance = quantities["stages.main_flyback.parts.L2.inductance"]
    assert (inductance.known, inductance.date) == ("measured", "")  # not read on the old date
    assert quantities["stages.main_flyback.parts.L2.current_rating"].known == "assumed"
    assert load_record(record).data.stages["main_flyback"].parts["L2"].note == "wound by hand; rated 6.5 A 20 V"
    assert not merged(record, text).is_changed


def test_blank_designators_of_merged_cells_belong_to_the_part_above(record: Path) -> None:
    found = merged(record, "Ref,Value of,Value,Low,High\nRT1,b_value,2900,2600,3100\n,time constant,60,40,70\n")
    assert [one.path.rpartition(".")[2] for one in found.merged.corrections] == ["b_value", "time_constant"]


# --- workbooks


def test_a_formula_in_a_workbook_is_refused_and_one_that_is_text_is_not(record: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in (["Ref", "Value", "Note"], ["CX1", 0.33e-6, "=1+1"]):
        book.active.append(row)
    book.active["C2"].data_type = "s"
    file = record.parent / "parts.xlsx"
    book.save(file)
    import_parts(file, record, ListMapping())
    assert load_record(record).data.stages["inlet_filter"].parts["CX1"].note == "=1+1"
    book.active["B2"] = "=3*4"
    book.save(file)
    with pytest.raises(InputError, match=r'parts.xlsx:2: column "Value" holds the formula'):
        import_parts(file, record, ListMapping())
    book.create_sheet("more")
    book.save(file)
    with pytest.raises(OptionError, match=r"--sheet: parts.xlsx has 2 sheets"):
        import_parts(file, record, ListMapping())
    with pytest.raises(OptionError, match='no sheet "mre"'):
        import_parts(file, record, ListMapping(sheet="mre"))


def test_without_the_extra_a_workbook_is_refused_in_a_line(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    for work in (
        lambda: import_parts(listed(record.parent, b"PK\x03\x04", "p.xlsx"), record, ListMapping()),
        lambda: export_parts(record, record.parent / "out.xlsx"),
    ):
        with pytest.raises(SetupError, match=r"pip install 'bulkrail\[spreadsheet\]'"):
            work()
    assert not (record.parent / "out.xlsx").exists()


def test_an_export_never_writes_over_a_list(record: Path) -> None:
    target, _ = export_parts(record, record.parent / "parts.csv")
    target.write_text("edited")
    with pytest.raises(OptionError, match="exists and is kept"):
        export_parts(record, target)
    assert target.read_text() == "edited"
    export_parts(record, target, replace=True)
    with pytest.raises(OptionError, match=r"must end in .csv or .xlsx"):
        export_parts(record, record.parent / "parts.ods")


# --- single cells


@pytest.mark.parametrize(
    ("kind", "cell", "unit", "fields"),
    [
        ("resistor", "4k7", "", {"resistance": "4k7"}),
        ("resistor", "100R 1/4W", "", {"resistance": "100R", "power_rating": "0.25W"}),
        ("resistor", "470", "ohm", {"resistance": "470ohm"}),
        ("resistor", "1 kΩ 5%", "", {"resistance": "1kΩ 5%"}),
        ("ceramic_capacitor", "104", "", {"capacitance": "100n"}),
        ("ceramic_capacitor", "104K 50V", "", {"capacitance": "100n 10%", "voltage_rating": "50"}),
        ("ceramic_capacitor", "100nF/50V X7R", "", {"capacitance": "100nF", "voltage_rating": "50V"}),
        ("ceramic_capacitor", "0.1", "uF", {"capacitance": "0.1uF"}),
        (
            "film_capacitor",
            "330nF X2 275V",
            "",
            {"capacitance": "330nF", "voltage_rating": "275V", "safety_class": "X2"},
        ),
        (
            "mosfet",
            "700V 11A 0.38ohm",
            "",
            {"drain_source_rating": "700V", "drain_current_rating": "11A", "on_resistance": "0.38ohm"},
        ),
        (
            "electrolytic_capacitor",
            "470 uF 450 V 20% 105C",
            "",
            {"capacitance": "470uF 20%", "voltage_rating": "450V", "temperature_rating": "105C"},
        ),
    ],
)
def test_a_cell_of_values(kind: str, cell: str, unit: str, fields: dict[str, str]) -> None:
    found = Found()
    value_into(found, kind, cell, unit, likeliest=False)
    assert found.fields == fields


def test_codes_by_their_likeliest_meaning_only_where_asked(tmp_path: Path) -> None:
    for cell in ("470", "4.7K"):
        with pytest.raises(CellFault, match="--likeliest"):
            value_into(Found(), "resistor", cell, "", likeliest=False)
    found = Found()
    value_into(found, "resistor", "470", "", likeliest=True)
    assert found.fields == {"resistance": "47"}
    assert found.notes == ["marked 470"]
    assert "taken as its likeliest meaning, 47 ohm" in found.told[0]
    found = Found()
    code_into(found, "resistor", "01C", likeliest=False)  # EIA-96, place 1 is 100, C counts two zeros (from memory)
    assert found.fields == {"resistance": "10k 1%"}


def test_what_no_field_holds_is_kept_in_a_note() -> None:
    found = Found()
    rating_into(found, "resistor", "200V pulse", "")
    assert (found.fields, found.notes) == ({}, ["rated 200V pulse"])


@pytest.mark.parametrize(
    ("cells", "delimiter", "sign"),
    [
        (["4,7k", "100"], ",", ","), (["4.7k", "1,000"], ",", "."), (["1.250,5"], ";", ","), (["1,250.5"], ",", "."),
        (["1,000,000"], ",", "."), (["0,125"], ";", ","), (["10 000", "5"], ";", "."), (["1.000"], ",", "."),
    ],
)  # fmt: skip
def test_decimal_sign_of_a_list(cells: list[str], delimiter: str, sign: str) -> None:
    assert decimal_sign(enumerate(cells), delimiter, None) == sign


@pytest.mark.parametrize(
    ("cell", "decimal", "text"),
    [
        ("1.250,5 uF", ",", "1250.5 uF"), ("10 000", ".", "10000"), ("1'250.5", ".", "1250.5"), ("4R7", ",", "4R7"),
        ("5 ohm 20%", ".", "5 ohm 20%"), ("0,25W", ",", "0.25W"), ("1,2,3", ",", "1,2,3"),
    ],
)  # fmt: skip
def test_numbers_get_a_decimal_point(cell: str, decimal: str, text: str) -> None:
    assert with_point(cell, decimal) == text
