"""Stored runs looked at again: which one is meant, which match a filter, and whether their metrics still hold.

Starts no simulation and prints nothing. The files are the truth: the index narrows down which of them are opened, and
what it says of a run is never passed on where the file is at hand.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Protocol, TypeVar, cast

from harness.contracts import Metric
from harness.plan.plan import PLANS
from harness.simulate.worker import Measure, reason
from harness.store import runs, views
from harness.store.files import RUN_ID
from harness.store.index import UNREADABLE, Index, IndexRow
from netlists.errors import OptionError, StoreError, nearest, one_line, shortened
from netlists.quantity import shown

SHORT = 12  # digits of a run id that people see
FEWEST_DIGITS = 4  # of a run id that people may give; two of them are the folder's name
MOST_LISTED = 8  # runs named in one line
STATUSES = ("ok", "failed", "timed_out", UNREADABLE)


class Remeasuring(Protocol):
    """What a stage's plan module offers to measure a stored run again."""

    def postprocess_version(self, recipe: Mapping[str, Any]) -> str: ...

    def measure_of(self, recipe: Mapping[str, Any]) -> Measure: ...


@dataclass(frozen=True, slots=True)
class Filters:
    """What runs must be, each by its exact value; None lets all pass. ``metric``: has a metric of that name."""

    record: str | None = None
    instance: str | None = None
    study: str | None = None
    status: str | None = None
    metric: str | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """A stored run with the best metrics that can be had of it.

    Parameters
    ----------
    metrics : none where the run is not ok
    state : ``current``; ``recomputed`` from the waveforms; ``stale``, another program's and not to be made anew
    note : one line for people; empty where the metrics are current
    """

    stored: runs.StoredRun
    metrics: tuple[Metric, ...]
    state: Literal["current", "recomputed", "stale"]
    note: str

    @property
    def run_id(self) -> str:
        """Identity of the run's case."""
        return self.stored.run.case_id

    def origin(self, key: str) -> str:
        """A text of the provenance, such as ``record`` or ``study``; empty where the run does not say."""
        found = self.stored.provenance.get(key)
        return one_line(found) if isinstance(found, str) else ""


@dataclass(frozen=True, slots=True)
class MetricTable:
    """One metric over many runs: (run, metric), oldest run first; ``unreadable``: one line for each file left out."""

    name: str
    rows: tuple[tuple[Measured, Metric], ...]
    unreadable: tuple[str, ...]


# --- which runs


def results_folder(results: Path) -> Path:
    """The folder itself; StoreError where there is none: looking must not make one."""
    if not results.exists():
        raise StoreError(f"{results}: no such results folder; bulkrail check makes one, --out names it")
    if not results.is_dir():
        raise StoreError(f"{results}: is a file, must be a results folder of bulkrail check")
    return results


def run_files(results: Path, begin: str = "") -> dict[str, Path]:
    """Run id -> file of every stored run whose id begins so, sorted by id. No file is opened."""
    folder = begin[:2] if len(begin) > 1 else "??"
    found = {path.stem: path for path in results_folder(results).glob(f"runs/{folder}/{begin}*.h5")}
    return {run_id: found[run_id] for run_id in sorted(found) if RUN_ID.fullmatch(run_id)}


def find_run(results: Path, prefix: str) -> Path:
    """The file of the one run whose id begins so.

    Raises
    ------
    OptionError : no digits of an id, no such run, or several
    StoreError : no results folder
    """
    digits = prefix.strip().lower()
    if not re.fullmatch(rf"[0-9a-f]{{{FEWEST_DIGITS},64}}", digits):
        raise OptionError(f"RUN: must be {FEWEST_DIGITS} to 64 digits of a run id (0-9, a-f), found {shown(prefix)}")
    matches = run_files(results, digits)
    if len(matches) == 1:
        return next(iter(matches.values()))
    if matches:
        length = max(SHORT, len(digits) + 4)
        raise OptionError(f"RUN: {digits} begins {len(matches)} runs: {_listed(matches, length)}; give more digits")
    stored = run_files(results)
    if not stored:
        raise OptionError(f"RUN: {results} holds no run yet; bulkrail check RECORD.toml --out {results} stores some")
    by_begin = {run_id[: len(digits)]: run_id for run_id in stored}
    close = [by_begin[begin] for begin in difflib.get_close_matches(digits, by_begin, n=3, cutoff=0.0)]
    raise OptionError(
        f"RUN: no stored run begins with {shortened(digits, 20)}; nearest: {_listed(close)}; "
        f"all {len(stored)}: bulkrail runs {results}"
    )


