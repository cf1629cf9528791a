"""Fixtures of the store's tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from example_runs import METRICS, PARAMETERS, PROVENANCE, a_run

from harness.contracts import Run
from harness.store.runs import write_run


@pytest.fixture
def store(tmp_path: Path) -> Callable[..., Path]:
    """Writes a run into ``tmp_path`` with the metrics, parameters and provenance above unless others are given."""

    def write(run: Run | None = None, metrics: Any = METRICS, **changed: Any) -> Path:
        given = {"postprocess_version": "3", "provenance": PROVENANCE, "parameters": PARAMETERS} | changed
        return write_run(tmp_path, run or a_run(), metrics, **given)

    return write
