"""How a report writes numbers, names and verdicts."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from harness.show.table import SCALED_MARK, number, percent
from netlists.errors import one_line

# A verdict's sign beside its word: colour alone tells nobody who sees none.
SIGNS = {"within": "✓", "over": "✕", "undecided": "?", "unjudged": "–", "failed": "!"}
CLAIM_STYLES = {"credible": "within", "not credible": "over", "cannot tell": "undecided"}
CLAIM_SIGNS = {"credible": "✓", "not credible": "✕", "cannot tell": "?"}
_UNITS = (("ohm", "Ω"), ("degC", "°C"), ("A2s", "A²s"), ("deg", "°"))
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:[pnµmkMG]?(?:A²s|Hz|A|V|W|F|H|s|J|K|Ω)|°C?|%)(?!\w))")
_PREFIXED = re.compile(r"(?<=\d )(?:u(?=[A-Z]|s\b|ohm)|([pnmkMG]?)(ohm|degC|A2s|deg)\b)")


def pretty(text: str) -> str:
    """Units as they are printed: ``1.2 kohm`` reads ``1.2 kΩ``, ``3 uF`` reads ``3 µF``; spaces before them hold.

    >>> pretty("1.2 kohm"), pretty("3 uF"), pretty("9.8 A2s"), pretty("4 us")
    ('1.2\\xa0kΩ', '3\\xa0µF', '9.8\\xa0A²s', '4\\xa0µs')
    """

    def printed(match: re.Match[str]) -> str:
        return "µ" if match[0] == "u" else f"{match[1]}{dict(_UNITS)[match[2]]}"

    text = _PREFIXED.sub(printed, text).replace("µohm", "µΩ")
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)


def value(found: float | None, unit: str) -> str:
    """A number with its unit, a dash where there is none."""
    return "–" if found is None else pretty(one_line(number(found, unit)))


def share(found: float | None) -> str:
    """A relative number in percent, with a true minus."""
    return "–" if found is None else percent(found).replace("-", "−").replace("%", "\N{NO-BREAK SPACE}%")


def limit(row: Mapping[str, Any]) -> str:
    """The limit as it counts, with the side it is on."""
    if row["limit_adverse"] is None:
        return "none"
    return f"{'≤' if row['limit_side'] == 'high' else '≥'} {value(row['limit_adverse'], row['unit'])}"


def adverse(row: Mapping[str, Any]) -> str:
    """The adverse value, marked where it is the nominal simulation scaled by hand."""
    mark = SCALED_MARK if row["adverse"].get("by") == "hand-scaled" else ""
    return mark + value(row["adverse"]["value"], row["unit"])


def words(name: str) -> str:
    """A name as a person reads it."""
    return name.replace("_", " ")


def of(row: Mapping[str, Any]) -> str:
    """Metric and subject, the subject left out where the metric's name has it.

    >>> of({"metric": "inrush_peak", "subject": "line"}), of({"metric": "bulk_ripple", "subject": "bulk"})
    ('inrush peak of line', 'bulk ripple')
    """
    name = words(row["metric"])
    return name if row["subject"] in name.split() else f"{name} of {row['subject']}"


def spread(low: float, high: float, unit: str) -> str:
    """Both ends of a range."""
    return f"{value(low, unit)} to {value(high, unit)}"


def plain_date(stamp: object) -> str:
    """Date and minute of an ISO 8601 instant in UTC."""
    return str(stamp)[:16].replace("T", " ") + " UTC" if stamp else "–"
