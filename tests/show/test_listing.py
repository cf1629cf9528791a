"""Listings read in 100 columns, hold every run once, and are the same in JSON."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from stored_runs import a_run, failed_run, run_id, stored

from harness.contracts import Metric
from harness.show.listing import (
    measured_json,
    metric_table_json,
    print_measured,
    print_metric_table,
    print_runs,
    runs_json,
)
from harness.store import runs
from harness.stored import Filters, matching, measured, over_runs, why


def printed(show: Any, *arguments: Any) -> list[str]:
    """What is printed where there is no terminal."""
    file = io.StringIO()
    show(Console(file=file, width=100), *arguments)
    return file.getvalue().splitlines()


def listed(results: Path, filters: Filters = Filters()) -> list[str]:  # noqa: B008  # frozen
    found, rows = matching(results, filters)
    return printed(print_runs, results, found, rows, lambda row: why(results, row))


def test_a_line_for_each_run_and_counts_at_the_end(tmp_path: Path) -> None:
    for text in ("one", "two"):
        stored(tmp_path, a_run(text))
    stored(tmp_path, failed_run(), record="lantern-65")
    lines = listed(tmp_path)
    for text in ("one", "two", "bad"):
        assert sum(line.startswith(run_id(text)[:12]) for line in lines) == 1
    assert "kiln-900, front_rectifier" in lines
    assert "lantern-65, front_rectifier" in lines
    bad = next(number for number, line in enumerate(lines) if line.startswith(run_id("bad")[:12]))
    assert lines[bad + 1] == "    timestep: too small"
    assert lines[-1].startswith("3 runs: 2 ok, 1 failed; ")
    assert listed(tmp_path, Filters(record="lantern-65"))[-1].startswith("1 of 3 runs: 1 failed; ")
    assert listed(tmp_path, Filters(record="lantern-65", status="ok"))[-1].startswith("none of 3 runs passes")


def test_long_texts_are_kept_whole_in_100_columns(tmp_path: Path) -> None:
    long = "a_very_long_name_that_somebody_gave_" * 4
    log = ("[bold]not markup[/bold] \x1b[2J " + "word " * 60,)
    stored(tmp_path, failed_run(log=log), record=long, study=long[:40], condition=long)
    stored(tmp_path, a_run(), record=None, instance=None, study=None, condition=["no", "text"])
    lines = listed(tmp_path)
    assert max(map(len, lines)) <= 100
    text = "".join("".join(lines).split())
    assert "[bold]notmarkup[/bold]\\x1b[2J" in text
    assert "of no stated record" in lines
    assert "…" not in text
    assert long in text


def test_files_that_cannot_be_read_are_listed_and_counted(tmp_path: Path) -> None:
    stored(tmp_path)
    broken = runs.run_path(tmp_path, run_id("broken"))
    broken.parent.mkdir(parents=True, exist_ok=True)
    broken.write_bytes(b"no run")
    lines = listed(tmp_path)
    assert "cannot be read" in lines
    assert "damaged or not a run file" in " ".join(lines)
    assert "1 ok, 1 unreadable" in lines[-1]
    assert listed(tmp_path, Filters(record="kiln-900"))[-1].endswith(
        "1 more cannot be read: bulkrail runs --status unreadable"
    )


def test_an_empty_folder_says_what_to_do(tmp_path: Path) -> None:
    lines = " ".join(" ".join(listed(tmp_path)).split())
    assert "no run is stored yet; bulkrail check RECORD.toml --out" in lines


def test_metrics_of_a_run(tmp_path: Path) -> None:
    lines = printed(print_measured, measured(stored(tmp_path)))
    assert lines[0] == f"run {run_id('one')}"
    row = next(line for line in lines if line.startswith("holdup_time"))
    assert row.split() == ["holdup_time", "bulk", "75", "ms", "40", "ms", "to", "115", "ms", "115", "ms"]
    assert max(map(len, lines)) <= 100


def test_a_table_of_one_metric(tmp_path: Path) -> None:
    stored(tmp_path)
    stored(tmp_path, a_run("two"), version="old", measure=None)
    lines = printed(print_metric_table, tmp_path, over_runs(tmp_path, "holdup_time", Filters()))
    assert "kiln-900, front_rectifier: holdup" in lines
    stale = next(line for line in lines if line.startswith(run_id("two")[:12]))
    assert stale.endswith("stale")
    text = " ".join(" ".join(lines).split())
    assert "2 values of 2 runs; lowest 75 ms" in text
    assert "(1 run; bulkrail metrics RUN tells of each)" in text
    assert max(map(len, lines)) <= 100


def test_json_says_the_same(tmp_path: Path) -> None:
    path = stored(tmp_path)
    odd = Metric("odd", "bulk", math.nan, "V", (0.0, math.inf))
    runs.rewrite_metrics(path, (*measured(path).metrics, odd), runs.read_run(path, signals=()).postprocess_version)
    stored(tmp_path, failed_run())
    found, rows = matching(tmp_path, Filters())
    content = json.loads(json.dumps(runs_json(tmp_path, found, rows, lambda row: why(tmp_path, row)), allow_nan=False))
    assert content["stored"] == 2
    assert {run["run_id"]: run["why"] for run in content["runs"]}[run_id("bad")] == "timestep: too small"
    one = json.loads(json.dumps(measured_json(measured(path)), allow_nan=False))
    assert (one["state"], one["record"], one["study"]) == ("current", "kiln-900", "holdup")
    assert [metric["value"] for metric in one["metrics"]] == [pytest.approx(0.075), None]
    assert one["metrics"][1]["window"] == [0.0, None]
    table = over_runs(tmp_path, "holdup_time", Filters())
    many = json.loads(json.dumps(metric_table_json(table), allow_nan=False))
    assert [row["run_id"] for row in many["rows"]] == [run_id("one")]
