"""Alternatives of structure that cannot be: struck out with the reason, so that their rows count for nothing.

An alternative is struck out where its parts forbid it, or where it cannot run at a voltage of the label with every
value nominal, and only if another alternative of the same instance is left.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from harness.plan.plan import Answer, Plan, kind_of
from netlists.record import SupplyRecord

# How studies begin to say that the circuit does not run; a simulation that went wrong is no proof of that.
DOES_NOT_RUN = ("the converter cuts out", "no settled operation", "unreachable: target out of reach")


@dataclass(frozen=True, slots=True)
class StruckOut:
    """An alternative that cannot be; ``structure`` is path -> choice."""

    instance: str
    structure: Mapping[str, str]
    reason: str


def struck_out(plan: Plan) -> list[StruckOut]:
    """Every impossible alternative of every instance of a plan that has run."""
    found = []
    for instance in dict.fromkeys(answer.instance for answer in plan.answers):
        alternatives: dict[tuple[tuple[str, str], ...], list[Answer]] = {}
        for answer in plan.answers:
            if answer.instance == instance:
                alternatives.setdefault(tuple(answer.structure.items()), []).append(answer)
        reasons = {
            structure: _parts_forbid(plan.record, instance, dict(structure)) or _does_not_run(plan.record, answers)
            for structure, answers in alternatives.items()
        }
        if not all(reasons.values()):
            found += [StruckOut(instance, dict(structure), why) for structure, why in reasons.items() if why]
    return found


def is_struck_out(answer: Answer, struck: Sequence[StruckOut]) -> bool:
    """Whether an answer belongs to an alternative that was struck out."""
    return any((answer.instance, dict(answer.structure)) == (s.instance, dict(s.structure)) for s in struck)


def _rectifier_bulk(record: SupplyRecord, instance: str, structure: Mapping[str, str]) -> str:
    """Four diodes in one package cannot be a single diode."""
    if structure.get(f"stages.{instance}.feed") != "half_wave":
        return ""
    bridges = [
        designator
        for designator, _, part in record.parts_in_role(instance, "rectifier")
        if getattr(part, "kind", "") == "bridge_rectifier"
    ]
    return f"half_wave takes one diode, {bridges[0]} is a bridge of four in one package" if bridges else ""


# kind of stage -> why its parts forbid a structure, or empty text
PART_RULES: dict[str, Callable[[SupplyRecord, str, Mapping[str, str]], str]] = {"rectifier_bulk": _rectifier_bulk}


def _parts_forbid(record: SupplyRecord, instance: str, structure: Mapping[str, str]) -> str:
    rule = PART_RULES.get(kind_of(record, instance))
    return rule(record, instance, structure) if rule else ""


def _does_not_run(record: SupplyRecord, answers: Sequence[Answer]) -> str:
    """Why an alternative fails within the label's own voltages at nominal values; empty where it runs."""
    for answer in answers:
        question, nominal = answer.question, answer.corners["nominal"]
        band = record.data.nameplate.input_bands.get(question.band)
        own = not question.claim and not question.measurement
        on_label = band is None or band.voltage_low.nominal <= question.line_voltage <= band.voltage_high.nominal
        if own and on_label and nominal.finding is None and nominal.error.startswith(DOES_NOT_RUN):
            return f"does not run at {question.line_voltage:g} V with every value nominal: {nominal.error}"
    return ""
