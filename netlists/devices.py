"""Single devices as netlist elements: mains, diode, thermistor, relay, capacitor, choke, constant-power load.

Each function adds elements to a PySpice netlist; every value is a string of our printer.
"""

from __future__ import annotations

import math

from PySpice.Spice.Netlist import Circuit, Netlist

from netlists.decktext import name, node, number, positive
from netlists.errors import OptionError
from netlists.formulas import SILICON_EMISSION, SMALLEST_SATURATION_CURRENT, diode_saturation_current

FLOAT_RESISTANCE = 1e7  # ties a floating line to ground, so that no node lacks a path [ohm]
DROPOUT_TIME = 10e-6  # the line's fall at its loss; short against a line period, long against the time step [s]
DAMPING_TIME = 100e-9  # L / R of the resistor beside each inductance, kills ringing with junction capacitances [s]
JUNCTION_CAPACITANCE = 60e-12  # of a mains rectifier diode at no bias; only smooths turn-off [F]
FLUX_LEAK = 1e9  # a path to ground for the flux node; its time constant is 30 years [ohm]
COLDEST, HOTTEST = -60.0, 500.0  # the thermistor law is clamped to these temperatures [degC]
RELAY_OFF_RESISTANCE = 1e7  # [ohm]
RELAY_CLOSING_TIME = 1e-3  # of the control ramp, not of the contact [s]
LOCKOUT_CLOSED, LOCKOUT_LOAD = 1.0, 1000.0  # of the lock-out's own switch, no part of the supply [ohm]


def sine_mains(
    circuit: Circuit, line: str, neutral: str, rms: float, frequency: float, angle: float, lost_at: float | None
) -> None:
    """Ideal mains between two nodes, applied at ``angle`` [deg] of its sine, falling to 0 V at ``lost_at`` [s].

    A lost line that fell open instead would look the same behind a rectifier that blocks.
    """
    peak, omega = rms * math.sqrt(2), 2 * math.pi * frequency
    _envelope(circuit, lost_at)
    expression = f"v(envelope)*{number(peak)}*sin({number(omega)}*time+{number(math.radians(angle))})"
    circuit.B("mains", node(line), node(neutral), voltage_expression=expression)
    circuit.R("float", node(neutral), "0", positive(FLOAT_RESISTANCE))


def direct_supply(circuit: Circuit, line: str, neutral: str, voltage: float, lost_at: float | None) -> None:
    """Ideal dc supply between two nodes, present from t = 0, falling to 0 V at ``lost_at`` [s]."""
    _envelope(circuit, lost_at)
    circuit.B("mains", node(line), node(neutral), voltage_expression=f"v(envelope)*{number(voltage)}")
    circuit.R("float", node(neutral), "0", positive(FLOAT_RESISTANCE))


def _envelope(circuit: Circuit, lost_at: float | None) -> None:
    if lost_at is None:
        circuit.V("envelope", "envelope", "0", "1")
    else:
        start = max(lost_at, 1e-9)
        circuit.V("envelope", "envelope", "0", f"PWL(0 1 {number(start)} 1 {number(start + DROPOUT_TIME)} 0)")


def current_sense(netlist: Netlist, device: str, node_in: str, node_out: str) -> None:
    """A zero-volt source whose current is the current from ``node_in`` to ``node_out``."""
    netlist.V(name(device), node(node_in), node(node_out), "0")


def series_choke(netlist: Netlist, device: str, node_in: str, node_out: str, inductance: float) -> None:
    """An unsaturated inductance that starts without current, with its damping resistor."""
    netlist.L(name(device), node(node_in), node(node_out), positive(inductance), raw_spice="ic=0")
    netlist.R(name(f"damp_{device}"), node(node_in), node(node_out), positive(inductance / DAMPING_TIME))


def saturating_choke(
    netlist: Netlist,
    device: str,
    node_in: str,
    node_out: str,
    inductance: float,
    knee: float,
    saturated: float,
    *,
    damped: bool = True,
) -> None:
    """A choke by flux linkage: ``inductance`` up to the current ``knee`` [A], ``saturated`` beyond; starts at 0 A.

    The flux node carries flux linkage over that at the knee, so 1 V stands for the onset of saturation. ``damped`` puts
    a resistor beside it, which a choke at a switching frequency would lose power in.
    """
    flux, at_knee = node(f"flux_{device}"), inductance * knee
    across = f"v({node(node_in)},{node(node_out)})"
    netlist.B(name(f"flux_{device}"), "0", flux, current_expression=f"{across}*{positive(1 / at_knee)}")
    netlist.C(name(f"flux_{device}"), flux, "0", "1", raw_spice="ic=0")
    netlist.R(name(f"flux_{device}"), flux, "0", positive(FLUX_LEAK))
    beyond = f"(max(abs(v({flux}))-1,0)*{positive(inductance / saturated)}+min(abs(v({flux})),1))"
    sign = f"(v({flux})/max(abs(v({flux})),1e-9))"
    netlist.B(name(device), node_in, node_out, current_expression=f"{positive(knee)}*{sign}*{beyond}")
    if damped:
        netlist.R(name(f"damp_{device}"), node_in, node_out, positive(inductance / DAMPING_TIME))


