"""LLC converter: half or full bridge, resonant tank, one or several transformers, rectifiers centre-tapped or bridged.

Nodes of the subcircuit (ports in capitals); k numbers the transformers, whose primaries are in series::

    FEED - bus; high_a between bus and middle_a, low_a between middle_a and 0; full bridge: high_b, low_b at middle_b
    middle_a - tank inductance and resistance - magnetised_0 - (primary of transformer 0) - magnetised_1 ... - foot
    foot - resonant capacitors - return, which is 0 (half bridge) or middle_b; split: further ones from foot to bus
    centre-tapped: 0 - rectifier pk - loop - half winding - OUT_A, and nk likewise on the other half period
    bridge: 0 - low rectifiers nk_low, pk_low - ends of the winding - high rectifiers pk_high, nk_high - OUT_A

The tank's inductance is the series inductor and all leakages, its resistance theirs and the primaries': in series they
are one. Rectifiers p conduct in the positive half period, n in the negative one. Synchronous ones turn on a delay after
their body diode began to conduct and off a lead before their current is zero; the solver finds these instants, for
which a source ``surrogate`` lets channels conduct by themselves (0 in the deck of the figures). Left out: the
bridge's commutation loop (it switches softly; where the charge falls short, ``soft_switching_margin`` says so), the
fall of capacitances with voltage, recovery, winding capacitances, burst and pulse-skipping modes of the controller.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.decktext import node
from netlists.errors import OptionError, RecordError
from netlists.instances import Llc
from netlists.parameters import check, parameter
from netlists.periodic import Edge, Gate, State
from netlists.point import Condition, Point, Reader
from netlists.probe import Probe
from netlists.quantity import engineering
from netlists.record import SupplyRecord
from netlists.stages import switching
from netlists.stages import transformer as wound
from netlists.stages.banks import Bank
from netlists.stages.output_record import output_of
from netlists.stages.outputs import Output, bus_bench, output_branches, output_probes, output_states
from netlists.stages.switching import Choke, Diode, GateLaw, Snubber, Strays, Switch
from netlists.stages.switching_record import Parts
from netlists.stages.transformer import Transformer

KIND = "llc"
PREFIX = "xstage"
TAG = "a"  # of the output
SURROGATE = f"v.{PREFIX}.vsurrogate"  # the source that lets rectifier channels conduct by themselves
RISE, FALL = -0.25, 0.25  # of the square wave, in periods from the middle of the positive half
MOST_TRANSFORMERS = 4
Bridge = Literal["half", "full"]
Secondary = Literal["centre_tapped", "bridge"]
Rectification = Literal["synchronous", "diode"]


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one; a rectifier is one place, of which each transformer has two or four."""

    bridge: Bridge
    secondary: Secondary
    rectification: Rectification
    switch: Switch
    resonant: tuple[Bank, ...]
    split: tuple[Bank, ...]
    transformers: tuple[Transformer, ...]
    output: Output
    strays: Strays
    lowest_frequency: float = parameter("Hz", "the controller sets", gt=0)
    highest_frequency: float = parameter("Hz", "the controller sets before it bursts or skips", gt=0)
    dead_time: float = parameter("s", "one place off to the other on", gt=0)
    series: Choke | None = None
    synchronous: Switch | None = None
    diode: Diode | None = None
    snubber: Snubber | None = None
    turn_on_delay: float = parameter("s", "body diode conducts to channel on", ge=0, default=0.0)
    turn_off_lead: float = parameter("s", "channel off to current zero", default=0.0)
    least_on_time: float = parameter("s", "shorter than this a rectifier stays off", ge=0, default=0.0)

    def __post_init__(self) -> None:
        check(self)
        if not self.resonant:
            raise OptionError("Params.resonant: needs at least one capacitor")
        if not 1 <= len(self.transformers) <= MOST_TRANSFORMERS:
            raise OptionError(f"Params.transformers: must be 1 to {MOST_TRANSFORMERS}, found {len(self.transformers)}")
        if self.split and self.bridge == "full":
            raise OptionError("Params.split: only a half bridge has resonant capacitors to both rails")
        if self.lowest_frequency >= self.highest_frequency:
            raise OptionError(
                f"Params.lowest_frequency: must be < highest_frequency of {engineering(self.highest_frequency, 'Hz')}, "
                f"found {engineering(self.lowest_frequency, 'Hz')}"
            )
        if self.rectification == "synchronous" and self.synchronous is None:
            raise OptionError("Params.synchronous: needed where rectification is synchronous")
        if self.rectification == "diode" and self.diode is None:
            raise OptionError("Params.diode: needed where rectification is by diodes")
        if 4 * self.dead_time * self.highest_frequency >= 1:
            raise OptionError(
                f"Params.dead_time: must be < a quarter of the shortest period, "
                f"{engineering(0.25 / self.highest_frequency, 's')}, found {engineering(self.dead_time, 's')}"
            )

    @property
    def tank_inductance(self) -> float:
        """Series inductor and all leakages [H]."""
        own = self.series.inductance if self.series else 0.0
        return own + sum(part.leakage_inductance for part in self.transformers)

    @property
    def tank_resistance(self) -> float:
        """Of the windings in series with the tank [ohm]."""
        own = self.series.winding_resistance if self.series else 0.0
        return own + sum(part.primary_resistance for part in self.transformers)


