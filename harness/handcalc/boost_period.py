"""Boost corrector at an instant of the line by hand: duty or frequency, choke current, ripple of bus and input.

The mean current of the diodes is the load's at the regulated bus; the choke's follows from it and from the balance of
volt-seconds with all drops; the core's loss is a resistance beside the choke. Each edge takes from the period what
``commutation`` finds. After a current's zero the choke rings with both output capacitances until the next turn-on: in
boundary mode for the stated delay, in discontinuous operation for what is left of the period.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc import network
from harness.handcalc.commutation import Cell, Edges, turn_off, turn_on
from harness.handcalc.network import Load
from harness.handcalc.switching_waveform import (
    HALVINGS,
    Course,
    body_tangent,
    choke_course,
    continuous_course,
    current_of,
    diode_tangent_of,
    interleaved,
    mean_of,
    part_of,
    peak_of,
    triangle_mean,
    with_core,
)
from netlists.point import Condition
from netlists.stages.boost_pfc import Params, input_voltage, instant_power, low_law
from netlists.stages.boost_pfc import middle_capacitance as place_capacitance
from netlists.stages.switching import SHORT, Choke, core_resistance

CACHED = 256
ROUNDS = 8  # of current, drops and duty found from each other; changes are below 1e-6 by then
SAMPLES = 64  # of a ripple over a piece of the period
RING_POINTS, MOST_RING_POINTS = 16, 160  # of the choke's ring: a swing, all of it
SETTLING = 12  # rounds of on-time and ring found from each other, halfway each time
SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]


@dataclass(frozen=True, slots=True)
class Ring:
    """After a current's zero: course of the current until the turn-on, and the middle's voltage there [V]."""

    time: FloatArray
    current: FloatArray
    middle: float


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase; its course begins where its middle falls.

    Parameters
    ----------
    duty : of the gate, between knees;  on_time : of the middle, between its edges [s]
    fall_time : until the current's zero or the next edge [s]
    middle : voltage of the middle before turn-on where nothing conducts then [V], else None
    diode_mean : mean current of the diode [A];  lag : from the knee of turn-on to the middle's fall [s]
    has_ring : after its current's zero it rings, which is part of the course
    """

    duty: float
    on_time: float
    fall_time: float
    choke: Course
    middle: float | None
    diode_mean: float
    lag: float
    has_ring: bool = False

    @property
    def valley(self) -> float:
        """Choke current at turn-on [A]."""
        return float(self.choke.value[0])

    @property
    def peak(self) -> float:
        """Choke current at turn-off [A]."""
        return self.choke.once(self.on_time, before=True)

    @property
    def free(self) -> Course:
        """Current of the diode, straight edges, its mean as it should be; the choke's ring is none of it."""
        bare = part_of(self.choke, self.on_time, self.on_time + self.fall_time)
        bare = Course(bare.time, np.maximum(bare.value, 0.0))
        return bare.scaled(self.diode_mean / mean_of(bare))


@dataclass(frozen=True, slots=True)
class Solved:
    """All phases together; times count from the middle of the first on-time.

    Parameters
    ----------
    bus_ripple : alternating [V]
    off_mean, on_mean : of the bus's ripple while a diode conducts, while a switch does [V]
    diode_drop : while it conducts [V];  fed : current into the bus, all phases
    cell : direct voltage of the commutation cell at turn-off and turn-on, less the bus's mean [V]
    """

    phase: Phase
    edges: Edges | None
    feed_current: float
    input_voltage: float
    bus_ripple: Course
    off_mean: float
    on_mean: float
    diode_drop: float
    fed: Course
    fed_harmonics: network.ComplexArray
    cell: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Bias:
    """What a phase sees: input [V], bus while the diode conducts [V], mean diode current [A], what its edges do."""

    supply: float
    bus: float
    diode_mean: float
    edges: Edges | None

    @property
    def gap(self) -> float:
        """The middle is low so much longer than the gate is on [s]."""
        return self.edges.delay_off - self.edges.delay_on if self.edges is not None else 0.0

    def charge(self, peak: float, valley: float) -> float:
        """Charge the diode gets beyond that between the middle's edges, currents at both [As]."""
        edges = self.edges
        if edges is None:
            return 0.0
        return -edges.of_controlled(valley, peak) - edges.on.charge - edges.off.charge - edges.idle