def averaged_corrector(
    circuit: Circuit, positive_node: str, power: float, frequency: float, least: float, lost_at: float | None
) -> None:
    """A boost corrector's output averaged over its switching: ``power`` [W] times 1 - cos at twice the line frequency.

    Feeds the node against ground; current is limited to that at ``least`` volts; stops when the line is lost.
    """
    _envelope(circuit, lost_at)
    wave = f"(1-sin({number(4 * math.pi * frequency)}*time+{number(math.pi / 2)}))"
    current = f"{positive(power)}*v(envelope)*{wave}/max(v({node(positive_node)}),{positive(least)})"
    circuit.B("corrector", "0", "corrected", current_expression=current)
    current_sense(circuit, "source", "corrected", positive_node)


def inductance(netlist: Netlist, device: str, node_in: str, node_out: str, henries: float) -> None:
    """A bare inductance that starts without current: strays and chokes at the switching frequency."""
    netlist.L(name(device), node(node_in), node(node_out), positive(henries), raw_spice="ic=0")


def pulse(netlist: Netlist, device: str, gate: str) -> None:
    """A pulse source between a gate node and ground; its arguments are written in with the case's controls."""
    netlist.V(name(device), node(gate), "0", "PULSE(0 1 0 1e-09 1e-09 1e-06 2e-06)")


def resistor(netlist: Netlist, device: str, node_in: str, node_out: str, resistance: float) -> None:
    """A resistance > 0."""
    netlist.R(name(device), node(node_in), node(node_out), positive(resistance))


def check_junction(
    owner: str, forward_voltage: float, test_current: float, slope_resistance: float, emission: float = SILICON_EMISSION
) -> None:
    """Raises OptionError where no junction has these values together."""
    if slope_resistance * test_current >= forward_voltage:
        raise OptionError(
            f"{owner}.slope_resistance: must be < forward_voltage / forward_test_current, "
            f"found {slope_resistance:g} ohm"
        )
    saturation = diode_saturation_current(forward_voltage, test_current, slope_resistance, emission)
    if saturation < SMALLEST_SATURATION_CURRENT:
        raise OptionError(
            f"{owner}.forward_voltage: {forward_voltage:g} V at {test_current:g} A is more than one junction drops: "
            f"it needs a saturation current of {saturation:.1g} A, "
            f"the simulator has none below {SMALLEST_SATURATION_CURRENT:g} A"
        )


def diode_model(
    netlist: Netlist,
    model: str,
    forward_voltage: float,
    test_current: float,
    slope_resistance: float,
    emission: float,
    capacitance: float = JUNCTION_CAPACITANCE,
) -> None:
    """A junction diode through (forward_voltage, test_current), at 27 degC, without recovery or breakdown.

    ``capacitance`` [F] is 0 where a capacitor of its own stands beside it: ngspice ignores a diode's initial voltage.
    """
    saturation = diode_saturation_current(forward_voltage, test_current, slope_resistance, emission)
    netlist.model(
        name(model),
        "D",
        IS=number(saturation, SMALLEST_SATURATION_CURRENT, 1.0),
        N=positive(emission),
        RS=positive(slope_resistance),
        CJO=number(capacitance, 0.0, 1.0),
    )


def diode(netlist: Netlist, device: str, anode: str, cathode: str, model: str, parallel: int) -> None:
    """``parallel`` diodes that share equally."""
    netlist.D(name(device), node(anode), node(cathode), model=name(model), m=number(parallel))


def ntc_thermistor(
    netlist: Netlist,
    node_in: str,
    node_out: str,
    temperature_node: str,
    *,
    r25: float,
    b_value: float,
    dissipation: float,
    time_constant: float,
    ambient: float,
    start: float,
) -> None:
    """An NTC thermistor whose own loss heats it: one thermal capacitance, dissipation constant x time constant.

    Leaves out the gradient inside the disc, so the resistance of a fast inrush is that of the mean temperature.
    """
    voltage = f"v({node(node_in)},{node(node_out)})"
    kelvin = f"(min(max(v({node(temperature_node)}),{number(COLDEST)}),{number(HOTTEST)})+273.15)"
    resistance = f"({positive(r25)}*exp({positive(b_value)}*(1/{kelvin}-1/298.15)))"
    netlist.B("ntc", node_in, node_out, current_expression=f"{voltage}/{resistance}")
    netlist.B("heat", "0", temperature_node, current_expression=f"{voltage}*{voltage}/{resistance}")
    netlist.C("heat", temperature_node, "0", positive(dissipation * time_constant), raw_spice=f"ic={number(start)}")
    netlist.R("cool", temperature_node, "ambient", positive(1 / dissipation))
    netlist.V("ambient", "ambient", "0", number(ambient))


