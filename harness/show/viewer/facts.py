"""One stored run in plain values: where it is from, its signals, metrics with their verdicts, parameters, deck, log."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.contracts import Metric
from harness.judge.assess import finite
from harness.show.marks import sits_on
from harness.show.panels import MARKED, usual_signals
from harness.show.viewer.asked import TraceName
from harness.show.viewer.folder import Folder, Judged
from harness.store import runs, views
from harness.stored import SHORT, is_current
from netlists.errors import one_line

ORIGIN = ("record", "instance", "study", "condition", "option_set", "attempt", "program_version", "ngspice_version")
STALE = "metrics are of another version of the program: bulkrail metrics takes them from the waveforms again"


def run_facts(folder: Folder, digits: str) -> dict[str, Any]:
    """All of a run but its samples; its seal is checked.

    Raises
    ------
    AbsentError : no such run
    SchemaError, DamagedRunError, StoreError : as ``read_run``
    """
    path = folder.run_file(digits)
    stored = runs.read_run(path, signals=())
    judged, _ = folder.judged()
    own = judged.get(stored.run.case_id, [])
    provenance, overview = stored.provenance, views.overview(path)
    study = provenance.get("study")
    found = {
        "id": stored.run.case_id,
        "short": stored.run.case_id[:SHORT],
        "status": stored.run.status,
        "created": stored.created_utc,
        "bytes": path.stat().st_size,
        "origin": {key: one_line(str(provenance[key])) for key in ORIGIN if provenance.get(key) is not None},
        "notes": _notes(stored, overview),
        "axis": None if overview is None else _axis(overview),
        "signals": [] if overview is None else _signals(overview),
        "usual": _usual(str(study), overview),
        "period": _period(stored.run.solution),
        "metrics": [_metric(metric, own) for metric in stored.metrics],
        "judged": [_judged(one) for one in own],
        "parameters": [
            {"name": name, "value": value, "unit": unit} for name, (value, unit) in stored.parameters.items()
        ],
        "solution": [{"name": name, "value": value} for name, value in stored.run.solution.items()],
        "deck": _lines(provenance.get("deck")),
        "log": [one_line(line.rstrip("\n")) for line in stored.run.log],
    }
    return dict(finite(found))


def _notes(stored: runs.StoredRun, overview: views.Overview | None) -> list[str]:
    found = []
    if stored.run.status != "ok":
        log = stored.run.log
        found.append(f"{stored.run.status}: {one_line(log[0].strip()) if log else 'no log was kept'}")
    elif not is_current(stored):
        found.append(STALE)
    if overview is None:
        kept = "waveforms were not kept" if not stored.has_waveforms else "has no waveforms"
        found.append(f"{kept}: nothing to draw")
    return found


def _axis(overview: views.Overview) -> dict[str, Any]:
    unit = "s" if overview.axis == "time" else "Hz"
    return {
        "name": overview.axis, "unit": unit, "first": overview.first, "last": overview.last,
        "samples": overview.samples,
    }  # fmt: skip


def _signals(overview: views.Overview) -> list[dict[str, Any]]:
    """Every line that can be drawn: of a complex signal its magnitude and its phase."""
    found = []
    for name, unit in overview.units.items():
        parts = (("magnitude", unit), ("phase", "deg")) if name in overview.complex_signals else (("", unit),)
        for part, of in parts:
            said = overview.descriptions[name]
            found.append({"signal": name, "part": part, "unit": of, "description": one_line(said)})
    return found


def _usual(study: str, overview: views.Overview | None) -> list[str]:
    """What is drawn of a run at first: the signals of its study's pictures, else its first ones."""
    if overview is None:
        return []
    known = list(overview.units)
    return [name for name in usual_signals(study) if name in known][:6] or known[:2]


def _period(solution: Mapping[str, float]) -> float | None:
    """Of a steady state [s]."""
    frequency = solution.get("frequency")
    return 1 / frequency if frequency else None


def _metric(metric: Metric, judged: Sequence[Judged]) -> dict[str, Any]:
    own = [one for one in judged if (one.row["metric"], one.row["subject"]) == (metric.name, metric.subject)]
    return {
        "name": metric.name, "subject": one_line(metric.subject), "value": metric.value, "unit": metric.unit,
        "window": list(metric.window), "at": metric.at, "judged": [_judged(one) for one in own],
    }  # fmt: skip


def _judged(one: Judged) -> dict[str, Any]:
    row = one.row
    return {
        "record": one_line(one.record), "role": one.role, "instance": one_line(row["instance"]),
        "metric": one_line(row["metric"]), "subject": one_line(row["subject"]), "unit": row["unit"],
        "label": one_line(row["condition"]["label"]), "verdict": row["verdict"], "margin": row["margin"],
        "limit": row["limit_adverse"], "side": row["limit_side"], "why": one_line(row["why"]),
        "source": one_line(str(row.get("limit_source") or "")),
    }  # fmt: skip


def _lines(deck: object) -> list[str]:
    """A deck's lines, whichever way a program stored them."""
    lines = deck if isinstance(deck, list) else str(deck or "").splitlines()
    return [one_line(str(line)) for line in lines]


def marks(folder: Folder, names: Sequence[TraceName]) -> list[dict[str, Any]]:
    """Where each metric of the runs drawn was taken: its window, its instant, and the trace and level it sits on.

    Metrics that are means or integrals have a window and no instant; a mark whose signal is not drawn has no trace.
    """
    found: list[dict[str, Any]] = []
    for source in dict.fromkeys(name.source for name in names):
        path = folder.run_file(source)
        stored = runs.read_run(path, signals=(), verify=False)
        overview = views.overview(path)
        if overview is None or overview.axis != "time" or stored.run.status != "ok":
            continue
        drawn = [name.signal for name in names if name.source == source and name.signal in overview.units]
        found += [{**one, "source": source} for one in _marks_of(path, stored.metrics, drawn, overview)]
    return list(finite(found))


def _marks_of(
    path: Path, metrics: Sequence[Metric], drawn: Sequence[str], overview: views.Overview
) -> list[dict[str, Any]]:
    ordered = sorted(metrics, key=lambda one: one.name not in MARKED)  # a ratio sits where its own peak does
    levels = views.values_at(path, drawn, [one.at for one in ordered if one.at is not None])
    at_levels = iter(levels)
    sitting: dict[tuple[str, float], tuple[str, float]] = {}
    found = []
    for metric in ordered:
        signal, level = None, None
        if metric.at is not None:
            here = next(at_levels)
            signal = sits_on(metric, here, overview.units) if here else None
            if signal is not None:
                level = here[signal]
                sitting[metric.subject, metric.at] = signal, level
            else:
                signal, level = sitting.get((metric.subject, metric.at), (None, None))
        found.append(
            {
                "name": metric.name, "subject": one_line(metric.subject), "value": metric.value, "unit": metric.unit,
                "window": list(metric.window), "at": metric.at, "signal": signal, "level": level,
            }
        )  # fmt: skip
    return found
