"""Which stages can be simulated: kind -> module, an explicit dict."""

from __future__ import annotations

from typing import Any, Protocol

from PySpice.Spice.Netlist import Circuit

from netlists.point import Condition, Point
from netlists.probe import Probe
from netlists.record import SupplyRecord
from netlists.stages import rectifier_bulk


class StageModule(Protocol):
    """What every module of ``netlists.stages`` offers; its own Params and Scenario stand for Any here."""

    KIND: str
    SLOW_STATES: tuple[str, ...]

    def params_from(self, record: SupplyRecord, instance: str, point: Point) -> tuple[Any, frozenset[str]]: ...

    def probes(self, params: Any, *, regulating: bool = False) -> tuple[Probe, ...]: ...

    def bench(self, params: Any, condition: Condition, scenario: Any) -> Circuit: ...


STAGES: dict[str, StageModule] = {rectifier_bulk.KIND: rectifier_bulk}
