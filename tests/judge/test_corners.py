"""Corners scaled by hand against the same corners simulated, and what makes a corner be simulated."""

from __future__ import annotations

import dataclasses
import io
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pytest
from demonstration import KILN, Checked
from judge.conftest import Planned
from rich.console import Console

from harness.check import check_record
from harness.contracts import Metric
from harness.handcalc.expectation import Difference, Expectation
from harness.judge.assess import Assessment
from harness.judge.corners import answers_to_simulate, corner_value, guard_band, is_clear, scaled_value
from harness.judge.limits import Limit
from harness.judge.limits_file import NO_LIMITS, Override
from harness.plan import buck
from harness.plan.plan import Answer, CornerAnswer, Plan
from harness.plan.study import Finding, MetricRule, Question
from harness.show.table import print_assessment
from harness.simulate.campaign import Campaign
from netlists.point import Point
from netlists.record import SupplyRecord, load_record

LABEL, INSTANCE = "light load", "logic_5v"  # five rows: Q12's peak is near its rating, the others are far or have none


@pytest.fixture(scope="module")
def few_questions() -> Iterator[None]:
    """A buck that is asked for its light load alone, so that all of its corners take seconds."""
    asked = buck.questions

    def light(record: SupplyRecord, instance: str) -> list[Question]:
        return [question for question in asked(record, instance) if question.label == LABEL]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(buck, "questions", light)
        yield


@dataclass(frozen=True)
class Both:
    """The same record checked with scaled corners and with simulated ones."""

    scaled: Assessment
    simulated: Assessment


@pytest.fixture(scope="module")
def both(few_questions: None, tmp_path_factory: pytest.TempPathFactory) -> Both:
    folder = tmp_path_factory.mktemp("both")  # one for both, so that what the first ran the second need not

    def checked(corners: Literal["hand", "simulate"]) -> Assessment:
        return check_record(KILN, folder, instance=INSTANCE, plots=False, corners=corners)[0]

    return Both(checked("hand"), checked("simulate"))


def rows_of(assessment: Assessment) -> dict[tuple[str, str], dict[str, Any]]:
    return {(row["metric"], row["subject"]): row for row in json.loads(assessment.to_json())["metrics"]}


def test_both_routes_give_the_same_verdicts(both: Both) -> None:
    scaled, simulated = rows_of(both.scaled), rows_of(both.simulated)
    assert {key: row["verdict"] for key, row in scaled.items()} == {k: row["verdict"] for k, row in simulated.items()}
    assert len(scaled) == 5
    assert {row["verdict"] for row in scaled.values()} == {"within", "unjudged"}
    # one nominal run, and the adverse and rescued ones of the one row in doubt; then those of the other four rows
    assert both.scaled.provenance["simulations_started"] == 3
    assert 4 <= both.simulated.provenance["simulations_started"] <= 8


def test_scaled_values_lie_within_the_guard_band_of_the_simulated_ones(both: Both) -> None:
    """Held against ngspice at the same corners: the scaled route never saw them."""
    scaled, simulated = rows_of(both.scaled), rows_of(both.simulated)
    compared = 0
    for key, row in scaled.items():
        low, high, _ = row["expected_difference"]
        for corner in ("adverse", "rescued"):
            if row[corner]["by"] == "hand-scaled":
                assert row[corner]["value"] == pytest.approx(simulated[key][corner]["value"], rel=high - low)
                compared += 1
    assert compared == 8


def test_the_json_says_how_each_corner_came_about(both: Both) -> None:
    for row in rows_of(both.simulated).values():
        for corner in ("adverse", "rescued"):
            assert row[corner]["by"] == "simulated"
            assert row[corner]["run_id"]
    for key, row in rows_of(both.scaled).items():
        is_near = key == ("switch_voltage_peak", "Q12")
        for corner in ("adverse", "rescued"):
            found = row[corner]
            assert found["by"] == ("simulated" if is_near else "hand-scaled"), key
            assert (found["run_id"] is None) == (found["difference"] is None) == (not is_near)
            if not is_near:
                assert found["value"] == pytest.approx(row["value"] * found["hand"] / row["hand"], rel=1e-12)
        assert row["run_id"]
        assert row["agreement"] == "agrees"


def test_the_table_marks_scaled_values(both: Both) -> None:
    def printed(assessment: Assessment) -> str:
        stream = io.StringIO()
        print_assessment(assessment, Console(file=stream, width=100), [])
        return stream.getvalue()

    text = printed(both.scaled)
    assert max(map(len, text.splitlines())) <= 100
    marked = [line.split()[0] for line in text.splitlines() if " ~" in line]
    assert sorted(marked) == ["choke_ripple", "duty_cycle", "output_ripple", "switch_voltage_peak"]
    assert "~ 4 of 5 adverse values: the simulation at nominal, scaled by hand calculation" in text
    assert "~" not in printed(both.simulated)


