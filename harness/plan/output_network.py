"""What is asked of an output network, and what it is expected to answer by hand.

Its ripple current comes from the converter before it, so every question is one of the converter's own and asks the very
same case: nothing is simulated twice. Only the network's metrics are taken from it here.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from harness.handcalc import buck as buck_hand
from harness.handcalc import llc as llc_hand
from harness.handcalc import output_network as hand
from harness.handcalc import two_switch_forward as forward_hand
from harness.handcalc.expectation import Expectation
from harness.handcalc.output_network import Fed
from harness.plan import buck, llc, two_switch_forward
from harness.plan.study import MetricRule, Question, Study
from harness.plan.switching_measures import measure_of as measure_of
from harness.plan.switching_measures import postprocess_version as postprocess_version
from harness.plan.switching_studies import RULES, Situation, SteadyStudy
from harness.plan.switching_studies import prepare as prepare
from harness.plan.switching_studies import started as started
from harness.plan.switching_studies import worse_end as worse_end
from netlists.errors import RecordError
from netlists.point import Condition, Point
from netlists.record import SupplyRecord
from netlists.stages.output_network import KIND
from netlists.stages.outputs import Output

CONDITIONS: tuple[str, ...] = ("power", "load")  # see StagePlan
STUDIES: dict[str, Callable[[Situation], Study]] = {"steady": SteadyStudy}
METRICS: dict[str, MetricRule] = {
    "branch_current_average": MetricRule("steady", "high", "A", "direct current of one branch"),
    "branch_current_rms": MetricRule("steady", "high", "A", "the same with its ripple"),
    "branch_current_share": MetricRule("steady", "high", "1", "over an equal share of all branches"),
    "voltage_drop": MetricRule("steady", "high", "V", "from the converter's output to the branch's connector, mean"),
    "shunt_dissipation": MetricRule("steady", "high", "W", "one shunt"),
    "conductor_dissipation": MetricRule("steady", "high", "W", "all pieces of copper, cable or contacts"),
    "connector_current": MetricRule("steady", "high", "A", "RMS of one contact"),
    **{
        name: RULES[name]
        for name in (
            "capacitor_current_rms", "choke_current_peak", "choke_current_rms", "saturation_current_needed",
            "output_ripple", "output_ripple_probe",
        )
    },
}  # fmt: skip
PROBED = "output_ripple_probe"
LIGHT = ("output_ripple", "capacitor_current_rms")


class ConverterPlan(Protocol):
    """What is asked of the plan of a converter."""

    def questions(self, record: SupplyRecord, instance: str) -> list[Question]: ...

    def situation(
        self, record: SupplyRecord, instance: str, point: Point, question: Question
    ) -> tuple[Situation, set[str]]: ...


@dataclass(frozen=True, slots=True)
class Converter:
    """A kind of converter that a network may stand behind.

    Parameters
    ----------
    outputs : parameters -> its outputs, in the order of its bench
    fed : parameters, condition, index of an output -> the current it feeds there
    """

    plan: ConverterPlan
    outputs: Callable[[Any], Sequence[Output]]
    fed: Callable[[Any, Condition, int], Fed]


CONVERTERS: Mapping[str, Converter] = {
    "buck": Converter(buck, lambda params: [rail.output for rail in params.rails], buck_hand.fed),
    "llc": Converter(llc, lambda params: [params.output], llc_hand.fed),
    "two_switch_forward": Converter(two_switch_forward, lambda params: [params.output], forward_hand.fed),
}


def converter_of(record: SupplyRecord, instance: str) -> tuple[str, Converter]:
    """The instance that feeds a network, and what its kind offers; RecordError where that kind cannot be asked yet."""
    feeding = record.instance(instance).fed_by or ""
    kind = str(getattr(record.instance(feeding), "kind", ""))
    if kind not in CONVERTERS:
        message = f"no network is simulated behind a {kind} yet; allowed: {', '.join(CONVERTERS)}"
        raise RecordError([record.finding(f"stages.{instance}.fed_by", message)])
    return feeding, CONVERTERS[kind]


def questions(record: SupplyRecord, instance: str) -> list[Question]:
    """The converter's own at nominal input: full load with all metrics, the guide's probe, and the lightest load."""
    feeding, converter = converter_of(record, instance)
    asked = [
        question
        for question in converter.plan.questions(record, feeding)
        if question.study == "steady" and question.input_path in ("", f"stages.{feeding}.input_voltage")
    ]
    lightest = min(question.load_fraction for question in asked)
    found = []
    for question in asked:
        if question.probe != "none":
            found.append(question.changed(metrics=(PROBED,)))
        elif question.load_fraction == 1.0:
            found.append(question.changed(metrics=tuple(name for name in METRICS if name != PROBED)))
        elif question.load_fraction == lightest:
            found.append(question.changed(metrics=LIGHT))
    return found


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """The converter's situation at a point under a question, and the leaf paths it rests on."""
    feeding, converter = converter_of(record, instance)
    about, reads = converter.plan.situation(record, feeding, point, question)
    outputs = converter.outputs(about.params)
    owner = next(i for i, output in enumerate(outputs) if output.network and output.network.name == instance)
    return dataclasses.replace(about, owner=owner), reads


def relevant(study: str, about: Situation) -> tuple[str, Situation]:
    """All of a situation, told apart from the converter's own hand calculation of the same."""
    return KIND, about


def not_modelled(record: SupplyRecord, instance: str) -> list[tuple[str, str]]:
    """What a practitioner would ask of this instance and no study answers, each with the reason."""
    found = [
        (
            "hot copper",
            "taken as recorded: what warmth (0.4 % a kelvin) and high frequency add to its resistance is not",
        ),
        ("load steps", "the converter's control loop is not in the record, so only its steady state is known"),
    ]
    feeding, _ = converter_of(record, instance)
    converter = record.instance(feeding)
    if any(len(converter.choices(name)) > 1 for name in converter.structure_names()):
        found.append((f"alternatives of {feeding}", "its first stated alternative feeds the network"))
    return found


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation of the network behind the converter's output."""
    converter = CONVERTERS[about.kind]
    output = converter.outputs(about.params)[about.owner]
    return hand.expect(output, about.condition, converter.fed(about.params, about.condition, about.owner))
