"""The demonstration record, and what a finished check of it left behind; shared by tests of several rooms."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.judge.assess import Assessment
from netlists.record import SupplyRecord, load_record

ROOT = Path(__file__).parents[1]
LANTERN = ROOT / "netlists" / "records" / "lantern-65.toml"
KILN = ROOT / "netlists" / "records" / "kiln-900.toml"
DRUM = ROOT / "netlists" / "records" / "drum-350.toml"


def changed_record(source: Path, folder: Path, *changes: tuple[str, str]) -> SupplyRecord:
    """A demonstration record with texts replaced, each at its first place; each must be there."""
    text = source.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    file = folder / source.name
    file.write_text(text, encoding="utf-8")
    return load_record(file)


def quick_benchmark(name: str, folder: Path) -> dict[str, Any]:
    """What a benchmark of ``scripts`` writes when it is run only to see that it runs."""
    file = folder / "found.json"
    command = [sys.executable, str(ROOT / "scripts" / f"bench_{name}.py"), "--quick", "--json", str(file)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return dict(json.loads(file.read_text()))


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
