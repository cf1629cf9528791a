"""Runs functions in worker processes of this machine: a time limit and a kill per task, one answer a task.

A task that hangs, crashes or eats memory costs its own worker and nobody else's. For that, workers share nothing:
each has a pipe of its own, so that none can die holding a lock or leave half a message where others read. (The pool
of a library was used before; it lost a task whose worker ended with exit code 0, and a hung worker outlived its limit
by 3 s of SIGTERM, which ngspice swallows.)
"""

from __future__ import annotations

import contextlib
import multiprocessing
import pickle
import signal
import tempfile
import time
from collections import deque
from collections.abc import Callable, Generator, Hashable, Iterable
from dataclasses import dataclass, field, replace
from multiprocessing import forkserver, resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.reduction import ForkingPickler
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from harness.simulate import worker
from harness.simulate.folders import PoolFolder, log_of
from netlists.errors import SetupError, one_line, shortened

MOST_TRIES = 2  # a crash may be the fault of what the worker did before: one more try, in a new one
START_LIMIT = 60.0  # seconds a new worker may take to load its libraries
END_LIMIT = 5.0  # seconds a killed process may take to vanish

Function = Callable[..., Any]
Kind = Literal["ok", "failed", "unstorable", "timed_out", "died"]


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a task.

    Parameters
    ----------
    kind : failed: the task raised; unstorable: the results folder cannot be written; timed_out: killed at the time
        limit; died: the worker crashed or was killed
    error : one line, empty where ok;  tries : 1, or more where a worker died or was unfit before this task
    """

    key: Hashable
    kind: Kind
    value: Any
    error: str
    tries: int

    @property
    def ok(self) -> bool:
        return self.kind == "ok"


@dataclass(frozen=True, slots=True)
class _Task:
    key: Hashable
    function: Function
    arguments: tuple[Any, ...]
    time_limit: float
    tries: int = 1

    def packed(self) -> bytes:
        return bytes(ForkingPickler.dumps((self.function, (*self.arguments, self.tries))))

    def again(self) -> _Task:
        return replace(self, tries=self.tries + 1)


@dataclass(slots=True, eq=False)
class _Worker:
    """A worker process as its parent sees it; ``deadline`` on the clock of ``time.monotonic`` [s]."""

    process: Any
    connection: Connection
    folder: Path
    tasks: int = 0
    is_ready: bool = False
    task: _Task | None = None
    deadline: float = field(default=0.0)

    def kill(self) -> None:
        """SIGKILL: ngspice swallows every gentler signal."""
        with contextlib.suppress(OSError):
            self.process.kill()
        self.process.join(END_LIMIT)
        self.connection.close()

    def last_words(self) -> str:
        """How it ended, with the last line it printed."""
        self.process.join(END_LIMIT)
        code = self.process.exitcode
        try:
            how = f"signal {signal.Signals(-code).name}" if code and code < 0 else f"exit code {code}"
        except ValueError:
            how = f"signal {-code}"
        try:
            printed = log_of(self.folder).read_text(errors="replace")[-2000:].strip().splitlines()
        except OSError:
            printed = []
        return how + (f": {shortened(one_line(printed[-1]), 200)}" if printed else "")


class LocalPool:
    """Worker processes on this machine, started when needed and kept from task to task."""

    def __init__(self, workers: int, time_limit: float, memory_limit: int = worker.MEMORY_LIMIT) -> None:
        self._most = workers
        self._time_limit = time_limit
        self._memory_limit = memory_limit
        self._idle: list[_Worker] = []
        self._busy: dict[Connection, _Worker] = {}
        self._context = multiprocessing.get_context("forkserver")  # a fork would copy the parent's locks and files
        self._context.set_forkserver_preload(["harness.simulate.worker"])
        self._folder = PoolFolder()

    @property
    def slots(self) -> int:
        """How many tasks run at a time."""
        return self._most

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Kills all workers: the idle have nothing left to do, what the busy write is whole or not at all."""
        for one in (*self._busy.values(), *self._idle):
            one.kill()
        self._busy.clear()
        self._idle.clear()
        self._folder.remove()

    def answers(
        self, tasks: Iterable[tuple[Hashable, Function, tuple[Any, ...]]], time_limit: float | None = None
    ) -> Generator[Answer, None, None]:
        """Answers of (key, function, arguments) tasks, as they come; the function also gets the try, from 1, last.

        Closing the generator kills what still runs. ``time_limit`` [s] replaces the pool's.
        """
        limit = self._time_limit if time_limit is None else time_limit
        waiting = deque(_Task(*task, time_limit=limit) for task in tasks)
        try:
            while waiting or self._busy:
                while waiting and len(self._busy) < self._most:
                    refused = self._hand_out(waiting.popleft())
                    if refused is not None:
                        yield refused
                for one in self._overdue_or_heard():
                    result = self._result(one)
                    if isinstance(result, _Task):
                        waiting.appendleft(result)
                    elif result is not None:
                        yield result
        finally:  # also where the caller stops listening: nobody would take the answers
            for one in self._busy.values():
                one.kill()
            self._busy.clear()

    def _hand_out(self, task: _Task) -> Answer | None:
        """Gives a task to a worker, a second try to a new one; an answer where it cannot be sent at all."""
        try:
            packed = task.packed()
        except Exception as error:  # whatever pickling somebody's function or values raises
            return Answer(task.key, "failed", None, f"cannot be sent to a worker: {worker.reason(error)}", task.tries)
        while self._idle and task.tries == 1:
            one = self._idle.pop()
            if self._sent(one, task, packed):
                return None
        if self._idle and len(self._idle) + len(self._busy) >= self._most:
            self._idle.pop().kill()
        one = self._start()
        if not self._sent(one, task, packed):
            return Answer(task.key, "died", None, f"no worker can be started ({one.last_words()})", task.tries)
        return None

    def _sent(self, one: _Worker, task: _Task, packed: bytes) -> bool:
        try:
            one.connection.send_bytes(packed)
        except OSError:  # died while it had nothing to do
            one.kill()
            return False
        one.task, one.tasks = task, one.tasks + 1
        one.deadline = time.monotonic() + (task.time_limit if one.is_ready else START_LIMIT)
        self._busy[one.connection] = one
        return True

    def _start(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        folder = self._folder.for_worker()
        process = self._context.Process(
            target=worker.serve, args=(theirs, folder, self._memory_limit), name="bulkrail worker", daemon=True
        )
        try:
            _start_forkserver()
            process.start()
        except (OSError, EOFError) as error:
            ours.close()
            raise SetupError(f"no worker process can be started: {worker.reason(error)}") from error
        finally:
            theirs.close()
        return _Worker(process, ours, folder)

    def _overdue_or_heard(self) -> list[_Worker]:
        """Busy workers that said something, died or ran out of time; waits for the first."""
        soonest = min(one.deadline for one in self._busy.values())
        heard = wait(list(self._busy), max(0.0, soonest - time.monotonic()))
        now = time.monotonic()
        return [one for connection, one in self._busy.items() if connection in heard or one.deadline <= now]

    def _result(self, one: _Worker) -> Answer | _Task | None:
        """The answer a worker brings, the task where it is to be tried again, None where there is more to wait for."""
        task = one.task
        assert task is not None  # a busy worker has one
        try:
            said = pickle.loads(one.connection.recv_bytes()) if one.connection.poll() else None
        except (EOFError, OSError, pickle.UnpicklingError):
            return self._after_death(one, task)
        if said == worker.READY:
            one.is_ready, one.deadline = True, time.monotonic() + task.time_limit
            return None
        del self._busy[one.connection]
        if said is None:
            one.kill()
            limit = (
                f"killed after the time limit of {task.time_limit:g} s"
                if one.is_ready
                else f"no worker started within {START_LIMIT:g} s"
            )
            return Answer(task.key, "timed_out", None, limit, task.tries)
        reply: worker.Reply = said
        if reply.fit:
            self._idle.append(one)
        else:
            one.kill()
            if reply.kind == "failed" and one.tasks > 1 and task.tries < MOST_TRIES:
                return task.again()  # maybe the fault of an earlier task, so once more in a new worker
        return Answer(task.key, reply.kind, reply.value, reply.error, task.tries)

    def _after_death(self, one: _Worker, task: _Task) -> Answer | _Task:
        del self._busy[one.connection]
        words = one.last_words()
        one.kill()
        if task.tries < MOST_TRIES:
            return task.again()
        return Answer(task.key, "died", None, f"the worker died twice, at last by {words}", task.tries)


def _start_forkserver() -> None:
    """Starts the process that forks workers with Ctrl-C blocked in it and so in each worker from its first moment.

    A worker ignores SIGINT later itself, but would print a traceback in the moment before.

    Raises
    ------
    SetupError : the temporary folder has no room for its socket, or a path too long for one
    """
    resource_tracker.ensure_running()  # would unblock the signals on its own
    previous = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        forkserver.ensure_running()
    except OSError as error:
        place = tempfile.gettempdir()
        raise SetupError(
            f"{place}: no socket can be made ({error.strerror or error}); set TMPDIR to another"
        ) from error
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, previous)
