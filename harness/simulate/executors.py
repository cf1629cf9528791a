"""Runs functions in worker processes of this machine: a time limit and a kill per task, one answer a task.

A task that hangs, crashes or eats memory costs its own worker and nobody else's.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Hashable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures import TimeoutError as FutureTimeoutError
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from pebble import ProcessExpired, ProcessPool

from harness.simulate import worker
from netlists.errors import BulkrailError

MOST_TRIES = 2  # a crash may be the fault of what the worker did before: one more try in a new one


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a task.

    Parameters
    ----------
    error : empty where ``ok``
    timed_out : killed by the time limit;  unfit : the worker ended itself after it had stored its failed run
    """

    key: Hashable
    ok: bool
    value: Any
    error: str
    tries: int
    timed_out: bool = False
    unfit: bool = False


class LocalPool:
    """Worker processes on this machine, kept from task to task."""

    def __init__(self, workers: int, time_limit: float) -> None:
        context = multiprocessing.get_context("forkserver")  # a plain fork would copy the parent's locks and files
        context.set_forkserver_preload(["harness.simulate.worker"])
        self._pool: Any = ProcessPool(max_workers=workers, initializer=worker.enter, context=context)
        self._time_limit = time_limit

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self._pool.close()
        else:
            self._pool.stop()
        self._pool.join()

    def answers(self, tasks: Iterable[tuple[Hashable, Callable[..., Any], tuple[Any, ...]]]) -> Iterator[Answer]:
        """Answers of (key, function, arguments) tasks, as they come; the function also gets the try, from 1, last."""
        waiting: dict[Future[Any], tuple[Hashable, Callable[..., Any], tuple[Any, ...], int]] = {}

        def start(key: Hashable, function: Callable[..., Any], arguments: tuple[Any, ...], tries: int) -> None:
            future = self._pool.schedule(function, args=[*arguments, tries], timeout=self._time_limit)
            waiting[future] = (key, function, arguments, tries)

        for key, function, arguments in tasks:
            start(key, function, arguments, 1)
        while waiting:
            done, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                key, function, arguments, tries = waiting.pop(future)
                try:
                    yield Answer(key, True, future.result(), "", tries)
                except FutureTimeoutError:
                    limit = f"killed after the time limit of {self._time_limit:g} s"
                    yield Answer(key, False, None, limit, tries, timed_out=True)
                except ProcessExpired as error:
                    if error.exitcode == worker.UNFIT_EXIT_CODE:
                        yield Answer(
                            key, False, None, "the simulator became unfit and its worker ended", tries, unfit=True
                        )
                    elif tries < MOST_TRIES:
                        start(key, function, arguments, tries + 1)
                    else:
                        yield Answer(key, False, None, f"the worker died with exit code {error.exitcode}", tries)
                except BulkrailError as error:
                    yield Answer(key, False, None, str(error), tries)
                except Exception as error:  # a fault of ours in one task must not end the batch
                    yield Answer(key, False, None, f"{type(error).__name__}: {error}", tries)
