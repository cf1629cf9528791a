"""Buck rails: interleaved phases, synchronous or with a diode, and the input filter they stand behind.

Nodes of the subcircuit (ports in capitals); r is the rail (a, b), k its phase::

    FEED - feed and input choke - input - one branch an input part - 0
    input - loop_rk - high place - middle_rk - low place (switch, Schottky beside it, or a diode alone) - 0
    middle_rk - choke - OUT_R - one branch an output part - 0
    OUT_R - copper - LOAD_R - load, probe - 0

Two rails may share the input, their switching locked to each other at a phase angle. The load is a resistance. Left
out: the control loop (the duty is solved for, so load steps are not answered), what ``switching`` leaves out.
Breaks where: phases share unequally (equal duties here), the feed rail itself ripples, a diode recovers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.decktext import number
from netlists.errors import OptionError, RecordError
from netlists.instances import Buck
from netlists.parameters import check, count, parameter
from netlists.periodic import Edge, Gate, State, quiet_instant
from netlists.point import Condition, Point, Reader
from netlists.probe import Probe
from netlists.record import SupplyRecord
from netlists.stages import switching
from netlists.stages.banks import Bank, bank_branch
from netlists.stages.output_network import Network
from netlists.stages.output_record import output_of
from netlists.stages.outputs import Output, output_branches, output_load, output_probes, output_states
from netlists.stages.switching import Choke, Diode, GateLaw, Snubber, Strays, Switch
from netlists.stages.switching_record import Parts

KIND = "buck"
PREFIX = "xstage"  # the subcircuit's instance in the bench
TAGS = ("a", "b")  # rails of one bench, the input's owner first
MOST_PHASES = 8
Rectification = Literal["synchronous", "diode"]
Probing = Literal["none", "desktop guide"]


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


def high_law(params: Params, rail: Rail) -> GateLaw:
    """Gate law of a high place: it commutates the input voltage at one phase's current."""
    return _law(params, rail, rail.high)


def low_law(params: Params, rail: Rail) -> GateLaw:
    """Gate law of a synchronous low place, which a rail with a diode alone has not."""
    assert rail.low is not None  # checked by Rail
    return _law(params, rail, rail.low)


def _law(params: Params, rail: Rail, part: Switch) -> GateLaw:
    commutated = params.input_voltage * rail.phases * part.parallel / rail.load_current
    return switching.gate_law(part.on_resistance, commutated, rail.strays.switching_time)


def stage(params: Params) -> SubCircuit:
    """The rails with their input as a subcircuit with ports feed, out_a, load_a (and out_b, load_b)."""
    ports = [f"{port}_{TAGS[index]}" for index in range(len(params.rails)) for port in ("out", "load")]
    circuit = SubCircuit(KIND, "feed", *ports)
    devices.current_sense(circuit, "sense_feed", "feed", "sensed_feed")
    filtering = params.input_choke
    resistance = params.feed_resistance + (filtering.winding_resistance if filtering else 0.0)
    devices.resistor(circuit, "feed", "sensed_feed", "behind_feed", resistance)
    devices.inductance(
        circuit, "feed", "behind_feed", "input", params.feed_inductance + (filtering.inductance if filtering else 0.0)
    )
    for index, part in enumerate(params.inputs):
        bank_branch(circuit, f"input{index}", "input", part)
    for tag, index, rail in legs(params):
        _leg(circuit, params, rail, tag, f"out_{TAGS[index]}")
    for index, rail in enumerate(params.rails):
        output_branches(circuit, rail.output, TAGS[index])
    return circuit


def _leg(circuit: SubCircuit, params: Params, rail: Rail, tag: str, out: str) -> None:
    top = switching.loop(circuit, tag, "input", rail.strays, lower_capacitance(rail))
    middle = f"middle_{tag}"
    switching.switch(circuit, f"high_{tag}", top, middle, rail.high, high_law(params, rail), f"sense_high_{tag}")
    devices.pulse(circuit, f"gate_high_{tag}", f"gate_high_{tag}")
    circuit.VCVS(f"across_high_{tag}", f"across_high_{tag}", "0", top, middle, "1")
    if rail.rectification == "synchronous" and rail.low is not None:
        switching.switch(circuit, f"low_{tag}", middle, "0", rail.low, low_law(params, rail), f"sense_low_{tag}")
        devices.pulse(circuit, f"gate_low_{tag}", f"gate_low_{tag}")
    if rail.diode is not None:
        switching.diode(circuit, f"free_{tag}", "0", middle, rail.diode, f"sense_free_{tag}")
    if rail.snubber is not None:
        switching.snubber(circuit, tag, middle, rail.snubber)
    core = None
    if rail.rectification == "diode":
        core = switching.core_resistance(rail.choke, middle_capacitance(rail))
    switching.choke(circuit, tag, middle, out, rail.choke, core)


def bench(params: Params, condition: Condition) -> Circuit:
    """The stage between its feeding rail and its loads, each rail with the probe of the condition."""
    circuit = Circuit(KIND)
    circuit.subcircuit(stage(params))
    circuit.V("feed", "feed", "0", number(params.input_voltage))
    ports = [f"{port}_{TAGS[index]}" for index in range(len(params.rails)) for port in ("out", "load")]
    circuit.X("stage", KIND, "feed", *ports)
    for index, rail in enumerate(params.rails):
        output_load(circuit, rail.output, TAGS[index], condition)
    return circuit