@dataclass(frozen=True, slots=True)
class Place:
    """One rectifier place: its tag, where it lies, the half period it conducts in, the winding whose current it takes.

    Parameters
    ----------
    sign : of the winding's current while it conducts
    """

    tag: str
    drain: str
    source: str
    half: Literal["p", "n"]
    winding: str
    sign: int


def places(params: Params) -> list[Place]:
    """Every rectifier place."""
    found = []
    for k in range(len(params.transformers)):
        if params.secondary == "centre_tapped":
            found.append(Place(f"p{k}", f"top_p{k}", "0", "p", f"p{k}", 1))
            found.append(Place(f"n{k}", f"top_n{k}", "0", "n", f"n{k}", -1))
        else:
            x, y = f"top_w{k}", f"end_w{k}"
            found.append(Place(f"p{k}_high", f"out_{TAG}", x, "p", f"w{k}", 1))
            found.append(Place(f"p{k}_low", y, "0", "p", f"w{k}", 1))
            found.append(Place(f"n{k}_high", f"out_{TAG}", y, "n", f"w{k}", -1))
            found.append(Place(f"n{k}_low", x, "0", "n", f"w{k}", -1))
    return found


def windings(params: Params) -> list[tuple[str, int, str, str]]:
    """Every half or whole winding: its name, transformer, start and end; its strays stand at the end that switches."""
    found = []
    for k in range(len(params.transformers)):
        if params.secondary == "centre_tapped":
            found.append((f"p{k}", k, f"out_{TAG}", f"end_p{k}"))
            found.append((f"n{k}", k, f"end_n{k}", f"out_{TAG}"))
        else:
            found.append((f"w{k}", k, f"start_w{k}", f"end_w{k}"))
    return found


def legs(params: Params) -> tuple[str, ...]:
    """Tags of the bridge's legs."""
    return ("a", "b") if params.bridge == "full" else ("a",)


def rectifier_capacitance(params: Params) -> float:
    """Output capacitance of one rectifier place [F]."""
    part = params.synchronous if params.rectification == "synchronous" else params.diode
    assert part is not None  # checked by Params
    return switching.place_capacitance(part)


def across_winding(params: Params) -> float:
    """Capacitance of one transformer's rectifiers across its winding, or across one half of it [F].

    Of two places on halves of a winding each sees all of the swing; of four in a bridge two in series do, twice.
    """
    one = rectifier_capacitance(params) + (params.snubber.capacitance if params.snubber else 0.0)
    return one * (2 if params.secondary == "centre_tapped" else 1)


def core_resistance(params: Params, part: Transformer) -> float:
    """Resistance beside a primary for its core's loss [ohm]: it damps the ring of idle rectifiers to a quality factor.

    Q sqrt(L / C), L the magnetising inductance beside the tank's.
    """
    both = part.magnetising_inductance * params.tank_inductance
    inductance = both / (part.magnetising_inductance + params.tank_inductance)
    capacitance = across_winding(params) / part.ideal_ratio(part.windings[0]) ** 2
    return switching.IDLE_QUALITY * math.sqrt(inductance / capacitance)


