"""A measurement beside a prediction: uncertainties combined, and whether the two agree."""

from __future__ import annotations

import math

import pytest
from demonstration import Checked

from harness.judge.uncertainty import agrees, combined_uncertainty, predicted_uncertainty


def row(*ends: tuple[float | None, float | None], value: float | None = 10.0) -> dict:
    return {"value": value, "sensitivities": [{"value_low": low, "value_high": high} for low, high in ends]}


def test_inputs_that_move_alone_add_as_squares() -> None:
    # JCGM 100:2008, 5.1.2, law of propagation: 3 and 4 make 5 (Pythagoras)
    assert predicted_uncertainty(row((7.0, 13.0), (14.0, 6.0))) == pytest.approx((5.0, 5.0))


def test_an_input_that_moves_both_ends_the_same_way_widens_one_side() -> None:
    assert predicted_uncertainty(row((11.0, 12.0))) == pytest.approx((0.0, 2.0))


def test_no_input_no_uncertainty_and_no_operation_none_known() -> None:
    assert predicted_uncertainty(row()) == (0.0, 0.0)
    assert predicted_uncertainty(row((None, 11.0))) is None
    assert predicted_uncertainty(row(value=None)) is None


def test_a_measurement_that_may_read_low_lets_the_prediction_be_too_high() -> None:
    # measured 10 V, read 4 V too low at most and never too high: prediction less measurement may be 4 V too large
    below, above = combined_uncertainty((0.0, 3.0), 10.0, (-0.4, 0.0))
    assert (below, above) == pytest.approx((0.0, 5.0))


@pytest.mark.parametrize(("difference", "expected"), [(0.9, True), (1.1, False), (-1.9, True), (-2.1, False)])
def test_agreement_is_zero_within_the_uncertainty(difference: float, expected: bool) -> None:
    assert agrees(difference, (1.0, 2.0)) is expected


def test_an_assessment_has_it_for_each_measurement(checked: Checked) -> None:
    (found,) = checked.json["measurements"]
    low, high = found["predicted_uncertainty"]
    # less than the adverse value, where all inputs are at their worse ends at once
    assert 0 < low < found["predicted"] - found["predicted_adverse"]
    assert found["combined_uncertainty"] == pytest.approx(
        [math.hypot(low, 0.05 * found["measured"]), math.hypot(high, 0.05 * found["measured"])]
    )
    assert found["consistent"] is True
