"""Lists of nonsense: each is read or refused in lines, and the record stays one."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from demonstration import LANTERN
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.partlist.columns import MEANINGS
from harness.partlist.mapping import ListMapping
from harness.parts_list import import_parts
from netlists.errors import BulkrailError
from netlists.record import load_record

HEADINGS = st.sampled_from([words[0] for words in MEANINGS.values()])
WORDS = [
    "-", "R1", "C1", "CX1", "L2", "T1", "RT1", "R1-R9", "R9-R1", "R99", "U7", "c1", "0", "-1", "1e999", "nan",
    "inf", "4k7", "104", "104K", "01C", "470", "1,000", "1.000,5", "4,7", "4.7K", "0.1", "=1+1", "'=1", '="104"',
    "@x", "-20/+50%", "20%", "1/4W", "X2", "Y1", "marked", "measured", "inferred", "dreamt", "resistance",
    "capacitance", "esr", "ratio", "line.resistance", "nameplate.rails.lamp.voltage", "a.b.c", ".",
    "inlet_filter", "main_flyback", "turns_ratio", "a=b", "Elko", "diode", "other", "bulk", "rectifier", "1", "2",
    "1001", "2026-11-02", "photo.png", "../x.png", "\u202e", "\x00", "Ω", "٣", "µ",
]  # fmt: skip
SENTENCES = [
    "", "R1, R2", "5 ohm 20%", "600V 4A", "100nF/50V X7R", "Voltage rating", "Main Flyback", "no where",
    "primary=x; secondary", "film capacitor", "other controller", "3 pcs", "x" * 3000, "a\nb", "470 µF 450 V 105C",
    "470u 450V 20% 105C", "150u 400V 20% 105C",
]  # fmt: skip
DESIGNATORS = st.sampled_from(["R1", "C1", "CX1", "L2", "RT1", "F1", "U2", "R99", "C98", "D97", "R80-R82"])
CELLS = st.one_of(st.sampled_from(WORDS), st.sampled_from(SENTENCES), st.text(max_size=6))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(HEADINGS, min_size=1, max_size=6),
    st.lists(
        st.tuples(st.one_of(DESIGNATORS, CELLS), st.lists(st.one_of(st.just(""), CELLS), max_size=6)),
        min_size=1,
        max_size=4,
    ),
    st.booleans(),
    st.sampled_from([None, "marked", "assumed"]),
)
def test_nonsense_is_read_or_refused(
    tmp_path: Path, head: list[str], rows: list[tuple[str, list[str]]], likeliest: bool, known: str | None
) -> None:
    record = tmp_path / LANTERN.name
    record.write_bytes(LANTERN.read_bytes())
    stream = io.StringIO()
    csv.writer(stream).writerows([["designator", *head], *([first, *others] for first, others in rows)])
    parts = tmp_path / "parts.csv"
    parts.write_text(stream.getvalue(), encoding="utf-8", errors="replace")
    said = ListMapping(stage="lamp_output", likeliest=likeliest, known=known, kinds={"C": "film_capacitor"})
    try:
        found = import_parts(parts, record, said, why="drawn")
    except BulkrailError as error:
        lines = str(error).splitlines()
        assert all(0 < len(line) < 500 and line.isprintable() for line in lines), lines
        assert record.read_bytes() == LANTERN.read_bytes()
        return
    load_record(record)
    if not found.is_changed:
        assert record.read_bytes() == LANTERN.read_bytes()
    comments = [line for line in LANTERN.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    assert [line for line in record.read_text(encoding="utf-8").splitlines() if line.startswith("#")] == comments
