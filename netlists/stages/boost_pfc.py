"""Boost power-factor corrector at one instant of the line: interleaved phases between rectified line and bulk.

Nodes of the subcircuit (ports in capitals); k is the phase::

    FEED - feed inductance and resistance - input - one branch an input part - 0
    input - choke - middle_k - low place (switch) - 0
    middle_k - high place (diode) - top_k - loop_k - BUS - one branch a bulk part - 0

The line hardly moves within a switching period, so at an instant it is a direct voltage behind the bridge's two drops;
the corrector then passes on P (1 - cos 2wt), and the load beside the bulk is the resistance that takes it. Frequency
is fixed (continuous or discontinuous, as it falls out) or such that each phase starts as its current has come to zero
(boundary). Left out: the loops of voltage and current, the twice-line ripple of the bulk (the bus stands at its
set-point), what ``switching`` leaves out. Breaks where: the instant is so near the line's zero that the duty reaches
its limit and the line current cannot follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.decktext import number
from netlists.errors import OptionError, RecordError
from netlists.instances import BoostPfc
from netlists.parameters import check, count, parameter
from netlists.periodic import Edge, Gate, State, quiet_instant
from netlists.point import Condition, Point, Reader
from netlists.probe import Probe
from netlists.record import SupplyRecord
from netlists.stages import switching
from netlists.stages.banks import Bank, bank_branch
from netlists.stages.switching import Choke, Diode, GateLaw, Snubber, Strays, Switch
from netlists.stages.switching_record import Parts

KIND = "boost_pfc"
PREFIX = "xstage"
MOST_PHASES = 4
Mode = Literal["fixed_frequency", "boundary"]


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one. ``inputs`` may be empty: then the rectified line is stiff behind its feed."""

    mode: Mode
    low: Switch
    high: Diode
    choke: Choke
    inputs: tuple[Bank, ...]
    outputs: tuple[Bank, ...]
    strays: Strays
    bus_setpoint: float = parameter("V", "regulated bus voltage", gt=0)
    converter_efficiency: float = parameter("1", "output power over power from the bus", gt=0, le=1)
    switching_frequency: float = parameter("Hz", "fixed, or the highest a boundary-mode controller sets", gt=0)
    feed_resistance: float = parameter("ohm", "line filter and bridge, differential", gt=0)
    feed_inductance: float = parameter("H", "line filter, differential", gt=0)
    rectifier_drop: float = parameter("V", "of both bridge diodes in series", ge=0, default=0.0)
    phases: int = count("interleaved phases, evenly spaced")
    largest_duty: float = parameter("1", "the controller allows", gt=0, le=1, default=0.97)
    turn_on_delay: float = parameter("s", "from the current's zero to the turn-on; boundary only", ge=0, default=0.0)
    snubber: Snubber | None = None

    def __post_init__(self) -> None:
        check(self)
        if self.phases > MOST_PHASES:
            raise OptionError(f"Params.phases: must be <= {MOST_PHASES}, found {self.phases}")
        if not self.outputs:
            raise OptionError("Params.outputs: needs at least one capacitor")


def input_voltage(params: Params, condition: Condition) -> float:
    """Rectified line at the condition's instant [V], less the bridge's drops.

    Raises
    ------
    OptionError : nothing is left of it, or it lies above the bus, where no boost regulates
    """
    angle = math.radians(90.0 if condition.line_angle is None else condition.line_angle)
    level = condition.line_voltage * (1.0 if condition.supply == "dc" else math.sqrt(2) * abs(math.sin(angle)))
    left = level - params.rectifier_drop
    if left <= 0:
        raise OptionError(f"rectified line at this instant: must be > the bridge's drop, found {level:g} V")
    if left >= params.bus_setpoint:
        raise OptionError(f"a boost regulates only below its bus of {params.bus_setpoint:g} V, found {left:g} V")
    return left


def instant_power(params: Params, condition: Condition) -> float:
    """Power into the bus at the condition's instant [W]: the load's times 1 - cos 2wt, twice it at the crest."""
    power = condition.output_power / params.converter_efficiency
    if condition.supply == "dc":
        return power
    angle = math.radians(90.0 if condition.line_angle is None else condition.line_angle)
    return power * 2 * math.sin(angle) ** 2


def tags(params: Params) -> list[str]:
    """Tag of every phase."""
    return [str(phase) for phase in range(params.phases)]


