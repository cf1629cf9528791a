"""Photos, notes and corrections beside the parts of a report."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from demonstration import LANTERN
from photos import CAMERA, draw_photo
from report_pages import published_without_metrics

from harness.show.report import evidence, report_page
from netlists.record import load_record

CORRECTIONS = """
[[stages.mains_rectifier.parts.C1.history]]
date = "2026-09-30"
field = "marking"
was = "100u"
now = "120u 400V"
known = "marked"
why = "older, though it stands below"

[[stages.main_flyback.history]]
date = "2026-10-20"
field = "loop_inductance"
was = "20n"
now = "25n"
why = "of a stage"

[[history]]
date = "2026-10-01"
field = "line.resistance"
was = "0.5"
now = "0.4"
why = "of the record"
"""


def page_of(folder: Path, text: str) -> str:
    file = folder / LANTERN.name
    file.write_text(text, encoding="utf-8")
    record = load_record(file)
    return report_page(record, published_without_metrics(record), [], folder, file)


def test_photos_stand_beside_their_part_and_what_is_missing_in_one_line(tmp_path: Path) -> None:
    text = LANTERN.read_text(encoding="utf-8")
    text = text.replace('["c1-sleeve.jpg"]', '["c1-sleeve.jpg", "c1.csv", "gone.csv"]\nnote = "grey sleeve <b>"')
    draw_photo(tmp_path / "c1-sleeve.jpg", (1200, 900))
    (tmp_path / "c1.csv").write_text("t,u\n", encoding="utf-8")
    page = page_of(tmp_path, text)
    (row,) = re.findall(r"<tr role=\"row\"><th[^>]*>C1</th>.*?</tr>", page, re.DOTALL)
    assert row.count('src="data:image/jpeg;base64,') == 1
    assert "c1-sleeve.jpg: grey sleeve &lt;b&gt;" in row
    assert "c1.csv" in row
    assert CAMERA not in page
    (missing,) = re.findall(r"<p>Evidence that cannot be shown: (.*?)</p>", page)
    assert "C1: gone.csv is not in the record&#39;s folder" in missing
    assert "L1: l1-bridge.jpg is not in the record&#39;s folder" in missing  # of a single value
    assert "\n" not in missing
    assert len(page) < 200_000


def test_corrections_stand_beside_their_part_oldest_first(tmp_path: Path) -> None:
    page = page_of(tmp_path, LANTERN.read_text(encoding="utf-8") + CORRECTIONS)
    (row,) = re.findall(r"<tr role=\"row\"><th[^>]*>C1</th>.*?</tr>", page, re.DOTALL)
    older, newer = re.findall(r"<li>(.*?)</li>", row)
    assert older.startswith("2026-09-30: marking was 100u, now 120u 400V")
    assert "marked" in older
    assert newer.startswith("2026-10-13: marking was 120u 400V, now 150u 400V")
    further = page[page.index("Further corrections of the record") :]
    record, stage = re.findall(r"<li>(.*?)</li>", further)[:2]
    assert record == "2026-10-01: line.resistance was 0.5, now 0.4: of the record"
    assert stage == "main_flyback, 2026-10-20: loop inductance was 20n, now 25n: of a stage"


def test_a_page_takes_only_so_much_of_photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = [f"c1-{number}.png" for number in range(3)]
    for name in names:
        draw_photo(tmp_path / name)
    text = LANTERN.read_text(encoding="utf-8").replace('["c1-sleeve.jpg"]', str(names).replace("'", '"'))
    one = len(evidence.small_photo(tmp_path / LANTERN.name, names[0]).data)
    monkeypatch.setattr(evidence, "MOST_BYTES", 2 * one)
    page = page_of(tmp_path, text)
    assert page.count("data:image/jpeg") == 2
    assert "C1: c1-2.png is left out" in page


def test_a_page_made_without_the_records_folder_names_its_evidence(tmp_path: Path) -> None:
    record = load_record(LANTERN)
    page = report_page(record, published_without_metrics(record), [], tmp_path)
    assert "c1-sleeve.jpg" in page
    assert "cannot be shown" not in page
