"""Runs many cases: each once, skipped where stored, whole or not at all, failures kept.

The parent is the only writer of the index; workers write run files. The files are the truth, the index a cache.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version as package_version
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from harness.contracts import Metric, Run, Status
from harness.simulate import worker
from harness.simulate.case import Case
from harness.simulate.executors import Answer, LocalPool
from harness.store import runs
from harness.store.index import Index
from netlists.errors import SetupError, StoreError

TIME_LIMIT = 120.0  # seconds a case may take; the slowest of the line side takes about 2


@dataclass(frozen=True, slots=True)
class Request:
    """A case somebody wants measured.

    Parameters
    ----------
    measure : what is taken from the run;  postprocess_version : changes when it does
    provenance : record, instance, study, condition as texts, for the index and for people
    """

    case: Case
    measure: worker.Measure
    postprocess_version: str
    provenance: Mapping[str, Any] = field(default_factory=dict)
    parameters: Mapping[str, tuple[float, str]] = field(default_factory=dict)


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
    ) -> None:
        self.results = results.resolve()  # workers live in folders of their own
        self._workers = workers or os.cpu_count() or 1
        self._time_limit = time_limit
        self._on_progress = on_progress or (lambda finished, known: None)
        self._ngspice_version = ""
        self._finished = 0
        self._known = 0
        self.simulated = 0

    def __enter__(self) -> Self:
        try:
            self.results.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{self.results}: cannot be made a results folder: {error.strerror}") from error
        self._index = Index.open(self.results)
        self._pool = LocalPool(self._workers, self._time_limit)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.__exit__(kind, error, trace)
        self._index.close()

    @property
    def ngspice_version(self) -> str:
        """Version of the workers' ngspice, asked once."""
        if not self._ngspice_version:
            answer = next(iter(self._pool.answers([("version", _ask_version, ())])))
            if not answer.ok:
                raise SetupError(answer.error)
            self._ngspice_version = str(answer.value)
        return self._ngspice_version

    def run(self, requests: Sequence[Request]) -> list[Outcome]:
        """Outcomes in the order of the requests; equal cases run once."""
        ids = [request.case.identity(self.ngspice_version) for request in requests]
        unique = dict(zip(ids, requests, strict=True))
        self._known += len(unique)
        outcomes: dict[str, Outcome] = {}
        for run_id, request in unique.items():
            stored = self._stored(run_id, request)
            if stored is not None:
                outcomes[run_id] = stored
                self._progress()
        tasks = [
            (run_id, worker.work, (self._job(run_id, request),))
            for run_id, request in unique.items()
            if run_id not in outcomes
        ]
        for answer in self._pool.answers(tasks):
            self.simulated += 1
            run_id = str(answer.key)
            outcomes[run_id] = self._finished_outcome(run_id, unique[run_id], answer)
            self._progress()
        return [outcomes[run_id] for run_id in ids]

    def _progress(self) -> None:
        self._finished += 1
        self._on_progress(self._finished, self._known)

    def _job(self, run_id: str, request: Request) -> worker.Job:
        provenance = {
            **request.provenance,
            "program_version": package_version("bulkrail"),
            "ngspice_version": self.ngspice_version,
        }
        return worker.Job(
            request.case,
            run_id,
            self.results,
            request.measure,
            request.postprocess_version,
            provenance,
            request.parameters,
        )

    def _stored(self, run_id: str, request: Request) -> Outcome | None:
        """A usable run of this case from the folder, its metrics made anew where they are stale; None: simulate."""
        path = runs.run_path(self.results, run_id)
        if not path.exists():
            return None
        try:
            stored = runs.read_run(path, signals=())
            if stored.run.status != "ok":
                return None
            metrics = stored.metrics
            if stored.postprocess_version != request.postprocess_version:
                metrics = request.measure(runs.read_run(path).run)
                runs.rewrite_metrics(path, metrics, request.postprocess_version)
        except StoreError:
            return None  # damaged or of another schema: the case is simulated again and the file replaced whole
        if self._index.known(run_id) is None:
            self._index.record(stored)
        return Outcome(run_id, "ok", metrics, "", path, reused=True)

    def _finished_outcome(self, run_id: str, request: Request, answer: Answer) -> Outcome:
        path = runs.run_path(self.results, run_id)
        if not answer.ok and not answer.unfit:
            self._store_failure(run_id, request, answer)
        try:
            stored = runs.read_run(path, signals=())
        except StoreError as error:
            return Outcome(run_id, "failed", (), answer.error or str(error), path, reused=False)
        self._index.record(stored)
        status: Status = stored.run.status
        reason = "" if status == "ok" else (stored.run.log[0] if stored.run.log else answer.error)
        return Outcome(run_id, status, stored.metrics, reason, path, reused=False)

    def _store_failure(self, run_id: str, request: Request, answer: Answer) -> None:
        """Keeps what is known of a run whose worker could not store it itself."""
        job = self._job(run_id, request)
        status: Status = "timed_out" if answer.timed_out else "failed"
        runs.write_run(
            self.results,
            Run(run_id, status, None, {}, log=(answer.error,)),
            (),
            postprocess_version=request.postprocess_version,
            provenance={**job.provenance, "attempt": answer.tries, "deck": list(request.case.lines)},
            parameters=dict(request.parameters),
        )


def _ask_version(attempt: int) -> str:
    return worker.simulator_version()
