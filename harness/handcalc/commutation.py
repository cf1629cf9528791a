"""One commutation of a switching leg by its own state equations: voltage peaks, and what the edge takes off the period.

The cell is a direct voltage behind its bank's R and L, the loop's inductance with the resistance that damps it beside,
the controlled place and the other place in series, the choke's current constant at their middle. State: bank current,
both output capacitances' voltages, current of the loop's inductance, the snubber's voltage. The controlled switch
is a conductance that follows its gate's law; the other place a threshold and a slope, or a switch of its own that opens
or closes a dead time beside; both have straight body diodes. The bank's current counts from it downwards.

Shares no solver with the simulation. Left out as there: recovery, the capacitances' fall with voltage. Breaks where the
choke's current moves within the edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc.channel import conductance
from harness.handcalc.state_equations import solved
from netlists.stages.switching import GateLaw

TOLERANCE = 1e-5  # relative, of the step control; peaks are held to percents
POINTS = 500  # read from the solution: more than 50 in a ring and in a switching time
RINGS = 1.2  # ring periods looked at after the edge: the first swing holds the peak
CACHED = 4096
LEAST_BANK_INDUCTANCE = 1e-3  # of the loop's, so that the bank's current is a state also where its ESL is not known


@dataclass(frozen=True, slots=True)
class Cell:
    """One leg; values of whole places.

    Parameters
    ----------
    is_upper : the controlled place is the upper one (buck); else the lower (boost)
    inductance, damping : of the loop, and the resistance beside it [H], [ohm]
    bank_resistance, bank_inductance : of the bank at very high frequency [ohm], [H]
    law : of one piece of the controlled switch; ``pieces`` in parallel
    threshold, slope : of the other place where it conducts uncontrolled [V], [ohm]
    body_threshold, body_slope : of the controlled switch's body diode
    other_law, other_pieces : where the other place is a switch
    snubber : resistance and capacitance across the lower place
    """

    is_upper: bool
    inductance: float
    damping: float
    bank_resistance: float
    bank_inductance: float
    controlled_capacitance: float
    other_capacitance: float
    law: GateLaw
    pieces: int
    threshold: float
    slope: float
    body_threshold: float
    body_slope: float
    other_law: GateLaw | None = None
    other_pieces: int = 1
    snubber: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Commutation:
    """What one edge does.

    Parameters
    ----------
    controlled_peak, other_peak : of the blocking voltages [V];  controlled_current, other_current : peaks [A]
    middle_area : volt-seconds the middle has more than with an edge in no time at the knee [Vs]
    charge : the loop carries more than with such an edge [As]
    controlled_square, other_square : what the squares of both places' currents have more, over time [A2s]
    node_low, node_high : extremes of the bank's node against the cell's voltage [V]
    """

    controlled_peak: float
    other_peak: float
    controlled_current: float
    other_current: float
    middle_area: float
    charge: float
    controlled_square: float
    other_square: float
    node_low: float
    node_high: float


@dataclass(frozen=True, slots=True)
class Edges:
    """Both edges of a phase: what they do, and how much later than at the knee the middle moves [s].

    ``idle`` : charge the upper place's capacitance exchanges while nothing conducts and the middle swings [As]
    """

    off: Commutation
    on: Commutation
    delay_on: float
    delay_off: float
    idle: float

    def of_controlled(self, valley: float, peak: float) -> float:
        """What both delays add to the time-integral of a controlled place's quantity, its values at both edges."""
        return valley * self.delay_on - peak * self.delay_off


@lru_cache(maxsize=CACHED)
def turn_off(cell: Cell, voltage: float, current: float, dead_time: float) -> Commutation:
    """The controlled switch gives its current [A] up to the other place; cell voltage [V], dead time after it [s]."""
    law, other = cell.law, cell.other_law
    begin = -law.lead_off
    end = begin + law.ramp
    events = [begin, end]
    if other is not None:
        events += [dead_time - other.lead_on, dead_time - other.lead_on + other.ramp]

    def gate(t: float) -> float:
        return min(max((end - t) / law.ramp, 0.0), 1.0)

    def other_gate(t: float) -> float:
        return 0.0 if other is None else min(max((t - events[2]) / other.ramp, 0.0), 1.0)

    on = 1 / conductance(law, cell.pieces, 1.0)
    loop = current if cell.is_upper else 0.0
    controlled = current * on
    start = np.array([loop, controlled, voltage - cell.bank_resistance * loop - controlled])
    return _run(cell, voltage, current, (gate, other_gate), events, start, dead_time, is_on=False)


