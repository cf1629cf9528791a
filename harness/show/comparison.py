"""A comparison as text for a terminal of 100 columns: what differs, then what it does to each metric."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from harness.judge.comparison import UNITS_WITHOUT_RATIO, Comparison
from harness.judge.differences import Difference, moved_by_formula
from harness.show.table import SCALED_MARK, VERDICT_STYLES
from netlists.errors import one_line
from netlists.quantity import engineering

CHANGE_STYLES = {"worse": "bold red", "better": "green", "same": "dim"}
SLIGHT = 1e-3  # relative change of nominal and adverse values that is told without numbers
SIGNS = {"added": "+", "removed": "-", "changed": "*"}
COLUMNS = (  # heading, width, justification; with a space between them they fill 100 columns
    ("", 11, "left"), ("nominal", 11, "right"), ("change", 8, "right"), ("adverse", 12, "right"),
    ("change", 8, "right"), ("limit", 13, "right"), ("margin", 8, "right"), ("verdict", 10, "left"),
    ("", 6, "left"),
)  # fmt: skip


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Prints both sides, differences, metrics that changed, rows of one side only, and counts."""
    for name, side in (("first", comparison.first), ("second", comparison.second)):
        _say(console, _side_line(name, side), style="bold")
    for place, names in comparison.second.get("kept", {}).items():
        if names:
            _say(console, f"{place_text(place)}: kept of the old part: {', '.join(names)}")
    _print_differences(console, comparison.differences)
    for line in moved_lines(comparison.differences):
        _say(console, line)
    changed = [row for row in comparison.rows if not row["is_same"]]
    _print_rows(console, "verdict changed", [row for row in changed if row["verdict_change"] != "same"])
    alike = [row for row in changed if row["verdict_change"] == "same"]
    heading = "verdict as before, the largest change of margin first"
    _print_rows(console, heading, [row for row in alike if not _is_slight(row)])
    _print_slight(console, [row for row in alike if _is_slight(row)])
    _say_method(console, changed)
    _print_alone(console, "only in the first", comparison.only_first)
    _print_alone(console, "only in the second", comparison.only_second)
    for line in _counts(comparison, changed):
        _say(console, line)


def _say(console: Console, line: str, style: str = "") -> None:
    """A line that may be wrapped but is never cut, with nothing in it that moves a cursor."""
    console.print(Text(one_line(line), style=style, overflow="fold"))


def _side_line(name: str, side: Mapping[str, Any]) -> str:
    line = f"{name}: {side['record']}: {side['title']} ({side['file']}"
    if "kept" in side:
        line += ", parts swapped"
    if side.get("simulations_started") is not None:
        line += f"; {side['simulations_started']} simulations started"
    elif side.get("created_utc"):
        line += f"; of {side['created_utc']}"
    return line + ")"


def _print_differences(console: Console, differences: Sequence[Difference]) -> None:
    if not differences:
        _say(console, "nothing differs in what is recorded")
    for one in differences:
        _say(
            console,
            f"{SIGNS[one.change]} {place_text(one.place)}" + ("" if one.change == "changed" else f": {one.change}"),
        )
        for field, (old, new) in one.fields.items():
            if one.change == "changed":
                text = f"{field}: {shown_value(old)} -> {shown_value(new)}"
            else:
                text = f"{field}: {shown_value(new if one.change == 'added' else old)}"
            console.print(Padding(Text(one_line(text), overflow="fold"), (0, 0, 0, 4)))


def moved_lines(found: Sequence[Difference]) -> list[str]:
    """One line for every inferred value that moved along with what was corrected."""
    return [
        f"moved along by its formula: {path.removeprefix('stages.')}: {shown_value(old)} -> {shown_value(new)}"
        for path, old, new in moved_by_formula(found)
    ]


def place_text(place: str) -> str:
    """A place as a person says it.

    >>> place_text("stages.logic_5v.parts.C40"), place_text("stages.logic_5v"), place_text("nameplate.rails.lamp")
    ('part C40 of logic_5v', 'stage logic_5v', 'nameplate rails lamp')
    """
    words = place.split(".")
    if words[0] == "stages" and len(words) == 4 and words[2] == "parts":
        return f"part {words[3]} of {words[1]}"
    if words[0] == "stages":
        return " ".join(["stage", *words[1:]])
    return " ".join(words)


