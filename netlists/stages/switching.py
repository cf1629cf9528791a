"""What buck and boost stages share: the parts of a switching leg as found, and the leg as a netlist.

A leg is two places in series across a direct voltage, a switch and a rectifier, with a choke at their middle::

    TOP - loop inductance, damped - upper place - MIDDLE - lower place - 0
                                                          |
                                                        choke

The loop's strays lie between the bank and the upper place, all in one. A switch is a conductance that rises and falls
smoothly with its gate, with a linear output capacitance and its body diode. Left out: reverse recovery, the
capacitance's fall with voltage, gate loop and drive, the choke's winding capacitance, coupling of phases.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from PySpice.Spice.Netlist import Netlist

from netlists import devices
from netlists.decktext import name, node, positive
from netlists.errors import OptionError
from netlists.formulas import diode_emission
from netlists.parameters import check, count, parameter
from netlists.periodic import Edge, Gate, State
from netlists.stages.banks import Bank

BODY_DIODE_VOLTAGE = 0.8  # of a silicon MOSFET's body diode at working current; common practice, no source [V]
BODY_TEST_CURRENT = 10.0  # the body diode's voltage is taken at [A]
BODY_DIODE_SLOPE = 0.1  # of that voltage is ohmic; common practice, no source
SHORT = 1e-6  # stands for a connection without resistance of its own [ohm]
IDLE_QUALITY = 15.0  # quality factor of an idle choke's ringing, by its core loss; common practice, no source
INNER_CAPACITANCE = 1e-12  # of a junction behind its resistance: without any, ngspice may find no time step there [F]
KNEE_MARGIN = 3.0  # the gate law is exponential this many e-folds beyond the knee, then falls to zero
NINETY_TO_TEN = math.log(9.0)  # time constants in which an exponential falls from 90 to 10 %


@dataclass(frozen=True, slots=True)
class Switch:
    """One place of one phase: ``parallel`` MOSFETs that share equally; values of one piece."""

    designator: str
    on_resistance: float = parameter("ohm", "one piece", gt=0)
    output_capacitance: float = parameter("F", "one piece, charge equivalent at the blocked voltage", gt=0)
    body_diode_voltage: float = parameter("V", "source to drain at 10 A", gt=0, default=BODY_DIODE_VOLTAGE)
    parallel: int = count("pieces in parallel in one phase")

    def __post_init__(self) -> None:
        check(self)

    @property
    def body_diode_slope(self) -> float:
        """Ohmic part of the body diode [ohm]."""
        return BODY_DIODE_SLOPE * self.body_diode_voltage / BODY_TEST_CURRENT


@dataclass(frozen=True, slots=True)
class Diode:
    """One place of one phase: ``parallel`` diodes that share equally; values of one piece."""

    designator: str
    forward_voltage: float = parameter("V", "at the test current", gt=0)
    forward_test_current: float = parameter("A", "", gt=0)
    slope_resistance: float = parameter("ohm", "ohmic part", gt=0)
    junction_capacitance: float = parameter("F", "one piece, charge equivalent at the blocked voltage", gt=0)
    parallel: int = count("pieces in parallel in one phase")

    def __post_init__(self) -> None:
        check(self)
        devices.check_junction(
            "Diode",
            self.forward_voltage,
            self.forward_test_current,
            self.slope_resistance,
            diode_emission(self.forward_voltage, self.forward_test_current, self.slope_resistance),
        )


@dataclass(frozen=True, slots=True)
class Choke:
    """The choke of one phase; by flux linkage where it is known to saturate: full inductance to the knee, then less."""

    designator: str
    inductance: float = parameter("H", "at no current", gt=0)
    winding_resistance: float = parameter("ohm", "", gt=0)
    saturation_current: float | None = parameter("A", "knee", gt=0, default=None)
    saturated_inductance: float | None = parameter("H", "beyond the knee", gt=0, default=None)

    def __post_init__(self) -> None:
        check(self)
        if self.saturated_inductance is not None and self.saturated_inductance > self.inductance:
            raise OptionError("Choke.saturated_inductance: must be <= inductance")

    @property
    def saturates(self) -> bool:
        """Both values of the saturation are known, so it is modelled."""
        return self.saturation_current is not None and self.saturated_inductance is not None


@dataclass(frozen=True, slots=True)
class Snubber:
    """A series resistor and capacitor across the lower place of each phase."""

    resistance: float = parameter("ohm", "", gt=0)
    capacitance: float = parameter("F", "", gt=0)

    def __post_init__(self) -> None:
        check(self)


@dataclass(frozen=True, slots=True)
class Strays:
    """What nobody reads off a board: the commutation loop of one phase, and how fast its switch is."""

    loop_inductance: float = parameter("H", "bank, both places and back", gt=0)
    loop_quality: float = parameter("1", "quality factor of its ringing with the lower place's capacitance", gt=0)
    switching_time: float = parameter("s", "current of the switch from 90 to 10 %", gt=0)

    def __post_init__(self) -> None:
        check(self)


@dataclass(frozen=True, slots=True)
class GateLaw:
    """Conductance of a switch over its gate: g = scale (exp(steepness x) - 1), x from 0 to 1 in one ramp.

    Parameters
    ----------
    steepness, scale [S] : of the law; the gate at 1 gives the on-resistance
    ramp : of the gate, from 0 to 1 [s]
    knee : gate at which the conductance is the current over the voltage it commutates; edges are counted there
    """

    steepness: float
    scale: float
    ramp: float
    knee: float

    @property
    def lead_on(self) -> float:
        """From the ramp's begin to the knee, turning on [s]."""
        return self.knee * self.ramp

    @property
    def lead_off(self) -> float:
        """From the ramp's begin to the knee, turning off [s]."""
        return (1 - self.knee) * self.ramp


