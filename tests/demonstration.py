"""The demonstration record, and what a finished check of it left behind; shared by tests of several rooms."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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
