"""Stored runs looked at again: found by their first digits, filtered by exact values, measured again where stale."""

from __future__ import annotations

import dataclasses
import io
import json
import os
from pathlib import Path

import h5py
import numpy as np
import pytest
from demonstration import Checked
from stored_runs import HOLDUP, RECIPE, VERSION, a_run, failed_run, run_id, stored

from harness.contracts import Run
from harness.plan import rectifier_bulk as planned
from harness.store import files, runs, views
from harness.store.index import Index
from harness.stored import Filters, find_run, matching, measured, over_runs, why
from netlists.errors import DamagedRunError, OptionError, SchemaError, StoreError

STALE = "0" + VERSION[1:]  # the same recipe by an older program


def with_id(begin: str) -> Run:
    return dataclasses.replace(a_run(samples=100), case_id=begin + "0" * (64 - len(begin)))


# --- which run


def test_a_prefix_finds_its_run(tmp_path: Path) -> None:
    path = stored(tmp_path)
    stored(tmp_path, a_run("two"))
    for digits in (4, 12, 64):
        assert find_run(tmp_path, run_id("one")[:digits]) == path
    assert find_run(tmp_path, f" {run_id('one')[:8].upper()} ") == path


@pytest.mark.parametrize("prefix", ["", "abc", "a" * 65, "wxyz", "../../etc", "ab*d", "ab\ncd", "[0-9]abc"])
def test_what_is_no_prefix_is_said(prefix: str, tmp_path: Path) -> None:
    stored(tmp_path)
    with pytest.raises(OptionError, match=r"^RUN: must be 4 to 64 digits.*$"):
        find_run(tmp_path, prefix)


def test_an_ambiguous_prefix_lists_its_matches(tmp_path: Path) -> None:
    for digit in "123":
        stored(tmp_path, with_id(f"abcd{digit}"))
    stored(tmp_path, with_id("abce"))
    with pytest.raises(OptionError) as caught:
        find_run(tmp_path, "abcd")
    said = str(caught.value)
    assert "begins 3 runs: abcd10000000, abcd20000000, abcd30000000; give more digits" in said
    assert "abce" not in said


def test_matches_that_differ_late_are_told_apart(tmp_path: Path) -> None:
    for digit in "12":
        stored(tmp_path, with_id("abcd" * 5 + digit))
    with pytest.raises(OptionError, match=f"{'abcd' * 5}1000, {'abcd' * 5}2000"):
        find_run(tmp_path, "abcd" * 5)


def test_many_matches_stay_one_short_line(tmp_path: Path) -> None:
    for number in range(20):
        stored(tmp_path, with_id(f"abcd{number:02}"))
    with pytest.raises(OptionError, match=r"begins 20 runs: .* and 12 more; give more digits") as caught:
        find_run(tmp_path, "abcd")
    assert len(str(caught.value)) < 250


def test_an_unknown_prefix_names_the_nearest(tmp_path: Path) -> None:
    stored(tmp_path, with_id("abcd12"))
    stored(tmp_path, with_id("999999"))
    with pytest.raises(OptionError, match="no stored run begins with abcd13; nearest: abcd12000000"):
        find_run(tmp_path, "abcd13")


def test_a_folder_without_runs_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="holds no run yet; bulkrail check"):
        find_run(tmp_path, "abcd")
    with pytest.raises(StoreError, match="no such results folder; bulkrail check makes one"):
        find_run(tmp_path / "nowhere", "abcd")
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(StoreError, match="is a file, must be a results folder"):
        matching(tmp_path / "file", Filters())
    assert matching(tmp_path, Filters(record="any")) == ([], [])
    assert not (tmp_path / "index.sqlite").exists()  # looking leaves nothing in a folder that is none of ours


# --- filters


@pytest.fixture
def mixed(tmp_path: Path) -> Path:
    """Four runs: of two records, one of them failed and one timed out, and one file that is no run."""
    stored(tmp_path, a_run("one"))
    stored(tmp_path, a_run("two"), record="lantern-65", study="inrush")
    stored(tmp_path, failed_run())
    stored(tmp_path, failed_run("slow", "timed_out", ()), instance="rear_rectifier")
    broken = runs.run_path(tmp_path, run_id("broken"))
    broken.parent.mkdir(parents=True, exist_ok=True)
    broken.write_bytes(b"no run")
    return tmp_path


@pytest.mark.parametrize(
    ("filters", "texts"),
    [
        (Filters(), {"one", "two", "bad", "slow", "broken"}),
        (Filters(record="lantern-65"), {"two"}),
        (Filters(instance="front_rectifier", status="ok"), {"one", "two"}),
        (Filters(study="holdup"), {"one", "bad", "slow"}),
        (Filters(status="unreadable"), {"broken"}),
        (Filters(status="timed_out"), {"slow"}),
        (Filters(metric="holdup_time", study="inrush"), {"two"}),
        (Filters(record="lantern-65", status="failed"), set()),
    ],
)
def test_filters_are_exact_and_add_up(mixed: Path, filters: Filters, texts: set[str]) -> None:
    found, rows = matching(mixed, filters)
    assert {row.run_id for row in found} == {run_id(text) for text in texts}
    assert len(rows) == 5


