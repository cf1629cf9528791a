"""Campaigns: each case once, failures kept and retried, stale metrics measured again, damage noticed.

Starts of the simulator are counted, never timed.
"""

from __future__ import annotations

import contextlib
import gc
import signal
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
from simulate_decks import (
    CHECKED_REFERENCE,
    case_of,
    measure_end,
    measure_in_vain,
    measure_nonsense,
    measure_twice,
    request_of,
    run_files,
    small_case,
    small_requests,
)

from harness.contracts import SmallSignal, Transient
from harness.simulate.campaign import Campaign, Outcome, Request
from harness.simulate.case import MOST_STEPS, Case, transient_case
from harness.store import files, runs
from harness.store.index import Index
from netlists.errors import DeckError

GOOD = request_of(small_case(0))
SLOW = request_of(case_of((*CHECKED_REFERENCE[:4], ".tran 1e-05 40.0 0 1e-05 uic"), 40.0))  # seconds of work


def run(results: Path, requests: list[Request], **options: Any) -> tuple[list[Outcome], int]:
    """Outcomes and the number of cases simulated."""
    with Campaign(results, workers=1, **options) as campaign:
        return campaign.run(requests), campaign.simulated


def test_stored_runs_are_not_simulated_again(tmp_path: Path) -> None:
    first, simulated = run(tmp_path, small_requests(5))
    assert simulated == 5
    again, simulated = run(tmp_path, small_requests(7))
    assert simulated == 2
    assert [outcome.reused for outcome in again] == [True] * 5 + [False] * 2
    assert [outcome.metrics for outcome in again[:5]] == [outcome.metrics for outcome in first]