def test_a_limit_near_the_scaled_value_has_the_corners_simulated(few_questions: None, tmp_path: Path) -> None:
    """The choke's ripple, 3.18 A adverse, has no limit: overrides at 3.4 A, in its guard band, and far from it."""
    limits = tmp_path / "own.toml"
    text = 'schema = 1\n[overrides.own]\nmetric = "choke_ripple"\nsubject = "L5"\nat_most = "{}"\nreason = "own"\n'
    found = {}
    for bound in ("6.4 A", "3.4 A", "2 A"):
        limits.write_text(text.format(bound), encoding="utf-8")
        assessment, _ = check_record(KILN, tmp_path / "results", instance=INSTANCE, plots=False, limits_file=limits)
        row = rows_of(assessment)["choke_ripple", "L5"]
        found[bound] = (row["adverse"]["by"], row["rescued"]["by"], row["verdict"])
        assert row["adverse"]["value"] == pytest.approx(3.18, rel=0.01)
    assert found == {
        "6.4 A": ("hand-scaled", "hand-scaled", "within"),
        "3.4 A": ("simulated", "simulated", "within"),
        "2 A": ("simulated", "simulated", "over"),
    }


def answer(
    simulated: float | None, hand: float | None, at_corner: float | None, gap: float = 0.02, floor: float = 0.0,
    **asked: str,
) -> Answer:  # fmt: skip
    """An answer whose nominal point alone was run, by numbers; hand calculations with a difference of ``gap``."""
    question = Question("steady", "made up", "", 12.0, 0.0, 10.0, 1.0, ("output_ripple",), "dc", **asked)

    def corner(value: float | None, found: float | None) -> CornerAnswer:
        expected = None if value is None else Expectation(value, "V", "made up", Difference(-gap, gap, "none"), floor)
        finding = (
            None if found is None else Finding(Metric("output_ripple", "x", found, "V", (0.0, 1.0), None), "0" * 64)
        )
        return CornerAnswer(Point(), None, expected, finding)

    nominal = corner(hand, simulated)
    nominal.was_run = True
    corners = {"nominal": nominal, "adverse": corner(at_corner, None), "rescued": corner(at_corner, None)}
    rule = MetricRule("steady", "high", "V", "made up")
    return Answer("x", {}, question, "output_ripple", "x", rule, (), corners)  # type: ignore[arg-type]


def limit(value: float, worse: Literal["high", "low"] = "high") -> Limit:
    return Limit(value, value, worse, "made up")


def test_a_scaled_value_by_numbers() -> None:
    assert scaled_value(answer(1.01, 1.0, 2.0), "adverse") == pytest.approx(2.02)
    found = corner_value(answer(1.01, 1.0, 2.0), "adverse")
    assert found is not None
    assert (found.value, found.by) == (pytest.approx(2.02), "hand-scaled")


@pytest.mark.parametrize(
    "found",
    [
        answer(1.03, 1.0, 2.0),
        answer(1.01, 1.0, 2.0, claim="ripple"),
        answer(1.01, 1.0, 2.0, measurement="ripple"),
        answer(None, 1.0, 2.0),
        answer(1.01, None, 2.0),
        answer(1.01, 1.0, None),
        answer(0.0, 0.0, 2.0),
        answer(1.5e-3, 1e-3, 2e-3, floor=1e-3),
        answer(1.01, 1.0, 2.0, gap=0.11),
        answer(1.01, 1.0, 2.0, gap=math.inf),
    ],
    ids=[
        "hand-disagrees", "claim", "measurement", "not-simulated", "no-hand", "no-hand-at-the-corner", "hand-is-zero",
        "agrees-by-its-floor-alone", "hand-too-coarse", "hand-bounds-nothing",
    ],
)  # fmt: skip
def test_what_must_not_be_scaled_is_in_doubt_wherever_a_limit_stands(found: Answer) -> None:
    assert scaled_value(found, "adverse") is None
    assert corner_value(found, "adverse") is None
    assert not is_clear(found, "adverse", limit(1e9))


@pytest.mark.parametrize(
    ("found", "clear"),
    [
        (answer(1.03, 1.0, 2.0), False),
        (answer(1.01, 1.0, 2.0, claim="ripple"), False),
        (answer(None, 1.0, 2.0), False),
        (answer(1.01, None, 2.0), False),
        (answer(1.01, 1.0, 2.0, gap=0.11), True),
    ],
    ids=["hand-disagrees", "claim", "not-simulated", "no-hand", "hand-too-coarse"],
)
def test_without_a_limit_only_what_agrees_at_nominal_is_left_alone(found: Answer, clear: bool) -> None:
    assert is_clear(found, "adverse", None) is clear


