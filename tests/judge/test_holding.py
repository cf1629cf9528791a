"""What no longer holds of a published report: tolerance by kind, verdicts, limits, claims, measurements."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from demonstration import Checked

from harness.judge.comparison import compare
from harness.judge.holding import claim_lapses, lapses, measurement_lapses
from harness.judge.tolerances import tolerance_of


@pytest.fixture
def old(checked: Checked) -> dict[str, Any]:
    return checked.json


@pytest.fixture
def new(old: dict[str, Any]) -> dict[str, Any]:
    return copy.deepcopy(old)


def row_of(state: dict[str, Any], metric: str) -> dict[str, Any]:
    return next(row for row in state["metrics"] if row["metric"] == metric)


def found(old: dict[str, Any], new: dict[str, Any]) -> dict[str, tuple[str, ...]]:
    comparison = compare({}, {}, (), old["metrics"], new["metrics"])
    return {lapse.said["metric"]: lapse.what for lapse in lapses(comparison)}


def test_a_report_holds_against_itself(old: dict[str, Any], new: dict[str, Any]) -> None:
    assert found(old, new) == {}
    assert claim_lapses(old, new) == measurement_lapses(old, new) == []


@pytest.mark.parametrize(
    ("metric", "share"),
    # the project's own tolerances: means and RMS 0.3 %, ripple 1 %, ringing peaks 3 % (DEVELOPERS.md, house rules)
    [("line_current_rms", 0.003), ("bulk_ripple", 0.01), ("switch_voltage_peak", 0.03), ("inrush_i2t", 0.003)],
)
def test_a_number_may_move_as_far_as_its_kind_is_good_for(
    old: dict[str, Any], new: dict[str, Any], metric: str, share: float
) -> None:
    assert tolerance_of(metric).relative == share
    row_of(new, metric)["value"] *= 1 + 0.9 * share
    assert found(old, new) == {}
    row_of(new, metric)["value"] *= 1 + 0.2 * share
    assert found(old, new) == {metric: ("value",)}


def test_a_temperature_moves_by_a_share_of_the_absolute_one(old: dict[str, Any], new: dict[str, Any]) -> None:
    row = row_of(new, "thermistor_temperature")
    share = 0.003 * (row["value"] + 273.15)  # of the absolute temperature
    row["value"] += 0.9 * share
    assert found(old, new) == {}
    row["value"] += 0.2 * share
    assert found(old, new) == {"thermistor_temperature": ("value",)}


def test_limit_margin_verdict_and_condition_are_told_apart(old: dict[str, Any], new: dict[str, Any]) -> None:
    row = row_of(new, "bulk_voltage_peak")
    row["limit_adverse"] = 350.0
    row["margin"] = 1 - row["adverse"]["value"] / 350.0
    row["verdict"] = "over"
    row_of(new, "inrush_peak")["condition"]["line_voltage"] = 253.0
    assert found(old, new) == {"bulk_voltage_peak": ("limit", "margin", "verdict"), "inrush_peak": ("condition",)}


def test_a_value_that_cannot_be_found_now_does_not_hold(old: dict[str, Any], new: dict[str, Any]) -> None:
    row_of(new, "bulk_ripple")["value"] = None
    new["metrics"].remove(row_of(new, "holdup_time"))
    assert found(old, new) == {"bulk_ripple": ("value",), "holdup_time": ("gone",)}


def test_new_rows_do_not_count(old: dict[str, Any], new: dict[str, Any]) -> None:
    old["metrics"].remove(row_of(old, "holdup_time"))
    assert found(old, new) == {}


def test_claims_and_measurements(old: dict[str, Any], new: dict[str, Any]) -> None:
    new["claims"][0]["verdict"] = "credible"
    del new["claims"][1]
    assert claim_lapses(old, new) == [
        {"claim": "inrush", "before": "cannot tell", "after": "credible"},
        {"claim": "hold_up", "before": "cannot tell", "after": None},
    ]
    new["measurements"][0]["predicted"] *= 1.002  # a time is good for 0.3 %
    assert measurement_lapses(old, new) == []
    new["measurements"][0]["measured"] = 0.0136  # what was measured is as it is stated
    (lapse,) = measurement_lapses(old, new)
    assert (lapse["before"]["measured"], lapse["after"]["measured"]) == (0.0135, 0.0136)
    new["measurements"] = []
    assert measurement_lapses(old, new)[0]["after"] is None
