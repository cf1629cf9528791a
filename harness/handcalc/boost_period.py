"""Boost corrector at an instant of the line by hand: duty or frequency, choke current, ripple of bus and input.

The mean current of the diodes is the load's at the regulated bus; the choke's follows from it and from the balance of
volt-seconds with all drops. Each edge takes from the period what ``commutation`` finds. In boundary mode a phase starts
a delay after its current's zero, while the choke rings with both output capacitances (an undamped quarter swing or
less); with a fixed frequency that ring is left out, so the voltage the next turn-on begins at is taken as the input's.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc import network
from harness.handcalc.commutation import Cell, Commutation, turn_off, turn_on
from harness.handcalc.network import Load
from harness.handcalc.switching_waveform import (
    HALVINGS,
    Course,
    body_tangent,
    choke_course,
    continuous_course,
    diode_tangent_of,
    discontinuous_course,
    discontinuous_on_time,
    interleaved,
    mean_of,
    part_of,
    peak_of,
    triangle_mean,
)
from netlists.point import Condition
from netlists.stages.boost_pfc import Params, input_voltage, instant_power, low_law
from netlists.stages.switching import SHORT

CACHED = 256
ROUNDS = 8  # of current, drops and duty found from each other; changes are below 1e-6 by then
SAMPLES = 64  # of a ripple over a piece of the period
RING_POINTS = 13  # of the choke's ring between its current's zero and the turn-on
SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]


@dataclass(frozen=True, slots=True)
class Edges:
    """Both edges of a phase, and how much later than at the knee the middle moves [s].

    ``idle`` : charge the diode's capacitance takes from the bus while nothing conducts and the middle falls [As]
    """

    off: Commutation
    on: Commutation
    delay_on: float
    delay_off: float
    idle: float

    def of_low(self, valley: float, peak: float) -> float:
        """What both delays add to the time-integral of a low place's quantity, its values at both edges."""
        return valley * self.delay_on - peak * self.delay_off

    def charge(self, peak: float, valley: float) -> float:
        """Charge the diode gets beyond that between the middle's edges, currents at both [As]."""
        return -self.of_low(valley, peak) - self.on.charge - self.off.charge - self.idle


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
    middle : voltage of the middle before turn-on where nothing conducts then [V], else None
    diode_mean : mean current of the diode [A];  lag : from the knee of turn-on to the middle's fall [s]
    is_boundary : started by its current's zero
    """

    duty: float
    on_time: float
    choke: Course
    middle: float | None
    diode_mean: float
    lag: float
    is_boundary: bool = False

    @property
    def valley(self) -> float:
        """Choke current at turn-on [A]."""
        return float(self.choke.value[0])

    @property
    def peak(self) -> float:
        """Choke current at turn-off [A]."""
        return float(self.choke.at(np.array([self.on_time]), before=True)[0])

    @property
    def free(self) -> Course:
        """Current of the diode, straight edges, its mean as it should be; the choke's ring is none of it."""
        bare = part_of(self.choke, self.on_time, self.choke.period)
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
        return self.edges.charge(peak, valley) if self.edges is not None else 0.0


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
        mean = (bias.diode_mean * period - bias.charge(peak, valley)) / (period - on_time)
        peak, valley = (mean + sign * rise * on_time / 2 / params.choke.inductance for sign in (1.0, -1.0))
    course = continuous_course(params.choke, (on_time, period - on_time), (rise, -fall), mean)
    return _phase(bias, on_time, course, None)


def _discontinuous(params: Params, bias: Bias, period: float) -> Phase:
    peak = 2 * bias.diode_mean * bias.bus / bias.supply
    for _ in range(ROUNDS):
        rise, fall = rise_and_fall(params, bias, 0.5 * peak, 0.5 * peak)
        through = bias.diode_mean - bias.charge(peak, 0.0) / period
        on_time = discontinuous_on_time(params.choke, period, rise, fall, through * (1 + fall / rise))
        on_time = min(on_time, period * fall / (rise + fall))
        course = discontinuous_course(params.choke, period, (on_time, rise), fall)
        peak = peak_of(course)
    return _phase(bias, on_time, course, bias.supply)


