"""Two-switch forward converter: both switches together, clamp diodes that return the core's energy, diode rectifiers.

Nodes of the subcircuit (ports in capitals)::

    FEED - sensed - bus - loop, damped - top - high switch - winding_start - primary - winding_end - low switch - 0
    winding_end - high clamp diode - top; 0 - low clamp diode - winding_start
    secondary start - forward diode - rectified; secondary end - 0; 0 - freewheel diode - rectified; snubber beside it
    rectified - choke - OUT_A - one branch an output part - 0; OUT_A - copper - LOAD_A - load, probe - 0

The loop's strays lie between the bus and both legs, all in one. The leakage inductance rings with the rectifiers'
capacitance; a resistance beside it gives that ringing its quality factor, another one beside the magnetising inductance
stands for the core's loss. The bus is ideal: its capacitors belong to the stage that feeds it. Left out: the control
loop (the duty is solved for), recovery of the diodes, the fall of capacitances with voltage, winding capacitances,
saturation of the core (its flux is reported), further outputs by windings of their own, a common core of their chokes.
Breaks where the core is not reset within the period: a record whose largest duty is above one half is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.errors import OptionError, RecordError
from netlists.instances import TwoSwitchForward
from netlists.parameters import check, parameter
from netlists.periodic import Edge, Gate, State
from netlists.point import Condition, Point, Reader
from netlists.probe import Probe
from netlists.record import SupplyRecord
from netlists.stages import switching
from netlists.stages import transformer as wound
from netlists.stages.output_record import output_of
from netlists.stages.outputs import Output, bus_bench, output_branches, output_probes, output_states
from netlists.stages.switching import Choke, Diode, GateLaw, Snubber, Strays, Switch
from netlists.stages.switching_record import Parts
from netlists.stages.transformer import Transformer, Winding

KIND = "two_switch_forward"
PREFIX = "xstage"  # the subcircuit's instance in the bench
FEED = "vfeed"  # the bus
TAG = "a"  # of the output
LEG = "0"  # of the one choke and the one transformer
PLACES = ("high", "low")  # of the switches
Part = TypeVar("Part")


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one."""

    high: Switch
    low: Switch
    high_clamp: Diode
    low_clamp: Diode
    transformer: Transformer
    forward: Diode
    freewheel: Diode
    choke: Choke
    output: Output
    strays: Strays
    switching_frequency: float = parameter("Hz", "", gt=0)
    largest_duty: float = parameter("1", "the controller allows; the rest of the period resets the core", gt=0, le=0.5)
    leakage_quality: float = parameter("1", "quality factor of the leakage's ringing with the rectifiers", gt=0)
    snubber: Snubber | None = None

    def __post_init__(self) -> None:
        check(self)
        if len(self.transformer.windings) != 1:
            raise OptionError(f"Params.transformer: must have one secondary, found {len(self.transformer.windings)}")

    @property
    def period(self) -> float:
        """Switching period [s]."""
        return 1 / self.switching_frequency

    @property
    def winding(self) -> Winding:
        """The secondary."""
        return self.transformer.windings[0]

    @property
    def ratio(self) -> float:
        """Of the equivalent's ideal winding, primary over secondary."""
        return self.transformer.ideal_ratio(self.winding)


def whole(part: Diode) -> float:
    """Junction capacitance of all pieces of a place [F]."""
    return part.junction_capacitance * part.parallel


def end_capacitances(params: Params) -> tuple[float, float]:
    """Capacitance at the winding's start and at its end, to whatever stands still [F]."""
    high, low = (one.output_capacitance * one.parallel for one in (params.high, params.low))
    return high + whole(params.low_clamp), low + whole(params.high_clamp)


def primary_capacitance(params: Params) -> float:
    """Across the primary while both switches are off: both of its ends in series [F]."""
    start, end = end_capacitances(params)
    return start * end / (start + end)


def idle_capacitance(params: Params) -> float:
    """What the magnetising inductance rings with after the reset, seen from the primary [F]."""
    return primary_capacitance(params) + whole(params.forward) / params.ratio**2


def loop_capacitance(params: Params) -> float:
    """What the loop's strays ring with while the clamp diodes conduct: both switches [F]."""
    return params.high.output_capacitance * params.high.parallel + params.low.output_capacitance * params.low.parallel


