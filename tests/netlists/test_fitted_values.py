"""Values of a record that a fit to a capture found: what the loader takes and refuses, and how they count."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import LANTERN, changed_record

from harness.plan.plan import UNREAD
from harness.plan.sweep import unread_axes
from netlists.errors import RecordError
from netlists.formulas import FITTED
from netlists.point import Point, Reader

PATH = "line.inductance"
RECORDED = 'inductance = { value = "400u", low = "100u", high = "800u" }'
GOOD = {
    "value": '"290u"', "low": '"271u"', "high": '"309u"', "known": '"inferred"', "formula": f'"{FITTED}"',
    "evidence": '"capture bench, line_current"', "date": '"2026-11-20"',
}  # fmt: skip


def line(**changes: str) -> str:
    """The record's line with keys changed; an empty text leaves one out."""
    content = {key: text for key, text in (GOOD | changes).items() if text}
    return "inductance = { " + ", ".join(f"{key} = {text}" for key, text in content.items()) + " }"


def test_a_fitted_value_is_a_leaf_with_a_range_of_its_own(tmp_path: Path) -> None:
    record = changed_record(LANTERN, tmp_path, (RECORDED, line()))
    found = record.quantities[PATH]
    assert (found.nominal, found.low, found.high) == (290e-6, 271e-6, 309e-6)
    assert (found.known, found.formula, found.evidence) == ("inferred", FITTED, "capture bench, line_current")
    assert not found.is_computed
    assert found.known in UNREAD  # adverse and rescued points take its ends
    reader = Reader(record, Point())
    assert reader.value(PATH) == 290e-6
    assert reader.reads == {PATH}
    assert Reader(record, Point({PATH: 300e-6})).value(PATH) == 300e-6


def test_it_is_sampled_as_assumed_ones_are_and_computed_ones_are_not(tmp_path: Path) -> None:
    record = changed_record(LANTERN, tmp_path, (RECORDED, line()))
    computed = "stages.mains_rectifier.parts.C1.esr"
    assert [axis.path for axis in unread_axes(record, [PATH, computed], [])] == [PATH]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"evidence": ""}, "needs value, low, high, evidence (the capture) and date; no evidence"),
        ({"evidence": '""'}, "no evidence"),
        ({"date": ""}, "no date"),
        ({"low": ""}, "no low"),
        ({"value": ""}, "no value"),
        ({"low": '"309u"', "value": '"309u"'}, "must have low < high"),
        ({"value": '"320u"'}, "must have low <= value <= high"),
        ({"tolerance": '"5%"'}, "must have one range"),
        ({"of": '{ a = "line.resistance" }'}, "of may not be given"),
        ({"low": '"-1u"'}, "must be > 0 H"),
        ({"value": '"290 V"'}, "must be a value in H"),
        ({"formula": '"fitted_to_captur"', "value": "", "low": "", "high": ""}, "nearest: fitted_to_capture"),
        ({"known": '"measured"'}, "formula and of belong to"),
    ],
)
def test_what_is_no_fitted_value_is_refused(tmp_path: Path, changes: dict[str, str], says: str) -> None:
    with pytest.raises(RecordError) as caught:
        changed_record(LANTERN, tmp_path, (RECORDED, line(**changes)))
    assert says in str(caught.value)
    assert PATH in str(caught.value)
