"""One finished check of the demonstration record for all tests, and the report of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import LANTERN, Checked

from harness.check import check_record
from harness.publish import write_report


@pytest.fixture(scope="session")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """The demonstration record, checked once for all tests."""
    results = tmp_path_factory.mktemp("checked") / "results"
    assessment, lines = check_record(LANTERN, results)
    return Checked(assessment, results, lines)


@pytest.fixture(scope="session")
def reported(checked: Checked, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of that check, an HTML file; not to be written to."""
    out = tmp_path_factory.mktemp("reported")
    write_report(LANTERN, out, checked.results, pdf=False)
    return out / "lantern-65.html"
