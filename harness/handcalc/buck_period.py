"""Buck rails by hand: duty and choke current from the balance of volt-seconds, ripple from the banks' impedances.

All resistances and drops count, dead times are pieces of their own, each edge takes from the period what
``commutation`` finds. Ripple of the input is fed back into the on-time's mean voltage; ripple of the output is small
against its voltage and moves no current here. Left out: the choke's ring with the output capacitances after a
discontinuous current has ended (but for the charge it takes): it decides at which voltage the next turn-on begins.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.handcalc import network
from harness.handcalc.commutation import Cell, Edges, turn_off, turn_on
from harness.handcalc.network import Branch
from harness.handcalc.output_network import direct
from harness.handcalc.switching_waveform import (
    Course,
    body_tangent,
    continuous_course,
    diode_tangent_of,
    discontinuous_course,
    discontinuous_on_time,
    mean_of,
    part_of,
    peak_of,
    summed,
)
from netlists.instances import AT_THE_BANK
from netlists.periodic import LEAST_PLATEAU
from netlists.point import Condition
from netlists.stages.buck import Params, Rail, high_law, low_law, lower_capacitance

CACHED = 256
ROUNDS = 3  # of drops and duty found from each other; changes are below 1e-5 by then
SAMPLES = 64  # of the input's ripple over an on-time
SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase of a rail; its course begins where its middle rises.

    Parameters
    ----------
    duty : of the gate, between knees;  on_time : of the middle, between its edges [s]
    high_mean : mean current of the high place [A]
    lag : from the knee of turn-on to the middle's rise [s]
    """

    duty: float
    on_time: float
    choke: Course
    is_continuous: bool
    high_mean: float
    lag: float

    @property
    def valley(self) -> float:
        """Choke current where the middle rises [A]."""
        return float(self.choke.value[0])

    @property
    def peak(self) -> float:
        """Choke current where the middle falls [A]."""
        return self.choke.once(self.on_time, before=True)

    @property
    def pulse(self) -> Course:
        """Current of the high place, straight edges, its mean as it should be."""
        bare = part_of(self.choke, 0.0, self.on_time)
        return bare.scaled(self.high_mean / mean_of(bare)) if self.high_mean > 0 else bare


@dataclass(frozen=True, slots=True)
class Solved:
    """All rails together.

    Parameters
    ----------
    input_ripple : alternating voltage of the input node, without the impulses of its inductance, counted from the
        middle of rail a's first on-time
    cells : direct voltages of every rail's cell at turn-off and turn-on, less the input's mean
    """

    phases: tuple[Phase, ...]
    edges: tuple[Edges, ...]
    feed_current: float
    input_voltage: float
    input_ripple: Course
    drawn: Course
    drawn_harmonics: network.ComplexArray
    cells: tuple[tuple[float, float], ...]


def rail_current(rail: Rail, condition: Condition) -> float:
    """Mean current of a rail's load [A]."""
    return direct(rail.output, condition).current


def at_bank(params: Params, condition: Condition) -> Params:
    """The same rails, each at the voltage its own bank has: more than its target where that holds further on."""
    if all(rail.network is None or rail.network.sense == AT_THE_BANK for rail in params.rails):
        return params
    rails = (dataclasses.replace(rail, voltage=direct(rail.output, condition).output_voltage) for rail in params.rails)
    return dataclasses.replace(params, rails=tuple(rails))


def low_clamp(rail: Rail, current: float) -> tuple[float, float]:
    """Straight line of whatever frees the choke without a gate [V], [ohm]: the diode where there is one."""
    if rail.diode is not None:
        return diode_tangent_of(rail.diode, max(current, SMALLEST_CURRENT))
    assert rail.low is not None  # checked by Rail
    return body_tangent(rail.low, max(current, SMALLEST_CURRENT))


def source_branch(params: Params, current: float) -> Branch:
    """The feed and its choke as seen from the input [ohm], [H]; a choke beyond its knee has what is left."""
    choke = params.input_choke
    if choke is None:
        return Branch(params.feed_resistance, params.feed_inductance)
    inductance = choke.inductance
    if choke.saturation_current is not None and choke.saturated_inductance and current > choke.saturation_current:
        inductance = choke.saturated_inductance
    return Branch(params.feed_resistance + choke.winding_resistance, params.feed_inductance + inductance)


@dataclass(frozen=True, slots=True)
class Drops:
    """Of one phase at its currents: on-path resistance [ohm], low place [V], dead times [V]."""

    on: float
    low: float
    falling: float
    rising: float


def drops_of(rail: Rail, mean: float, peak: float, valley: float) -> Drops:
    threshold, slope = low_clamp(rail, peak)
    on = rail.high.on_resistance / rail.high.parallel
    if rail.rectification == "diode" or rail.low is None:
        low = threshold + slope * mean
    else:
        low = mean * rail.low.on_resistance / rail.low.parallel
        low = min(low, threshold + slope * mean) if low > 0 else low
    return Drops(on, low, threshold + slope * max(peak, 0.0), threshold + slope * max(valley, 0.0))