def test_the_guard_band_is_declared_width_floor_and_fixed_share() -> None:
    wide, narrow = Difference(-0.03, 0.06, ""), Difference(-0.05, 0.01, "")
    one, other = (Expectation(1.0, "V", "", difference, 0.2) for difference in (wide, narrow))
    assert guard_band(2.0, one, other) == pytest.approx((0.06 + 0.05 + 0.05) * 2.0 + 0.2)


@pytest.mark.parametrize(("worse", "sign"), [("high", 1.0), ("low", -1.0)])
def test_clear_means_out_of_the_guard_band(worse: Literal["high", "low"], sign: float) -> None:
    found = answer(1.0, 1.0, 2.0)
    edge = 2.0 * (1 + sign * (0.04 + 0.05))
    assert is_clear(found, "adverse", limit(edge + sign * 1e-6, worse))
    assert not is_clear(found, "adverse", limit(edge - sign * 1e-6, worse))
    assert is_clear(found, "adverse", None)


def test_a_disagreeing_hand_calculation_has_the_corners_simulated(
    few_questions: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same check with a hand calculation of the ripple that is 10 % off: simulated, and said to disagree."""
    right = buck.expect

    def wrong(study: str, about: Any) -> dict[tuple[str, str], Expectation]:
        found = right(study, about)
        for key, one in found.items():
            if key[0] == "output_ripple":
                found[key] = dataclasses.replace(one, value=1.1 * one.value)
        return found

    monkeypatch.setattr(buck, "expect", wrong)
    monkeypatch.setattr(Campaign, "calculate", lambda self, function, arguments: [None] * len(arguments))  # done here
    assessment, _ = check_record(KILN, tmp_path, instance=INSTANCE, plots=False)
    row = rows_of(assessment)["output_ripple", "logic_5v"]
    assert (row["adverse"]["by"], row["rescued"]["by"]) == ("simulated", "simulated")
    assert (row["agreement"], row["verdict"]) == ("disagrees", "undecided")


def test_what_is_not_clear_is_simulated_on_the_line_side_too(checked: Checked, planned: Planned) -> None:
    """Claims, and whatever is not clearly within its limit, rest on runs; a finished plan needs no more."""
    rows = [row for row in checked.json["metrics"] if row["instance"] == "mains_rectifier"]
    for row in rows:
        for corner in ("adverse", "rescued"):
            simulated = row[corner]["by"] == "simulated"
            assert simulated == bool(row[corner]["run_id"])
            if "claim" in row["condition"]["label"] or row["verdict"] not in ("within", "unjudged"):
                assert simulated, row["metric"]
    assert 0 < sum(row["adverse"]["by"] == "simulated" for row in rows) < len(rows)
    assert answers_to_simulate(planned.record, planned.plan) == []


def test_of_a_struck_out_alternative_no_corner_is_simulated(planned: Planned) -> None:
    """As if nominal points alone had been run, and a half wave, which a bridge in one package forbids, been stated."""
    for feed, wanted in (("bridge", 1), ("half_wave", 0)):
        made = dataclasses.replace(
            answer(1.5, 1.0, 2.0), instance="mains_rectifier", structure={"stages.mains_rectifier.feed": feed}
        )
        plan = Plan(planned.record, [])
        others = {"stages.mains_rectifier.feed": "bridge"}
        plan.answers = [dataclasses.replace(a, structure=others) for a in planned.plan.answers] + [made]
        assert len(answers_to_simulate(planned.record, plan, NO_LIMITS)) == wanted


def test_an_override_counts_where_corners_are_chosen(planned: Planned) -> None:
    made = answer(1.0, 1.0, 2.0)
    plan = Plan(planned.record, [])
    plan.answers = [dataclasses.replace(made, instance="mains_rectifier", subject="bulk")]
    near = Override("own", "", "output_ripple", "bulk", 2.1, "own", "")
    assert answers_to_simulate(planned.record, plan, NO_LIMITS) == []
    assert answers_to_simulate(planned.record, plan, dataclasses.replace(NO_LIMITS, overrides=(near,))) == plan.answers


def test_an_input_that_moves_a_metric_by_rounding_alone_stays_nominal() -> None:
    """Which of two rounding errors is larger must not decide at which end a corner lies, and so whether it bursts."""
    record = load_record(KILN)
    made = dataclasses.replace(answer(1.0, 1.0, 2.0), instance="main_24v")
    key = (made.metric, made.subject)
    moves, rounds = "stages.main_24v.dead_time", "stages.main_24v.highest_frequency"

    def hand(value: float) -> dict[tuple[str, str], Expectation]:
        return {key: Expectation(value, "V", "own", Difference(0.0, 0.0, "own"))}

    ends = {moves: (hand(1.0), hand(1.1)), rounds: (hand(1.0 + 4e-14), hand(1.0))}
    assert set(Plan(record, []).worse_ends(made, ends)) == {moves}
