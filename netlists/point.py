"""Chosen values for a record's quantities (Point), what is not a part (Condition), and the log of what was read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from netlists.errors import OptionError, RecordError, nearest
from netlists.formulas import INFERENCES
from netlists.quantity import Quantity, QuantityError, shown
from netlists.record import SupplyRecord
from netlists.record_inference import deviation_path


@dataclass(frozen=True, slots=True)
class Point:
    """Record paths -> chosen SI values, and structure paths -> chosen alternatives. Nothing chosen means nominal."""

    values: Mapping[str, float] = field(default_factory=dict)
    structure: Mapping[str, str] = field(default_factory=dict)

    def with_values(self, values: Mapping[str, float]) -> Point:
        """The same point with some values chosen anew."""
        return Point({**self.values, **values}, self.structure)


@dataclass(frozen=True, slots=True)
class Condition:
    """What a supply is put through that is not one of its parts.

    Parameters
    ----------
    line_voltage : RMS of the mains, or the direct voltage of a dc supply [V]
    line_frequency : [Hz]; 0 for a dc supply
    output_power : total power at the outputs [W]
    ambient : air around the supply [degC]
    supply : ``mains`` or ``dc``
    switch_on_angle : of the line's sine at the instant it is applied [deg]
    load_fraction : output power over the label's, for display
    airflow : over the supply [m/s]; read by no stage yet
    thermistor_start : thermistor temperature when the line is applied [degC]; None: ambient
    probe : what output ripple is read through: ``none``, or ``desktop guide``
    line_angle : instant of the line's sine a corrector is looked at [deg]; None: its crest
    """

    line_voltage: float
    line_frequency: float
    output_power: float
    ambient: float
    supply: Literal["mains", "dc"] = "mains"
    switch_on_angle: float = 0.0
    load_fraction: float = 1.0
    airflow: float = 0.0
    thermistor_start: float | None = None
    probe: str = "none"
    line_angle: float | None = None


class Reader:
    """Gives the values of a record at a point and remembers which leaf values it gave.

    An inferred value is computed from its sources at this point, so correlated values move together, and what counts
    as read are the sources.
    """

    def __init__(self, record: SupplyRecord, point: Point) -> None:
        for path in point.values:
            if path not in record.quantities:
                raise OptionError(f"no value at {shown(path)}; {nearest(path, record.quantities)}")
        for path in point.structure:
            known = [
                f"stages.{name}.{field}"
                for name, stage in record.data.stages.items()
                for field in stage.structure_names()
            ]
            if path not in known:
                raise OptionError(f"no structure at {shown(path)}; {nearest(path, known)}")
        self.record = record
        self.point = point
        self._inferred: dict[str, float] = {}
        self.reads: set[str] = set()

    def value(self, path: str) -> float:
        """SI value at a path.

        Raises
        ------
        RecordError : nothing recorded there, or the chosen value breaks the field's bounds
        """
        if path not in self.record.quantities:
            raise RecordError([self.record.finding(path, "missing; it must be given")])
        quantity = self.record.quantities[path]
        if path not in self.point.values:
            if quantity.is_computed:
                if path not in self._inferred:
                    self._inferred[path] = self._infer(path, quantity)
                return self._inferred[path]
            self.reads.add(path)
            return quantity.nominal
        self.reads.add(path)
        chosen = self.point.values[path]
        try:
            self.record.specs[path].check_bounds(quantity.with_values(chosen, chosen, chosen))
        except QuantityError as error:
            raise RecordError([self.record.finding(path, f"chosen value {error}")]) from error
        return chosen

    def _infer(self, path: str, quantity: Quantity) -> float:
        arguments = {name: self.value(source) for name, source in quantity.of.items()}
        try:
            value = INFERENCES[quantity.formula].function(**arguments)
            if deviation_path(path) in self.record.quantities:
                value *= 1 + self.value(deviation_path(path))
            self.record.specs[path].check_bounds(quantity.with_values(value, value, value))
        except (ArithmeticError, QuantityError) as error:
            message = f"{quantity.formula} gives no usable value at this point: {error}"
            raise RecordError([self.record.finding(path, message)]) from error
        return value

    def structure(self, instance: str, name: str) -> str:
        """The alternative chosen for a structure field of an instance; the first stated one where none is chosen."""
        path = f"stages.{instance}.{name}"
        choices = self.record.instance(instance).choices(name)
        chosen = self.point.structure.get(path, choices[0])
        if chosen not in choices:
            raise OptionError(f"{path}: {shown(chosen)} is not stated in the record; {nearest(chosen, choices)}")
        self.reads.add(path)
        return chosen
