"""The command ``bulkrail decode`` in this process: tables, JSON, exit codes, one line for what is no code."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.cli import app, run_and_exit


def bulkrail(*arguments: str) -> int:
    """Runs the command as main does and gives its exit code."""
    with pytest.raises(SystemExit) as left:
        run_and_exit(lambda: app(list(arguments), result_action="return_value"))
    return int(left.value.code or 0)


def test_meanings_stand_in_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    assert bulkrail("decode", "104", "470uF 450V") == 0
    out, err = capsys.readouterr()
    assert err == ""
    lines = out.splitlines()
    assert max(map(len, lines)) <= 100
    assert lines[0] == '"104": 3 meanings, likeliest first'
    assert [line.split()[:4] for line in lines if line.startswith((" 1", " 2", " 3"))][:3] == [
        ["1", "resistor", "100", "kohm"],
        ["2", "capacitor", "100", "nF"],
        ["3", "inductor", "100", "mH"],
    ]
    assert "450 V" in out
    assert "Caution" in out


def test_kind_orders(capsys: pytest.CaptureFixture[str]) -> None:
    assert bulkrail("decode", "104", "--kind", "capacitor") == 0
    likeliest = next(line for line in capsys.readouterr().out.splitlines() if line.startswith(" 1"))
    assert likeliest.split()[1] == "capacitor"


def test_json_holds_every_reading(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "deep" / "found.json"
    assert bulkrail("decode", "5p1K", "1R234", "hello", "\udcff", "--json", str(file)) == 0
    out, err = capsys.readouterr()
    assert f"meanings: {file}" in out.replace("\n", "")
    assert err.startswith('"hello": no code; allowed: ')
    assert len(err.splitlines()) == 2
    content = json.loads(file.read_text(encoding="utf-8"))
    assert content["schema"] == 1
    capacitor, odd, nothing, no_text = content["texts"]
    reading = capacitor["readings"][0]
    assert (reading["component"], reading["value"], reading["unit"]) == ("capacitor", 5.1e-12, "F")
    assert reading["tolerance"] == [-0.1, 0.1]
    assert reading["series"] == ["E24"]
    assert odd["readings"][0]["series"] == []
    assert odd["readings"][0]["nearest"] == {"E24": [1.2, 1.3], "E96": [1.21, 1.24]}
    assert nothing["readings"] == []
    assert nothing["fault"] in err
    assert no_text["text"] == "\udcff"


@pytest.mark.parametrize("texts", [["hello"], ["hello", ""], ["\x1b[2J"], ["9" * 5000]])
def test_nothing_read_ends_2_in_a_line_each(texts: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert bulkrail("decode", *texts) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == len(texts)
    assert all(line.isprintable() and len(line) < 300 for line in err.splitlines())


def test_markup_in_a_marking_is_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert bulkrail("decode", "104", "[bold]x[/bold]") == 0
    assert '"[bold]x[/bold]": no' in capsys.readouterr().err


def test_a_file_that_cannot_be_written_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    assert bulkrail("decode", "104", "--json", str(tmp_path / "file" / "x.json")) == 2
    assert "cannot be written" in capsys.readouterr().err
