"""Which input moves a metric, and where a verdict flips: held against the hand calculation they come from."""

from __future__ import annotations

import dataclasses
import math

import pytest
from judge.conftest import Planned

from harness.contracts import Metric
from harness.judge.limits import limit_of
from harness.judge.sensitivity import break_evens, flip, hand_scale, sensitivities
from harness.judge.verdict import is_over
from harness.plan.plan import UNREAD, CornerAnswer
from harness.plan.study import Finding

HUNG = [("inrush_peak", "claim inrush"), ("holdup_time", "claim hold_up"), ("bulk_can_current_rms", "lowest line")]


@pytest.mark.parametrize(("metric", "label"), HUNG)
def test_every_open_input_that_moves_the_metric_is_there_widest_first(
    planned: Planned, metric: str, label: str
) -> None:
    answer = planned.answer(metric, label)
    rows = sensitivities(planned.plan, answer, limit_of(planned.record, answer))
    assert {row["path"] for row in rows} == set(answer.corners["adverse"].point.values)
    assert [row["swing"] for row in rows] == sorted((row["swing"] for row in rows), reverse=True)
    assert all(row["by"] == "hand calculation, scaled to the simulation at nominal" for row in rows)
    assert {"measured", "marked", "assumed"} >= {row["known"] for row in rows}


@pytest.mark.parametrize(("metric", "label"), HUNG)
def test_ends_are_the_hand_calculation_times_its_ratio_to_the_simulation(
    planned: Planned, metric: str, label: str
) -> None:
    answer = planned.answer(metric, label)
    limit = limit_of(planned.record, answer)
    nominal = answer.corners["nominal"]
    assert limit is not None
    assert nominal.finding is not None
    assert nominal.hand is not None
    ratio = nominal.finding.metric.value / nominal.hand.value
    for row in sensitivities(planned.plan, answer, limit):
        by_hand = planned.plan.hand_value(answer, nominal.point.with_values({row["path"]: row["low"]}))
        assert by_hand is not None
        assert row["value_low"] == pytest.approx(by_hand * ratio)
        over = [is_over(row["value_low"], limit), is_over(row["value_high"], limit)]
        assert [row["verdict_low"] == "over", row["verdict_high"] == "over"] == over
        assert row["changes_verdict"] == (len({*over, is_over(nominal.finding.metric.value, limit)}) > 1)


def test_without_a_limit_inputs_are_ranked_and_nothing_flips(planned: Planned) -> None:
    answer = planned.answer("bulk_ripple", "lowest line")
    rows = sensitivities(planned.plan, answer, None)
    assert rows[0]["path"].endswith("C1.capacitance")
    assert all(row["verdict_low"] is None and not row["changes_verdict"] for row in rows)


def test_a_simulated_end_takes_the_place_of_the_hand_calculation(planned: Planned) -> None:
    answer = planned.answer("holdup_time", "claim hold_up")
    row = sensitivities(planned.plan, answer, None)[0]
    nominal = answer.corners["nominal"]
    simulated = Finding(Metric("holdup_time", "bulk", 5e-3, "s", (0.0, 1.0), 1.0), "0" * 64)
    end = CornerAnswer(nominal.point, nominal.situation, None, finding=simulated)
    one = dataclasses.replace(answer, ends={(row["path"], "low"): end})
    again = next(r for r in sensitivities(planned.plan, one, None) if r["path"] == row["path"])
    assert again["value_low"] == 5e-3
    assert again["by"] == "low: simulation; high: hand calculation, scaled to the simulation at nominal"
    both = dataclasses.replace(answer, ends={(row["path"], name): end for name in ("low", "high")})
    assert next(r for r in sensitivities(planned.plan, both, None) if r["path"] == row["path"])["by"] == "simulation"


def test_an_end_without_operation_is_over_and_ranks_first(planned: Planned, monkeypatch: pytest.MonkeyPatch) -> None:
    answer = planned.answer("holdup_time", "claim hold_up")
    path = sensitivities(planned.plan, answer, None)[-1]["path"]
    calculate = planned.plan.hand_value

    def stops(asked: object, point: object) -> float | None:
        return None if path in point.values else calculate(asked, point)  # type: ignore[attr-defined, arg-type]

    monkeypatch.setattr(planned.plan, "hand_value", stops)
    row = sensitivities(planned.plan, answer, limit_of(planned.record, answer))[0]
    assert (row["path"], row["value_low"], row["verdict_low"], row["swing"]) == (path, None, "over", math.inf)
    assert row["by"] == "no settled operation by hand calculation"


