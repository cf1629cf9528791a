"""The gate from files to files: what of some records must not be merged, and the baselines that were accepted."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from harness.check import assess_record, check_workers, instances_of, made_with, written_files
from harness.judge.baseline import Baseline, baseline_of, baseline_text, read_baseline
from harness.judge.gate import Evidence, Gated, acceptable, decide
from harness.judge.limits_file import LimitsFile, limits_for
from harness.judge.state_file import read_state, state_path
from harness.judge.waiver_offer import offer
from harness.plan.plan import every_metric
from harness.plan.statements import check_names
from harness.show.gate_junit import junit_text
from harness.show.gate_plot import draw_margins
from harness.show.gate_summary import markdown_text
from harness.simulate.worker import simulator_version
from harness.store import runs
from harness.store.export import write_whole
from harness.stored import is_current
from netlists.errors import DamagedRunError, OptionError, RecordError, SetupError, StoreError, one_line
from netlists.record import SupplyRecord, load_record

SCHEMA = 1  # of the decisions' JSON
Progress = Callable[[int, int], None]


def gate_files(
    files: Sequence[Path],
    out: Path,
    *,
    baselines: Path,
    stored: bool = False,
    accept: bool = False,
    workers: int | None = None,
    on_progress: Progress | None = None,
) -> list[Gated]:
    """Judges records as ``bulkrail check`` does, then decides which may be merged.

    Parameters
    ----------
    out : results folder; what it holds is not simulated again
    baselines : folder of ``<record>.json``
    stored : take the assessments that are stored in ``out`` and start no simulation
    accept : write the baseline of each record that has nothing else against it

    Raises
    ------
    InputError, SetupError, StoreError : as ``check_record``; a stored assessment or a baseline that cannot be read is a
        failure of its record instead
    """
    if not files:
        raise OptionError("gate: give at least one record file")
    check_workers(workers)
    records = [load_record(path) for path in files]
    names = [record.name for record in records]
    if len(set(names)) < len(names):
        raise OptionError(f"gate: each record once, found {', '.join(names)}")
    for record in records:  # all before anything is simulated
        check_names(record, every_metric())
        instances_of(record, None)
    limits = [limits_for(record, path) for record, path in zip(records, files, strict=True)]
    found = []
    for record, path, one in zip(records, files, limits, strict=True):
        if not stored:
            _assess(record, path, one, out, workers, on_progress)
        evidence = gather(record, path, one, out, baselines)
        gated = Gated(record.name, record.data.title, str(path), evidence, decide(evidence))
        found.append(_accepted(gated, record, baselines) if accept else gated)
    return found


def _assess(
    record: SupplyRecord, file: Path, limits: LimitsFile, out: Path, workers: int | None, on_progress: Progress | None
) -> None:
    """Checks a record anew, from stored runs where there are some, and stores the assessment."""
    state_path(out, record.name).unlink(missing_ok=True)  # what is judged below can only be this check's
    assessment = assess_record(record, file, limits, out, workers=workers, on_progress=on_progress)
    written_files(record, assessment, out, plots=False)


def gather(record: SupplyRecord, file: Path, limits: LimitsFile, out: Path, baselines: Path) -> Evidence:
    """All that is stored of a record: assessment, the runs it rests on, baseline."""
    state, lost = _state(state_path(out, record.name))
    name = "" if state is None else one_line(str(state["record"]))
    if state is not None and name != record.name:
        state, lost = None, f"the stored assessment is of {name[:60]}"
    faults, values = _runs_of(out, state) if state is not None else ({}, {})
    baseline, fault = _baseline(baselines / f"{record.name}.json", record)
    return Evidence(
        state=state,
        lost=lost,
        current={
            **made_with(file),
            "rules_sha256": limits.rules_sha256 or None,
            **_installed_ngspice(),
        },
        quantities=record.quantities,
        dated=frozenset(_dated(record)),
        simulated=instances_of(record, None),
        runs=faults,
        values=values,
        baseline=baseline,
        baseline_fault=fault,
        waivers=limits.waivers,
        regenerate=f"bulkrail gate {file} --accept --out {out} --baseline {baselines}",
    )


def _installed_ngspice() -> dict[str, str]:
    """The version of this machine's ngspice; nothing where it has none, as what is stored can be judged without."""
    try:
        return {"ngspice_version": simulator_version()}
    except SetupError:
        return {}


def _state(path: Path) -> tuple[Mapping[str, Any] | None, str]:
    try:
        return read_state(path), ""
    except RecordError as error:
        return None, f"{one_line(str(error))}; gate without --stored, or bulkrail check, makes it anew"


def _baseline(path: Path, record: SupplyRecord) -> tuple[Baseline | None, str]:
    try:
        found = read_baseline(path)
    except RecordError as error:
        return None, one_line(str(error))
    if found.record != record.name:
        return None, f"{path.name}: is of {one_line(found.record)[:60]}, not of {record.name}"
    return found, ""