@pytest.mark.parametrize(
    ("filters", "said"),
    [
        (
            Filters(record="lantern"),
            '--record: no stored run has "lantern"; allowed: kiln-900, lantern-65; nearest: lan',
        ),
        (Filters(instance="front"), "nearest: front_rectifier"),
        (Filters(study="hold-up"), "--study: .* nearest: holdup"),
        (
            Filters(status="fail"),
            '--status: unknown "fail"; allowed: failed, ok, timed_out, unreadable; nearest: failed',
        ),
        (Filters(metric="hold_up_time"), "--metric: .* nearest: holdup_time"),
    ],
)
def test_an_unknown_value_names_the_nearest(mixed: Path, filters: Filters, said: str) -> None:
    with pytest.raises(OptionError, match=said):
        matching(mixed, filters)


def test_why_a_run_went_wrong_comes_from_its_file(mixed: Path) -> None:
    said = {row.run_id: why(mixed, row) for row in matching(mixed, Filters())[0]}
    assert said[run_id("one")] == ""
    assert said[run_id("bad")] == "timestep: too small"
    assert said[run_id("slow")] == "no log was kept"
    assert "damaged or not a run file" in said[run_id("broken")]


@pytest.mark.parametrize("harm", ["lost", "damaged", "foreign"])
def test_the_index_is_never_needed(mixed: Path, harm: str) -> None:
    before = [row.run_id for row in matching(mixed, Filters())[1]]
    index = mixed / "index.sqlite"
    if harm == "lost":
        index.unlink()
    else:
        index.write_bytes(b"\0" * 5000 if harm == "damaged" else b"SQLite format 3\0" + b"\xff" * 5000)
    found, rows = matching(mixed, Filters(record="lantern-65"))
    assert [row.run_id for row in rows] == before
    assert [row.run_id for row in found] == [run_id("two")]


# --- metrics


def test_current_metrics_are_left_alone(tmp_path: Path) -> None:
    path = stored(tmp_path)
    before = path.read_bytes()
    run = measured(path)
    assert (run.state, run.note) == ("current", "")
    assert run.metrics[0].value == HOLDUP
    assert path.read_bytes() == before


def test_stale_metrics_are_taken_from_the_waveforms_again(tmp_path: Path) -> None:
    path = stored(tmp_path, version=STALE)
    runs.rewrite_metrics(path, (dataclasses.replace(measured(path).metrics[0], value=1.0),), STALE)
    waveforms = runs.read_run(path).run.signals["bulk_voltage"].values
    run = measured(path)
    assert run.state == "recomputed"
    assert run.note == "metrics recomputed: the stored ones were of version 0, the file now holds these"
    assert run.metrics[0].value == pytest.approx(HOLDUP, rel=1e-6)  # a straight line, so only f4 rounding
    again = measured(path)
    assert (again.state, again.metrics) == ("current", run.metrics)
    assert np.array_equal(runs.read_run(path).run.signals["bulk_voltage"].values, waveforms)
    with Index.open(tmp_path) as index:
        assert index.metrics(run_id("one")) == run.metrics


def test_the_recipe_of_the_last_measuring_counts(tmp_path: Path) -> None:
    """A check that measures a stored run with other numbers replaces version and metrics, not the provenance."""
    path = stored(tmp_path)
    other = {**RECIPE, "numbers": {"line_lost_at": 0.04, "end_voltage": 300.0}}
    newer = (dataclasses.replace(measured(path).metrics[0], value=0.025),)
    runs.rewrite_metrics(path, newer, planned.postprocess_version(other))
    assert measured(path).state == "current"
    runs.rewrite_metrics(path, newer, "0 " + json.dumps(other))
    assert measured(path).metrics[0].value == pytest.approx(0.025, rel=1e-5)  # f4 of 300 V


@pytest.mark.parametrize(
    ("provenance", "version", "said"),
    [
        ({"measure": None}, "old", "version old, and how is not recorded; check the record again"),
        ({"measure": ["no", "recipe"]}, "", "version none, and how is not recorded"),
        ({"measure": {**RECIPE, "kind": "cuk"}}, "7", 'of a stage "cuk" that this program does not know'),
        (
            {"measure": {**RECIPE, "name": "measure_hum"}},
            "7",
            "measuring again failed (KeyError: 'measure_hum'); delete",
        ),
        ({"measure": {**RECIPE, "numbers": {"volts": 1}}}, "7", "measuring again failed (TypeError"),
        ({"measure": {"kind": RECIPE["kind"]}}, "7", "measuring again failed (KeyError: 'n"),
    ],
    ids=["none", "no-table", "unknown-stage", "unknown-measure", "other-numbers", "half"],
)
def test_an_unknown_recipe_leaves_metrics_stale(
    tmp_path: Path, provenance: dict[str, object], version: str, said: str
) -> None:
    path = stored(tmp_path, version=version, **provenance)
    before = path.read_bytes()
    run = measured(path)
    assert run.state == "stale"
    assert said in run.note
    assert "check the record again" in run.note
    assert "\n" not in run.note
    assert run.metrics[0].value == HOLDUP  # still shown, and called stale
    assert path.read_bytes() == before


