"""One point of a sweep put into what plans understand: a record, chosen values, and a question at a condition."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from harness.plan.study import Question
from harness.plan.sweep import AGEING, Ageing, Labels, Scale
from netlists.errors import OptionError
from netlists.point import Point, Reader
from netlists.record import SupplyRecord
from netlists.record_counts import with_counts

AGED_KIND = "electrolytic_capacitor"
AGED_FIELDS = ("capacitance", "esr")
VARIANTS = 256  # records with other counts that are kept


@dataclass(frozen=True, slots=True)
class Asked:
    """One point: the record it is asked of, the chosen values, and what changes of every question."""

    record: SupplyRecord
    point: Point
    conditions: Mapping[str, float]

    def question(self, base: Question) -> Question:
        """A question at this point's condition; the load is a share of the question's own."""
        changes: dict[str, Any] = {}
        rated = base.output_power / base.load_fraction
        for name, value in self.conditions.items():
            if name == "line":
                changes["line_voltage"] = value
            elif name == "frequency":
                changes["line_frequency"] = value
            elif name == "power":
                changes |= {"output_power": value, "load_fraction": value / rated}
            elif name == "load":
                changes |= {"output_power": rated * value, "load_fraction": value}
            else:
                changes[name] = value
        return base.changed(**changes)


class Placer:
    """Makes points of a record from labels.

    Raises
    ------
    OptionError : load and power are both axes; ageing is an axis and not declared, or the other way round
    """

    def __init__(self, record: SupplyRecord, scales: Sequence[Scale], ageing: Ageing | None) -> None:
        self._record = record
        self._scales = scales
        self._ageing = ageing
        paths = [scale.path for scale in scales]
        if double := {path for path in paths if paths.count(path) > 1}:
            raise OptionError(f"axis {min(double)}: stands twice")
        if {"condition.load", "condition.power"} <= set(paths):
            raise OptionError("axis condition.power: condition.load says the same in another way; keep one of the two")
        if (AGEING in paths) != (ageing is not None):
            raise OptionError(
                "ageing: an axis ageing (0 new, 1 end of life) and the factors at the end of life go together"
            )
        if ageing is not None and not (ageing.capacitance > 0 and ageing.esr > 0):
            raise OptionError("ageing: factors must be > 0")
        self._variant = lru_cache(maxsize=VARIANTS)(self._counted)

    def __call__(self, labels: Labels) -> Asked:
        """The point of some labels.

        Raises
        ------
        RecordError, OptionError : the record refuses the values
        """
        counts = {s.path: int(labels[s.path]) for s in self._scales if s.kind == "count"}
        record = self._variant(tuple(counts.items()))
        structure = {s.path: str(labels[s.path]) for s in self._scales if s.kind == "structure"}
        values = {s.path: float(labels[s.path]) for s in self._scales if s.kind == "value" and not s.is_factor}
        plain = Point(values, structure)
        for scale in self._scales:
            if scale.is_factor:
                values[scale.path] = float(labels[scale.path]) * Reader(record, plain).value(scale.path)
        point = Point(values, structure)
        if self._ageing is not None:
            point = point.with_values(self._aged(record, point, float(labels[AGEING])))
        conditions = {
            s.path.removeprefix("condition."): float(labels[s.path]) for s in self._scales if s.kind == "condition"
        }
        return Asked(record, point, conditions)

    def _counted(self, counts: tuple[tuple[str, int], ...]) -> SupplyRecord:
        return with_counts(self._record, dict(counts)) if counts else self._record

    def _aged(self, record: SupplyRecord, point: Point, share: float) -> dict[str, float]:
        """Capacitance and ESR of every electrolytic, a share of the way from new to the end of life."""
        ends = {"capacitance": self._ageing.capacitance, "esr": self._ageing.esr} if self._ageing else {}
        fresh = Reader(record, point)  # an ESR inferred from the capacitance is aged from what it is as new
        return {
            path: fresh.value(path) * (1 + share * (ends[path.rsplit(".", 1)[1]] - 1))
            for path in aged_paths(record)
        }  # fmt: skip


def aged_paths(record: SupplyRecord) -> list[str]:
    """What ageing changes."""
    return [
        path
        for name, stage in record.data.stages.items()
        for designator, part in stage.parts.items()
        if getattr(part, "kind", "") == AGED_KIND
        for path in (f"stages.{name}.parts.{designator}.{field}" for field in AGED_FIELDS)
        if path in record.quantities
    ]
