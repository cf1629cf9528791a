"""Flyback with an RCD clamp: one regulated rail, further rails that follow it by their turns, post filters.

Nodes of the subcircuit (ports in capitals); r is the rail (a is the regulated one, then b, c, d)::

    FEED - input - transformer's primary - drain - switch - source - sense resistor - 0
    drain - loop, damped - clamp_in - clamp diode - clamped - clamp capacitor and resistor side by side - input
    drain - its own capacitance - 0;  core loss beside the magnetising inductance, damping beside the leakage
    0 - winding of rail r - anode_r - rectifier, snubber beside it - first_r - post choke - OUT_R;  or straight - OUT_R
    first_r, OUT_R - one branch a bank - 0
    OUT_R - copper - LOAD_R - load, probe - 0

The regulated rail's rectifier is a diode or a synchronous switch, its source at the winding. That turns on a delay
after its body diode began to conduct and off a lead before its current is zero, or a lead before the switch's turn-on
where that comes first. So its controller knows of the turn-on (it predicts it or is told); one that only watches the
current is stated by a negative lead, the time it is late. The solver finds these instants, for which a source
``surrogate`` lets channels conduct by themselves (0 in the deck of the figures). A body diode that the turn-on forces
off recovers at once here, and what a late turn-off leaves in the leakage meets no avalanche.

Frequency is fixed (continuous, boundary or discontinuous, as it falls out) or such that the turn-on comes a stated time
after the secondary's current has ended, half a period of the drain's ring where none is stated (valley). Both sides
share their ground here: no isolation, no common-mode path. The loads are resistances. Left out: leakage between
secondaries (all of it lies on the primary's side), the loop of regulation, current limit, burst and frequency foldback,
the bus's ripple at the line frequency, the gate drive, what ``switching`` and ``transformer`` leave out. Breaks where:
the core saturates, a rail that follows is loaded so lightly that what couples the windings beside the core fills it.
"""

from __future__ import annotations

import math

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.decktext import number
from netlists.periodic import Edge, Gate, Level, Rectifier, State, quiet_instant
from netlists.point import Condition
from netlists.probe import Probe
from netlists.stages import switching
from netlists.stages.banks import bank_branch
from netlists.stages.flyback_params import (
    KIND,
    Params,
    Secondary,
    core_resistance,
    full_power,
    leakage_damping,
    rails,
    switch_capacitance,
)
from netlists.stages.flyback_params import params_from as params_from
from netlists.stages.outputs import output_branches, output_load, output_probes, output_states
from netlists.stages.switching import GateLaw, Switch
from netlists.stages.transformer import leakage_state, magnetising_state, transformer, winding

PREFIX = "xstage"  # the subcircuit's instance in the bench
CORE = "t"  # tag of the transformer
SURROGATE = f"v.{PREFIX}.vsurrogate"  # the source that lets rectifier channels conduct by themselves
FEED = Level("vfeed")  # the bus, where it is a control
MAGNETISING = f"l.{PREFIX}.lmagnetising_{CORE}#branch"  # its zero is that of the secondaries' current


def switch_law(params: Params, condition: Condition) -> GateLaw:
    """Gate law of the switch: it commutates the bus at the peak a discontinuous flyback has, sqrt(2 P / (L f))."""
    power = full_power(params) * condition.load_fraction
    peak = math.sqrt(2 * power / (params.primary.primary_inductance * params.switching_frequency))
    commutated = condition.line_voltage * params.switch.parallel / peak
    return switching.gate_law(params.switch.on_resistance, commutated, params.strays.switching_time)


def rectifier_law(params: Params, one: Secondary, part: Switch) -> GateLaw:
    """Gate law of a synchronous rectifier: it takes over from its body diode at the load's current."""
    commutated = part.body_diode_voltage * part.parallel / one.output.load_current
    return switching.gate_law(part.on_resistance, commutated, params.strays.switching_time)


def stage(params: Params, condition: Condition) -> SubCircuit:
    """The converter as a subcircuit with ports feed, out_a, load_a and so on."""
    ports = [f"{port}_{tag}" for tag, _ in rails(params) for port in ("out", "load")]
    circuit = SubCircuit(KIND, "feed", *ports)
    devices.current_sense(circuit, "sense_feed", "feed", "input")
    transformer(circuit, CORE, "input", "drain", params.primary)
    devices.resistor(circuit, "leakage_damping", f"wound_{CORE}", f"magnetised_{CORE}", leakage_damping(params))
    devices.resistor(circuit, "core", f"magnetised_{CORE}", "drain", core_resistance(params))
    circuit.VCVS("magnetising", "across_magnetising", "0", f"magnetised_{CORE}", "drain", "1")
    law = switch_law(params, condition)
    switching.switch(circuit, "main", "drain", "source", params.switch, law, "sense_main")
    devices.pulse(circuit, "gate_main", "gate_main")
    devices.resistor(circuit, "sense", "source", "0", params.sense_resistance or switching.SHORT)
    circuit.VCVS("across_main", "across_main", "0", "drain", "source", "1")
    if params.drain_capacitance is not None:
        devices.capacitor(circuit, "drain", "drain", "0", params.drain_capacitance)
    _clamp(circuit, params)
    for tag, one in rails(params):
        _secondary(circuit, params, one, tag)
    if any(one.synchronous for one in params.secondaries):
        devices.pulse(circuit, "surrogate", "surrogate")
    return circuit


