"""What a page's template shows of an assessment, as plain values: no markup, no calculation."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from harness.judge.comparison import SEVERITY
from harness.show.report import texts
from harness.show.report.formulas import typeset
from harness.show.report.part_views import further_history, value_text
from harness.show.table import coverage_line, heading, rail_line, short_path, structure_text
from netlists.quantity import Quantity
from netlists.record import SupplyRecord

Row = Mapping[str, Any]
WORDS = ("over", "failed", "undecided", "within", "unjudged")  # what a reader has to act on first
SHOWN_MARGINS = 20  # the others are folded
MOST_MOVERS = 6
BAR, BAR_END = 100.0, 0.5  # half the width of a margin's bar, and the margin it is full at


def numbered(assessment: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Metric rows with the anchor each has on the page."""
    return [{**row, "anchor": f"m{number}"} for number, row in enumerate(assessment["metrics"])]


def summary(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """How many metrics have each verdict."""
    counts = [(word, sum(row["verdict"] == word for row in rows)) for word in WORDS]
    return [{"word": word, "count": count} for word, count in counts if count or word in ("within", "over")]


def claims(assessment: Mapping[str, Any], rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Every claim of the label with its judgement and the rows it rests on."""
    return [
        {
            **claim,
            "style": texts.CLAIM_STYLES[claim["verdict"]],
            "sign": texts.CLAIM_SIGNS[claim["verdict"]],
            "rows": [metric(row) for row in rows if row["condition"]["label"] == f"claim {claim['claim']}"],
        }
        for claim in assessment["claims"]
    ]


def metric(row: Row) -> dict[str, Any]:
    """One metric as every table shows it."""
    expected = row.get("expected_difference")
    return {
        "anchor": row.get("anchor", ""),
        "instance": row["instance"],
        "name": texts.words(row["metric"]),
        "said": texts.of(row),
        "subject": row["subject"],
        "where": texts.pretty(heading(row)),
        "condition": row["condition"]["label"],
        "value": texts.value(row["value"], row["unit"]),
        "hand": texts.value(row.get("hand"), row["unit"]),
        "difference": texts.share(row.get("difference")),
        "expected": _declared(*expected[:2]) if expected else "",
        "expected_why": expected[2] if expected else "",
        "disagrees": row.get("agreement") == "disagrees",
        "adverse": texts.adverse(row),
        "limit": texts.limit(row),
        "limit_source": row.get("limit_source") or "",
        "margin": texts.share(row["margin"]),
        "verdict": row["verdict"],
        "why": row.get("why", ""),
        "at": texts.value(row.get("at"), "s"),
    }


def _declared(low: float | None, high: float | None) -> str:
    """Both ends of a declared difference, as one number where they are alike; an open end is none."""
    if low is not None and high is not None and low == -high:
        return texts.share(high).replace("+", "±")
    return f"{texts.share(low)} to {texts.share(high)}"


def margins(rows: Iterable[Row]) -> dict[str, list[dict[str, Any]]]:
    """Rows with a limit, the smallest margin first, each with a bar from 0 to its margin."""
    ranked = sorted((row for row in rows if row["margin"] is not None), key=lambda row: row["margin"])
    found = []
    for row in ranked:
        length = max(-BAR, min(BAR, BAR * row["margin"] / BAR_END))
        found.append(metric(row) | {"bar_from": BAR + min(length, 0.0), "bar": max(abs(length), 0.5)})
    return {"first": found[:SHOWN_MARGINS], "rest": found[SHOWN_MARGINS:]}


def open_verdicts(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """What is over, failed or undecided, worst first: why, what moves it, where it flips; equal reasons said once."""
    found: list[dict[str, Any]] = []
    alike: dict[tuple[str, str, str], dict[str, Any]] = {}
    for row in sorted(rows, key=lambda row: -SEVERITY[row["verdict"]]):
        if row["verdict"] not in ("over", "failed", "undecided"):
            continue
        said = metric(row)
        if row["verdict"] == "failed" or row["adverse"].get("error"):
            key = (row["verdict"], row["condition"]["label"], row["why"])
            if key in alike:
                alike[key]["rows"].append(said)
                continue
            alike[key] = {
                "rows": [said],
                "verdict": row["verdict"],
                "why": row["why"],
                "movers": [],
                "flips": [],
                "limit_source": "",
            }
            found.append(alike[key])
        else:
            found.append(
                {
                    "rows": [said], "verdict": row["verdict"], "why": row["why"], "movers": _movers(row),
                    "flips": _flips(row), "limit_source": said["limit_source"],
                }
            )  # fmt: skip
    return found


def _input(path: str, row: Row) -> str:
    """An input as a person says it: ``C1 loss angle``."""
    return texts.words(short_path(path, row["instance"]).replace(".", " "))


def _movers(row: Row) -> list[dict[str, Any]]:
    """The inputs that move a metric most, each alone at its ends."""
    return [
        {
            "name": _input(item["path"], row),
            "ends": texts.spread(item["low"], item["high"], item["unit"]),
            "known": item["known"],
            "values": " to ".join(
                "no operation" if item[end] is None else texts.value(item[end], row["unit"])
                for end in ("value_low", "value_high")
            ),
            "flips": item["changes_verdict"],
        }
        for item in row.get("sensitivities", ())[:MOST_MOVERS]
    ]


def _flips(row: Row) -> list[dict[str, str]]:
    """Values of one unread input at which the verdict flips."""
    return [
        {
            "name": _input(flip["path"], row),
            "value": texts.value(flip["value"], flip["unit"]),
            "others": others,
            "ends": texts.spread(flip["low"], flip["high"], flip["unit"]),
        }
        for key, others in (("break_even", "all else adverse"), ("break_even_alone", "all else nominal"))
        for flip in row.get(key, ())
    ]


def measurements(assessment: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Measured beside predicted, each with its uncertainty, and whether the difference lies within both together."""
    words = {True: "agree", False: "contradict each other", None: "cannot be compared"}
    styles = {True: "within", False: "over", None: "unjudged"}
    found = []
    for one in assessment["measurements"]:
        unit, consistent = one["unit"], one.get("consistent")
        own, both = one.get("predicted_uncertainty"), one.get("combined_uncertainty")
        simulated = one["predicted"] is not None and one["measured"] is not None
        found.append(
            {
                "name": one["measurement"],
                "said": f"{texts.words(one['metric'])} in {one['instance']}",
                "date": one["date"],
                "measured": texts.value(one["measured"], unit) if simulated else "–",
                "uncertainty": f"{texts.share(one['uncertainty'][0])} / {texts.share(one['uncertainty'][1])}",
                "predicted": texts.value(one["predicted"], unit) if simulated else "not simulated",
                "own": f"−{texts.value(own[0], unit)} / +{texts.value(own[1], unit)}" if own else "–",
                "adverse": texts.value(one.get("predicted_adverse"), unit),
                "difference": texts.value(one["predicted"] - one["measured"], unit) if simulated else "–",
                "relative": texts.share(one["difference"]),
                "combined": f"−{texts.value(both[0], unit)} / +{texts.value(both[1], unit)}" if both else "–",
                "word": words[consistent],
                "style": styles[consistent],
            }
        )
    return found


def stages(record: SupplyRecord, rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Every simulated instance: its formulas, and its rows under their conditions."""
    found = []
    for instance in dict.fromkeys(row["instance"] for row in rows):
        own = [row for row in rows if row["instance"] == instance]
        kind = str(getattr(record.data.stages.get(instance), "kind", ""))
        formulas, marks = typeset(own, kind)
        groups = [
            {
                "heading": texts.pretty(said),
                "rows": [metric(row) | {"formula": marks.get((row["metric"], row["hand_source"]))} for row in alike],
                "verdicts": summary_line(alike),
                "open": any(row["verdict"] in ("over", "failed", "undecided") for row in alike),
            }
            for said, group in itertools.groupby(own, key=heading)
            for alike in [list(group)]
        ]
        found.append(
            {
                "name": instance,
                "kind": texts.words(kind),
                "formulas": formulas,
                "formula_count": sum(len(method.readings) for method in formulas),
                "groups": groups,
                "summary": summary(own),
            }
        )
    return found


def summary_line(rows: Sequence[Row]) -> str:
    """``12 within, 1 undecided``."""
    return ", ".join(f"{item['count']} {item['word']}" for item in summary(rows) if item["count"])


def scenario(record: SupplyRecord) -> dict[str, Any]:
    """What the label says, and what stands in front of the supply."""
    plate = record.data.nameplate
    quantities = {
        "ambient": record.quantities.get("nameplate.ambient"),
        "line resistance": record.quantities.get("line.resistance"),
        "line inductance": record.quantities.get("line.inductance"),
    }
    return {
        "notes": record.data.notes.strip(),
        "bands": [
            {"name": name, "supply": band.supply, "values": _fields(record, f"nameplate.input_bands.{name}")}
            for name, band in plate.input_bands.items()
        ],
        "rails": [{"name": name, "values": _fields(record, f"nameplate.rails.{name}")} for name in plate.rails],
        "around": [_quantity(name, one) for name, one in quantities.items() if one is not None],
        "line_note": record.data.line.note,
        "history": further_history(record),
    }


def _fields(record: SupplyRecord, path: str) -> list[dict[str, str]]:
    return [
        _quantity(texts.words(full.removeprefix(f"{path}.")), one)
        for full, one in record.quantities.items()
        if full.startswith(f"{path}.")
    ]


def _quantity(name: str, one: Quantity) -> dict[str, str]:
    shown = value_text({"value": one.nominal, "low": one.low, "high": one.high, "unit": one.unit})
    if one.unit == "1" and name.endswith("tolerance"):
        shown = texts.share(one.nominal)
    return {"name": name, "value": shown, "known": one.known, "note": one.note}


def coverage(assessment: Mapping[str, Any]) -> dict[str, Any]:
    """What was simulated, what is recorded only, what no study answers."""
    return {
        "line": coverage_line(assessment["coverage"]),
        "instances": list(assessment["coverage"]["instances"].items()),
        "parts": {texts.words(name): found for name, found in assessment["coverage"]["parts"].items()},
        "not_modelled": assessment.get("not_modelled", ()),
        "struck_out": [
            {**item, "said": structure_text(item["structure"])} for item in assessment.get("struck_out", ())
        ],
    }


def limits_in_force(assessment: Mapping[str, Any]) -> dict[str, Any]:
    """Policies, overrides and rail limits of the limits file."""
    limits = assessment.get("limits", {})
    return {
        "file": limits.get("file"),
        "policies": [
            {
                **one,
                "kind": texts.words(one["kind"]),
                "fractions": ", ".join(f"{texts.words(name)} {part:.0%}" for name, part in one["fractions"].items()),
            }
            for one in limits.get("policies", ())
        ],
        "overrides": limits.get("overrides", ()),
        "rails": [texts.pretty(rail_line(item)) for item in assessment.get("rail_limits", ())],
    }


def readings(found: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Ranked readings, as ``bulkrail next --json`` prints them; those that settle nothing are told in words alone."""
    if found is None:
        return None
    return {
        "verdicts": found["verdicts"],
        "rows": [
            {
                "name": reading_name(one["path"]),
                "fall": f"{one['fall']:.2g}",
                "interval": f"{one['low']:.2g} to {one['high']:.2g}",
                "effort": f"{one['effort']:.3g}",
                "per_effort": f"{one['per_effort']:.2g}",
            }
            for one in found["readings"]
            if one["can_settle"]
        ],
        "sentences": [texts.pretty(one["sentence"]) for one in found["readings"]],
        "used": found["samples"]["used"],
        "drawn": found["samples"]["drawn"],
        "seed": found["samples"]["seed"],
        "by": found["by"],
    }


def reading_name(path: str) -> str:
    """``stages.mains.parts.C1.esr`` as ``C1 esr``, a value of a stage with the stage's name."""
    words = path.split(".")
    if len(words) == 5 and words[2] == "parts":
        return f"{words[3]} {texts.words(words[4])} ({words[1]})"
    return texts.words(" ".join(words[1:] if words[0] == "stages" else words))
