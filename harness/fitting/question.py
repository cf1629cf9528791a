"""Which question of a record a capture answers, and at what condition, for a fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from harness.captures import Where, option_value
from harness.contracts import Capture
from harness.plan.plan import PLANS, kind_of
from harness.plan.rectifier_bulk import ANGLED
from harness.plan.signals import questions_of
from harness.plan.study import Question
from netlists.errors import OptionError, nearest
from netlists.quantity import shown
from netlists.record import SupplyRecord


@dataclass(frozen=True, slots=True)
class Stated:
    """What a person says of the condition beside the capture's own words; as written, None where not said."""

    angle: str | None = None
    ambient: str | None = None
    frequency: str | None = None


def question_of(record: SupplyRecord, capture: Capture, where: Where, stated: Stated) -> Question:
    """The question, at the line voltage and power the capture was taken at where it says so.

    Raises
    ------
    OptionError : none fits, several do, or the stage cannot be asked at a stated condition
    """
    study, label = where.study or capture.study, where.condition or capture.condition
    asked = questions_of(record, capture.instance)
    found = [one for one in asked if study in ("", one.study) and label in ("", one.label)]
    if not found:
        of_study = [one for one in asked if study in ("", one.study)]
        option, text, known = ("--study", study, {one.study for one in asked})
        if of_study:
            option, text, known = "--condition", label, {one.label for one in of_study}
        what = f"{study} of {capture.instance}" if of_study and study else capture.instance
        raise OptionError(f"{option}: nothing asked of {what} is {shown(text)}; {nearest(text, known)}")
    if not label and capture.line_voltage is not None:
        voltage = capture.line_voltage
        found = sorted(found, key=lambda one: (bool(one.fixed), abs(one.line_voltage - voltage)))
        found = [one for one in found if one.study == found[0].study][:1] if study else found
    named = sorted({f"{one.study}, {one.label}" for one in found})
    if len(named) > 1:
        raise OptionError(f"--condition: several fit {capture.name}: {'; '.join(named[:8])}; say --study, --condition")
    return found[0].changed(**_changes(record, capture, found[0], stated))


def _changes(record: SupplyRecord, capture: Capture, question: Question, stated: Stated) -> dict[str, Any]:
    changes: dict[str, Any] = {}
    known = PLANS[kind_of(record, capture.instance)].CONDITIONS
    if capture.line_voltage is not None and "line" in known:
        changes["line_voltage"] = capture.line_voltage
    if capture.output_power is not None:
        rated = question.output_power / question.load_fraction
        changes |= {"output_power": capture.output_power, "load_fraction": capture.output_power / rated}
    for name, field, text, unit in (
        ("frequency", "line_frequency", stated.frequency, "Hz"), ("ambient", "ambient", stated.ambient, "degC"),
        ("angle", "angle", stated.angle, "deg"),
    ):  # fmt: skip
        if text is None:
            continue
        if name not in known or (name == "angle" and question.study not in ANGLED):
            raise OptionError(f"--{name}: {question.study} of {capture.instance} is not asked at one")
        value = option_value(f"--{name}", text, unit)
        changes[field] = value
        if name == "frequency" and not 1 <= (value or 0) <= 1000:
            raise OptionError(f"--frequency: must be 1 to 1000 Hz, found {shown(text)}")
        if name == "angle" and not 0 <= (value or 0) < 360:
            raise OptionError(f"--angle: must be 0 to 360 deg, found {shown(text)}")
    return changes