def _dated(record: SupplyRecord) -> Iterable[str]:
    """Paths of quantities whose value has evidence (its own or its part's) and a date that is not in the future."""
    shown = {
        f"stages.{name}.parts.{designator}."
        for name, stage in record.data.stages.items()
        for designator, part in stage.parts.items()
        if part.evidence
    }
    for path, quantity in record.quantities.items():
        try:
            is_past = date.fromisoformat(quantity.date) <= date.today()
        except ValueError:
            continue
        if is_past and (quantity.evidence or f"{path.rpartition('.')[0]}." in shown):
            yield path


Faults = dict[str, tuple[str, str]]
Values = dict[str, dict[tuple[str, str], list[float]]]


def _runs_of(out: Path, state: Mapping[str, Any]) -> tuple[Faults, Values]:
    """Faults of the runs an assessment rests on, and what the others hold; each file is hashed."""
    faults: Faults = {}
    values: Values = {}
    sides = [side for row in state["metrics"] for side in (row, row["adverse"], row["rescued"])]
    for run_id in dict.fromkeys(side.get("run_id") for side in sides):
        if run_id is None:
            continue
        try:
            stored = runs.read_run(runs.run_path(out, run_id), signals=())
        except DamagedRunError as error:
            faults[run_id] = "damaged", one_line(str(error))
            continue
        except StoreError as error:
            faults[run_id] = "missing run", one_line(str(error))
            continue
        if stored.run.status != "ok":
            faults[run_id] = stored.run.status, f"run {run_id[:12]} {stored.run.status}"
        elif not is_current(stored):
            faults[run_id] = "stale", f"run {run_id[:12]} was measured by another version; check the record again"
        values[run_id] = {}
        for metric in stored.metrics:
            values[run_id].setdefault((metric.name, metric.subject), []).append(metric.value)
    return faults, values


def _accepted(gated: Gated, record: SupplyRecord, baselines: Path) -> Gated:
    """Writes a record's baseline where nothing else stands against it, and decides again."""
    evidence = gated.evidence
    rows, left_out, forbids = acceptable(evidence, gated.failures)
    if forbids or not rows or evidence.state is None:
        reason = f"{len(forbids)} failures no baseline answers, such as {forbids[0].key}" if forbids else "no row"
        return replace(gated, accepted=(f"not accepted: {reason}",))
    path = baselines / f"{record.name}.json"
    accepted = baseline_of(record.name, evidence.state["provenance"], record.quantities, rows)
    write_whole(path, baseline_text(accepted).encode())
    read, fault = _baseline(path, record)
    evidence = replace(evidence, baseline=read, baseline_fault=fault)
    lines = [f"baseline: {path} ({len(rows)} rows)"]
    lines += [f"not in the baseline, held by its waiver alone: {key}" for key in left_out]
    return replace(gated, evidence=evidence, failures=decide(evidence), accepted=tuple(lines))


def write_reports(
    found: Sequence[Gated],
    *,
    junit: Path | None = None,
    markdown: Path | None = None,
    json_file: Path | None = None,
    waivers: Path | None = None,
) -> list[str]:
    """Writes the files asked for, each whole or not at all; a line each. Gives text, not verdicts: these are decided.

    Raises
    ------
    StoreError : a file cannot be written
    """
    lines = []
    if junit is not None:
        write_whole(junit, junit_text(found).encode())
        lines.append(f"JUnit: {junit}")
    if markdown is not None:
        plot = markdown.with_suffix(".png")
        drawn = draw_margins(found, plot)
        write_whole(markdown, markdown_text(found, plot.name if drawn else "").encode())
        lines.append(f"summary: {markdown}" + (f", {plot}" if drawn else ""))
    if json_file is not None:
        write_whole(json_file, gate_json(found).encode())
        lines.append(f"decisions: {json_file}")
    if waivers is not None:
        texts = (offer(one.evidence, one.failures, date.today().isoformat()) for one in found)
        write_whole(waivers, "\n".join(text for text in texts if text).encode())
        lines.append(f"waivers to give reasons for: {waivers}")
    return lines


def gate_json(found: Sequence[Gated]) -> str:
    """Everything decided, as JSON text."""
    content = {
        "schema": SCHEMA,
        "passes": all(one.passes for one in found),
        "records": [
            {
                "record": one.record,
                "file": one.file,
                "passes": one.passes,
                "failures": [
                    {"key": f.key, "kind": f.kind, "message": f.message, "waiver": f.waiver or None}
                    for f in one.failures
                ],
                "accepted": list(one.accepted),
            }
            for one in found
        ],
    }
    return json.dumps(content, indent=1, allow_nan=False) + "\n"
