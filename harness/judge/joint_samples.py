"""Joint samples of all open inputs verdicts rest on, without those that the bench's measurements rule out.

Tolerances are sampled beside the unread inputs: with a marked capacitance held at its nominal value a measured hold-up
would rule out efficiencies that are quite possible. Samples are uniform over the recorded ranges, since a range says no
more. Inferred values follow their sources, so they move together. What a sample cannot be is asked of measurements
alone: a verdict looked at here has run at its adverse ends, so no sample between them is without operation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.judge.next_values import Compute, here
from harness.judge.open_verdicts import OpenVerdict
from harness.plan.plan import PLANS, kind_of
from harness.plan.rejection import measured_questions, why_not
from harness.plan.study import Question
from harness.plan.sweep import Design, Scale, points, size_of
from netlists.errors import InputError, OptionError
from netlists.point import Point
from netlists.record import SupplyRecord

PIECE = 8  # samples a task


def joint_samples(
    record: SupplyRecord, verdicts: Sequence[OpenVerdict], samples: int, seed: int, compute: Compute = here
) -> tuple[list[dict[str, float]], list[str]]:
    """Accepted samples, path -> value, and why each of the others cannot be.

    Raises
    ------
    OptionError : ``samples`` is no power of 2
    InputError : every sample is ruled out
    """
    instances = list(dict.fromkeys(verdict.instance for verdict in verdicts))
    measured = {name: questions for name in instances if (questions := measured_questions(record, name))}
    scales = _scales(record, verdicts, measured)
    design = Design("sobol", samples, seed)
    check_samples(samples)
    size_of(scales, design)
    drawn = [{path: float(level) for path, level in labels.items()} for labels in points(scales, design)]
    reasons = _reasons(record, drawn, measured, compute)
    accepted = [values for values, reason in zip(drawn, reasons, strict=True) if not reason]
    refused = [reason for reason in reasons if reason]
    if not accepted:
        raise InputError(f"{record.file}: all {samples} samples of its unread values are ruled out: {refused[0]}")
    return accepted, refused


def check_samples(samples: int) -> None:
    """OptionError where a number of samples is none or no power of 2: asked before anything is calculated."""
    if samples < 1 or samples & (samples - 1):
        raise OptionError(f"--samples: must be a power of 2 such as 64, which a Sobol sequence needs, found {samples}")


def _scales(
    record: SupplyRecord, verdicts: Sequence[OpenVerdict], measured: Mapping[str, Sequence[Question]]
) -> list[Scale]:
    """The range of every open input that a verdict or a measurement rests on."""
    paths = {path for verdict in verdicts for path in verdict.points["adverse"][0]}
    for instance, questions in measured.items():
        for question in questions:
            _, reads = PLANS[kind_of(record, instance)].situation(record, instance, Point(), question)
            paths |= {path for path in reads if path in record.quantities and not record.quantities[path].is_exact}
    found = []
    for path in sorted(paths):
        quantity = record.quantities[path]
        found.append(Scale(path, "value", quantity.unit, (), quantity.low, quantity.high, quantity.nominal))
    return found


def _reasons(
    record: SupplyRecord,
    drawn: Sequence[Mapping[str, float]],
    measured: Mapping[str, Sequence[Question]],
    compute: Compute,
) -> list[str]:
    """Why each sample cannot be; empty where nothing speaks against it."""
    if not measured:
        return [""] * len(drawn)
    tasks = [(record, drawn[first : first + PIECE], measured) for first in range(0, len(drawn), PIECE)]
    found = compute(reasons_of, tasks)
    pieces = [reasons_of(*task, 1) if one is None else one for task, one in zip(tasks, found, strict=True)]
    return [reason for piece in pieces for reason in piece]


def reasons_of(
    record: SupplyRecord,
    drawn: Sequence[Mapping[str, float]],
    measured: Mapping[str, Sequence[Question]],
    _try: int,
) -> list[str]:
    """A task for a worker: the first thing that speaks against each sample."""
    return [
        next(
            (
                reason
                for instance, questions in measured.items()
                if (reason := why_not(record, instance, Point(values), (), questions))
            ),
            "",
        )
        for values in drawn
    ]