def test_without_waveforms_metrics_stay_stale(tmp_path: Path) -> None:
    path = stored(tmp_path, a_run(axis=None, signals={}), version=STALE)
    run = measured(path)
    assert run.state == "stale"
    assert "waveforms were not kept; delete" in run.note


def test_recomputed_metrics_that_cannot_be_kept_are_still_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise StoreError("x.h5: cannot be written (Read-only file system)")

    path = stored(tmp_path, version=STALE)
    monkeypatch.setattr(runs, "rewrite_metrics", refuse)
    run = measured(path)
    assert run.state == "recomputed"
    assert "these are not kept: x.h5: cannot be written" in run.note


def test_a_failed_run_has_no_metrics_and_says_why(tmp_path: Path) -> None:
    run = measured(stored(tmp_path, failed_run()))
    assert run.metrics == ()
    assert run.note == "failed: timestep: too small"


def test_damage_and_unknown_schemas_are_errors(tmp_path: Path) -> None:
    path = stored(tmp_path)
    data = path.read_bytes()
    image = io.BytesIO(files.unseal(data, path))
    with h5py.File(image, "r+") as file:
        file.attrs["schema_version"] = 99
    path.write_bytes(files.seal(image.getvalue()))
    with pytest.raises(SchemaError, match="schema 99, this program knows 1"):
        measured(path)
    path.write_bytes(data[:3000] + bytes([data[3000] ^ 1]) + data[3001:])
    with pytest.raises(DamagedRunError, match="does not match its SHA-256"):
        measured(path)
    path.write_bytes(data[:2000])
    with pytest.raises(DamagedRunError, match="incomplete"):
        measured(path)


# --- one metric over runs


def test_one_metric_over_runs(mixed: Path) -> None:
    stored(mixed, a_run("three"), version=STALE)
    table = over_runs(mixed, "holdup_time", Filters())
    assert {run.run_id for run, _ in table.rows} == {run_id(text) for text in ("one", "two", "three")}
    assert {run.run_id for run, _ in table.rows if run.state == "recomputed"} == {run_id("three")}
    assert len(table.unreadable) == 1
    assert run_id("broken")[:12] in table.unreadable[0]
    assert len(over_runs(mixed, "holdup_time", Filters(study="inrush")).rows) == 1
    with pytest.raises(OptionError, match=r'--metric: none of 6 runs has "holdup"; .*nearest: holdup_time'):
        over_runs(mixed, "holdup", Filters())


def test_a_file_damaged_behind_the_index_is_told_and_the_rest_goes_on(mixed: Path) -> None:
    """The index compares size and time; this harm changes neither."""
    matching(mixed, Filters())
    path = runs.run_path(mixed, run_id("one"))
    data, times = bytearray(path.read_bytes()), path.stat()
    data[:8] = b"12345678"
    path.write_bytes(bytes(data))
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    table = over_runs(mixed, "holdup_time", Filters())
    assert [run.run_id for run, _ in table.rows] == [run_id("two")]
    assert len(table.unreadable) == 2


def test_a_check_leaves_every_run_current(checked: Checked) -> None:
    found, rows = matching(checked.results, Filters(record="lantern-65", status="ok"))
    assert len(found) == len(rows) > 100
    for row in found[::10]:
        assert measured(checked.results / row.path, verify=False).state == "current"


# --- what a run's waveforms are


def test_overview_reads_no_waveform(tmp_path: Path) -> None:
    run = a_run()
    found = views.overview(stored(tmp_path, run))
    assert found is not None
    assert run.axis is not None
    assert (found.axis, found.first, found.last) == ("time", run.axis.values[0], run.axis.values[-1])
    assert dict(found.units) == {name: signal.unit for name, signal in run.signals.items()}
    assert views.overview(stored(tmp_path, failed_run())) is None


@pytest.mark.parametrize("beyond", [0, 1, 5])
def test_samples_beyond_a_window(tmp_path: Path, beyond: int) -> None:
    run = a_run()
    assert run.axis is not None
    path, time = stored(tmp_path, run), run.axis.values
    found, values = views.read_window(path, "bulk_voltage", time[100], time[200], beyond=beyond)
    assert np.array_equal(found, time[100 - beyond : 201 + beyond])
    assert values.shape == found.shape
    found, _ = views.read_window(path, "bulk_voltage", time[0], time[-1], beyond=beyond)
    assert np.array_equal(found, time)
