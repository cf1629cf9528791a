"""The results folder as the viewer sees it: its runs, with the verdicts of the assessments beside them.

Nothing is kept that a file could contradict: index and assessments are looked at again whenever they changed.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any, Literal

from harness.judge.comparison import SEVERITY
from harness.judge.state_file import read_state
from harness.store.index import Index, IndexRow
from harness.store.runs import check_self_contained
from harness.stored import SHORT, ordered, results_folder, run_files
from netlists.errors import BulkrailError, OptionError, one_line

Role = Literal["nominal", "adverse", "rescued"]  # which of a row's three points a run is
NOT_JUDGED = "none"  # verdict of a run that no assessment names
FILTERS = ("record", "instance", "study", "condition", "status", "verdict")
SORTS = ("margin", "verdict", *(name for name in FILTERS if name != "verdict"), "created", "size")


class AbsentError(OptionError):
    """What an address names is not there."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A row of an assessment that a run gave a number to; ``record`` is the assessment's."""

    record: str
    role: Role
    row: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Listed:
    """A run of the list.

    Parameters
    ----------
    verdict : worst of its rows, unjudged ones left out where there are others
    margin : smallest of them, None where none has one;  metric : whose that is, else whose verdict
    rows : how many there are;  roles : what the run is in them, worded
    """

    run_id: str
    status: str
    created: str
    size: int
    record: str
    instance: str
    study: str
    condition: str
    verdict: str
    margin: float | None
    metric: str
    rows: int
    roles: str


class Folder:
    """A results folder. May be asked from several threads."""

    def __init__(self, results: Path) -> None:
        self.results = results_folder(results).resolve()
        self._alone = ThreadPoolExecutor(1, thread_name_prefix="index")  # an index is for one thread
        self._index: Index | None = None
        self._read: dict[Path, tuple[tuple[int, int], Mapping[str, Any] | str]] = {}
        self._judged_of: list[Mapping[str, Any]] = []
        self._judged: dict[str, list[Judged]] = {}
        self._listed: dict[IndexRow, Listed] = {}
        self._looked_at: dict[Path, tuple[int, int]] = {}
        self._lock = Lock()

    def close(self) -> None:
        """Lets go of the index."""
        if self._index is not None:
            self._alone.submit(self._index.close).result()
        self._alone.shutdown()

    def run_file(self, digits: str) -> Path:
        """The file of the one run whose id begins so.

        Raises
        ------
        AbsentError : none or several do, or its file lies outside the folder
        SchemaError, DamagedRunError : it is no run file, or takes data from other files
        """
        found = list(run_files(self.results, digits).values())
        if len(found) != 1:
            raise AbsentError(f"run {digits[:SHORT]}: {len(found) or 'no'} stored run{'s' * bool(found)} begin so")
        path = found[0]
        self._check_inside(path)
        stamp = path.stat().st_mtime_ns, path.stat().st_size
        if self._looked_at.get(path) != stamp:
            check_self_contained(path)
            self._looked_at[path] = stamp
        return path

    def _check_inside(self, path: Path) -> None:
        if not path.resolve().is_relative_to(self.results):
            raise AbsentError(f"{path.name}: lies outside the results folder and is not served")

    def index_rows(self) -> list[IndexRow]:
        """All stored runs, oldest first."""

        def rows() -> list[IndexRow]:
            if self._index is None:
                if not run_files(self.results):
                    return []  # and no index is laid into a folder that is none of ours
                self._index = Index.open(self.results)
            return self._index.rows()

        return self._alone.submit(rows).result()

    def assessments(self) -> tuple[list[Mapping[str, Any]], list[str]]:
        """All stored assessments that can be read, and a line for each that cannot."""
        found, faults = [], []
        for path in sorted(self.results.glob("assessments/*.json")):
            with self._lock:
                content = self._assessment(path)
            if isinstance(content, str):
                faults.append(content)
            else:
                found.append(content)
        return found, faults

    def _assessment(self, path: Path) -> Mapping[str, Any] | str:
        try:
            self._check_inside(path)
            status = path.stat()
            stamp = status.st_mtime_ns, status.st_size
            if path not in self._read or self._read[path][0] != stamp:
                self._read[path] = stamp, read_state(path)
            return self._read[path][1]
        except BulkrailError as error:
            return one_line(str(error))
        except OSError as error:
            return one_line(f"{path.name}: cannot be read ({error.strerror})")

    def judged(self) -> tuple[dict[str, list[Judged]], list[str]]:
        """Run id -> the rows of all assessments it gave a number to; and a line for each that cannot be read."""
        states, faults = self.assessments()
        with self._lock:
            if [id(state) for state in states] != [id(state) for state in self._judged_of]:
                self._judged_of, self._judged, self._listed = states, _judged(states), {}
            return self._judged, faults

    def listed(self) -> tuple[list[Listed], list[str]]:
        """Every run with its verdict, oldest first, those of no assessment too; and what could not be read."""
        judged, faults = self.judged()
        rows = self.index_rows()
        with self._lock:  # what was said of a row stands until its file or an assessment changes
            if self._judged is not judged:
                return [_listed(row, judged.get(row.run_id, ())) for row in rows], faults
            known = self._listed
            self._listed = {row: known.get(row) or _listed(row, judged.get(row.run_id, ())) for row in rows}
            return list(self._listed.values()), faults


