"""Rows out of the index as CSV and Parquet, sorted; README's lines into other tools do what they say."""

from __future__ import annotations

import csv
import importlib.util
import math
import re
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from demonstration import ROOT

from harness.batch import Axis, Batch
from harness.store.export import write_csv, write_parquet
from harness.stored import Filters, matching, over_runs, sorted_metrics, sorted_runs
from netlists.errors import OptionError, SetupError

COLUMNS = {"name": ["a, b", 'say "c"', None], "value [A]": [0.1, math.nan, 1e-300], "number": [1, 2, 3]}


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four stored inrush runs and the sweep's table."""
    folder = tmp_path_factory.mktemp("export") / "results"
    axes = [Axis("condition.line", [115, 230]), Axis("condition.angle", [0, 90])]
    record = ROOT / "netlists" / "records" / "lantern-65.toml"
    table = Batch(record, "mains_rectifier", ["inrush_peak"], axes, results=folder).run()
    write_csv(folder / "sweeps" / "line.csv", table.columns())
    return folder


def test_csv_reads_back_as_it_was(tmp_path: Path) -> None:
    write_csv(tmp_path / "deep" / "table.csv", COLUMNS)
    rows = list(csv.DictReader((tmp_path / "deep" / "table.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["name"] for row in rows] == ["a, b", 'say "c"', ""]
    assert [row["value [A]"] for row in rows] == ["0.1", "", "1e-300"]
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["table.csv"]


def test_parquet_without_its_library_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(SetupError, match=r"needs pyarrow, which is not here; install the extra: pip install 'bulkrail"):
        write_parquet(tmp_path / "table.parquet", COLUMNS)


def test_parquet_reads_back_as_it_was(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    write_parquet(tmp_path / "table.parquet", COLUMNS)
    found = parquet.read_table(tmp_path / "table.parquet").to_pydict()
    assert found["name"] == COLUMNS["name"]
    assert found["number"] == [1, 2, 3]
    assert found["value [A]"][2] == 1e-300


def test_runs_and_metrics_are_sorted_by_their_fields(results: Path) -> None:
    rows, _ = matching(results, Filters())
    sizes = [row.size for row in sorted_runs(rows, "size", reverse=True)]
    assert sizes == sorted(sizes, reverse=True)
    assert sorted_runs(rows, None, reverse=True) == rows[::-1]
    table = over_runs(results, "inrush_peak", Filters())
    values = [metric.value for _, metric in sorted_metrics(table, "value", reverse=False).rows]
    assert len(values) == 4
    assert values == sorted(values)
    for fault in (lambda: sorted_runs(rows, "siz", reverse=False), lambda: sorted_metrics(table, "x", reverse=False)):
        with pytest.raises(OptionError, match="--sort: unknown"):
            fault()


def documented(library: str) -> str:
    """README's line into a library."""
    (line,) = re.findall(rf"^({library}\..*)$", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.MULTILINE)
    return str(line)


def done(library: str, line: str) -> Any:
    """What a line of README gives."""
    return eval(line, {library: pytest.importorskip(library), "sqlite3": sqlite3})  # noqa: S307  # our own page's text


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("library", ["pandas", "polars", "xarray"])
def test_lines_into_other_tools(library: str, results: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if library == "xarray":
        pytest.importorskip("h5netcdf")
    monkeypatch.chdir(results.parent)
    run = next(iter(sorted(results.glob("runs/??/*.h5"))))
    line = documented(library).replace("results/runs/d1/RUN.h5", str(run.relative_to(results.parent)))
    found = done(library, line)
    if library == "pandas":
        assert sorted(found[found.name == "inrush_peak"].study) == ["inrush"] * 4
    elif library == "polars":
        assert found["condition.line [V]"].to_list() == [115.0, 115.0, 230.0, 230.0]
        assert found["inrush_peak.line [A]"].dtype.is_float()
    else:
        assert found["line_current"].dims == ("time",)
        assert found["line_current"].attrs["units"] == "A"


def test_the_readme_shows_what_a_sweep_prints(results: Path) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"^(\d+ V) +(\d+ deg) +([\d.]+) A$", text, flags=re.MULTILINE)
    rows = list(csv.DictReader((results / "sweeps" / "line.csv").read_text(encoding="utf-8").splitlines()))
    assert shown == [
        (f"{float(row['condition.line [V]']):g} V", f"{float(row['condition.angle [deg]']):g} deg",
         f"{float(row['inrush_peak.line [A]']):.4g}") for row in rows
    ]  # fmt: skip
