"""Benchmark of batches: runs a second against the plain simulator under xargs, cost of a task here and on Dask, a
finished batch again, an index of many runs, and the parent's memory. Every ratio comes from one run on one machine.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Generator, Iterable, Sequence
from pathlib import Path
from typing import Any

import psutil

from harness.batch import Axis, Batch
from harness.contracts import Metric, Run
from harness.plan.plan import PLANS
from harness.plan.sweep import points
from harness.simulate.campaign import Campaign, Request, Task
from harness.simulate.executors import Answer, LocalPool
from harness.simulate.worker import Job, simulator_version
from harness.store import runs
from harness.store.export import write_csv
from harness.store.index import Index
from harness.stored import run_columns

RECORD = Path(__file__).parents[1] / "netlists" / "records" / "lantern-65.toml"
PROCESSES = 2


def seconds(work: Callable[[], Any]) -> float:
    """Wall time of a call [s]."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def inrush(results: Path, number: int, kind: type[Batch] = Batch) -> Batch:
    """A batch of so many cases, each of some 0.1 s: inrush at one angle, over the line's voltage."""
    axes = [Axis("condition.line", start=100, stop=240, count=number), Axis("condition.angle", [90])]
    return kind(RECORD, "mains_rectifier", ["inrush_peak"], axes, results=results, workers=PROCESSES)


def requests_of(batch: Batch) -> list[Request]:
    """The cases of a batch whose studies have one round."""
    found = []
    for labels in points(batch.scales, batch.design):
        asked = batch._place(labels)
        question = asked.question(batch.questions[0])
        planner = PLANS["rectifier_bulk"]
        about, _ = planner.situation(asked.record, batch.instance, asked.point, question)
        found += planner.STUDIES[question.study](about).ask()
    return found


def bench_rate(folder: Path, number: int) -> dict[str, float]:
    """Runs a second of a batch and of ``xargs -P2 ngspice -b`` on the same decks, and of the batch once finished."""
    batch = inrush(folder / "results", number)
    first = batch.run()
    again = batch.run()
    found = {
        "batch_runs_a_second": first.simulated / first.seconds,
        "again_simulated": float(again.simulated),
        "again_milliseconds_a_point": 1e3 * again.seconds / number,
    }
    program = shutil.which("ngspice")
    if program is None:
        print("bench: no ngspice program here (Debian: apt-get install ngspice), so nothing to compare the batch with")
        return found
    decks = folder / "decks"
    decks.mkdir()
    for index, request in enumerate(requests_of(batch)):
        text = "\n".join([".title bench", *request.case.lines, ".end", ""])
        (decks / f"{index}.cir").write_text(text, encoding="ascii")
    names = "\n".join(str(path) for path in decks.glob("*.cir"))
    command = ["xargs", f"-P{PROCESSES}", "-I{}", program, "-b", "-r", "{}.raw", "{}"]
    plain = seconds(lambda: subprocess.run(command, input=names, text=True, check=True, capture_output=True))
    found["plain_runs_a_second"] = number / plain
    found["batch_over_plain_rate"] = found["batch_runs_a_second"] / found["plain_runs_a_second"]
    return found


def bench_tasks(number: int, *, cluster: bool) -> dict[str, float]:
    """Cost of a task that does nothing, on this machine's pool and on a Dask cluster of as many workers."""
    tasks: list[Task] = [(index, abs, ()) for index in range(number)]
    with LocalPool(PROCESSES, 60.0) as pool:
        list(pool.answers(tasks[: 2 * PROCESSES]))  # workers are up before the clock starts
        local = seconds(lambda: list(pool.answers(tasks)))
    found = {"local_milliseconds_a_task": 1e3 * local / number}
    if not cluster:
        return found
    try:
        import dask
        from distributed import LocalCluster
    except ImportError:
        print("bench: no distributed here (the extra cluster), so no cost of a task on Dask")
        return found
    from harness.simulate.cluster import ClusterPool

    with (
        dask.config.set({"distributed.worker.daemon": False}),
        LocalCluster(
            n_workers=PROCESSES, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
        ) as local_cluster,
        tempfile.TemporaryDirectory() as results,
    ):
        pool_there = ClusterPool(local_cluster.scheduler_address, 60.0, Path(results))
        try:
            list(pool_there.answers(tasks[: 8 * PROCESSES]))
            far = seconds(lambda: list(pool_there.answers(tasks)))
        finally:
            pool_there.__exit__(None, None, None)
    return {**found, "dask_milliseconds_a_task": 1e3 * far / number}


