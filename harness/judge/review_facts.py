"""What review reads out of a record before it judges: parts with their roles, the line, powers and rails.

Estimates by hand on nominal values, good to some tens of percent: what they are held against is wider.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from netlists.fields import Part
from netlists.instances import BoostPfc, Buck, Isolated, RectifierBulk, StageInstance
from netlists.quantity import Quantity, QuantityError, read_value
from netlists.record_model import InputBand, SupplyRecord

EFFICIENCY = 0.87  # of a whole supply where nothing is said; common practice, no source
POWER_FACTOR = {True: 0.98, False: 0.6}  # with a corrector, and with a capacitor behind the bridge; as above


@dataclass(frozen=True)
class Held:
    """A part in its stage, or where another stage refers to it.

    Parameters
    ----------
    path : of the part;  stage : name of the instance that owns it
    roles : in its own stage, and in those that refer to it
    """

    path: str
    designator: str
    stage: str
    part: Part
    roles: tuple[str, ...]
    quantities: dict[str, Quantity]

    @property
    def kind(self) -> str:
        return str(getattr(self.part, "kind", ""))

    @property
    def role(self) -> str:
        return self.part.role

    @property
    def safety_class(self) -> str:
        """X or Y class of a mains capacitor, empty where none is printed."""
        return str(getattr(self.part, "safety_class", ""))

    def value(self, field: str) -> float | None:
        """Nominal value of a field; None: not read."""
        quantity = self.quantities.get(field)
        return None if quantity is None else quantity.nominal

    def at(self, field: str) -> str:
        """Path of a field."""
        return f"{self.path}.{field}"


@dataclass(frozen=True)
class Promise:
    """A number that a label claims or somebody measured; ``field`` : where it stands in the table at ``path``."""

    path: str
    metric: str
    field: str
    text: str | float | int | None
    line_voltage: Quantity | None

    def value(self, unit: str) -> float | None:
        """The number in SI; None where check refuses it."""
        try:
            return None if self.text is None else read_value(self.text, unit)
        except QuantityError:
            return None


class Facts:
    """A record with what is read out of it, worked out once."""

    def __init__(self, record: SupplyRecord) -> None:
        self.record = record

    def value(self, path: str) -> float | None:
        """Nominal value at a path; None: not read."""
        quantity = self.record.quantities.get(path)
        return None if quantity is None else quantity.nominal

    def short(self, path: str) -> str:
        """``stages.mains.parts.C1.esr`` as C1.esr; all else without its first word."""
        words = path.split(".")
        if len(words) >= 4 and words[2] == "parts":
            return ".".join(words[3:])
        return ".".join(words[1:]) if len(words) > 1 else path

    @cached_property
    def parts(self) -> tuple[Held, ...]:
        """Every part of the record."""
        stages = self.record.data.stages
        referred: dict[str, list[str]] = {}
        for stage in stages.values():
            for role, path in stage.refers.items():
                referred.setdefault(path, []).append(role)
        by_part: dict[str, dict[str, Quantity]] = {}
        for path, quantity in self.record.quantities.items():
            words = path.split(".")
            if len(words) == 5 and words[2] == "parts":
                by_part.setdefault(path.rsplit(".", 1)[0], {})[words[4]] = quantity
        found = []
        for name, stage in stages.items():
            for designator, part in stage.parts.items():
                path = f"stages.{name}.parts.{designator}"
                roles = tuple(filter(None, (part.role, *referred.get(path, ()))))
                found.append(Held(path, designator, name, part, roles, by_part.get(path, {})))
        return tuple(found)

    def of_kind(self, *kinds: str) -> Iterator[Held]:
        """Parts of some kinds."""
        return (held for held in self.parts if held.kind in kinds)

    def in_stage(self, stage: str, *roles: str) -> list[Held]:
        """Parts of a stage in some roles, owned or referred to; all it owns where no role is named."""
        if not roles:
            return [held for held in self.parts if held.stage == stage]
        paths = [path for role in roles for _, path, _ in self.record.parts_in_role(stage, role)]
        return [held for held in self.parts if held.path in paths]

    def in_role(self, *roles: str) -> Iterator[Held]:
        """Parts that hold one of some roles, in whatever stage."""
        return (held for held in self.parts if set(roles) & set(held.roles))

    # --- the label and the line

    @cached_property
    def promises(self) -> tuple[Promise, ...]:
        """Claims and measurements."""
        data, found = self.record.data, []
        for name, claim in data.claims.items():
            field, text = ("at_most", claim.at_most) if claim.at_least is None else ("at_least", claim.at_least)
            found.append(Promise(f"claims.{name}", claim.metric, field, text, claim.line_voltage))
        for name, one in data.measurements.items():
            found.append(Promise(f"measurements.{name}", one.metric, "value", one.value, one.line_voltage))
        return tuple(found)

    @property
    def bands(self) -> dict[str, InputBand]:
        return self.record.data.nameplate.input_bands

    @cached_property
    def is_mains(self) -> bool:
        return any(band.supply == "mains" for band in self.bands.values())

    @cached_property
    def is_corrected(self) -> bool:
        """Whether a boost corrector stands behind the bridge."""
        stages = self.record.data.stages.values()
        return any(
            isinstance(one, BoostPfc) or (isinstance(one, RectifierBulk) and "boosted" in one.choices("feed"))
            for one in stages
        )

    @cached_property
    def power(self) -> float:
        """Largest output power of the label [W]."""
        return max(band.output_power.nominal for band in self.bands.values())

    @cached_property
    def label_high(self) -> float:
        """Highest voltage of the label, without its tolerance [V]."""
        return max(band.voltage_high.nominal for band in self.bands.values())

    @cached_property
    def line_high(self) -> float:
        """Highest line, tolerance included [V]."""
        return max(one.voltage_high.nominal * (1 + _tolerance(one)) for one in self.bands.values())

    @cached_property
    def line_low(self) -> float:
        """Lowest line, tolerance included [V]."""
        return min(one.voltage_low.nominal * (1 - _tolerance(one)) for one in self.bands.values())

    @cached_property
    def line_current(self) -> float:
        """Largest RMS current of the line, by the powers of the label [A]."""
        factor = EFFICIENCY * POWER_FACTOR[self.is_corrected]
        return max(one.output_power.nominal / (factor * one.voltage_low.nominal * (1 - _tolerance(one)))
                   for one in self.bands.values())  # fmt: skip

    @cached_property
    def crest(self) -> float:
        """Crest of the highest line; of a direct supply its voltage [V]."""
        return self.line_high * (math.sqrt(2) if self.is_mains else 1.0)

    @cached_property
    def low_crest(self) -> float:
        return self.line_low * (math.sqrt(2) if self.is_mains else 1.0)

    @cached_property
    def bus(self) -> float:
        """Highest voltage across the bulk: the set-point of a corrector, or the crest [V]."""
        points = [self.record.quantities.get(f"stages.{name}.bus_setpoint") for name in self.record.data.stages]
        return max([self.crest, *(one.high for one in points if one is not None)])

    @cached_property
    def bus_path(self) -> str:
        """Where the bus's voltage stands: the set-point, or the label's highest voltage."""
        for name in self.record.data.stages:
            if f"stages.{name}.bus_setpoint" in self.record.quantities:
                return f"stages.{name}.bus_setpoint"
        return self.high_band

    @cached_property
    def high_band(self) -> str:
        """Path of the label's highest voltage."""
        name = max(self.bands, key=lambda one: self.bands[one].voltage_high.nominal)
        return f"nameplate.input_bands.{name}.voltage_high"

    @cached_property
    def power_path(self) -> str:
        """Path of the label's largest output power."""
        name = max(self.bands, key=lambda one: self.bands[one].output_power.nominal)
        return f"nameplate.input_bands.{name}.output_power"

    # --- rails and who makes them

    def rail(self, name: str | None) -> tuple[float, float] | None:
        """Voltage and current of a rail; None where it is not on the label, or not in full."""
        rail = self.record.data.nameplate.rails.get(name or "")
        if rail is None or rail.voltage is None or rail.current is None:
            return None
        return rail.voltage.nominal, rail.current.nominal

    def output(self, name: str, stage: StageInstance) -> tuple[float, float] | None:
        """Voltage and current a converter delivers at full load."""
        if not isinstance(stage, Buck | Isolated):
            return None
        found = self.rail(stage.rail)
        own = self.value(f"stages.{name}.output_current")
        return found if found is None or own is None else (found[0], own)

    @cached_property
    def made_rails(self) -> dict[str, str]:
        """Rail -> instance that makes it, further windings included."""
        found: dict[str, str] = {}
        for name, stage in self.record.data.stages.items():
            if isinstance(stage, Buck | Isolated) and stage.rail:
                found.setdefault(stage.rail, name)
            for part in stage.parts.values():
                if part.output:
                    found.setdefault(part.output, name)
        return found

    def input_of(self, name: str) -> tuple[str, float] | None:
        """Path and nominal value of the direct voltage a converter works from; of a shared input its owner's."""
        stage = self.record.data.stages[name]
        owner = stage.shares_input_with if isinstance(stage, Buck) and stage.shares_input_with else name
        path = f"stages.{owner}.input_voltage"
        value = self.value(path)
        return None if value is None else (path, value)


def _tolerance(band: InputBand) -> float:
    return band.voltage_tolerance.nominal if band.voltage_tolerance is not None else 0.0
