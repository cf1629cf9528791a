"""What is asked of a two-switch forward converter, and what it is expected to answer by hand."""

from __future__ import annotations

from collections.abc import Callable

from harness.handcalc import two_switch_forward as hand
from harness.handcalc.expectation import Expectation
from harness.plan import isolated
from harness.plan.study import MetricRule, Question, Study
from harness.plan.switching_measures import measure_of as measure_of
from harness.plan.switching_measures import postprocess_version as postprocess_version
from harness.plan.switching_studies import LowestInputStudy, Situation, SteadyStudy
from harness.plan.switching_studies import prepare as prepare
from harness.plan.switching_studies import relevant as relevant
from harness.plan.switching_studies import started as started
from harness.plan.switching_studies import worse_end as worse_end
from netlists.point import Point
from netlists.record import SupplyRecord
from netlists.stages import two_switch_forward as stage

CONDITIONS: tuple[str, ...] = ("power", "load")  # see StagePlan
STUDIES: dict[str, Callable[[Situation], Study]] = {"steady": SteadyStudy, isolated.LOWEST_INPUT: LowestInputStudy}
METRICS: dict[str, MetricRule] = isolated.metrics_of(
    (
        *isolated.PLACES, *isolated.OUTPUT, *isolated.CHOKE, "duty_cycle", "primary_current_peak",
        "primary_current_rms", "magnetising_current_peak", "flux_linkage_swing", "reset_margin", "lowest_input_voltage",
    )
)  # fmt: skip


def questions(record: SupplyRecord, instance: str) -> list[Question]:
    """The nine operating points; the guide's probe; the lowest bus, with the reset's margin there."""
    params, _ = stage.params_from(record, instance, Point())
    asked = isolated.questions(record, instance, tuple(METRICS), params.output)
    return [
        one.changed(metrics=(*one.metrics, "reset_margin")) if one.study == isolated.LOWEST_INPUT else one
        for one in asked
    ]


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, and the leaf paths it rests on."""
    return isolated.situation(stage.KIND, stage.params_from, record, instance, point, question)


def not_modelled(record: SupplyRecord, instance: str) -> list[tuple[str, str]]:
    """What a practitioner would ask of this instance and no study answers, each with the reason."""
    return [
        ("load steps and stability", "the duty is solved for; the control loop's parts are not in the record"),
        ("light-load modes of the controller", "pulse skipping is firmware or silicon that no board shows"),
        ("coupled outputs", "further windings, their diodes and a common output choke are not simulated"),
        ("recovery of the diodes", "it adds to the rectifiers' ring and to the switches' loss; no board shows it"),
    ]


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation; ArithmeticError where there is no operation."""
    if study == isolated.LOWEST_INPUT:
        return hand.expect_lowest(about.params, about.condition)
    return hand.expect(about.params, about.condition)
