"""What runs inside a worker process: one case through ngspice, measured and stored, or its failure stored.

A worker lives in an empty folder with an empty HOME, a memory limit and no core dumps.
"""

from __future__ import annotations

import os
import resource
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.contracts import Axis, Metric, Run, Signal, Transient
from harness.simulate import ngspice
from harness.simulate.case import Case
from harness.store import runs
from netlists.decktext import check_lines
from netlists.errors import BulkrailError, SimulationError

Measure = Callable[[Run], tuple[Metric, ...]]

MEMORY_LIMIT = 4 * 2**30  # bytes of address space a worker may have
UNFIT_EXIT_CODE = 77  # a worker that ends itself because its simulator can no longer be trusted


@dataclass(frozen=True, slots=True)
class Job:
    """A case with what is to be made of it.

    Parameters
    ----------
    measure : takes the finished run's metrics, at full precision, before anything is rounded for storage
    postprocess_version : names what ``measure`` does; another text makes stored metrics stale
    provenance, parameters : stored beside the waveforms
    """

    case: Case
    run_id: str
    results: Path
    measure: Measure
    postprocess_version: str
    provenance: Mapping[str, Any] = field(default_factory=dict)
    parameters: Mapping[str, tuple[float, str]] = field(default_factory=dict)


def enter(memory_limit: int = MEMORY_LIMIT) -> None:
    """Prepares this process to be a worker; called once."""
    folder = tempfile.mkdtemp(prefix="bulkrail-worker-")
    os.chdir(folder)
    os.environ["HOME"] = folder
    for name in [name for name in os.environ if name.startswith(("SPICE_", "NGSPICE_INPUT"))]:
        del os.environ[name]
    resource.setrlimit(resource.RLIMIT_AS, (memory_limit, memory_limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def simulator_version() -> str:
    """ngspice's version as a worker sees it."""
    return ngspice.version()


def work(job: Job, attempt: int) -> str:
    """Runs a job to a stored run file and returns its status; ends the process where the simulator is unfit.

    Raises
    ------
    StoreError : the run could not be stored
    """
    began = time.perf_counter()
    unfit = False
    metrics: tuple[Metric, ...] = ()
    try:
        check_lines(job.case.lines)
        run = simulate(job.case, job.run_id, attempt)
        simulated = time.perf_counter()
        metrics = job.measure(run)
    except (BulkrailError, MemoryError) as error:
        unfit = isinstance(error, MemoryError) or (isinstance(error, SimulationError) and error.unfit)
        simulated = time.perf_counter()
        run = Run(job.run_id, "failed", None, {}, log=(str(error) or "out of memory",))
    provenance = {
        **job.provenance,
        "attempt": attempt,
        "worker": os.getpid(),
        "deck": list(job.case.lines),
        "option_set": job.case.option_set,
        "seconds_simulated": simulated - began,
    }
    runs.write_run(
        job.results, run, metrics,
        postprocess_version=job.postprocess_version, provenance=provenance, parameters=dict(job.parameters),
    )  # fmt: skip
    if unfit:
        os._exit(UNFIT_EXIT_CODE)
    return run.status


def simulate(case: Case, run_id: str, attempt: int = 1) -> Run:
    """Runs a case in this process.

    Raises
    ------
    SimulationError : the run did not end as it should
    """
    if not isinstance(case.analysis, Transient):
        raise SimulationError("analysis", f"{type(case.analysis).__name__} has no solver yet")
    with ngspice.Session(case.lines, f"{run_id}-{attempt}") as session:
        axis, vectors = session.run(case.analysis, [probe.vector for probe in case.probes])
        signals = {
            probe.name: Signal(
                probe.name, probe.unit, probe.doc, probe.quantity, probe.reference_node, vectors[probe.vector]
            )
            for probe in case.probes
        }
        return Run(run_id, "ok", Axis("time", "s", axis), signals, log=session.log)
