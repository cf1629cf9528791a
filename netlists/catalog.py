"""Which stages can be simulated: kind -> module, an explicit dict."""

from __future__ import annotations

from typing import Any, Protocol

from netlists.point import Point
from netlists.record import SupplyRecord
from netlists.stages import boost_pfc, buck, flyback, llc, output_network, rectifier_bulk, two_switch_forward


class StageModule(Protocol):
    """What every module of ``netlists.stages`` that is a stage offers; its own Params stands for Any here.

    Its circuit, probes and, where it switches, its gates and states take what the kind of stage needs.
    """

    KIND: str

    def params_from(self, record: SupplyRecord, instance: str, point: Point) -> tuple[Any, frozenset[str]]: ...


STAGES: dict[str, StageModule] = {
    module.KIND: module
    for module in (rectifier_bulk, boost_pfc, buck, llc, output_network, two_switch_forward, flyback)
}
