"""Fixtures of the simulator's tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from simulate_decks import run_reference

from harness.simulate.executors import LocalPool

FAULT_LIMIT = 5.0  # seconds for a faulty task; only hangs use it up


@pytest.fixture(scope="session")
def one_worker() -> Iterator[LocalPool]:
    """A pool of one worker, so that the task after a fault meets what the fault left behind."""
    with LocalPool(1, FAULT_LIMIT) as pool:
        yield pool


@pytest.fixture(scope="session")
def reference() -> str:
    """Digest of the reference deck's result in a process that ran nothing before."""
    with LocalPool(1, 60.0) as pool:
        (answer,) = pool.answers([("reference", run_reference, ())])
    assert answer.ok, answer.error
    return str(answer.value)