def gate_law(on_resistance: float, commutated_resistance: float, switching_time: float) -> GateLaw:
    """The law of a switch that commutates a voltage over current [ohm] in a switching time (90 to 10 % of current).

    Near the knee the conductance falls exponentially; at x = 0 it is exactly zero.
    """
    span = max(math.log(commutated_resistance / on_resistance), 1.0)
    steepness = span + KNEE_MARGIN
    time_constant = switching_time / NINETY_TO_TEN
    scale = 1 / (on_resistance * math.expm1(steepness))
    knee = math.log1p(1 / (commutated_resistance * scale)) / steepness
    return GateLaw(steepness, scale, steepness * time_constant, min(knee, 1.0))


def switch(netlist: Netlist, device: str, drain: str, source: str, part: Switch, law: GateLaw, sense: str) -> None:
    """A MOSFET place: conductance, body diode and output capacitance; ``sense`` names the source in its drain.

    The sensed current is that of channel and body diode; the output capacitance lies outside it.
    """
    inside, gate = f"in_{device}", f"gate_{device}"
    devices.current_sense(netlist, sense, drain, inside)
    exponential = f"(exp({positive(law.steepness)}*v({node(gate)}))-1)"
    channel = f"v({node(inside)},{node(source)})*{positive(law.scale * part.parallel)}*{exponential}"
    netlist.B(name(f"channel_{device}"), inside, source, current_expression=channel)
    drop, slope = part.body_diode_voltage, part.body_diode_slope
    devices.diode_model(
        netlist, f"body_{device}", drop, BODY_TEST_CURRENT, slope,
        diode_emission(drop, BODY_TEST_CURRENT, slope), capacitance=INNER_CAPACITANCE,
    )  # fmt: skip
    devices.diode(netlist, f"body_{device}", source, inside, f"body_{device}", part.parallel)
    devices.capacitor(netlist, f"out_{device}", drain, source, part.output_capacitance * part.parallel)


def surrogate(netlist: Netlist, device: str, tag: str, source: str, part: Switch) -> None:
    """Lets the channel of a switch place conduct by itself as the node ``surrogate`` asks for: 0 not, 1 wholly.

    With it a steady state is found from which the place's own edges are taken (see ``rectifiers`` of the harness).
    """
    conductance = positive(part.parallel / part.on_resistance)
    netlist.B(
        name(f"surrogate_{tag}"), f"in_{device}", source,
        current_expression=f"v(surrogate)*min(v({node(f'in_{device}')},{node(source)}),0)*{conductance}",
    )  # fmt: skip


def place_capacitance(part: Switch | Diode) -> float:
    """What lies across a whole place [F]."""
    own = part.output_capacitance if isinstance(part, Switch) else part.junction_capacitance
    return own * part.parallel


def diode(netlist: Netlist, device: str, anode: str, cathode: str, part: Diode, sense: str) -> None:
    """A diode place with its junction capacitance beside it; ``sense`` names the source in its anode."""
    inside = f"in_{device}"
    devices.current_sense(netlist, sense, anode, inside)
    devices.diode_model(
        netlist, f"junction_{device}", part.forward_voltage, part.forward_test_current, part.slope_resistance,
        diode_emission(part.forward_voltage, part.forward_test_current, part.slope_resistance),
        capacitance=INNER_CAPACITANCE,
    )  # fmt: skip
    devices.diode(netlist, device, inside, cathode, f"junction_{device}", part.parallel)
    devices.capacitor(netlist, f"out_{device}", anode, cathode, part.junction_capacitance * part.parallel)


def loop_damping(strays: Strays, lower_capacitance: float) -> float:
    """Resistance beside the loop's inductance that gives its ringing the stated quality factor [ohm]: Q sqrt(L / C).

    A resistance beside it, not in series: what damps at 50 MHz carries no direct current.
    """
    return strays.loop_quality * math.sqrt(strays.loop_inductance / lower_capacitance)