def bridge_law(params: Params, bus: float) -> GateLaw:
    """Gate law of a bridge place: it commutates the bus at the current of the load, seen from the primary."""
    current = params.output.load_current * params.output.voltage / (0.5 * bus)
    return switching.gate_law(
        params.switch.on_resistance, bus * params.switch.parallel / current, params.strays.switching_time
    )


def rectifier_law(params: Params) -> GateLaw:
    """Gate law of a synchronous rectifier: it takes over from its body diode."""
    part = params.synchronous
    assert part is not None  # the caller has one
    current = params.output.load_current / len(params.transformers)
    return switching.gate_law(
        part.on_resistance, params.output.voltage * part.parallel / current, params.strays.switching_time
    )


def stage(params: Params, bus: float) -> SubCircuit:
    """The converter as a subcircuit with ports feed, out_a, load_a."""
    circuit = SubCircuit(KIND, "feed", f"out_{TAG}", f"load_{TAG}")
    devices.current_sense(circuit, "sense_feed", "feed", "bus")
    law = bridge_law(params, bus)
    for leg in legs(params):
        middle = f"middle_{leg}"
        switching.switch(circuit, f"high_{leg}", "bus", middle, params.switch, law, f"sense_high_{leg}")
        switching.switch(circuit, f"low_{leg}", middle, "0", params.switch, law, f"sense_low_{leg}")
        for place in ("high", "low"):
            devices.pulse(circuit, f"gate_{place}_{leg}", f"gate_{place}_{leg}")
        circuit.VCVS(f"across_high_{leg}", f"across_high_{leg}", "0", "bus", middle, "1")
    _tank(circuit, params)
    for name_of, k, start, end in windings(params):
        part = params.transformers[k]
        wound.winding(circuit, name_of, str(k), start, end, _after(params, k), part, part.windings[0])
        switching_end = start if start.startswith(("end_", "start_")) else end
        capacitance = rectifier_capacitance(params)
        switching.loop(circuit, name_of, switching_end, params.strays, capacitance)
    _rectifiers(circuit, params)
    output_branches(circuit, params.output, TAG)
    return circuit


def _after(params: Params, k: int) -> str:
    """Where the primary of a transformer ends."""
    return "foot" if k == len(params.transformers) - 1 else f"magnetised_{k + 1}"


def _tank(circuit: SubCircuit, params: Params) -> None:
    devices.current_sense(circuit, "sense_tank", "middle_a", "sensed_tank")
    devices.resistor(circuit, "tank", "sensed_tank", "in_tank", params.tank_resistance)
    devices.inductance(circuit, "tank", "in_tank", "magnetised_0", params.tank_inductance)
    for k, part in enumerate(params.transformers):
        devices.inductance(
            circuit, f"magnetising_{k}", f"magnetised_{k}", _after(params, k), part.magnetising_inductance
        )
        devices.resistor(circuit, f"core_{k}", f"magnetised_{k}", _after(params, k), core_resistance(params, part))
    ends = "middle_b" if params.bridge == "full" else "0"
    for end, banks, tag in ((ends, params.resonant, "resonant"), ("bus", params.split, "split")):
        for index, bank in enumerate(banks):
            pieces = bank.parallel / bank.series
            devices.capacitor_with_esr(
                circuit, f"{tag}{index}", "foot", end, bank.capacitance * pieces, bank.esr / pieces, 0.0
            )
    circuit.VCVS("across_foot", "across_foot", "0", "foot", node(ends), "1")


def _rectifiers(circuit: SubCircuit, params: Params) -> None:
    for place in places(params):
        if params.rectification == "diode" and params.diode is not None:
            switching.diode(
                circuit,
                f"rectifier_{place.tag}",
                place.source,
                place.drain,
                params.diode,
                f"sense_rectifier_{place.tag}",
            )
        elif params.synchronous is not None:
            part, device = params.synchronous, f"rectifier_{place.tag}"
            switching.switch(
                circuit, device, place.drain, place.source, part, rectifier_law(params), f"sense_rectifier_{place.tag}"
            )
            devices.pulse(circuit, f"gate_{device}", f"gate_{device}")
            switching.surrogate(circuit, device, place.tag, place.source, part)
        circuit.VCVS(f"across_{place.tag}", f"across_{place.tag}", "0", node(place.drain), node(place.source), "1")
        if params.snubber is not None:
            devices.resistor(
                circuit, f"snubber_{place.tag}", place.drain, f"in_snubber_{place.tag}", params.snubber.resistance
            )
            devices.capacitor(
                circuit, f"snubber_{place.tag}", f"in_snubber_{place.tag}", place.source, params.snubber.capacitance
            )
    if params.rectification == "synchronous":
        devices.pulse(circuit, "surrogate", "surrogate")