def rise_and_fall(params: Params, bias: Bias, on_current: float, off_current: float) -> tuple[float, float]:
    """Voltage across the choke while it rises, and against it while it falls [V], at mean currents of both [A]."""
    winding = params.choke.winding_resistance
    threshold, slope = diode_tangent_of(params.high, max(off_current, SMALLEST_CURRENT))
    rise = bias.supply - on_current * (winding + params.low.on_resistance / params.low.parallel)
    return rise, bias.bus + threshold + (slope + winding) * off_current - bias.supply


def phase(params: Params, bias: Bias) -> Phase:
    """One phase at its bias, whichever way its current runs."""
    period = 1 / params.switching_frequency
    if params.mode == "boundary":
        found = _boundary(params, bias)
        return found if found.choke.period >= period else _discontinuous(params, bias, period)
    found = _continuous(params, bias, period)
    return found if found.valley >= 0 else _discontinuous(params, bias, period)


def _continuous(params: Params, bias: Bias, period: float) -> Phase:
    mean = peak = valley = bias.diode_mean * bias.bus / bias.supply
    for _ in range(ROUNDS):
        rise, fall = rise_and_fall(params, bias, mean, mean)
        on_time = min(fall / (rise + fall), params.largest_duty) * period
        core = core_of(params)
        mean = (bias.diode_mean * period - bias.charge(peak, valley)) / (period - on_time) + fall / core
        peak, valley = (mean + sign * rise * on_time / 2 / params.choke.inductance for sign in (1.0, -1.0))
    course = continuous_course(params.choke, (on_time, period - on_time), (rise, -fall), mean)
    course = with_core(course, ((on_time, rise), (period - on_time, -fall)), core)
    return _phase(bias, on_time, period - on_time, course, None)


def _discontinuous(params: Params, bias: Bias, period: float) -> Phase:
    """The fall's charge is the diode's, so the peak is known; on-time and ring follow from each other."""
    choke, core, peak, back = params.choke, core_of(params), 2 * bias.diode_mean * bias.bus / bias.supply, 0.0
    for _ in range(SETTLING):
        rise, fall = rise_and_fall(params, bias, 0.5 * peak, 0.5 * peak)
        flux = _flux_of_charge(params, bias.diode_mean * period - bias.charge(peak, back), fall, core)
        on_time, fall_time = (flux - choke.inductance * back) / rise, flux / fall
        ring = ring_of(params, bias, max(period - on_time - fall_time, 0.0))
        back += 0.5 * (float(ring.current[-1]) - back)
        peak = float(current_of(choke, np.array([flux]))[0])
    on_time = min(on_time, period - fall_time)
    course = _rung_course(choke, on_time, fall_time, rise, flux, ring, period)
    course = with_core(course, ((on_time, rise), (fall_time, -fall)), core)
    return _phase(bias, on_time, fall_time, course, ring.middle, has_ring=True)


def _flux_of_charge(params: Params, charge: float, fall: float, core: float) -> float:
    """Flux linkage [Vs] from which a current that falls at ``fall`` [V] brings a charge [As], less the core's share."""
    low, high = 0.0, 4 * math.sqrt(max(2 * params.choke.inductance * fall * charge, 0.0))
    for _ in range(HALVINGS):
        flux = 0.5 * (low + high)
        if (triangle_mean(params.choke, flux) - fall / core) * flux / fall < charge:
            low = flux
        else:
            high = flux
    return 0.5 * (low + high)


def _rung_course(
    choke: Choke, on_time: float, fall_time: float, rise: float, flux: float, ring: Ring, period: float
) -> Course:
    """Up from where the ring left it, down to zero, then the ring."""
    back = flux - rise * on_time
    crossing = [-back / rise] if back < 0 else []
    time = np.concatenate(([0.0, *crossing, on_time], on_time + fall_time + ring.time))
    linked = np.concatenate(([back, *([0.0] * len(crossing)), flux], choke.inductance * ring.current))
    time[-1] = period
    return choke_course(choke, time, linked)


