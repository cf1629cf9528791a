"""Verdicts: every path, and the rules that make them hard to talk round."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.handcalc.expectation import Difference, Expectation
from harness.judge.agreement import agreement, difference
from harness.judge.limits import Limit
from harness.judge.verdict import decide, is_over, margin

AT_MOST = Limit(10.0, 10.0, "high", "rating")
AT_LEAST = Limit(10.0, 10.0, "low", "claim")
AGREES = ("agrees", "agrees", "agrees")


def word(limit: Limit | None, adverse: float | None, rescued: float | None, agreements=AGREES, error: str = "") -> str:
    return decide(limit, adverse, rescued, agreements, error, "record it").word


@pytest.mark.parametrize(
    ("limit", "adverse", "rescued", "expected"),
    [
        (AT_MOST, 9.0, 8.0, "within"),
        (AT_MOST, 10.0, 8.0, "within"),
        (AT_MOST, 11.0, 8.0, "undecided"),
        (AT_MOST, 11.0, 10.5, "over"),
        (AT_LEAST, 11.0, 12.0, "within"),
        (AT_LEAST, 9.0, 12.0, "undecided"),
        (AT_LEAST, 9.0, 9.5, "over"),
        (None, 9.0, 8.0, "unjudged"),
        (AT_MOST, None, 8.0, "failed"),
        (AT_MOST, 9.0, None, "failed"),
    ],
)
def test_words(limit: Limit | None, adverse: float | None, rescued: float | None, expected: str) -> None:
    assert word(limit, adverse, rescued) == expected


def test_an_error_is_failed_whatever_the_numbers() -> None:
    assert word(AT_MOST, 1.0, 1.0, error="timestep too small") == "failed"


def test_an_operation_without_a_model_at_other_ends_is_undecided_and_says_which() -> None:
    found = decide(AT_MOST, None, None, AGREES, "", "", "bursts")
    assert found.word == "undecided"
    assert "bursts, which is not modelled" in found.why
    assert decide(AT_MOST, None, 9.0, AGREES, "", "", "bursts").word == "undecided"
    assert decide(None, None, None, AGREES, "", "record it", "bursts").word == "unjudged"
    assert decide(AT_MOST, None, None, AGREES, "lost", "", "bursts").word == "failed"


def test_a_limit_of_zero_is_no_excuse() -> None:
    """The margin is in the metric's own unit there."""
    reset = Limit(0.0, 0.0, "low", "the core must be reset")
    assert margin(0.06, reset) == pytest.approx(0.06)
    assert word(reset, 0.06, 0.08) == "within"
    assert word(reset, -0.01, 0.08) == "undecided"
    assert word(reset, -0.01, -0.005) == "over"


def test_disagreement_lowers_within_and_never_raises() -> None:
    assert word(AT_MOST, 1.0, 1.0, ("agrees", "disagrees", "agrees")) == "undecided"
    assert word(None, 1.0, 1.0, ("disagrees",)) == "undecided"


def test_a_partial_metric_is_never_within_but_can_be_over() -> None:
    partial = Limit(10.0, 10.0, "high", "rating", "the rest is missing")
    assert word(partial, 5.0, 5.0) == "unjudged"
    assert word(partial, 12.0, 11.0) == "over"
    assert word(partial, 12.0, 9.0) == "undecided"


def test_the_adverse_end_of_the_limit_counts() -> None:
    assumed = Limit(10.0, 8.0, "high", "assumed rating")
    assert is_over(9.0, assumed)
    assert margin(6.0, assumed) == pytest.approx(0.25)


@given(st.floats(0.1, 1e6), st.floats(0.1, 1e6))
def test_margin_sign_is_the_verdict(value: float, bound: float) -> None:
    high, low = Limit(bound, bound, "high", ""), Limit(bound, bound, "low", "")
    assert (margin(value, high) < 0) == (value > bound)
    assert (margin(value, low) < 0) == (value < bound)


@given(st.floats(0.1, 100), st.floats(0.1, 100), st.floats(0.1, 100))
def test_a_worse_adverse_value_never_improves_the_verdict(adverse: float, rescued: float, more: float) -> None:
    order = {"within": 0, "undecided": 1, "over": 2}
    rescued = min(adverse, rescued)  # the rescued point is never worse than the adverse one
    assert order[word(AT_MOST, adverse + more, rescued)] >= order[word(AT_MOST, adverse, rescued)]


def test_agreement_uses_the_declared_difference_only() -> None:
    expected = Expectation(100.0, "A", "formula", Difference(-0.02, 0.05, "reason"))
    assert agreement(98.0, expected) == "agrees"
    assert agreement(105.0, expected) == "agrees"
    assert agreement(97.9, expected) == "disagrees"
    assert agreement(105.1, expected) == "disagrees"
    assert agreement(1.0, None) == "no hand calculation"
    assert difference(105.0, expected) == pytest.approx(0.05)
    assert difference(1.0, Expectation(0.0, "s", "", Difference(-1, math.inf, ""))) is None
    assert agreement(0.0, Expectation(1e-5, "s", "", Difference(-1, math.inf, ""))) == "agrees"
