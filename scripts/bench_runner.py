"""Benchmark of the main path: check's time and its share in ngspice, the runner against the plain simulator, two
processes against one, and what a stored sample costs. Every ratio comes from one run on one machine.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from harness.check import check_record
from harness.contracts import Metric, Run, Transient
from harness.plan import rectifier_bulk as planned
from harness.simulate import worker
from harness.simulate.campaign import Campaign, Request
from harness.simulate.case import Case, transient_case
from harness.store import runs
from netlists.point import Point
from netlists.record import load_record
from netlists.stages import rectifier_bulk as stage
from netlists.stages.rectifier_bulk import Scenario

RECORD = Path(__file__).parents[1] / "netlists" / "records" / "lantern-65.toml"


def seconds(work: Callable[[], Any]) -> float:
    """Wall time of a call [s]."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def nothing(run: Run) -> tuple[Metric, ...]:
    """Measures nothing, so that only running and storing is timed."""
    return ()


def line_case(periods: int, shift: float = 0.0) -> Case:
    """Running operation of the demonstration record over some line periods; ``shift`` makes another deck of it."""
    record = load_record(RECORD)
    question = next(q for q in planned.questions(record, "mains_rectifier") if q.study == "line_ripple")
    situation, _ = planned.situation(record, "mains_rectifier", Point(), question)
    stop = periods * situation.period
    scenario = Scenario(stop, situation.largest_step(stop), bulk_start=100.0 + shift, relay_closes_at=0.0)
    circuit = stage.bench(situation.params, situation.condition, scenario)
    return transient_case(circuit, stage.probes(situation.params), Transient(stop, scenario.max_step), "event_final")


def bench_check(folder: Path) -> dict[str, float]:
    """Wall time of a check of the demonstration record, and the share of the workers' time spent inside ngspice."""
    began = time.perf_counter()
    assessment, _ = check_record(RECORD, folder, workers=2)
    wall = time.perf_counter() - began
    inside = sum(
        float(runs.read_run(path, signals=(), verify=False).provenance["seconds_simulated"])
        for path in (folder / "runs").rglob("*.h5")
    )
    again = seconds(lambda: check_record(RECORD, folder, workers=2))
    return {
        "check_seconds": wall,
        "check_simulations": float(assessment.provenance["simulations_started"]),
        "check_seconds_in_ngspice_of_both_workers": inside,
        "check_share_in_ngspice": inside / (2 * wall),
        "check_again_seconds": again,
    }


def bench_runner(folder: Path, periods: int, repeats: int) -> dict[str, float]:
    """The runner in this process against ``ngspice -b`` on the same deck, in turn; the ratio is of pairs."""
    program = shutil.which("ngspice")
    if program is None:
        print("bench: no ngspice program here (Debian: apt-get install ngspice), so nothing to compare the runner with")
        return {}
    case = line_case(periods)
    deck = folder / "deck.cir"
    deck.write_text("\n".join([".title bench", *case.lines, ".end", ""]), encoding="ascii")
    command = [program, "-b", "-r", str(folder / "deck.raw"), str(deck)]
    worker.simulate(case, "0" * 64)  # loads the library
    pairs = []
    for _ in range(repeats):
        ours = seconds(lambda: worker.simulate(case, "0" * 64))
        plain = seconds(lambda: subprocess.run(command, check=True, capture_output=True))
        pairs.append((ours, plain))
    return {
        "runner_seconds": statistics.median(ours for ours, _ in pairs),
        "plain_ngspice_seconds": statistics.median(plain for _, plain in pairs),
        "runner_over_plain_ngspice": statistics.median(ours / plain for ours, plain in pairs),
    }


def bench_processes(folder: Path, periods: int, number: int) -> dict[str, float]:
    """Efficiency of two worker processes: time of one over twice the time of two, on the same cases."""
    walls = {}
    for workers in (1, 2):
        requests = [Request(line_case(periods, 0.01 * index), nothing, "bench") for index in range(number)]
        with Campaign(folder / f"workers-{workers}", workers=workers) as campaign:
            _ = campaign.ngspice_version
            # both workers are up before the clock starts
            campaign.run([Request(line_case(1, 50.0 + index), nothing, "bench") for index in range(2 * workers)])
            walls[workers] = seconds(partial(campaign.run, requests))
    return {"one_process_seconds": walls[1], "two_process_efficiency": walls[1] / (2 * walls[2])}


def bench_storage(folder: Path, periods: int) -> dict[str, float]:
    """Bytes a stored sample (one signal at one instant) and speed of writing and reading, by size as f8."""
    run = worker.simulate(line_case(periods), "0" * 64)
    assert run.axis is not None  # simulate returns ok runs only
    samples = run.axis.values.size * (len(run.signals) + 1)
    megabytes = 8 * samples / 1e6
    write = partial(runs.write_run, folder, run, (), postprocess_version="bench", provenance={}, parameters={})
    wall = seconds(write)
    path = runs.run_path(folder, run.case_id)
    return {
        "samples": float(samples),
        "bytes_a_sample": path.stat().st_size / samples,
        "write_megabytes_a_second": megabytes / wall,
        "read_megabytes_a_second": megabytes / seconds(lambda: runs.read_run(path)),
    }


def main() -> None:
    """Runs all parts and prints them; --smoke uses the smallest sizes, to see that the benchmark still works."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--smoke", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="bulkrail-bench-") as text:
        folder = Path(text)
        found: dict[str, float] = {}
        if not options.smoke:
            found |= bench_check(folder / "check")
        found |= bench_runner(folder, 2 if options.smoke else 60, 1 if options.smoke else 7)
        found |= bench_processes(folder, 2 if options.smoke else 20, 2 if options.smoke else 16)
        found |= bench_storage(folder / "storage", 2 if options.smoke else 200)
    for name, value in found.items():
        print(f"{name:45} {value:.4g}")
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
