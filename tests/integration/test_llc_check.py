"""An LLC through plan and studies: what ends the hold-up, and every metric of one operating point beside its hand."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import KILN, changed_record

from harness.judge.agreement import agreement
from harness.plan import llc as llc_plan
from harness.plan import rectifier_bulk
from harness.plan.study import Question
from harness.simulate.campaign import Campaign
from netlists.point import Point
from netlists.record import SupplyRecord, load_record

LOW_CUTOFF = (
    'undervoltage_cutoff = { value = "290", low = "280", high = "300"',
    'undervoltage_cutoff = { value = "150", low = "140", high = "160"',
)


def run(study: object, campaign: Campaign) -> None:
    """Rounds of one study."""
    while requests := study.ask():  # type: ignore[attr-defined]
        study.tell(campaign.run(requests))  # type: ignore[attr-defined]


def holdup_question(record: SupplyRecord) -> Question:
    asked = rectifier_bulk.questions(record, "mains_rectifier")
    return next(question for question in asked if question.study == "holdup" and question.band == "high_line")


def test_hold_up_ends_where_the_converter_no_longer_regulates(tmp_path: Path) -> None:
    record = changed_record(KILN, tmp_path, LOW_CUTOFF)
    about, reads = rectifier_bulk.situation(record, "mains_rectifier", Point(), holdup_question(record))
    lowest = next(iter(llc_plan.hand.expect_lowest(about.converter.params, about.converter.condition).values()))
    assert about.params.holdup_end_voltage == pytest.approx(lowest.value)
    assert "stages.main_24v.parts.T1.leakage_inductance" in reads
    assert "stages.mains_rectifier.holdup_end_voltage" not in reads
    study = rectifier_bulk.STUDIES["holdup"](about)
    with Campaign(tmp_path / "runs", workers=2) as campaign:
        run(study, campaign)
    assert not study.result.error
    found = study.result.findings["holdup_time", "bulk"].metric.value
    (expected,) = rectifier_bulk.expect("holdup", about).values()
    assert found == pytest.approx(expected.value, rel=0.06)  # the lowest bus by hand is 3 %, the trough 1 % open


def test_a_cutoff_above_the_lowest_bus_ends_the_hold_up_first() -> None:
    record = load_record(KILN)
    about, _ = rectifier_bulk.situation(record, "mains_rectifier", Point(), holdup_question(record))
    # just above it: once the lock-out has opened, the bulk falls no further
    assert about.params.holdup_end_voltage == pytest.approx(about.params.undervoltage_cutoff, rel=0.003)
    assert about.params.holdup_end_voltage > about.params.undervoltage_cutoff


def test_a_measured_end_voltage_is_taken_as_it_is(tmp_path: Path) -> None:
    measured = (
        'holdup_end_voltage = { value = "315", low = "305", high = "330", known = "assumed"',
        'holdup_end_voltage = { value = "315", low = "305", high = "330", known = "measured", date = "2026-10-22"',
    )
    record = changed_record(KILN, tmp_path, measured)
    about, _ = rectifier_bulk.situation(record, "mains_rectifier", Point(), holdup_question(record))
    assert about.converter is None
    assert about.params.holdup_end_voltage == 315.0


def test_a_point_beyond_the_highest_frequency_is_named_as_not_modelled(tmp_path: Path) -> None:
    slower = (
        'highest_frequency = { value = "250k", low = "220k"',
        'highest_frequency = { value = "220k", low = "210k"',
    )
    record = changed_record(KILN, tmp_path, slower)
    assert "high input, light load" not in {one.label for one in llc_plan.questions(record, "main_24v")}
    assert any("high input, light load" in what for what, _ in llc_plan.not_modelled(record, "main_24v"))


def test_every_metric_of_full_load_and_the_lowest_bus_agree_with_the_hand_calculation(tmp_path: Path) -> None:
    record = load_record(KILN)
    asked = {question.label: question for question in llc_plan.questions(record, "main_24v")}
    with Campaign(tmp_path / "runs", workers=2) as campaign:
        for label in (
            "nominal input, full load",
            "low input, half load",
            "high input, light load",
            "nominal input, full load, rectifiers off 100 ns later",
            "lowest input, full load",
        ):
            question = asked[label]
            about, _ = llc_plan.situation(record, "main_24v", Point(), question)
            study = llc_plan.STUDIES[question.study](about)
            run(study, campaign)
            assert not study.result.error
            expected = llc_plan.expect(question.study, about)
            assert set(expected) <= set(study.result.findings)
            for key, one in expected.items():
                assert agreement(study.result.findings[key].metric.value, one) == "agrees", (label, key)
