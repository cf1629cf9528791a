"""The content of a record: the tables of its file, and the record as found, frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from netlists.errors import Finding, RecordError, nearest
from netlists.fields import HistoryLine, Part, RecordModel, Text, quantity
from netlists.instances import AnyInstance, Name, StageInstance
from netlists.quantity import Quantity, QuantitySpec, shown
from netlists.toml_lines import line_of

SCHEMA = 1


class InputBand(RecordModel):
    """One input range of the label, with the current and output power it states for it."""

    known: Literal["measured", "marked", "inferred", "assumed"] = "marked"
    supply: Literal["mains", "dc"] = "mains"
    voltage_low: Quantity = quantity("V", "lower end of the label's range, RMS or direct", gt=0, le=1000)
    voltage_high: Quantity = quantity("V", "upper end of the label's range, RMS or direct", gt=0, le=1000)
    voltage_tolerance: Quantity | None = quantity("1", "of the mains beyond the label's range", ge=0, lt=1)
    frequency_low: Quantity | None = quantity("Hz", "lowest line frequency", gt=0, le=1000)
    frequency_high: Quantity | None = quantity("Hz", "highest line frequency", gt=0, le=1000)
    current: Quantity | None = quantity("A", "input current of the label", gt=0)
    output_power: Quantity = quantity("W", "total output power in this range", gt=0)


class Rail(RecordModel):
    known: Literal["measured", "marked", "inferred", "assumed"] = "marked"
    voltage: Quantity | None = quantity("V", "", gt=0)
    current: Quantity | None = quantity("A", "", gt=0)


class Nameplate(RecordModel):
    input_bands: dict[Name, InputBand] = Field(min_length=1)
    rails: dict[Name, Rail] = Field(default_factory=dict)
    ambient: Quantity | None = quantity("degC", "air around the supply", gt=-60, lt=120)


class Line(RecordModel):
    """The mains in front of the supply, up to its inlet: both conductors together."""

    known: Literal["measured", "marked", "inferred", "assumed"] | None = None
    note: Text = ""
    resistance: Quantity | None = quantity("ohm", "line and neutral together", gt=0)
    inductance: Quantity | None = quantity("H", "line and neutral together", gt=0)


class Claim(RecordModel):
    """A number the label or data sheet promises: at_least or at_most, at a condition."""

    known: Literal["marked"] = "marked"
    metric: Name
    at_least: Text | float | int | None = None
    at_most: Text | float | int | None = None
    line_voltage: Quantity | None = quantity("V", "the claim's own line voltage", gt=0, le=1000)
    line_frequency: Quantity | None = quantity("Hz", "", gt=0, le=1000)
    load_fraction: Quantity | None = quantity("1", "of the output power", gt=0, le=2)
    ambient: Quantity | None = quantity("degC", "air around the supply", gt=-60, lt=120)
    source: Text = ""


class Measurement(RecordModel):
    """A number measured on the unit: metric, condition, value with uncertainty, date."""

    known: Literal["marked"] = Field(default="marked", description="of the conditions, which are set, not measured")
    metric: Name
    instance: Name
    value: Text | float | int
    uncertainty: Text
    line_voltage: Quantity | None = quantity("V", "", gt=0, le=1000)
    line_frequency: Quantity | None = quantity("Hz", "", gt=0, le=1000)
    load_fraction: Quantity | None = quantity("1", "", gt=0, le=2)
    ambient: Quantity | None = quantity("degC", "air around the supply", gt=-60, lt=120)
    date: Text
    note: Text = ""


class RecordData(RecordModel):
    """The whole file."""

    schema_number: Literal[1] = Field(alias="schema")
    name: Text = Field(pattern=r"^[a-z][a-z0-9-]{0,62}$")
    title: Text
    notes: Text = ""
    nameplate: Nameplate
    line: Line = Field(default_factory=Line)
    stages: dict[Name, AnyInstance] = Field(min_length=1, max_length=100)
    claims: dict[Name, Claim] = Field(default_factory=dict)
    measurements: dict[Name, Measurement] = Field(default_factory=dict)
    history: list[HistoryLine] = Field(default_factory=list)


@dataclass(frozen=True)
class SupplyRecord:
    """A record that passed every check.

    Parameters
    ----------
    data : the file's content
    file : its name as given, for messages
    lines : path -> line of the file
    quantities : dotted path -> quantity, inferred ones filled in
    specs : dotted path -> unit and bounds of that field, also of fields not filled in
    """

    data: RecordData
    file: str
    lines: Mapping[tuple[str, ...], int]
    quantities: Mapping[str, Quantity]
    specs: Mapping[str, QuantitySpec]

    @property
    def name(self) -> str:
        return self.data.name

    def instance(self, name: str) -> StageInstance:
        """A stage instance by name; RecordError that lists the known where there is none."""
        if name not in self.data.stages:
            raise RecordError(
                [Finding(self.file, 0, "stages", f"no instance {shown(name)}; {nearest(name, self.data.stages)}")]
            )
        return self.data.stages[name]

    def parts_in_role(self, instance: str, role: str) -> list[tuple[str, str, Part]]:
        """Designator, path and part of every part that holds a role in an instance, owned or referred to."""
        stage = self.instance(instance)
        found: list[tuple[str, str, Part]] = [
            (designator, f"stages.{instance}.parts.{designator}", part)
            for designator, part in stage.parts.items()
            if part.role == role
        ]
        for referred_role, path in stage.refers.items():
            if referred_role == role:
                _, owner, _, designator = path.split(".")
                found.append((designator, path, self.data.stages[owner].parts[designator]))
        return found

    def finding(self, path: str, message: str) -> Finding:
        """A finding at a path of this record, with its line."""
        return Finding(self.file, line_of(self.lines, tuple(path.split("."))), path, message)


UNREAD = "missing; simulating "


def is_unread(finding: Finding) -> bool:
    """Whether a finding says that a value is not read yet, and nothing else."""
    return finding.message.startswith(UNREAD)


def unread(instance: str, field_name: str) -> str:
    """What to say of a value that a simulation needs and nobody has read yet."""
    return (
        f"{UNREAD}{instance} needs {field_name}: give it, or a range such as "
        f'{{ value = "…", low = "…", high = "…", known = "assumed" }}'
    )
