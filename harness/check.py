"""The main job: a record checked from its file to its assessment, plots and JSON."""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

from harness.judge.assess import SCHEMA, Assessment, assess, undecided_answers
from harness.judge.corners import answers_to_simulate
from harness.judge.limits_file import LimitsFile, check_overrides, limits_for
from harness.judge.state_file import state_path
from harness.plan.plan import Plan, every_metric, kind_of, simulated_instances
from harness.plan.statements import check_names
from harness.show.gain_plot import draw as draw_gains
from harness.show.plots import draw
from harness.show.schematic import draw as draw_circuits
from harness.simulate.campaign import Campaign
from harness.simulate.case import SOLVER_VERSION
from harness.store.export import write_whole
from netlists.catalog import STAGES
from netlists.errors import OptionError, nearest
from netlists.point import Point
from netlists.quantity import shown
from netlists.record import SupplyRecord, load_record

MOST_WORKERS = 256


def check_record(
    file: Path,
    out: Path,
    *,
    instance: str | None = None,
    workers: int | None = None,
    plots: bool = True,
    json_file: Path | None = None,
    limits_file: Path | None = None,
    ends: Literal["hand", "simulate"] = "hand",
    corners: Literal["hand", "simulate"] = "hand",
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[Assessment, list[str]]:
    """Checks a record and returns its assessment with one line a file written.

    Parameters
    ----------
    limits_file : None: ``<record-stem>.limits.toml`` beside the record, where there is one
    ends : how one input alone at its ends is found; ``simulate`` does so for undecided metrics
    corners : how adverse and rescued values of switching stages are found; ``hand`` scales those out of doubt

    Raises
    ------
    InputError : the record, the limits file or an option is wrong
    SetupError : the machine lacks libngspice
    StoreError : the results folder cannot be used
    """
    record = load_record(file)
    limits = limits_for(record, file, limits_file)
    assessment = assess_record(
        record, file, limits, out, instance=instance, workers=workers, ends=ends, corners=corners,
        on_progress=on_progress,
    )  # fmt: skip
    return assessment, written_files(record, assessment, out, instance=instance, plots=plots, json_file=json_file)


def written_files(
    record: SupplyRecord,
    assessment: Assessment,
    out: Path,
    *,
    instance: str | None = None,
    plots: bool = True,
    json_file: Path | None = None,
) -> list[str]:
    """Writes a record's assessment and its pictures; one line a file. Parameters and errors as of ``check_record``."""
    text = assessment.to_json()
    written = state_path(out, record.name)
    write_whole(written, text.encode())
    lines = [f"assessment: {written}"]
    if json_file is not None:
        write_whole(json_file, text.encode())
        lines.append(f"assessment: {json_file}")
    if plots:
        instances = instances_of(record, instance)
        drawn = draw(assessment, out, out / "plots")
        drawn += draw_gains(assessment, record, instances, out / "plots")
        drawn += draw_circuits(record.name, circuits_of(record, instances), out / "plots")
        lines.extend(f"plot: {path}" for path in drawn)
    return lines


def assess_record(
    record: SupplyRecord,
    file: Path,
    limits: LimitsFile,
    out: Path,
    *,
    instance: str | None = None,
    workers: int | None = None,
    ends: Literal["hand", "simulate"] = "hand",
    corners: Literal["hand", "simulate"] = "hand",
    on_progress: Callable[[int, int], None] | None = None,
) -> Assessment:
    """Simulates what a record's assessment needs and is not stored in ``out``; writes nothing but runs.

    Parameters and errors as of ``check_record``; ``file`` is the record's, for the provenance.
    """
    check_workers(workers)
    check_names(record, every_metric())
    instances = instances_of(record, instance)
    with Campaign(out, workers=workers, on_progress=on_progress) as campaign:
        plan = Plan(record, instances, campaign)
        if instance is None:  # an override may be about an instance that is left out now
            check_overrides(limits, plan)
        plan.run(campaign)
        in_doubt = plan.answers if corners == "simulate" else answers_to_simulate(record, plan, limits)
        plan.simulate_corners(campaign, in_doubt)
        if ends == "simulate":
            plan.simulate_ends(campaign, undecided_answers(record, plan, limits))
        provenance = {
            "record_file": file.name,
            **made_with(file),
            "ngspice_version": campaign.ngspice_version,
            "python_version": platform.python_version(),
            "simulations_started": campaign.simulated,
        }
    return assess(record, plan, provenance, limits)


def made_with(file: Path) -> dict[str, str]:
    """What an assessment of a record's file says of its making; of another record, program or solver it differs."""
    return {
        "record_sha256": hashlib.sha256(file.read_bytes()).hexdigest(),
        "program_version": version("bulkrail"),
        "solver_version": SOLVER_VERSION,
    }


def stored_state(record: SupplyRecord, file: Path, limits: LimitsFile, out: Path) -> dict[str, Any] | None:
    """The assessment that a check of this very record, limits, program and solver left in ``out``; None without one."""
    try:
        content = json.loads(state_path(out, record.name).read_text(encoding="utf-8"))
        told = content["provenance"]
        same = content["schema"] == SCHEMA and content["limits"]["sha256"] == (limits.sha256 or None)
        same = same and all(told[name] == value for name, value in made_with(file).items())
    except (OSError, ValueError, KeyError, TypeError):  # none, or not one of ours
        return None
    return dict(content) if same else None


def circuits_of(record: SupplyRecord, instances: Sequence[str]) -> list[tuple[str, str, Any]]:
    """Instance, kind and nominal parameters; bucks that share an input have one drawing between them."""
    found: list[tuple[str, str, Any]] = []
    for instance in instances:
        kind = kind_of(record, instance)
        params, _ = STAGES[kind].params_from(record, instance, Point())
        if all(params != other for _, _, other in found):
            found.append((instance, kind, params))
    return found


def check_workers(workers: int | None) -> None:
    """OptionError where a number of worker processes is none."""
    if workers is not None and not 1 <= workers <= MOST_WORKERS:
        raise OptionError(f"--workers: must be 1 to {MOST_WORKERS}, found {workers}")


def instances_of(record: SupplyRecord, wanted: str | None) -> list[str]:
    """The instances to simulate: all there is a model for, or the one wanted; OptionError where it cannot be."""
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
