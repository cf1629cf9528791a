"""The command line as a user meets it: exit codes, one line for bad input, quiet where it is no terminal."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from demonstration import LANTERN, Checked

COMMAND = [sys.executable, "-c", "from harness.cli import main; main()"]


def bulkrail(*arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "COLUMNS": "80", "PYTHONWARNINGS": "default"}
    return subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, cwd=cwd, env=environment, timeout=120, check=False
    )


def test_help_names_the_commands() -> None:
    done = bulkrail("--help")
    assert done.returncode == 0
    assert "check" in done.stdout
    assert "new" in done.stdout


def test_check_of_the_demonstration_record(checked: Checked, tmp_path: Path) -> None:
    """A second check too: it starts no simulation, writes no run, and finds the same."""
    before = {path: path.stat().st_mtime_ns for path in (checked.results / "runs").rglob("*.h5")}
    json_file = tmp_path / "deep" / "lantern.json"
    done = bulkrail("check", str(LANTERN), "--out", str(checked.results), "--json", str(json_file))
    assert done.returncode == checked.assessment.exit_code == 1  # the record hangs on values not read yet
    assert done.stderr == ""  # no progress bar where stderr is no terminal
    assert max(len(line) for line in done.stdout.splitlines() if not line.startswith(("plot:", "assessment:"))) <= 100
    for text in ("inrush_peak", "holdup_time", "undecided", "recorded only", "Caution", "flips at"):
        assert text in done.stdout
    assert "…" not in re.sub(r"plot: .*", "", done.stdout)  # nothing was cut off
    again = json.loads(json_file.read_text(encoding="utf-8"))
    assert again["provenance"]["simulations_started"] == 0
    assert {path: path.stat().st_mtime_ns for path in (checked.results / "runs").rglob("*.h5")} == before
    found, first = ([(row["value"], row["verdict"]) for row in one["metrics"]] for one in (again, checked.json))
    assert found == first
    plots = list((checked.results / "plots").glob("*.png"))
    assert len(plots) >= 3
    assert all(plot.read_bytes().startswith(b"\x89PNG") and plot.stat().st_size > 10_000 for plot in plots)


def test_new_writes_a_starter_and_keeps_what_is_there(tmp_path: Path) -> None:
    done = bulkrail("new", "kiln-1", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "bulkrail check kiln-1.toml" in done.stdout
    text = (tmp_path / "kiln-1.toml").read_text(encoding="utf-8")
    assert text.count("#") > 20
    again = bulkrail("new", "kiln-1", cwd=tmp_path)
    assert again.returncode == 2
    assert "exists already" in again.stderr
    assert (tmp_path / "kiln-1.toml").read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["check", "nowhere.toml"], "nowhere.toml: cannot be read: No such file or directory"),
        (["check", str(LANTERN), "--instance", "mains_rectifer"], "nearest: mains_rectifier"),
        (["check", str(LANTERN), "--instance", "lamp_output"], "lamp_output cannot be simulated yet"),
        (["new", "Bad Name"], "NAME: must be lower-case letters"),
        (["new", "x\ny"], "NAME: must be lower-case letters"),
    ],
    ids=["missing-file", "unknown-instance", "instance-without-model", "bad-name", "newline-in-name"],
)
def test_bad_input_is_one_line_and_exit_2(arguments: list[str], said: str, tmp_path: Path) -> None:
    done = bulkrail(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("arguments", [["chek"], ["check"], ["check", str(LANTERN), "--unknown", "1"]])
def test_wrong_usage_ends_with_2(arguments: list[str], tmp_path: Path) -> None:
    done = bulkrail(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_several_findings_come_at_once(tmp_path: Path) -> None:
    text = LANTERN.read_text(encoding="utf-8")
    text = text.replace('b_value = { value = "2800", low = "2600", high = "3100" }', 'b_value = "-2800 10%"')
    text = text.replace('average_current_rating = "4"', 'average_curent_rating = "4"')
    text = text.replace('metric = "inrush_peak"', 'metric = "inrush_peek"')
    file = tmp_path / "broken.toml"
    file.write_text(text, encoding="utf-8")
    done = bulkrail("check", str(file), cwd=tmp_path)
    assert done.returncode == 2
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 2
    assert 'b_value: must be > 0 K, found "-2800 10%"' in lines[0]
    assert "nearest: average_current_rating" in lines[1]
    assert all(re.match(r"broken\.toml:\d+: ", line) for line in lines)
    file.write_text(LANTERN.read_text(encoding="utf-8").replace("inrush_peak", "inrush_peek"), encoding="utf-8")
    done = bulkrail("check", str(file), cwd=tmp_path)
    assert "claims.inrush.metric: unknown metric" in done.stderr
    assert "nearest: inrush_peak" in done.stderr


def test_a_results_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    done = bulkrail("check", str(LANTERN), "--out", "taken", cwd=tmp_path)
    assert done.returncode == 2
    assert "taken: cannot be written (File exists); something else stands where a folder is needed" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "mine"


def test_the_readme_shows_what_check_prints(checked: Checked) -> None:
    """Metric, subject and verdict of README's rows are those of the record, in its order; some are left out."""
    text = (LANTERN.parents[2] / "README.md").read_text(encoding="utf-8")
    text = text[text.index("```\nlantern-65:") :].split("\n```")[0]
    shown = re.findall(r"^([a-z]\w+) +(\w+) .*?(within|over|undecided|unjudged|failed) *$", text, flags=re.MULTILINE)
    found = iter([(row["metric"], row["subject"], row["verdict"]) for row in checked.json["metrics"]])
    assert len(shown) >= 30
    assert [one for one in shown if one not in found] == []  # each behind the one before