def middle_capacitance(params: Params) -> float:
    """Capacitance an idle choke rings with [F]: that of both places."""
    low, high = params.low, params.high
    return low.output_capacitance * low.parallel + high.junction_capacitance * high.parallel


def low_law(params: Params, condition: Condition) -> GateLaw:
    """Gate law of the low place: it commutates the bus at one phase's current."""
    current = instant_power(params, condition) / input_voltage(params, condition) / params.phases
    commutated = params.bus_setpoint * params.low.parallel / current
    return switching.gate_law(params.low.on_resistance, commutated, params.strays.switching_time)


def stage(params: Params, condition: Condition) -> SubCircuit:
    """The corrector as a subcircuit with ports feed and bus."""
    circuit = SubCircuit(KIND, "feed", "bus")
    devices.current_sense(circuit, "sense_feed", "feed", "sensed_feed")
    devices.resistor(circuit, "feed", "sensed_feed", "behind_feed", params.feed_resistance)
    if params.inputs:
        devices.inductance(circuit, "feed", "behind_feed", "input", params.feed_inductance)
    else:
        devices.resistor(circuit, "stiff", "behind_feed", "input", switching.SHORT)
    for index, part in enumerate(params.inputs):
        bank_branch(circuit, f"input{index}", "input", part)
    law = low_law(params, condition)
    for tag in tags(params):
        middle = f"middle_{tag}"
        core = switching.core_resistance(params.choke, middle_capacitance(params))
        switching.choke(circuit, tag, "input", middle, params.choke, core)
        switching.switch(circuit, f"low_{tag}", middle, "0", params.low, law, f"sense_low_{tag}")
        devices.pulse(circuit, f"gate_low_{tag}", f"gate_low_{tag}")
        if params.snubber is not None:
            switching.snubber(circuit, tag, middle, params.snubber)
        top = switching.loop(circuit, tag, "bus", params.strays, params.low.output_capacitance * params.low.parallel)
        switching.diode(circuit, f"free_{tag}", middle, top, params.high, f"sense_free_{tag}")
        circuit.VCVS(f"across_free_{tag}", f"across_free_{tag}", "0", top, middle, "1")
    for index, part in enumerate(params.outputs):
        bank_branch(circuit, f"output{index}", "bus", part)
    return circuit


def bench(params: Params, condition: Condition) -> Circuit:
    """The stage between the rectified line at its instant and the bus's load."""
    circuit = Circuit(KIND)
    circuit.subcircuit(stage(params, condition))
    circuit.V("feed", "feed", "0", number(input_voltage(params, condition)))
    circuit.X("stage", KIND, "feed", "bus")
    devices.resistor(circuit, "load", "bus", "0", params.bus_setpoint**2 / instant_power(params, condition))
    return circuit


def cut_share(params: Params, condition: Condition, duty: float) -> float:
    """Where the period begins, as a share of it from the middle of the first on-time."""
    middles = [phase / params.phases for phase in range(params.phases)]
    instants = tuple(edge.at(1.0, duty) for m in middles for edge in (Edge(m, -0.5), Edge(m, 0.5)))
    return quiet_instant(instants, 1.0, low_law(params, condition).ramp * params.switching_frequency)


def gates(params: Params, condition: Condition, duty: float) -> tuple[Gate, ...]:
    """All gates; the period begins where, at this duty, the longest stretch without an edge has its middle."""
    middles = [phase / params.phases for phase in range(params.phases)]
    cut = cut_share(params, condition, duty)
    law = low_law(params, condition)
    return tuple(
        switching.place_gate(PREFIX, f"low_{tag}", Edge(m - cut, -0.5), Edge(m - cut, 0.5), law, 0)
        for tag, m in zip(tags(params), middles, strict=True)
    )


