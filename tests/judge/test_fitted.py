"""Whether a fitted value may be offered, and the line it is offered in. Numbers in, texts out; nothing is simulated."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from demonstration import LANTERN, changed_record

from harness.contracts import Channel
from harness.judge.fitted import HALF_WIDTH, FittedValue, Input, fitted_values, pasted, rounded, why_nothing
from harness.postprocess.alignment import Alignment
from harness.postprocess.course_fit import Reading
from harness.postprocess.fit_quality import Quality
from netlists.record import load_record

INPUTS = (
    Input("line.inductance", "H", 100e-6, 400e-6, 800e-6, "value"),
    Input("stages.mains_rectifier.parts.RT1.b_value", "K", 2600.0, 2800.0, 3100.0, "value"),
)
READING = Reading(np.arange(1000) * 1e-6, np.ones(1000), 0.03, 0.1, 1e-4, 0.01)
CHANNEL = Channel("line_current", "A", "clamp", np.ones(1000), 0.03, 0.1)


def worth(**changed: Any) -> Quality:
    """A good fit with some of it changed."""
    good: dict[str, Any] = {
        "deviation": np.array([0.02, 0.05]), "steps": np.zeros(2), "terms": np.zeros(4), "correlation": np.eye(2),
        "widened": np.ones(2), "endless": (False, False), "systematic": 0.01, "band": 0.2, "pulls": np.zeros(3),
    }  # fmt: skip
    return Quality(**(good | changed))


def values(at: tuple[float, float] = (0.3, 0.5), samples: int = 1000, **changed: Any) -> list[FittedValue]:
    return fitted_values(INPUTS, at, worth(**changed), samples)


def test_an_interval_is_95_percent_and_cut_to_the_range() -> None:
    first, second = values((0.3, 0.97))
    assert first.value == pytest.approx(310e-6)
    assert (first.high - first.low) / 2 == pytest.approx(1.959964 * 0.02 * 700e-6)
    assert abs(HALF_WIDTH - 1.959964) < 1e-6  # any table of the normal distribution
    assert second.high == 3100.0
    assert first.offered
    assert second.offered


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"at": (0.001, 0.5)}, "lies at the lower end of its range"),
        ({"at": (0.999, 0.5)}, "lies at the upper end of its range"),
        (
            {"correlation": np.array([[1, -0.995], [-0.995, 1]])},
            "cannot be told apart from stages.mains_rectifier.parts",
        ),
        ({"deviation": np.array([0.6, 0.05])}, "no more of it than its range"),
        ({"endless": (True, False)}, "run together"),
        ({"widened": np.array([30.0, 1.0])}, "run together"),  # 33 independent samples of 1000
    ],
)
def test_what_says_too_little_is_not_offered(given: dict[str, Any], says: str) -> None:
    first, second = values(**given)
    assert says in first.why
    assert not first.offered
    assert second.offered or "told apart" in second.why


@pytest.mark.parametrize(
    ("changed", "correlation", "rests", "says"),
    [
        ({"systematic": 0.3}, 1.0, True, "bad fit: 300 mA RMS is left beside noise, the capture is good to 200 mA"),
        ({"pulls": np.array([5.0, 0, 0])}, 1.0, True, "gain off by 2.5 times the stated 3 %"),
        ({"pulls": np.array([0, -4.2, 0])}, 1.0, True, "offset off by 2.1 times the stated 100 mA"),
        ({"pulls": np.array([0, 0, 6.0])}, 1.0, True, "time base off by 3.0 times the stated 0.01 %"),
        ({}, 0.7, True, "another course"),
        ({}, 1.0, False, "did not come to rest"),
    ],
)
def test_what_speaks_against_a_whole_fit(
    changed: dict[str, Any], correlation: float, rests: bool, says: str
) -> None:  # fmt: skip
    lies = Alignment(0.0, correlation, correlation)
    (told,) = why_nothing(worth(**changed), lies, CHANNEL, READING, rests=rests, places=20)
    assert says in told


def test_a_good_fit_has_nothing_against_it() -> None:
    assert why_nothing(worth(), Alignment(0.0, 1.0, 1.0), CHANNEL, READING, rests=True, places=9) == []


def test_the_line_to_paste_is_taken_by_the_loader(tmp_path: Path) -> None:
    record = load_record(LANTERN)
    first, second = values()
    changes = []
    for one, old in ((first, 'inductance = { value = "400u"'), (second, "b_value = { value")):
        table, line = pasted(one, record.quantities[one.input.path], 'capture "b", line_current', "2026-11-20", ["x.y"])
        assert one.input.path.startswith(table)
        (was,) = [text for text in LANTERN.read_text(encoding="utf-8").splitlines() if text.startswith(old)]
        changes.append((was, line))
    found = changed_record(LANTERN, tmp_path, *changes)
    for one in (first, second):
        quantity = found.quantities[one.input.path]
        half = (one.high - one.low) / 2
        assert quantity.nominal == pytest.approx(one.value, abs=0.011 * half)
        assert quantity.low == pytest.approx(one.low, abs=0.011 * half)
        assert quantity.high == pytest.approx(one.high, abs=0.011 * half)
        assert quantity.known == "inferred"
        assert quantity.evidence == 'capture "b", line_current'
        assert "was assumed" in quantity.note
        assert "x.y" in quantity.note


@pytest.mark.parametrize("scale", [1e-9, 1.0, 4.7e6])
@pytest.mark.parametrize("width", [0.3, 1e-3, 1e-7])
def test_printed_digits_are_as_many_as_the_interval_needs(scale: float, width: float) -> None:
    one = FittedValue(INPUTS[0], scale, scale * (1 - width), scale * (1 + width), 1.0, "")
    value, low, high = map(float, rounded(one))
    assert low < value < high
    assert value == pytest.approx(scale, abs=0.011 * scale * width)
    assert low == pytest.approx(one.low, abs=0.011 * scale * width)