def leakage_damping(params: Params) -> float:
    """Resistance beside the leakage inductance that gives its ringing the stated quality factor [ohm]: Q sqrt(L / C).

    The capacitance is that of the freewheel diode, seen from the primary: its ring is the largest.
    """
    capacitance = whole(params.freewheel) / params.ratio**2
    return params.leakage_quality * math.sqrt(params.transformer.leakage_inductance / capacitance)


def core_resistance(params: Params) -> float:
    """Resistance beside the magnetising inductance for the core's loss [ohm]: Q sqrt(L / C) of its idle ring."""
    inductance = params.transformer.magnetising_inductance
    return switching.IDLE_QUALITY * math.sqrt(inductance / idle_capacitance(params))


def choke_capacitance(params: Params) -> float:
    """What an idle choke rings with [F]: both rectifiers."""
    return whole(params.forward) + whole(params.freewheel)


def law_of(params: Params, part: Switch, bus: float) -> GateLaw:
    """Gate law of a switch: it commutates the bus [V] at the load's current, seen from the primary."""
    commutated = bus * part.parallel * params.ratio / params.output.load_current
    return switching.gate_law(part.on_resistance, commutated, params.strays.switching_time)


def stage(params: Params, bus: float) -> SubCircuit:
    """The converter as a subcircuit with ports feed, out_a, load_a; ``bus`` [V] is what its switches commutate."""
    circuit = SubCircuit(KIND, "feed", f"out_{TAG}", f"load_{TAG}")
    devices.current_sense(circuit, "sense_feed", "feed", "bus")
    switching.loop(circuit, LEG, "bus", params.strays, loop_capacitance(params))
    _primary(circuit, params, bus)
    _rectifiers(circuit, params)
    core = switching.core_resistance(params.choke, choke_capacitance(params))
    switching.choke(circuit, LEG, "rectified", f"out_{TAG}", params.choke, core)
    output_branches(circuit, params.output, TAG)
    return circuit


def _primary(circuit: SubCircuit, params: Params, bus: float) -> None:
    """Both switches, both clamp diodes and the transformer between them."""
    top, start, end = f"top_{LEG}", "winding_start", "winding_end"
    for place, part, drain, source in (("high", params.high, top, start), ("low", params.low, end, "0")):
        switching.switch(circuit, place, drain, source, part, law_of(params, part, bus), f"sense_{place}")
        devices.pulse(circuit, f"gate_{place}", f"gate_{place}")
    switching.diode(circuit, "clamp_high", end, top, params.high_clamp, "sense_clamp_high")
    switching.diode(circuit, "clamp_low", "0", start, params.low_clamp, "sense_clamp_low")
    circuit.VCVS("across_high", "across_high", "0", top, start, "1")
    circuit.VCVS("across_clamp", "across_clamp", "0", top, end, "1")
    wound.transformer(circuit, LEG, start, end, params.transformer)
    devices.resistor(circuit, "leakage_damping", f"wound_{LEG}", f"magnetised_{LEG}", leakage_damping(params))
    devices.resistor(circuit, "core_loss", f"magnetised_{LEG}", end, core_resistance(params))
    wound.winding(circuit, "secondary", LEG, "secondary", "0", end, params.transformer, params.winding)


def _rectifiers(circuit: SubCircuit, params: Params) -> None:
    """What stands between the secondary and the choke."""
    switching.diode(circuit, "forward", "secondary", "rectified", params.forward, "sense_forward")
    switching.diode(circuit, "freewheel", "0", "rectified", params.freewheel, "sense_freewheel")
    circuit.VCVS("across_forward", "across_forward", "0", "rectified", "secondary", "1")
    if params.snubber is not None:
        switching.snubber(circuit, LEG, "rectified", params.snubber)


def bench(params: Params, condition: Condition) -> Circuit:
    """The converter between an ideal bus, ``vfeed``, and its load with the probe of the condition."""
    return bus_bench(stage(params, condition.line_voltage), params.output, TAG, condition)


def gates(params: Params, bus: float) -> tuple[Gate, Gate]:
    """Both gates; the period begins in the middle of the on-time, its edges are counted at the switches' knees."""
    on, off = Edge(0.0, -0.5), Edge(0.0, 0.5)
    high, low = (
        switching.place_gate(PREFIX, place, on, off, law_of(params, part, bus), 0)
        for place, part in zip(PLACES, (params.high, params.low), strict=True)
    )
    return high, low


