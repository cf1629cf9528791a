"""The sweep file and the command: all findings at once with their lines, what it prints, stopping and going on."""

from __future__ import annotations

import csv
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from demonstration import LANTERN

from harness.batch import load_sweep
from netlists.errors import RecordError

COMMAND = [sys.executable, "-c", "from harness.cli import main; main()", "sweep"]
HEAD = f"""schema = 1
record = "{LANTERN}"
instance = "mains_rectifier"
metrics = ["inrush_peak"]
"""
GOOD = (
    HEAD
    + """[axes]
"condition.line" = ["115 V", "230 V"]
"condition.angle" = { start = "0 deg", stop = "90 deg", count = 2 }
"""
)


def sweep(tmp_path: Path, text: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    file = tmp_path / "line.toml"
    file.write_text(text, encoding="utf-8")
    command = [*COMMAND, file.name, *arguments]
    return subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, timeout=120, check=False)


def test_a_sweep_file_from_dry_run_to_table(tmp_path: Path) -> None:
    done = sweep(tmp_path, GOOD, "--dry-run")
    assert done.returncode == 0, done.stderr
    assert done.stdout == "4 points, 0 rejected: at least 4 cases, 0 stored, at least 4 to simulate\n"
    assert not (tmp_path / "results").exists()
    done = sweep(tmp_path, GOOD, "--csv", "copy.csv")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""  # no bar where stderr is no terminal
    assert "4 points: 4 ok, 0 failed, 0 rejected (0 % of all)" in done.stdout
    assert re.search(r"worst inrush_peak of line: \d.* A at line 230 V, angle 90 deg \(run [0-9a-f]{12}\)", done.stdout)
    assert max(map(len, done.stdout.splitlines())) <= 100
    written = (tmp_path / "results" / "sweeps" / "line.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(written.splitlines()))
    assert [(row["condition.line [V]"], row["condition.angle [deg]"], row["status"]) for row in rows] == [
        (line, angle, "ok") for line in ("115.0", "230.0") for angle in ("0.0", "90.0")
    ]
    assert (tmp_path / "copy.csv").read_text(encoding="utf-8") == written
    stored = {path.stem for path in (tmp_path / "results").glob("runs/??/*.h5")}
    assert {row["inrush_peak.line run"] for row in rows} == stored
    done = sweep(tmp_path, GOOD, "--dry-run")
    assert done.stdout == "4 points, 0 rejected: 4 cases, 4 stored, 0 to simulate\n"


def test_all_findings_come_at_once_with_their_lines(tmp_path: Path) -> None:
    text = (
        HEAD.replace("schema = 1", "schema = 1\nkeep = 'some'\nsamples = -1\ncolour = 'red'")
        + """
[ageing]
capacitance = "80%"
[axes]
"condition.line" = ["115 V", "50 Hz"]
"condition.angel" = [0, 90]
"stages.mains_rectifier.parts.C1.capacitance" = []
"condition.ambient" = { start = 1, stop = 4, count = 10000000000 }
"line.resistance" = { spacing = "log" }
ageing = 3
"""
    )
    done = sweep(tmp_path, text)
    assert done.returncode == 2
    said = {int(line.split(":")[1]): line for line in done.stderr.strip().splitlines()}
    for number, words in {
        2: "keep: unknown keep", 3: "samples: must be a whole number >= 0", 4: "colour: unknown field",
        9: "ageing.esr: missing", 12: 'must be a value in V such as "400", found "50 Hz"',
        13: "nearest: condition.angle", 14: "no level; list some values", 15: "10000000000 levels",
        16: "unknown spacing", 17: "must be a list of values, a table",
    }.items():  # fmt: skip
        assert words in said[number], said
        assert said[number].startswith(f"line.toml:{number}: ")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("schema = 1", "schema = 7"), "line.toml:1: schema: schema 7 is not known to this program"),
        (('"inrush_peak"', '"inrush_peek"'), "line.toml:4: metrics.0: unknown metric .*nearest: inrush_peak"),
        (('"mains_rectifier"', '"mains"'), "line.toml:3: instance: unknown instance .*nearest: mains_rectifier"),
        ((f'record = "{LANTERN}"', ""), "record: missing; name the record's file"),
        (("lantern-65.toml", "lantern.toml"), "lantern.toml: cannot be read"),
        (("schema = 1", 'schema = 1\nquestion = "lowest"'), "line.toml:2: question: no .*highest line"),
        (("[axes]", "[axes]\nageing = [0, 1]"), "ageing: an axis ageing .* go together"),
        (('["115 V", "230 V"]', '"recorded"\n"stages.mains_rectifier.parts.RT1.current_rating" = [3]'),
         "axes.stages.mains_rectifier.parts.RT1.current_rating: no metric asked rests on it"),
        (("count = 2", "count = 900000"), "1800000 points .1.8e.06.; a sweep has at most 1000000"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line(change: tuple[str, str], said: str, tmp_path: Path) -> None:
    assert change[0] in GOOD
    file = tmp_path / "line.toml"
    file.write_text(GOOD.replace(*change), encoding="utf-8")
    with pytest.raises(RecordError, match=said) as caught:
        load_sweep(file)
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--workers", "0"], "workers: must be 1 to 256, or an address, found 0"),
        (["--workers", "somewhere"], "workers: must be a number, or an address"),
        (["--shared"], "shared: says that a cluster's workers write into the results folder"),
        (["--csv", "table.txt"], "--csv: must end in .csv, found table.txt"),
        (["--out", "line.toml"], "line.toml: cannot be written"),
    ],
)
def test_wrong_options_end_with_2(arguments: list[str], said: str, tmp_path: Path) -> None:
    done = sweep(tmp_path, GOOD, *arguments)
    assert done.returncode == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_ctrl_c_says_how_to_go_on_and_the_same_command_does(tmp_path: Path) -> None:
    many = GOOD.replace("count = 2", "count = 10")
    (tmp_path / "line.toml").write_text(many, encoding="utf-8")
    process = subprocess.Popen(
        [*COMMAND, "line.toml", "--workers", "1"], cwd=tmp_path, text=True, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    while len(list(tmp_path.glob("results/runs/??/*.h5"))) < 2:
        assert process.poll() is None, process.stderr
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 130
    assert said == "stopped; finished runs are kept, the same command goes on from them\n"
    kept = len(list(tmp_path.glob("results/runs/??/*.h5")))
    assert 2 <= kept < 20
    done = sweep(tmp_path, many)
    assert f"{20 - kept} cases simulated" in done.stdout
    assert len(list(tmp_path.glob("results/runs/??/*.h5"))) == 20