@pytest.mark.parametrize("start", ["adverse", "nominal"])
@pytest.mark.parametrize(("metric", "label"), HUNG)
def test_a_break_even_value_put_in_meets_the_limit(planned: Planned, metric: str, label: str, start: str) -> None:
    """For any limit between the two ends of an input: it exists, lies in the range, and the scaled hand meets it."""
    answer = planned.answer(metric, label)
    recorded = limit_of(planned.record, answer)
    corner = answer.corners["adverse" if start == "adverse" else "nominal"]
    scale = hand_scale(corner, "")
    assert recorded is not None
    assert scale is not None
    tried = 0
    for path in answer.corners["adverse"].point.values:
        quantity = planned.record.quantities[path]
        if quantity.known not in UNREAD or tried == 3:
            continue
        low, high = (
            planned.plan.hand_value(answer, corner.point.with_values({path: value}))
            for value in (quantity.low, quantity.high)
        )
        assert low is not None
        assert high is not None
        if low == high:  # what moves the metric about nominal need not move it here
            continue
        bound = scale.factor * (low + high) / 2
        limit = dataclasses.replace(recorded, nominal=bound, adverse=bound)
        value = flip(planned.plan, answer, limit, corner.point, path, (quantity.low, quantity.high), scale.factor)
        assert value is not None
        assert quantity.low < value < quantity.high
        by_hand = planned.plan.hand_value(answer, corner.point.with_values({path: value}))
        assert by_hand is not None
        assert by_hand * scale.factor == pytest.approx(bound, rel=1e-3)
        tried += 1
    assert tried == 3


def test_break_even_of_the_demonstration_all_else_adverse_and_alone(planned: Planned) -> None:
    answer = planned.answer("inrush_peak", "claim inrush")
    limit = limit_of(planned.record, answer)
    assert limit is not None
    adverse = break_evens(planned.plan, answer, limit, "adverse")
    assert adverse
    assert all(item["low"] < item["value"] < item["high"] for item in adverse)
    assert all(item["by"] == "hand calculation, scaled to the simulation at the adverse ends" for item in adverse)
    assert break_evens(planned.plan, answer, limit, "nominal") == []  # 60 A is far from nominal: no one value alone
    near = dataclasses.replace(limit, nominal=38.0, adverse=38.0)
    alone = break_evens(planned.plan, answer, near, "nominal")
    assert alone
    assert all(item["by"] == "hand calculation, scaled to the simulation at nominal" for item in alone)


def test_a_jump_to_no_operation_is_no_break_even(planned: Planned, monkeypatch: pytest.MonkeyPatch) -> None:
    answer = planned.answer("holdup_time", "claim hold_up")
    limit = limit_of(planned.record, answer)
    nominal = answer.corners["nominal"].point
    path = "stages.mains_rectifier.converter_efficiency"
    assert limit is not None
    fine = 2 * limit.nominal
    monkeypatch.setattr(planned.plan, "hand_value", lambda _, point: None if point.values[path] < 0.87 else fine)
    assert flip(planned.plan, answer, limit, nominal, path, (0.85, 0.90), 1.0) is None
    monkeypatch.setattr(planned.plan, "hand_value", lambda *_: fine)
    assert flip(planned.plan, answer, limit, nominal, path, (0.85, 0.90), 1.0) is None


def test_scale_where_there_is_nothing_to_scale(planned: Planned) -> None:
    corner = planned.answer("holdup_time", "lowest line").corners["nominal"]
    assert corner.hand is not None
    corner = dataclasses.replace(corner, hand=dataclasses.replace(corner.hand, value=0.0))  # a trough below the end
    scale = hand_scale(corner, "there")
    assert scale is not None
    assert scale.factor == 1.0
    assert hand_scale(dataclasses.replace(corner, finding=None), "there") is None
    assert hand_scale(dataclasses.replace(corner, hand=None), "there") is None