def edges(params: Params) -> list[tuple[Edge, Edge]]:
    """On and off of every leg's high place, at its knee, counted from the middle of rail a's first on-time."""
    found = []
    for tag, _, rail in legs(params):
        middle = (int(tag[1:]) / rail.phases + rail.phase_angle / 360) % 1
        found.append((Edge(middle, -0.5), Edge(middle, 0.5)))
    return found


def cut_instant(params: Params, duties: tuple[float, ...]) -> float:
    """Where the period begins, counted from the middle of rail a's first on-time [s]."""
    period = params.period
    pairs = zip(legs(params), edges(params), strict=True)
    instants = tuple(edge.at(period, duties[index]) for (_, index, _), pair in pairs for edge in pair)
    needed = 0.0
    for rail in params.rails:
        laws = [high_law(params, rail)] + ([low_law(params, rail)] if rail.rectification == "synchronous" else [])
        needed = max(needed, max(law.ramp for law in laws) + max(rail.dead_time_rising, rail.dead_time_falling))
    return quiet_instant(instants, period, needed)


def gates(params: Params, duties: tuple[float, ...]) -> tuple[Gate, ...]:
    """All gates; the period begins where, at these duties, the longest stretch without an edge has its middle."""
    spans = list(zip(legs(params), edges(params), strict=True))
    cut = cut_instant(params, duties) / params.period
    found = []
    for (tag, index, rail), edges_of_leg in spans:
        on, off = (Edge(edge.fraction - cut, edge.per_duty) for edge in edges_of_leg)
        found.append(switching.place_gate(PREFIX, f"high_{tag}", on, off, high_law(params, rail), index))
        if rail.rectification == "synchronous":
            low_on = Edge(off.fraction, off.per_duty, rail.dead_time_falling)
            low_off = Edge(on.fraction, on.per_duty, -rail.dead_time_rising)
            found.append(switching.place_gate(PREFIX, f"low_{tag}", low_on, low_off, low_law(params, rail), index))
    return tuple(found)


def states(params: Params, condition: Condition) -> tuple[State, ...]:
    """Every energy store of the bench; those with an unknown are slow."""
    found = [State(f"l.{PREFIX}.lfeed", f"l.{PREFIX}.lfeed#branch", unknown="feed current")]
    names = [f"input{index}" for index in range(len(params.inputs))]
    found += switching.bank_states(PREFIX, names, params.inputs, "input voltage")
    for tag, _, rail in legs(params):
        found.append(switching.choke_state(PREFIX, tag, rail.choke))
        found.append(switching.loop_state(PREFIX, tag))
        found.append(switching.capacitor_state(PREFIX, f"out_high_{tag}", f"top_{tag}", f"middle_{tag}", f"high {tag}"))
        if rail.rectification == "synchronous":
            found.append(switching.capacitor_state(PREFIX, f"out_low_{tag}", f"middle_{tag}", "0", f"low {tag}"))
        if rail.diode is not None:
            found.append(switching.capacitor_state(PREFIX, f"out_free_{tag}", "0", f"middle_{tag}", f"free {tag}"))
        if rail.snubber is not None:
            found.append(switching.capacitor_state(PREFIX, f"snubber_{tag}", f"in_snubber_{tag}", "0", f"low {tag}"))
    for index, rail in enumerate(params.rails):
        found += output_states(PREFIX, rail.output, TAGS[index], condition)
    return tuple(found)


def probes(params: Params, condition: Condition) -> tuple[Probe, ...]:
    """What can be measured: both places and the choke of every phase, every bank, the outputs, the feed."""
    found = [
        Probe("feed_current", f"v.{PREFIX}.vsense_feed#branch", "A", "out of the feeding rail", "current"),
        Probe("input_voltage", f"{PREFIX}.input", "V", "across the input bank", "voltage", "0"),
    ]
    for index, part in enumerate(params.inputs):
        vector = f"v.{PREFIX}.vsense_input{index}#branch"
        found.append(Probe(f"input_current_{index}", vector, "A", f"into all of {part.designator}", "current"))
    for tag, _, rail in legs(params):
        found += _leg_probes(tag, rail)
    for index, rail in enumerate(params.rails):
        found += output_probes(PREFIX, rail.output, TAGS[index])
    return tuple(found)


def _leg_probes(tag: str, rail: Rail) -> list[Probe]:
    def sensed(name: str, device: str, doc: str) -> Probe:
        return Probe(name, f"v.{PREFIX}.vsense_{device}#branch", "A", doc, "current")

    middle = f"{PREFIX}.middle_{tag}"
    found = [
        sensed(f"choke_current_{tag}", f"choke_{tag}", f"choke of phase {tag}"),
        sensed(f"high_current_{tag}", f"high_{tag}", f"{rail.high.designator}, all of phase {tag}"),
        Probe(f"high_voltage_{tag}", f"{PREFIX}.across_high_{tag}", "V", "across the high place", "voltage"),
        Probe(f"low_voltage_{tag}", middle, "V", "across the low place", "voltage", "0"),
    ]
    if rail.rectification == "synchronous" and rail.low is not None:
        found.append(sensed(f"low_current_{tag}", f"low_{tag}", f"{rail.low.designator}, all of phase {tag}"))
    if rail.diode is not None:
        found.append(sensed(f"free_current_{tag}", f"free_{tag}", f"{rail.diode.designator}, all of phase {tag}"))
    return found


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
    optional = {
        field: value for field in ("largest_duty", "phase_angle") if (value := parts.optional_value(field)) is not None
    }
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
        **{field: parts.stage_value(field) for field in dead_times},
        **optional,
    )
