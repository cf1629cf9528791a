"""The demonstration record, and what a finished check of it left behind; shared by tests of several rooms."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from harness.judge.assess import Assessment
from netlists.catalog import StageModule
from netlists.errors import RecordError
from netlists.point import Point
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


def assert_both_ends_give_parameters(record: SupplyRecord, stage: StageModule, instance: str) -> None:
    """Every value read at either end of its range gives other parameters, which rest on the same values."""
    nominal, reads = stage.params_from(record, instance, Point())
    for end in ("low", "high"):
        values = {path: getattr(record.quantities[path], end) for path in reads if path in record.quantities}
        moved, same = stage.params_from(record, instance, Point(values))
        assert moved != nominal
        assert same == reads


def assert_fault_is_said(read: Callable[[], object], path: str, says: str) -> None:
    """A record is refused, with a line that has a path and some words in it."""
    with pytest.raises(RecordError) as caught:
        read()
    lines = str(caught.value).splitlines()
    assert any(path in line and says in line for line in lines), lines


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
