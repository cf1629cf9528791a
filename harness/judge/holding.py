"""Which numbers of a published report no longer hold: beyond the tolerance of their kind, or with another verdict."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from harness.judge.comparison import SAME, Comparison
from harness.judge.tolerances import allowed


@dataclass(frozen=True)
class Lapse:
    """A published number that no longer holds.

    Parameters
    ----------
    said : what it is of, keys instance, metric, subject, label, structure, unit
    what : of value, adverse, limit, margin, verdict, condition: what moved; ``gone`` alone where the row is no more
    before, after : sides of a comparison; no after where it is gone
    """

    said: Mapping[str, Any]
    what: tuple[str, ...]
    before: Mapping[str, Any]
    after: Mapping[str, Any] | None

    def plain(self) -> dict[str, Any]:
        """The same as plain JSON types, without what a reader of errata does not need."""
        kept = ("value", "adverse", "adverse_by", "limit_adverse", "limit_side", "margin", "verdict")
        sides = {
            name: None if side is None else {key: side[key] for key in kept}
            for name, side in (("before", self.before), ("after", self.after))
        }
        return {**self.said, "what": list(self.what), **sides}


def lapses(comparison: Comparison) -> list[Lapse]:
    """Rows of the first side that no longer hold, in the comparison's order; those that are gone come last."""
    found = []
    for row in comparison.rows:
        what = tuple(_moved(row))
        if what:
            found.append(Lapse(_said(row), what, row["before"], row["after"]))
    return found + [Lapse(_said(row), ("gone",), row["side"], None) for row in comparison.only_first]


def _said(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: row[name] for name in ("instance", "metric", "subject", "label", "structure", "unit")}


def _moved(row: Mapping[str, Any]) -> Iterable[str]:
    old, new, metric, unit = row["before"], row["after"], row["metric"], row["unit"]
    for name in ("value", "adverse"):
        if not _holds(metric, unit, old[name], new[name]):
            yield name
    if not _is_same(old["limit_adverse"], new["limit_adverse"]):
        yield "limit"
    if not _margin_holds(metric, unit, old, new):
        yield "margin"
    if old["verdict"] != new["verdict"]:
        yield "verdict"
    if row["condition_change"]:
        yield "condition"


def _holds(metric: str, unit: str, old: float | None, new: float | None) -> bool:
    if old is None or new is None:
        return old is new
    return abs(new - old) <= allowed(metric, unit, old)


def _margin_holds(metric: str, unit: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Of a margin 1 - value / limit: moved by no more than the value may."""
    if old["margin"] is None or new["margin"] is None:
        return old["margin"] is new["margin"]
    share = allowed(metric, unit, old["adverse"] or 0.0) / abs(old["limit_adverse"] or 1.0)
    return bool(abs(new["margin"] - old["margin"]) <= share + SAME)


def _is_same(old: float | None, new: float | None) -> bool:
    if old is None or new is None:
        return old is new
    return math.isclose(old, new, rel_tol=SAME, abs_tol=0.0)


def claim_lapses(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Claims that are judged otherwise now, or are no more; None after where they are gone."""
    judged = {claim["claim"]: claim.get("verdict") for claim in new["claims"]}
    return [
        {"claim": claim["claim"], "before": claim.get("verdict"), "after": judged.get(claim["claim"])}
        for claim in old["claims"]
        if judged.get(claim["claim"]) != claim.get("verdict")
    ]


def measurement_lapses(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Measurements whose number, or the prediction beside it, is another now; None after where they are gone."""
    present = {one["measurement"]: one for one in new["measurements"]}
    found = []
    for one in old["measurements"]:
        now = present.get(one["measurement"])
        metric, unit = one.get("metric", ""), one.get("unit", "")
        pairs = [(one.get(name), now.get(name) if now else None) for name in ("measured", "predicted")]
        if now is None or not (_is_same(*pairs[0]) and _holds(metric, unit, *pairs[1])):
            sides = [None if side is None else {name: side.get(name) for name in ("measured", "predicted")}
                     for side in (one, now)]  # fmt: skip
            found.append({"measurement": one["measurement"], "unit": unit, "before": sides[0], "after": sides[1]})
    return found
