"""Stored runs and their metrics as text for a terminal and as plain data for JSON; reads in 100 columns."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Literal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from harness.contracts import Metric
from harness.store.index import IndexRow
from harness.stored import SHORT, Measured, MetricTable
from netlists.errors import one_line
from netlists.quantity import engineering

JSON_SCHEMA = 1
STATUS_STYLES = {"ok": "green", "failed": "bold red", "timed_out": "bold red", "unreadable": "bold red"}
Column = tuple[str, int, Literal["left", "right"]]  # heading, width, justification
# With two spaces between them each set stays within 100 columns; a longer text goes on in the next line, uncut.
RUN_COLUMNS: tuple[Column, ...] = (
    ("run", SHORT, "left"), ("status", 10, "left"), ("study", 13, "left"), ("condition", 28, "left"),
    ("created (UTC)", 16, "left"), ("size", 9, "right"),
)  # fmt: skip
METRIC_COLUMNS: tuple[Column, ...] = (
    ("metric", 30, "left"), ("of", 12, "left"), ("value", 12, "right"), ("window", 22, "left"), ("at", 10, "right"),
)  # fmt: skip
TABLE_COLUMNS: tuple[Column, ...] = (
    ("run", SHORT, "left"), ("of", 8, "left"), ("value", 11, "right"), ("at", 10, "right"),
    ("condition", 28, "left"), ("options", 13, "left"), ("", 5, "left"),
)  # fmt: skip


# --- bulkrail runs


def print_runs(
    console: Console, results: Path, found: Sequence[IndexRow], rows: Sequence[IndexRow], why: Callable[[IndexRow], str]
) -> None:
    """A line for each run under a heading for each record and instance, why a run went wrong below it, and counts."""
    if not rows:
        console.print(_nothing_stored(results), highlight=False, markup=False)
        return
    table = _table(RUN_COLUMNS)
    if found:
        console.print(table)
    for heading, group in _grouped(found, lambda row: _origin(row.record, row.instance, row.status)):
        console.print(Text(heading, style="italic cyan"))
        table = _table(RUN_COLUMNS, header=False)
        for row in group:
            cells = (
                row.run_id[:SHORT],
                row.status,
                row.study,
                row.condition,
                _moment(row.created_utc),
                _size(row.size),
            )
            table.add_row(*(Text(one_line(cell or "-"), style=STATUS_STYLES.get(cell or "", "")) for cell in cells))
            if row.status != "ok":
                console.print(table)
                table = _table(RUN_COLUMNS, header=False)
                console.print(Text(f"    {why(row)}"), soft_wrap=False)
        if table.row_count:
            console.print(table)
    console.print(_run_counts(found, rows), highlight=False, markup=False)


def runs_json(
    results: Path, found: Sequence[IndexRow], rows: Sequence[IndexRow], why: Callable[[IndexRow], str]
) -> dict[str, Any]:
    """The same as plain data."""
    keys = ("run_id", "status", "record", "instance", "study", "condition", "created_utc", "size", "path")
    runs = [{**{key: getattr(row, key) for key in keys}, "why": why(row)} for row in found]
    return {"schema": JSON_SCHEMA, "results": str(results), "stored": len(rows), "runs": runs}


def _nothing_stored(results: Path) -> str:
    return f"{results}: no run is stored yet; bulkrail check RECORD.toml --out {results} stores some"


def _run_counts(found: Sequence[IndexRow], rows: Sequence[IndexRow]) -> str:
    if not found:
        return f"none of {_counted(len(rows), 'run')} passes all of these filters together"
    of_all = f"{len(found)} of " if len(found) != len(rows) else ""
    counts = Counter(row.status for row in found)
    by_status = ", ".join(f"{counts[status]} {status}" for status in STATUS_STYLES if counts[status])
    line = f"{of_all}{_counted(len(rows), 'run')}: {by_status}; {_size(sum(row.size for row in found))}"
    hidden = sum(row.status == "unreadable" for row in rows) - counts["unreadable"]
    return line + (f"; {hidden} more cannot be read: bulkrail runs --status unreadable" if hidden else "")


# --- bulkrail metrics


def print_measured(console: Console, run: Measured) -> None:
    """What a run is, then every metric it has."""
    stored = run.stored
    console.print(Text(f"run {run.run_id}", style="bold"), soft_wrap=True)
    about = [_origin(run.origin("record"), run.origin("instance"), stored.run.status)]
    about += [run.origin("study"), run.origin("condition"), run.origin("option_set")]
    console.print(Text(", ".join(filter(None, about)), style="italic cyan"))
    versions = [f"ngspice {run.origin('ngspice_version')}" if run.origin("ngspice_version") else ""]
    versions += [f"bulkrail {run.origin('program_version')}" if run.origin("program_version") else ""]
    attempt = stored.provenance.get("attempt")
    versions += [f"attempt {attempt}" if isinstance(attempt, int) else ""]
    moment = f"{stored.run.status}, {_moment(stored.created_utc)} UTC"
    console.print(", ".join(filter(None, [moment, *versions])), highlight=False, markup=False)
    if run.note:
        console.print(run.note, highlight=False, markup=False)
    if run.metrics:
        table = _table(METRIC_COLUMNS)
        for metric in run.metrics:
            window = f"{_seconds(metric.window[0])} to {_seconds(metric.window[1])}"
            cells = (metric.name, metric.subject, engineering(metric.value, metric.unit), window, _seconds(metric.at))
            table.add_row(*(Text(one_line(cell)) for cell in cells))
        console.print(table)
    elif stored.run.status == "ok":
        console.print("no metric: nothing in this run's course met what is measured", highlight=False)


def measured_json(run: Measured) -> dict[str, Any]:
    """The same as plain data; a value that is no number is null."""
    keys = ("record", "instance", "study", "condition", "option_set", "program_version", "ngspice_version")
    return {
        "schema": JSON_SCHEMA,
        "run_id": run.run_id,
        "status": run.stored.run.status,
        "created_utc": run.stored.created_utc,
        **{key: run.origin(key) or None for key in keys},
        "path": str(run.stored.path),
        "state": run.state,
        "note": run.note,
        "metrics": [_metric_json(metric) for metric in run.metrics],
    }


def print_metric_table(console: Console, results: Path, table: MetricTable) -> None:
    """One metric of many runs, grouped by record, instance and study; its ends and what became of stale ones below."""
    if table.rows:
        console.print(_table(TABLE_COLUMNS))
    for heading, group in _grouped(table.rows, lambda row: _heading(row[0])):
        console.print(Text(heading, style="italic cyan"))
        lines = _table(TABLE_COLUMNS, header=False)
        for run, metric in group:
            state = "stale" if run.state == "stale" else ""
            cells = (
                run.run_id[:SHORT], metric.subject, engineering(metric.value, metric.unit), _seconds(metric.at),
                run.origin("condition") or "-", run.origin("option_set") or "-", state,
            )  # fmt: skip
            lines.add_row(*(Text(one_line(cell)) for cell in cells))
        console.print(lines)
    for line in _table_notes(results, table):
        console.print(line, highlight=False, markup=False)


def _table_notes(results: Path, table: MetricTable) -> list[str]:
    lines = []
    ordered = sorted((row for row in table.rows if math.isfinite(row[1].value)), key=lambda row: row[1].value)
    if ordered:
        runs = len({run.run_id for run, _ in table.rows})
        ends = [
            f"{word} {engineering(metric.value, metric.unit)} (run {run.run_id[:SHORT]})"
            for word, (run, metric) in (("lowest", ordered[0]), ("highest", ordered[-1]))
        ]
        lines.append(
            f"{table.name}: {_counted(len(table.rows), 'value')} of {_counted(runs, 'run')}; {', '.join(ends)}"
        )
    elif not table.unreadable:
        lines.append(f"{results}: no run that is ok passes; bulkrail runs {results} lists what is stored")
    recomputed = {run.run_id: run.note for run, _ in table.rows if run.state == "recomputed"}
    if recomputed:
        lines.append(f"{next(iter(recomputed.values()))} ({_counted(len(recomputed), 'run')})")
    stale = {run.run_id: run.note for run, _ in table.rows if run.state == "stale"}
    if stale:
        lines.append(
            f"{next(iter(stale.values()))} ({_counted(len(stale), 'run')}; bulkrail metrics RUN tells of each)"
        )
    return lines + list(table.unreadable)


def metric_table_json(table: MetricTable) -> dict[str, Any]:
    """The same as plain data."""
    rows = [
        {
            "run_id": run.run_id,
            **{key: run.origin(key) or None for key in ("record", "instance", "study", "condition", "option_set")},
            "state": run.state,
            **_metric_json(metric),
        }
        for run, metric in table.rows
    ]
    return {"schema": JSON_SCHEMA, "metric": table.name, "rows": rows, "unreadable": list(table.unreadable)}


def _metric_json(metric: Metric) -> dict[str, Any]:
    return {
        "name": metric.name,
        "subject": metric.subject,
        "value": _plain(metric.value),
        "unit": metric.unit,
        "window": [_plain(end) for end in metric.window],
        "at": _plain(metric.at),
    }


# --- shared


def _table(columns: Iterable[Column], *, header: bool = True) -> Table:
    table = Table(box=None, pad_edge=False, show_header=header, header_style="bold", padding=(0, 2, 0, 0))
    for heading, width, justification in columns:
        table.add_column(heading, width=width, justify=justification, overflow="fold")
    return table


def _grouped(rows: Iterable[Any], heading: Callable[[Any], str]) -> Iterable[tuple[str, list[Any]]]:
    groups: dict[str, list[Any]] = {}
    for row in rows:
        groups.setdefault(heading(row), []).append(row)
    return groups.items()


def _origin(record: str | None, instance: str | None, status: str) -> str:
    if not record and not instance:
        return "cannot be read" if status == "unreadable" else "of no stated record"
    return one_line(", ".join(filter(None, (record, instance))))


def _heading(run: Measured) -> str:
    origin = _origin(run.origin("record"), run.origin("instance"), "ok")
    return f"{origin}: {run.origin('study') or 'no stated study'}"


def _counted(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _moment(created_utc: str) -> str:
    return created_utc[:16].replace("T", " ")


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB" if count >= 1e6 else f"{math.ceil(count / 1e3)} kB"


def _seconds(instant: float | None) -> str:
    return "-" if instant is None else engineering(instant, "s")


def _plain(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value
