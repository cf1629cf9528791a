"""What differs between two records, and two assessments row by row, on rows made by hand."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from demonstration import KILN, LANTERN, changed_record
from rich.console import Console

from harness.judge.comparison import SEVERITY, Comparison, compare
from harness.judge.differences import Difference, content_of_record, differences, moved_by_formula
from harness.judge.limits_file import NO_LIMITS, limits_beside, load_limits
from harness.show.comparison import moved_lines, print_comparison
from netlists.record import SupplyRecord, load_record

CAN = "[stages.mains_rectifier.parts.C1]"


def changes(first: SupplyRecord, second: SupplyRecord) -> dict[str, Difference]:
    contents = [content_of_record(record, NO_LIMITS) for record in (first, second)]
    return {one.place: one for one in differences(*contents)}


def test_a_record_does_not_differ_from_itself() -> None:
    assert changes(load_record(KILN), load_record(KILN)) == {}


def test_every_field_that_differs_is_found_and_no_other(tmp_path: Path) -> None:
    new = changed_record(
        LANTERN, tmp_path,
        ("current_rating = \"3.15\"", "current_rating = \"4\""),
        (f"{CAN}\nkind", f"{CAN}\nparallel = 2\nkind"),
        ('loss_angle = { value = "0.15", low = "0.06"', 'loss_angle = { value = "0.15", low = "0.05"'),
        ('current = "3.33"', 'current = "3"'),
        ('resistance = { value = "0.4", low = "0.1"', 'resistance = { value = "0.4", low = "0.2"'),
        ('at_most = "60 A"', 'at_most = "50 A"'), ("[stages.main_flyback.parts.U2]", "[stages.main_flyback.parts.U5]"),
        ('mode = "fixed_frequency"', 'mode = "fixed_frequency"\nnote = "seen"'),
    )  # fmt: skip
    found = changes(load_record(LANTERN), new)
    can = found.pop("stages.mains_rectifier.parts.C1").fields
    assert can.keys() == {"parallel", "loss_angle", "esr"}  # the ESR is inferred from the loss angle
    assert can["parallel"] == (1, 2)
    old, now = can["loss_angle"]
    assert (old["value"], old["low"], now["low"], now["known"]) == (0.15, 0.06, 0.05, "assumed")
    fuse = found.pop("stages.inlet_filter.parts.F1").fields["current_rating"]
    assert [side["value"] for side in fuse] == [3.15, 4.0]
    assert found.pop("claims.inrush").fields == {"at_most": ("60 A", "50 A")}
    assert found.pop("stages.main_flyback").fields == {"note": (None, "seen")}
    assert found.pop("nameplate.rails.lamp").fields["current"][1]["value"] == 3
    assert found.pop("line").fields["resistance"][1]["low"] == 0.2
    assert {place: one.change for place, one in found.items()} == {
        "stages.main_flyback.parts.U2": "removed", "stages.main_flyback.parts.U5": "added",
    }  # fmt: skip
    assert found["stages.main_flyback.parts.U5"].fields["description"] == (None, "optocoupler")


def test_limits_files_are_compared_by_what_they_choose(tmp_path: Path) -> None:
    record, beside = load_record(LANTERN), limits_beside(LANTERN)
    assert beside is not None
    file = tmp_path / "other.toml"
    file.write_text(beside.read_text(encoding="utf-8").replace("50%", "60%"), encoding="utf-8")
    contents = [content_of_record(record, load_limits(path, record)) for path in (beside, file)]
    (found,) = differences(*contents)
    assert found.place == "limits.policies.fuse"
    assert found.fields == {"fractions": ({"melting_i2t": 0.5}, {"melting_i2t": 0.6})}
    places = {one.place for one in differences(contents[0], content_of_record(record, NO_LIMITS))}
    assert {"limits.policies.fuse", "limits.overrides.trough", "limits.rails.lamp.ripple"} <= places


def row(
    metric: str, verdict: str, value: float | None = 1.0, margin: float | None = 0.5, **changed: Any
) -> dict[str, Any]:
    condition = {"label": "full load", "structure": {}, "line_voltage": 230.0, **changed.pop("condition", {})}
    return {
        "instance": "rail", "metric": metric, "subject": "C1", "unit": "V", "condition": condition,
        "value": value, "adverse": {"value": value, "by": "simulated"}, "limit_adverse": 2.0, "limit_side": "high",
        "margin": margin, "verdict": verdict, **changed,
    }  # fmt: skip


def compared(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> Comparison:
    side = {"record": "a", "title": "", "file": "a.toml"}
    return compare(side, side, (), before, after)


def printed(comparison: Comparison) -> str:
    console = Console(width=100, record=True, markup=False, file=io.StringIO())
    print_comparison(comparison, console)
    return console.export_text()


@pytest.mark.parametrize("old", SEVERITY)
@pytest.mark.parametrize("new", SEVERITY)
def test_a_verdict_that_got_worse_ends_1(old: str, new: str) -> None:
    order = ["within", "unjudged", "undecided", "over", "failed"]
    result = compared([row("ripple", old)], [row("ripple", new)])
    assert result.exit_code == (order.index(new) > order.index(old))


def test_verdicts_come_first_then_margins_then_values() -> None:
    names = ["same", "value", "margin", "wide_margin", "better", "worse", "worst"]
    before = [row(name, "undecided" if name == "better" else "within") for name in names]
    after = [
        row("same", "within"), row("value", "within", 1.2), row("margin", "within", 1.1, 0.45),
        row("wide_margin", "within", 1.0, 0.1), row("better", "within"), row("worse", "undecided"),
        row("worst", "over"),
    ]  # fmt: skip
    rows = compared(before, after).rows
    assert [one["metric"] for one in rows] == ["worst", "worse", "better", "wide_margin", "margin", "value", "same"]
    assert [one["is_same"] for one in rows] == [False] * 6 + [True]
    assert rows[5]["change"] == pytest.approx(0.2)
    assert rows[3]["margin_change"] == pytest.approx(-0.4)


def test_rows_are_matched_by_structure_and_label_and_the_others_listed() -> None:
    bridge, half = ({"condition": {"structure": {"stages.rail.feed": feed}}} for feed in ("bridge", "half_wave"))
    light = {"condition": {"label": "light load"}}
    before = [row("ripple", "within", 1.0, **bridge), row("ripple", "within", 2.0, **half), row("gone", "over")]
    after = [
        row("ripple", "within", 2.0, **half),
        row("ripple", "within", 1.0, **bridge),
        row("ripple", "over", **light),
    ]
    result = compared(before, after)
    assert all(one["is_same"] for one in result.rows)
    assert [one["metric"] for one in result.only_first] == ["gone"]
    assert [one["label"] for one in result.only_second] == ["light load"]
    assert result.worse == 1  # the second has a row over its limit that the first has not
    text = " ".join(printed(result).split())
    assert "only in the first: rail, full load: gone of C1 1 V over" in text
    assert "1 of the second alone are over, undecided or failed" in text


def test_changes_are_told_where_they_mean_something() -> None:
    before = [
        row("temperature", "within", 40.0),
        row("holdup", "within", 0.0),
        row("lost", "within"),
        row("line", "within"),
    ]
    after = [
        row("temperature", "within", 44.0), row("holdup", "within", 0.01), row("lost", "failed", None, None),
        row("line", "within", condition={"line_voltage": 115.0}),
    ]  # fmt: skip
    before[0]["unit"] = after[0]["unit"] = "degC"
    result = compared(before, after)
    found = {one["metric"]: one for one in result.rows}
    assert [found[name]["change"] for name in ("temperature", "holdup", "lost")] == [None, None, None]
    text = printed(result)
    assert "+4 K" in text
    assert "condition: line_voltage 230 -> 115" in text
    assert found["line"]["condition_change"] == {"line_voltage": [230.0, 115.0]}
    assert json.loads(result.to_json())["worse"] == 1


def test_a_change_of_method_is_told() -> None:
    before, after = row("ripple", "within"), row("ripple", "undecided", 1.2, -0.1)
    before["adverse"]["by"] = "hand-scaled"
    text = " ".join(printed(compared([before], [after])).split())
    assert "~1 V" in text
    assert "1 adverse values compare a scaled one with a simulated one" in text


def test_widest_numbers_fit_and_slight_changes_are_named() -> None:
    wide = {"limit_adverse": 104.55, "limit_side": "low", "unit": "degC"}
    before = [row("magnetising_current_peak", "undecided", -104.55, -200.0, **wide), row("slight", "within")]
    after = [row("magnetising_current_peak", "undecided", 104.55, 99.0, **wide), row("slight", "within", 1.0000001)]
    text = printed(compared(before, after))
    assert "…" not in text
    assert "<-9999%" in text
    assert "+9900%" in text
    assert max(map(len, text.splitlines())) <= 100
    assert "moved by less than 0.1%: rail, full load: slight of C1 (within)" in text


def test_every_inferred_value_that_a_correction_moved_is_named(tmp_path: Path) -> None:
    """One marking corrected moves the ESR that rests on it, and turns corrected move the ratio."""
    before = load_record(LANTERN)
    after = changed_record(
        LANTERN,
        tmp_path,
        ("150u 400V", "180u 400V"),
        ('primary_turns = { value = "36"', 'primary_turns = { value = "37"'),
    )
    found = differences(content_of_record(before, NO_LIMITS), content_of_record(after, NO_LIMITS))
    moved = {path: (old["value"], new["value"]) for path, old, new in moved_by_formula(found)}
    assert set(moved) == {"stages.mains_rectifier.parts.C1.esr", "stages.main_flyback.parts.T1.ratio"}
    old, new = moved["stages.mains_rectifier.parts.C1.esr"]
    assert new / old == pytest.approx(150 / 180)
    assert moved_lines(found) == [
        "moved along by its formula: mains_rectifier.parts.C1.esr: 1.326 ohm (442.1 mohm to 2.21 ohm) inferred -> "
        "1.105 ohm (368.4 mohm to 1.842 ohm) inferred",
        "moved along by its formula: main_flyback.parts.T1.ratio: 6 (5.833 to 6.167) inferred -> "
        "6.167 (5.833 to 6.167) inferred",
    ]
    assert (
        moved_by_formula(differences(content_of_record(before, NO_LIMITS), content_of_record(before, NO_LIMITS))) == ()
    )
