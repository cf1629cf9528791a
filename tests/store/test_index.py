"""The index says what the files say, whatever happens to it."""

from __future__ import annotations

import dataclasses
import logging
import multiprocessing
import os
import sqlite3
import time
from pathlib import Path

import pytest
from example_runs import METRICS, PROVENANCE, a_run, run_id

from harness.contracts import Metric
from harness.store import index as index_module
from harness.store.index import UNREADABLE, Index
from harness.store.runs import encode_run, read_run, rewrite_metrics, run_path, write_bytes
from netlists.errors import StoreError


@pytest.fixture
def three(store):
    """Paths of three runs: ok, failed, and ok of another instance."""
    return [
        store(a_run("a")),
        store(a_run("b", status="failed"), metrics=()),
        store(a_run("c"), metrics=METRICS[:1], provenance={"instance": "buck", "condition": {"line": 230}}),
    ]


def ids(rows: list[index_module.IndexRow]) -> set[str]:
    return {row.run_id for row in rows}


def warnings_in(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]


def test_rows_and_their_filters(three, tmp_path, caplog):
    a, b, c = (run_id(name) for name in "abc")
    with Index.open(tmp_path) as index:
        assert ids(index.rows()) == {a, b, c}
        assert ids(index.rows(status="ok")) == {a, c}
        assert ids(index.rows(instance="buck")) == {c}
        assert ids(index.rows(record="kiln-900", status="failed")) == {b}
        assert ids(index.rows(metric="ripple")) == {a}
        assert index.rows(metric="none") == []
        row = index.known(c)
        assert (row.path, row.record, row.condition) == (f"runs/{c[:2]}/{c}.h5", None, '{"line": 230}')
        assert (tmp_path / row.path).stat().st_size == row.size
        assert index.metrics(a) == METRICS
        assert index.metrics(b) == ()
    assert warnings_in(caplog) == []


def test_what_is_recorded_is_known_without_reading_again(store, tmp_path, monkeypatch):
    with Index.open(tmp_path) as index:
        stored = read_run(store(), signals=())
        index.record(stored)
        monkeypatch.setattr(index_module, "read_run", lambda *arguments, **options: pytest.fail("read again"))
        row = index.known(stored.run.case_id)
        assert (row.status, row.instance, row.created_utc) == ("ok", "bulk", stored.created_utc)
        assert len(index.rows()) == 1
    with Index.open(tmp_path) as index:
        assert index.known(stored.run.case_id) == row


def test_numbers_that_sqlite_has_no_word_for(store, tmp_path):
    odd = (Metric("m", "s", float("nan"), "V", (0.0, float("inf"))),)
    path = store(metrics=odd)
    with Index.open(tmp_path) as index:
        assert repr(index.metrics(path.stem)) == repr(odd)


def test_known_asks_for_a_run_id(tmp_path):
    with Index.open(tmp_path) as index:
        assert index.known("0" * 64) is None
        with pytest.raises(StoreError, match="must be 64"):
            index.known("' OR 1 --")


def test_files_that_came_went_or_changed_behind_its_back(three, store, tmp_path):
    a, b, c = (run_id(name) for name in "abc")
    with Index.open(tmp_path) as index:
        three[0].unlink()
        rewrite_metrics(three[2], METRICS, "4")
        d = store(a_run("d")).stem
        assert index.known(a) is None
        assert index.known(c) is not None
        assert index.metrics(c) == METRICS
        assert index.known(d).status == "ok"
        three[1].unlink()
        assert ids(index.rows()) == {c, d}
        assert index.known(b) is None


def test_a_damaged_run_is_listed_but_not_known(three, tmp_path, caplog):
    three[0].write_bytes(b"garbage")
    with Index.open(tmp_path) as index:
        assert index.known(run_id("a")) is None
        assert ids(index.rows(status=UNREADABLE)) == {run_id("a")}
        assert len(index.rows()) == 3
    assert len(warnings_in(caplog)) == 1
    assert str(three[0]) in warnings_in(caplog)[0]


def test_files_that_are_no_runs_are_passed_over(three, tmp_path):
    for name in ("notes.h5", ".hidden.h5.1.tmp"):
        (three[0].parent / name).write_text("x")
    with Index.open(tmp_path) as index:
        assert len(index.rows()) == 3


def damage_garbage(path: Path) -> None:
    path.write_bytes(os.urandom(5000))


def damage_half(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:4096] + b"\xa5" * (len(data) - 4096))


def damage_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def lose(path: Path) -> None:
    path.unlink()


def empty(path: Path) -> None:
    path.write_bytes(b"")