def test_equal_cases_run_once_and_progress_counts_them(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    outcomes, simulated = run(tmp_path, [GOOD] * 4, on_progress=lambda finished, known: seen.append((finished, known)))
    assert simulated == 1
    assert len({outcome.run_id for outcome in outcomes}) == 1
    assert seen == [(1, 1)]


def test_stale_metrics_are_measured_from_the_waveforms(tmp_path: Path) -> None:
    (first,), _ = run(tmp_path, [GOOD])
    (again,), simulated = run(tmp_path, [request_of(small_case(0), measure_twice, "2")])
    assert simulated == 0
    assert again.reused
    assert again.metrics[0].name == "twice"
    assert again.metrics[0].value == pytest.approx(2 * first.metrics[0].value, rel=1e-7)  # f4 signals
    assert runs.read_run(first.path, signals=()).postprocess_version == "2"
    with Index.open(tmp_path) as index:
        assert [metric.name for metric in index.metrics(first.run_id)] == ["twice"]


def test_failed_runs_are_kept_and_tried_again(tmp_path: Path) -> None:
    bad = request_of(case_of(CHECKED_REFERENCE, vector="nosuch"))
    (first,), _ = run(tmp_path, [bad])
    assert (first.status, first.metrics) == ("failed", ())
    stored = runs.read_run(first.path)
    assert stored.run.status == "failed"
    assert stored.run.log[0] == first.error == "missing_vector: ngspice returned no nosuch"
    assert any("Data Rows" in line for line in stored.run.log)  # what ngspice said is kept
    assert stored.provenance["deck"] == list(CHECKED_REFERENCE)
    _, simulated = run(tmp_path, [bad])
    assert simulated == 1


def test_a_timed_out_run_is_kept_as_such(tmp_path: Path) -> None:
    (slow, good), simulated = run(tmp_path, [SLOW, GOOD], time_limit=1.0)
    assert (slow.status, slow.error) == ("timed_out", "killed after the time limit of 1 s")
    assert runs.read_run(slow.path).run.status == "timed_out"
    assert good.status == "ok"
    assert simulated == 2


@pytest.mark.parametrize("measure", [measure_in_vain, measure_nonsense])
def test_a_measure_that_raises_costs_its_case_only(tmp_path: Path, measure: Any) -> None:
    (bad, good), _ = run(tmp_path, [request_of(small_case(1), measure), GOOD])
    assert (bad.status, good.status) == ("failed", "ok")
    assert len(bad.error.splitlines()) == 1
    assert runs.read_run(bad.path).run.status == "failed"


def test_a_measure_that_raises_on_stored_waveforms_costs_its_case_only(tmp_path: Path) -> None:
    run(tmp_path, small_requests(2))
    bad = request_of(small_case(0), measure_in_vain, "2")
    (failed, good), simulated = run(tmp_path, [bad, request_of(small_case(1))])
    assert simulated == 0
    assert (failed.status, failed.error) == ("failed", "measure: ZeroDivisionError: a measure of anybody")
    assert good.status == "ok"
    stored = runs.read_run(failed.path, signals=())
    assert (stored.run.status, stored.postprocess_version) == ("ok", "1")  # the run itself is not lost


@pytest.mark.parametrize("harm", ["flip", "cut", "empty", "text"])
def test_a_damaged_run_is_noticed_and_simulated_again(tmp_path: Path, harm: str) -> None:
    (first,), _ = run(tmp_path, [GOOD])
    data = bytearray(first.path.read_bytes())
    data[len(data) // 2] ^= 1
    harmed = {"flip": bytes(data), "cut": bytes(data[:-100]), "empty": b"", "text": b"no run"}[harm]
    first.path.write_bytes(harmed)
    (again,), simulated = run(tmp_path, [GOOD])
    assert simulated == 1
    assert (again.status, again.reused) == ("ok", False)
    assert again.metrics == first.metrics
    runs.verify(first.path)


def test_leftovers_of_dead_writers_are_removed_on_opening(tmp_path: Path) -> None:
    (first,), _ = run(tmp_path, [GOOD])
    leftover = first.path.with_name(f".{first.path.name}.1.abcd.tmp")
    leftover.write_bytes(b"half a run")
    _, simulated = run(tmp_path, [GOOD])
    assert simulated == 0
    assert not leftover.exists()
    leftover.write_bytes(b"a run being written by another")
    with files.locked(leftover.parent), pytest.raises(Rang), alarm(0.5):
        run(tmp_path, [GOOD])  # waits for the other writer
    assert leftover.exists()


class Rang(Exception):
    """The alarm."""


@contextlib.contextmanager
def alarm(seconds: float) -> Iterator[None]:
    """Raises Rang in the main thread after a while."""

    def ring(*_: object) -> None:
        raise Rang

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def test_an_analysis_without_a_solver_fails_alone(tmp_path: Path) -> None:
    case = Case(CHECKED_REFERENCE, (), SmallSignal(1.0, 10.0, 5), "event_survey")
    (bad, good), _ = run(tmp_path, [request_of(case), GOOD])
    assert bad.error == "analysis: SmallSignal has no solver yet"
    assert good.status == "ok"


def test_too_many_steps_are_refused_before_ngspice_reserves_memory(tmp_path: Path) -> None:
    from PySpice.Spice.Netlist import Circuit

    line = r"a run of 1 s in steps of 1e-09 s has 1e\+09 of them, at most 5e\+06 fit into memory: run it shorter"
    with pytest.raises(DeckError, match=line):
        transient_case(Circuit("c"), (), Transient(1.0, 1e-9), "event_survey")
    for stop, step in ((0.0, 1e-6), (-1.0, 1e-6), (1.0, 0.0), (float("nan"), 1e-6), (float("inf"), 1e-6)):
        with pytest.raises(DeckError, match="of a run must be > 0 s"):
            transient_case(Circuit("c"), (), Transient(stop, step), "event_survey")
    many = Case(CHECKED_REFERENCE, (), Transient(1.0, 0.9 / MOST_STEPS), "event_survey")  # built by hand
    (outcome,), _ = run(tmp_path, [request_of(many)])
    assert outcome.error.startswith("deck: a run of 1 s")


def growth_of_the_parent(results: Path, rounds: int, used: Callable[[], int]) -> float:
    """Bytes a case, by a straight line through ``used`` after each round of 10 tiny cases but the first five."""
    after: list[int] = []
    with Campaign(results, workers=2) as campaign:
        for first in range(0, 10 * rounds, 10):
            outcomes = campaign.run([request_of(small_case(number)) for number in range(first, first + 10)])
            assert all(outcome.status == "ok" for outcome in outcomes)
            del outcomes
            gc.collect()
            after.append(used())
    rest = np.array(after[5:], dtype=float)
    return float(np.polyfit(10.0 * np.arange(rest.size), rest, 1)[0])


def test_memory_of_the_parent_is_flat_over_300_cases(tmp_path: Path) -> None:
    """Python's objects, counted: the resident size moves by whole 1 MB arenas, 4 kB a case where one falls within."""
    tracemalloc.start()
    try:
        assert growth_of_the_parent(tmp_path, 30, lambda: tracemalloc.get_traced_memory()[0]) < 500.0
    finally:
        tracemalloc.stop()
    assert len(run_files(tmp_path)) == 300


def test_resident_memory_of_the_parent_is_flat_over_300_cases(tmp_path: Path) -> None:
    """Under 1 kB a case after the first 50. One arena of 1 MB within the stretch would read as 4 kB, so a second try
    may be flat where the first was not; a leak shows in both."""
    process = psutil.Process()

    def grown(name: str) -> float:
        return growth_of_the_parent(tmp_path / name, 30, lambda: int(process.memory_info().rss))

    assert grown("first") < 1000.0 or grown("second") < 1000.0


@pytest.mark.campaign
def test_resident_memory_of_the_parent_is_flat_over_3000_cases(tmp_path: Path) -> None:
    """Ten times as long, so that no arena of 1 MB can hide a leak or look like one."""
    process = psutil.Process()
    assert growth_of_the_parent(tmp_path, 300, lambda: int(process.memory_info().rss)) < 1000.0


def test_measures_may_be_partial_functions(tmp_path: Path) -> None:
    from functools import partial

    (outcome,), _ = run(tmp_path, [request_of(small_case(0), partial(measure_end), "1")])
    assert outcome.status == "ok"