@lru_cache(maxsize=CACHED)
def turn_on(cell: Cell, voltage: float, current: float, dead_time: float, middle: float | None = None) -> Commutation:
    """The controlled switch takes the choke's current [A] over; ``middle`` [V] where nothing conducted before."""
    law, other = cell.law, cell.other_law
    begin = -law.lead_on
    events = [begin, begin + law.ramp]
    if other is not None and middle is None:
        events += [-dead_time - other.lead_off, -dead_time - other.lead_off + other.ramp]

    def gate(t: float) -> float:
        return min(max((t - begin) / law.ramp, 0.0), 1.0)

    def other_gate(t: float) -> float:
        return 0.0 if other is None or middle is not None else min(max((events[3] - t) / other.ramp, 0.0), 1.0)

    loop = 0.0 if cell.is_upper else -current
    if middle is not None:
        loop = 0.0
        blocked = voltage - middle if cell.is_upper else middle
    else:
        blocked = voltage - cell.bank_resistance * loop + _other_drop(cell, current)
    start = np.array([loop, blocked, voltage - cell.bank_resistance * loop - blocked])
    return _run(
        cell, voltage, current, (gate, other_gate), events, start, dead_time, is_on=True, conducts=middle is None
    )


def _other_drop(cell: Cell, current: float) -> float:
    """Forward drop [V] of the other place while the current is settled in it."""
    straight = cell.threshold + cell.slope * current
    if cell.other_law is None:
        return straight
    channel = current / conductance(cell.other_law, cell.other_pieces, 1.0)
    return channel if current <= 0 else min(channel, straight)


Gates = tuple[Callable[[float], float], Callable[[float], float]]
Rates = Callable[[FloatArray, float], list[float]]


def _rates(cell: Cell, voltage: float, current: float, gates: Gates) -> Rates:
    """Time derivative of [bank current, controlled voltage, other voltage, loop inductance's current(, snubber's])."""
    damping, loop_inductance = cell.damping, cell.inductance
    bank_resistance, bank_inductance = cell.bank_resistance, _bank_inductance(cell)
    c_controlled, c_other = cell.controlled_capacitance, cell.other_capacitance
    upper = cell.is_upper
    into_controlled, out_of_other = (0.0, current) if upper else (current, 0.0)
    other = cell.other_law
    gate, other_gate = gates
    scale, steepness = cell.law.scale * cell.pieces, cell.law.steepness
    other_scale, other_steepness = (other.scale * cell.other_pieces, other.steepness) if other else (0.0, 0.0)
    threshold, slope, body_threshold, body_slope = cell.threshold, cell.slope, cell.body_threshold, cell.body_slope
    snubber = cell.snubber
    expm1 = math.expm1

    def rates(state: FloatArray, t: float) -> list[float]:
        i, v, w, inside, *damper = state.tolist()
        through = scale * expm1(steepness * gate(t)) * v
        if v < -body_threshold:
            through += (v + body_threshold) / body_slope
        beside = other_scale * expm1(other_steepness * other_gate(t)) * w if other_scale else 0.0
        if w < -threshold:
            beside += (w + threshold) / slope
        across = damping * (i - inside)
        found = [
            (voltage - bank_resistance * i - across - v - w) / bank_inductance,
            (i + into_controlled - through) / c_controlled,
            (i - out_of_other - beside) / c_other,
            across / loop_inductance,
        ]
        if snubber is not None:
            damped = ((w if upper else v) - damper[0]) / snubber[0]
            place, capacitance = (2, c_other) if upper else (1, c_controlled)
            found[place] -= damped / capacitance
            found.append(damped / snubber[1])
        return found

    return rates


def _bank_inductance(cell: Cell) -> float:
    return max(cell.bank_inductance, LEAST_BANK_INDUCTANCE * cell.inductance)


def _window(cell: Cell, voltage: float, current: float, events: list[float]) -> FloatArray:
    """Instants the solution is read at: evenly over the gates' ramps, as densely over the first rings behind."""
    capacitance = max(cell.controlled_capacitance, cell.other_capacitance)
    inductance = cell.inductance + cell.bank_inductance
    ring = 2 * math.pi * math.sqrt(inductance * capacitance)
    whole = cell.controlled_capacitance + cell.other_capacitance + (cell.snubber[1] if cell.snubber else 0.0)
    size = max(abs(current), 1e-3 * voltage / math.sqrt(inductance / capacitance))
    handed = min(whole * voltage / size, 20 * ring) + inductance * abs(current) / voltage
    end = max(handed, *events) + handed + RINGS * ring
    return np.unique(np.concatenate((np.linspace(min(events), end, POINTS), np.asarray(events))))