def other_schema(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.executescript("DROP TABLE metrics; ALTER TABLE runs ADD COLUMN later; PRAGMA user_version = 99")
    connection.close()


def drop_a_table(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("DROP TABLE metrics")
    connection.close()


@pytest.mark.parametrize("harm", [damage_garbage, damage_half, damage_short, lose, empty, other_schema, drop_a_table])
def test_a_lost_or_damaged_index_is_made_again(three, tmp_path, caplog, harm):
    with Index.open(tmp_path) as index:
        before = index.rows()
    path = tmp_path / "index.sqlite"
    harm(path)
    with Index.open(tmp_path) as index:
        assert index.rows() == before
        assert index.metrics(run_id("a")) == METRICS
    assert len(warnings_in(caplog)) == (0 if harm in (lose, empty, other_schema) else 1)
    caplog.clear()
    with Index.open(tmp_path) as index:  # and is whole again
        assert index.rows() == before
    assert warnings_in(caplog) == []


def test_an_index_damaged_while_in_use(three, store, tmp_path, caplog):
    with Index.open(tmp_path) as index:
        before = index.rows()
        index._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        index._connection.execute("PRAGMA cache_size = 0")
        damage_garbage(tmp_path / "index.sqlite")
        stored = read_run(store(a_run("d")), signals=())
        index.record(stored)
        assert ids(index.rows()) == ids(before) | {stored.run.case_id}
    assert len(warnings_in(caplog)) == 1


def test_rebuild_reads_every_file_again(three, tmp_path):
    with Index.open(tmp_path) as index:
        before = index.rows()
        index._connection.execute("UPDATE runs SET status = 'wrong'")
        assert ids(index.rows(status="wrong")) == ids(before)
        index.rebuild()
        assert index.rows() == before


def test_an_index_that_cannot_be_opened_costs_one_warning(three, store, tmp_path, caplog):
    (tmp_path / "index.sqlite").mkdir()
    with Index.open(tmp_path) as index:
        index.record(read_run(store(a_run("d")), signals=()))
        assert len(index.rows()) == 4
    assert len(warnings_in(caplog)) == 1
    assert "keeps its index in memory" in warnings_in(caplog)[0]


def test_an_index_that_turns_read_only_costs_one_warning(three, store, tmp_path, caplog):
    with Index.open(tmp_path) as index:
        index._connection.execute("PRAGMA query_only = 1")  # as a read-only disk: root may write everywhere
        for name in "def":
            index.record(read_run(store(a_run(name)), signals=()))
        assert len(index.rows()) == 6
    assert len(warnings_in(caplog)) == 1


def test_a_file_in_the_results_folders_place(tmp_path, caplog):
    (tmp_path / "results").write_text("in the way")
    with Index.open(tmp_path / "results") as index:
        assert index.rows() == []
    assert len(warnings_in(caplog)) == 1


def test_an_index_held_by_another_costs_one_warning(three, store, tmp_path, caplog, monkeypatch):
    monkeypatch.setattr(index_module, "BUSY_SECONDS", 0.05)
    with Index.open(tmp_path) as index:
        other = sqlite3.connect(tmp_path / "index.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        index.record(read_run(store(a_run("d")), signals=()))
        assert len(index.rows()) == 4
        other.close()
    assert len(warnings_in(caplog)) == 1


def test_a_mistake_of_the_caller_is_no_damage(tmp_path):
    index = Index.open(tmp_path)
    index.close()
    with pytest.raises(sqlite3.ProgrammingError):
        index.rows()


def write_and_record(results: Path, names: list[str]) -> None:
    with Index.open(results) as index:
        for name in names:
            run = a_run(name, samples=10)
            data = encode_run(run, METRICS, postprocess_version="3", provenance=PROVENANCE, parameters={})
            index.record(read_run(write_bytes(results, run.case_id, data), signals=()))
        assert index._connection.execute("PRAGMA database_list").fetchone()[2], "fell back to memory"


def test_two_parents_at_once(tmp_path, caplog):
    shared = [f"shared {number}" for number in range(20)]
    lists = [[*shared, *(f"{parent} {number}" for number in range(40))] for parent in range(2)]
    start = multiprocessing.get_context("spawn").Process
    parents = [start(target=write_and_record, args=(tmp_path, names)) for names in lists]
    for parent in parents:
        parent.start()
    for parent in parents:
        parent.join(60)
    assert [parent.exitcode for parent in parents] == [0, 0]
    connection = sqlite3.connect(tmp_path / "index.sqlite")
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert connection.execute("SELECT count(*) FROM metrics").fetchone() == (len(METRICS) * 100,)
    connection.close()
    with Index.open(tmp_path) as index:
        assert len(index.rows()) == 100
    assert warnings_in(caplog) == []


def test_speed_of_a_thousand_rows(store, tmp_path, capsys):
    """Printed, never asserted."""
    path = store(a_run("template", samples=10), metrics=METRICS * 26)
    data, template = path.read_bytes(), read_run(path, signals=())
    stored = []
    for number in range(1000):
        one = run_path(tmp_path, run_id(str(number)))
        one.parent.mkdir(exist_ok=True)
        one.write_bytes(data)
        run = dataclasses.replace(template.run, case_id=one.stem)
        stored.append(dataclasses.replace(template, run=run, path=one))
    begin = time.perf_counter()
    with Index.open(tmp_path) as index:
        scanned = time.perf_counter()
        for one in stored:
            index.record(one)
        recorded = time.perf_counter()
        assert len(index.rows()) == 1001
        asked = time.perf_counter()
        for one in stored:
            assert index.known(one.run.case_id)
        known = time.perf_counter()
    with capsys.disabled():
        print(
            f"\nindex of 1000 runs x 52 metrics: scan {scanned - begin:.2f} s, record {recorded - scanned:.2f} s, "
            f"all rows {1e3 * (asked - recorded):.0f} ms, known {known - asked:.4f} ms each"
        )
    assert run_path(tmp_path, template.run.case_id) == path
