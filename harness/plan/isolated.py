"""What is asked of every converter with a transformer: nine operating points, and the lowest bus it regulates at."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

from harness.plan import switching_studies
from harness.plan.study import LOWEST_INPUT as LOWEST_INPUT
from harness.plan.study import MetricRule, Question
from harness.plan.switching_studies import Situation
from netlists.point import Condition, Point, Reader
from netlists.record import SupplyRecord
from netlists.stages.outputs import Output

EDGE_SHIFT = 100e-9  # of the turn-off: what a controller's sensing may be off by; common practice, no source [s]
LOADS = ((1.0, "full load"), (0.5, "half load"), (0.1, "light load"))
INPUTS = (
    ("input_voltage_low", "low input"), ("input_voltage", "nominal input"), ("input_voltage_high", "high input"),
)  # fmt: skip
PROBED = "output_ripple_probe"

PLACES = (
    "switch_voltage_plateau", "switch_voltage_peak", "diode_voltage_plateau", "diode_voltage_peak",
    "switch_current_peak", "switch_current_average", "switch_current_rms",
    "diode_current_peak", "diode_current_average", "diode_current_rms",
)  # fmt: skip
CHOKE = ("choke_current_peak", "choke_current_rms", "choke_ripple", "saturation_current_needed")
OUTPUT = ("output_ripple", PROBED, "capacitor_current_rms", "input_ripple_current")

# What only converters with a transformer have; each names those of its own.
RULES: dict[str, MetricRule] = {
    "primary_current_peak": MetricRule("steady", "high", "A", "through the transformer's primary"),
    "primary_current_rms": MetricRule("steady", "high", "A", "through the transformer's primary"),
    "magnetising_current_peak": MetricRule("steady", "high", "A", "what the core's flux takes"),
    "flux_linkage_swing": MetricRule("steady", "high", "V s", "peak to peak, of the primary"),
    "resonant_capacitor_voltage_peak": MetricRule("steady", "high", "V", "across one of those in series"),
    "soft_switching_margin": MetricRule("steady", "low", "1", "charge brought in the dead time over the charge needed"),
    "body_diode_time": MetricRule("steady", "high", "s", "a period, of a synchronous rectifier outside its on-time"),
    "body_diode_loss": MetricRule("steady", "high", "W", "of one piece in that time"),
    "reverse_current_share": MetricRule("steady", "high", "1", "of synchronous rectifiers, over the rail's current"),
    "conduction_intervals": MetricRule("steady", "high", "1", "a period, of a synchronous rectifier; 1 but for rings"),
    "rectifier_branches": MetricRule(
        "steady", "high", "1", "operations found in which edges and currents fit; 2: unsure"
    ),
    "reset_margin": MetricRule("steady", "low", "1", "of the period, from the core's reset to the next turn-on"),
    "clamp_voltage": MetricRule("steady", "high", "V", "mean across the clamp's capacitor"),
    "clamp_dissipation": MetricRule("steady", "high", "W", "one piece of the clamp's resistor"),
    "output_voltage": MetricRule("steady", "high", "V", "mean of a rail that follows the regulated one"),
    "lowest_input_voltage": MetricRule(LOWEST_INPUT, "high", "V", "at which the output is still regulated"),
}

ParamsFrom = Callable[[SupplyRecord, str, Point], tuple[Any, frozenset[str]]]


def metrics_of(names: Collection[str]) -> dict[str, MetricRule]:
    """The rules of some metrics, in the order they are shown in."""
    every = {**switching_studies.RULES, **RULES}
    assert set(names) <= set(every)
    return {name: rule for name, rule in every.items() if name in names}


def questions(record: SupplyRecord, instance: str, metrics: Sequence[str], output: Output) -> list[Question]:
    """All metrics at low, nominal and high input, each at full, half and light load; the guide's probe; the lowest bus.

    Parameters
    ----------
    metrics : every steady-state metric of the kind of stage
    output : the one that is regulated, at nominal values
    """
    asked = []
    power = output.voltage * output.load_current
    for field, input_label in INPUTS:
        path = f"stages.{instance}.{field}"
        for fraction, load_label in LOADS:
            asked.append(
                Question(
                    study="steady",
                    label=f"{input_label}, {load_label}",
                    band="",
                    line_voltage=record.quantities[path].nominal,
                    line_frequency=0.0,
                    output_power=power * fraction,
                    load_fraction=fraction,
                    metrics=tuple(name for name in metrics if name not in (PROBED, "lowest_input_voltage")),
                    supply="dc",
                    input_path=path,
                )
            )
    full = full_of(asked)
    asked.append(full.changed(label=f"{full.label}, guide's probe", metrics=(PROBED,), probe="desktop guide"))
    asked.append(full.changed(study=LOWEST_INPUT, label="lowest input, full load", metrics=("lowest_input_voltage",)))
    return asked


def full_of(asked: Sequence[Question]) -> Question:
    """Full load at nominal input."""
    return next(one for one in asked if one.label == "nominal input, full load")


def mistimed(instance: str, one: Question, lead: float, metrics: tuple[str, ...]) -> list[Question]:
    """A question again with synchronous rectifiers that turn off earlier and later than recorded.

    ``lead`` : as recorded [s]
    """
    return [
        one.changed(
            label=f"{one.label}, rectifiers off {EDGE_SHIFT * 1e9:.0f} ns {word}",
            metrics=metrics,
            fixed=((f"stages.{instance}.rectifier_lead", lead + sign * EDGE_SHIFT),),
        )
        for sign, word in ((1, "earlier"), (-1, "later"))
    ]


def situation(
    kind: str, params_from: ParamsFrom, record: SupplyRecord, instance: str, point: Point, question: Question
) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, its bus read at the same point, and the leaf paths it rests on.

    A claim or a measurement states the line's voltage, which is not the bus: it is put at nominal input.
    """
    point = point.with_values(dict(question.fixed))
    params, reads = params_from(record, instance, point)
    reader = Reader(record, point)
    voltage = reader.value(question.input_path or f"stages.{instance}.input_voltage")
    ambient, _ = question.ambient_at(record, point)  # of no effect on a switching stage yet
    condition = Condition(
        voltage, 0.0, question.output_power, ambient, supply="dc", load_fraction=question.load_fraction,
        probe=question.probe,
    )  # fmt: skip
    provenance = (("record", record.name), ("instance", instance))
    about = Situation(kind, params, condition, 0, provenance, f"{instance} {question.study} {question.label}")
    return about, (set(reads) | reader.reads) - {path for path, _ in question.fixed}