def _clamp(circuit: SubCircuit, params: Params) -> None:
    part, strays = params.clamp, params.strays
    devices.resistor(
        circuit, "loop_clamp", "drain", "clamp_in", switching.loop_damping(strays, switch_capacitance(params))
    )
    devices.inductance(circuit, "loop_clamp", "drain", "clamp_in", strays.loop_inductance)
    switching.diode(circuit, "clamp", "clamp_in", "clamped", part.diode, "sense_clamp")
    circuit.VCVS("across_clamp", "across_clamp", "0", "clamped", "clamp_in", "1")
    circuit.VCVS("clamp_voltage", "clamp_voltage", "0", "clamped", "input", "1")
    devices.capacitor(
        circuit, "clamp", "clamped", "input",
        part.capacitance * part.capacitors_parallel / part.capacitors_series,
    )  # fmt: skip
    devices.resistor(
        circuit, "clamp", "clamped", "input", part.resistance * part.resistors_series / part.resistors_parallel
    )


def _secondary(circuit: SubCircuit, params: Params, one: Secondary, tag: str) -> None:
    """Winding, rectifying place and banks of a rail. A synchronous place stands where the diode does."""
    anode, cathode = f"anode_{tag}", (f"first_{tag}" if one.firsts else f"out_{tag}")
    winding(circuit, f"secondary_{tag}", CORE, "0", anode, "drain", params.primary, one.winding)
    device, sense = f"rectifier_{tag}", f"sense_rectifier_{tag}"
    if isinstance(one.rectifier, Switch):
        law = rectifier_law(params, one, one.rectifier)
        switching.switch(circuit, device, cathode, anode, one.rectifier, law, sense)
        devices.pulse(circuit, f"gate_{device}", f"gate_{device}")
        switching.surrogate(circuit, device, tag, anode, one.rectifier)
    else:
        switching.diode(circuit, device, anode, cathode, one.rectifier, sense)
    circuit.VCVS(f"across_rectifier_{tag}", f"across_rectifier_{tag}", "0", cathode, anode, "1")
    if one.snubber is not None:
        devices.resistor(circuit, f"snubber_{tag}", anode, f"in_snubber_{tag}", one.snubber.resistance)
        devices.capacitor(circuit, f"snubber_{tag}", f"in_snubber_{tag}", cathode, one.snubber.capacitance)
    for place, part in enumerate(one.firsts):
        bank_branch(circuit, f"first_{tag}{place}", cathode, part)
    if one.choke is not None:
        switching.choke(circuit, f"post_{tag}", cathode, f"out_{tag}", one.choke)
    output_branches(circuit, one.output, tag)


def bench(params: Params, condition: Condition, *, bus_is_control: bool = False) -> Circuit:
    """The converter between its bus and its loads, each rail with the probe of the condition."""
    circuit = Circuit(KIND)
    circuit.subcircuit(stage(params, condition))
    if bus_is_control:
        devices.pulse(circuit, "feed", "feed")
    else:
        circuit.V("feed", "feed", "0", number(condition.line_voltage))
    ports = [f"{port}_{tag}" for tag, _ in rails(params) for port in ("out", "load")]
    circuit.X("stage", KIND, "feed", *ports)
    for tag, one in rails(params):
        output_load(circuit, one.output, tag, condition)
    return circuit


def cut_share(params: Params, condition: Condition, duty: float, frequency: float) -> float:
    """Where the period begins, as a share of it from the middle of the on-time: there, but for a very short one."""
    ramp = switch_law(params, condition).ramp * frequency
    return 0.0 if duty > 2.5 * ramp else quiet_instant((-0.5 * duty, 0.5 * duty), 1.0, ramp)


def gate(params: Params, condition: Condition, duty: float, frequency: float) -> Gate:
    """The switch's gate, its edges at their knees."""
    cut = cut_share(params, condition, duty, frequency)
    law = switch_law(params, condition)
    return switching.place_gate(PREFIX, "main", Edge(-cut, -0.5), Edge(-cut, 0.5), law, 0)


