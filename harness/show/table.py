"""The assessment as text for a terminal: one table that reads in 100 columns, then what it rests on."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from harness.judge.assess import Assessment
from harness.show.review_table import brief_lines
from netlists.errors import one_line
from netlists.quantity import engineering

VERDICT_STYLES = {"within": "green", "over": "bold red", "undecided": "yellow", "unjudged": "dim", "failed": "bold red"}
CAUTION = (
    "Caution: an opened supply can kill. Discharge and measure the bulk before touching; work on live boards only with "
    "an isolating transformer and isolated probes. These numbers are no safety certificate; local codes and licensed "
    "practice come first."
)
MOST_FLIPS = 3
MOST_MOVERS = 3
SCALED_MARK = "~"


def print_assessment(assessment: Assessment, console: Console, files: Sequence[str]) -> None:
    """Prints table, reasons, claims, measurements, coverage and where the files lie."""
    console.print(Text(f"{assessment.record}: {assessment.title}", style="bold"))
    console.print(f"coverage: {coverage_line(assessment.coverage)}", highlight=False)
    for table in _tables(assessment.metrics):
        console.print(table)
    for line in (*_scaled(assessment.metrics), *_reasons(assessment.metrics)):
        console.print(line, highlight=False)
    for line in (*_out_of_regulation(assessment.metrics), *_unjudged(assessment.metrics)):
        console.print(line, highlight=False)
    for item in assessment.not_modelled:
        console.print(f"not modelled: {item['instance']}: {item['what']}: {item['reason']}", highlight=False)
    for struck in assessment.struck_out:
        said = f"struck out: {structure_text(struck['structure'])} of {struck['instance']}: {struck['reason']}"
        console.print(said, highlight=False)
    for line in _claims(assessment.claims):
        console.print(line, highlight=False)
    for line in _measurements(assessment.measurements):
        console.print(line, highlight=False)
    for line in _limits(assessment):
        console.print(line, highlight=False)
    for line in brief_lines(assessment.review):
        console.print(Text(one_line(line)), highlight=False)
    console.print(_counts(assessment.metrics), highlight=False)
    for file in files:
        console.print(file, highlight=False, soft_wrap=True)
    console.print(CAUTION, style="dim", highlight=False)


def coverage_line(coverage: Mapping[str, Any]) -> str:
    """Simulated / hand only / recorded only, in instances and parts."""
    instances = coverage["instances"]
    simulated = [name for name, state in instances.items() if state == "simulated"]
    recorded = [name for name, state in instances.items() if state != "simulated"]
    parts = coverage["parts"]
    return (
        f"simulated {', '.join(simulated) or 'nothing'}; recorded only {', '.join(recorded) or 'nothing'}; parts: "
        f"{len(parts['simulated'])} simulated / {len(parts['hand_only'])} hand only / "
        f"{len(parts['recorded_only'])} recorded only"
    )


COLUMNS = (  # heading, width, justification; with a space between them they fill 100 columns
    ("metric", 26, "left"), ("of", 9, "left"), ("nominal", 10, "right"), ("by hand", 8, "right"),
    ("adverse", 12, "right"), ("limit", 12, "right"), ("margin", 7, "right"), ("verdict", 9, "left"),
)  # fmt: skip


def _tables(rows: Sequence[Mapping[str, Any]]) -> Iterable[Text | Table]:
    """A heading line and a table for every group of rows under one condition, all with the same columns."""
    yield _new_table(with_header=True)
    for line, group in itertools.groupby(rows, key=heading):
        yield Text(line, style="italic cyan", overflow="fold")
        table = _new_table(with_header=False)
        for row in group:
            table.add_row(
                row["metric"],
                row["subject"],
                number(row["value"], row["unit"]),
                percent(row["difference"]),
                _scaled_mark(row) + number(row["adverse"]["value"], row["unit"]),
                limit_text(row),
                percent(row["margin"]),
                Text(row["verdict"], style=VERDICT_STYLES[row["verdict"]]),
            )
        yield table


def _scaled_mark(row: Mapping[str, Any]) -> str:
    return SCALED_MARK if row["adverse"]["by"] == "hand-scaled" else ""


def _new_table(*, with_header: bool) -> Table:
    table = Table(box=None, pad_edge=False, show_header=with_header, header_style="bold", padding=(0, 1, 0, 0))
    for heading, width, justification in COLUMNS:
        table.add_column(heading, width=width, justify=justification, no_wrap=True)  # type: ignore[arg-type]
    return table


def heading(row: Mapping[str, Any]) -> str:
    condition = row["condition"]
    line = f"{condition['line_voltage']:g} V"
    line += f" {condition['line_frequency']:g} Hz" if condition["supply"] == "mains" else " dc"
    if condition["line_angle"] is not None:
        line += f" at {condition['line_angle']:.3g} deg"
    structure = f" ({structure_text(condition['structure'])})" if condition["structure"] else ""
    return (
        f"{row['instance']}{structure}, {condition['label']}: {line}, "
        f"{condition['output_power']:g} W, {condition['ambient']:g} degC nominal"
    )


def structure_text(structure: Mapping[str, str]) -> str:
    return ", ".join(f"{path.rsplit('.', 1)[1]} {choice}" for path, choice in structure.items())


def number(value: float | None, unit: str) -> str:
    return "-" if value is None else engineering(value, unit)


def percent(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        return "-"
    return f"{value:+.1%}" if abs(value) < 0.9995 else f"{value:+.0%}"


def limit_text(row: Mapping[str, Any]) -> str:
    if row["limit"] is None:
        return "none"
    return f"{'<=' if row['limit_side'] == 'high' else '>='} {number(row['limit_adverse'], row['unit'])}"


def _reasons(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """One line for every row a person must act on, with the values that would decide it."""
    lines = []
    together: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}  # of one reason, said once
    for row in rows:
        if row["verdict"] == "failed" or (row["verdict"] == "undecided" and row["adverse"]["error"]):
            together.setdefault((row["verdict"], row["condition"]["label"], row["why"]), []).append(row)
            continue
        if row["verdict"] not in ("over", "undecided"):
            continue
        source = f" ({row['limit_source']})" if row["limit_source"] else ""
        lines.append(
            f"{row['verdict']}: {row['metric']} of {row['subject']}, {row['condition']['label']}: {row['why']}{source}"
        )
        if row["verdict"] == "undecided":
            lines += _movers(row)
            lines += _flips(row)
    for (verdict, label, why), alike in together.items():
        metrics = ", ".join(f"{row['metric']} of {row['subject']}" for row in alike)
        lines.append(f"{verdict}: {metrics}, {label}: {why}")
        lines += ending_lines(alike) if verdict == "undecided" else []
    return lines


def ending_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """The inputs at an end of which, all else nominal, there is no operation that is modelled."""
    found = {
        item["path"]: f"{short_path(item['path'], row['instance'])} ({number(item['low'], item['unit'])} to "
        f"{number(item['high'], item['unit'])}, {item['known']})"
        for row in rows
        for item in row["sensitivities"]
        if item["value_low"] is None or item["value_high"] is None
    }
    return [f"    so by itself at one end: {'; '.join(found.values())}"] if found else []


def _scaled(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """What the mark before an adverse value says."""
    count = sum(1 for row in rows if _scaled_mark(row))
    if not count:
        return []
    what = "the simulation at nominal, scaled by hand calculation; far from its limit, or without one"
    return [f"{SCALED_MARK} {count} of {len(rows)} adverse values: {what} (--corners simulate runs them)"]


def _movers(row: Mapping[str, Any]) -> list[str]:
    """The inputs that move a metric most, each alone at its ends, in columns."""
    movers = row["sensitivities"][:MOST_MOVERS]
    if not movers:
        return []
    lines = [f"    moved most by, alone ({'; '.join(dict.fromkeys(item['by'] for item in movers))}):"]
    for item in movers:
        ends = f"{number(item['low'], item['unit'])} to {number(item['high'], item['unit'])}"
        values = " to ".join(
            "no operation" if item[end] is None else number(item[end], row["unit"])
            for end in ("value_low", "value_high")
        )
        flips = "  flips it" if item["changes_verdict"] else ""
        name = short_path(item["path"], row["instance"])
        lines.append(f"      {name:<24} {ends:<22} {item['known']:<9} {values:<22}{flips}".rstrip())
    return lines


def _flips(row: Mapping[str, Any]) -> list[str]:
    """At which value of one unread input the verdict flips."""
    lines = []
    for key, others in (("break_even", "all else adverse"), ("break_even_alone", "all else nominal")):
        for flip in row[key][:MOST_FLIPS]:
            name, value = short_path(flip["path"], row["instance"]), number(flip["value"], flip["unit"])
            ends = f"{number(flip['low'], flip['unit'])} to {number(flip['high'], flip['unit'])}"
            lines.append(f"    flips at {name} = {value}, {others}; it may be {ends}")
    if not row["break_even"] and row["agreement"] != "disagrees":
        lines.append("    no single unread value decides it, all else adverse; measure what moves it most first")
    return lines


def short_path(path: str, instance: str) -> str:
    """A record path as a person says it: ``C1.esr``, and the stage's own values by their name alone.

    >>> short_path("stages.mains.parts.C1.esr", "mains"), short_path("stages.mains.load_resistance", "mains")
    ('C1.esr', 'load_resistance')
    """
    parts = path.split(".")
    if len(parts) == 5 and parts[2] == "parts":
        return f"{parts[3]}.{parts[4]}"
    if parts[0] == "stages":
        return parts[2] if parts[1] == instance else ".".join(parts[1:])
    return path


def _out_of_regulation(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """What a hold-up of nothing means: the trough lies at the end voltage or below it."""
    lines = []
    for row in rows:
        if row["metric"] != "holdup_time" or row["adverse"]["value"] is None:
            continue
        for value, where in ((row["value"], "nominal"), (row["adverse"]["value"], "adverse")):
            if value == 0:
                said = (
                    f"no hold-up at {where} values, {row['condition']['label']}: the ripple's trough is at or below the"
                )
                lines.append(f"{said} end voltage, so the output is out of regulation in every half period")
                break
    return lines


def _unjudged(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """One line for every reason why metrics are listed without a verdict."""
    by_reason: dict[str, list[str]] = {}
    for row in rows:
        if row["verdict"] == "unjudged":
            by_reason.setdefault(row["why"], []).append(row["metric"])
    return [f"unjudged: {', '.join(dict.fromkeys(names))}: {reason}" for reason, names in by_reason.items()]


def _claims(claims: Iterable[Mapping[str, Any]]) -> list[str]:
    return [
        f"claim {claim['claim']} ({claim['source'] or claim['metric']}): {claim['verdict']}"
        + (f", {claim['why']}" if claim["why"] else "")
        for claim in claims
    ]


def _measurements(measurements: Iterable[Mapping[str, Any]]) -> list[str]:
    lines = []
    for m in measurements:
        if m["predicted"] is None or m["measured"] is None:
            lines.append(f"measurement {m['measurement']}: {m['metric']} of {m['instance']} is not simulated")
            continue
        low, high = m["uncertainty"]
        lines.append(
            f"measurement {m['measurement']} ({m['date']}): {m['metric']} measured {number(m['measured'], m['unit'])} "
            f"{low:+.0%}/{high:+.0%}, predicted {number(m['predicted'], m['unit'])} ({percent(m['difference'])})"
        )
    return lines


def _limits(assessment: Assessment) -> list[str]:
    """Which limits file is in force, and its limits of rails, which wait for a simulation."""
    if not assessment.limits["file"]:
        return []
    policies = [f"{item['kind']} {item['policy']}" for item in assessment.limits["policies"]]
    overrides = [f"override {item['name']}" for item in assessment.limits["overrides"]]
    lines = [f"limits: {assessment.limits['file']}: {', '.join([*policies, *overrides]) or 'nothing chosen'}"]
    return lines + [rail_line(item) for item in assessment.rail_limits]


def rail_line(item: Mapping[str, Any]) -> str:
    value = f"+-{item['value'] * 100:g} %" if item["unit"] == "1" else f"<= {number(item['value'], item['unit'])}"
    return f"rail {item['rail']}: {item['quantity']} {value} ({item['source']}): {item['state']}"


def _counts(rows: Sequence[Mapping[str, Any]]) -> str:
    words = ("within", "over", "undecided", "failed", "unjudged")
    return ", ".join(f"{sum(row['verdict'] == word for row in rows)} {word}" for word in words)
