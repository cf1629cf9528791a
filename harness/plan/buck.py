"""What is asked of a buck rail, and what it is expected to answer by hand."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping

from harness.handcalc import buck as hand
from harness.handcalc.expectation import Expectation
from harness.plan import isolated
from harness.plan.study import MetricRule, Question, Study
from harness.plan.switching_measures import measure_of as measure_of
from harness.plan.switching_measures import postprocess_version as postprocess_version
from harness.plan.switching_studies import RULES, Situation, SteadyStudy
from harness.plan.switching_studies import prepare as prepare
from harness.plan.switching_studies import relevant as relevant
from harness.plan.switching_studies import started as started
from harness.plan.switching_studies import worse_end as worse_end
from netlists.point import Condition, Point
from netlists.record import SupplyRecord
from netlists.stages import buck as stage

STUDIES: dict[str, Callable[[Situation], Study]] = {"steady": SteadyStudy}
OF_EMULATION = (
    "body_diode_time", "body_diode_loss", "reverse_current_share", "conduction_intervals", "rectifier_branches",
)  # fmt: skip
LIGHT = ("duty_cycle", "output_ripple", "choke_ripple", "switch_voltage_peak", "diode_voltage_peak")
METRICS: dict[str, MetricRule] = {
    **{name: rule for name, rule in RULES.items() if name != "switching_frequency"},
    **{name: isolated.RULES[name] for name in OF_EMULATION},
}
CONDITIONS: tuple[str, ...] = ("power", "load")  # see StagePlan
CACHED = 4096  # hand calculations kept; each is some thirty numbers
LIGHT_LOAD = 0.1  # of the rail's current: the least a converter is commonly specified at


def questions(record: SupplyRecord, instance: str) -> list[Question]:
    """Full load with all metrics, the same through the guide's probe, light load; there diode emulation mistimed."""
    params, _ = stage.params_from(record, instance, Point())
    rail = params.rails[owner_of(record, instance, params)]
    plain = Question(
        study="steady",
        label="full load",
        band="",
        line_voltage=params.input_voltage,
        line_frequency=0.0,
        output_power=rail.voltage * rail.load_current,
        load_fraction=1.0,
        metrics=tuple(name for name in METRICS if name != "output_ripple_probe"),
        supply="dc",
    )
    more = ("choke_current_peak", "switch_current_rms", *OF_EMULATION) if rail.emulates_diode else ()
    light = plain.changed(
        label="light load",
        metrics=LIGHT + more,
        load_fraction=LIGHT_LOAD,
        output_power=plain.output_power * LIGHT_LOAD,
    )
    probed = plain.changed(label="full load, guide's probe", metrics=("output_ripple_probe",), probe="desktop guide")
    asked = [plain, probed, light]
    if not rail.emulates_diode:
        return asked
    return asked + isolated.mistimed(instance, light, rail.turn_off_lead, (*OF_EMULATION, "output_ripple"))


def owner_of(record: SupplyRecord, instance: str, params: stage.Params) -> int:
    """Which rail of a bench with two is the instance's own."""
    name = getattr(record.instance(instance), "rail", "")
    return next(index for index, rail in enumerate(params.rails) if rail.name == name)


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, and the leaf paths it rests on."""
    params, found = stage.params_from(record, instance, point.with_values(dict(question.fixed)))
    ambient, _ = question.ambient_at(record, point)  # of no effect on a switching stage yet
    condition = Condition(
        params.input_voltage, 0.0, question.output_power, ambient, supply="dc", load_fraction=question.load_fraction,
        probe=question.probe,
    )  # fmt: skip
    provenance = (("record", record.name), ("instance", instance))
    owner = owner_of(record, instance, params)
    reads = set(found) - {path for path, _ in question.fixed}
    return Situation("buck", params, condition, owner, provenance, f"{instance} {question.label}"), reads


def not_modelled(record: SupplyRecord, instance: str) -> list[tuple[str, str]]:
    """What a practitioner would ask of this instance and no study answers, each with the reason."""
    return [
        ("load steps and stability", "the duty is solved for; the control loop's parts are not in the record"),
        ("light-load modes of the controller", "pulse skipping is firmware or silicon that no board shows"),
    ]


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation of the instance's own rail and, where it owns the input, of the input."""
    found = _of_all_rails(about.params, about.condition.load_fraction, about.condition.probe)
    return {key: value for key, value in found.items() if key[1] in _subjects(about)}


@functools.lru_cache(maxsize=CACHED)
def _of_all_rails(params: stage.Params, load_fraction: float, probe: str) -> Mapping[tuple[str, str], Expectation]:
    """Hand calculation of all rails of a bench, which reads no more of a condition: bucks of one input share it."""
    return hand.expect(params, Condition(0.0, 0.0, 0.0, 0.0, supply="dc", load_fraction=load_fraction, probe=probe))


def _subjects(about: Situation) -> set[str]:
    rail = about.params.rails[about.owner]
    parts = [rail.high, rail.low, rail.diode, rail.choke, *rail.outputs]
    if about.owner == 0:
        parts += about.params.inputs
    return {rail.name, *(["input"] if about.owner == 0 else []), *(part.designator for part in parts if part)}
