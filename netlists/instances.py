"""What a record says of each stage instance: structure, roles of its parts, values of the stage itself.

A stage kind that can be simulated has a class of its own here and a module in ``netlists.stages``; the others are
``Recorded`` until a solver for them exists, and never get a simulated number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from netlists.fields import Noted, RecordModel, Text, quantity
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

    def is_modelled(self) -> bool:
        """Whether its parts say what they do, so that it can be simulated; else it is recorded only."""
        return bool(self.refers) or any(part.role for part in self.parts.values())

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

    def is_modelled(self) -> bool:
        """Always: it is the first stage anybody reads, and what it lacks is worth saying."""
        return True

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


SWITCH = ("on_resistance", "output_capacitance")
RECTIFIER = ("forward_voltage", "forward_test_current", "slope_resistance", "junction_capacitance")
BANK_KINDS = ("electrolytic_capacitor", "polymer_capacitor", "ceramic_capacitor", "film_capacitor")
SMALL_CAPACITORS = ("ceramic_capacitor", "film_capacitor")
SNUBBER: dict[str, Role] = {
    "snubber_resistor": Role(
        ("resistor",), 0, 1, ("resistance",), "across the lower place, one a phase", ("parallel",)
    ),
    "snubber_capacitor": Role(SMALL_CAPACITORS, 0, 1, ("capacitance",), "in series with it", ("parallel",)),
}


class Switching(StageInstance):
    """What stages of switching legs say alike. Counts of their parts are those of all phases together."""

    phases: int = Field(default=1, ge=1, le=8, description="interleaved, evenly spaced")
    switching_frequency: Quantity | None = quantity("Hz", "of one phase", gt=0)
    feed_resistance: Quantity | None = quantity("ohm", "from what feeds the stage to its input", gt=0)
    feed_inductance: Quantity | None = quantity("H", "from what feeds the stage to its input", gt=0)
    loop_inductance: Quantity | None = quantity("H", "commutation loop of one phase: bank, both places and back", gt=0)
    loop_quality: Quantity | None = quantity("1", "quality factor of its ringing: pi times the cycles it lasts", gt=0)
    switching_time: Quantity | None = quantity("s", "current of the switch from 90 to 10 %", gt=0)
    largest_duty: Quantity | None = quantity("1", "the controller allows", gt=0, le=1)

    NEEDS: ClassVar[tuple[str, ...]] = (
        "switching_frequency", "loop_inductance", "loop_quality", "switching_time",
        "feed_resistance", "feed_inductance",
    )  # fmt: skip


Rectification = Literal["synchronous", "diode"]


LightLoad = Literal["forced_continuous", "diode_emulation"]


class Buck(Switching):
    """A buck rail; two may share their input, their switching locked to each other.

    With ``light_load = "diode_emulation"`` its synchronous low side turns off a lead before the choke's current would
    reverse; with "forced_continuous", and where nothing is said, it lets it reverse.
    """

    kind: Literal["buck"]
    rail: Name | None = Field(default=None, description="the rail of the nameplate it makes")
    rectification: Rectification | Annotated[list[Rectification], Field(min_length=1)] = "synchronous"
    light_load: LightLoad | Annotated[list[LightLoad], Field(min_length=1)] | None = None
    rectifier_lead: Quantity | None = quantity(
        "s", "diode emulation: low side off to the choke's current zero; may be negative"
    )
    rectifier_least_on: Quantity | None = quantity("s", "diode emulation: shorter on-times are left out", ge=0)
    input_voltage: Quantity | None = quantity("V", "of the rail that feeds it", gt=0, lt=1000)
    dead_time_rising: Quantity | None = quantity("s", "low side off to high side on", ge=0)
    dead_time_falling: Quantity | None = quantity("s", "high side off to low side on", ge=0)
    copper_resistance: Quantity | None = quantity("ohm", "from the bank to the load", gt=0)
    copper_inductance: Quantity | None = quantity("H", "from the bank to the load", gt=0)
    shares_input_with: Name | None = Field(default=None, description="another buck, which owns the input's parts")
    phase_angle: Quantity | None = quantity("deg", "behind the buck it shares its input with", ge=0, le=360)

    NEEDS: ClassVar[tuple[str, ...]] = (*Switching.NEEDS, "input_voltage")
    EMULATION_NEEDS: ClassVar[tuple[str, ...]] = ("rectifier_lead", "rectifier_least_on")

    def structure_names(self) -> tuple[str, ...]:
        """What is done at light load matters where something is said of it."""
        return ("rectification",) if self.light_load is None else ("rectification", "light_load")

    ROLES: ClassVar[Mapping[str, Role]] = {
        "high_side": Role(("mosfet",), 1, 1, SWITCH, "switch to the input", ("parallel",)),
        "low_side": Role(("mosfet",), 0, 1, SWITCH, "synchronous switch to ground", ("parallel",)),
        "freewheel_diode": Role(
            ("diode",), 0, 1, RECTIFIER, "from ground, alone or beside the low side", ("parallel",)
        ),
        "output_choke": Role(("choke",), 1, 1, ("inductance", "winding_resistance"), "one a phase", ("parallel",)),
        "input_choke": Role(("choke",), 0, 1, ("inductance", "winding_resistance"), "before the input bank"),
        "input_bank": Role(BANK_KINDS, 0, 4, ("capacitance", "esr"), "across the input", ("parallel", "series")),
        "output_bank": Role(BANK_KINDS, 0, 8, ("capacitance", "esr"), "across the output", ("parallel", "series")),
        **SNUBBER,
    }


Mode = Literal["fixed_frequency", "boundary"]


class BoostPfc(Switching):
    """A boost corrector behind a rectifier_bulk instance with a boosted feed, whose bulk it charges."""

    kind: Literal["boost_pfc"]
    mode: Mode | Annotated[list[Mode], Field(min_length=1)] = "fixed_frequency"
    turn_on_delay: Quantity | None = quantity("s", "from the choke's current zero to the turn-on; boundary only", ge=0)

    def structure_names(self) -> tuple[str, ...]:
        return ("mode",)

    ROLES: ClassVar[Mapping[str, Role]] = {
        "boost_switch": Role(("mosfet",), 1, 1, SWITCH, "one place a phase", ("parallel",)),
        "boost_diode": Role(("diode",), 1, 1, RECTIFIER, "one place a phase", ("parallel",)),
        "boost_choke": Role(("choke",), 1, 1, ("inductance", "winding_resistance"), "one a phase", ("parallel",)),
        "input_bank": Role(SMALL_CAPACITORS, 0, 4, ("capacitance", "esr"), "behind the bridge", ("parallel", "series")),
        **SNUBBER,
    }


class Isolated(Switching):
    """What converters with a transformer say alike: a bus between two ends, one rail that is regulated."""

    rail: Name | None = Field(default=None, description="the rail of the nameplate it regulates")
    input_voltage: Quantity | None = quantity("V", "of the bus, as regulated or at nominal line", gt=0, lt=1000)
    input_voltage_low: Quantity | None = quantity("V", "lowest of the bus in normal operation", gt=0, lt=1000)
    input_voltage_high: Quantity | None = quantity("V", "highest of the bus in normal operation", gt=0, lt=1000)
    output_current: Quantity | None = quantity(
        "A", "delivered at full load, to the rail and to what it feeds; none: the rail's current", gt=0
    )
    copper_resistance: Quantity | None = quantity("ohm", "from the bank to the load", gt=0)
    copper_inductance: Quantity | None = quantity("H", "from the bank to the load", gt=0)

    NEEDS: ClassVar[tuple[str, ...]] = (
        "input_voltage", "input_voltage_low", "input_voltage_high", "loop_inductance", "loop_quality", "switching_time",
    )  # fmt: skip


WOUND = ("primary_inductance", "leakage_inductance", "ratio", "primary_resistance", "secondary_resistance")


Bridge = Literal["half", "full"]
Secondary = Literal["centre_tapped", "bridge"]


class Llc(Isolated):
    """An LLC converter. Bridge switches are counted all together, rectifiers those of all transformers together."""

    kind: Literal["llc"]
    bridge: Bridge | Annotated[list[Bridge], Field(min_length=1)] = "half"
    secondary: Secondary | Annotated[list[Secondary], Field(min_length=1)] = "centre_tapped"
    rectification: Rectification | Annotated[list[Rectification], Field(min_length=1)] = "synchronous"
    lowest_frequency: Quantity | None = quantity("Hz", "the controller sets", gt=0)
    highest_frequency: Quantity | None = quantity("Hz", "the controller sets before it bursts or skips", gt=0)
    dead_time: Quantity | None = quantity("s", "one bridge place off to the other on", gt=0)
    rectifier_delay: Quantity | None = quantity("s", "synchronous: body diode conducts to channel on", ge=0)
    rectifier_lead: Quantity | None = quantity("s", "synchronous: channel off to current zero; may be negative")
    rectifier_least_on: Quantity | None = quantity("s", "synchronous: shorter on-times are left out", ge=0)

    NEEDS: ClassVar[tuple[str, ...]] = (*Isolated.NEEDS, "lowest_frequency", "highest_frequency", "dead_time")
    SYNCHRONOUS_NEEDS: ClassVar[tuple[str, ...]] = ("rectifier_delay", "rectifier_lead", "rectifier_least_on")
    SWITCH_NEEDS: ClassVar[tuple[str, ...]] = SWITCH
    DIODE_NEEDS: ClassVar[tuple[str, ...]] = RECTIFIER

    def structure_names(self) -> tuple[str, ...]:
        return ("bridge", "secondary", "rectification") if self.is_modelled() else ()

    ROLES: ClassVar[Mapping[str, Role]] = {
        "bridge_switch": Role(("mosfet",), 1, 1, SWITCH, "all of the bridge", ("parallel",)),
        "resonant_capacitor": Role(
            ("film_capacitor", "ceramic_capacitor"), 1, 4, ("capacitance", "esr"),
            "from the tank to the return, or to the other leg", ("parallel", "series"),
        ),
        "split_capacitor": Role(
            ("film_capacitor", "ceramic_capacitor"), 0, 4, ("capacitance", "esr"),
            "half bridge: from the tank to the bus as well", ("parallel", "series"),
        ),
        "series_inductor": Role(("choke",), 0, 1, ("inductance", "winding_resistance"), "before the transformer"),
        "transformer": Role(("transformer",), 1, 4, WOUND, "primaries in series, secondaries in parallel"),
        "rectifier": Role(
            ("mosfet", "diode"), 1, 2, (), "all secondaries together; both kinds where alternatives are stated",
            ("parallel",),
        ),
        "output_bank": Role(BANK_KINDS, 1, 8, ("capacitance", "esr"), "across the output", ("parallel", "series")),
        "snubber_resistor": Role(("resistor",), 0, 1, ("resistance",), "across each rectifier", ("parallel",)),
        "snubber_capacitor": Role(SMALL_CAPACITORS, 0, 1, ("capacitance",), "in series with it", ("parallel",)),
    }  # fmt: skip


class TwoSwitchForward(Isolated):
    """A two-switch forward converter; both switches turn on and off together."""

    kind: Literal["two_switch_forward"]
    leakage_quality: Quantity | None = quantity(
        "1", "quality factor of the leakage's ringing with the rectifiers: pi times the cycles it lasts", gt=0
    )

    NEEDS: ClassVar[tuple[str, ...]] = (*Isolated.NEEDS, "switching_frequency", "largest_duty", "leakage_quality")

    ROLES: ClassVar[Mapping[str, Role]] = {
        "high_switch": Role(("mosfet",), 1, 1, SWITCH, "from the bus to the primary", ("parallel",)),
        "low_switch": Role(("mosfet",), 1, 1, SWITCH, "from the primary to the return", ("parallel",)),
        "high_clamp": Role(("diode",), 1, 1, RECTIFIER, "from the primary's end to the bus", ("parallel",)),
        "low_clamp": Role(("diode",), 1, 1, RECTIFIER, "from the return to the primary's start", ("parallel",)),
        "transformer": Role(("transformer",), 1, 1, WOUND, "one primary, one secondary"),
        "forward_diode": Role(("diode",), 1, 1, RECTIFIER, "from the secondary to the choke", ("parallel",)),
        "freewheel_diode": Role(("diode",), 1, 1, RECTIFIER, "from the return to the choke", ("parallel",)),
        "output_choke": Role(("choke",), 1, 1, ("inductance", "winding_resistance"), "before the output bank"),
        "output_bank": Role(BANK_KINDS, 1, 8, ("capacitance", "esr"), "across the output", ("parallel", "series")),
        "snubber_resistor": Role(("resistor",), 0, 1, ("resistance",), "across the freewheel diode", ("parallel",)),
        "snubber_capacitor": Role(SMALL_CAPACITORS, 0, 1, ("capacitance",), "in series with it", ("parallel",)),
    }


AT_THE_BANK = "bank"


class NetworkBranch(RecordModel):
    """A way from a converter's output to a part of its load; its parts name it as their branch."""

    known: Literal["measured", "marked", "inferred", "assumed"] | None = None
    note: Text = ""
    load_share: Quantity | None = quantity("1", "of the load's current; none in any branch: equal shares", ge=0, le=1)


