"""A buck's rails and their input as found, what follows from them at their nodes, and how they are read from a record.

The circuit they stand in is that of ``buck``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from netlists.errors import OptionError, RecordError
from netlists.instances import Buck
from netlists.parameters import check, count, parameter
from netlists.point import Point, Reader
from netlists.record import SupplyRecord
from netlists.stages.banks import Bank
from netlists.stages.output_network import Network
from netlists.stages.output_record import output_of
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Snubber, Strays, Switch
from netlists.stages.switching_record import Parts

KIND = "buck"
TAGS = ("a", "b")  # rails of one bench, the input's owner first
MOST_PHASES = 8
Rectification = Literal["synchronous", "diode"]
LightLoad = Literal["forced_continuous", "diode_emulation"]


@dataclass(frozen=True, slots=True)
class Rail:
    """One regulated output: its phases, its bank, its load at full."""

    name: str
    rectification: Rectification
    high: Switch
    choke: Choke
    outputs: tuple[Bank, ...]
    strays: Strays
    voltage: float = parameter("V", "regulated, mean at the bank", gt=0)
    load_current: float = parameter("A", "full load", gt=0)
    phases: int = count("interleaved phases, evenly spaced")
    dead_time_rising: float = parameter("s", "low place off to high place on", ge=0, default=0.0)
    dead_time_falling: float = parameter("s", "high place off to low place on", ge=0, default=0.0)
    phase_angle: float = parameter("deg", "of its first phase behind the first rail's", ge=0, le=360, default=0.0)
    largest_duty: float = parameter("1", "the controller allows", gt=0, le=1, default=0.95)
    copper_resistance: float | None = parameter("ohm", "bank to load", gt=0, default=None)
    copper_inductance: float | None = parameter("H", "bank to load", gt=0, default=None)
    low: Switch | None = None
    diode: Diode | None = None
    snubber: Snubber | None = None
    network: Network | None = None
    light_load: LightLoad = "forced_continuous"
    turn_off_lead: float = parameter("s", "diode emulation: low place off to the choke's current zero", default=0.0)
    least_on_time: float = parameter("s", "diode emulation: shorter than this it stays off", ge=0, default=0.0)

    def __post_init__(self) -> None:
        check(self)
        if self.phases > MOST_PHASES:
            raise OptionError(f"Rail.phases: must be <= {MOST_PHASES}, found {self.phases}")
        if not self.outputs and self.network is None:
            raise OptionError("Rail.outputs: needs at least one capacitor")
        if self.rectification == "synchronous" and self.low is None:
            raise OptionError("Rail.low: needed where rectification is synchronous")
        if self.rectification == "diode" and self.diode is None:
            raise OptionError("Rail.diode: needed where rectification is by a diode")

    @property
    def emulates_diode(self) -> bool:
        """Its low place turns off before the choke's current reverses."""
        return self.rectification == "synchronous" and self.light_load == "diode_emulation"

    @property
    def may_idle(self) -> bool:
        """The choke's current may end before the next turn-on."""
        return self.rectification == "diode" or self.emulates_diode

    @property
    def output(self) -> Output:
        """Its banks, copper and load."""
        return Output(
            self.name, self.outputs, self.voltage, self.load_current, self.copper_resistance, self.copper_inductance,
            self.network,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one: what feeds the input, the input's bank, one or two rails."""

    inputs: tuple[Bank, ...]
    rails: tuple[Rail, ...]
    input_voltage: float = parameter("V", "of the feeding rail", gt=0)
    switching_frequency: float = parameter("Hz", "all phases of all rails", gt=0)
    feed_resistance: float = parameter("ohm", "from the feeding rail's bank to this input", gt=0)
    feed_inductance: float = parameter("H", "from the feeding rail's bank to this input", gt=0)
    input_choke: Choke | None = None

    def __post_init__(self) -> None:
        check(self)
        if not self.inputs:
            raise OptionError("Params.inputs: needs at least one capacitor")
        if not 1 <= len(self.rails) <= len(TAGS):
            raise OptionError(f"Params.rails: must be 1 to {len(TAGS)}, found {len(self.rails)}")
        for rail in self.rails:
            if rail.voltage >= self.input_voltage:
                raise OptionError(
                    f"Rail.voltage: a buck's output must be < its input of {self.input_voltage:g} V, "
                    f"found {rail.voltage:g} V"
                )

    @property
    def period(self) -> float:
        """Switching period [s]."""
        return 1 / self.switching_frequency


def legs(params: Params) -> list[tuple[str, int, Rail]]:
    """Tag, rail index and rail of every phase, such as ``a0``."""
    return [
        (f"{TAGS[index]}{phase}", index, rail)
        for index, rail in enumerate(params.rails)
        for phase in range(rail.phases)
    ]


def lower_capacitance(rail: Rail) -> float:
    """Capacitance of one phase's low place [F]."""
    total = (
        0.0 if rail.low is None or rail.rectification == "diode" else rail.low.output_capacitance * rail.low.parallel
    )
    return total + (rail.diode.junction_capacitance * rail.diode.parallel if rail.diode else 0.0)


def middle_capacitance(rail: Rail) -> float:
    """Capacitance an idle choke rings with [F]: that of both places."""
    return rail.high.output_capacitance * rail.high.parallel + lower_capacitance(rail)


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Params, frozenset[str]]:
    """Parameters of an instance at a point, with the buck it shares its input with, and the record paths read.

    Two bucks that share an input give equal parameters, the input's owner first.
    """
    stage = record.instance(instance)
    if not isinstance(stage, Buck):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    if not stage.is_modelled():
        raise OptionError(f"stages.{instance}: recorded only, since none of its parts says its role")
    owner = stage.shares_input_with or instance
    reader = Reader(record, point)
    names = [owner] + [
        name
        for name, other in record.data.stages.items()
        if isinstance(other, Buck) and other.shares_input_with == owner and other.is_modelled()
    ]
    own = Parts(record, owner, reader, 1)
    try:
        params = Params(
            inputs=own.banks("input_bank"),
            rails=tuple(_rail(record, name, reader) for name in names),
            input_voltage=own.stage_value("input_voltage"),
            switching_frequency=own.stage_value("switching_frequency"),
            feed_resistance=own.stage_value("feed_resistance"),
            feed_inductance=own.stage_value("feed_inductance"),
            input_choke=own.choke("input_choke"),
        )
    except OptionError as error:  # values that are possible each but not together
        raise RecordError([record.finding(f"stages.{instance}", str(error))]) from error
    return params, frozenset(reader.reads)


