"""What to measure next, from a record's file to readings in the order they are worth it; uses what a check stored."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness.check import check_record, check_workers, made_with, stored_state
from harness.judge.assess import finite
from harness.judge.joint_samples import check_samples, joint_samples
from harness.judge.limits_file import LimitsFile, limits_for
from harness.judge.next_values import SAMPLES, SEED, TOGETHER, TRAJECTORIES, NextValues, next_values, together
from harness.judge.open_verdicts import HandMargin, open_verdicts
from harness.judge.screening import check_salib
from harness.plan.plan import simulated_instances
from harness.show.next_table import next_json
from harness.simulate.campaign import Campaign
from harness.store.export import write_whole
from netlists.errors import OptionError, nearest
from netlists.quantity import shown
from netlists.record import SupplyRecord, load_record

Rows = list[dict[str, Any]]
LARGEST_SEED = 2**32 - 1


def measure_next(
    file: Path,
    out: Path,
    *,
    instance: str | None = None,
    samples: int = SAMPLES,
    seed: int = SEED,
    workers: int | None = None,
    limits_file: Path | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> NextValues:
    """Readings worth their effort, best first. Simulates nothing that a check of the same record has stored.

    The answer is kept in ``OUT/readings/<record>.json``, where a report finds it.

    Parameters
    ----------
    out : results folder; where it holds no assessment of this very record and limits, the record is checked first

    Raises
    ------
    InputError : the record, the limits file or an option is wrong
    SetupError : SALib or libngspice is missing
    StoreError : the results folder cannot be used
    """
    check_samples(samples)
    check_workers(workers)
    if not 0 <= seed <= LARGEST_SEED:
        raise OptionError(f"--seed: must be 0 to {LARGEST_SEED}, found {seed}")
    check_salib()
    record = load_record(file)
    if instance is not None and instance not in simulated_instances(record):
        known = simulated_instances(record)
        raise OptionError(f"--instance: {shown(instance)} cannot be simulated; {nearest(instance, known)}")
    limits = limits_for(record, file, limits_file)
    rows = _stored_rows(record, file, out, limits, instance)
    if rows is None:
        check_record(
            file, out, instance=instance, workers=workers, plots=False, limits_file=limits_file, on_progress=on_progress
        )
        rows = _stored_rows(record, file, out, limits, instance) or []
    found = _ranked(record, out, rows, samples=samples, seed=seed, workers=workers)
    content = {**_identity(record, file, limits, instance), "answer": next_json(found)}
    write_whole(_kept_in(out, record), (json.dumps(finite(content), indent=1, allow_nan=False) + "\n").encode())
    return found


def kept_answer(
    out: Path, record: SupplyRecord, file: Path, limits: LimitsFile, instance: str | None
) -> dict[str, Any] | None:
    """The last answer about this record, limits and instance, as ``next_json`` gives it; None where there is none."""
    try:
        content = json.loads(_kept_in(out, record).read_text(encoding="utf-8"))
        same = all(content[name] == value for name, value in _identity(record, file, limits, instance).items())
        return dict(content["answer"]) if same else None
    except (OSError, ValueError, KeyError, TypeError):  # none, or not one of ours
        return None


def _kept_in(out: Path, record: SupplyRecord) -> Path:
    return out / "readings" / f"{record.name}.json"


def _identity(record: SupplyRecord, file: Path, limits: LimitsFile, instance: str | None) -> dict[str, Any]:
    """What an answer is about."""
    return {
        **made_with(file),
        "limits_sha256": limits.sha256 or None,
        "instance": instance,
    }


def _ranked(record: SupplyRecord, out: Path, rows: Rows, *, samples: int, seed: int, workers: int | None) -> NextValues:
    verdicts, left = open_verdicts(record, rows)
    if not verdicts:
        return NextValues((), tuple(left), (), (), (), 0, 0, 0, (), TRAJECTORIES, seed)
    with Campaign(out, workers=workers) as campaign:
        accepted, refused = joint_samples(record, verdicts, samples, seed, campaign.calculate)
        gains, still = next_values(
            record, verdicts, HandMargin(record), accepted, seed=seed, compute=campaign.calculate
        )  # fmt: skip
        few = accepted[:TOGETHER]
        paths = [gain.path for gain in gains]
        all_read = together(record, verdicts, HandMargin(record), few, paths, campaign.calculate)
    return NextValues(
        tuple(verdicts),
        tuple(left),
        tuple(gains),
        tuple(still),
        all_read,
        len(few),
        len(accepted),
        samples,
        tuple(refused),
        TRAJECTORIES,
        seed,
    )


def _stored_rows(record: SupplyRecord, file: Path, out: Path, limits: LimitsFile, instance: str | None) -> Rows | None:
    """Metric rows of the stored assessment of this very record and limits; None where there is none, or not of all."""
    content = stored_state(record, file, limits, out)
    if content is None:
        return None
    try:
        rows = [row for row in content["metrics"] if instance in (None, row["instance"])]
        covered = {row["instance"] for row in rows} | {row["instance"] for row in content["struck_out"]}
    except (KeyError, TypeError):  # not one of ours: check anew
        return None
    wanted = {instance} if instance is not None else set(simulated_instances(record))
    return rows if wanted <= covered else None