def loop(netlist: Netlist, tag: str, bank: str, strays: Strays, lower_capacitance: float) -> str:
    """The strays between a bank and the upper place of one phase; returns the node behind them."""
    devices.resistor(netlist, f"loop_{tag}", bank, f"top_{tag}", loop_damping(strays, lower_capacitance))
    devices.inductance(netlist, f"loop_{tag}", bank, f"top_{tag}", strays.loop_inductance)
    return f"top_{tag}"


def snubber(netlist: Netlist, tag: str, middle: str, part: Snubber) -> None:
    """A resistor and a capacitor from the middle of a leg to ground."""
    devices.resistor(netlist, f"snubber_{tag}", middle, f"in_snubber_{tag}", part.resistance)
    devices.capacitor(netlist, f"snubber_{tag}", f"in_snubber_{tag}", "0", part.capacitance)


def core_resistance(part: Choke, middle_capacitance: float) -> float:
    """Resistance beside a choke for its core's loss [ohm]: Q sqrt(L / C) at the ringing of an idle phase."""
    return IDLE_QUALITY * math.sqrt(part.inductance / middle_capacitance)


def choke(netlist: Netlist, tag: str, node_in: str, node_out: str, part: Choke, core: float | None = None) -> None:
    """The choke of one phase with its winding resistance; its current is that of ``sense_choke_<tag>``.

    ``core`` : resistance beside it [ohm], where the phase can idle and would ring undamped
    """
    devices.current_sense(netlist, f"sense_choke_{tag}", node_in, f"sensed_choke_{tag}")
    if core is not None:
        devices.resistor(netlist, f"core_{tag}", f"sensed_choke_{tag}", node_out, core)
    devices.resistor(netlist, f"winding_{tag}", f"sensed_choke_{tag}", f"in_choke_{tag}", part.winding_resistance)
    if part.saturation_current is not None and part.saturated_inductance is not None:
        devices.saturating_choke(
            netlist, f"choke_{tag}", f"in_choke_{tag}", node_out, part.inductance, part.saturation_current,
            part.saturated_inductance, damped=False,
        )  # fmt: skip
    else:
        devices.inductance(netlist, f"choke_{tag}", f"in_choke_{tag}", node_out, part.inductance)


def choke_state(prefix: str, tag: str, part: Choke) -> State:
    """The choke's state: its current, or its flux linkage over that at the knee where it saturates."""
    if part.saturates:
        return State(f"c.{prefix}.cflux_choke_{tag}", f"{prefix}.flux_choke_{tag}", unknown=f"choke {tag}")
    return State(f"l.{prefix}.lchoke_{tag}", f"l.{prefix}.lchoke_{tag}#branch", unknown=f"choke {tag}")


def choke_state_at(part: Choke, current: float) -> float:
    """Value of the choke's state at a current [A]."""
    if part.saturation_current is None or part.saturated_inductance is None:
        return current
    knee, size = part.saturation_current, abs(current)
    beyond = max(size - knee, 0.0) * part.saturated_inductance / part.inductance
    return math.copysign((min(size, knee) + beyond) / knee, current)


def bank_states(prefix: str, devices_of: list[str], parts: tuple[Bank, ...], node: str) -> list[State]:
    """States of the banks on one node, each with an unknown of its own; ESLs are fast.

    A small capacitor beside a large one follows it within a period, yet what it does on the way moves the currents
    around it: left to follow, the search took twice as many periods.
    """
    states = [
        State(f"c.{prefix}.c{device}", f"{prefix}.inner_{device}", unknown=f"{node} {place}")
        for place, device in enumerate(devices_of)
    ]
    with_esl = [device for device, part in zip(devices_of, parts, strict=True) if part.esl is not None]
    return states + [State(f"l.{prefix}.lesl_{device}", f"l.{prefix}.lesl_{device}#branch") for device in with_esl]


def place_gate(prefix: str, device: str, on: Edge, off: Edge, law: GateLaw, control: int) -> Gate:
    """A place's gate, its ramps begun so early that the knee falls on the stated edges."""
    return Gate(
        f"v.{prefix}.vgate_{device}",
        Edge(on.fraction, on.per_duty, on.seconds - law.lead_on),
        Edge(off.fraction, off.per_duty, off.seconds - law.lead_off),
        law.ramp,
        control,
    )


def capacitor_state(prefix: str, device: str, plus: str, minus: str, place: str) -> State:
    """A fast capacitor between two nodes of the stage; ground is ``0``; ``place`` as in ``State``."""
    above, below = ("" if node == "0" else f"{prefix}.{node}" for node in (plus, minus))
    return State(f"c.{prefix}.c{device}", above, below, place=place)


def loop_state(prefix: str, tag: str) -> State:
    """The current of a commutation loop."""
    return State(f"l.{prefix}.lloop_{tag}", f"l.{prefix}.lloop_{tag}#branch", place=f"loop {tag}")
