"""One finished check of the demonstration record for all tests, and the report of it."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from demonstration import LANTERN, Checked

from harness.check import check_record, written_files
from harness.judge.assess import Assessment
from harness.judge.state_file import read_state
from harness.publish import write_report
from netlists.record import load_record

GATED = "BULKRAIL_GATED_RESULTS"  # a results folder in which scripts/test has just gated lantern-65 alone

# what a shell starts in the background ignores Ctrl-C, and so would the commands that tests interrupt
signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """The demonstration record, checked once for all tests: by the gate of scripts/test, or else here."""
    gated = os.environ.get(GATED)
    if gated:
        results = Path(gated)
        assessment = Assessment.from_state(read_state(results / "assessments" / "lantern-65.json"))
        return Checked(assessment, results, written_files(load_record(LANTERN), assessment, results))
    results = tmp_path_factory.mktemp("checked") / "results"
    assessment, lines = check_record(LANTERN, results)
    return Checked(assessment, results, lines)


@pytest.fixture(scope="session")
def reported(checked: Checked, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of that check, an HTML file; not to be written to."""
    out = tmp_path_factory.mktemp("reported")
    write_report(LANTERN, out, checked.results, pdf=False)
    return out / "lantern-65.html"
