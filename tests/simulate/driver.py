"""A program of its own for the tests that kill, interrupt or starve one: a campaign of small cases, in a subprocess.

Usage: driver.py RESULTS COUNT WORKERS [FAULT MARK]; prints a line a finished case, at last ``done`` and the ids.
driver.py parents: each line of arguments (with tabs between) on stdin becomes a forked parent of its own, without the
seconds of imports; ``ended`` is printed last.
"""

from __future__ import annotations

import errno
import multiprocessing
import os
import resource
import signal
import sys
import threading
import traceback
from functools import partial
from multiprocessing import forkserver
from pathlib import Path
from typing import Any
from unittest import mock

from simulate_decks import measure_end, request_of, small_case

from harness.contracts import Metric, Run
from harness.simulate.campaign import Campaign, Request
from harness.store import files


def faulty_measure(run: Run, *, fault: str, mark: str) -> tuple[Metric, ...]:
    """The ordinary measure; it runs in the worker, so it can harm what the worker does next: storing the run.

    ``mark`` is a file that makes the harm happen once; empty for always.
    """
    if mark and Path(mark).exists():
        return measure_end(run)
    if mark:
        Path(mark).touch()

    def die(*_: object) -> None:
        parent = multiprocessing.parent_process()
        if fault == "kill_all_before_replace" and parent is not None and parent.pid is not None:
            os.kill(parent.pid, signal.SIGKILL)
        os.kill(os.getpid(), signal.SIGKILL)

    def refuse(*_: object) -> None:
        raise OSError(getattr(errno, fault), os.strerror(getattr(errno, fault)))

    if fault == "FSIZE":
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
    else:
        mock.patch.object(files.os, "replace", refuse if fault.isupper() else die).start()
    return measure_end(run)


def requests(count: int, fault: str = "", mark: str = "") -> list[Request]:
    """Small cases, the second of them with a faulty measure."""
    asked = [request_of(small_case(number)) for number in range(count)]
    if fault:
        asked[1] = request_of(small_case(1), partial(faulty_measure, fault=fault, mark=mark))
    return asked


def main(
    results: str, count: str, workers: str, fault: str = "", mark: str = "", kill_at: str = "-1", delay: str = "0"
) -> None:
    """Runs a campaign; with ``kill_at`` it kills itself ``delay`` seconds after so many finished cases."""

    def on_progress(finished: int, known: int) -> None:
        print(finished, flush=True)
        if finished == int(kill_at):
            threading.Timer(float(delay), os.kill, (os.getpid(), signal.SIGKILL)).start()

    with Campaign(Path(results), workers=int(workers), on_progress=on_progress) as campaign:
        outcomes = campaign.run(requests(int(count), fault, mark))
    print("done", *(f"{outcome.run_id}:{outcome.status}" for outcome in outcomes), flush=True)


def parents() -> None:
    """Forks a parent a line; all use one process that forks workers, which outlives them."""
    multiprocessing.get_context("forkserver").set_forkserver_preload(["harness.simulate.worker"])
    forkserver.ensure_running()
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            try:
                own = forkserver._forkserver  # type: ignore[attr-defined]  # not a child of this fork: take it as running
                own.ensure_running = forkserver.ensure_running = lambda: None
                main(*line.rstrip("\n").split("\t"))
            except BaseException:
                traceback.print_exc()
            os._exit(0)
        os.waitpid(child, 0)
        print("ended", flush=True)


class SmallPlan:
    """Stands in for a record's plan in ``bulkrail check``: small cases, so that only the harness is tried."""

    fault = ""

    def __init__(self, *_: object) -> None:
        self.answers: list[Any] = []

    def run(self, campaign: Campaign) -> None:
        campaign.run(requests(int(os.environ.get("SMALL_CASES", "3")), self.fault))


def check_main(fault: str, *arguments: str) -> None:
    """``bulkrail check`` with the small plan."""
    from harness import check, cli  # a second of imports that the other uses do without

    SmallPlan.fault = fault
    sys.argv = ["bulkrail", "check", *arguments]
    with mock.patch.object(check, "Plan", SmallPlan):
        cli.main()


if __name__ == "__main__":
    if sys.argv[1] == "check":
        check_main(*sys.argv[2:])
    elif sys.argv[1] == "parents":
        parents()
    else:
        main(*sys.argv[1:])
