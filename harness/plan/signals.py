"""Names an instance's waveforms go by, and labels of the conditions it is asked under: what a capture may refer to."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from harness.plan import output_network
from harness.plan.plan import PLANS, Plan, kind_of, simulated_instances, structures
from harness.plan.study import Question
from netlists.errors import OptionError, nearest
from netlists.point import Point
from netlists.probe import Probe
from netlists.quantity import shown
from netlists.record import SupplyRecord
from netlists.stages import boost_pfc, buck, flyback, llc, rectifier_bulk, two_switch_forward
from netlists.stages.output_network import KIND as NETWORK

PROBES: Mapping[str, Callable[[Any], Sequence[Probe]]] = {
    "rectifier_bulk": lambda about: rectifier_bulk.probes(about.params),
    "boost_pfc": lambda about: boost_pfc.probes(about.params),
    "buck": lambda about: buck.probes(about.params, about.condition),
    "llc": lambda about: llc.probes(about.params),
    "flyback": lambda about: flyback.probes(about.params),
    "two_switch_forward": lambda about: two_switch_forward.probes(about.params),
}


def check_instance(record: SupplyRecord, instance: str) -> None:
    """OptionError where an instance has no model."""
    known = simulated_instances(record)
    if instance not in known:
        raise OptionError(f"--instance: {shown(instance)} is not simulated; {nearest(instance, known)}")


def questions_of(record: SupplyRecord, instance: str) -> list[Question]:
    """What a check asks of an instance, claims and measurements included."""
    return Plan(record, []).questions(instance)


def signals_of(record: SupplyRecord, instance: str) -> dict[str, Probe]:
    """Signal -> probe of an instance in any of its structures; a network's are those of the converter it hangs on."""
    kind, owner = kind_of(record, instance), instance
    if kind == NETWORK:
        owner, _ = output_network.converter_of(record, instance)
        kind = kind_of(record, owner)
    question = PLANS[kind].questions(record, owner)[0]
    found: dict[str, Probe] = {}
    for structure in structures(record, owner):
        about, _ = PLANS[kind].situation(record, owner, Point({}, structure), question)
        found |= {probe.name: probe for probe in PROBES[kind](about)}
    return found
