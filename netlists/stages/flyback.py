"""Flyback with an RCD clamp: one regulated rail, further rails that follow it by their turns, post filters.

Nodes of the subcircuit (ports in capitals); r is the rail (a is the regulated one, then b, c, d)::

    FEED - input - transformer's primary - drain - switch - source - sense resistor - 0
    drain - loop, damped - clamp_in - clamp diode - clamped - clamp capacitor and resistor side by side - input
    drain - its own capacitance - 0;  core loss beside the magnetising inductance, damping beside the leakage
    0 - winding of rail r - anode_r - rectifier, snubber beside it - first_r - post choke - OUT_R;  or straight - OUT_R
    first_r, OUT_R - one branch a bank - 0
    OUT_R - copper - LOAD_R - load, probe - 0

Frequency is fixed (continuous, boundary or discontinuous, as it falls out) or such that the turn-on comes a stated time
after the secondary's current has ended, half a period of the drain's ring where none is stated (valley). Both sides
share their ground here: no isolation, no common-mode path. The loads are resistances. Left out: leakage between
secondaries (all of it lies on the primary's side), the loop of regulation, current limit, burst and frequency foldback,
the bus's ripple at the line frequency, the gate drive, what ``switching`` and ``transformer`` leave out. Breaks where:
the core saturates, a rail that follows is loaded so lightly that what couples the windings beside the core fills it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.decktext import number
from netlists.errors import OptionError, RecordError
from netlists.instances import Flyback
from netlists.parameters import check, count, parameter
from netlists.periodic import Edge, Gate, Level, State, quiet_instant
from netlists.point import Condition, Point, Reader
from netlists.probe import Probe
from netlists.record import SupplyRecord
from netlists.stages import switching
from netlists.stages.banks import Bank, bank_branch
from netlists.stages.outputs import Output, output_branches, output_load, output_probes, output_states
from netlists.stages.switching import Choke, Diode, GateLaw, Snubber, Strays, Switch
from netlists.stages.switching_record import Parts
from netlists.stages.transformer import Transformer, Winding, leakage_state, magnetising_state, transformer, winding

KIND = "flyback"
PREFIX = "xstage"  # the subcircuit's instance in the bench
TAGS = ("a", "b", "c", "d")  # rails, the regulated one first
CORE = "t"  # tag of the transformer
FEED = Level("vfeed")  # the bus, where it is a control
MAGNETISING = f"l.{PREFIX}.lmagnetising_{CORE}#branch"  # its zero is that of the secondaries' current
Mode = Literal["fixed_frequency", "valley"]


@dataclass(frozen=True, slots=True)
class Clamp:
    """What takes the leakage's energy: a diode into a capacitor that a resistor discharges; values of one piece."""

    diode: Diode
    capacitor: str
    resistor: str
    capacitance: float = parameter("F", "one piece", gt=0)
    resistance: float = parameter("ohm", "one piece", gt=0)
    capacitors_parallel: int = count("strings in parallel")
    capacitors_series: int = count("pieces in a string")
    resistors_parallel: int = count("strings in parallel")
    resistors_series: int = count("pieces in a string")

    def __post_init__(self) -> None:
        check(self)

    @property
    def resistor_pieces(self) -> int:
        """They share the dissipation evenly."""
        return self.resistors_parallel * self.resistors_series


@dataclass(frozen=True, slots=True)
class Secondary:
    """One rail. With a post filter ``firsts`` is the bank at the rectifier and the output's banks are the second."""

    output: Output
    winding: Winding
    rectifier: Diode
    firsts: tuple[Bank, ...] = ()
    choke: Choke | None = None
    snubber: Snubber | None = None

    def __post_init__(self) -> None:
        if bool(self.firsts) != bool(self.choke):
            raise OptionError("Secondary.choke: a post filter needs both a first bank and a choke")
        if not self.output.banks:
            raise OptionError("Secondary.output: needs at least one capacitor")


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one; the regulated rail first. The bus is the condition's."""

    mode: Mode
    switch: Switch
    primary: Transformer
    clamp: Clamp
    secondaries: tuple[Secondary, ...]
    strays: Strays
    switching_frequency: float = parameter("Hz", "fixed, or the highest a valley-switched controller sets", gt=0)
    largest_duty: float = parameter("1", "the controller allows", gt=0, le=1)
    turn_on_delay: float | None = parameter("s", "from the secondary's current zero; valley only", gt=0, default=None)
    sense_resistance: float | None = parameter("ohm", "all pieces together", gt=0, default=None)
    drain_capacitance: float | None = parameter("F", "beside the switch, all pieces together", gt=0, default=None)
    at_second_bank: bool = False  # the divider hangs there

    def __post_init__(self) -> None:
        check(self)
        if not 1 <= len(self.secondaries) <= len(TAGS):
            raise OptionError(f"Params.secondaries: must be 1 to {len(TAGS)}, found {len(self.secondaries)}")
        if len(self.primary.windings) != len(self.secondaries):
            raise OptionError("Params.primary: needs one winding a secondary")
        if self.at_second_bank and not self.secondaries[0].firsts:
            raise OptionError("Params.at_second_bank: the regulated rail has no post filter")


