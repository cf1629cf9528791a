"""Runs many cases: each once, skipped where stored, whole or not at all, failures kept.

The parent is the only writer of the index; workers write run files. The files are the truth, the index a cache.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Callable, Collection, Generator, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version as package_version
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Protocol, Self

from harness.contracts import Metric, Run, Status
from harness.simulate import worker
from harness.simulate.case import Case
from harness.simulate.executors import START_LIMIT, Answer, LocalPool
from harness.store import files, runs
from harness.store.index import Index
from netlists.errors import DamagedRunError, SetupError, StoreError

LONGEST_CHAIN = 20  # neighbouring cases on one worker: a longer one would leave the others idle
CALCULATION_LIMIT = 600.0  # seconds a task that simulates nothing may take
TIME_LIMIT = 120.0  # seconds a case may take; the slowest of the line side takes about 2


Task = tuple[Hashable, Callable[..., Any], tuple[Any, ...]]
# Waveforms of runs that are ok: all; or of those a batch says are its worst; or none. Of failed ones what there is.
Keep = Literal["all", "failed_and_worst", "none"]
KEEP = "keep"  # key in the provenance of runs stored under another than all


class Executor(Protocol):
    """Where tasks are run: ``LocalPool`` on this machine, ``ClusterPool`` elsewhere."""

    @property
    def slots(self) -> int: ...

    def answers(self, tasks: Iterable[Task], time_limit: float | None = None) -> Generator[Answer, None, None]: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


@dataclass(frozen=True, slots=True)
class Request:
    """A case somebody wants measured.

    Parameters
    ----------
    measure : what is taken from the run;  postprocess_version : changes when it does
    provenance : record, instance, study, condition as texts, for the index and for people
    chain : requests with the same text here run one after another on one worker, each from the one before it, in the
        order they are given; empty: alone
    """

    case: Case
    measure: worker.Measure
    postprocess_version: str
    provenance: Mapping[str, Any] = field(default_factory=dict)
    parameters: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    chain: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a request. ``error`` is empty where ``status`` is ok; ``reused`` where nothing was simulated."""

    run_id: str
    status: Status
    metrics: tuple[Metric, ...]
    error: str
    path: Path
    reused: bool


