"""The converter behind a rectifier, whose lowest bus ends the hold-up."""

from __future__ import annotations

from typing import Protocol

from harness.handcalc import llc_search
from harness.handcalc.expectation import Expectation
from harness.plan import flyback, llc, two_switch_forward
from harness.plan.study import LOWEST_INPUT, Question
from harness.plan.switching_studies import Situation
from netlists.errors import RecordError
from netlists.instances import Isolated
from netlists.point import Point
from netlists.record import SupplyRecord

STATED = ("measured", "marked")  # an end voltage known so is taken as it is


def forget() -> None:
    """Lets converters' hand calculations begin anew, so that none hangs on which others this process made before."""
    llc_search.forget()


class ConverterPlan(Protocol):
    """What is asked of the plan of a converter with a transformer."""

    def situation(
        self, record: SupplyRecord, instance: str, point: Point, question: Question
    ) -> tuple[Situation, set[str]]: ...

    def expect(self, study: str, about: Situation) -> dict[tuple[str, str], Expectation]: ...


CONVERTERS: dict[str, ConverterPlan] = {"llc": llc, "flyback": flyback, "two_switch_forward": two_switch_forward}


def converter_behind(record: SupplyRecord, rectifier: str) -> str | None:
    """The modelled converter that takes most power from a rectifier's bulk, directly or through its corrector."""
    found: dict[str, float] = {}
    for name, stage in record.data.stages.items():
        kind = getattr(stage, "kind", "")
        if not isinstance(stage, Isolated) or kind not in CONVERTERS or not stage.is_modelled():
            continue
        feeding = stage.fed_by
        if feeding is not None and getattr(record.data.stages[feeding], "kind", "") == "boost_pfc":
            feeding = record.data.stages[feeding].fed_by
        if feeding == rectifier and stage.rail is not None:
            rail = record.data.nameplate.rails[stage.rail]
            assert rail.voltage is not None  # checked when the record was read
            assert rail.current is not None
            found[name] = rail.voltage.nominal * rail.current.nominal
    return max(found, key=lambda name: found[name], default=None)


def end_is_simulated(record: SupplyRecord, rectifier: str) -> str | None:
    """The converter whose lowest bus ends the hold-up; None where there is none, or where the end was measured."""
    path = f"stages.{rectifier}.holdup_end_voltage"
    if path in record.quantities and record.quantities[path].known in STATED:
        return None
    return converter_behind(record, rectifier)


def lowest_input(
    record: SupplyRecord, converter: str, point: Point, load_fraction: float
) -> tuple[Situation, set[str], float]:
    """The converter at the lowest bus it regulates at: its situation, what it rests on, the bus by hand [V].

    Raises
    ------
    RecordError : by hand it regulates at no bus
    """
    kind = getattr(record.instance(converter), "kind", "")
    path = f"stages.{converter}.input_voltage"
    question = Question(
        study=LOWEST_INPUT, label="hold-up", band="", line_voltage=record.quantities[path].nominal, line_frequency=0.0,
        output_power=0.0, load_fraction=load_fraction, metrics=("lowest_input_voltage",), supply="dc", input_path=path,
    )  # fmt: skip
    about, reads = CONVERTERS[kind].situation(record, converter, point, question)
    try:
        expected = CONVERTERS[kind].expect(LOWEST_INPUT, about)
    except ArithmeticError as error:
        message = f"hold-up ends at the lowest bus it regulates at, and by hand there is none: {error}"
        raise RecordError([record.finding(f"stages.{converter}", message)]) from error
    lowest = next(one.value for (metric, _), one in expected.items() if metric == "lowest_input_voltage")
    return about, reads, lowest
