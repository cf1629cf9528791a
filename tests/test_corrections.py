"""``bulkrail correct``: one value, its history, what it moves; and a file that is whole or untouched."""

from __future__ import annotations

import difflib
import os
import stat
import tomllib
from pathlib import Path
from typing import Any

import pytest
from demonstration import LANTERN
from photos import draw_photo

from harness import corrections
from harness.corrections import Corrected, Said, correct_record
from netlists.errors import InputError, StoreError
from netlists.record import load_record

C1 = "stages.mains_rectifier.parts.C1"
T1 = "stages.main_flyback.parts.T1"
DAY = "2026-11-29"
LOSS_ANGLE = 'low = "0.06", high = "0.2", known = "assumed", note = "series limit is 0.2" }'  # what stays of C1's


@pytest.fixture
def record(tmp_path: Path) -> Path:
    file = tmp_path / LANTERN.name
    file.write_bytes(LANTERN.read_bytes())
    return file


def correct(record: Path, path: str, value: str, **said: str) -> Corrected:
    return correct_record(record, path, value, "read again", Said(**said), today=DAY)


def changed_lines(record: Path) -> tuple[list[str], list[str]]:
    """Lines that went and lines that came, of the demonstration record."""
    old, new = LANTERN.read_text(encoding="utf-8").split("\n"), record.read_text(encoding="utf-8").split("\n")
    diff = list(difflib.ndiff(old, new))
    return [line[2:] for line in diff if line[0] == "-"], [line[2:] for line in diff if line[0] == "+"]


@pytest.mark.parametrize(
    ("path", "value", "said", "went", "came"),
    [
        (f"{C1}.capacitance", "120u", {}, ['marking = "150u 400V 20% 105C"'], ['marking = "120u 400V 20% 105C"']),
        (f"{C1}.voltage_rating", "450", {}, ['marking = "150u 400V 20% 105C"'], ['marking = "150u 450V 20% 105C"']),
        (
            f"{C1}.capacitance", "143u", {"known": "measured", "tolerance": "2%"},
            ['marking = "150u 400V 20% 105C"'],
            [
                f'capacitance = {{ value = "143u", uncertainty = "2%", known = "measured", date = "{DAY}" }}',
                'voltage_rating = "400V"', 'temperature_rating = "105C"',
            ],
        ),
        (
            f"{C1}.loss_angle", "0.1", {},
            [f'loss_angle = {{ value = "0.15", {LOSS_ANGLE}'], [f'loss_angle = {{ value = "0.1", {LOSS_ANGLE}'],
        ),
        (
            "stages.inlet_filter.parts.CX1.capacitance", "220n", {},
            ['capacitance = "330n 10%"'], ['capacitance = "220n 10%"'],
        ),
        (
            "stages.inlet_filter.parts.CX1.capacitance", "220n 5%", {"note": "second look"},
            ['capacitance = "330n 10%"'], ['capacitance = { value = "220n 5%", note = "second look" }'],
        ),
        ("stages.main_flyback.parts.R10.parallel", "3", {}, ["parallel = 2"], ["parallel = 3"]),
        ("stages.main_flyback.parts.Q1.parallel", "2", {}, [], ["parallel = 2"]),
        (
            f"{C1}.esl", "20n", {"known": "assumed", "low": "10n", "high": "40n"}, [],
            ['esl = { value = "20n", low = "10n", high = "40n", known = "assumed" }'],
        ),
        (
            "line.resistance", "0.3", {"low": "0.2", "high": "0.5"},
            ['resistance = { value = "0.4", low = "0.1", high = "0.6" }'],
            ['resistance = { value = "0.3", low = "0.2", high = "0.5" }'],
        ),
        (
            "nameplate.rails.lamp.current", "3.4", {}, ['current = "3.33"'], ['current = "3.4"'],
        ),
    ],
)  # fmt: skip
def test_a_value_is_rewritten_in_place_with_a_line_of_history(
    record: Path, path: str, value: str, said: dict[str, str], went: list[str], came: list[str]
) -> None:
    found = correct(record, path, value, **said)
    gone, added = changed_lines(record)
    assert gone == went
    assert [line for line in added if line in came] == came
    history = [line for line in added if line not in came and line]
    assert history[0].endswith("history]]")
    assert f'date = "{DAY}"' in history
    assert 'why = "read again"' in history
    assert f'now = "{found.correction.now}"' in history
    assert f'was = "{found.correction.was}"' in history
    assert load_record(record).quantities != load_record(LANTERN).quantities or "parallel" in path


def test_every_inferred_value_that_moves_is_listed(record: Path) -> None:
    found = correct(record, f"{C1}.loss_angle", "0.1")
    ((path, old, new),) = found.moved
    assert path == f"{C1}.esr"
    assert new.nominal == pytest.approx(old.nominal / 1.5)  # tan delta / (2 pi f C), IEC 60384-4 (from memory)
    assert correct(record, "stages.inlet_filter.parts.F1.current_rating", "4").moved == []


def test_a_value_becomes_inferred_and_measured_again(record: Path) -> None:
    formula = load_record(LANTERN).quantities[f"{T1}.ratio"]
    correct(record, f"{T1}.ratio", "6.1", known="measured", tolerance="1%", date="2026-11-01")
    ratio = load_record(record).quantities[f"{T1}.ratio"]
    assert (ratio.known, ratio.date, ratio.formula, ratio.of) == ("measured", "2026-11-01", "", {})
    assert ratio.low == pytest.approx(6.1 * 0.99)
    table = (
        f'{{ known = "inferred", formula = "turns_ratio", of = {{ primary = "{T1}.primary_turns", '
        f'secondary = "{T1}.secondary_turns" }} }}'
    )
    found = correct(record, f"{T1}.ratio", table)
    assert load_record(record).quantities[f"{T1}.ratio"] == formula
    assert found.correction.known == "inferred"
    history = load_record(record).data.stages["main_flyback"].parts["T1"].history
    assert [line.known for line in history] == ["measured", "inferred"]
    assert history[1].was == "6.1 1%"


