"""Runs a study's cases in this process, without pool or store."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness.plan.study import StudyResult
from harness.simulate import worker
from harness.simulate.campaign import Outcome, Request
from harness.simulate.case import Case

MOST_ROUNDS = 60


def answered(study: Any, change: Callable[[Case], Case] = lambda case: case) -> StudyResult:
    """What a study found, each of its cases changed first."""
    for _ in range(MOST_ROUNDS):
        requests: list[Request] = study.ask()
        if not requests:
            return study.result
        outcomes = []
        for request in requests:
            run = worker.simulate(change(request.case), "0" * 64)
            outcomes.append(Outcome("0" * 64, "ok", request.measure(run), "", Path(), reused=False))
        study.tell(outcomes)
    raise AssertionError("the study does not end")
