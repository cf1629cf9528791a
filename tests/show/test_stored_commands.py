"""The commands runs, metrics and plot as a user meets them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import warnings
from pathlib import Path

import pytest
from stored_runs import VERSION, a_run, failed_run, run_id, stored

from harness import cli
from harness.store import runs

COMMAND = [sys.executable, "-c", "from harness.cli import main; main()"]
ONE = run_id("one")[:6]


def bulkrail(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own."""
    environment = {**os.environ, "COLUMNS": "80"}
    return subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, cwd=cwd, env=environment, timeout=60, check=False
    )


def called(*arguments: str) -> int:
    """The command in this process: its exit code."""
    with pytest.MonkeyPatch.context() as patch, warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Cyclopts application invoked without tokens")  # it has them, in argv
        patch.setattr(sys, "argv", ["bulkrail", *arguments])
        with pytest.raises(SystemExit) as ended:
            cli.main()
    return int(ended.value.code or 0)


@pytest.fixture
def results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Three runs in ./results, one of them failed and one stale."""
    monkeypatch.chdir(tmp_path)
    stored(tmp_path / "results")
    stored(tmp_path / "results", a_run("old"), version="0" + VERSION[1:])
    stored(tmp_path / "results", failed_run())
    return tmp_path / "results"


def test_the_three_commands_in_a_row(results: Path) -> None:
    done = bulkrail("runs", cwd=results.parent)
    assert (done.returncode, done.stderr) == (0, "")
    assert "3 runs: 2 ok, 1 failed" in done.stdout
    short = next(line for line in done.stdout.splitlines() if line.startswith(ONE)).split()[0]
    done = bulkrail("metrics", short, cwd=results.parent)
    assert (done.returncode, done.stderr) == (0, "")
    assert "holdup_time" in done.stdout
    done = bulkrail("plot", short, "--signals", "bulk_voltage", "--from", "10 ms", "--to", "0.15", cwd=results.parent)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"plot: results/plots/run-{short}.png (10 ms to 150 ms)\n"
    assert (results / "plots" / f"run-{short}.png").read_bytes().startswith(b"\x89PNG")


def test_help_loads_nothing_heavy(tmp_path: Path) -> None:
    script = "import sys, harness.cli as c\ntry:\n c.main()\nexcept SystemExit:\n pass\n"
    script += "print([m for m in ('numpy', 'h5py', 'matplotlib', 'PySpice', 'scipy') if m in sys.modules])"
    for arguments in (["--help"], ["plot", "--help"]):
        done = subprocess.run([sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=True)
        assert done.stdout.splitlines()[-1] == "[]"
    assert "--from" in done.stdout


def test_a_reader_that_goes_away_meets_no_traceback(results: Path) -> None:
    script = "import sys; from harness.cli import main; sys.stdout.flush(); main()"
    process = subprocess.Popen(
        [sys.executable, "-c", script, "runs", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=results.parent, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == ""
    process.stderr.close()
    process.wait(timeout=60)


def test_json_is_all_that_stdout_holds(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert called("runs", "--json", "--status", "failed") == 0
    assert [run["why"] for run in json.loads(capsys.readouterr().out)["runs"]] == ["timestep: too small"]
    assert called("metrics", run_id("old")[:8], "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["state"] == "recomputed"
    assert called("metrics", "--metric", "holdup_time", "--json") == 0
    assert len(json.loads(capsys.readouterr().out)["rows"]) == 2


def test_recomputing_is_said_once(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert called("metrics", run_id("old")[:8]) == 0
    assert "metrics recomputed: the stored ones were of version 0" in capsys.readouterr().out
    assert called("metrics", run_id("old")[:8]) == 0
    assert "recomputed" not in capsys.readouterr().out


def test_stale_or_failed_ends_1(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stored(results, a_run("unknown"), version="?", measure=None)
    assert called("metrics", run_id("unknown")[:8]) == 1
    assert "stale: measured by version ?" in capsys.readouterr().out
    assert called("metrics", run_id("bad")[:8]) == 1
    assert "failed: timestep: too small" in capsys.readouterr().out
    assert called("metrics", "--metric", "holdup_time") == 1


def test_a_damaged_index_is_made_again(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert called("runs") == 0
    before = capsys.readouterr().out
    (results / "index.sqlite").write_bytes(b"\0" * 9000)
    assert called("runs") == 0
    assert capsys.readouterr().out == before


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["runs", "nowhere"], "nowhere: no such results folder"),
        (["runs", "taken"], "taken: is a file"),
        (["runs", "--record", "kiln"], "nearest: kiln-900"),
        (["metrics", "--results", "nowhere", "abcd"], "nowhere: no such results folder"),
        (["metrics", "abc"], "RUN: must be 4 to 64 digits"),
        (["metrics", "0000"], "no stored run begins with 0000; nearest: "),
        (["metrics"], "give either RUN"),
        (["metrics", ONE, "--metric", "holdup_time"], "give either RUN"),
        (["metrics", ONE, "--study", "holdup"], "--study: goes with --metric"),
        (["metrics", "--metric", "holdup"], "nearest: holdup_time"),
        (["plot", ONE, "--signals", "bulk,line_current"], "nearest: bulk_voltage"),
        (["plot", ONE, "--from", "2 s"], "--from: 2 s is not before the run's end"),
        (["plot", ONE, "--from", "50ms", "--to", "40ms"], "must end after it starts"),
        (["plot", ONE, "--to", "-40ms"], "--to: -40 ms is not after the run's start"),
        (["plot", ONE, "--file", "x.jpg"], "--file: must end in .png, found x.jpg"),
        (["plot", ONE, "--file", "taken/x.png"], "x.png: cannot be written"),
        (["plot", run_id("bad")[:6]], "kept no waveforms"),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, list) else "",
)
def test_errors_are_one_line_and_exit_2(
    results: Path, arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("taken").write_text("mine", encoding="utf-8")
    assert called(*arguments) == 2
    captured = capsys.readouterr()
    assert said in captured.err
    assert len(captured.err.strip().splitlines()) == 1
    assert captured.out == ""


def test_a_damaged_run_is_one_line_and_exit_2(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = runs.run_path(results, run_id("one"))
    path.write_bytes(path.read_bytes()[:900])
    for command in ("metrics", "plot"):
        assert called(command, ONE) == 2
        said = capsys.readouterr().err.strip()
        assert len(said.splitlines()) == 1
        assert "run the case again" in said
    assert called("runs") == 0
    assert "1 unreadable" in capsys.readouterr().out
