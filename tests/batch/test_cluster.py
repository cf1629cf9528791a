"""Batches on a Dask cluster of this machine: private folders, a lost worker, and what can be wrong with one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest
from demonstration import LANTERN

from harness.batch import Axis, Batch, SweepTable
from harness.simulate import cluster
from harness.store import files
from netlists.errors import SetupError

dask = pytest.importorskip("dask")
distributed = pytest.importorskip("distributed")

pytestmark = pytest.mark.filterwarnings("ignore")  # a library of this size closes its sockets late

LINE = Axis("condition.line", start=100, stop=240, count=6)
ANGLES = Axis("condition.angle", [30, 60, 90])


def batch(results: Path, **options: Any) -> Batch:
    return Batch(LANTERN, "mains_rectifier", ["inrush_peak"], [LINE, ANGLES], results=results, **options)


@pytest.fixture(scope="module")
def scheduler() -> Iterator[Any]:
    """Two worker processes that may have children."""
    with (
        dask.config.set({"distributed.worker.daemon": False}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
        ) as local,
    ):
        yield local


def run_files(results: Path) -> set[str]:
    return {path.stem for path in results.glob("runs/??/*.h5")}


def assert_same(found: SweepTable, expected: SweepTable) -> None:
    assert [row.values for row in found.rows] == [row.values for row in expected.rows]
    assert [row.runs for row in found.rows] == [row.runs for row in expected.rows]


@pytest.fixture(scope="module")
def local(tmp_path_factory: pytest.TempPathFactory) -> SweepTable:
    return batch(tmp_path_factory.mktemp("local")).run()


def test_a_cluster_brings_what_one_machine_does(scheduler: Any, local: SweepTable, tmp_path: Path) -> None:
    """Workers store into folders of their own; what comes back is sealed and written by the parent."""
    table = batch(tmp_path / "private", workers=scheduler.scheduler_address).run()
    assert_same(table, local)
    assert table.simulated == 18
    assert run_files(tmp_path / "private") == {run_id for row in table.rows for run_id in row.runs.values()}
    for path in (tmp_path / "private").glob("runs/??/*.h5"):
        files.check_seal(path)
    assert batch(tmp_path / "private", workers=scheduler.scheduler_address).run().simulated == 0
    shared = batch(tmp_path / "shared", workers=scheduler.scheduler_address, shared=True).run()
    assert_same(shared, local)
    assert run_files(tmp_path / "shared") == run_files(tmp_path / "private")


def test_a_case_that_hangs_costs_itself_alone(scheduler: Any, tmp_path: Path) -> None:
    table = batch(tmp_path, workers=scheduler.scheduler_address, time_limit=0.01).run()
    assert {row.status for row in table.rows} == {"failed"}
    assert all("killed after the time limit of 0.01 s" in row.reason for row in table.rows)
    assert len(run_files(tmp_path)) == 18


def test_a_worker_killed_in_the_middle_loses_and_doubles_nothing(
    scheduler: Any, local: SweepTable, tmp_path: Path
) -> None:
    """Each case is told once, though those of the lost worker are run again elsewhere."""
    told: list[int] = []

    def kill_one(finished: int, known: int) -> None:
        told.append(finished)
        if finished == 3:
            victim = next(iter(scheduler.workers.values()))
            psutil.Process(victim.process.pid).kill()

    table = batch(tmp_path, workers=scheduler.scheduler_address).run(kill_one)
    assert_same(table, local)
    assert told == list(range(1, 19))
    assert table.simulated == 18
    assert len(run_files(tmp_path)) == 18


def test_a_scheduler_that_goes_away_is_one_line_and_marks_nothing_failed(local: SweepTable, tmp_path: Path) -> None:
    with dask.config.set({"distributed.worker.daemon": False, "distributed.comm.timeouts.connect": "2s"}):
        short = distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
        )

    def close(finished: int, known: int) -> None:
        if finished == 3:
            short.close()

    with pytest.raises(SetupError, match="the scheduler was lost; what came back is stored"):
        batch(tmp_path, workers=short.scheduler_address).run(close)
    assert len(run_files(tmp_path)) >= 3
    again = batch(tmp_path).run()
    assert again.simulated < 18
    assert_same(again, local)


def test_an_unreachable_scheduler_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECT_LIMIT", 1.0)
    with pytest.raises(SetupError, match=r"^tcp://127.0.0.1:9: no scheduler within 1 s") as caught:
        batch(tmp_path, workers="tcp://127.0.0.1:9").run()
    assert len(str(caught.value).splitlines()) == 1


def test_workers_that_cannot_do_the_work_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "WORKERS_LIMIT", 0.5)
    options = {"threads_per_worker": 1, "dashboard_address": None, "silence_logs": 50}
    with (
        distributed.LocalCluster(n_workers=0, processes=False, **options) as none,
        pytest.raises(SetupError, match=r"the scheduler has no worker after 0.5 s; start some"),
    ):
        batch(tmp_path, workers=none.scheduler_address).run()
    monkeypatch.setattr(cluster, "WORKERS_LIMIT", 20.0)
    with (
        dask.config.set({"distributed.worker.daemon": True}),  # as it is where nobody changed it
        distributed.LocalCluster(n_workers=1, processes=True, **options) as nannied,
        pytest.raises(SetupError, match=r"worker tcp://\S+ cannot start child processes: start it with --no-nanny"),
    ):
        batch(tmp_path, workers=nannied.scheduler_address).run()