def states(params: Params, condition: Condition) -> tuple[State, ...]:
    """Every energy store of the bench; those with an unknown are slow."""
    capacitor = switching.capacitor_state
    top, start, end = f"top_{LEG}", "winding_start", "winding_end"
    found = [
        switching.choke_state(PREFIX, LEG, params.choke),
        wound.magnetising_state(PREFIX, LEG),
        wound.leakage_state(PREFIX, LEG),
        switching.loop_state(PREFIX, LEG),
        capacitor(PREFIX, "out_high", top, start, "high"),
        capacitor(PREFIX, "out_low", end, "0", "low"),
        capacitor(PREFIX, "out_clamp_high", end, top, "clamp"),
        capacitor(PREFIX, "out_clamp_low", "0", start, "clamp"),
        capacitor(PREFIX, "out_forward", "secondary", "rectified", "forward"),
        capacitor(PREFIX, "out_freewheel", "0", "rectified", "freewheel"),
    ]
    if params.snubber is not None:
        found.append(capacitor(PREFIX, f"snubber_{LEG}", f"in_snubber_{LEG}", "0", "snubber"))
    return (*found, *output_states(PREFIX, params.output, TAG, condition))


def probes(params: Params) -> tuple[Probe, ...]:
    """What can be measured: every place, transformer, choke, the output, what the bus gives."""

    def sensed(name: str, device: str, doc: str) -> Probe:
        return Probe(name, f"v.{PREFIX}.vsense_{device}#branch", "A", doc, "current")

    def across(name: str, node: str, doc: str) -> Probe:
        return Probe(name, f"{PREFIX}.{node}", "V", doc, "voltage", "0")

    magnetising = f"l.{PREFIX}.lmagnetising_{LEG}#branch"
    return (
        sensed("feed_current", "feed", "out of the bus"),
        sensed("primary_current", f"primary_{LEG}", f"into the primary of {params.transformer.designator}"),
        Probe("magnetising_current", magnetising, "A", f"of {params.transformer.designator}", "current"),
        sensed("high_current", "high", f"{params.high.designator}, all pieces"),
        across("high_voltage", "across_high", f"across {params.high.designator}"),
        sensed("low_current", "low", f"{params.low.designator}, all pieces"),
        across("low_voltage", "winding_end", f"across {params.low.designator}"),
        sensed("clamp_high_current", "clamp_high", f"{params.high_clamp.designator}, returns to the bus"),
        across("clamp_high_voltage", "across_clamp", f"across {params.high_clamp.designator}, reverse"),
        sensed("clamp_low_current", "clamp_low", f"{params.low_clamp.designator}, from ground"),
        across("clamp_low_voltage", "winding_start", f"across {params.low_clamp.designator}, reverse"),
        sensed("forward_current", "forward", f"{params.forward.designator}, all pieces"),
        across("forward_voltage", "across_forward", f"across {params.forward.designator}, reverse"),
        sensed("freewheel_current", "freewheel", f"{params.freewheel.designator}, all pieces"),
        across("freewheel_voltage", "rectified", f"across {params.freewheel.designator}, reverse"),
        sensed(f"choke_current_{LEG}", f"choke_{LEG}", f"{params.choke.designator}"),
        *output_probes(PREFIX, params.output, TAG),
    )


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Params, frozenset[str]]:
    """Parameters of an instance at a point, and the record paths read."""
    stage_of = record.instance(instance)
    if not isinstance(stage_of, TwoSwitchForward):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    if not stage_of.is_modelled():
        raise OptionError(f"stages.{instance}: recorded only, since none of its parts says its role")
    reader = Reader(record, point)
    parts = Parts(record, instance, reader, 1)
    try:
        params = Params(
            _held(parts.switch("high_switch")),
            _held(parts.switch("low_switch")),
            _held(parts.diode("high_clamp")),
            _held(parts.diode("low_clamp")),
            parts.transformers("transformer")[0],
            _held(parts.diode("forward_diode")),
            _held(parts.diode("freewheel_diode")),
            _held(parts.choke("output_choke")),
            output_of(record, instance, reader),
            parts.strays(),
            parts.stage_value("switching_frequency"),
            parts.stage_value("largest_duty"),
            parts.stage_value("leakage_quality"),
            parts.snubber(),
        )
    except OptionError as error:  # values that are possible each but not together
        raise RecordError([record.finding(f"stages.{instance}", str(error))]) from error
    return params, frozenset(reader.reads)


def _held(part: Part | None) -> Part:
    """A part whose role was checked to be held when the record was read."""
    assert part is not None
    return part