class OutputNetwork(StageInstance):
    """Copper, shunts, banks, cables and connectors between a converter's output and its loads, simulated with it."""

    kind: Literal["output_network"]
    rail: Name | None = Field(default=None, description="the rail it carries; none: that its converter regulates")
    branches: dict[Name, NetworkBranch] = Field(default_factory=dict, max_length=8)
    sense: Text | Annotated[list[Text], Field(min_length=1)] = Field(
        default=AT_THE_BANK, description="what the converter regulates: bank, its own output, or a branch's connector"
    )

    def structure_names(self) -> tuple[str, ...]:
        return ("sense",) if self.is_modelled() else ()

    ROLES: ClassVar[Mapping[str, Role]] = {
        "copper": Role(
            ("conductor",), 1, 8, ("resistance", "inductance"), "from the converter's output to a bank", ("parallel",)
        ),
        "shunt": Role(("shunt",), 0, 8, ("resistance",), "in series with the copper", ("parallel",)),
        "bank": Role(BANK_KINDS, 1, 64, ("capacitance", "esr"), "at the end of the copper", ("parallel", "series")),
        "filter_choke": Role(("choke",), 0, 8, ("inductance", "winding_resistance"), "behind the bank"),
        "filter_bank": Role(BANK_KINDS, 0, 64, ("capacitance", "esr"), "behind the choke", ("parallel", "series")),
        "cable": Role(
            ("conductor",), 0, 8, ("resistance", "inductance"), "to the load, both conductors together", ("parallel",)
        ),
        "connector": Role(("connector",), 0, 8, ("contact_resistance",), "of the load", ("parallel",)),
    }


