"""A flyback with a synchronous rectifier, a buck in diode emulation: records of ours through ``bulkrail check``."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from synchronous_records import BUCK, FLYBACK, record, without_ranges

from harness.judge.agreement import agreement
from harness.plan.plan import PLANS
from harness.simulate.campaign import Campaign
from netlists.point import Point

COMMAND = [sys.executable, "-c", "from harness.cli import main; main()"]
OF_TIMING = {
    "body_diode_time",
    "body_diode_loss",
    "reverse_current_share",
    "conduction_intervals",
    "rectifier_branches",
}
VALLEY = (
    ('mode = "fixed_frequency"', 'mode = "valley"'),
    ('switching_frequency = { value = "65k", known = "marked" }',
     'switching_frequency = { value = "130k", known = "marked" }'),
)  # fmt: skip


def checked(folder: Path, text: str) -> list[dict[str, Any]]:
    """Rows of a check by the command line, without pictures."""
    record(folder, text)
    stated = folder / "found.json"
    arguments = ["check", str(folder / "record.toml"), "--out", str(folder), "--json", str(stated), "--no-plots"]
    done = subprocess.run([*COMMAND, *arguments], capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode in (0, 1), done.stderr  # 1 where a row is undecided
    rows: list[dict[str, Any]] = json.loads(stated.read_text())["metrics"]
    return rows


def by_label(rows: list[dict[str, Any]], label: str) -> dict[str, dict[str, Any]]:
    """Rows of a condition by metric, of the synchronous switch and its rail where a metric has several."""
    ours = [row for row in rows if row["condition"]["label"] == label and row["subject"] in ("Q2", "main", "logic")]
    return {row["metric"]: row for row in ours}


def test_a_buck_in_diode_emulation(tmp_path: Path) -> None:
    """At full load it is continuous; at light load it idles, and a late turn-off lets the choke's current run back."""
    rows = checked(tmp_path, BUCK)
    assert all(row["agreement"] == "agrees" for row in rows), [
        (row["condition"]["label"], row["metric"]) for row in rows if row["agreement"] != "agrees"
    ]
    light = by_label(rows, "light load")
    assert set(light) >= OF_TIMING
    assert light["reverse_current_share"]["verdict"] == "within"
    assert light["switch_voltage_peak"]["limit"] == 40.0
    late = by_label(rows, "light load, rectifiers off 100 ns later")["reverse_current_share"]
    # 50 ns of lead less 100: V / L for 50 ns, of 6 A; before its gate has fallen a little less
    assert late["value"] == pytest.approx(5 / 6.8e-6 * 50e-9 / 6, rel=0.3)
    full = by_label(rows, "full load")
    assert full["duty_cycle"]["value"] == pytest.approx(5.1 / 24, rel=0.03)  # volt-second balance with its drops
    assert light["duty_cycle"]["value"] < 0.8 * full["duty_cycle"]["value"]


def test_a_flyback_with_a_synchronous_rectifier(tmp_path: Path) -> None:
    """Its conduction rows are judged by the MOSFET's ratings; mistimed it is asked too."""
    rows = checked(tmp_path, without_ranges(FLYBACK))
    labels = {row["condition"]["label"] for row in rows}
    assert {f"nominal input, full load, rectifiers off 100 ns {word}" for word in ("earlier", "later")} <= labels
    full = by_label(rows, "nominal input, full load")
    assert set(full) >= OF_TIMING | {"switch_voltage_peak", "switch_current_rms"}
    assert full["switch_voltage_peak"]["limit"] == 60.0
    assert full["switch_current_rms"]["limit"] == 20.0
    assert full["reverse_current_share"]["verdict"] == "within"
    late = by_label(rows, "nominal input, full load, rectifiers off 100 ns later")["reverse_current_share"]
    # 60 ns of lead less 100: the output over the secondary's inductance for 40 ns, of 4 A; the ratio is 15
    assert late["value"] == pytest.approx(5 / (680e-6 / 15**2) * 40e-9 / 4, rel=0.3)
    disagreeing = [row for row in rows if row["agreement"] != "agrees"]
    assert len(disagreeing) <= 0.05 * len(rows), [(row["condition"]["label"], row["metric"]) for row in disagreeing]


def test_the_same_switched_in_the_valley(tmp_path: Path) -> None:
    found = record(tmp_path, FLYBACK, *VALLEY)
    planner = PLANS["flyback"]
    questions = {one.label: one for one in planner.questions(found, "converter")}
    with Campaign(tmp_path) as campaign:
        for label in ("low input, full load",):
            question = questions[label]
            situation, _ = planner.situation(found, "converter", Point(), question)
            study = planner.STUDIES[question.study](situation)
            study.tell(campaign.run(study.ask()))
            assert study.result.error == "", label
            for key, one in planner.expect(question.study, situation).items():
                value = study.result.findings[key].metric.value
                assert agreement(value, one) == "agrees", (label, key, value, one.value)