def _boundary(params: Params, bias: Bias) -> Phase:
    """Charge of the fall is the diode's mean times the period, which itself grows with the peak's flux linkage."""
    ring, peak = ring_of(params, bias, params.turn_on_delay), 2 * bias.diode_mean * bias.bus / bias.supply
    core = core_of(params)
    back = params.choke.inductance * float(ring.current[-1])
    for _ in range(ROUNDS):
        rise, fall = rise_and_fall(params, bias, 0.5 * peak, 0.5 * peak)
        extra = bias.charge(peak, float(ring.current[-1]))
        low, high = 0.0, 8 * params.choke.inductance * peak
        for _ in range(HALVINGS):
            flux = 0.5 * (low + high)
            period = (flux - back) / rise + flux / fall + params.turn_on_delay
            if (triangle_mean(params.choke, flux) - fall / core) * flux / fall + extra < bias.diode_mean * period:
                low = flux
            else:
                high = flux
        on_time, fall_time = (flux - back) / rise, flux / fall
        course = _rung_course(params.choke, on_time, fall_time, rise, flux, ring, on_time + fall_time + ring.time[-1])
        peak = peak_of(course)
    course = with_core(course, ((on_time, rise), (fall_time, -fall)), core)
    return _phase(bias, on_time, fall_time, course, ring.middle, has_ring=True)


def _phase(
    bias: Bias, on_time: float, fall_time: float, course: Course, middle: float | None, *, has_ring: bool = False
) -> Phase:
    lag, duty = bias.edges.delay_on if bias.edges is not None else 0.0, (on_time - bias.gap) / course.period
    return Phase(duty, on_time, fall_time, course, middle, bias.diode_mean, lag, has_ring)


def middle_capacitance(params: Params) -> float:
    """All that the choke rings with while nothing conducts [F]."""
    snubber = params.snubber.capacitance if params.snubber is not None else 0.0
    diode = params.high.junction_capacitance * params.high.parallel
    return params.low.output_capacitance * params.low.parallel + diode + snubber


def core_of(params: Params) -> float:
    """The core's loss as a resistance beside the choke [ohm], as the netlist has it."""
    return core_resistance(params.choke, place_capacitance(params))


def ring_of(params: Params, bias: Bias, duration: float) -> Ring:
    """The choke's ring with both output capacitances after its current's zero, until the turn-on ``duration`` [s] on.

    Voltage and current turn about (input, 0) and shrink by the core's loss; at 0 V the body diode holds the middle and
    the current rises again. Exact from step to step but for where in a step the diode begins to hold.
    """
    choke, capacitance = params.choke, middle_capacitance(params)
    omega, impedance = 1 / math.sqrt(choke.inductance * capacitance), math.sqrt(choke.inductance / capacitance)
    steps = int(min(max(math.ceil(duration * omega / (2 * math.pi) * RING_POINTS), 4), MOST_RING_POINTS))
    step = duration / steps
    damping = math.exp(-0.5 * step / (core_of(params) * capacitance))
    cosine, sine = damping * math.cos(omega * step), damping * math.sin(omega * step)
    above, current = bias.bus - bias.supply, 0.0  # of the middle over the input
    found = [current]
    for _ in range(steps):
        if above <= -bias.supply and current < 0:
            above, current = -bias.supply, current + bias.supply / choke.inductance * step
        else:
            above, current = above * cosine + impedance * current * sine, current * cosine - above / impedance * sine
            above = max(above, -bias.supply)
        found.append(current)
    return Ring(np.linspace(0.0, duration, steps + 1), np.array(found), bias.supply + above)


def cell(params: Params, condition: Condition, current: float) -> Cell:
    """The commutation cell of a phase: its loop with the bulk as it is at very high frequency."""
    resistance, inductance = network.high_frequency([network.branch_of(bank) for bank in params.outputs])
    lower, loop = params.low.output_capacitance * params.low.parallel, params.strays.loop_inductance
    snubber = None if params.snubber is None else (params.snubber.resistance, params.snubber.capacitance)
    return Cell(
        False, loop, params.strays.loop_quality * math.sqrt(loop / lower), resistance, inductance, lower,
        params.high.junction_capacitance * params.high.parallel, low_law(params, condition), params.low.parallel,
        *diode_tangent_of(params.high, max(current, SMALLEST_CURRENT)),
        *body_tangent(params.low, max(current, SMALLEST_CURRENT)), snubber=snubber,
    )  # fmt: skip


