"""Runs cases on a Dask cluster: a Dask task is a chunk of cases, run by a child process the Dask worker keeps.

The child pool is that of ``executors.py``, so limits, kills and second tries are as on one machine. Unless the results
folder is declared shared, a child stores into a private folder and the finished bytes of its run files travel back; the
parent writes them, whole or not at all. A Dask worker that is lost takes with it what had not come back; Dask runs
those chunks elsewhere, and since only the parent writes, and a run's name is its identity, nothing is lost or doubled.
The only module that imports distributed.
"""

from __future__ import annotations

import atexit
import contextlib
import dataclasses
import logging
import multiprocessing
import shutil
import tempfile
import threading
from collections.abc import Callable, Generator, Hashable, Iterable
from importlib.metadata import version as package_version
from pathlib import Path
from types import TracebackType
from typing import Any

from harness.simulate import worker
from harness.simulate.executors import Answer, LocalPool
from harness.store import runs
from netlists.errors import OptionError, SetupError, one_line, shortened

CONNECT_LIMIT = 5.0  # seconds until a scheduler that does not answer is called unreachable
WORKERS_LIMIT = 20.0  # seconds a scheduler may be without a worker at the start
CASES_A_CHUNK = 8  # a Dask task costs some milliseconds; a larger chunk leaves workers idle at the end of a round
CHUNKS_A_THREAD = 4  # at least so many chunks a thread, so that the last ones end together
LOST = "the scheduler was lost; what came back is stored, the same command goes on from it"
EXTRA = "install the extra: pip install 'bulkrail[cluster]'"

Task = tuple[Hashable, Callable[..., Any], tuple[Any, ...]]
Brought = tuple[Answer, dict[str, bytes]]  # an answer, and the finished run files it left behind


