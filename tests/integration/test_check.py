"""The main job on the demonstration record: contract of the assessment, agreement, reuse, rests_on, mutations."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from demonstration import LANTERN, Checked
from in_process import answered

from harness.handcalc import rectifier_bulk as hand
from harness.judge.agreement import agreement
from harness.plan import rectifier_bulk as planned
from harness.plan.plan import Plan
from harness.plan.study import Question
from harness.simulate import worker
from harness.store import runs
from netlists.point import Point
from netlists.record import load_record

KEYS = {
    "instance", "metric", "subject", "condition", "value", "unit", "window", "at", "hand", "hand_source", "difference",
    "limit", "limit_source", "margin", "verdict", "rests_on", "break_even", "run_id",
}  # fmt: skip  # the contract in DEVELOPERS.md; later work only adds


def test_keys_of_the_contract(checked: Checked) -> None:
    content = checked.json
    assert {"schema", "record", "coverage", "metrics", "parts", "claims", "measurements", "provenance"} <= set(content)
    assert content["schema"] == 1
    for row in content["metrics"]:
        assert set(row) >= KEYS
        assert row["verdict"] in {"within", "over", "undecided", "unjudged", "failed"}


def test_every_metric_was_found_and_agrees(checked: Checked) -> None:
    for row in checked.json["metrics"]:
        assert row["verdict"] != "failed", row
        assert row["agreement"] == "agrees", (row["metric"], row["difference"], row["adverse"]["difference"])
        assert math.isfinite(row["value"])
        assert row["hand_source"]


def test_required_metrics_are_there(checked: Checked) -> None:
    found = {(row["metric"], row["subject"]) for row in checked.json["metrics"]}
    wanted = {
        ("inrush_peak", "line"), ("inrush_i2t", "F1"), ("bulk_ripple", "bulk"), ("bulk_can_current_rms", "C1"),
        ("rectifier_current_average", "BD1"), ("rectifier_current_rms", "BD1"), ("rectifier_current_peak", "BD1"),
        ("holdup_time", "bulk"),
    }  # fmt: skip
    assert wanted <= found


def test_adverse_is_worse_than_nominal_and_rescued_lies_between(checked: Checked) -> None:
    rules = planned.METRICS
    for row in checked.json["metrics"]:
        if row["instance"] != "mains_rectifier":  # of the flyback most are scaled, which test_corners looks at
            continue
        sign = 1 if rules[row["metric"]].worse == "high" else -1
        slack = 1e-3 * abs(row["value"]) + 1e-9  # time steps differ between runs
        assert sign * row["adverse"]["value"] >= sign * row["value"] - slack, row["metric"]
        assert sign * row["adverse"]["value"] >= sign * row["rescued"]["value"] - slack, row["metric"]


def test_stages_without_a_model_get_no_number(checked: Checked) -> None:
    coverage = checked.json["coverage"]
    assert coverage["instances"]["lamp_output"] == coverage["instances"]["inlet_filter"] == "recorded only"
    assert {row["instance"] for row in checked.json["metrics"]} == {"mains_rectifier", "main_flyback"}
    said = {
        item["instance"]: item["reason"] for item in checked.json["not_modelled"] if item["what"] == "recorded only"
    }
    assert set(said) == {"lamp_output", "inlet_filter"}
    assert all("has no model" in reason for reason in said.values())
    listed = [name for names in coverage["parts"].values() for name in names]
    assert len(listed) == len(set(listed)) == len(checked.json["parts"])


def test_every_run_is_stored_whole_and_holds_its_metric(checked: Checked) -> None:
    for row in checked.json["metrics"]:
        stored = runs.read_run(runs.run_path(checked.results, row["run_id"]), signals=())
        values = {(m.name, m.subject): m.value for m in stored.metrics}
        assert values[row["metric"], row["subject"]] == row["value"]
        assert stored.provenance["record"] == "lantern-65"


def test_metrics_recomputed_from_the_file_agree_within_its_rounding(checked: Checked) -> None:
    row = checked.row("inrush_peak", "highest line")
    stored = runs.read_run(runs.run_path(checked.results, row["run_id"]))
    who = planned.subjects(load_record(LANTERN), "mains_rectifier", "bridge")
    again = {(m.name, m.subject): m.value for m in planned.measure_inrush(stored.run, who=who)}
    assert again["inrush_peak", "line"] == pytest.approx(row["value"], rel=1e-6)  # f4 signals


def test_breaking_even_flips_the_verdict(checked: Checked) -> None:
    """The value named for the inrush claim, put in with all else adverse, meets the claim within the hand's error."""
    row = checked.row("inrush_peak", "claim inrush")
    assert row["verdict"] == "undecided"
    assert row["break_even"], "the demonstration record hangs on values not read yet"
    plan = Plan(load_record(LANTERN), ["mains_rectifier"])
    answer = next(a for a in plan.answers if a.question.label == "claim inrush")
    scale = row["adverse"]["value"] / row["adverse"]["hand"]
    for flip in row["break_even"]:
        assert flip["low"] <= flip["value"] <= flip["high"]
        by_hand = plan.hand_value(answer, Point({**row["adverse"]["inputs"], flip["path"]: flip["value"]}))
        assert by_hand is not None
        assert by_hand * scale == pytest.approx(row["limit"], rel=2e-3)