def _judged(states: Sequence[Mapping[str, Any]]) -> dict[str, list[Judged]]:
    found: dict[str, list[Judged]] = defaultdict(list)
    for state in states:
        for row in state["metrics"]:
            taken: set[str] = set()  # a run may be two of a row's points: it is told as the first
            points: Sequence[tuple[Role, Any]] = (
                ("nominal", row["run_id"]), ("adverse", row["adverse"].get("run_id")),
                ("rescued", row["rescued"].get("run_id")),
            )  # fmt: skip
            for role, run_id in points:
                if run_id and run_id not in taken:
                    taken.add(run_id)
                    found[run_id].append(Judged(state["record"], role, row))
    return dict(found)


def _listed(row: IndexRow, judged: Sequence[Judged]) -> Listed:
    with_margin = [one for one in judged if one.row["margin"] is not None]
    least = min(with_margin, key=lambda one: one.row["margin"], default=None)
    told_by = [one for one in judged if one.row["verdict"] != "unjudged"] or judged
    worst = max(told_by, key=lambda one: SEVERITY[one.row["verdict"]], default=None)
    told = least or worst
    return Listed(
        run_id=row.run_id, status=row.status, created=row.created_utc, size=row.size,
        record=one_line(row.record or ""), instance=one_line(row.instance or ""), study=one_line(row.study or ""),
        condition=one_line(row.condition or ""),
        verdict=worst.row["verdict"] if worst else NOT_JUDGED, margin=least.row["margin"] if least else None,
        metric=one_line(f"{told.row['metric']} of {told.row['subject']}") if told else "",
        rows=len(judged), roles=", ".join(dict.fromkeys(one.role for one in judged)),
    )  # fmt: skip


def chosen(
    rows: Sequence[Listed], wanted: Mapping[str, str | None], text: str, sort: str, *, reverse: bool
) -> list[Listed]:
    """Rows that pass all filters and hold all words of a text, in an order; those without the field last."""
    words = text.casefold().split()
    found = [
        row
        for row in rows
        if all(value is None or getattr(row, name) == value for name, value in wanted.items())
        and all(word in _searched(row) for word in words)
    ]
    return ordered(found, sort, SORTS, _sorted_by, reverse=reverse)


def _sorted_by(row: Listed, name: str) -> Any:
    """A cell as it is put in order; the worst verdict comes first."""
    if name == "verdict":
        return -SEVERITY[row.verdict] if row.verdict in SEVERITY else None
    return getattr(row, name)


def _searched(row: Listed) -> str:
    return " ".join((row.run_id, row.record, row.instance, row.study, row.condition, row.metric)).casefold()


def counted(rows: Sequence[Listed], wanted: Mapping[str, str | None]) -> dict[str, dict[str, int]]:
    """Filter -> value -> how many runs have it among those that pass the other filters."""
    found: dict[str, dict[str, int]] = {}
    for name in FILTERS:
        others = {key: value for key, value in wanted.items() if key != name and value is not None}
        passing = (row for row in rows if all(getattr(row, key) == value for key, value in others.items()))
        counts = Counter(getattr(row, name) for row in passing)
        found[name] = {value: counts[value] for value in sorted(counts)}
    return found