def relay_contact(
    netlist: Netlist, node_in: str, node_out: str, contact_resistance: float, closes_at: float | None
) -> None:
    """A contact that closes at ``closes_at`` [s], is closed from the start for 0, never closes for None. No bounce."""
    if closes_at is None:
        netlist.V("coil", "coil", "0", "0")
    elif closes_at <= 0:
        netlist.V("coil", "coil", "0", "1")
    else:
        netlist.V("coil", "coil", "0", f"PWL(0 0 {number(closes_at)} 0 {number(closes_at + RELAY_CLOSING_TIME)} 1)")
    netlist.S("contact", node(node_in), node(node_out), "coil", "0", model="contact")
    netlist.model(
        "contact", "SW", Vt="0.5", Vh="0.1", Ron=positive(contact_resistance), Roff=positive(RELAY_OFF_RESISTANCE)
    )


def capacitor(netlist: Netlist, device: str, node_plus: str, node_minus: str, capacitance: float) -> None:
    """An uncharged capacitance."""
    netlist.C(name(device), node(node_plus), node(node_minus), positive(capacitance), raw_spice="ic=0")


def capacitor_with_esr(
    netlist: Netlist,
    device: str,
    node_plus: str,
    node_minus: str,
    capacitance: float,
    esr: float,
    start: float,
    esl: float | None = None,
) -> None:
    """A capacitance charged to ``start`` [V], its series resistance, a sense source and, where known, its ESL [H]."""
    inner, sensed = f"inner_{device}", f"sensed_{device}"
    current_sense(netlist, f"sense_{device}", node_plus, sensed)
    if esl is not None:
        behind = f"behind_esl_{device}"
        netlist.L(name(f"esl_{device}"), sensed, behind, positive(esl), raw_spice="ic=0")
        sensed = behind
    netlist.R(name(f"esr_{device}"), sensed, inner, positive(esr))
    netlist.C(name(device), inner, node(node_minus), positive(capacitance), raw_spice=f"ic={number(start)}")


def constant_power_load(
    circuit: Circuit, watched: str, *, power: float, cutoff: float, restart: float, on_at: float, starts_on: bool
) -> None:
    """Draws ``power`` [W] from ``watched`` to ground from ``on_at`` [s] on, while the undervoltage lock-out allows it.

    The lock-out opens below ``cutoff`` and closes above ``restart`` [V]. The current is limited to that at half the
    cut-off: without both, a constant power at 0 V has no solution.
    """
    circuit.VCVS("watched", "watched", "0", node(watched), "0", "1")
    divided = 1 + LOCKOUT_CLOSED / LOCKOUT_LOAD  # the closed switch and its load make 1 V of it
    circuit.V("allow", "allow", "0", number(divided))
    circuit.S("lockout", "allow", "regulating", "watched", "0", model="lockout")
    circuit.R("lockout", "regulating", "0", positive(LOCKOUT_LOAD))
    circuit.C("lockout", "regulating", "0", "2e-8", raw_spice=f"ic={1 if starts_on else 0}")
    circuit.model(
        "lockout",
        "SW",
        Vt=positive(0.5 * (cutoff + restart)),
        Vh=positive(0.5 * (restart - cutoff)),
        Ron=positive(LOCKOUT_CLOSED),
        Roff="1e9",
    )
    _enable(circuit, on_at)
    current = f"{number(power)}*v(enabled)*v(regulating)/max(v({node(watched)}),{positive(0.5 * cutoff)})"
    current_sense(circuit, "load", watched, "loaded")
    circuit.B("load", "loaded", "0", current_expression=current)


def resistive_load(circuit: Circuit, watched: str, resistance: float, on_at: float) -> None:
    """A resistance from ``watched`` to ground, connected from ``on_at`` [s] on."""
    _enable(circuit, on_at)
    current_sense(circuit, "load", watched, "loaded")
    circuit.B("load", "loaded", "0", current_expression=f"v(loaded)*v(enabled)/{positive(resistance)}")


def _enable(circuit: Circuit, on_at: float) -> None:
    if on_at <= 0:
        circuit.V("enabled", "enabled", "0", "1")
    else:
        circuit.V("enabled", "enabled", "0", f"PWL(0 0 {number(on_at)} 0 {number(on_at + RELAY_CLOSING_TIME)} 1)")
