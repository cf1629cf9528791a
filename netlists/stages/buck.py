"""Buck rails: interleaved phases, synchronous or with a diode, and the input filter they stand behind.

Nodes of the subcircuit (ports in capitals); r is the rail (a, b), k its phase::

    FEED - feed and input choke - input - one branch an input part - 0
    input - loop_rk - high place - middle_rk - low place (switch, Schottky beside it, or a diode alone) - 0
    middle_rk - choke - OUT_R - one branch an output part - 0
    OUT_R - copper - LOAD_R - load, probe - 0

A synchronous low place conducts whenever the high one does not, less the dead times. In diode emulation it also turns
off a lead before the choke's current is zero, its body diode (or the Schottky beside it) carries the rest, and both
places idle until the next turn-on; that instant is found by the solver, for which a source ``surrogate`` lets the
channel conduct by itself (0 in the deck of the figures). While the current is continuous it is an ordinary one.

Two rails may share the input, their switching locked to each other at a phase angle. The load is a resistance. Left
out: the control loop (the duty is solved for, so load steps are not answered), what ``switching`` leaves out.
Breaks where: phases share unequally (equal duties here), the feed rail itself ripples, a diode recovers.
"""

from __future__ import annotations

from typing import Literal

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.decktext import number
from netlists.periodic import Edge, Gate, Rectifier, State, quiet_instant
from netlists.point import Condition
from netlists.probe import Probe
from netlists.stages import switching
from netlists.stages.banks import bank_branch
from netlists.stages.buck_params import KIND as KIND
from netlists.stages.buck_params import TAGS as TAGS
from netlists.stages.buck_params import Params as Params
from netlists.stages.buck_params import Rail as Rail
from netlists.stages.buck_params import legs as legs
from netlists.stages.buck_params import lower_capacitance as lower_capacitance
from netlists.stages.buck_params import middle_capacitance as middle_capacitance
from netlists.stages.buck_params import params_from as params_from
from netlists.stages.outputs import output_branches, output_load, output_probes, output_states
from netlists.stages.switching import GateLaw, Switch

PREFIX = "xstage"  # the subcircuit's instance in the bench
SURROGATE = f"v.{PREFIX}.vsurrogate"  # the source that lets low channels conduct by themselves
Probing = Literal["none", "desktop guide"]


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
    if any(rail.emulates_diode for rail in params.rails):
        devices.pulse(circuit, "surrogate", "surrogate")
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
        if rail.emulates_diode:
            switching.surrogate(circuit, f"low_{tag}", tag, "0", rail.low)
    if rail.diode is not None:
        switching.diode(circuit, f"free_{tag}", "0", middle, rail.diode, f"sense_free_{tag}")
    if rail.snubber is not None:
        switching.snubber(circuit, tag, middle, rail.snubber)
    core = None
    if rail.may_idle:
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
    """All gates but those of ``emulated``.

    The period begins where, at these duties, the longest stretch without an edge has its middle.
    """
    spans = list(zip(legs(params), edges(params), strict=True))
    cut = cut_instant(params, duties) / params.period
    found = []
    for (tag, index, rail), edges_of_leg in spans:
        on, off = (Edge(edge.fraction - cut, edge.per_duty) for edge in edges_of_leg)
        found.append(switching.place_gate(PREFIX, f"high_{tag}", on, off, high_law(params, rail), index))
        if rail.rectification == "synchronous" and not rail.emulates_diode:
            low_on = Edge(off.fraction, off.per_duty, rail.dead_time_falling)
            low_off = Edge(on.fraction, on.per_duty, -rail.dead_time_rising)
            found.append(switching.place_gate(PREFIX, f"low_{tag}", low_on, low_off, low_law(params, rail), index))
    return tuple(found)


def emulated(params: Params, duties: tuple[float, ...]) -> tuple[Rectifier, ...]:
    """Low places that emulate a diode; the phases of a rail keep the same edges."""
    cut, found = cut_instant(params, duties) / params.period, []
    for (tag, index, rail), (on, off) in zip(legs(params), edges(params), strict=True):
        if not rail.emulates_diode:
            continue
        turn_off = Edge(off.fraction - cut, off.per_duty)
        found.append(
            Rectifier(
                switching.place_gate(PREFIX, f"low_{tag}", turn_off, turn_off, low_law(params, rail), index),
                f"v.{PREFIX}.vsense_low_{tag}#branch", f"v.{PREFIX}.vsense_choke_{tag}#branch", -1, 1,
                rail.dead_time_falling, rail.turn_off_lead, rail.least_on_time, index,
                latest=Edge(on.fraction - cut, on.per_duty, -rail.dead_time_rising), is_timed=True, is_straight=True,
            )
        )  # fmt: skip
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
