"""Bucks and correctors of the demonstration record, every question at nominal values, in one campaign."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import KILN

from harness.judge.agreement import agreement
from harness.plan.plan import PLANS, kind_of
from harness.simulate.campaign import Campaign
from netlists.point import Point
from netlists.record import load_record

INSTANCES = ("corrector", "logic_5v", "logic_3v3")


def test_every_metric_is_found_and_agrees_with_its_hand_calculation(tmp_path: Path) -> None:
    """Also of two bucks that share an input: they ask the same case, and each must find its own metrics in it."""
    record = load_record(KILN)
    asked = []
    for instance in INSTANCES:
        planner = PLANS[kind_of(record, instance)]
        for question in planner.questions(record, instance):
            situation, _ = planner.situation(record, instance, Point(), question)
            study = planner.STUDIES[question.study](situation)
            asked.append((instance, question, study, planner.expect(question.study, situation)))
    with Campaign(tmp_path) as campaign:
        requests = [study.ask() for _, _, study, _ in asked]
        outcomes = iter(campaign.run([request for some in requests for request in some]))
        for (_, _, study, _), some in zip(asked, requests, strict=True):
            study.tell([next(outcomes) for _ in some])
    count = 0
    for instance, question, study, expected in asked:
        assert study.result.error == "", (instance, question.label)
        wanted = [key for key in expected if key[0] in question.metrics]
        assert wanted, (instance, question.label)
        for key in wanted:
            found = study.result.findings[key].metric.value
            assert agreement(found, expected[key]) == "agrees", (
                instance,
                question.label,
                key,
                found,
                expected[key].value,
            )
            count += 1
    assert count == pytest.approx(150, abs=20)
    assert campaign.simulated < 60
