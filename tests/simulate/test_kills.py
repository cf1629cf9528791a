"""SIGKILL, Ctrl-C, two parents at once, full and read-only disks: nothing lost, nothing doubled, one line said."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import driver
import numpy as np
import psutil
import pytest
from simulate_decks import run_files, small_case

import harness.simulate.campaign as campaign_module
from harness.simulate.campaign import Campaign
from harness.store import runs
from harness.store.index import Index
from netlists import decktext
from netlists.errors import StoreError

ROOT = Path(campaign_module.__file__).parents[2]
DEMONSTRATION = Path(decktext.__file__).parent / "records" / "lantern-65.toml"
DRIVER = Path(driver.__file__)
CASES = 120


@pytest.fixture
def environment() -> Iterator[dict[str, str]]:
    """Variables of a subprocess with a temporary folder of its own, which must be empty of workers in the end.

    Its path is short, since a socket lies in it.
    """
    with tempfile.TemporaryDirectory() as temporary:
        yield os.environ | {"TMPDIR": temporary, "PYTHONPATH": os.pathsep.join([str(DRIVER.parent), str(ROOT)])}
        end = time.monotonic() + 20
        while list(Path(temporary).glob("bulkrail-*")) and time.monotonic() < end:
            time.sleep(0.02)
        assert list(Path(temporary).glob("bulkrail-*")) == []


def test_a_temporary_folder_too_long_for_a_socket_is_one_line(
    tmp_path: Path, environment: dict[str, str], record: Path
) -> None:
    long = tmp_path / ("long" * 30)
    long.mkdir()
    with start(environment | {"TMPDIR": str(long)}, "check", "", record, "--out", tmp_path / "results") as process:
        _, said = process.communicate(timeout=60)
    assert process.returncode == 2
    assert said.count("\n") == 1
    assert "no socket can be made" in said
    assert "set TMPDIR" in said


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """A record without the limits file that lies beside the demonstration."""
    return Path(shutil.copy(DEMONSTRATION, tmp_path / "record.toml"))


def start(environment: dict[str, str], *arguments: object, **options: Any) -> subprocess.Popen[str]:
    command = [sys.executable, str(DRIVER), *map(str, arguments)]
    return subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options
    )


def assert_whole(results: Path, ids: list[str]) -> None:
    """Every run there, each once, each opens, no temporary file, the index in step."""
    assert run_files(results) == ids
    for run_id in ids:
        assert runs.read_run(runs.run_path(results, run_id)).run.status == "ok"
    assert [path for path in results.rglob("*") if path.name.startswith(".") or path.suffix == ".tmp"] == []
    with Index.open(results) as index:
        assert sorted(row.run_id for row in index.rows(status="ok")) == ids


def test_the_parent_killed_at_20_instants(tmp_path: Path, environment: dict[str, str]) -> None:
    random = np.random.default_rng(2020)
    results, fresh = tmp_path / "results", tmp_path / "uninterrupted"
    cut_short = 0
    with start(environment, "parents", stdin=subprocess.PIPE) as parents:
        assert parents.stdin is not None
        assert parents.stdout is not None

        def lines_of(folder: Path, *kill: object) -> list[str]:
            print(folder, CASES, 2, "", "", *kill, sep="\t", file=parents.stdin, flush=True)
            return list(iter(answer, "ended"))

        def answer() -> str:
            line = parents.stdout.readline()  # type: ignore[union-attr]
            assert line, f"the process that starts parents has ended: {parents.communicate(timeout=60)}"
            return str(line.strip())

        for _ in range(20):
            kill_at = len(run_files(results)) + int(random.integers(1, 3))
            lines = lines_of(results, kill_at, random.uniform(0.0, 0.005))  # somewhere within a case
            cut_short += not any(line.startswith("done") for line in lines)
        resumed = lines_of(results)
        assert lines_of(fresh)[-1] == resumed[-1]
        _, complaints = parents.communicate(timeout=60)
    assert cut_short == 20
    # A parent that dies while a worker is being born leaves it without its start data; Python says so, no more.
    assert not complaints or complaints.rstrip().endswith("EOFError: Ran out of input"), complaints
    ids = sorted(word.split(":")[0] for word in resumed[-1].split()[1:])
    assert run_files(fresh) == ids
    assert_whole(results, ids)


@pytest.mark.parametrize("fault", ["kill_before_replace", "kill_all_before_replace"])
def test_killed_between_fsync_and_replace(tmp_path: Path, environment: dict[str, str], fault: str) -> None:
    results, mark = tmp_path / "results", tmp_path / "mark"
    with start(environment, results, 4, 1, fault, mark) as first:
        first.communicate(timeout=120)
    assert mark.exists()
    if fault == "kill_all_before_replace":
        assert first.returncode == -signal.SIGKILL
        assert len(list(results.rglob("*.tmp"))) == 1
    with start(environment, results, 4, 1) as second:
        said, complaints = second.communicate(timeout=120)
    assert (second.returncode, complaints) == (0, "")
    assert_whole(results, sorted(word.split(":")[0] for word in said.splitlines()[-1].split()[1:]))


def test_two_parents_at_once(tmp_path: Path, environment: dict[str, str]) -> None:
    results = tmp_path / "results"
    with start(environment, results, 40, 1) as one, start(environment, results, 40, 1) as other:
        said = [parent.communicate(timeout=120) for parent in (one, other)]
    assert [complaints for _, complaints in said] == ["", ""]
    last = [lines.splitlines()[-1] for lines, _ in said]
    assert last[0] == last[1]
    assert all(word.endswith(":ok") for word in last[0].split()[1:])
    assert_whole(results, sorted(word.split(":")[0] for word in last[0].split()[1:]))


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        ("ENOSPC", "No space left on device); free some space, or choose another results folder"),
        ("EDQUOT", "free some space, or choose another results folder"),
        ("EROFS", "Read-only file system); choose a results folder that can be written"),
        ("FSIZE", "File too large); check the results folder"),
    ],
    ids=["ENOSPC", "EDQUOT", "EROFS", "FSIZE"],
)
def test_a_disk_that_cannot_be_written_ends_the_campaign_in_one_line(tmp_path: Path, fault: str, text: str) -> None:
    with Campaign(tmp_path, workers=1) as campaign:
        campaign.run(driver.requests(1))
        with pytest.raises(StoreError) as raised:
            campaign.run(driver.requests(4, fault))
    assert text in str(raised.value)
    assert len(str(raised.value).splitlines()) == 1
    before = run_files(tmp_path)
    assert len(before) >= 1
    with Campaign(tmp_path, workers=1) as campaign:  # there is room again
        outcomes = campaign.run(driver.requests(4))
        assert campaign.simulated == 4 - len(before)
    assert_whole(tmp_path, sorted(outcome.run_id for outcome in outcomes))


def test_a_disk_full_for_the_parent_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The parent stores what a worker could not: a run that timed out."""

    def refuse(*_: object, **__: object) -> None:
        raise StoreError("results: cannot be written (No space left on device)")

    monkeypatch.setattr(runs, "write_run", refuse)
    slow = driver.request_of(small_case(0))
    with Campaign(tmp_path, workers=1, time_limit=0.0) as campaign, pytest.raises(StoreError, match="No space left"):
        campaign.run([slow])


