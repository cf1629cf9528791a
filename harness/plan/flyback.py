"""What is asked of a flyback, and what it is expected to answer by hand."""

from __future__ import annotations

from collections.abc import Callable

from harness.handcalc import flyback as hand
from harness.handcalc.expectation import Expectation
from harness.plan import isolated
from harness.plan.isolated import LOWEST_INPUT
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
from netlists.stages import flyback as stage
from netlists.stages.flyback_params import KIND, rail_names

CONDITIONS: tuple[str, ...] = ("power", "load")  # see StagePlan
STUDIES: dict[str, Callable[[Situation], Study]] = {"steady": SteadyStudy, LOWEST_INPUT: LowestInputStudy}
OF_TIMING = ("body_diode_time", "body_diode_loss", "reverse_current_share", "output_ripple")
METRICS: dict[str, MetricRule] = isolated.metrics_of(
    (
        *isolated.PLACES, *isolated.OUTPUT, *isolated.CHOKE, "duty_cycle", "switching_frequency",
        "magnetising_current_peak", "flux_linkage_swing", "clamp_voltage", "clamp_dissipation", "output_voltage",
        "lowest_input_voltage", "body_diode_time", "body_diode_loss", "reverse_current_share", "conduction_intervals",
        "rectifier_branches",
    )
)  # fmt: skip


def questions(record: SupplyRecord, instance: str) -> list[Question]:
    """All metrics at nine operating points, the guide's probe, the lowest bus; a synchronous rectifier mistimed."""
    params, _ = stage.params_from(record, instance, Point())
    asked = isolated.questions(record, instance, list(METRICS), params.secondaries[0].output)
    if params.secondaries[0].synchronous is None:
        return asked
    return asked + isolated.mistimed(instance, isolated.full_of(asked), params.rectifier_lead, OF_TIMING)


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, and the leaf paths it rests on."""
    return isolated.situation(KIND, stage.params_from, record, instance, point, question)


def not_modelled(record: SupplyRecord, instance: str) -> list[tuple[str, str]]:
    """What a practitioner would ask of this instance and no study answers, each with the reason."""
    found = [
        ("load steps and stability", "the duty is solved for; the control loop's parts are not in the record"),
        ("burst operation", "its bursts repeat over many periods and are the controller's own; no board shows them"),
        ("frequency foldback at light load", "the controller's curve; light load is simulated at the stated frequency"),
        ("overload and current limit", "the limit's threshold and its compensation lie in the controller"),
        ("isolation and common-mode current", "both sides share one ground in the netlist"),
    ]
    if "valley" in record.instance(instance).choices("mode"):
        why = "at the highest frequency the converter waits; which valley it then takes is the controller's"
        found.append(("changes between valleys at light load", why))
    if "synchronous" in record.instance(instance).choices("rectification"):
        why = "body diodes recover at once in the netlist; their data sheets seldom say at which slope and temperature"
        found.append(("recovery of the synchronous rectifier where the current is continuous", why))
    if len(rail_names(record, instance)) > 1:
        why = "leakage between secondaries is not in the record; with one rail loaded alone it decides"
        found.append(("rails loaded unlike each other", why))
    return found


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation of a study in a situation; ArithmeticError where there is none."""
    if study == LOWEST_INPUT:
        return hand.expect_lowest(about.params, about.condition)
    return hand.expect(about.params, about.condition)
