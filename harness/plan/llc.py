"""What is asked of an LLC converter, and what it is expected to answer by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from harness.handcalc import llc as hand
from harness.handcalc.expectation import Expectation
from harness.plan import isolated
from harness.plan.study import MetricRule, Question, Study
from harness.plan.switching_measures import measure_of as measure_of
from harness.plan.switching_measures import postprocess_version as postprocess_version
from harness.plan.switching_studies import LowestInputStudy, Situation, SteadyStudy
from harness.plan.switching_studies import prepare as prepare
from harness.plan.switching_studies import relevant as relevant
from harness.plan.switching_studies import worse_end as worse_end
from netlists.errors import OptionError, RecordError
from netlists.point import Point
from netlists.quantity import engineering
from netlists.record import SupplyRecord
from netlists.stages import llc as stage

CONDITIONS: tuple[str, ...] = ("power", "load")  # see StagePlan
STUDIES: dict[str, Callable[[Situation], Study]] = {"steady": SteadyStudy, isolated.LOWEST_INPUT: LowestInputStudy}
OF_TIMING = ("body_diode_time", "body_diode_loss", "reverse_current_share", "output_ripple", "primary_current_rms")
METRICS: dict[str, MetricRule] = isolated.metrics_of(
    (
        *isolated.PLACES, *isolated.OUTPUT, "switching_frequency", "primary_current_peak", "primary_current_rms",
        "magnetising_current_peak", "flux_linkage_swing", "resonant_capacitor_voltage_peak", "soft_switching_margin",
        "body_diode_time", "body_diode_loss", "reverse_current_share", "conduction_intervals", "rectifier_branches",
        "lowest_input_voltage",
    )
)  # fmt: skip


def questions(record: SupplyRecord, instance: str) -> list[Question]:
    """The nine operating points, less those where the controller bursts; the guide's probe; the lowest bus."""
    params, _ = stage.params_from(record, instance, Point())
    asked = isolated.questions(record, instance, tuple(METRICS), params.output)
    if params.rectification == "synchronous":
        asked += isolated.mistimed(instance, isolated.full_of(asked), params.turn_off_lead, OF_TIMING)
    return [one for one in asked if not _beyond(record, instance, one)]


def _beyond(record: SupplyRecord, instance: str, question: Question) -> str:
    """Why no steady state answers a question at nominal values; empty where one does."""
    about, _ = situation(record, instance, Point(), question)
    try:
        expect(question.study, about)
    except ArithmeticError as error:
        return str(error)
    return ""


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, and the leaf paths it rests on."""
    return isolated.situation(stage.KIND, stage.params_from, record, instance, point, question)


def not_modelled(record: SupplyRecord, instance: str) -> list[tuple[str, str]]:
    """What a practitioner would ask of this instance and no study answers, each with the reason."""
    found = [
        ("load steps and stability", "the frequency is solved for; the control loop's parts are not in the record"),
        ("burst and pulse-skipping modes", "they have no steady state of one period, and their thresholds are silicon"),
    ]
    params, _ = stage.params_from(record, instance, Point())
    for question in isolated.questions(record, instance, (), params.output):
        reason = _beyond(record, instance, question)
        if reason:
            highest = engineering(params.highest_frequency, "Hz")
            found.append((question.label, f"{reason} (highest frequency {highest})"))
    return found


def started(study: str, about: Situation) -> Situation:
    """The situation with the estimates of the tank that was solved."""
    lowest = study == isolated.LOWEST_INPUT
    return replace(about, start=hand.estimate(about.params, about.condition, lowest=lowest))


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation; ArithmeticError where there is no operation."""
    try:
        if study == isolated.LOWEST_INPUT:
            return hand.expect_lowest(about.params, about.condition)
        return hand.expect(about.params, about.condition)
    except (OptionError, RecordError) as error:
        raise ArithmeticError(str(error)) from error