def _run(
    cell: Cell,
    voltage: float,
    current: float,
    gates: Gates,
    events: list[float],
    start: FloatArray,
    dead_time: float,
    *,
    is_on: bool,
    conducts: bool = True,
) -> Commutation:
    """Solves one edge and reads it."""
    time = _window(cell, voltage, current, events)
    rates = _rates(cell, voltage, current, gates)
    start = np.append(start, start[0])
    if cell.snubber is not None:
        start = np.append(start, start[2] if cell.is_upper else start[1])
    scale = _scale(cell, voltage, current, start.size)
    corners = np.array(sorted({event for event in events if time[0] < event < time[-1]}))
    state = solved(
        "a commutation", rates, start, time, corners, rtol=TOLERANCE, atol=TOLERANCE * float(np.min(scale)),
        mxstep=20000, hmax=(time[-1] - time[0]) / 20,
    )  # fmt: skip
    loop, controlled, other = state[:, 0], state[:, 1], state[:, 2]
    node = -cell.bank_resistance * loop
    if cell.bank_inductance > 0:  # what is not the bank's lies across the loop and both places
        node = cell.damping * (loop - state[:, 3]) + controlled + other - voltage
    through, beside = _currents(cell, gates, time, controlled, other)
    middle_area, charge = _excess(cell, current, voltage, time, state, dead_time, rates, is_on=is_on)
    own, beyond = (time[-1], -time[0]) if is_on else (-time[0], time[-1])  # how long an edge in no time would conduct
    squares = (
        float(np.trapezoid(through**2, time) - current**2 * own),
        float(np.trapezoid(beside**2, time) - (beyond * current**2 if conducts else 0.0)),
    )
    return Commutation(
        float(np.max(controlled)), float(np.max(other)), float(np.max(through)), float(np.max(beside)), middle_area,
        charge, *squares, float(np.min(node)), float(np.max(node)),
    )  # fmt: skip


def _scale(cell: Cell, voltage: float, current: float, size: int) -> FloatArray:
    """How large each state gets: the choke's current, or a tenth of the loop's ring where that is larger; voltages."""
    impedance = math.sqrt(cell.inductance / max(cell.controlled_capacitance, cell.other_capacitance))
    ampere = max(abs(current), 0.1 * voltage / impedance)
    return np.array([ampere, voltage, voltage, ampere, voltage])[:size]


def _currents(
    cell: Cell, gates: Gates, time: FloatArray, controlled: FloatArray, other: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Current of channel and body diode of the controlled switch, and forward current of the other place [A]."""
    x = np.array([gates[0](t) for t in time])
    through = cell.pieces * cell.law.scale * np.expm1(cell.law.steepness * x) * controlled
    through += np.minimum(controlled + cell.body_threshold, 0.0) / cell.body_slope
    beside = -np.minimum(other + cell.threshold, 0.0) / cell.slope
    if cell.other_law is not None:
        y = np.array([gates[1](t) for t in time])
        beside -= cell.other_pieces * cell.other_law.scale * np.expm1(cell.other_law.steepness * y) * other
    return through, beside


def _excess(
    cell: Cell,
    current: float,
    voltage: float,
    time: FloatArray,
    state: FloatArray,
    dead_time: float,
    rates: Rates,
    *,
    is_on: bool,
) -> tuple[float, float]:
    """Volt-seconds of the middle and charge of the loop beyond an edge at the knee [Vs], [As], ringing to its end.

    What is left of the ringing behind the last instant is linear: its integral is -A^-1 (x - x_settled).
    """
    settled, tail = _tail(
        rates, state[-1], time[-1], _settled_side(cell, voltage, current, state.shape[1], is_on=is_on)
    )
    index = 2 if cell.is_upper else 1
    dead = -(cell.threshold + cell.slope * max(current, 0.0)) if cell.other_law is not None else None
    before, after = state[0], settled
    area = float(np.trapezoid(state[:, index], time)) + tail[index]
    area -= before[index] * -time[0] + after[index] * time[-1]
    if dead is not None:  # the dead time has its own piece in the period, with the uncontrolled drop
        area -= dead_time * (dead - (before[index] if is_on else after[index]))
    charge = float(np.trapezoid(state[:, 0], time)) + tail[0] - before[0] * -time[0] - after[0] * time[-1]
    return float(area), float(charge)


def _settled_side(cell: Cell, voltage: float, current: float, size: int, *, is_on: bool) -> FloatArray:
    """A state with every diode as it will be in the end, whatever the ringing does to it at the moment."""
    conducting = -cell.threshold - 1e-3 * voltage
    return np.array([current, 0.0 if is_on else voltage, voltage if is_on else conducting, current, 0.0])[:size]


def _tail(rates: Rates, last: FloatArray, instant: float, near: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Settled state, and the integral of the distance from it from the last instant on, straight equations ``near``."""
    step = 1e-6 * np.max(np.abs(near))
    at = np.array(rates(near, instant))
    matrix = np.array([(np.array(rates(near + step * unit, instant)) - at) / step for unit in np.eye(last.size)]).T
    size = np.max(np.abs(matrix), axis=1, keepdims=True)
    settled = near + np.linalg.lstsq(matrix / size, -at / size[:, 0], rcond=1e-13)[0]
    integral = np.linalg.lstsq(matrix / size, (settled - last) / size[:, 0], rcond=1e-13)[0]
    return settled, integral