def test_history_goes_on_where_it_is(record: Path) -> None:
    correct(record, f"{C1}.capacitance", "120u")
    correct(record, f"{C1}.capacitance", "100u")
    history = load_record(record).data.stages["mains_rectifier"].parts["C1"].history
    assert [(line.was, line.now) for line in history] == [
        ("120u 400V", "150u 400V"), ("150u 20%", "120u 20%"), ("120u 20%", "100u 20%"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("path", "value", "said", "says"),
    [
        (f"{C1}.loss_angle", "0.3", {}, f"VALUE: {C1}.loss_angle: must have low <= value <= high"),
        (f"{C1}.loss_angle", "-1", {}, "must have low <= value"),
        (f"{C1}.capacitance", "0", {}, "must be > 0 F"),
        (f"{C1}.capacitance", "470", {}, "prefix slipped?"),
        (f"{C1}.capacitance", "4,7u", {}, "decimal point"),
        (f"{C1}.capacitance", "150u", {}, "already; nothing to correct"),
        (f"{C1}.esr", "0.3", {"known": "measured"}, "measured values need an uncertainty"),
        (f"{C1}.esr", "0.3", {"known": "assumed"}, "assumed values need a range"),
        (f"{C1}.esr", "0.3", {"tolerance": "5%", "low": "0.2"}, "--tolerance: give it, or --low and --high"),
        (f"{C1}.esr", "{ value = ", {}, "not a value of TOML"),
        (f"{C1}.esr", '{ value = "1", known = "marked", odd = "x" }', {}, "unknown key"),
        (f"{C1}.esr", '{ known = "inferred", formula = "turns_ratio" }', {}, "gives 1, this field takes ohm"),
        (f"{C1}.los_angle", "0.1", {}, f"nearest: {C1}.loss_angle"),
        (f"{C1}.note", "x", {}, "no value at"),
        ("stages.nowhere.parts.C1.esr", "1", {}, "no value at"),
        (f"{C1}.parallel", "two", {}, "parallel must be a whole number"),
        (f"{C1}.parallel", "5000", {}, "must be <= 1000"),
        (f"{C1}.parallel", "2", {"note": "x"}, "--note: goes with a value"),
        (f"{C1}.marking", "of no sense", {}, "marking"),
        (f"{C1}.esr", "1", {"date": "yesterday"}, "--date: must be a date"),
        (f"{C1}.esr", "1", {"evidence": "none.jpg"}, '--evidence: "none.jpg" is not in the record\'s folder'),
        (f"{C1}.esr", "a\u202eb", {}, "VALUE"),
    ],
)
def test_what_the_reader_refuses_is_one_line_and_nothing_is_written(
    record: Path, path: str, value: str, said: dict[str, str], says: str
) -> None:
    with pytest.raises(InputError) as caught:
        correct(record, path, value, **said)
    lines = str(caught.value).splitlines()
    assert says in lines[0]
    assert all(f"VALUE: {path}" in line for line in lines) or len(lines) == 1
    assert record.read_bytes() == LANTERN.read_bytes()
    assert os.listdir(record.parent) == [record.name]


@pytest.mark.parametrize("why", ["", "  ", "two\nlines"])
def test_a_correction_needs_a_reason_of_one_line(record: Path, why: str) -> None:
    with pytest.raises(InputError, match="--why"):
        correct_record(record, f"{C1}.esr", "1", why, Said())


def test_evidence_of_a_value_is_a_photo_that_can_be_shown(record: Path) -> None:
    draw_photo(record.parent / "esr.png")
    correct(record, f"{C1}.loss_angle", "0.12", evidence="esr.png")
    assert load_record(record).quantities[f"{C1}.loss_angle"].evidence == "esr.png"


def test_a_dry_run_writes_nothing(record: Path) -> None:
    found = correct_record(record, f"{C1}.capacitance", "120u", "why", Said(), dry_run=True)
    assert found.correction.now == "120u 20%"
    assert found.content != LANTERN.read_bytes()
    assert record.read_bytes() == LANTERN.read_bytes()


def test_a_record_written_by_another_meanwhile_is_kept(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    added = corrections.corrections.add_history

    def interrupted(*given: Any) -> None:
        record.write_bytes(LANTERN.read_bytes() + b"# somebody else\n")
        added(*given)

    monkeypatch.setattr(corrections.corrections, "add_history", interrupted)
    with pytest.raises(StoreError, match="was changed meanwhile"):
        correct(record, f"{C1}.capacitance", "120u")
    assert record.read_bytes().endswith(b"# somebody else\n")


def test_link_and_mode_of_the_file_stay(record: Path) -> None:
    record.chmod(0o640)
    link = record.with_name("link.toml")
    link.symlink_to(record)
    correct(link, f"{C1}.capacitance", "120u")
    assert link.is_symlink()
    assert stat.S_IMODE(record.stat().st_mode) == 0o640
    assert tomllib.loads(record.read_text())["stages"]["mains_rectifier"]["parts"]["C1"]["marking"].startswith("120u")
