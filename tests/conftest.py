"""What many tests share: the demonstration record, and one finished check of it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from harness.check import check_record
from harness.judge.assess import Assessment

ROOT = Path(__file__).parents[1]
LANTERN = ROOT / "netlists" / "records" / "lantern-65.toml"


@dataclass(frozen=True)
class Checked:
    """A finished check of the demonstration record and where it left its results."""

    assessment: Assessment
    results: Path
    lines: list[str]

    @property
    def json(self) -> dict[str, Any]:
        """The assessment as others read it."""
        content = (self.results / "assessments" / "lantern-65.json").read_text(encoding="utf-8")
        return dict(json.loads(content))

    def row(self, metric: str, label: str) -> dict[str, Any]:
        """The row of a metric under a condition label."""
        rows = [row for row in self.json["metrics"] if (row["metric"], row["condition"]["label"]) == (metric, label)]
        assert len(rows) == 1, f"{metric} {label}: {len(rows)} rows"
        return rows[0]


@pytest.fixture(scope="session")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """The demonstration record, checked once for all tests."""
    results = tmp_path_factory.mktemp("checked") / "results"
    assessment, lines = check_record(LANTERN, results)
    return Checked(assessment, results, lines)