def run_check(environment: dict[str, str], *arguments: object) -> tuple[int, str]:
    with start(environment, "check", *arguments) as process:
        _, complaints = process.communicate(timeout=120)
    return process.returncode, complaints


def test_check_says_one_line_and_exits_2_where_results_cannot_be_written(
    tmp_path: Path, environment: dict[str, str], record: Path
) -> None:
    for fault in ("ENOSPC", "EROFS"):
        code, said = run_check(environment, fault, record, "--out", tmp_path / "results", "--no-plots")
        assert (code, len(said.splitlines())) == (2, 1), said
        assert "cannot be written" in said
    (tmp_path / "file").write_text("no folder")
    code, said = run_check(environment, "", record, "--out", tmp_path / "file", "--no-plots")
    assert (code, len(said.splitlines())) == (2, 1), said
    assert "something else stands where a folder is needed" in said
    assert (tmp_path / "file").read_text() == "no folder"


def test_ctrl_c_stops_in_one_line_and_a_rerun_goes_on(
    tmp_path: Path, environment: dict[str, str], record: Path
) -> None:
    results = tmp_path / "results"
    many = environment | {"SMALL_CASES": "3000"}
    with start(many, "check", "", record, "--out", results, "--no-plots", start_new_session=True) as process:
        end = time.monotonic() + 60
        while len(run_files(results)) < 5 and time.monotonic() < end:
            time.sleep(0.02)
        family = psutil.Process(process.pid).children(recursive=True)
        os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 130
    assert said.splitlines() == ["stopped; finished runs are kept, the same command goes on from them"]
    _, alive = psutil.wait_procs(family, timeout=20)
    assert alive == []
    stored = len(run_files(results))
    assert 5 <= stored < 3000
    with Campaign(results, workers=1) as campaign:
        outcomes = campaign.run(driver.requests(stored + 2))
        assert campaign.simulated <= 4  # the two new ones and those that were under way
    assert all(outcome.status == "ok" for outcome in outcomes)