def rails(params: Params) -> list[tuple[str, Secondary]]:
    """Tag and secondary of every rail."""
    return list(zip(TAGS, params.secondaries, strict=False))


def switch_capacitance(params: Params) -> float:
    """What lies across the switch itself [F]."""
    return params.switch.output_capacitance * params.switch.parallel + (params.drain_capacitance or 0.0)


def rectifier_capacitance(params: Params) -> float:
    """Junctions of all rectifiers as seen by the primary [F]: over the square of the ideal ratio."""
    return sum(
        one.rectifier.junction_capacitance * one.rectifier.parallel / params.primary.ideal_ratio(one.winding) ** 2
        for one in params.secondaries
    )


def drain_capacitance(params: Params) -> float:
    """All that rings with the magnetising inductance while nothing conducts [F]."""
    clamp = params.clamp.diode.junction_capacitance * params.clamp.diode.parallel
    snubbers = sum(
        one.snubber.capacitance / params.primary.ideal_ratio(one.winding) ** 2
        for one in params.secondaries
        if one.snubber is not None
    )
    return switch_capacitance(params) + clamp + rectifier_capacitance(params) + snubbers


def turn_on_delay(params: Params) -> float:
    """From the secondary's current zero to the turn-on in valley mode [s]: as stated, or half a period of the ring."""
    if params.turn_on_delay is not None:
        return params.turn_on_delay
    return math.pi * math.sqrt(params.primary.magnetising_inductance * drain_capacitance(params))


def core_resistance(params: Params) -> float:
    """Resistance beside the magnetising inductance for the core's loss [ohm], by the quality of the drain's ring."""
    return switching.IDLE_QUALITY * math.sqrt(params.primary.magnetising_inductance / drain_capacitance(params))


def leakage_damping(params: Params) -> float:
    """Resistance beside the leakage [ohm]: the stated quality of its ringing with the rectifiers' junctions."""
    return params.strays.loop_quality * math.sqrt(params.primary.leakage_inductance / rectifier_capacitance(params))


def full_power(params: Params) -> float:
    """Power of all rails at full load [W]."""
    return sum(one.output.voltage * one.output.load_current for one in params.secondaries)


