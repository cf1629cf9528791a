"""What a page shows of a review: remarks as plain values, no markup."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.show.report import texts
from harness.show.review_table import counts_line

STYLES = {
    "wrong": "over",
    "doubtful": "undecided",
    "note": "unjudged",
}  # of the page's verdicts, whose colours they take


def remarks(assessment: Mapping[str, Any]) -> dict[str, Any] | None:
    """Remarks with their places, those accepted last; None where an older assessment has no review."""
    found = assessment.get("review")
    if not found:
        return None
    rows = [_remark(row) for row in found["remarks"]]
    return {
        "counts": counts_line(found).removeprefix("review: "),
        "rows": [row for row in rows if not row["accepted"]],
        "accepted": [row for row in rows if row["accepted"]],
    }


def _remark(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "severity": row["severity"],
        "style": STYLES[row["severity"]],
        "says": texts.pretty(row["says"]),
        "likely": texts.pretty(row["likely"]),
        "rule": texts.words(row["rule"]),
        "source": row["source"],
        "where": ", ".join(row["paths"]) + (f" (line {row['line']})" if row["line"] else ""),
        "lapsed": row["lapsed"],
        "accepted": row["accepted"],
    }
