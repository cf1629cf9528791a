"""What to measure next, from a record's file to readings in the order they are worth it; uses what a check stored."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from harness.check import check_record
from harness.judge.corners import answers_to_simulate
from harness.judge.joint_samples import check_samples, joint_samples
from harness.judge.limits_file import NO_LIMITS, LimitsFile, limits_beside, load_limits
from harness.judge.next_values import SAMPLES, SEED, TRAJECTORIES, NextValues, next_values
from harness.judge.open_verdicts import HandMargin, open_verdicts
from harness.judge.screening import check_salib
from harness.plan.plan import Plan, simulated_instances
from harness.plan.study import Question
from harness.simulate.campaign import Campaign
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
) -> tuple[SupplyRecord, NextValues]:
    """Readings worth their effort, best first. Simulates nothing that a check of the same record has stored.

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
    if not 0 <= seed <= LARGEST_SEED:
        raise OptionError(f"--seed: must be 0 to {LARGEST_SEED}, found {seed}")
    check_salib()
    record = load_record(file)
    if instance is not None and instance not in simulated_instances(record):
        known = simulated_instances(record)
        raise OptionError(f"--instance: {shown(instance)} cannot be simulated; {nearest(instance, known)}")
    limits_file = limits_file or limits_beside(file)
    limits = load_limits(limits_file, record) if limits_file else NO_LIMITS
    rows = _stored_rows(record, file, out, limits, instance)
    if rows is None:
        check_record(
            file, out, instance=instance, workers=workers, plots=False, limits_file=limits_file, on_progress=on_progress
        )
        rows = _stored_rows(record, file, out, limits, instance) or []
    undecided = [row for row in rows if row["verdict"] == "undecided"]
    if not undecided:
        return record, NextValues((), (), (), (), 0, 0, (), TRAJECTORIES, seed)
    with Campaign(out, workers=workers, on_progress=on_progress) as campaign:
        plan = _planned_again(record, undecided, campaign, limits)
        verdicts, left = open_verdicts(record, plan, limits)
        if not verdicts:
            return record, NextValues((), tuple(left), (), (), 0, 0, (), TRAJECTORIES, seed)
        accepted, refused = joint_samples(record, verdicts, samples, seed, campaign.calculate)
        gains, still = next_values(
            record, verdicts, HandMargin(record), accepted, seed=seed, compute=campaign.calculate
        )  # fmt: skip
    return record, NextValues(
        tuple(verdicts), tuple(left), tuple(gains), tuple(still), len(accepted), samples, tuple(refused), TRAJECTORIES,
        seed,
    )  # fmt: skip


def _stored_rows(
    record: SupplyRecord, file: Path, out: Path, limits: LimitsFile, instance: str | None
) -> Rows | None:
    """Metric rows of the stored assessment of this very record and limits; None where there is none, or not of all."""
    try:
        content = json.loads((out / "assessments" / f"{record.name}.json").read_text(encoding="utf-8"))
        rows = [row for row in content["metrics"] if instance in (None, row["instance"])]
        same = content["provenance"]["record_sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
        same = same and content["limits"]["sha256"] == (limits.sha256 or None)
        covered = {row["instance"] for row in rows} | {row["instance"] for row in content["struck_out"]}
    except (OSError, ValueError, KeyError, TypeError):  # none, or not one of ours: check anew
        return None
    wanted = {instance} if instance is not None else set(simulated_instances(record))
    return rows if same and wanted <= covered else None


def _planned_again(record: SupplyRecord, rows: Rows, campaign: Campaign, limits: LimitsFile) -> Plan:
    """A plan of some rows' answers alone, run: from the store, but for what another version of the program left."""
    wanted = {_key(row["instance"], row["condition"]["structure"], row["condition"]) for row in rows}
    numbers = {(*_key(row["instance"], row["condition"]["structure"], row["condition"]), row["metric"], row["subject"])
               for row in rows}  # fmt: skip

    def is_asked(instance: str, structure: Mapping[str, str], question: Question) -> bool:
        return not question.measurement and _key(instance, structure, _condition(question)) in wanted

    plan = Plan(record, list(dict.fromkeys(row["instance"] for row in rows)), campaign, is_asked)
    plan.answers = [
        answer
        for answer in plan.answers
        if (*_key(answer.instance, answer.structure, _condition(answer.question)), answer.metric, answer.subject)
        in numbers
    ]
    plan.run(campaign)
    plan.simulate_corners(campaign, answers_to_simulate(record, plan, limits))
    return plan


CONDITION = ("label", "study", "supply", "line_voltage", "line_frequency", "output_power", "load_fraction")


def _condition(question: Question) -> dict[str, Any]:
    return {name: getattr(question, name) for name in CONDITION}


def _key(instance: str, structure: Mapping[str, str], condition: Mapping[str, Any]) -> tuple[Any, ...]:
    """What tells an answer's question from others, of an answer and of a stored row alike."""
    return (instance, tuple(sorted(structure.items())), *(condition[name] for name in CONDITION))
