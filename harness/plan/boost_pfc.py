"""What is asked of a boost corrector, and what it is expected to answer by hand."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable

from harness.handcalc import boost_pfc as hand
from harness.handcalc.expectation import Expectation
from harness.plan.bands import band_ends
from harness.plan.study import MetricRule, Question, Study
from harness.plan.switching_measures import measure_of as measure_of
from harness.plan.switching_measures import postprocess_version as postprocess_version
from harness.plan.switching_studies import EARLIEST, LATEST, RULES, Situation, SteadyStudy, WorstInstantStudy
from harness.plan.switching_studies import prepare as prepare
from harness.plan.switching_studies import relevant as relevant
from harness.plan.switching_studies import started as started
from harness.plan.switching_studies import worse_end as worse_end
from netlists.errors import OptionError
from netlists.point import Condition, Point
from netlists.record import SupplyRecord
from netlists.stages import boost_pfc as stage

STUDIES: dict[str, Callable[[Situation], Study]] = {"steady": SteadyStudy, "worst_instant": WorstInstantStudy}
METRICS: dict[str, MetricRule] = {name: rule for name, rule in RULES.items() if name != "output_ripple_probe"}
CONDITIONS: tuple[str, ...] = ("line", "power", "load", "angle")  # see StagePlan
# Metrics that need not be worst at the crest; each is looked for at its own instant.
WANDERING = ("choke_ripple", "input_ripple_current")
INSTANTS = tuple(range(int(EARLIEST), int(LATEST) + 1, 5))  # of the line, at which the hand calculation looks [deg]


def questions(record: SupplyRecord, instance: str) -> list[Question]:
    """Both ends of every mains band at the crest; what is worst elsewhere, at the worst instant."""
    asked = []
    for name, band in record.data.nameplate.input_bands.items():
        for label, voltage in zip(("lowest line", "highest line"), band_ends(band), strict=True):
            crest = Question(
                study="steady",
                label=f"{label}, crest" if band.supply == "mains" else label,
                band=name,
                line_voltage=voltage,
                line_frequency=band.frequency_low.nominal if band.frequency_low else 0.0,
                output_power=band.output_power.nominal,
                load_fraction=1.0,
                metrics=tuple(METRICS),
                supply=band.supply,
            )
            asked.append(crest)
            if band.supply == "mains":
                asked += [
                    crest.changed(study="worst_instant", label=f"{label}, worst instant", metrics=(metric,))
                    for metric in WANDERING
                ]
    return asked


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, and the leaf paths it rests on."""
    params, reads = stage.params_from(record, instance, point)
    ambient, _ = question.ambient_at(record, point)  # of no effect on a switching stage yet
    condition = Condition(
        question.line_voltage, question.line_frequency, question.output_power, ambient, supply=question.supply,
        load_fraction=question.load_fraction,
    )  # fmt: skip
    if question.study == "worst_instant":
        nominal, _ = stage.params_from(record, instance, Point({}, point.structure))
        condition = dataclasses.replace(condition, line_angle=worst_instant(nominal, condition, question.metrics[0]))
    elif question.angle is not None:
        condition = dataclasses.replace(condition, line_angle=question.angle)
    provenance = (("record", record.name), ("instance", instance))
    return Situation("boost_pfc", params, condition, 0, provenance, f"{instance} {question.label}"), set(reads)


@functools.cache
def worst_instant(params: stage.Params, condition: Condition, metric: str) -> float:
    """The instant at which the hand calculation finds a metric largest [deg]; the crest where it finds none.

    Taken at nominal values: the study looks around it anyway.
    """
    worst, largest = LATEST, 0.0
    for angle in INSTANTS:
        try:
            found = hand.expect(params, dataclasses.replace(condition, line_angle=float(angle)))
        except (OptionError, ArithmeticError):
            continue
        value = max((one.value for (name, _), one in found.items() if name == metric), default=0.0)
        if value > largest:
            worst, largest = float(angle), value
    return worst


def not_modelled(record: SupplyRecord, instance: str) -> list[tuple[str, str]]:
    """What a practitioner would ask of this instance and no study answers, each with the reason."""
    return [
        (
            "power factor and harmonics of the line current",
            "the loops' parts are not in the record; looked at by instants",
        ),
        ("currents averaged over the line's half wave", "each instant stands for itself, the crest for the worst"),
    ]


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation at the situation's instant; ArithmeticError where there is none."""
    try:
        return hand.expect(about.params, about.condition)
    except OptionError as error:
        raise ArithmeticError(str(error)) from error
