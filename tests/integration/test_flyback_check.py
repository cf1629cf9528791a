"""The flyback of a record of ours, its questions at nominal values in both modes; then limits and what is left out."""

from __future__ import annotations

from pathlib import Path

import pytest
from flyback_record import record

from harness.judge.agreement import agreement
from harness.judge.limits import limit_of
from harness.plan import flyback
from harness.plan.plan import PLANS, Answer
from harness.simulate.campaign import Campaign
from netlists.point import Point

VALLEY = (
    ('mode = "fixed_frequency"', 'mode = "valley"'),
    ('value = "100k", low = "94k", high = "106k"', 'value = "180k", low = "170k", high = "190k"'),
)
OTHERS = ("nominal input, full load, guide's probe", "lowest input, full load")
ENDS = ("low input, full load", "high input, full load", "high input, light load")


@pytest.mark.parametrize(
    ("mode", "labels"),
    [("fixed_frequency", (*ENDS, *OTHERS)), ("valley", ("nominal input, full load", *OTHERS))],
)
def test_every_metric_is_found_and_agrees_with_its_hand_calculation(
    tmp_path: Path, mode: str, labels: tuple[str, ...]
) -> None:
    found = record(tmp_path, *(VALLEY if mode == "valley" else ()))
    planner = PLANS["flyback"]
    asked = []
    questions = planner.questions(found, "converter")
    assert len(questions) == 11
    for question in [one for one in questions if one.label in labels]:
        situation, _ = planner.situation(found, "converter", Point(), question)
        study = planner.STUDIES[question.study](situation)
        asked.append((question, study, planner.expect(question.study, situation)))
    assert len(asked) == len(labels)
    with Campaign(tmp_path) as campaign:
        requests = [study.ask() for _, study, _ in asked]
        outcomes = iter(campaign.run([request for some in requests for request in some]))
        for (_, study, _), some in zip(asked, requests, strict=True):
            study.tell([next(outcomes) for _ in some])
    seen = set()
    for question, study, expected in asked:
        assert study.result.error == "", question.label
        for key in [key for key in expected if key[0] in question.metrics]:
            value = study.result.findings[key].metric.value
            assert agreement(value, expected[key]) == "agrees", (question.label, key, value, expected[key].value)
            seen.add(key[0])
    left_out = {
        "body_diode_time",
        "body_diode_loss",
        "reverse_current_share",
        "conduction_intervals",
        "rectifier_branches",
    }
    left_out |= {"switching_frequency"} if mode == "fixed_frequency" else set()
    assert seen == set(flyback.METRICS) - left_out


def test_metrics_are_held_against_the_ratings_of_their_parts(tmp_path: Path) -> None:
    found = record(tmp_path)
    question = flyback.questions(found, "converter")[0]
    for metric, subject, rating in (
        ("magnetising_current_peak", "T1", 4.2), ("switch_voltage_peak", "Q1", 650.0),
        ("clamp_dissipation", "R5", 2.0), ("clamp_voltage", "C9", 1000.0), ("diode_voltage_peak", "D3", 60.0),
        ("capacitor_current_rms", "C10", 1.8), ("choke_current_rms", "L2", 6.0),
    ):  # fmt: skip
        answer = Answer("converter", {}, question, metric, subject, flyback.METRICS[metric], ())
        limit = limit_of(found, answer)
        assert limit is not None, metric
        assert limit.nominal == rating


def test_what_is_not_modelled_is_said(tmp_path: Path) -> None:
    said = dict(flyback.not_modelled(record(tmp_path), "converter"))
    assert {"burst operation", "frequency foldback at light load", "rails loaded unlike each other"} <= set(said)
    assert all(said.values())
