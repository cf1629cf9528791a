"""What a record says of each stage instance: structure, roles of its parts, values of the stage itself.

A stage kind that can be simulated has a class of its own here and a module in ``netlists.stages``; the others are
``Recorded`` until a solver for them exists, and never get a simulated number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from netlists.fields import Noted, Text, quantity
from netlists.kinds import AnyPart
from netlists.quantity import Quantity

Name = Annotated[Text, Field(pattern=r"^[a-z][a-z0-9_]{0,62}$")]
Designator = Annotated[Text, Field(pattern=r"^[A-Z][A-Za-z0-9_]{0,30}$")]


@dataclass(frozen=True, slots=True)
class Role:
    """What a part may do in a stage: kinds it can be of, how many parts may hold the role, fields a model needs."""

    kinds: tuple[str, ...]
    least: int
    most: int
    needs: tuple[str, ...]
    doc: str
    counts: tuple[str, ...] = ()  # of parallel and series: what the model makes use of


class StageInstance(Noted):
    """Base of all stage kinds."""

    ROLES: ClassVar[Mapping[str, Role]] = {}

    fed_by: Name | None = Field(default=None, description="the instance this one takes its power from; none: the line")
    known: Literal["measured", "marked", "inferred", "assumed"] | None = None
    parts: dict[Designator, AnyPart] = Field(default_factory=dict, max_length=1000)
    refers: dict[Name, Text] = Field(default_factory=dict, description="role -> path of a part another instance owns")

    def structure_names(self) -> tuple[str, ...]:
        """Names of the structure fields that matter for this instance."""
        return ()

    def choices(self, structure: str) -> tuple[str, ...]:
        """The alternatives stated for a structure field, such as ``feed``; one where it is known."""
        value = getattr(self, structure)
        return tuple(value) if isinstance(value, list) else (value,)


Feed = Literal["bridge", "half_wave", "boosted"]
Bypass = Literal["diode", "none"]
LoadKind = Literal["constant_power", "resistance"]


class RectifierBulk(StageInstance):
    """Line, thermistor and relay, rectifier, bulk capacitors, and the load the converter behind them makes."""

    kind: Literal["rectifier_bulk"]
    feed: Feed | Annotated[list[Feed], Field(min_length=1)]
    bypass: Bypass | Annotated[list[Bypass], Field(min_length=1)] = Field(
        default="none", description="a diode around choke and boost diode; only where feed is boosted"
    )
    load: LoadKind = "constant_power"
    converter_efficiency: Quantity | None = quantity("1", "output power over power drawn from the bulk", gt=0, le=1)
    holdup_end_voltage: Quantity | None = quantity("V", "lowest bulk voltage at which the output still regulates", gt=0)
    undervoltage_cutoff: Quantity | None = quantity("V", "bulk voltage at which the converter stops", gt=0)
    undervoltage_restart: Quantity | None = quantity("V", "bulk voltage at which it starts again", gt=0)
    load_resistance: Quantity | None = quantity("ohm", "load across the bulk where load = resistance", gt=0)

    bus_setpoint: Quantity | None = quantity("V", "bulk voltage a boost corrector regulates to", gt=0, lt=1000)

    def structure_names(self) -> tuple[str, ...]:
        """The bypass matters only where the feed may be boosted."""
        return ("feed", "bypass") if "boosted" in self.choices("feed") else ("feed",)

    ROLES: ClassVar[Mapping[str, Role]] = {
        "inrush_limiter": Role(
            ("thermistor",),
            0,
            1,
            ("resistance_25", "b_value", "dissipation_constant", "time_constant"),
            "NTC thermistor",
        ),
        "bypass_relay": Role(("relay",), 0, 1, ("contact_resistance", "closing_delay"), "shorts the thermistor"),
        "rectifier": Role(
            ("bridge_rectifier", "diode"),
            1,
            1,
            ("forward_voltage", "forward_test_current", "slope_resistance"),
            "diodes",
            ("parallel",),
        ),
        "bypass_diode": Role(
            ("diode",), 0, 1, ("forward_voltage", "forward_test_current", "slope_resistance"), "around the boost choke"
        ),
        "boost_choke": Role(
            ("choke",),
            0,
            1,
            ("inductance", "saturation_current", "saturated_inductance", "winding_resistance"),
            "one a phase",
            ("parallel",),
        ),
        "boost_diode": Role(
            ("diode",),
            0,
            1,
            ("forward_voltage", "forward_test_current", "slope_resistance"),
            "one a phase",
            ("parallel",),
        ),
        "x_capacitor": Role(
            ("film_capacitor",), 0, 2, ("capacitance",), "across the line, before the rectifier", ("parallel",)
        ),
        "bulk": Role(
            ("electrolytic_capacitor",), 1, 8, ("capacitance", "esr"), "bulk capacitors", ("parallel", "series")
        ),
        "fuse": Role(("fuse",), 0, 1, ("cold_resistance",), "in series with the line"),
        "line_choke": Role(
            ("common_mode_choke",), 0, 2, ("winding_resistance", "leakage_inductance"), "in series with the line"
        ),
    }


RecordedKind = Literal[
    "input_filter", "boost_pfc", "llc", "flyback", "two_switch_forward", "buck", "output_network", "standby", "other"
]


class Recorded(StageInstance):
    """A stage with no model yet: its parts are kept and published, never simulated."""

    kind: RecordedKind


AnyInstance = Annotated[RectifierBulk | Recorded, Field(discriminator="kind")]