def _rail(record: SupplyRecord, name: str, reader: Reader) -> Rail:
    stage = record.instance(name)
    assert isinstance(stage, Buck)  # the caller chose them so
    parts = Parts(record, name, reader, stage.phases)
    high, choke = parts.switch("high_side"), parts.choke("output_choke")
    assert high is not None  # roles were checked when the record was read
    assert choke is not None
    output = output_of(record, name, reader)
    synchronous = reader.structure(name, "rectification") == "synchronous"
    dead_times = ("dead_time_rising", "dead_time_falling") if synchronous else ()
    optional: dict[str, Any] = {field: parts.stage_value(field) for field in dead_times}
    for field in ("largest_duty", "phase_angle"):
        if (value := parts.optional_value(field)) is not None:
            optional[field] = value
    optional |= _emulation(parts, reader, name, stage)
    return Rail(
        name=output.name,
        rectification="synchronous" if synchronous else "diode",
        high=high,
        choke=choke,
        outputs=output.banks,
        strays=parts.strays(),
        voltage=output.voltage,
        load_current=output.load_current,
        copper_resistance=output.copper_resistance,
        copper_inductance=output.copper_inductance,
        network=output.network,
        phases=stage.phases,
        low=parts.switch("low_side") if synchronous else None,
        diode=parts.diode("freewheel_diode"),
        snubber=parts.snubber(),
        **optional,
    )


def _emulation(parts: Parts, reader: Reader, name: str, stage: Buck) -> dict[str, Any]:
    """What is recorded of light load."""
    if stage.light_load is None or reader.structure(name, "light_load") != "diode_emulation":
        return {}
    lead, least = (parts.stage_value(field) for field in stage.EMULATION_NEEDS)
    return {"light_load": "diode_emulation", "turn_off_lead": lead, "least_on_time": least}
