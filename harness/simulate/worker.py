"""What runs inside a worker process: one case through ngspice, measured and stored, or its failure stored.

A worker lives in an empty folder with an empty HOME, a memory limit and no core dumps. It ends itself when its
simulator is no longer fit for another case, and when its parent is gone.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import pickle
import resource
import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Literal

from harness.contracts import Axis, Metric, Periodic, Run, Transient, signals_of
from harness.simulate import ngspice, periodic
from harness.simulate.case import Case, check_steps
from harness.simulate.folders import log_of, remove_worker_folder
from harness.simulate.steady_state import Warm
from harness.store import runs
from netlists.decktext import check_lines
from netlists.errors import BulkrailError, SimulationError, StoreError, one_line, shortened

Measure = Callable[[Run], tuple[Metric, ...]]

MEMORY_LIMIT = 4 * 2**30  # bytes of address space a worker may have
LONGEST_REASON = 390  # characters of an error's line
READY = "ready"  # a worker's first word, before any task's time limit starts


@dataclass(frozen=True, slots=True)
class Job:
    """A case with what is to be made of it.

    Parameters
    ----------
    measure : takes the finished run's metrics, at full precision, before anything is rounded for storage
    postprocess_version : names what ``measure`` does; another text makes stored metrics stale
    provenance, parameters : stored beside the waveforms
    keep_waveforms : False: of a run that is ok, metrics and deck alone are stored
    """

    case: Case
    run_id: str
    results: Path
    measure: Measure
    postprocess_version: str
    provenance: Mapping[str, Any] = field(default_factory=dict)
    parameters: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    keep_waveforms: bool = True


@dataclass(frozen=True, slots=True)
class Reply:
    """A worker's answer to a task.

    Parameters
    ----------
    kind : ``unstorable`` where the results folder cannot be written, which concerns the whole batch
    fit : False where the worker ends itself after this reply
    """

    kind: Literal["ok", "failed", "unstorable"]
    value: Any
    error: str
    fit: bool = True


def serve(connection: Connection, folder: Path, memory_limit: int) -> None:
    """The life of a worker: tasks from its parent, one after another, until there is no parent or no fit simulator."""
    try:
        enter(folder, memory_limit)
    except OSError:  # no parent keeps this folder any more: there is nobody to tell
        os._exit(1)
    threading.Thread(target=_end_with_parent, args=(folder,), daemon=True).start()
    try:
        connection.send_bytes(pickle.dumps(READY))
        while True:
            reply = _reply(connection.recv_bytes())
            connection.send_bytes(_packed(reply))
            if not reply.fit:
                break
    except (EOFError, OSError):  # the parent is gone
        remove_worker_folder(folder)
    os._exit(0)  # nothing of this process is worth an orderly end


def enter(folder: Path, memory_limit: int = MEMORY_LIMIT) -> None:
    """Prepares this process to be a worker that lives in an empty folder; called once, before ngspice is loaded."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the parent decides
    log = os.open(log_of(folder), os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for stream in (1, 2):  # libraries print into a person's terminal otherwise
        os.dup2(log, stream)
    os.close(log)
    os.chdir(folder)
    for name in [name for name in os.environ if name.startswith(("SPICE_", "NGSPICE_", "XDG_"))]:
        if name != "NGSPICE_LIBRARY_PATH":
            del os.environ[name]
    os.environ.update(HOME=str(folder), TMPDIR=str(folder), OMP_NUM_THREADS="1")
    _limit(resource.RLIMIT_AS, memory_limit)
    _limit(resource.RLIMIT_CORE, 0)
    _fail_on_exit()


def _limit(kind: int, most: int) -> None:
    _, hard = resource.getrlimit(kind)
    most = most if hard == resource.RLIM_INFINITY else min(most, hard)
    resource.setrlimit(kind, (most, most))


def _fail_on_exit() -> None:
    """Makes a call of exit() from within a library a crash: an orderly end in the middle of a task would hide it."""
    library = ctypes.CDLL(None)
    with contextlib.suppress(AttributeError):  # a C library without on_exit: then only the time limit finds out
        library.on_exit(ctypes.cast(library.abort, ctypes.c_void_p), None)


def _end_with_parent(folder: Path) -> None:
    """Waits until the parent is gone, also by SIGKILL, and ends this process wherever it is, a hung run included."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        remove_worker_folder(folder)
        os.kill(os.getpid(), signal.SIGKILL)


def _reply(task: bytes) -> Reply:
    try:
        function, arguments = pickle.loads(task)
        value = function(*arguments)
    except StoreError as error:
        return Reply("unstorable", None, reason(error), ngspice.is_fit())
    except BulkrailError as error:
        unfit = isinstance(error, SimulationError) and error.unfit
        return Reply("failed", None, reason(error), not unfit and ngspice.is_fit())
    except MemoryError:
        return Reply("failed", None, "out of memory", fit=False)
    except Exception as error:  # a fault of ours in one task must not end the batch
        return Reply("failed", None, reason(error), ngspice.is_fit())
    return Reply("ok", value, "", ngspice.is_fit())


def _packed(reply: Reply) -> bytes:
    try:
        return pickle.dumps(reply)
    except Exception as error:  # whatever a value's own pickling raises
        return pickle.dumps(Reply("failed", None, f"the answer cannot be sent: {reason(error)}", reply.fit))


def reason(error: BaseException) -> str:
    """An error as one line; the type is named where the error is none of ours."""
    text = str(error) if isinstance(error, BulkrailError) else f"{type(error).__name__}: {error}".removesuffix(": ")
    return shortened(one_line(" ".join(text.split())), LONGEST_REASON)


def simulator_version() -> str:
    """ngspice's version as a worker sees it."""
    return ngspice.version()


def work(job: Job, attempt: int) -> None:
    """Runs a job to a stored run file.

    Raises
    ------
    SimulationError : the run failed, was measured in vain or cannot be stored as it is; it is kept as failed
    StoreError : the results folder cannot be written
    """
    _work(job, attempt, None)


def work_chain(jobs: Sequence[Job], attempt: int) -> list[str]:
    """Runs neighbouring jobs one after another, each steady state searched from the one before it.

    Returns
    -------
    one text a job: empty, or why it failed; a failed one is kept as failed and the next starts cold

    Raises
    ------
    SimulationError : unfit, where this process must not go on
    StoreError : the results folder cannot be written
    """
    errors, warm, before = [], None, None
    for job in jobs:
        if before is not None and not periodic.neighbours(before, job.case):
            warm = None
        try:
            warm = _work(job, attempt, warm)
            errors.append("")
        except SimulationError as error:
            if error.unfit or not ngspice.is_fit():
                raise
            warm = None
            errors.append(reason(error))
        before = job.case
    return errors


def _work(job: Job, attempt: int, warm: Warm | None) -> Warm | None:
    began = time.perf_counter()
    try:
        check_lines(job.case.lines)
        done = _simulated(job.case, job.run_id, attempt, warm)
        seconds = time.perf_counter() - began
        data = _encoded(job, done.run, _measured(job, done.run), attempt, seconds, done.lines)
    except (BulkrailError, MemoryError) as error:
        failure = _failure(error)
        seconds = time.perf_counter() - began
        run = Run(job.run_id, "failed", None, {}, log=(reason(failure), *ngspice.messages()))
        runs.write_bytes(job.results, job.run_id, _encoded(job, run, (), attempt, seconds, job.case.lines))
        raise failure from error
    runs.write_bytes(job.results, job.run_id, data)
    return done.warm


def _measured(job: Job, run: Run) -> tuple[Metric, ...]:
    try:
        return job.measure(run)
    except MemoryError:
        raise
    except Exception as error:  # a measure is anybody's code: its fault is this case's, not the batch's
        raise SimulationError("measure", reason(error)) from error


def _failure(error: BulkrailError | MemoryError) -> SimulationError:
    if isinstance(error, SimulationError):
        return error
    if isinstance(error, MemoryError):
        return SimulationError("memory", "out of memory", unfit=True)
    return SimulationError("storing" if isinstance(error, StoreError) else "deck", reason(error))


def _encoded(
    job: Job, run: Run, metrics: tuple[Metric, ...], attempt: int, seconds: float, lines: Sequence[str]
) -> bytes:
    """A run file; ``lines`` are the deck that gives its waveforms, with a found steady state written in."""
    provenance = {
        **job.provenance,
        "attempt": attempt,
        "worker": os.getpid(),
        "deck": list(lines),
        "option_set": job.case.option_set,
        "seconds_simulated": seconds,
    }
    if run.status == "ok" and not job.keep_waveforms:
        run = replace(run, axis=None, signals={})
        provenance |= {runs.WAVEFORMS: runs.DROPPED}
    return runs.encode_run(
        run, metrics,
        postprocess_version=job.postprocess_version, provenance=provenance, parameters=dict(job.parameters),
    )  # fmt: skip


def simulate(case: Case, run_id: str, attempt: int = 1) -> Run:
    """Runs a case in this process.

    Raises
    ------
    SimulationError : the run did not end as it should
    DeckError : it has more steps than fit into memory
    """
    return _simulated(case, run_id, attempt, None).run


@dataclass(frozen=True, slots=True)
class _Simulated:
    """A finished run, the deck lines that give it, and what a neighbouring case may start from."""

    run: Run
    lines: tuple[str, ...]
    warm: Warm | None = None


def _simulated(case: Case, run_id: str, attempt: int, warm: Warm | None) -> _Simulated:
    if isinstance(case.analysis, Periodic):
        settled = periodic.settle(case, f"{run_id}-{attempt}", warm)
        return _Simulated(replace(settled.run, case_id=run_id), settled.lines, settled.warm)
    if not isinstance(case.analysis, Transient):
        raise SimulationError("analysis", f"{type(case.analysis).__name__} has no solver yet")
    check_steps(case.analysis)
    with ngspice.Session(case.lines, f"{run_id}-{attempt}") as session:
        axis, vectors = session.run(case.analysis, [probe.vector for probe in case.probes])
        signals = signals_of(case.probes, vectors)
        return _Simulated(Run(run_id, "ok", Axis("time", "s", axis), signals, log=session.log), case.lines)
