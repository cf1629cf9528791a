"""The command ``next``: options, and what it takes from the results folder."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from demonstration import LANTERN

from harness.check import stored_state
from harness.judge.assess import SCHEMA
from harness.judge.limits_file import limits_beside, limits_for
from harness.judge.open_verdicts import open_verdicts
from harness.judge.screening import check_salib
from harness.measure_next import measure_next
from harness.show.next_table import next_json
from harness.simulate.case import SOLVER_VERSION
from netlists.errors import InputError, SetupError
from netlists.record import load_record

COMMAND = [sys.executable, "-c", "from harness.cli import main; main()", "next", str(LANTERN)]


def bulkrail_next(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*COMMAND, *arguments], capture_output=True, text=True, timeout=60, check=False)


def store(out: Path, **row: Any) -> None:
    """Leaves an assessment as a check would have, of one row a stage."""
    limits = limits_beside(LANTERN)
    content = {
        "schema": SCHEMA,
        "metrics": [
            {"instance": name, "verdict": "within", "metric": "m", "subject": "s", "condition": {"label": "l"}, **row}
            for name in ("mains_rectifier", "main_flyback")
        ],
        "provenance": {
            "record_sha256": hashlib.sha256(LANTERN.read_bytes()).hexdigest(),
            "program_version": version("bulkrail"),
            "solver_version": SOLVER_VERSION,
        },
        "limits": {"sha256": hashlib.sha256(limits.read_bytes()).hexdigest() if limits else None},
        "struck_out": [],
    }
    (out / "assessments").mkdir(parents=True)
    (out / "assessments" / "lantern-65.json").write_text(json.dumps(content), encoding="utf-8")


def test_nothing_undecided_is_said_and_fine(tmp_path: Path) -> None:
    store(tmp_path)
    done = bulkrail_next("--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert "nothing to measure" in done.stdout
    assert json.loads(bulkrail_next("--out", str(tmp_path), "--json").stdout)["readings"] == []


@pytest.mark.parametrize("of_another", ["record_sha256", "program_version", "solver_version", "schema", "limits"])
def test_only_an_assessment_of_this_record_limits_program_and_solver_is_taken(tmp_path: Path, of_another: str) -> None:
    store(tmp_path)
    record = load_record(LANTERN)
    limits = limits_for(record, LANTERN)
    assert stored_state(record, LANTERN, limits, tmp_path) is not None
    path = tmp_path / "assessments" / "lantern-65.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    if of_another in content:
        content[of_another] = {"sha256": "0"} if of_another == "limits" else 0
    else:
        content["provenance"][of_another] = "another"
    path.write_text(json.dumps(content), encoding="utf-8")
    assert stored_state(record, LANTERN, limits, tmp_path) is None


@pytest.mark.parametrize(
    ("option", "says"),
    [
        ({"samples": 24}, "--samples: must be a power of 2"),
        ({"samples": 0}, "--samples: must be a power of 2"),
        ({"seed": -1}, "--seed"),
        ({"instance": "mains_rectifer"}, "mains_rectifier"),
        ({"workers": 0}, "--workers"),
    ],
)
def test_bad_input_is_one_line(tmp_path: Path, option: dict[str, Any], says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        measure_next(LANTERN, tmp_path, **option)
    assert len(str(caught.value).splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_bad_input_ends_2(tmp_path: Path) -> None:
    done = bulkrail_next("--out", str(tmp_path), "--samples", "24")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


def test_without_salib_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(SetupError, match="bulkrail\\[screening\\]"):
        check_salib()


def test_a_verdict_no_reading_decides_is_left_with_its_reason(tmp_path: Path) -> None:
    store(tmp_path, verdict="undecided", agreement="disagrees")
    found = measure_next(LANTERN, tmp_path)
    assert [left.reason for left in found.left] == [
        "simulation and hand calculation disagree, which no reading mends"
    ] * 2
    assert next_json(found)["verdicts"] == []
    lost = {"value": None, "hand": 1.0, "error": "stops switching there", "inputs": {}}
    row = {"verdict": "undecided", "agreement": "agrees", "metric": "m", "subject": "s", "condition": {"label": "l"}}
    _, left = open_verdicts(load_record(LANTERN), [{**row, "adverse": lost, "rescued": lost}])
    assert [one.reason for one in left] == ["stops switching there"]
