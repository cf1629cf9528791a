"""What is asked of every converter with a transformer: nine operating points, and the lowest bus it regulates at."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from harness.plan.study import LOWEST_INPUT as LOWEST_INPUT
from harness.plan.study import Question
from harness.plan.switching_studies import Situation
from netlists.point import Condition, Point, Reader
from netlists.record import SupplyRecord
from netlists.stages.outputs import Output

LOADS = ((1.0, "full load"), (0.5, "half load"), (0.1, "light load"))
INPUTS = (
    ("input_voltage_low", "low input"), ("input_voltage", "nominal input"), ("input_voltage_high", "high input"),
)  # fmt: skip
PROBED = "output_ripple_probe"

ParamsFrom = Callable[[SupplyRecord, str, Point], tuple[Any, frozenset[str]]]


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
    full = next(one for one in asked if one.label == "nominal input, full load")
    asked.append(full.changed(label=f"{full.label}, guide's probe", metrics=(PROBED,), probe="desktop guide"))
    asked.append(full.changed(study=LOWEST_INPUT, label="lowest input, full load", metrics=("lowest_input_voltage",)))
    return asked


def situation(
    kind: str, params_from: ParamsFrom, record: SupplyRecord, instance: str, point: Point, question: Question
) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, its bus read at the same point, and the leaf paths it rests on."""
    point = point.with_values(dict(question.fixed))
    params, reads = params_from(record, instance, point)
    reader = Reader(record, point)
    voltage = reader.value(question.input_path) if question.input_path else question.line_voltage
    ambient, _ = question.ambient_at(record, point)  # of no effect on a switching stage yet
    condition = Condition(
        voltage, 0.0, question.output_power, ambient, supply="dc", load_fraction=question.load_fraction,
        probe=question.probe,
    )  # fmt: skip
    provenance = (("record", record.name), ("instance", instance))
    about = Situation(kind, params, condition, 0, provenance, f"{instance} {question.study} {question.label}")
    return about, (set(reads) | reader.reads) - {path for path, _ in question.fixed}
