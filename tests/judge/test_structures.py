"""Impossible alternatives of structure: struck out with the reason, and only where another one is left."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from demonstration import LANTERN

from harness.judge.structures import DOES_NOT_RUN, is_struck_out, struck_out
from harness.plan import rectifier_bulk as planned
from harness.plan.plan import Answer, CornerAnswer, Plan
from harness.plan.study import Finding
from harness.simulate import worker
from harness.simulate.campaign import Outcome
from netlists.point import Point
from netlists.record import SupplyRecord, load_record

FEED = "stages.mains_rectifier.feed"
CUTS_OUT = "the converter cuts out: under this load the bulk falls to its cut-off of 60 V"


def changed(tmp_path: Path, *changes: tuple[str, str]) -> SupplyRecord:
    text = LANTERN.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / "both.toml"
    file.write_text(text, encoding="utf-8")
    return load_record(file)


BOTH = ('feed = "bridge"', 'feed = ["bridge", "half_wave"]')
SINGLE = ('kind = "bridge_rectifier"', 'kind = "diode"')


def plan_of(record: SupplyRecord, errors: dict[str, str], label: str = "label's lowest voltage") -> Plan:
    """A plan as if it had run: feed -> why its nominal study at a label's question failed."""
    question = next(q for q in planned.questions(record, "mains_rectifier") if q.label == label)
    rule = planned.METRICS["line_current_rms"]
    answers = []
    for feed in record.instance("mains_rectifier").choices("feed"):
        point = Point({}, {FEED: feed})
        found = None if errors.get(feed) else cast(Finding, object())
        corner = CornerAnswer(point, None, None, finding=found, error=errors.get(feed, ""))
        answer = Answer("mains_rectifier", point.structure, question, "line_current_rms", "line", rule, ())
        answer.corners["nominal"] = corner
        answers.append(answer)
    return cast(Plan, SimpleNamespace(record=record, answers=answers))


def test_a_bridge_in_one_package_is_no_half_wave(tmp_path: Path) -> None:
    plan = plan_of(changed(tmp_path, BOTH), {})
    (found,) = struck_out(plan)
    assert (found.instance, found.structure) == ("mains_rectifier", {FEED: "half_wave"})
    assert found.reason == "half_wave takes one diode, BD1 is a bridge of four in one package"
    assert [is_struck_out(answer, [found]) for answer in plan.answers] == [False, True]


def test_what_does_not_run_on_the_label_is_struck_out(tmp_path: Path) -> None:
    (found,) = struck_out(plan_of(changed(tmp_path, BOTH, SINGLE), {"half_wave": CUTS_OUT}))
    assert found.structure == {FEED: "half_wave"}
    assert found.reason == f"does not run at 100 V with every value nominal: {CUTS_OUT}"


def test_two_that_run_stay(tmp_path: Path) -> None:
    assert struck_out(plan_of(changed(tmp_path, BOTH, SINGLE), {})) == []


def test_if_all_are_impossible_nothing_is_struck_out(tmp_path: Path) -> None:
    assert struck_out(plan_of(changed(tmp_path, BOTH), {"bridge": CUTS_OUT})) == []
    assert struck_out(plan_of(changed(tmp_path, SINGLE), {"bridge": CUTS_OUT})) == []


@pytest.mark.parametrize("error", ["line ripple: timestep too small", "line ripple: timed out", "no file"])
def test_a_simulation_gone_wrong_proves_nothing(error: str, tmp_path: Path) -> None:
    assert struck_out(plan_of(changed(tmp_path, BOTH, SINGLE), {"half_wave": error})) == []


def test_below_the_label_and_for_a_claim_nothing_must_run(tmp_path: Path) -> None:
    record = changed(tmp_path, BOTH, SINGLE)
    assert struck_out(plan_of(record, {"half_wave": CUTS_OUT}, label="lowest line")) == []  # label less tolerance
    plan = plan_of(record, {"half_wave": CUTS_OUT})
    for answer in plan.answers:
        answer.question = dataclasses.replace(answer.question, claim="inrush")
    assert struck_out(plan) == []


def run_nominal(record: SupplyRecord, feed: str) -> str:
    """Error of the nominal study at the label's lowest voltage, simulated here."""
    question = next(q for q in planned.questions(record, "mains_rectifier") if q.label == "label's lowest voltage")
    about, _ = planned.situation(record, "mains_rectifier", Point({}, {FEED: feed}), question)
    study: Any = planned.STUDIES["line_ripple"](about)
    while requests := study.ask():
        runs = [(request, worker.simulate(request.case, "0" * 64)) for request in requests]
        study.tell([Outcome("", "ok", request.measure(run), "", Path(), reused=False) for request, run in runs])
    return str(study.result.error)


def test_studies_still_say_so_in_these_words(tmp_path: Path) -> None:
    """The words a study ends with are what striking out goes by."""
    tiny = ('marking = "150u 400V 20% 105C"', 'marking = "47u 400V 20% 105C"')
    assert run_nominal(changed(tmp_path, BOTH, SINGLE, tiny), "half_wave").startswith(DOES_NOT_RUN[1])
    early = (
        ('{ value = "60", low = "55", high = "64"', '{ value = "145", low = "142", high = "147"'),
        ('{ value = "85", low = "80", high = "90"', '{ value = "155", low = "152", high = "158"'),
        ('{ value = "72", low = "66", high = "80"', '{ value = "149", low = "148", high = "150"'),
    )
    assert run_nominal(changed(tmp_path, *early), "bridge").startswith(DOES_NOT_RUN[0])
    assert run_nominal(changed(tmp_path, BOTH, SINGLE), "bridge") == ""
