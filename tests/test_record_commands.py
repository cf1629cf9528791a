"""The commands that rewrite a record, as a person types them."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import LANTERN

from harness.cli import app, run_and_exit

C1 = "stages.mains_rectifier.parts.C1"


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demonstration record in the current folder."""
    monkeypatch.chdir(tmp_path)
    file = Path(LANTERN.name)
    file.write_bytes(LANTERN.read_bytes())
    return file


def bulkrail(*words: str) -> int:
    with pytest.raises(SystemExit) as ended:
        run_and_exit(lambda: app(words, print_error=True, exit_on_error=True, result_action="return_value"))
    return int(ended.value.code or 0)


def test_export_edit_import_correct(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert bulkrail("export", str(record)) == 0
    assert "lantern-65.csv (99 rows)" in capsys.readouterr().out
    parts = Path("lantern-65.csv")
    parts.write_text(
        parts.read_text(encoding="utf-8").replace(",loss_angle,0.15,", ",loss_angle,0.12,"), encoding="utf-8"
    )
    assert bulkrail("import", str(parts), str(record), "--dry-run") == 0
    said = capsys.readouterr().out
    assert f"changed {C1}.loss_angle: was 0.15 (0.06 to 0.2), now 0.12 (0.06 to 0.2), assumed" in said
    assert f"moves {C1}.esr (esr_from_loss_angle): 1.326 ohm" in said
    assert "nothing written (--dry-run)" in said
    assert record.read_bytes() == LANTERN.read_bytes()
    assert bulkrail("import", str(parts), "--why", "bridge", "--keep", "kept.toml") == 0  # the record goes by the list
    assert "1 changed, 0 added, 0 not placed; wrote lantern-65.toml" in capsys.readouterr().out
    assert (
        bulkrail(
            "correct", str(record), f"{C1}.esr", "0.9", "--known", "measured", "--tolerance", "5%", "--why", "bridge"
        )
        == 0
    )
    assert "bulkrail report lantern-65.toml --corrects REPORT.html" in capsys.readouterr().out
    assert record.read_text(encoding="utf-8").count('why = "bridge"') == 2


def test_a_fault_is_a_line_and_ends_2(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert bulkrail("correct", str(record), f"{C1}.loss_angle", "9", "--why", "x") == 2
    assert bulkrail("import", "none.csv", str(record)) == 2
    assert bulkrail("export", "none.toml") == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert lines[1] == "none.csv: cannot be read: No such file or directory"


def test_what_has_no_place_ends_1(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("parts.csv").write_text("Ref,Value\nR77,1k\n", encoding="utf-8")
    assert bulkrail("import", "parts.csv", str(record), "--known", "marked") == 1
    assert "not placed: line 2: R77: 1k: no stage: name one in a column or by --stage" in capsys.readouterr().out
