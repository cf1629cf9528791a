"""Errata as a page and a terminal say them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from harness.show.comparison import place_text, shown_value
from harness.show.report import texts
from netlists.errors import one_line

MOST_SHOWN = 400  # letters of a changed text
SHOWN = 10  # numbers; further ones are folded


def erratum(one: Mapping[str, Any]) -> dict[str, Any]:
    """One correction: what changed in the record, and every number that no longer held."""
    moved = [
        {"said": f"{texts.of(row)}: {row['instance']}, {row['label']}", "changes": _lines(changes(row))}
        for row in one["metrics"]
    ]
    for claim in one["claims"]:
        now = claim["after"] or "no longer stated"
        moved.append({"said": f"claim {texts.words(claim['claim'])}", "changes": [f"{claim['before']} → {now}"]})
    for row in one["measurements"]:
        moved.append({"said": f"measurement {texts.words(row['measurement'])}", "changes": _lines(_measured(row))})
    return {
        "date": texts.plain_date(one["date"]),
        "published": texts.plain_date(one["published_utc"]),
        "inputs": [line for place in one["differences"] for line in input_lines(place)],
        "first": moved[:SHOWN],
        "rest": moved[SHOWN:],
    }


def _lines(found: list[dict[str, str]]) -> list[str]:
    return [f"{one['what']} {one['was']} → {one['now']}" for one in found]


def input_lines(place: Mapping[str, Any]) -> list[str]:
    """What changed at one place of the record, a line a field."""
    where = place_text(place["place"])
    if place["change"] != "changed":
        return [f"{where}: {place['change']}"]
    return [
        f"{where}: {name}: {_cut(shown_value(both['before']))} → {_cut(shown_value(both['after']))}"
        for name, both in place["fields"].items()
    ]


def _cut(text: str) -> str:
    text = one_line(text)
    return texts.pretty(text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 1]}…")


def changes(row: Mapping[str, Any]) -> list[dict[str, str]]:
    """What moved of one metric, from what to what."""
    old, new, unit = row["before"], row["after"], row["unit"]
    if new is None:
        return [{"what": "gone", "was": texts.value(old["value"], unit), "now": "not found any more"}]
    written: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
        "value": lambda side: texts.value(side["value"], unit),
        "adverse": lambda side: texts.adverse(
            {"adverse": {"value": side["adverse"], "by": side["adverse_by"]}, "unit": unit}
        ),
        "limit": lambda side: texts.limit({**side, "unit": unit}),
        "margin": lambda side: texts.share(side["margin"]),
        "verdict": lambda side: side["verdict"],
        "condition": lambda _: row["label"],
    }
    return [{"what": what, "was": written[what](old), "now": written[what](new)} for what in row["what"]]


def _measured(row: Mapping[str, Any]) -> list[dict[str, str]]:
    old, new, unit = row["before"], row["after"], row["unit"]
    if new is None:
        return [{"what": "gone", "was": texts.value(old["measured"], unit), "now": "no longer stated"}]
    return [
        {"what": name, "was": texts.value(old[name], unit), "now": texts.value(new[name], unit)}
        for name in ("measured", "predicted")
        if old[name] != new[name]
    ]
