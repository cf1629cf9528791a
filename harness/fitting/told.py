"""A fit's condition in words, and its values as lines of the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.judge.fitted import FittedCapture, Input, pasted
from harness.plan.study import Question
from harness.plan.trial import ANGLE
from netlists.record import SupplyRecord


def described(question: Question, structure: Mapping[str, str], inputs: Sequence[Input]) -> str:
    """The condition as one short text."""
    line = f"{question.line_voltage:g} V"
    line += f" {question.line_frequency:g} Hz" if question.supply == "mains" else " dc"
    parts = [question.label, line, f"{question.output_power:.4g} W"]
    if question.ambient is not None:
        parts.append(f"{question.ambient:g} degC")
    if question.angle is not None:
        parts.append(f"switched on at {question.angle:g} deg")
    elif any(one.path == ANGLE for one in inputs):
        parts.append("switch-on angle fitted")
    return ", ".join(parts + [f"{path.rsplit('.', 1)[1]} {choice}" for path, choice in structure.items()])


def paste_lines(record: SupplyRecord, fitted: FittedCapture) -> dict[str, tuple[str, str]]:
    """Path -> table and line of the record, for every value that may be offered."""
    capture, source = fitted.capture, fitted.capture.source
    evidence = f"capture {capture.name}, {fitted.channel.signal}; {source['file']}, SHA-256 {source['sha256'][:16]}"
    paths = [one.input.path for one in fitted.values]
    return {
        one.input.path: pasted(
            one, record.quantities[one.input.path], evidence, capture.taken or capture.added_utc[:10],
            [path for path in paths if path != one.input.path],
        )
        for one in fitted.offered
    }  # fmt: skip