class ClusterPool:
    """A Dask cluster as campaigns see it.

    Parameters
    ----------
    address : of the scheduler, such as ``tcp://10.0.0.5:8786``
    time_limit : seconds a case may take before the child process is killed
    results : the parent's results folder;  shared : the workers write into it themselves

    Raises
    ------
    SetupError : no scheduler or no worker there, or workers that cannot do the work
    """

    def __init__(self, address: str, time_limit: float, results: Path, *, shared: bool = False) -> None:
        self._address = address
        self._time_limit = time_limit
        self._results = results
        self._shared = shared
        self._client = _connected(address)
        try:
            self._threads = _usable_threads(self._client, address)
        except BaseException:
            self._client.close()
            raise

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Lets go of the cluster; chunks that run already end there, their children stay for the next parent."""
        with contextlib.suppress(Exception):
            self._client.close()

    @property
    def slots(self) -> int:
        """How many cases run at a time."""
        return self._threads

    def answers(self, tasks: Iterable[Task], time_limit: float | None = None) -> Generator[Answer, None, None]:
        """Answers of tasks as they come; closing the generator cancels what still waits."""
        from distributed import as_completed

        limit = self._time_limit if time_limit is None else time_limit
        waiting = list(tasks)
        length = max(1, min(CASES_A_CHUNK, len(waiting) // (self._threads * CHUNKS_A_THREAD)))
        chunks = [tuple(waiting[first : first + length]) for first in range(0, len(waiting), length)]
        futures = {
            self._client.submit(run_chunk, chunk, limit, shared=self._shared, pure=False): chunk for chunk in chunks
        }
        try:
            for future in as_completed(futures, loop=self._client.loop):
                chunk = futures.pop(future)
                if future.status == "error":  # such as a chunk that took several Dask workers down with it
                    reason = f"Dask: {worker.reason(future.exception())}"
                    for key, _, _ in chunk:
                        yield Answer(key, "died", None, reason, 1)
                    continue
                if future.status != "finished":
                    raise SetupError(f"{self._address}: {LOST}")
                for answer, files in future.result():
                    for run_id, data in files.items():
                        runs.write_bytes(self._results, run_id, data)
                    yield answer
        finally:
            with contextlib.suppress(Exception):
                self._client.cancel(list(futures))


def _connected(address: str) -> Any:
    if "://" not in address:
        raise OptionError(f"workers: must be a number, or an address such as tcp://10.0.0.5:8786, found {address}")
    try:
        import dask
        from distributed import Client
    except ImportError as error:
        raise SetupError(f"workers: {address} needs distributed, which is not here; {EXTRA}") from error
    logging.getLogger("distributed").setLevel(logging.ERROR)  # its warnings say what an answer says better
    try:
        with dask.config.set({"distributed.comm.timeouts.connect": f"{CONNECT_LIMIT:g}s"}):
            return Client(address, timeout=CONNECT_LIMIT, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        reason = shortened(one_line(str(error)) or "no answer", 160)
        raise SetupError(f"{address}: no scheduler within {CONNECT_LIMIT:g} s ({reason})") from error


def _usable_threads(client: Any, address: str) -> int:
    """Threads of all workers, once each was seen to have this program and to be able to start children."""
    try:
        client.wait_for_workers(1, timeout=WORKERS_LIMIT)
    except TimeoutError as error:
        raise SetupError(f"{address}: the scheduler has no worker after {WORKERS_LIMIT:g} s; start some") from error
    ours = package_version("bulkrail")
    try:
        found: dict[str, str] = client.run(fitness)
    except Exception as error:  # a worker without this program cannot even read the question
        raise SetupError(f"{address}: a worker cannot run bulkrail ({worker.reason(error)})") from error
    for name, said in found.items():
        if said != ours:
            raise SetupError(f"{address}: worker {name} {said if said.startswith('cannot') else f'has bulkrail {said}'}"
                             f"; here is {ours}")  # fmt: skip
    return max(1, int(sum(client.nthreads().values())))


# --- what runs in a Dask worker

_here = threading.local()


def fitness() -> str:
    """This program's version, or why this Dask worker cannot be used."""
    if multiprocessing.current_process().daemon:
        return "cannot start child processes: start it with --no-nanny, or set distributed.worker.daemon to false"
    return package_version("bulkrail")


def run_chunk(tasks: tuple[Task, ...], time_limit: float, *, shared: bool) -> list[Brought]:
    """Runs the cases of a chunk on this thread's child process, which is kept for the next chunk.

    Returns
    -------
    for each task its answer, and the bytes of the run files it left; none where the results folder is shared
    """
    if shared:
        return [(answer, {}) for answer in _pool(time_limit).answers(tasks, time_limit)]
    folder = Path(tempfile.mkdtemp(prefix="bulkrail-results-"))
    try:
        private = [(key, function, _moved(arguments, folder)) for key, function, arguments in tasks]
        return [(answer, _taken(folder)) for answer in _pool(time_limit).answers(private, time_limit)]
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _pool(time_limit: float) -> LocalPool:
    if not hasattr(_here, "pool"):
        _here.pool = LocalPool(1, time_limit)
        atexit.register(_here.pool.__exit__, None, None, None)
    pool: LocalPool = _here.pool
    return pool


def _moved(arguments: tuple[Any, ...], folder: Path) -> tuple[Any, ...]:
    """The same arguments with jobs that store into a folder of this worker."""
    moved: list[Any] = []
    for argument in arguments:
        if isinstance(argument, worker.Job):
            moved.append(dataclasses.replace(argument, results=folder))
        elif isinstance(argument, list):
            moved.append(list(_moved(tuple(argument), folder)))
        else:
            moved.append(argument)
    return tuple(moved)


def _taken(folder: Path) -> dict[str, bytes]:
    """The run files in a folder, taken out of it."""
    found = {}
    for path in folder.glob("runs/??/*.h5"):
        found[path.stem] = path.read_bytes()
        path.unlink()
    return found
