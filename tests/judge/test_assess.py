"""The assessment with limits, sensitivities and struck-out alternatives, and how the table prints them."""

from __future__ import annotations

import dataclasses
import io
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from demonstration import LANTERN, Checked
from judge.conftest import Planned
from rich.console import Console

from harness.check import check_record
from harness.judge.assess import Assessment, assess, undecided_answers
from harness.judge.listings import claim_rows
from harness.judge.sensitivity import SIMULATED, sensitivities
from harness.plan.plan import Plan
from harness.show.table import print_assessment
from harness.simulate.campaign import Campaign
from netlists.errors import RecordError

FEED = "stages.mains_rectifier.feed"
LIMITS = """
schema = 1

[policies.bridge_rectifier]
use = "project"
fractions = { average_current_rating = "10%" }

[policies.electrolytic_capacitor]
use = "IPC-9592"

[overrides.trough]
metric = "bulk_voltage_trough"
subject = "bulk"
at_least = "85 V"
reason = "the lamp flickers below"
date = "2026-10-20"

[rails.lamp]
ripple = "200 mV"
source = "tried on the bench"
"""


def printed(assessment: Assessment) -> list[str]:
    stream = io.StringIO()
    print_assessment(assessment, Console(file=stream, width=100), [])
    return stream.getvalue().splitlines()


def test_a_limits_file_through_the_main_job(checked: Checked, tmp_path: Path) -> None:
    """On the runs the session's check left: a limit only adds the adverse ends of what comes near it."""
    text = LANTERN.read_text(encoding="utf-8").replace('name = "lantern-65"', 'name = "lantern-66"')
    (tmp_path / "lantern-66.toml").write_text(text, encoding="utf-8")
    (tmp_path / "lantern-66.limits.toml").write_text(LIMITS, encoding="utf-8")
    assessment, _ = check_record(tmp_path / "lantern-66.toml", checked.results, instance="mains_rectifier", plots=False)
    assert assessment.provenance["simulations_started"] <= 4
    content = json.loads(assessment.to_json())
    rows = {(row["metric"], row["condition"]["label"]): row for row in content["metrics"]}

    average = rows["rectifier_current_average", "lowest line"]
    assert average["limit_source"] == "BD1 average current rating, 4 A x 10 % (project policy)"
    assert (average["limit_policy"], average["limit_override"], average["verdict"]) == ("project", None, "over")
    assert average["limit"] == pytest.approx(0.4)
    can = rows["bulk_voltage_peak", "highest line"]
    assert can["limit_source"] == "C1 voltage rating, 400 V x 80 % (IPC-9592, read second-hand)"
    assert can["verdict"] == "over"
    trough = rows["bulk_voltage_trough", "lowest line"]
    assert (trough["limit"], trough["limit_side"], trough["limit_override"]) == (85.0, "low", "trough")
    assert trough["verdict"] == "undecided"

    assert content["limits"]["file"] == "lantern-66.limits.toml"
    assert {item["kind"]: item["policy"] for item in content["limits"]["policies"]} == {
        "bridge_rectifier": "project", "electrolytic_capacitor": "IPC-9592",
    }  # fmt: skip
    (rail,) = content["rail_limits"]
    assert (rail["rail"], rail["quantity"], rail["value"], rail["voltage"]) == ("lamp", "ripple", 0.2, 19.5)
    assert rail["state"] == "not simulated yet"
    assert assessment.exit_code == 1
    text = "\n".join(printed(assessment))
    assert "limits: lantern-66.limits.toml: bridge_rectifier project, electrolytic_capacitor IPC-9592" in text
    assert "rail lamp: ripple <= 200 mV (tried on the bench): not simulated yet" in text


