"""A cache in SQLite of what the run files say: quick answers, never the authority.

Lost, damaged, of another schema or behind the files, it is made again from them; where it cannot be written, one
warning is logged and an index in memory takes its place, so that a batch never fails for it. One parent writes;
a second one waits (busy time). Write-ahead logging was chosen because a viewer then reads while a batch writes and a
commit costs no disk flush, yet a power loss cannot tear it.

Size and time of change of each file are compared on opening and before every answer (1,000 files: a few ms); files
that differ are read again, by their metadata only and without hashing their waveforms.
"""

from __future__ import annotations

import contextlib
import json
import logging
import math
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from harness.contracts import Metric
from harness.store.files import RUN_ID, locked, run_path
from harness.store.runs import StoredRun, read_run
from netlists.errors import StoreError

INDEX_SCHEMA = 1
BUSY_SECONDS = 5.0  # a parent waits this long for another's commit, which takes milliseconds
UNREADABLE = "unreadable"  # status of a file that is there but is no readable run

TABLES = """
CREATE TABLE runs (run_id TEXT PRIMARY KEY, status TEXT NOT NULL, path TEXT NOT NULL, size INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL, created_utc TEXT NOT NULL, record TEXT, instance TEXT, study TEXT, condition TEXT);
CREATE TABLE metrics (run_id TEXT NOT NULL REFERENCES runs ON DELETE CASCADE, name TEXT NOT NULL,
    subject TEXT NOT NULL, value REAL, unit TEXT NOT NULL, window_start REAL, window_end REAL, at REAL);
CREATE INDEX metrics_of_run ON metrics (run_id);
CREATE INDEX metrics_by_name ON metrics (name);
"""

Answer = TypeVar("Answer")
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class IndexRow:
    """One run file as the index knows it; ``path`` is relative to the results folder, ``size`` in bytes.

    ``status`` is that of the run, or ``unreadable``. Record, instance, study and condition come from the provenance
    keys of the same names; None where absent.
    """

    run_id: str
    status: str
    path: str
    size: int
    mtime_ns: int
    created_utc: str
    record: str | None
    instance: str | None
    study: str | None
    condition: str | None


COLUMNS = ", ".join(field.name for field in fields(IndexRow))