def bench(params: Params, condition: Condition) -> Circuit:
    """The converter between an ideal bus, ``vfeed``, and its load with the probe of the condition."""
    return bus_bench(stage(params, condition.line_voltage), params.output, TAG, condition)


def bridge_gates(params: Params, bus: float) -> list[Gate]:
    """Gates of the bridge, a half dead time after each edge of the square wave; the diagonal conducts together."""
    law, found = bridge_law(params, bus), []
    wait = 0.5 * params.dead_time
    for leg in legs(params):
        for place in ("high", "low"):
            positive_half = (place == "high") == (leg == "a")
            begin, end = (RISE, FALL) if positive_half else (FALL, RISE)
            found.append(
                switching.place_gate(PREFIX, f"{place}_{leg}", Edge(begin, 0.0, wait), Edge(end, 0.0, -wait), law, 0)
            )
    return found


def rectifier_gate(params: Params, place: Place) -> Gate:
    """The gate of a synchronous rectifier with both edges at the square wave's edge that causes its conduction."""
    begin, law = Edge(RISE if place.half == "p" else FALL), rectifier_law(params)
    return switching.place_gate(PREFIX, f"rectifier_{place.tag}", begin, begin, law, 0)


def states(params: Params, condition: Condition) -> tuple[State, ...]:
    """Every energy store of the bench; those with an unknown are slow."""
    found = [State(f"l.{PREFIX}.ltank", f"l.{PREFIX}.ltank#branch", unknown="tank")]
    found += [
        State(f"l.{PREFIX}.lmagnetising_{k}", f"l.{PREFIX}.lmagnetising_{k}#branch", unknown=f"magnetising {k}")
        for k in range(len(params.transformers))
    ]
    ends = f"{PREFIX}.middle_b" if params.bridge == "full" else ""
    for end, parts, tag in ((ends, params.resonant, "resonant"), (f"{PREFIX}.bus", params.split, "split")):
        found += [
            State(f"c.{PREFIX}.c{tag}{i}", f"{PREFIX}.inner_{tag}{i}", end, unknown="resonant")
            for i in range(len(parts))
        ]
    for leg in legs(params):
        found.append(switching.capacitor_state(PREFIX, f"out_high_{leg}", "bus", f"middle_{leg}", f"high {leg}"))
        found.append(switching.capacitor_state(PREFIX, f"out_low_{leg}", f"middle_{leg}", "0", f"low {leg}"))
    found += [switching.loop_state(PREFIX, name_of) for name_of, _, _, _ in windings(params)]
    for place in places(params):
        tag = f"rectifier_{place.tag}"
        drain, source = _outside(place.drain), _outside(place.source)
        place_of = f"{place.half} rectifier"
        if params.rectification == "synchronous":
            found.append(State(f"c.{PREFIX}.cout_{tag}", drain, source, place=place_of))
        else:
            found.append(State(f"c.{PREFIX}.cout_{tag}", source, drain, place=f"{place_of} reversed"))
        if params.snubber is not None:
            inner = f"{PREFIX}.in_snubber_{place.tag}"
            found.append(State(f"c.{PREFIX}.csnubber_{place.tag}", inner, source, place=place_of))
    return tuple(found + output_states(PREFIX, params.output, TAG, condition))


def _outside(name_of: str) -> str:
    """A node of the subcircuit as a vector of the bench; ground is empty."""
    if name_of == "0":
        return ""
    return name_of if name_of == f"out_{TAG}" else f"{PREFIX}.{name_of}"