def is_gated(rail: Rail, lasting: float) -> bool:
    """Whether a fall of the choke's current [s] leaves an on-time that diode emulation does not leave out."""
    return lasting - rail.dead_time_falling - rail.turn_off_lead >= max(rail.least_on_time, 1e-9)


def emulated_drop(rail: Rail, peak: float, lasting: float) -> float:
    """Mean drop of a low place in diode emulation over a fall from a peak [A] to zero [V], time for time.

    Its body diode, or the Schottky beside it, in the dead time and in the lead, its channel between them.
    """
    assert rail.low is not None  # checked by Rail
    threshold, slope = low_clamp(rail, peak)
    if not is_gated(rail, lasting):
        return threshold + slope * 0.5 * peak
    first, last = rail.dead_time_falling, max(rail.turn_off_lead, 0.0)
    channel = 0.5 * peak * rail.low.on_resistance / rail.low.parallel
    alone = (threshold + slope * peak) * first + threshold * last
    return (alone + channel * (lasting - first - last)) / lasting


def channel_span(rail: Rail, one: Phase) -> tuple[float, float]:
    """From and until when the low channel conducts, in the phase's own time [s]; equal where it stays off."""
    begin, end = one.on_time + rail.dead_time_falling, one.choke.period - rail.dead_time_rising
    if one.is_continuous:
        return begin, end
    zero = float(one.choke.time[-2])
    if not is_gated(rail, zero - one.on_time):
        return zero, zero
    return begin, zero - max(rail.turn_off_lead, 0.0)


def phase(params: Params, rail: Rail, current: float, on_voltage: float, lost: Edges | None) -> Phase:
    """One phase that carries a mean current [A], its input at ``on_voltage`` [V] while the high place is on."""
    found = _continuous(params, rail, current, on_voltage, lost)
    if rail.may_idle and float(np.min(found.choke.value)) < 0:
        return _discontinuous(params, rail, current, on_voltage, lost)
    return found


def _continuous(params: Params, rail: Rail, current: float, on_voltage: float, lost: Edges | None) -> Phase:
    period = params.period
    is_driven = rail.rectification == "synchronous"
    falling, rising = (rail.dead_time_falling, rail.dead_time_rising) if is_driven else (0.0, 0.0)
    gap = (lost.delay_off - lost.delay_on) if lost is not None else 0.0  # the middle is high so much longer [s]
    winding = current * rail.choke.winding_resistance
    peak = valley = current
    for _ in range(ROUNDS):
        drops = drops_of(rail, current, peak, valley)
        high = on_voltage - current * drops.on
        below = drops.low * (period - falling - rising) + drops.falling * falling + drops.rising * rising
        on_time = ((rail.voltage + winding) * period + below) / (high + drops.low)
        on_time = min(on_time, rail.largest_duty * period + gap, (1 - LEAST_PLATEAU) * period - falling - rising)
        durations = (on_time, falling, period - on_time - falling - rising, rising)
        ahead = rail.voltage + winding
        volts = (high - ahead, -drops.falling - ahead, -drops.low - ahead, -drops.rising - ahead)
        course = continuous_course(rail.choke, durations, volts, current)
        valley, peak = float(course.value[0]), float(np.max(course.value))
    return _phase(period, on_time - gap, on_time, course, lost, is_continuous=True)


def _discontinuous(params: Params, rail: Rail, current: float, on_voltage: float, lost: Edges | None) -> Phase:
    period = params.period
    gap = (lost.delay_off - lost.delay_on) if lost is not None else 0.0
    capacitance = lower_capacitance(rail) + rail.high.output_capacitance * rail.high.parallel
    rung = capacitance * rail.voltage / period  # what the choke gives back to lift the middle when its current ends
    peak, lasting = 2 * current, 0.5 * period
    for _ in range(ROUNDS):
        drops = drops_of(rail, 0.5 * peak, peak, 0.0)
        if rail.emulates_diode:
            drops = dataclasses.replace(drops, low=emulated_drop(rail, peak, lasting))
        winding = 0.5 * peak * rail.choke.winding_resistance
        rise = on_voltage - 0.5 * peak * drops.on - rail.voltage - winding
        fall = rail.voltage + winding + drops.low
        on_time = discontinuous_on_time(rail.choke, period, rise, fall, current + rung)
        course = discontinuous_course(rail.choke, period, (on_time, rise), fall)
        peak, lasting = peak_of(course), float(course.time[-2]) - on_time
    return _phase(period, on_time - gap, on_time, course, lost, is_continuous=False)


def _phase(
    period: float, gate_time: float, on_time: float, course: Course, lost: Edges | None, *, is_continuous: bool
) -> Phase:
    charge = mean_of(part_of(course, 0.0, on_time)) * period
    if lost is not None:  # between the knees, and what the edges add to it
        valley, peak = float(course.value[0]), course.once(on_time, before=True)
        charge += lost.of_controlled(valley, peak) + lost.on.charge + lost.off.charge - lost.idle
    lag = lost.delay_on if lost is not None else 0.0
    return Phase(gate_time / period, on_time, course, is_continuous, charge / period, lag)


