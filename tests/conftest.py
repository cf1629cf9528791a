"""One finished check of the demonstration record for all tests."""

from __future__ import annotations

import pytest
from demonstration import LANTERN, Checked

from harness.check import check_record


@pytest.fixture(scope="session")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """The demonstration record, checked once for all tests."""
    results = tmp_path_factory.mktemp("checked") / "results"
    assessment, lines = check_record(LANTERN, results)
    return Checked(assessment, results, lines)