def _listed(run_ids: Iterable[str], length: int = SHORT) -> str:
    names = [run_id[:length] for run_id in run_ids]
    more = f" and {len(names) - MOST_LISTED} more" if len(names) > MOST_LISTED else ""
    return ", ".join(names[:MOST_LISTED]) + more


def matching(results: Path, filters: Filters) -> tuple[list[IndexRow], list[IndexRow]]:
    """Runs that pass all filters, and all there are, oldest first.

    Raises
    ------
    OptionError : a filter's value occurs in no stored run; the line names the nearest that does
    StoreError : no results folder
    """
    if not run_files(results):
        return [], []  # and no index is laid into a folder that is none of ours
    with Index.open(results) as index:
        rows = index.rows()
        found = rows
        for name in ("record", "instance", "study"):
            if (wanted := getattr(filters, name)) is not None:
                _check_known(name, wanted, {getattr(row, name) for row in rows})
                found = [row for row in found if getattr(row, name) == wanted]
        if filters.status is not None:
            if filters.status not in STATUSES:
                raise OptionError(f"--status: unknown {shown(filters.status)}; {nearest(filters.status, STATUSES)}")
            found = [row for row in found if row.status == filters.status]
        if filters.metric is not None:
            having = {row.run_id for row in index.rows(metric=filters.metric)}
            if not having:
                _check_known("metric", filters.metric, {m.name for row in rows for m in index.metrics(row.run_id)})
            found = [row for row in found if row.run_id in having]
    return found, rows


RUN_SORTS = ("created_utc", "status", "record", "instance", "study", "condition", "size")
METRIC_SORTS = ("value", "subject", "at", "condition", "created_utc")
RUN_KEYS = ("run_id", "status", "record", "instance", "study", "condition", "created_utc", "size", "path")


def sorted_runs(rows: Sequence[IndexRow], by: str | None, *, reverse: bool) -> list[IndexRow]:
    """Rows in the order of one of their fields, those without it last; OptionError where there is no such field."""
    return ordered(rows, by, RUN_SORTS, getattr, reverse=reverse)


def sorted_metrics(table: MetricTable, by: str | None, *, reverse: bool) -> MetricTable:
    """The same for one metric over many runs."""

    def field(row: tuple[Measured, Metric], name: str) -> Any:
        run, metric = row
        if name == "created_utc":
            return run.stored.created_utc
        return run.origin(name) if name == "condition" else getattr(metric, name)

    return replace(table, rows=tuple(ordered(table.rows, by, METRIC_SORTS, field, reverse=reverse)))


Item = TypeVar("Item")


def ordered(
    rows: Sequence[Item], by: str | None, known: Sequence[str], field: Callable[[Item, str], Any], *, reverse: bool
) -> list[Item]:
    """Rows in the order of one of the known fields, those without it last; OptionError where it is not known."""
    if by is None:
        return list(reversed(rows)) if reverse else list(rows)
    if by not in known:
        raise OptionError(f"--sort: unknown {shown(by)}; {nearest(by, known)}")
    cells = [(field(row, by), row) for row in rows]
    full = [pair for pair in cells if pair[0] not in (None, "") and pair[0] == pair[0]]  # NaN is no place in an order
    empty = [row for cell, row in cells if cell in (None, "") or cell != cell]
    return [row for _, row in sorted(full, key=lambda pair: pair[0], reverse=reverse)] + empty


def run_columns(rows: Sequence[IndexRow]) -> dict[str, list[float | int | str | None]]:
    """Rows as columns for CSV or Parquet."""
    return {key: [getattr(row, key) for row in rows] for key in RUN_KEYS}


def metric_columns(table: MetricTable) -> dict[str, list[float | int | str | None]]:
    """One metric over many runs as columns."""
    found: dict[str, list[float | int | str | None]] = {"run_id": [run.run_id for run, _ in table.rows]}
    for key in ("record", "instance", "study", "condition", "option_set"):
        found[key] = [run.origin(key) or None for run, _ in table.rows]
    found["metric"] = [metric.name for _, metric in table.rows]
    for key in ("subject", "value", "unit", "at"):
        found[key] = [getattr(metric, key) for _, metric in table.rows]
    found["state"] = [run.state for run, _ in table.rows]
    return found


def _check_known(option: str, wanted: str, values: Iterable[str | None]) -> None:
    known = [one_line(value) for value in values if value]
    if wanted not in known:
        raise OptionError(f"--{option}: no stored run has {shown(wanted)}; {nearest(wanted, known)}")


def why(results: Path, row: IndexRow) -> str:
    """First line of what went wrong with a run, from its file; empty for a run that is ok."""
    if row.status == "ok":
        return ""
    try:
        log = runs.read_run(results / row.path, signals=(), verify=False).run.log
    except StoreError as error:
        return one_line(str(error))
    return _first_line(log)


