"""The main job: a record checked from its file to its assessment, plots and JSON."""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

from harness.judge.assess import Assessment, assess
from harness.plan.plan import Plan, check_names, simulated_instances
from harness.show.plots import draw
from harness.simulate.campaign import Campaign
from netlists.errors import OptionError, StoreError, nearest
from netlists.quantity import shown
from netlists.record import SupplyRecord, load_record


def check_record(
    file: Path,
    out: Path,
    *,
    instance: str | None = None,
    workers: int | None = None,
    plots: bool = True,
    json_file: Path | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[Assessment, list[str]]:
    """Checks a record and returns its assessment with one line a file written.

    Raises
    ------
    InputError : the record or an option is wrong
    SetupError : the machine lacks libngspice
    StoreError : the results folder cannot be used
    """
    record = load_record(file)
    check_names(record)
    instances = _instances(record, instance)
    plan = Plan(record, instances)
    with Campaign(out, workers=workers, on_progress=on_progress) as campaign:
        plan.run(campaign)
        provenance = {
            "record_file": file.name,
            "record_sha256": hashlib.sha256(file.read_bytes()).hexdigest(),
            "program_version": version("bulkrail"),
            "ngspice_version": campaign.ngspice_version,
            "python_version": platform.python_version(),
            "simulations_started": campaign.simulated,
        }
    assessment = assess(record, plan, provenance)
    text = assessment.to_json()
    written = out / "assessments" / f"{record.name}.json"
    _write(written, text)
    lines = [f"assessment: {written}"]
    if json_file is not None:
        _write(json_file, text)
        lines.append(f"assessment: {json_file}")
    if plots:
        drawn = draw(assessment, out, out / "plots")
        lines.extend(f"plot: {path}" for path in drawn)
    return assessment, lines


def _instances(record: SupplyRecord, wanted: str | None) -> list[str]:
    simulated = simulated_instances(record)
    if wanted is None:
        if not simulated:
            kinds = ", ".join(sorted({str(getattr(stage, "kind", "")) for stage in record.data.stages.values()}))
            raise OptionError(f"{record.file}: no stage of a kind that can be simulated yet, found {kinds}")
        return simulated
    if wanted not in record.data.stages:
        raise OptionError(f"--instance: no instance {shown(wanted)}; {nearest(wanted, record.data.stages)}")
    if wanted not in simulated:
        raise OptionError(f"--instance: {wanted} cannot be simulated yet; {nearest(wanted, simulated)}")
    return [wanted]


def _write(file: Path, text: str) -> None:
    """Whole or not at all: a reader never sees half an assessment."""
    temporary = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(file)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise StoreError(f"{file}: cannot be written: {error.strerror}") from error
