"""Benchmark of faults: jobs lost where faulty ones are mixed in, from a hang to its kill, what the checks cost.

Prints one JSON object; times are reported, never asserted.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from harness.contracts import Metric, Run, Transient
from harness.simulate import ngspice
from harness.simulate.campaign import Campaign, Request
from harness.simulate.case import Case
from harness.simulate.executors import LocalPool
from harness.store import runs
from netlists.decktext import check_lines
from netlists.probe import Probe

SAVE, TRAN = ".save b", ".tran 1e-05 0.001 0 1e-05 uic"
HANG = ("v1 a 0 1", "r1 a b 1000", SAVE, TRAN, ".control", "while 1", "end", ".endc")
FAULTS = {
    "hang": HANG,
    "crash": ("v1 a 0 1", "r1 a b 1000", ".model", SAVE, TRAN),
    "unfit": ("v1 a 0 1", "r1 a b {nosuch}", SAVE, TRAN),
    "memory": ("v1 a 0 1", "r1 a b 1000", "c1 b 0 1e-06", SAVE, ".tran 1e-09 1 0 1e-09 uic"),
    "sticky": ("v1 a 0 1", "r1 a b 1000", ".options interp", SAVE, TRAN),
}


def good_lines(number: int, stop: float = 1e-3) -> tuple[str, ...]:
    """A checked deck of an RC circuit, one of many."""
    tran = f".tran 1e-05 {stop!r} 0 1e-05 uic"
    return ("vin a 0 1.0", f"rin a b {1000.0 + number}", "cin b 0 1e-06 ic=0.0", SAVE, tran)


def run_unchecked(lines: tuple[str, ...], stop: float, attempt: int) -> float:
    """Runs lines without the deck check, in a worker; the last value."""
    with ngspice.Session(lines, f"bench-{attempt}") as session:
        return float(session.run(Transient(stop, 1e-5), ("b",))[1]["b"][-1])


def end_value(run: Run) -> tuple[Metric, ...]:
    """Last value of the one signal."""
    return (Metric("end", "b", float(run.signals["b"].values[-1]), "V", (0.0, 1e-3)),)


def bench_lost(jobs: int, faults: int, limit: float) -> dict[str, object]:
    """Good jobs that brought no or another value than alone, with faulty ones spread among them."""
    good = [(f"good{number}", run_unchecked, (good_lines(number), 1e-3)) for number in range(jobs - faults)]
    kinds = sorted(FAULTS)
    bad = [
        (f"{kinds[number % len(kinds)]}{number}", run_unchecked, (FAULTS[kinds[number % len(kinds)]], 1.0))
        for number in range(faults)
    ]
    tasks = good + bad
    np.random.default_rng(1).shuffle(tasks)
    with LocalPool(2, 60.0) as pool:
        alone = {answer.key: answer.value for answer in pool.answers(good)}
    began = time.perf_counter()
    with LocalPool(2, limit) as pool:
        mixed = {answer.key: answer for answer in pool.answers(tasks)}
    return {
        "jobs": len(tasks),
        "faulty": len(bad),
        "faulty_that_returned_a_value": sum(mixed[key].ok for key, _, _ in bad),
        "good_lost": sum(key not in mixed or mixed[key].value != alone[key] for key, _, _ in good),
        "seconds": time.perf_counter() - began,
    }


def bench_kill(limit: float, repeats: int) -> dict[str, float]:
    """From the limit of a hung job to its answer [s]; the worker is warm, so only the hang counts."""
    late = []
    with LocalPool(1, limit) as pool:
        for _ in range(repeats):
            list(pool.answers([("warm", run_unchecked, (good_lines(0), 1e-3))], time_limit=60.0))
            began = time.perf_counter()
            list(pool.answers([("hang", run_unchecked, (HANG, 1e-3))]))
            late.append(time.perf_counter() - began - limit)
    return {"limit": limit, "repeats": repeats, "overshoot_median": statistics.median(late), "overshoot_max": max(late)}


def bench_checks(seconds_of_run: float, repeats: int) -> dict[str, float]:
    """What the checks add to a run in this process: deck text, clearing, settings, result; and storing, for scale."""
    probe = Probe("b", "b", "V", "output", "voltage", "0")
    began = time.perf_counter()
    run_unchecked(good_lines(0, 1.0), 1.0, 1)  # 100,000 points
    stop = float(np.ceil(seconds_of_run / (time.perf_counter() - began) * 10) / 10)
    lines = good_lines(0, stop)
    case = Case(lines, (probe,), Transient(stop, 1e-5), "event_survey")
    simulator = ngspice._simulator()
    bare, checked, deck = [], [], []
    for _ in range(repeats):
        simulator.unload_everything()
        began = time.perf_counter()
        simulator.load([".title bare", *lines, ".end"])
        simulator.command("run")
        simulator.vector(simulator.current_plot(), "time")
        simulator.vector(simulator.current_plot(), "b")
        bare.append(time.perf_counter() - began)
        began = time.perf_counter()
        check_lines(case.lines)
        deck.append(time.perf_counter() - began)
        run_unchecked(lines, stop, 1)
        checked.append(time.perf_counter() - began)
    share = [both / alone - 1 for both, alone in zip(checked, bare, strict=True)]
    return {
        "repeats": repeats,
        "run_seconds": statistics.median(bare),
        "checked_seconds": statistics.median(checked),
        "deck_check_seconds": statistics.median(deck),
        "share": statistics.median(share),
    }


def bench_campaign(cases: int) -> dict[str, float]:
    """Seconds a tiny case takes in a campaign of two workers, everything included, and to be found stored."""
    probe = Probe("b", "b", "V", "output", "voltage", "0")
    requests = [
        Request(Case(good_lines(number), (probe,), Transient(1e-3, 1e-5), "event_survey"), end_value, "1")
        for number in range(cases)
    ]
    with tempfile.TemporaryDirectory() as folder:
        seconds = []
        for _ in range(2):
            with Campaign(Path(folder), workers=2) as campaign:
                began = time.perf_counter()
                outcomes = campaign.run(requests)
                seconds.append((time.perf_counter() - began) / cases)
        runs.verify(outcomes[0].path)
    return {"cases": cases, "seconds_a_case": seconds[0], "seconds_a_stored_case": seconds[1]}


def main() -> None:
    """Runs all of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few repeats, only to see that it runs")
    parser.add_argument("--json", type=Path, help="where to write the result as well")
    quick = parser.parse_args().quick
    result = {
        "processors": os.cpu_count(),
        "ngspice": ngspice.version(),
        "lost": bench_lost(20, 5, 1.0) if quick else bench_lost(200, 20, 2.0),
        "kill": bench_kill(0.2, 1) if quick else bench_kill(2.0, 5),
        "checks": bench_checks(0.02, 2) if quick else bench_checks(0.2, 15),
        "campaign": bench_campaign(5 if quick else 200),
    }
    text = json.dumps(result, indent=1)
    if (file := parser.parse_args().json) is not None:
        file.write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