def test_a_broken_limits_file_is_refused_before_anything_runs(checked: Checked, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(LIMITS.replace("lamp]", "lamb]").replace('"IPC-9592"', '"IPC-9593"'), encoding="utf-8")
    with pytest.raises(RecordError) as caught:
        check_record(LANTERN, checked.results, plots=False, limits_file=path)
    assert [str(finding).split(": ")[:2] for finding in caught.value.findings] == [
        ["own.toml:9", "policies.electrolytic_capacitor.use"], ["own.toml:18", "rails.lamb"],
    ]  # fmt: skip


def test_every_undecided_row_prints_its_three_widest_inputs_in_100_columns(assessed: Assessment) -> None:
    lines = printed(assessed)
    assert max(map(len, lines)) <= 100
    undecided = [row for row in assessed.metrics if row["verdict"] == "undecided"]
    headings = [number for number, line in enumerate(lines) if line.startswith("    moved most by, alone")]
    assert len(headings) == len(undecided) >= 1
    for row, heading in zip(undecided, headings, strict=True):
        for item, line in zip(row["sensitivities"][:3], lines[heading + 1 :], strict=False):
            assert line.startswith("      ")
            assert line.split()[0].split(".")[-1] == item["path"].split(".")[-1]
            assert (line.endswith("flips it")) == item["changes_verdict"]
    assert "limits:" not in "\n".join(lines)


def test_only_undecided_rows_hang_on_an_input(planned: Planned, assessed: Assessment) -> None:
    for row in assessed.metrics:
        assert row["sensitivities"]
        if row["verdict"] != "undecided":
            assert row["break_even"] == row["break_even_alone"] == []
    hung = [(a.metric, a.question.label) for a in undecided_answers(planned.record, planned.plan)]
    rows = [r for r in assessed.metrics if r["verdict"] == "undecided"]
    assert hung == [(r["metric"], r["condition"]["label"]) for r in rows]


def with_half_wave(planned: Planned) -> Plan:
    """The plan as if half wave, which its bridge in one package forbids, had been stated and run too."""
    doubled = [dataclasses.replace(answer, structure={FEED: "half_wave"}) for answer in planned.plan.answers]
    answers = [*planned.plan.answers, *doubled]
    return cast(
        Plan, SimpleNamespace(record=planned.record, answers=answers, hand_value=planned.plan.hand_value)
    )  # fmt: skip


def test_a_struck_out_alternative_is_listed_and_counts_for_nothing(planned: Planned, assessed: Assessment) -> None:
    alone = assessed
    assessment = assess(planned.record, with_half_wave(planned), {})
    key = [(row["metric"], row["verdict"], row["condition"]["structure"]) for row in alone.metrics]
    assert [(row["metric"], row["verdict"], row["condition"]["structure"]) for row in assessment.metrics] == key
    assert assessment.exit_code == alone.exit_code
    assert [claim["verdict"] for claim in assessment.claims] == [claim["verdict"] for claim in alone.claims]
    (struck,) = json.loads(assessment.to_json())["struck_out"]
    assert (struck["instance"], struck["structure"]) == ("mains_rectifier", {FEED: "half_wave"})
    assert len(struck["metrics"]) == len(alone.metrics)
    lines = printed(assessment)
    assert (
        "struck out: feed half_wave of mains_rectifier: half_wave takes one diode, BD1 is a bridge of four in" in lines
    )
    assert lines[-4:] == printed(alone)[-4:]  # counts and caution


def claim_row(label: str, verdict: str) -> dict[str, Any]:
    return {"condition": {"label": label}, "verdict": verdict, "why": "because"}


@pytest.mark.parametrize(
    ("verdicts", "word", "why"),
    [
        (["within"], "credible", "because"),
        (["over"], "not credible", "because"),
        (["undecided"], "cannot tell", "because"),
        (["failed"], "cannot tell", "because"),
        (["within", "within"], "credible", "because"),
        (["within", "over"], "cannot tell", "the alternatives of structure do not agree"),
        (["undecided", "over"], "cannot tell", "the alternatives of structure do not agree"),
        ([], "cannot tell", "its metric is not simulated"),
    ],
)
def test_claims(planned: Planned, verdicts: list[str], word: str, why: str) -> None:
    rows = [claim_row("claim inrush", verdict) for verdict in verdicts] + [claim_row("highest line", "within")]
    (claim,) = [claim for claim in claim_rows(planned.record, rows) if claim["claim"] == "inrush"]
    assert (claim["verdict"], claim["why"]) == (word, why)


def test_simulated_ends_lie_beside_those_by_hand(planned: Planned, tmp_path: Path) -> None:
    """One input of one answer at both ends, simulated: within 1 % of the hand calculation, scaled at nominal."""
    path = "stages.mains_rectifier.converter_efficiency"
    answer = planned.answer("line_current_rms", "label's lowest voltage")
    adverse = answer.corners["adverse"]
    only = dataclasses.replace(adverse, point=dataclasses.replace(adverse.point, values={path: 0.85}))
    one = dataclasses.replace(answer, corners={**answer.corners, "adverse": only}, ends={})
    (by_hand,) = sensitivities(planned.plan, one, None)
    with Campaign(tmp_path / "results", workers=1) as campaign:
        planned.plan.simulate_ends(campaign, [one])
        assert campaign.simulated >= 2
    (simulated,) = sensitivities(planned.plan, one, None)
    assert simulated["by"] == SIMULATED != by_hand["by"]
    for end in ("value_low", "value_high"):
        assert simulated[end] == pytest.approx(by_hand[end], rel=0.01)