def shown_value(value: Any) -> str:
    """A value of a record: a quantity with range and how it is known, all else as text."""
    if value is None:
        return "none"
    if isinstance(value, Mapping) and {"value", "low", "high", "unit", "known"} <= value.keys():
        unit = value["unit"]
        nominal, low, high = (_number(value[name], unit) for name in ("value", "low", "high"))
        range_ = "" if value["low"] == value["high"] else f" ({low} to {high})"
        return f"{nominal}{range_} {value['known']}"
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {shown_value(item)}" for name, item in value.items())
    if isinstance(value, list | tuple):
        return "; ".join(shown_value(item) for item in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _number(value: float | None, unit: str) -> str:
    return "-" if value is None else one_line(engineering(value, unit))


def _print_rows(console: Console, heading: str, rows: Sequence[Mapping[str, Any]]) -> None:
    """A line that names the metric, then before and after below each other."""
    if not rows:
        return
    _say(console, heading, style="bold")
    console.print(_table(with_header=True))
    for row in rows:
        _say(console, _row_name(row), style="italic cyan")
        table = _table(with_header=False)
        table.add_row("  before", *_cells(row, row["before"], None))
        table.add_row("  after", *_cells(row, row["after"], row))
        console.print(table)


def _is_slight(row: Mapping[str, Any]) -> bool:
    """Moved by less than any model is good for, against the same limit under the same condition."""
    moved = (row["change"], row["change_adverse"])
    if row["condition_change"] or row["before"]["limit_adverse"] != row["after"]["limit_adverse"]:
        return False
    return all(change is not None and abs(change) < SLIGHT for change in moved)


def _print_slight(console: Console, rows: Iterable[Mapping[str, Any]]) -> None:
    by_place: dict[str, list[str]] = {}
    for row in rows:
        by_place.setdefault(_where(row), []).append(f"{row['metric']} of {row['subject']} ({row['after']['verdict']})")
    for place, metrics in by_place.items():
        _say(console, f"moved by less than {SLIGHT:.1%}: {place}: {', '.join(metrics)}")


def _table(*, with_header: bool) -> Table:
    table = Table(box=None, pad_edge=False, show_header=with_header, header_style="bold", padding=(0, 1, 0, 0))
    for heading, width, justification in COLUMNS:
        table.add_column(heading, width=width, justify=justification, no_wrap=True)  # type: ignore[arg-type]
    return table


def _cells(row: Mapping[str, Any], side: Mapping[str, Any], changes: Mapping[str, Any] | None) -> list[str | Text]:
    """Cells of one side; changes stand in the line of the second."""
    unit = row["unit"]
    moved = ["", "", ""]
    if changes is not None:
        word = changes["verdict_change"]
        old, new = row["before"], row["after"]
        moved = [
            _change(changes["change"], old["value"], new["value"], unit),
            _change(changes["change_adverse"], old["adverse"], new["adverse"], unit),
            "" if word == "same" else word,
        ]
    mark = SCALED_MARK if side["adverse_by"] == "hand-scaled" else ""
    limit = side["limit_adverse"]
    return [
        _number(side["value"], unit),
        moved[0],
        mark + _number(side["adverse"], unit),
        moved[1],
        "none" if limit is None else f"{'<=' if side['limit_side'] == 'high' else '>='} {_number(limit, unit)}",
        _percent(side["margin"]),
        Text(side["verdict"], style=VERDICT_STYLES[side["verdict"]]),
        Text(moved[2], style=CHANGE_STYLES.get(moved[2], "")),
    ]


def _change(relative: float | None, old: float | None, new: float | None, unit: str) -> str:
    """In percent; the difference where the unit's zero is arbitrary."""
    if old is None or new is None:
        return "" if old is new else "-"
    if old == new:
        return "none"
    if unit in UNITS_WITHOUT_RATIO:
        return f"{new - old:+.3g} {'K' if unit == 'degC' else unit}"
    return _percent(relative)


def _percent(value: float | None) -> str:
    if value is None:
        return "-"
    if abs(value) >= 99.995:
        return ">+9999%" if value > 0 else "<-9999%"
    return f"{value:+.1%}" if abs(value) < 0.9995 else f"{value:+.0%}"


def _row_name(row: Mapping[str, Any]) -> str:
    text = f"{row['metric']} of {row['subject']}: {_where(row)}"
    changes = row.get("condition_change", {})
    told = [f"{name} {shown_value(old)} -> {shown_value(new)}" for name, (old, new) in changes.items()]
    return text + (f"; condition: {', '.join(told)}" if told else "")


def _where(row: Mapping[str, Any]) -> str:
    structure = ", ".join(f"{path.rsplit('.', 1)[-1]} {choice}" for path, choice in row["structure"].items())
    return f"{row['instance']}{f' ({structure})' if structure else ''}, {row['label']}"


def _say_method(console: Console, rows: Sequence[Mapping[str, Any]]) -> None:
    """Where the two adverse values came by different ways, a part of their difference is that of the ways."""
    ways = [{row["before"]["adverse_by"], row["after"]["adverse_by"]} for row in rows]
    mixed = ways.count({"hand-scaled", "simulated"})
    if any("hand-scaled" in one for one in ways):
        _say(console, f"{SCALED_MARK} the simulation at nominal, scaled by hand calculation")
    if mixed:
        what = "adverse values compare a scaled one with a simulated one: part of their change is the method's"
        _say(console, f"{mixed} {what}")


def _print_alone(console: Console, heading: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Rows without a partner, those of one condition in one line."""
    by_place: dict[str, list[str]] = {}
    for row in rows:
        said = f"{row['metric']} of {row['subject']} {_number(row['side']['value'], row['unit'])}"
        by_place.setdefault(_where(row), []).append(f"{said} {row['side']['verdict']}")
    for place, metrics in by_place.items():
        _say(console, f"{heading}: {place}: {', '.join(metrics)}")


def _counts(comparison: Comparison, changed: Sequence[Mapping[str, Any]]) -> list[str]:
    words = [row["verdict_change"] for row in comparison.rows]
    new = comparison.worse - words.count("worse")
    lines = [
        f"{len(comparison.rows)} metrics in both: {len(changed)} changed, {len(words) - len(changed)} the same; "
        f"verdicts: {words.count('worse')} worse, {words.count('better')} better"
    ]
    if new:
        lines.append(f"{new} of the second alone are over, undecided or failed, and count as worse")
    return lines