def edges_of(params: Params, condition: Condition, found: Phase, off_voltage: float, on_voltage: float) -> Edges:
    """Both edges of a phase, cell voltages as at either [V]."""
    leg = cell(params, condition, found.peak)
    off = turn_off(leg, off_voltage, found.peak, 0.0)
    on = turn_on(leg, on_voltage, found.valley, 0.0, found.middle)
    swing = on_voltage if found.middle is None else found.middle
    delay_on = on.middle_area / swing if swing > 0.01 * on_voltage else 0.0
    idle = 0.0 if found.middle is None else leg.other_capacitance * (off_voltage - found.middle)
    return Edges(off, on, delay_on, -off.middle_area / off_voltage, idle)


@lru_cache(maxsize=CACHED)
def solve(params: Params, condition: Condition) -> Solved:
    """All phases in their steady state.

    Raises
    ------
    ArithmeticError : an edge has no solution
    OptionError : no boost at this instant
    """
    supply = input_voltage(params, condition)
    mean = instant_power(params, condition) / params.bus_setpoint / params.phases
    bias = Bias(supply, params.bus_setpoint, mean, None)
    state = _around(params, condition, phase(params, _fed(params, bias)))
    for _ in range(2):  # the edges, then the period with them
        bias = bias_of(params, state)
        found = phase(params, dataclasses.replace(bias, edges=None))
        at_off, at_on = (params.bus_setpoint + more for more in state.cell)
        edges = edges_of(params, condition, found, at_off, at_on) if state.edges is None else state.edges
        state = dataclasses.replace(
            _around(params, condition, phase(params, dataclasses.replace(bias, edges=edges))), edges=edges
        )
    return state


def bias_of(params: Params, state: Solved) -> Bias:
    """What a phase sees in a state."""
    return Bias(state.input_voltage, params.bus_setpoint + state.off_mean, state.phase.diode_mean, state.edges)


def _fed(params: Params, bias: Bias) -> Bias:
    """The bias behind the feed's resistance, by the power the phases draw."""
    resistance = params.feed_resistance + (0.0 if params.inputs else SHORT)
    drop = bias.bus * bias.diode_mean * params.phases / bias.supply * resistance
    return dataclasses.replace(bias, supply=bias.supply - drop)


def _around(params: Params, condition: Condition, one: Phase) -> Solved:
    """Feed and bus around the phases."""
    share = start_of(one)
    fed = network.train(one.free, params.phases, share)
    load = Load(SHORT, 0.0, params.bus_setpoint**2 / instant_power(params, condition))
    banks = [network.branch_of(bank) for bank in params.outputs]
    total = interleaved(one.free, params.phases, share)
    ripple = network.ripple(total, fed, [*banks, load])
    period = one.choke.period
    begin = share * period
    until = ripple.at(np.array([begin + one.on_time, begin]), before=True)
    resistance, _ = network.high_frequency(banks)
    current = mean_of(one.choke)
    current *= params.phases
    supply = input_voltage(params, condition) - current * (params.feed_resistance + (0 if params.inputs else SHORT))
    held = resistance * max(one.valley, 0.0) if one.middle is None else 0.0
    since = np.arange(0.5, SAMPLES) / SAMPLES
    used = one.on_time + one.fall_time * since
    freed = mean_of(one.free) * period / one.fall_time
    threshold, slope = diode_tangent_of(params.high, max(freed, SMALLEST_CURRENT))
    return Solved(
        one, None, current, supply, ripple, float(np.mean(ripple.at(begin + used))),
        float(np.mean(ripple.at(begin + one.on_time * since))), threshold + slope * freed, total, fed,
        (float(until[0]), float(until[1]) - held),
    )  # fmt: skip


def start_of(one: Phase) -> float:
    """Where the first phase's middle falls, as a share of the period from the middle of its gate's on-time."""
    return -0.5 * one.duty + one.lag / one.choke.period