def probes(params: Params) -> tuple[Probe, ...]:
    """What can be measured: bridge, tank, transformers, every rectifier, the output."""

    def sensed(name_of: str, device: str, doc: str) -> Probe:
        return Probe(name_of, f"v.{PREFIX}.vsense_{device}#branch", "A", doc, "current")

    found = [
        sensed("feed_current", "feed", "out of the bus"),
        sensed("tank_current", "tank", "through the resonant tank"),
        Probe("resonant_voltage", f"{PREFIX}.across_foot", "V", "across the resonant capacitors", "voltage"),
        *(sensed(f"resonant_current_{i}", f"resonant{i}", f"into all of {part.designator}")
          for i, part in enumerate(params.resonant)),
        *(sensed(f"split_current_{i}", f"split{i}", f"into all of {part.designator}")
          for i, part in enumerate(params.split)),
    ]  # fmt: skip
    for k, part in enumerate(params.transformers):
        vector = f"l.{PREFIX}.lmagnetising_{k}#branch"
        found.append(Probe(f"magnetising_current_{k}", vector, "A", f"{part.designator}, magnetising", "current"))
    for leg in legs(params):
        name_of = params.switch.designator
        found += [
            sensed(f"high_current_{leg}", f"high_{leg}", f"{name_of}, high place of leg {leg}"),
            sensed(f"low_current_{leg}", f"low_{leg}", f"{name_of}, low place of leg {leg}"),
            Probe(f"high_voltage_{leg}", f"{PREFIX}.across_high_{leg}", "V", f"high place of leg {leg}", "voltage"),
            Probe(f"low_voltage_{leg}", f"{PREFIX}.middle_{leg}", "V", f"low place of leg {leg}", "voltage", "0"),
        ]
    found += [sensed(f"winding_current_{w}", w, f"secondary winding {w}") for w, _, _, _ in windings(params)]
    for place in places(params):
        found.append(sensed(f"rectifier_current_{place.tag}", f"rectifier_{place.tag}", f"rectifier place {place.tag}"))
        name_of, vector = f"rectifier_voltage_{place.tag}", f"{PREFIX}.across_{place.tag}"
        found.append(Probe(name_of, vector, "V", f"across rectifier place {place.tag}", "voltage"))
    return tuple(found + output_probes(PREFIX, params.output, TAG))


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Params, frozenset[str]]:
    """Parameters of an instance at a point, and the record paths read."""
    data = record.instance(instance)
    if not isinstance(data, Llc):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    if not data.is_modelled():
        raise OptionError(f"stages.{instance}: recorded only, since none of its parts says its role")
    reader = Reader(record, point)
    bridge, secondary, rectification = (reader.structure(instance, name) for name in data.structure_names())
    transformers = record.parts_in_role(instance, "transformer")
    rectifiers = len(transformers) * (2 if secondary == "centre_tapped" else 4)
    of_bridge = Parts(record, instance, reader, 4 if bridge == "full" else 2)
    parts = Parts(record, instance, reader, rectifiers)
    switch = of_bridge.switch("bridge_switch")
    assert switch is not None  # roles were checked when the record was read
    synchronous = rectification == "synchronous"
    timing = (
        {
            "turn_on_delay": parts.stage_value("rectifier_delay"),
            "turn_off_lead": parts.stage_value("rectifier_lead"),
            "least_on_time": parts.stage_value("rectifier_least_on"),
        }
        if synchronous
        else {}
    )
    try:
        params = Params(
            bridge="full" if bridge == "full" else "half",
            secondary="bridge" if secondary == "bridge" else "centre_tapped",
            rectification="synchronous" if synchronous else "diode",
            switch=switch,
            resonant=parts.banks("resonant_capacitor"),
            split=parts.banks("split_capacitor"),
            transformers=parts.transformers("transformer"),
            output=output_of(record, instance, reader),
            strays=parts.strays(),
            lowest_frequency=parts.stage_value("lowest_frequency"),
            highest_frequency=parts.stage_value("highest_frequency"),
            dead_time=parts.stage_value("dead_time"),
            series=parts.choke("series_inductor"),
            synchronous=parts.switch("rectifier") if synchronous else None,
            diode=None if synchronous else parts.diode("rectifier"),
            snubber=parts.snubber(),
            **timing,
        )
    except OptionError as error:  # values that are possible each but not together
        raise RecordError([record.finding(f"stages.{instance}", str(error))]) from error
    return params, frozenset(reader.reads)