def tiny_run(run_id: str) -> bytes:
    """A run file with one metric and no waveform."""
    metric = Metric("inrush_peak", "line", int(run_id[:4], 16) / 1000, "A", (0.0, 0.02), 0.005)
    origin = {"record": "bench", "instance": f"stage_{run_id[0]}", "study": "inrush", "condition": "230 V"}
    return runs.encode_run(
        Run(run_id, "ok", None, {}), (metric,), postprocess_version="bench", provenance=origin, parameters={}
    )


def tiny_runs(folder: Path, number: int) -> None:
    """Fills a results folder with such runs."""
    for index in range(number):
        run_id = hashlib.sha256(str(index).encode()).hexdigest()
        path = runs.run_path(folder, run_id)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(tiny_run(run_id))  # without the flush to the disk that a stored run gets


def bench_index(folder: Path, number: int) -> dict[str, float]:
    """An index of synthetic runs: made from the files, opened again, filtered, exported."""
    tiny_runs(folder, number)
    made = seconds(lambda: Index.open(folder).close())
    opened = seconds(lambda: Index.open(folder).close())
    with Index.open(folder) as opened_index:
        filtered = seconds(lambda: opened_index.rows(instance="stage_a", metric="inrush_peak"))
        rows = opened_index.rows()
    exported = seconds(lambda: write_csv(folder / "runs.csv", run_columns(rows)))
    return {
        "index_runs": float(len(rows)), "index_made_seconds": made, "index_opened_seconds": opened,
        "index_filtered_seconds": filtered, "index_exported_seconds": exported,
        "index_bytes_a_run": (folder / "index.sqlite").stat().st_size / number,
    }  # fmt: skip


class StubExecutor:
    """Stands in for worker processes: stores a tiny run for each job at once.

    ``spent`` [s] is processor time that workers take elsewhere, so it does not count as the parent's.
    """

    spent = 0.0
    slots = 1

    def answers(self, tasks: Iterable[Task], time_limit: float | None = None) -> Generator[Answer, None, None]:
        for key, _, arguments in tasks:
            if not arguments:
                yield Answer(key, "ok", simulator_version(), "", 1)
                continue
            began = time.process_time()
            job: Job = arguments[0]
            metric = Metric("inrush_peak", "line", 40.0, "A", (0.0, 0.02), 0.005)
            data = runs.encode_run(
                Run(job.run_id, "ok", None, {}), (metric,), postprocess_version=job.postprocess_version,
                provenance=job.provenance, parameters=job.parameters,
            )  # fmt: skip
            path = runs.run_path(job.results, job.run_id)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
            StubExecutor.spent += time.process_time() - began
            yield Answer(key, "ok", None, "", 1)

    def __exit__(self, *_: object) -> None:
        """Nothing to end."""


class StubBatch(Batch):
    """A batch whose cases cost nothing, so that what is left is the parent."""

    def _campaign(self, on_progress: Callable[[int, int], None]) -> Campaign:
        return Campaign(self.results, executor=StubExecutor, on_progress=on_progress)


def bench_parent(folder: Path, number: int) -> dict[str, float]:
    """The parent's own processor time a run, and how its memory grows from the first tenth of the runs to the last."""
    process = psutil.Process()
    seen: dict[int, int] = {}
    marks: Sequence[int] = (number // 10, number)

    def look(finished: int, known: int) -> None:
        if finished in marks:
            seen[finished] = process.memory_info().rss

    began = time.process_time()
    table = inrush(folder, number, StubBatch).run(look)
    own = time.process_time() - began - StubExecutor.spent
    first, last = (seen[mark] for mark in marks)
    return {
        "parent_runs": float(len(table.rows)),
        "parent_processor_milliseconds_a_run": 1e3 * own / number,
        "parent_growth_bytes_a_run": (last - first) / (marks[1] - marks[0]),
        "parent_memory_megabytes": last / 1e6,
    }


def main() -> None:
    """Runs all parts and prints them; --quick uses the smallest sizes and no cluster, to see that it works."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--quick", action="store_true")
    options = parser.parse_args()
    quick = options.quick
    with tempfile.TemporaryDirectory(prefix="bulkrail-bench-") as text:
        folder = Path(text)
        (folder / "rate").mkdir()
        found = bench_rate(folder / "rate", 4 if quick else 200)
        found |= bench_tasks(20 if quick else 2000, cluster=not quick)
        found |= bench_index(folder / "index", 20 if quick else 10_000)
        found |= bench_parent(folder / "parent", 20 if quick else 5000)
    for name, value in found.items():
        print(f"{name:45} {value:.4g}")
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