def synchronous_rectifiers(
    params: Params, condition: Condition, duty: float, frequency: float
) -> tuple[Rectifier, ...]:
    """The regulated rail's, where it is synchronous: it conducts from the switch's turn-off until its turn-on at most.

    Its source lies at the winding, so its own current runs backwards.
    """
    tag, one = rails(params)[0]
    if one.synchronous is None:
        return ()
    cut, law = cut_share(params, condition, duty, frequency), rectifier_law(params, one, one.synchronous)
    turn_off = Edge(-cut, 0.5)
    return (
        Rectifier(
            switching.place_gate(PREFIX, f"rectifier_{tag}", turn_off, turn_off, law, 0),
            f"v.{PREFIX}.vsense_rectifier_{tag}#branch", f"v.{PREFIX}.vsense_secondary_{tag}#branch", -1, -1,
            params.rectifier_delay, params.rectifier_lead, params.rectifier_least_on, 0,
            latest=Edge(-cut, -0.5, -params.rectifier_lead), is_straight=True,
        ),
    )  # fmt: skip


def states(params: Params, condition: Condition) -> tuple[State, ...]:
    """Every energy store of the bench; those with an unknown are slow. The leakage's current moves with the core's."""
    magnetising = magnetising_state(PREFIX, CORE)
    found = [
        magnetising,
        leakage_state(PREFIX, CORE, magnetising.unknown),
        State(f"c.{PREFIX}.cclamp", f"{PREFIX}.clamped", f"{PREFIX}.input", unknown="clamp voltage"),
        switching.loop_state(PREFIX, "clamp"),
        switching.capacitor_state(PREFIX, "out_main", "drain", "source", "switch"),
        switching.capacitor_state(PREFIX, "out_clamp", "clamp_in", "clamped", "clamp"),
    ]
    if params.drain_capacitance is not None:
        found.append(switching.capacitor_state(PREFIX, "drain", "drain", "0", "switch"))
    for tag, one in rails(params):
        anode, cathode = f"{PREFIX}.anode_{tag}", (f"{PREFIX}.first_{tag}" if one.firsts else f"out_{tag}")
        if one.synchronous is None:
            found.append(State(f"c.{PREFIX}.cout_rectifier_{tag}", anode, cathode, place=f"rectifier {tag}"))
        else:
            found.append(State(f"c.{PREFIX}.cout_rectifier_{tag}", cathode, anode, place=f"channel {tag}"))
        if one.snubber is not None:
            inside = f"{PREFIX}.in_snubber_{tag}"
            found.append(State(f"c.{PREFIX}.csnubber_{tag}", inside, cathode, place=f"rectifier {tag}"))
        names = [f"first_{tag}{place}" for place in range(len(one.firsts))]
        found += switching.bank_states(PREFIX, names, one.firsts, f"first voltage {tag}")
        if one.choke is not None:
            found.append(switching.choke_state(PREFIX, f"post_{tag}", one.choke))
        found += output_states(PREFIX, one.output, tag, condition)
    return tuple(found)


def regulated_vector(params: Params) -> str:
    """The voltage the divider sees."""
    return f"{PREFIX}.first_a" if params.secondaries[0].firsts and not params.at_second_bank else "out_a"


def probes(params: Params) -> tuple[Probe, ...]:
    """What can be measured: switch, clamp, core, every rectifier, bank and output, the bus."""

    def sensed(signal: str, device: str, doc: str) -> Probe:
        return Probe(signal, f"v.{PREFIX}.vsense_{device}#branch", "A", doc, "current")

    def across(signal: str, node: str, doc: str) -> Probe:
        return Probe(signal, f"{PREFIX}.{node}", "V", doc, "voltage")

    found = [
        sensed("feed_current", "feed", "out of the bus"),
        sensed("primary_current", f"primary_{CORE}", f"primary of {params.primary.designator}"),
        Probe("magnetising_current", MAGNETISING, "A", f"core of {params.primary.designator}", "current"),
        across("magnetising_voltage", "across_magnetising", "across the magnetising inductance"),
        sensed("switch_current", "main", f"{params.switch.designator}, all pieces"),
        across("switch_voltage", "across_main", f"across {params.switch.designator}"),
        sensed("clamp_current", "clamp", f"{params.clamp.diode.designator}, all pieces"),
        across("clamp_diode_voltage", "across_clamp", f"across {params.clamp.diode.designator}, reverse"),
        across("clamp_voltage", "clamp_voltage", f"across {params.clamp.capacitor}"),
    ]
    for tag, one in rails(params):
        device = one.rectifier.designator
        found.append(sensed(f"rectifier_current_{tag}", f"rectifier_{tag}", f"{device}, all pieces"))
        found.append(across(f"rectifier_voltage_{tag}", f"across_rectifier_{tag}", f"across {device}, reverse"))
        if one.choke is not None:
            doc = f"{one.output.name}, at its first bank"
            found.append(Probe(f"first_voltage_{tag}", f"{PREFIX}.first_{tag}", "V", doc, "voltage", "0"))
            found.append(sensed(f"choke_current_post_{tag}", f"choke_post_{tag}", one.choke.designator))
        found += [
            sensed(f"first_current_{tag}{place}", f"first_{tag}{place}", f"into all of {part.designator}")
            for place, part in enumerate(one.firsts)
        ]
        found += output_probes(PREFIX, one.output, tag)
    return tuple(found)