class Campaign:
    """Keeps a results folder and a pool of workers while rounds of cases are run.

    Parameters
    ----------
    results : the results folder, made where missing
    workers : worker processes; default: one a processor
    time_limit : seconds a case may take before its worker is killed
    on_progress : called with the number of cases finished and known so far
    keep : whose waveforms are stored; ``failed_and_worst`` stores all until ``drop_waveforms`` is told which to keep
    retry_failed : False: what failed before is told as failed again, without another try
    executor : makes what runs the cases; default: ``workers`` processes of this machine
    spread : cut chains so that no worker is idle, as suits a sweep that is one long chain

    Raises
    ------
    StoreError : the folder cannot be used
    SetupError : the machine lacks libngspice
    """

    def __init__(
        self,
        results: Path,
        *,
        workers: int | None = None,
        time_limit: float = TIME_LIMIT,
        on_progress: Callable[[int, int], None] | None = None,
        keep: Keep = "all",
        retry_failed: bool = True,
        executor: Callable[[], Executor] | None = None,
        spread: bool = False,
    ) -> None:
        self.results = results.resolve()  # workers live in folders of their own
        processes = workers or os.cpu_count() or 1
        self._executor = executor or (lambda: LocalPool(processes, time_limit))
        self._keep = keep
        self._spread = spread
        self._retry_failed = retry_failed
        self._droppable: set[str] = set()  # runs stored under failed_and_worst that still have their waveforms
        self._on_progress = on_progress or (lambda finished, known: None)
        self._program_version = package_version("bulkrail")
        self._ngspice_version = ""
        self._finished = 0
        self._known = 0
        self.simulated = 0

    def __enter__(self) -> Self:
        try:
            self.results.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise files.unwritable(self.results, error) from error
        _remove_unfinished(self.results)
        self._index = Index.open(self.results)
        try:
            self._pool = self._executor()
        except BaseException:
            self._index.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._pool.__exit__(kind, error, trace)
        finally:
            self._index.close()

    @property
    def ngspice_version(self) -> str:
        """Version of the workers' ngspice, asked once."""
        if not self._ngspice_version:
            (answer,) = self._pool.answers([("version", _ask_version, ())], time_limit=START_LIMIT)
            if not answer.ok:
                raise SetupError(answer.error)
            self._ngspice_version = str(answer.value)
        return self._ngspice_version

    def calculate(self, function: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> list[Any]:
        """What a function gives for each of some arguments, side by side in the workers; None where one was lost.

        Parameters
        ----------
        function : of a module, so that a worker finds it; it is given the try, from 1, behind its arguments
        """
        tasks: list[Task] = [(index, function, one) for index, one in enumerate(arguments)]
        found: list[Any] = [None] * len(tasks)
        for answer in self._pool.answers(tasks, time_limit=CALCULATION_LIMIT):
            if answer.ok:
                found[int(str(answer.key))] = answer.value
        return found

    def run(self, requests: Sequence[Request]) -> list[Outcome]:
        """Outcomes in the order of the requests; equal cases run once.

        Raises
        ------
        StoreError : the results folder cannot be written, or holds a run of a schema this program does not know, which
            is never overwritten; what was stored before stays
        """
        ids = [request.case.identity(self.ngspice_version) for request in requests]
        unique = dict(zip(ids, requests, strict=True))
        self._known += len(unique)
        outcomes: dict[str, Outcome] = {}
        for run_id, request in unique.items():
            stored = self._stored(run_id, request)
            if stored is not None:
                outcomes[run_id] = stored
                self._progress()
        waiting = {run_id: request for run_id, request in unique.items() if run_id not in outcomes}
        self._simulate(self._tasks(waiting, chained=True), unique, outcomes)
        left = {run_id: request for run_id, request in waiting.items() if run_id not in outcomes}
        self._simulate(self._tasks(left, chained=False), unique, outcomes)
        return [outcomes[run_id] for run_id in ids]

    def _tasks(self, waiting: Mapping[str, Request], *, chained: bool) -> list[Task]:
        """Tasks of the pool: a chain's requests in pieces of at most ``LONGEST_CHAIN``, all others alone.

        Where chains are spread, pieces are shorter if a worker would be idle otherwise.
        """
        share = math.ceil(len(waiting) / self._pool.slots) if self._spread else LONGEST_CHAIN
        length = min(LONGEST_CHAIN, max(1, share))
        chains: dict[str, list[str]] = {}
        for run_id, request in waiting.items():
            chains.setdefault(request.chain if chained and request.chain else run_id, []).append(run_id)
        tasks: list[Task] = []
        for run_ids in chains.values():
            for first in range(0, len(run_ids), length):
                piece = run_ids[first : first + length]
                jobs = [self._job(run_id, waiting[run_id]) for run_id in piece]
                if len(jobs) == 1:
                    tasks.append((piece[0], worker.work, (jobs[0],)))
                else:
                    tasks.append((tuple(piece), worker.work_chain, (jobs,)))
        return tasks

    def _simulate(self, tasks: Sequence[Task], requests: Mapping[str, Request], outcomes: dict[str, Outcome]) -> None:
        """Fills in outcomes; what a chain left undone, since its worker was lost, stays out for another try."""
        with contextlib.closing(self._pool.answers(tasks)) as answers:
            for answer in answers:
                for single in _single_answers(answer):
                    run_id = str(single.key)
                    if single.kind in ("timed_out", "died") and isinstance(answer.key, tuple):
                        stored = self._stored(run_id, requests[run_id])
                        if stored is None:
                            continue
                        outcomes[run_id] = stored
                    else:
                        outcomes[run_id] = self._outcome(run_id, requests[run_id], single)
                    self.simulated += 1
                    self._progress()

    def _progress(self) -> None:
        self._finished += 1
        self._on_progress(self._finished, self._known)

    def _job(self, run_id: str, request: Request) -> worker.Job:
        provenance = {
            **request.provenance,
            "program_version": self._program_version,
            "ngspice_version": self.ngspice_version,
            **({} if self._keep == "all" else {KEEP: self._keep}),
        }
        return worker.Job(
            request.case,
            run_id,
            self.results,
            request.measure,
            request.postprocess_version,
            provenance,
            request.parameters,
            keep_waveforms=self._keep != "none",
        )

    def stored(self, request: Request) -> Outcome | None:
        """What is stored of a request; None where ``run`` would simulate it."""
        return self._stored(request.case.identity(self.ngspice_version), request)

    def drop_waveforms(self, keep: Collection[str]) -> None:
        """Takes the waveforms away of all runs so far that were stored under ``failed_and_worst``, but of some."""
        for run_id in sorted(self._droppable - set(keep)):
            path = runs.run_path(self.results, run_id)
            runs.drop_waveforms(path)
            self._index.record(runs.read_run(path, signals=()))
            self._droppable.discard(run_id)

    def _enter(self, stored: runs.StoredRun) -> None:
        """Puts a run into the index, where it is not there as it is."""
        if stored.run.status == "ok" and stored.has_waveforms and stored.provenance.get(KEEP) == "failed_and_worst":
            self._droppable.add(stored.run.case_id)
        self._index.record(stored)

    def _stored(self, run_id: str, request: Request) -> Outcome | None:
        """A usable run of this case from the folder, its metrics made anew where they are stale; None: simulate."""
        path = runs.run_path(self.results, run_id)
        if not path.exists():
            return None
        try:
            stored = runs.read_run(path, signals=())
            if stored.run.status != "ok":
                return None if self._retry_failed else _failed_before(stored, path)
            if not stored.has_waveforms and self._keep == "all":
                return None  # who wants all waveforms gets them
            if stored.postprocess_version != request.postprocess_version:
                return self._measured_again(run_id, request, path) if stored.has_waveforms else None
        except DamagedRunError:
            return None  # the case is simulated again and the file replaced whole
        if self._index.known(run_id) is None or self._keep == "failed_and_worst":
            self._enter(stored)
        return Outcome(run_id, "ok", stored.metrics, "", path, reused=True)

    def _measured_again(self, run_id: str, request: Request, path: Path) -> Outcome:
        """Metrics from stored waveforms; a measure that raises costs this case only and leaves the file as it was."""
        run = runs.read_run(path).run
        try:
            metrics = tuple(request.measure(run))
        except Exception as error:  # a measure is anybody's code
            return Outcome(run_id, "failed", (), f"measure: {worker.reason(error)}", path, reused=True)
        runs.rewrite_metrics(path, metrics, request.postprocess_version)
        self._index.record(runs.read_run(path, signals=()))
        return Outcome(run_id, "ok", metrics, "", path, reused=True)

    def _outcome(self, run_id: str, request: Request, answer: Answer) -> Outcome:
        """What became of a simulated case, with its failure stored where the worker could not."""
        path = runs.run_path(self.results, run_id)
        if answer.kind == "unstorable":
            raise StoreError(answer.error)
        status: Status = "ok" if answer.ok else "timed_out" if answer.kind == "timed_out" else "failed"
        stored = self._read_back(path)
        if status != "ok" and (stored is None or stored.run.status != status):
            self._store_failure(run_id, status, request, answer)
            stored = self._read_back(path)
        if stored is None:
            return Outcome(run_id, "failed", (), answer.error or f"{path}: not readable", path, reused=False)
        self._enter(stored)
        is_current = stored.postprocess_version == request.postprocess_version
        if stored.run.status == "ok" and is_current and answer.kind != "failed":
            # also where the worker died or another parent was faster after the run was stored
            return Outcome(run_id, "ok", stored.metrics, "", path, reused=False)
        if answer.ok:
            return self._measured_again(run_id, request, path)  # another parent's version was stored after ours
        return Outcome(run_id, status, (), answer.error, path, reused=False)

    def _read_back(self, path: Path) -> runs.StoredRun | None:
        try:
            return runs.read_run(path, signals=())
        except StoreError:
            return None

    def _store_failure(self, run_id: str, status: Status, request: Request, answer: Answer) -> None:
        """Keeps what is known of a run whose worker could not store it itself."""
        job = self._job(run_id, request)
        runs.write_run(
            self.results,
            Run(run_id, status, None, {}, log=(answer.error,)),
            (),
            postprocess_version=request.postprocess_version,
            provenance={**job.provenance, "attempt": answer.tries, "deck": list(request.case.lines)},
            parameters=dict(request.parameters),
        )


def _failed_before(stored: runs.StoredRun, path: Path) -> Outcome:
    """A stored failure as it was told when it happened."""
    error = stored.run.log[0] if stored.run.log else "no log was kept"
    return Outcome(stored.run.case_id, stored.run.status, (), error, path, reused=True)


def _single_answers(answer: Answer) -> list[Answer]:
    """A chain's answer as one for each of its runs; a single run's as it is."""
    if not isinstance(answer.key, tuple):
        return [answer]
    if not answer.ok:
        # an unfit worker ends a chain as a lost one does: what it had not stored is tried again alone
        kind = answer.kind if answer.kind in ("unstorable", "timed_out") else "died"
        return [replace(answer, key=run_id, kind=kind) for run_id in answer.key]
    return [
        replace(answer, key=run_id, kind="failed" if error else "ok", value=None, error=error)
        for run_id, error in zip(answer.key, answer.value, strict=True)
    ]


def _remove_unfinished(results: Path) -> None:
    """Removes temporary files of writers that died, which the store does only where it writes the next time."""
    for folder in {leftover.parent for leftover in results.glob("runs/??/.*.tmp")}:
        with contextlib.suppress(OSError), files.locked(folder) as alone:
            if alone:  # so no other writer is at work in this folder
                for leftover in folder.glob(".*.tmp"):
                    leftover.unlink(missing_ok=True)


def _ask_version(attempt: int) -> str:
    return worker.simulator_version()