def _first_line(log: Sequence[str]) -> str:
    return shortened(one_line(log[0]), 390) if log else "no log was kept"


# --- their metrics


def measured(path: Path, *, verify: bool = True) -> Measured:
    """A run with its metrics, taken from its waveforms again and stored where another program's are in the file.

    Raises
    ------
    StoreError, SchemaError, DamagedRunError : as ``read_run``
    """
    stored = runs.read_run(path, signals=(), verify=verify)
    if stored.run.status != "ok":
        return Measured(stored, (), "current", f"{stored.run.status}: {_first_line(stored.run.log)}")
    recipe = _recipe(stored)
    kind = recipe.get("kind")
    old = shortened(one_line(stored.postprocess_version.partition(" ")[0]), 20) or "none"
    if kind not in PLANS:
        known = "is not recorded" if kind is None else f"is of a stage {shown(kind)} that this program does not know"
        note = f"stale: measured by version {old}, and how {known}; check the record again"
        return Measured(stored, stored.metrics, "stale", note)
    stage = cast(Remeasuring, PLANS[kind])
    version = stage.postprocess_version(recipe)
    if version == stored.postprocess_version:
        return Measured(stored, stored.metrics, "current", "")
    # A run that was stored without waveforms, or whose signals no longer suffice, cannot be measured by a check
    # either: only without the file does it simulate the case again.
    remedy = f"delete {path} and check the record again"
    if not views.signal_names(path):
        note = f"stale: measured by version {old}, and waveforms were not kept; {remedy}"
        return Measured(stored, stored.metrics, "stale", note)
    try:
        metrics = tuple(stage.measure_of(recipe)(runs.read_run(path, verify=verify).run))
    except StoreError:
        raise
    except Exception as error:  # a measure is anybody's code, and the recipe another program's
        note = f"stale: measured by version {old}, and measuring again failed ({reason(error)}); {remedy}"
        return Measured(stored, stored.metrics, "stale", note)
    return _recomputed(stored, metrics, version, old)


def is_current(stored: runs.StoredRun) -> bool:
    """Whether a run's metrics are those this program would take from it; nothing is measured again."""
    recipe = _recipe(stored)
    stage = PLANS.get(str(recipe.get("kind")))
    return stage is not None and cast(Remeasuring, stage).postprocess_version(recipe) == stored.postprocess_version


def _recomputed(stored: runs.StoredRun, metrics: tuple[Metric, ...], version: str, old: str) -> Measured:
    """Puts metrics into the run's file; the index notices by the file's time when it is opened next."""
    note = f"metrics recomputed: the stored ones were of version {old}, "
    try:
        runs.rewrite_metrics(stored.path, metrics, version)
        note += "the file now holds these"
    except StoreError as error:  # a folder that can only be read still gives right numbers
        note += f"these are not kept: {one_line(str(error))}"
    return Measured(stored, metrics, "recomputed", note)


def _recipe(stored: runs.StoredRun) -> Mapping[str, Any]:
    """How a run was last measured; empty where its file does not tell.

    The version's own text is asked first: a check that measures a stored run in another way (a part renamed, another
    end voltage) replaces metrics and version and leaves the provenance, which tells how it was measured at first.
    """
    try:
        found = json.loads(stored.postprocess_version.partition(" ")[2])
    except ValueError:
        found = stored.provenance.get("measure")
    is_recipe = isinstance(found, dict) and isinstance(found.get("kind"), str)
    return cast(dict[str, Any], found) if is_recipe else {}


def over_runs(results: Path, name: str, filters: Filters) -> MetricTable:
    """One metric over all runs that are ok and pass the filters, stale ones measured again.

    Every file is opened (3 ms each): the index does not know which metrics are stale, nor what measuring again finds.

    Raises
    ------
    OptionError : a filter's value, or the metric, occurs in none of them
    StoreError : no results folder
    """
    found, _ = matching(results, filters)
    rows: list[tuple[Measured, Metric]] = []
    unreadable: list[str] = []
    names: set[str] = set()
    for row in found:
        if row.status in ("failed", "timed_out"):
            continue
        try:
            run = measured(results / row.path, verify=False)
        except StoreError as error:
            unreadable.append(one_line(str(error)))
            continue
        names.update(metric.name for metric in run.metrics)
        rows.extend((run, metric) for metric in run.metrics if metric.name == name)
    if found and not rows:
        raise OptionError(f"--metric: none of {len(found)} runs has {shown(name)}; {nearest(name, names)}")
    return MetricTable(name, tuple(rows), tuple(unreadable))