def _boundary(params: Params, bias: Bias) -> Phase:
    """Charge of the fall is the diode's mean times the period, which itself grows with the peak's flux linkage."""
    ring, peak = ring_of(params, bias), 2 * bias.diode_mean * bias.bus / bias.supply
    back = params.choke.inductance * float(ring.current[-1])
    for _ in range(ROUNDS):
        rise, fall = rise_and_fall(params, bias, 0.5 * peak, 0.5 * peak)
        extra = bias.charge(peak, float(ring.current[-1]))
        low, high = 0.0, 8 * params.choke.inductance * peak
        for _ in range(HALVINGS):
            flux = 0.5 * (low + high)
            period = (flux - back) / rise + flux / fall + params.turn_on_delay
            if triangle_mean(params.choke, flux) * flux / fall + extra < bias.diode_mean * period:
                low = flux
            else:
                high = flux
        on_time, fall_time = (flux - back) / rise, flux / fall
        time = np.concatenate(([0.0, -back / rise, on_time], on_time + fall_time + ring.time))
        linked = np.concatenate(([back, 0.0, flux], params.choke.inductance * ring.current))
        course = choke_course(params.choke, time, linked)
        peak = peak_of(course)
    return _phase(bias, on_time, course, ring.middle, is_boundary=True)


def _phase(bias: Bias, on_time: float, course: Course, middle: float | None, *, is_boundary: bool = False) -> Phase:
    lag = bias.edges.delay_on if bias.edges is not None else 0.0
    return Phase((on_time - bias.gap) / course.period, on_time, course, middle, bias.diode_mean, lag, is_boundary)


def middle_capacitance(params: Params) -> float:
    """All that the choke rings with while nothing conducts [F]."""
    snubber = params.snubber.capacitance if params.snubber is not None else 0.0
    diode = params.high.junction_capacitance * params.high.parallel
    return params.low.output_capacitance * params.low.parallel + diode + snubber


def ring_of(params: Params, bias: Bias) -> Ring:
    """The choke's ring with both output capacitances after its current's zero, until the turn-on.

    v = Vi + (Vb - Vi) cos wt, i = -(Vb - Vi) / Z sin wt; at 0 V the body diode holds it and the current rises again.
    """
    choke, capacitance = params.choke, middle_capacitance(params)
    omega, impedance = 1 / math.sqrt(choke.inductance * capacitance), math.sqrt(choke.inductance / capacitance)
    swing = bias.bus - bias.supply
    clamped = math.acos(-bias.supply / swing) / omega if bias.supply < swing else math.inf
    time = np.linspace(0.0, params.turn_on_delay, RING_POINTS)
    free = np.minimum(time, clamped)
    current = -swing / impedance * np.sin(omega * free)
    current = np.minimum(current + bias.supply / choke.inductance * (time - free), np.maximum(current, 0.0))
    return Ring(time, current, bias.supply + swing * math.cos(omega * float(free[-1])))


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
    if one.middle is not None and not one.is_boundary:  # the ring that is no part of the course gives back
        current -= middle_capacitance(params) * (params.bus_setpoint - one.middle) / period
    current *= params.phases
    supply = input_voltage(params, condition) - current * (params.feed_resistance + (0 if params.inputs else SHORT))
    held = resistance * max(one.valley, 0.0) if one.middle is None else 0.0
    since = np.arange(0.5, SAMPLES) / SAMPLES
    off = one.on_time + (period - one.on_time) * since
    used = off[one.free.at(off) > 0]
    freed = mean_of(one.free) * period / (used.size / SAMPLES * (period - one.on_time))
    threshold, slope = diode_tangent_of(params.high, max(freed, SMALLEST_CURRENT))
    return Solved(
        one, None, current, supply, ripple, float(np.mean(ripple.at(begin + used))),
        float(np.mean(ripple.at(begin + one.on_time * since))), threshold + slope * freed, total, fed,
        (float(until[0]), float(until[1]) - held),
    )  # fmt: skip


def start_of(one: Phase) -> float:
    """Where the first phase's middle falls, as a share of the period from the middle of its gate's on-time."""
    return -0.5 * one.duty + one.lag / one.choke.period
