"""Which numbers of a published report no longer hold: beyond the tolerance of their kind, or with another verdict."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from harness.judge.comparison import SAME, Comparison

# A metric's kind, by how its name ends, and what a number of that kind is good for: a smaller change means nothing.
# Means and RMS are held to 0.3 % by the whole project, ripple to 1 %, ringing peaks to 3 % (DEVELOPERS.md); a power or
# a square has twice the error of its root.
MEAN, SQUARE, RIPPLE, RINGING, OTHER = 0.003, 0.006, 0.01, 0.03, 0.01
TOLERANCES = (
    (
        (
            "switch_voltage_peak",
            "diode_voltage_peak",
            "switch_current_peak",
            "diode_current_peak",
            "primary_current_peak",
        ),
        RINGING,
    ),
    (("_average", "_rms", "_plateau", "duty_cycle", "_frequency", "_share", "output_voltage", "_drop"), MEAN),
    (("_i2t", "_dissipation", "_energy", "_loss"), SQUARE),
    (("ripple", "ripple_probe", "ripple_current"), RIPPLE),
)
DEGREES = 1.0  # K; a temperature's zero is arbitrary, so it has no share


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


def tolerance(metric: str) -> float:
    """Relative change of a metric below which it still holds.

    >>> tolerance("line_current_rms"), tolerance("output_ripple_probe"), tolerance("switch_voltage_peak")
    (0.003, 0.01, 0.03)
    """
    return next((share for endings, share in TOLERANCES if metric.endswith(endings)), OTHER)


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
    old, new = row["before"], row["after"]
    share = tolerance(row["metric"])
    for name in ("value", "adverse"):
        if not _holds(old[name], new[name], share, row["unit"]):
            yield name
    if not _holds(old["limit_adverse"], new["limit_adverse"], SAME, ""):
        yield "limit"
    # of a margin 1 - value / limit, a share of the value is so much of value / limit
    if not _within(old["margin"], new["margin"], share * (1 + abs(old["margin"] or 0.0))):
        yield "margin"
    if old["verdict"] != new["verdict"]:
        yield "verdict"
    if row["condition_change"]:
        yield "condition"


def _holds(old: float | None, new: float | None, share: float, unit: str) -> bool:
    if unit == "degC":
        return _within(old, new, DEGREES)
    if old is None or new is None:
        return old is new
    return math.isclose(old, new, rel_tol=share, abs_tol=0.0)


def _within(old: float | None, new: float | None, distance: float) -> bool:
    if old is None or new is None:
        return old is new
    return abs(new - old) <= distance


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
        share, unit = tolerance(one.get("metric", "")), one.get("unit", "")
        pairs = [(one.get(name), now.get(name) if now else None) for name in ("measured", "predicted")]
        if now is None or not (_holds(*pairs[0], SAME, unit) and _holds(*pairs[1], share, unit)):
            sides = [None if side is None else {name: side.get(name) for name in ("measured", "predicted")}
                     for side in (one, now)]  # fmt: skip
            found.append({"measurement": one["measurement"], "unit": unit, "before": sides[0], "after": sides[1]})
    return found