def situation_of(study: str) -> tuple[planned.Situation, Question]:
    record = load_record(LANTERN)
    question = next(q for q in planned.questions(record, "mains_rectifier") if q.study == study)
    found = planned.situation(record, "mains_rectifier", Point(), question)[0]
    return dataclasses.replace(found, converter=None), question  # a hold-up's end as calculated by hand


def with_more_bulk(case: Any) -> Any:
    """The deck's capacitance times 1.3, the parameters untouched: a netlist that is not the model it claims to be."""
    lines: list[str] = []
    for line in case.lines:
        words = line.split(" ")
        if words[0].startswith("cbank"):
            words[3] = repr(1.3 * float(words[3]))
        lines.append(" ".join(words))
    assert tuple(lines) != case.lines
    return dataclasses.replace(case, lines=tuple(lines))


@pytest.mark.parametrize(
    ("study", "metrics"), [("line_ripple", ["bulk_ripple"]), ("holdup", ["holdup_time"]), ("inrush", ["inrush_i2t"])]
)
def test_a_deck_with_another_capacitance_disagrees(study: str, metrics: Sequence[str]) -> None:
    situation, _ = situation_of(study)
    expected = planned.expect(study, situation)
    found = answered(planned.STUDIES[study](situation), with_more_bulk)
    assert not found.error
    for (name, subject), finding in found.findings.items():
        if name in metrics:
            assert agreement(finding.metric.value, expected[name, subject]) == "disagrees"


def test_hold_up_is_shortest_at_the_trough() -> None:
    """The study looks at instants around the trough; the shortest must be the trough's own, within a step or two."""
    situation, _ = situation_of("holdup")
    study = planned.HoldupStudy(situation)
    result = answered(study)
    lost_at = result.findings["holdup_time", "bulk"].metric.window[0]
    trough_at = study._line.trough_at + situation.period
    assert abs(lost_at - trough_at) <= 0.02 * situation.period


def test_the_searched_angle_is_the_worst_of_a_fine_grid() -> None:
    """Within 1 % of a grid of 4 degrees at the same options."""
    situation, _ = situation_of("inrush")
    study = planned.InrushStudy(situation)
    result = answered(study)
    found = result.findings["inrush_peak", "line"].metric.value
    study._round = 0
    peaks = []
    for angle in range(0, 180, 4):
        request = study._request(float(angle), final=False)
        metrics = request.measure(worker.simulate(request.case, "0" * 64))
        peaks.append(next(m.value for m in metrics if m.name == "inrush_peak"))
    assert found >= max(peaks) * 0.99


def test_the_hand_calculation_never_runs_ngspice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worker, "simulate", lambda *_: pytest.fail("hand calculation started a simulation"))
    situation, _ = situation_of("inrush")
    assert hand.inrush(situation.params, situation.condition, situation.who.by_role)


def test_alternatives_of_structure_are_both_run(tmp_path: Path) -> None:
    text = LANTERN.read_text(encoding="utf-8").replace('feed = "bridge"', 'feed = ["bridge", "half_wave"]')
    file = tmp_path / "both.toml"
    file.write_text(text, encoding="utf-8")
    record = load_record(file)
    plan = Plan(record, ["mains_rectifier"])
    assert {tuple(answer.structure.values()) for answer in plan.answers} == {("bridge",), ("half_wave",)}


def test_assessment_json_is_plain(checked: Checked) -> None:
    text = (checked.results / "assessments" / "lantern-65.json").read_text(encoding="utf-8")

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    json.loads(text, parse_constant=refuse)
