"""Parts of a record as parameters of a switching stage: values of one piece, pieces counted per phase."""

from __future__ import annotations

from netlists.fields import Part
from netlists.point import Reader
from netlists.record import SupplyRecord
from netlists.stages.banks import Bank
from netlists.stages.switching import BODY_DIODE_VOLTAGE, Choke, Diode, Snubber, Strays, Switch
from netlists.stages.transformer import Transformer, Winding


class Parts:
    """Reads the parts of one instance; remembers through its reader what it read.

    ``rails`` : texts of ``output`` that count, where only the parts of one rail are wanted; a part with none is the
    instance's own rail's;  ``branch`` : of an output network
    """

    def __init__(
        self,
        record: SupplyRecord,
        instance: str,
        reader: Reader,
        phases: int,
        branch: str | None = None,
        rails: tuple[str, ...] | None = None,
    ) -> None:
        self._rails = rails
        self._record = record
        self._instance = instance
        self._reader = reader
        self._phases = phases
        self._branch = branch

    def in_role(self, role: str) -> list[tuple[str, str, Part]]:
        """Designator, path and part of every part that holds a role, of one branch or rail where one was named."""
        found = self._record.parts_in_role(self._instance, role)
        if self._rails is not None:
            found = [one for one in found if one[2].output in self._rails]
        return [one for one in found if self._branch in (None, one[2].branch)]

    def stage_value(self, field: str) -> float:
        """A value of the instance itself."""
        return self._reader.value(f"stages.{self._instance}.{field}")

    def optional_value(self, field: str) -> float | None:
        """A value of the instance that need not be recorded."""
        return self._optional(f"stages.{self._instance}.{field}")

    def _optional(self, path: str) -> float | None:
        return self._reader.value(path) if path in self._record.quantities else None

    def _of_kind(self, role: str, kind: str) -> list[tuple[str, str, Part]]:
        return [found for found in self.in_role(role) if getattr(found[2], "kind", "") == kind]

    def total(self, role: str, field: str, *, adds_in_series: bool) -> tuple[str, float] | None:
        """Designator and value of a role's pieces together: resistances add in series, capacitances in parallel."""
        for designator, path, part in self.in_role(role):
            times = part.series / part.parallel if adds_in_series else part.parallel / part.series
            return designator, self._reader.value(f"{path}.{field}") * times
        return None

    def switch(self, role: str) -> Switch | None:
        """The MOSFETs of a role, those of one phase."""
        for designator, path, part in self._of_kind(role, "mosfet"):
            drop = self._optional(f"{path}.body_diode_voltage")
            return Switch(
                designator, self._reader.value(f"{path}.on_resistance"),
                self._reader.value(f"{path}.output_capacitance"), BODY_DIODE_VOLTAGE if drop is None else drop,
                part.parallel // self._phases,
            )  # fmt: skip
        return None

    def diode(self, role: str) -> Diode | None:
        """The diodes of a role, those of one phase."""
        for designator, path, part in self._of_kind(role, "diode"):
            forward, current, slope, capacitance = (
                self._reader.value(f"{path}.{field}")
                for field in ("forward_voltage", "forward_test_current", "slope_resistance", "junction_capacitance")
            )
            return Diode(designator, forward, current, slope, capacitance, part.parallel // self._phases)
        return None

    def choke(self, role: str) -> Choke | None:
        """The choke of a role; its saturation only where both of its values are recorded."""
        for designator, path, _ in self.in_role(role):
            saturation = [f"{path}.saturation_current", f"{path}.saturated_inductance"]
            is_known = all(one in self._record.quantities for one in saturation)
            return Choke(
                designator, self._reader.value(f"{path}.inductance"), self._reader.value(f"{path}.winding_resistance"),
                *(self._reader.value(one) for one in saturation if is_known),
            )  # fmt: skip
        return None

    def banks(self, role: str) -> tuple[Bank, ...]:
        """Every capacitor of a role."""
        return tuple(
            Bank(
                designator, self._reader.value(f"{path}.capacitance"), self._reader.value(f"{path}.esr"),
                part.parallel, part.series, self._optional(f"{path}.esl"),
            )
            for designator, path, part in self.in_role(role)
        )  # fmt: skip

    def transformers(self, role: str) -> tuple[Transformer, ...]:
        """Every transformer of a role, each with the secondary it is recorded with."""
        return tuple(
            Transformer(
                designator,
                (Winding(self._reader.value(f"{path}.ratio"), self._reader.value(f"{path}.secondary_resistance")),),
                *(self._reader.value(f"{path}.{field}")
                  for field in ("primary_inductance", "leakage_inductance", "primary_resistance")),
            )
            for designator, path, _ in self.in_role(role)
        )  # fmt: skip

    def windings(self, role: str) -> tuple[Winding, ...]:
        """Every further winding of a role."""
        return tuple(
            Winding(self._reader.value(f"{path}.ratio"), self._reader.value(f"{path}.resistance"))
            for _, path, _ in self.in_role(role)
        )

    def snubber(self) -> Snubber | None:
        """The snubber of one phase; equal pieces of all phases are recorded together."""
        resistors = self.in_role("snubber_resistor")
        capacitors = self.in_role("snubber_capacitor")
        if not resistors or not capacitors:
            return None
        (_, resistor, r_part), (_, capacitor, c_part) = resistors[0], capacitors[0]
        return Snubber(
            self._reader.value(f"{resistor}.resistance") * self._phases / r_part.parallel,
            self._reader.value(f"{capacitor}.capacitance") * c_part.parallel / self._phases,
        )

    def strays(self) -> Strays:
        """What nobody reads off a board."""
        return Strays(*(self.stage_value(field) for field in ("loop_inductance", "loop_quality", "switching_time")))