class Index:
    """The index of one results folder; ``with Index.open(results) as index: ...``. For one thread."""

    def __init__(self, results: Path) -> None:
        self._results = results
        self._connection = self._connect()

    @classmethod
    def open(cls, results: Path) -> Self:
        """Open or make ``results/index.sqlite`` and bring it up to date; never fails for the index itself."""
        index = cls(results)
        index._attempt(index._refresh)
        return index

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database; nothing is left to write."""
        self._connection.close()

    def record(self, stored: StoredRun) -> None:
        """Enter a run that has just been written or rewritten, replacing what was known of it."""
        self._attempt(lambda: self._enter([(stored.run.case_id, stored.path, stored)]))

    def known(self, run_id: str) -> IndexRow | None:
        """The row of a run, checked against its file; None where there is no file or none that can be read.

        Raises
        ------
        StoreError : run_id is not one
        """
        path = run_path(self._results, run_id)
        return self._attempt(lambda: self._known(run_id, path))

    def rows(
        self,
        *,
        status: str | None = None,
        instance: str | None = None,
        record: str | None = None,
        metric: str | None = None,
    ) -> list[IndexRow]:
        """Rows that match every filter given, oldest first; ``metric`` keeps runs that have a metric of that name."""
        given = {"status": status, "instance": instance, "record": record}
        tests = {f"{column} = ?": value for column, value in given.items() if value is not None}
        if metric is not None:
            tests["run_id IN (SELECT run_id FROM metrics WHERE name = ?)"] = metric
        query = f"SELECT {COLUMNS} FROM runs WHERE {' AND '.join(['1', *tests])} ORDER BY created_utc, run_id"

        def answer() -> list[IndexRow]:
            self._refresh()
            return [IndexRow(*row) for row in self._connection.execute(query, tuple(tests.values()))]

        return self._attempt(answer)

    def metrics(self, run_id: str) -> tuple[Metric, ...]:
        """The metrics of a run, in the order of its file; empty where it is not known. Call after ``known``."""
        query = "SELECT name, subject, value, unit, window_start, window_end, at FROM metrics WHERE run_id = ?"
        rows = self._attempt(lambda: self._connection.execute(f"{query} ORDER BY rowid", (run_id,)).fetchall())
        return tuple(
            Metric(name, subject, _number(value), unit, (_number(start), _number(end)), at)
            for name, subject, value, unit, start, end, at in rows
        )

    def rebuild(self) -> None:
        """Forget everything and read every file again."""

        def again() -> None:
            self._connection.execute("DELETE FROM runs")
            self._refresh()

        self._attempt(again)

    def _known(self, run_id: str, path: Path) -> IndexRow | None:
        row = self._row(run_id)
        if _size_and_time(path) != (None if row is None else (row.size, row.mtime_ns)):
            self._enter([(run_id, path, None)])
            row = self._row(run_id)
        return None if row is None or row.status == UNREADABLE else row

    def _row(self, run_id: str) -> IndexRow | None:
        found = self._connection.execute(f"SELECT {COLUMNS} FROM runs WHERE run_id = ?", (run_id,)).fetchone()
        return None if found is None else IndexRow(*found)

    def _refresh(self) -> None:
        """Read again what differs in size or time of change, and drop what is gone."""
        indexed = {row[0]: row[1:] for row in self._connection.execute("SELECT run_id, size, mtime_ns FROM runs")}
        present = {path.stem: path for path in self._results.glob("runs/??/*.h5") if RUN_ID.fullmatch(path.stem)}
        changed = [run_id for run_id, path in present.items() if _size_and_time(path) != indexed.get(run_id)]
        gone = [run_id for run_id in indexed if run_id not in present]
        if changed or gone:
            self._enter([(run_id, run_path(self._results, run_id), None) for run_id in changed + gone])

    def _enter(self, runs: list[tuple[str, Path, StoredRun | None]]) -> None:
        """Replace the rows of these runs by what their files say now, in one transaction."""
        # files are read before the lock is taken, so that no other parent waits for a disk
        entries = [(run_id, _entry(self._results, run_id, path, stored)) for run_id, path, stored in runs]
        with _transaction(self._connection):
            for run_id, entry in entries:
                self._connection.execute("DELETE FROM runs WHERE run_id = ?", (run_id,))
                if entry is not None:
                    row, metrics = entry
                    self._connection.execute(f"INSERT INTO runs VALUES (?{', ?' * (len(row) - 1)})", row)
                    self._connection.executemany("INSERT INTO metrics VALUES (?, ?, ?, ?, ?, ?, ?, ?)", metrics)

    def _attempt(self, work: Callable[[], Answer]) -> Answer:
        """Do work; once more on a new database where the old one turns out damaged, at last in memory."""
        try:
            return work()
        except sqlite3.DatabaseError as error:
            self._connection = self._reconnect(error)
        try:
            self._refresh()
            return work()
        except sqlite3.DatabaseError as error:
            self._connection.close()
            self._connection = self._connect_in_memory(error)
        self._refresh()
        return work()

    def _reconnect(self, error: sqlite3.DatabaseError) -> sqlite3.Connection:
        if not (_is_damage(error) or isinstance(error, sqlite3.OperationalError)):
            raise error  # a mistake of ours
        self._connection.close()
        # a full or read-only disk, or a lock held too long: opening again would not help
        return self._connect(error) if _is_damage(error) else self._connect_in_memory(error)

    def _connect(self, reason: Exception | None = None) -> sqlite3.Connection:
        path = self._results / "index.sqlite"
        try:
            self._results.mkdir(parents=True, exist_ok=True)
            with locked(self._results):  # two parents must not both take a damaged index away
                try:
                    return _usable_database(path)
                except sqlite3.DatabaseError as error:
                    if not _is_damage(error):
                        raise
                    log.warning("%s: damaged (%s); made again from the run files", path, reason or error)
                    for suffix in ("", "-wal", "-shm"):
                        path.with_name(path.name + suffix).unlink(missing_ok=True)
                    return _usable_database(path)
        except (OSError, sqlite3.Error) as error:
            return self._connect_in_memory(error)

    def _connect_in_memory(self, reason: Exception | None = None) -> sqlite3.Connection:
        path = self._results / "index.sqlite"
        log.warning("%s: cannot be used (%s); this session keeps its index in memory", path, reason)
        return _prepared(sqlite3.connect(":memory:", isolation_level=None))


def _usable_database(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = WAL")  # where a file system has none, SQLite keeps what it had
        connection.execute("PRAGMA synchronous = NORMAL")
        connection.execute("PRAGMA cache_size = -256")  # kB; the default 2 MB fills over thousands of runs
        if (found := connection.execute("PRAGMA quick_check(1)").fetchone()[0]) != "ok":
            raise sqlite3.DatabaseError(found)
        return _prepared(connection)
    except BaseException:
        connection.close()
        raise


def _prepared(connection: sqlite3.Connection) -> sqlite3.Connection:
    connection.execute("PRAGMA foreign_keys = ON")
    with _transaction(connection):
        if connection.execute("PRAGMA user_version").fetchone()[0] != INDEX_SCHEMA:
            for table in ("metrics", "runs"):
                connection.execute(f"DROP TABLE IF EXISTS {table}")
            for statement in TABLES.split(";"):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {INDEX_SCHEMA}")
    names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not {"runs", "metrics"} <= names:
        raise sqlite3.DatabaseError("tables are missing")
    return connection


@contextlib.contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _is_damage(error: sqlite3.Error) -> bool:
    """SQLite raises the bare class for files it cannot make sense of, and its children for all else."""
    return type(error) is sqlite3.DatabaseError


def _entry(
    results: Path, run_id: str, path: Path, stored: StoredRun | None
) -> tuple[tuple[Any, ...], list[tuple[Any, ...]]] | None:
    """The row of a run and those of its metrics; None where its file is gone."""
    stamp = _size_and_time(path)  # before reading: a file replaced meanwhile then counts as changed
    if stamp is None:
        return None
    place = run_path(Path(), run_id).as_posix()
    try:
        stored = stored or read_run(path, signals=(), verify=False)
    except StoreError as error:
        log.warning("%s", error)
        return astuple(IndexRow(run_id, UNREADABLE, place, *stamp, "", None, None, None, None)), []
    origin = (_text(stored.provenance.get(key)) for key in ("record", "instance", "study", "condition"))
    row = IndexRow(run_id, stored.run.status, place, *stamp, stored.created_utc, *origin)
    metrics = [(run_id, m.name, m.subject, m.value, m.unit, *m.window, m.at) for m in stored.metrics]
    return astuple(row), metrics


def _size_and_time(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _text(value: Any) -> str | None:
    return value if value is None or isinstance(value, str) else json.dumps(value, sort_keys=True)


def _number(value: float | None) -> float:
    return math.nan if value is None else value  # SQLite keeps NaN as NULL