def switch_law(params: Params, condition: Condition) -> GateLaw:
    """Gate law of the switch: it commutates the bus at the peak a discontinuous flyback has, sqrt(2 P / (L f))."""
    power = full_power(params) * condition.load_fraction
    peak = math.sqrt(2 * power / (params.primary.primary_inductance * params.switching_frequency))
    commutated = condition.line_voltage * params.switch.parallel / peak
    return switching.gate_law(params.switch.on_resistance, commutated, params.strays.switching_time)


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
    """Winding, rectifying place and banks of a rail. A synchronous place would stand where the diode does."""
    anode, cathode = f"anode_{tag}", (f"first_{tag}" if one.firsts else f"out_{tag}")
    winding(circuit, f"secondary_{tag}", CORE, "0", anode, "drain", params.primary, one.winding)
    switching.diode(circuit, f"rectifier_{tag}", anode, cathode, one.rectifier, f"sense_rectifier_{tag}")
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
        found.append(State(f"c.{PREFIX}.cout_rectifier_{tag}", anode, cathode, place=f"rectifier {tag}"))
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


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Params, frozenset[str]]:
    """Parameters of an instance at a point, and the record paths read."""
    found = record.instance(instance)
    if not isinstance(found, Flyback):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    if not found.is_modelled():
        raise OptionError(f"stages.{instance}: recorded only, since none of its parts says its role")
    reader = Reader(record, point)
    own = Parts(record, instance, reader, 1)
    switch = own.switch("primary_switch")
    assert switch is not None  # roles were checked when the record was read
    valley = reader.structure(instance, "mode") == "valley"
    sense = own.total("sense_resistor", "resistance", adds_in_series=True)
    drain = own.total("drain_capacitor", "capacitance", adds_in_series=False)
    try:
        secondaries = tuple(_rail(record, instance, found, reader, rail) for rail in rail_names(record, instance))
        params = Params(
            mode="valley" if valley else "fixed_frequency",
            switch=switch,
            primary=_transformer(own, reader, tuple(one.winding for one in secondaries)),
            clamp=_clamp_of(own, reader),
            secondaries=secondaries,
            strays=own.strays(),
            switching_frequency=own.stage_value("switching_frequency"),
            largest_duty=own.stage_value("largest_duty"),
            turn_on_delay=own.optional_value("turn_on_delay") if valley else None,
            sense_resistance=sense[1] if sense else None,
            drain_capacitance=drain[1] if drain else None,
            at_second_bank=found.regulated_at == "second_bank",
        )
    except OptionError as error:  # values that are possible each but not together
        raise RecordError([record.finding(f"stages.{instance}", str(error))]) from error
    return params, frozenset(reader.reads)


def rail_names(record: SupplyRecord, instance: str) -> list[str]:
    """The regulated rail, then every further one in the order of its winding."""
    own = str(getattr(record.instance(instance), "rail", ""))
    return [own, *(part.output for _, _, part in record.parts_in_role(instance, "further_winding"))]


def _transformer(own: Parts, reader: Reader, windings: tuple[Winding, ...]) -> Transformer:
    designator, path, _ = own.holders("transformer")[0]
    fields = ("primary_inductance", "leakage_inductance", "primary_resistance")
    return Transformer(designator, windings, *(reader.value(f"{path}.{field}") for field in fields))


def _clamp_of(own: Parts, reader: Reader) -> Clamp:
    diode = own.diode("clamp_diode")
    assert diode is not None  # roles were checked when the record was read
    capacitor, c_path, c_part = own.holders("clamp_capacitor")[0]
    resistor, r_path, r_part = own.holders("clamp_resistor")[0]
    return Clamp(
        diode, capacitor, resistor, reader.value(f"{c_path}.capacitance"), reader.value(f"{r_path}.resistance"),
        c_part.parallel, c_part.series, r_part.parallel, r_part.series,
    )  # fmt: skip


def _rail(record: SupplyRecord, instance: str, stage_: Flyback, reader: Reader, rail: str) -> Secondary:
    is_own = rail == stage_.rail
    parts = Parts(record, instance, reader, 1, ("", rail) if is_own else (rail,))
    rectifier = parts.diode("rectifier")
    assert rectifier is not None  # checked when the record was read
    if is_own:
        _, path, _ = parts.holders("transformer")[0]
        wound = Winding(reader.value(f"{path}.ratio"), reader.value(f"{path}.secondary_resistance"))
    else:
        _, path, _ = parts.holders("further_winding")[0]
        wound = Winding(reader.value(f"{path}.ratio"), reader.value(f"{path}.resistance"))
    firsts, seconds = parts.banks("output_bank"), parts.banks("second_bank")
    copper = [parts.optional_value(field) if is_own else None for field in ("copper_resistance", "copper_inductance")]
    resistance = parts.total("snubber_resistor", "resistance", adds_in_series=True)
    capacitance = parts.total("snubber_capacitor", "capacitance", adds_in_series=False)
    output = Output(
        rail, seconds or firsts, reader.value(f"nameplate.rails.{rail}.voltage"),
        reader.value(f"nameplate.rails.{rail}.current"), *copper,
    )  # fmt: skip
    return Secondary(
        output, wound, rectifier, firsts if seconds else (), parts.choke("post_choke"),
        Snubber(resistance[1], capacitance[1]) if resistance and capacitance else None,
    )  # fmt: skip