def cell(params: Params, rail: Rail, current: float) -> Cell:
    """The commutation cell of a phase: its loop with the input bank as it is at very high frequency."""
    resistance, inductance = network.high_frequency([network.branch_of(bank) for bank in params.inputs])
    is_driven = rail.rectification == "synchronous" and rail.low is not None
    low = rail.low if is_driven else None
    other, loop = lower_capacitance(rail), rail.strays.loop_inductance
    snubber = None if rail.snubber is None else (rail.snubber.resistance, rail.snubber.capacitance)
    return Cell(
        True, loop, rail.strays.loop_quality * math.sqrt(loop / other), resistance, inductance,
        rail.high.output_capacitance * rail.high.parallel, other, high_law(params, rail), rail.high.parallel,
        *low_clamp(rail, current), *body_tangent(rail.high, max(current, SMALLEST_CURRENT)),
        None if low is None else low_law(params, rail), 1 if low is None else low.parallel, snubber,
    )  # fmt: skip


def edges_of(params: Params, rail: Rail, found: Phase, off_voltage: float, on_voltage: float) -> Edges:
    """Both edges of a phase, cell voltages as at either [V]."""
    leg = cell(params, rail, found.peak)
    is_driven = rail.rectification == "synchronous"
    falling, rising = (rail.dead_time_falling, rail.dead_time_rising) if is_driven else (0.0, 0.0)
    middle = None if found.is_continuous else rail.voltage
    if middle is not None and is_driven:  # an idle low place has no gate to wait for, nor has one left off
        rising = 0.0
        if channel_span(rail, found)[0] == channel_span(rail, found)[1]:
            leg, falling = dataclasses.replace(leg, other_law=None), 0.0
    off = turn_off(leg, off_voltage, found.peak, falling)
    on = turn_on(leg, on_voltage, found.valley, rising, middle)
    idle = leg.controlled_capacitance * middle if middle is not None else 0.0
    return Edges(off, on, -on.middle_area / (on_voltage - (middle or 0.0)), off.middle_area / off_voltage, idle)


@lru_cache(maxsize=CACHED)
def solve(params: Params, condition: Condition) -> Solved:
    """All rails in their steady state.

    Raises
    ------
    ArithmeticError : an edge has no solution
    """
    currents = [rail_current(rail, condition) / rail.phases for rail in params.rails]
    params = at_bank(params, condition)
    rails = params.rails
    supply = params.input_voltage
    phases = [phase(params, rail, i, supply, None) for rail, i in zip(rails, currents, strict=True)]
    state = _input(params, phases)
    found: list[Edges] = []
    for rail, (at_off, at_on), current in zip(rails, state.cells, currents, strict=True):
        guess = phase(params, rail, current, state.input_voltage, None)
        found.append(edges_of(params, rail, guess, state.input_voltage + at_off, state.input_voltage + at_on))
    phases = [
        phase(params, rail, current, state.input_voltage + on_mean(params, state, index, phases[index]), found[index])
        for index, (rail, current) in enumerate(zip(rails, currents, strict=True))
    ]
    return dataclasses.replace(_input(params, phases), edges=tuple(found))


def _input(params: Params, phases: list[Phase]) -> Solved:
    """Feed and input node under the pulses of all rails."""
    period = params.period
    courses, delays, orders = [], [], np.zeros(network.ORDERS + 1, dtype=np.complex128)
    for rail, one in zip(params.rails, phases, strict=True):
        share = start_of(rail, one, period)
        orders = orders - network.train(one.pulse, rail.phases, share)
        courses += [one.pulse.scaled(-1.0)] * rail.phases
        delays += [(k / rail.phases + share) * period for k in range(rail.phases)]
    drawn = summed(courses, delays)
    current = -mean_of(drawn)
    source = source_branch(params, current)
    branches = [*(network.branch_of(bank) for bank in params.inputs), source]
    ripple = network.ripple(drawn, orders, branches)
    bank, _ = network.high_frequency(branches[:-1])
    cells = []
    for rail, one in zip(params.rails, phases, strict=True):
        begin = start_of(rail, one, period) * period
        until = ripple.at(np.array([begin + one.on_time, begin]), before=True)
        cells.append((float(until[0]) + bank * one.peak, float(until[1])))
    return Solved(
        tuple(phases), (), current, params.input_voltage - current * source.resistance, ripple, drawn, orders,
        tuple(cells),
    )  # fmt: skip


def start_of(rail: Rail, one: Phase, period: float) -> float:
    """Where the first phase's middle rises, as a share of the period from the middle of rail a's first on-time."""
    return rail.phase_angle / 360 - 0.5 * one.duty + one.lag / period


def on_mean(params: Params, state: Solved, index: int, one: Phase) -> float:
    """Mean of the input's ripple over an on-time of a rail [V]."""
    begin = start_of(params.rails[index], one, params.period) * params.period
    instants = begin + one.on_time * (np.arange(SAMPLES) + 0.5) / SAMPLES
    return float(np.mean(state.input_ripple.at(instants)))
