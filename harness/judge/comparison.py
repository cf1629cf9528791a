"""Two assessments row by row: what a difference between two records does to each metric."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from harness.judge.assess import finite
from harness.judge.differences import Difference

SCHEMA = 1
# From best to worst: an unjudged metric is not known to be fine, and of a failed one nothing is known.
SEVERITY = {"within": 0, "unjudged": 1, "undecided": 2, "over": 3, "failed": 4}
UNACCEPTED = SEVERITY["undecided"]  # from here on a row makes a check end 1
SAME = 1e-9  # relative; equal runs give equal numbers
UNITS_WITHOUT_RATIO = ("degC", "deg")  # their zero is arbitrary
FOUND = ("label", "structure", "switch_on_angle", "line_angle")  # of a condition: matched by, or searched, not set


@dataclass(frozen=True)
class Comparison:
    """Two records or stored assessments, and what differs, in plain JSON types.

    Parameters
    ----------
    first, second : record, file and where it comes from
    rows : of both, those whose verdict changed first, then by how far the margin moved, then the value
    only_first, only_second : rows without a partner
    """

    first: Mapping[str, Any]
    second: Mapping[str, Any]
    differences: tuple[Difference, ...]
    rows: tuple[Mapping[str, Any], ...]
    only_first: tuple[Mapping[str, Any], ...]
    only_second: tuple[Mapping[str, Any], ...]

    @property
    def worse(self) -> int:
        """Verdicts that got worse; a row that only the second has counts where it is undecided, over or failed."""
        new = sum(1 for row in self.only_second if SEVERITY[row["side"]["verdict"]] >= UNACCEPTED)
        return new + sum(1 for row in self.rows if row["verdict_change"] == "worse")

    @property
    def exit_code(self) -> int:
        """1 where a verdict got worse."""
        return 1 if self.worse else 0

    def to_json(self) -> str:
        """The comparison as JSON text."""
        changes = [
            {
                "place": one.place,
                "change": one.change,
                "fields": {name: {"before": old, "after": new} for name, (old, new) in one.fields.items()},
            }
            for one in self.differences
        ]
        content = {
            "schema": SCHEMA, "first": self.first, "second": self.second, "differences": changes,
            "worse": self.worse, "rows": self.rows, "only_first": self.only_first, "only_second": self.only_second,
        }  # fmt: skip
        return json.dumps(finite(content), indent=1, allow_nan=False) + "\n"


def compare(
    first: Mapping[str, Any],
    second: Mapping[str, Any],
    found: tuple[Difference, ...],
    before: Sequence[Mapping[str, Any]],
    after: Sequence[Mapping[str, Any]],
) -> Comparison:
    """Compares the metrics of two assessments; ``first`` and ``second`` say what they are."""
    old, new = _keyed(before), _keyed(after)
    rows = [_row(old[key], new[key]) for key in old if key in new]
    rows.sort(key=_order)
    only_first = tuple(_alone(row) for key, row in old.items() if key not in new)
    only_second = tuple(_alone(row) for key, row in new.items() if key not in old)
    return Comparison(first, second, found, tuple(rows), only_first, only_second)


Key = tuple[Any, ...]


def _keyed(rows: Iterable[Mapping[str, Any]]) -> dict[Key, Mapping[str, Any]]:
    """Rows by instance, metric, subject, label of the condition and structure; of equals the n-th is the n-th."""
    found: dict[Key, Mapping[str, Any]] = {}
    for row in rows:
        structure = tuple(sorted(row["condition"].get("structure", {}).items()))
        key: Key = (row["instance"], row["metric"], row["subject"], row["condition"]["label"], structure)
        number = 0
        while (*key, number) in found:
            number += 1
        found[*key, number] = row
    return found


def _name(row: Mapping[str, Any]) -> dict[str, Any]:
    condition = row["condition"]
    return {
        "instance": row["instance"],
        "metric": row["metric"],
        "subject": row["subject"],
        "label": condition["label"],
        "structure": condition.get("structure", {}),
        "unit": row["unit"],
    }


def _alone(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**_name(row), "side": _side(row)}


def _side(row: Mapping[str, Any]) -> dict[str, Any]:
    """What is compared of a row."""
    names = ("value", "limit", "limit_adverse", "limit_side", "limit_source", "margin", "verdict", "why", "run_id")
    side = {name: row.get(name) for name in names}
    return {**side, "adverse": row["adverse"]["value"], "adverse_by": row["adverse"].get("by")}


def _row(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    old, new = _side(before), _side(after)
    was, now = before["condition"], after["condition"]
    row = {
        **_name(after),
        "before": old,
        "after": new,
        "change": _change(old["value"], new["value"], after["unit"]),
        "change_adverse": _change(old["adverse"], new["adverse"], after["unit"]),
        "margin_change": _difference(old["margin"], new["margin"]),
        "verdict_change": _verdict_change(old["verdict"], new["verdict"]),
        "condition_change": {
            name: [was.get(name), now.get(name)]
            for name in dict.fromkeys((*was, *now))
            if name not in FOUND and was.get(name) != now.get(name)
        },
    }
    return {**row, "is_same": _is_same(row)}


def _is_same(row: Mapping[str, Any]) -> bool:
    old, new = row["before"], row["after"]
    numbers = ("value", "adverse", "limit_adverse", "margin")
    return (
        row["verdict_change"] == "same"
        and not row["condition_change"]
        and all(_is_equal(old[name], new[name]) for name in numbers)
    )


def _is_equal(old: float | None, new: float | None) -> bool:
    if old is None or new is None:
        return old is new
    return math.isclose(old, new, rel_tol=SAME, abs_tol=0.0)


def _verdict_change(old: str, new: str) -> str:
    """worse, better or same."""
    step = SEVERITY[new] - SEVERITY[old]
    return "worse" if step > 0 else "better" if step < 0 else "same"


def _difference(old: float | None, new: float | None) -> float | None:
    return None if old is None or new is None else new - old


def _change(old: float | None, new: float | None, unit: str) -> float | None:
    """Relative change; None from zero, and where the unit's zero is arbitrary."""
    if old is None or new is None or old == 0 or unit in UNITS_WITHOUT_RATIO:
        return None
    return (new - old) / abs(old)


def _order(row: Mapping[str, Any]) -> tuple[float, float, float]:
    """Verdicts that got worse first, by how far, then better ones, then the margin's change, then the value's."""
    step = SEVERITY[row["after"]["verdict"]] - SEVERITY[row["before"]["verdict"]]
    changed = -10.0 - step if step > 0 else float(step) if step < 0 else 0.0
    moved = [abs(row[name] or 0.0) for name in ("margin_change", "change")]
    return changed, -moved[0], -moved[1]