FlybackMode = Literal["fixed_frequency", "valley"]
MANY = ("parallel", "series")


class Flyback(Isolated):
    """A flyback with an RCD clamp: one regulated rail, and further ones that follow it by their turns.

    What it needs, beside ``rail``, the bus's three voltages and the values in ``NEEDS``: a primary_switch, the
    transformer, the clamp's three parts, and of every rail its rectifier and output_bank. A part serves the regulated
    rail unless its ``output`` names another. The transformer's own secondary is the regulated rail's; each further rail
    has a part of kind ``winding`` in the role further_winding. Every rail is one of the nameplate's, with voltage and
    current; a winding that only feeds the controller is recorded without a role. A rail with a post filter has a
    post_choke and a second_bank; its output_bank is the one at the rectifier. ``switching_frequency`` is fixed, or the
    highest a valley-switched controller sets. ``loop_inductance`` is that of drain, clamp, bus and back to the source;
    ``loop_quality`` is of its ringing, and of the leakage's with the rectifiers' capacitance. Where ``rectification``
    is synchronous, the regulated rail's rectifier is a mosfet; further rails have diodes.
    """

    kind: Literal["flyback"]
    mode: FlybackMode | Annotated[list[FlybackMode], Field(min_length=1)] = "fixed_frequency"
    rectification: Rectification | Annotated[list[Rectification], Field(min_length=1)] = "diode"
    rectifier_delay: Quantity | None = quantity("s", "synchronous: body diode conducts to channel on", ge=0)
    rectifier_lead: Quantity | None = quantity(
        "s", "synchronous: channel off to current zero, or to the switch's turn-on; may be negative"
    )
    rectifier_least_on: Quantity | None = quantity("s", "synchronous: shorter on-times are left out", ge=0)
    regulated_at: Literal["output_bank", "second_bank"] = Field(
        default="output_bank", description="which bank of the regulated rail the divider hangs on"
    )
    turn_on_delay: Quantity | None = quantity(
        "s", "from the secondary's current zero to the turn-on, valley only; missing: half a period of the ring", gt=0
    )

    NEEDS: ClassVar[tuple[str, ...]] = (*Isolated.NEEDS, "switching_frequency", "largest_duty")
    SYNCHRONOUS_NEEDS: ClassVar[tuple[str, ...]] = ("rectifier_delay", "rectifier_lead", "rectifier_least_on")
    RECTIFIER_NEEDS: ClassVar[Mapping[str, tuple[str, ...]]] = {"mosfet": SWITCH, "diode": RECTIFIER}

    def structure_names(self) -> tuple[str, ...]:
        """They matter only where it is simulated; diodes alone are no choice."""
        if not self.is_modelled():
            return ()
        return ("mode",) if self.choices("rectification") == ("diode",) else ("mode", "rectification")

    ROLES: ClassVar[Mapping[str, Role]] = {
        "primary_switch": Role(("mosfet",), 1, 1, SWITCH, "between transformer and sense resistor", ("parallel",)),
        "sense_resistor": Role(("resistor", "shunt"), 0, 1, ("resistance",), "from source to bus return", MANY),
        "drain_capacitor": Role(SMALL_CAPACITORS, 0, 1, ("capacitance",), "from drain to bus return", MANY),
        "transformer": Role(("transformer",), 1, 1, WOUND, "its own secondary is the regulated rail's"),
        "further_winding": Role(("winding",), 0, 3, ("ratio", "resistance"), "of a further rail"),
        "clamp_diode": Role(("diode",), 1, 1, RECTIFIER, "from drain to clamp", ("parallel",)),
        "clamp_resistor": Role(("resistor",), 1, 1, ("resistance",), "across the clamp's capacitor", MANY),
        "clamp_capacitor": Role(SMALL_CAPACITORS, 1, 1, ("capacitance",), "from clamp to bus", MANY),
        "rectifier": Role(
            ("mosfet", "diode"), 1, 5, (), "one a rail; both kinds where alternatives are stated", ("parallel",)
        ),
        "output_bank": Role(BANK_KINDS, 1, 12, ("capacitance", "esr"), "at a rectifier", MANY),
        "post_choke": Role(("choke",), 0, 4, ("inductance", "winding_resistance"), "from output_bank to second_bank"),
        "second_bank": Role(BANK_KINDS, 0, 12, ("capacitance", "esr"), "behind a post_choke", MANY),
        "snubber_resistor": Role(("resistor",), 0, 4, ("resistance",), "across a rectifier", MANY),
        "snubber_capacitor": Role(SMALL_CAPACITORS, 0, 4, ("capacitance",), "in series with it", MANY),
    }


RecordedKind = Literal["input_filter", "standby", "other"]


class Recorded(StageInstance):
    """A stage with no model yet: its parts are kept and published, never simulated."""

    kind: RecordedKind


AnyInstance = Annotated[
    RectifierBulk | Buck | BoostPfc | Llc | Flyback | OutputNetwork | TwoSwitchForward | Recorded,
    Field(discriminator="kind"),
]