def states(params: Params) -> tuple[State, ...]:
    """Every energy store of the bench; those with an unknown are slow."""
    found = []
    if params.inputs:
        found.append(State(f"l.{PREFIX}.lfeed", f"l.{PREFIX}.lfeed#branch", unknown="feed current"))
        names = [f"input{index}" for index in range(len(params.inputs))]
        found += switching.bank_states(PREFIX, names, params.inputs, "input voltage")
    for tag in tags(params):
        found.append(switching.choke_state(PREFIX, tag, params.choke))
        found.append(switching.capacitor_state(PREFIX, f"out_low_{tag}", f"middle_{tag}", "0", f"low {tag}"))
        found.append(switching.capacitor_state(PREFIX, f"out_free_{tag}", f"middle_{tag}", f"top_{tag}", f"free {tag}"))
        found.append(switching.loop_state(PREFIX, tag))
        if params.snubber is not None:
            found.append(switching.capacitor_state(PREFIX, f"snubber_{tag}", f"in_snubber_{tag}", "0", f"low {tag}"))
    names = [f"output{index}" for index in range(len(params.outputs))]
    return (*found, *switching.bank_states(PREFIX, names, params.outputs, "bus voltage"))


def probes(params: Params) -> tuple[Probe, ...]:
    """What can be measured: both places and the choke of every phase, every bank, bus and feed."""
    found = [
        Probe("feed_current", f"v.{PREFIX}.vsense_feed#branch", "A", "out of the rectified line", "current"),
        Probe("input_voltage", f"{PREFIX}.input", "V", "in front of the chokes", "voltage", "0"),
        Probe("bus_voltage", "bus", "V", "across the bulk", "voltage", "0"),
    ]
    for index, part in enumerate(params.inputs):
        vector = f"v.{PREFIX}.vsense_input{index}#branch"
        found.append(Probe(f"input_current_{index}", vector, "A", f"into all of {part.designator}", "current"))
    for tag in tags(params):
        for name, device, doc in (
            (f"choke_current_{tag}", f"choke_{tag}", f"choke of phase {tag}"),
            (f"low_current_{tag}", f"low_{tag}", f"{params.low.designator}, all of phase {tag}"),
            (f"free_current_{tag}", f"free_{tag}", f"{params.high.designator}, all of phase {tag}"),
        ):
            found.append(Probe(name, f"v.{PREFIX}.vsense_{device}#branch", "A", doc, "current"))
        found.append(Probe(f"low_voltage_{tag}", f"{PREFIX}.middle_{tag}", "V", "across the low place", "voltage", "0"))
        found.append(
            Probe(f"free_voltage_{tag}", f"{PREFIX}.across_free_{tag}", "V", "across the diode, reverse", "voltage")
        )
    for index, part in enumerate(params.outputs):
        vector = f"v.{PREFIX}.vsense_output{index}#branch"
        found.append(Probe(f"output_current_{index}", vector, "A", f"into all of {part.designator}", "current"))
    return tuple(found)


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Params, frozenset[str]]:
    """Parameters of an instance at a point, its bulk and set-point those of the rectifier that feeds it."""
    stage = record.instance(instance)
    if not isinstance(stage, BoostPfc):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    if not stage.is_modelled():
        raise OptionError(f"stages.{instance}: recorded only, since none of its parts says its role")
    reader = Reader(record, point)
    own = Parts(record, instance, reader, stage.phases)
    feeding = str(stage.fed_by)
    before = Parts(record, feeding, reader, 1)
    low, high, choke = own.switch("boost_switch"), own.diode("boost_diode"), own.choke("boost_choke")
    assert low is not None  # roles were checked when the record was read
    assert high is not None
    assert choke is not None
    bridge = record.parts_in_role(feeding, "rectifier")[0][1]
    boundary = reader.structure(instance, "mode") == "boundary"
    largest = own.optional_value("largest_duty")
    try:
        params = Params(
            mode="boundary" if boundary else "fixed_frequency",
            low=low,
            high=high,
            choke=choke,
            inputs=own.banks("input_bank"),
            outputs=before.banks("bulk"),
            strays=own.strays(),
            bus_setpoint=before.stage_value("bus_setpoint"),
            converter_efficiency=before.stage_value("converter_efficiency"),
            switching_frequency=own.stage_value("switching_frequency"),
            feed_resistance=own.stage_value("feed_resistance"),
            feed_inductance=own.stage_value("feed_inductance"),
            rectifier_drop=2 * reader.value(f"{bridge}.forward_voltage"),
            phases=stage.phases,
            turn_on_delay=own.stage_value("turn_on_delay") if boundary else 0.0,
            snubber=own.snubber(),
            **({} if largest is None else {"largest_duty": largest}),
        )
    except OptionError as error:  # values that are possible each but not together
        raise RecordError([record.finding(f"stages.{instance}", str(error))]) from error
    return params, frozenset(reader.reads)
