"""One period of a flyback by hand: cycle, clamp, turn-off and rails found from each other.

The cycle's pieces are those of ``flyback_cycle``; what its turn-off does to the clamp is solved in ``flyback_turn_off``
and calibrates the clamp's closed form of ``flyback_clamp``; the rails share as in ``flyback_rails``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc import flyback_rails as rails
from harness.handcalc.commutation import Commutation
from harness.handcalc.flyback_clamp import NO_CLAMP, Clamped, clamped
from harness.handcalc.flyback_cycle import Cycle, Demand, cycle_of
from harness.handcalc.flyback_edges import Leaving, held_voltage, turn_off_lag, turn_ons
from harness.handcalc.flyback_rails import Paths
from harness.handcalc.flyback_synchronous import gated_span
from harness.handcalc.flyback_turn_off import Pulse, TurnOff, clamp_pulse
from harness.handcalc.switching_waveform import Course, diode_tangent_of
from netlists.point import Condition
from netlists.stages.flyback import switch_law
from netlists.stages.flyback_params import (
    Params,
    core_resistance,
    drain_capacitance,
    leakage_damping,
    switch_capacitance,
)
from netlists.stages.switching import SHORT

CACHED = 256
PASSES = 3  # of these and of the turn-off by its own state equations
SETTLED = 1e-5  # relative change from round to round
ROUNDS = 15  # of period, clamp and rails found from each other
SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]
PULSE_CENTRE = 2 / 3  # of a current that falls straight to zero, weighted by itself
RING_LEFT = 0.03  # of a ring's first swing: what follows is left out
MOST_SWINGS, SWING_POINTS = 25, 10  # of the leakage's ring
SHORTEST = 1e-12  # a pulse lasts no less [s]
LEAST_LEFT = 0.1  # of the bus: with less left for the primary no duty brings the load
LEAST_SWING = 0.02  # of the bus: a drain that has swung down by itself so far costs no time


@dataclass(frozen=True, slots=True)
class Solved:
    """A flyback in its steady state.

    Parameters
    ----------
    on_voltage : across the whole primary while the current rises [V];  reflected : mean while it falls [V]
    total : ampere-turns of all rectifiers over primary turns;  currents : of every rectifier
    voltages : means at every first bank [V]
    on, off, clamp_on : turn-on against the rectifiers, turn-off into the clamp (None where it does not conduct),
        turn-on as the clamp's diode sees it
    duty : of the gate, between knees;  lag : from the knee to where the magnetising current turns [s]
    """

    cycle: Cycle
    clamp: Clamped
    on_voltage: float
    reflected: float
    total: Course
    currents: tuple[Course, ...]
    voltages: tuple[float, ...]
    on: Commutation
    off: Pulse | None
    clamp_on: Commutation
    duty: float
    lag: float


def on_resistance(params: Params) -> float:
    """Of all that carries the rising current [ohm]."""
    channel = params.switch.on_resistance / params.switch.parallel
    return channel + (params.sense_resistance or SHORT) + params.primary.primary_resistance


def ampere_turns(params: Params, cycle: Cycle, clamp: Clamped, reflected: float) -> Course:
    """Of all rectifiers over primary turns [A]: the magnetising current less the leakage's and the core's share."""
    begin = cycle.rise_time + cycle.edge_time
    core = reflected / core_resistance(params)
    slope = reflected / params.primary.magnetising_inductance
    held = min(clamp.duration, 0.5 * cycle.fall_time)
    end = begin + cycle.fall_time
    last = end - cycle.takeover if cycle.is_continuous else end
    ring_time, ring = _leakage_ring(params, cycle, clamp, reflected, last - begin - held)
    falling = cycle.first - slope * (held + ring_time) - core + ring
    time = np.concatenate(([0.0, begin, begin], begin + held + ring_time))
    value = np.concatenate(([0.0, 0.0, max(cycle.first - clamp.current - core, 0.0)], falling))
    if cycle.is_continuous:
        tail = [(last, cycle.valley + slope * cycle.takeover - core), (end, 0.0)]
    else:
        tail = [(end, 0.0), (cycle.period, 0.0)]
    time, value = np.append(time, [t for t, _ in tail]), np.append(value, [v for _, v in tail])
    time[-1] = cycle.period
    return Course(time, np.maximum(value, 0.0))


def leakage_ring(params: Params, cycle: Cycle, clamp: Clamped, reflected: float) -> tuple[float, float, float]:
    """First swing of the leakage's ring with the drain [A], its angular frequency [1/s], its decay [1/s].

    It starts at the clamp's end, at the clamp's voltage over the reflected one without current; where the clamp does
    not conduct, with all of the current at the reflected voltage.
    """
    leakage = params.primary.leakage_inductance
    capacitance = switch_capacitance(params) + params.clamp.diode.junction_capacitance * params.clamp.diode.parallel
    omega, decay = 1 / math.sqrt(leakage * capacitance), 0.5 / (leakage_damping(params) * capacitance)
    if clamp.current <= 0:
        return cycle.first, omega, decay
    return max(clamp.after + clamp.drop - reflected, 0.0) / math.sqrt(leakage / capacitance), omega, decay


def _leakage_ring(
    params: Params, cycle: Cycle, clamp: Clamped, reflected: float, room: float
) -> tuple[FloatArray, FloatArray]:
    """Times [s] from the clamp's end, and what the leakage's ring with the drain adds to the ampere-turns [A]."""
    swing, omega, decay = leakage_ring(params, cycle, clamp, reflected)
    lasting = min(-math.log(RING_LEFT) / decay, MOST_SWINGS * 2 * math.pi / omega, 0.98 * room)
    time = np.linspace(0.0, lasting, max(math.ceil(lasting * omega / (2 * math.pi) * SWING_POINTS), 4))
    if clamp.current > 0:
        return time, swing * np.exp(-decay * time) * np.sin(omega * time)
    return time, -swing * np.exp(-decay * time) * np.cos(omega * time)


@dataclass(slots=True)
class _Working:
    """What the rounds find from each other."""

    reflected: float
    on_voltage: float
    clamp: Clamped
    voltages: list[float]
    conducted: list[tuple[float, float]]
    at_pulse: float
    share: float = 1.0


@lru_cache(maxsize=CACHED)
def solve(params: Params, condition: Condition) -> Solved:
    """The steady state at the condition's bus.

    Raises
    ------
    ArithmeticError : the bus cannot bring the demand against what resists it, or an edge has no solution
    """
    supply = condition.line_voltage
    voltages = [rails.first_voltage(params, condition), *(one.output.voltage for one in params.secondaries[1:])]
    loads = [rails.direct_resistance(one, condition) for one in params.secondaries]
    half = 0.5 / params.switching_frequency
    conducted = [(2 * voltage / load, half) for voltage, load in zip(voltages, loads, strict=True)]
    reflected = 1.05 * held_voltage(params, voltages[0])
    working = _Working(reflected, 0.98 * supply, NO_CLAMP, voltages, conducted, reflected)
    for _ in range(PASSES):
        for _ in range(ROUNDS):
            before = (working.reflected, working.clamp.charge, *working.voltages)
            cycle, total, paths = _round(params, condition, working, loads)
            after = (working.reflected, working.clamp.charge, *working.voltages)
            if np.allclose(before, after, rtol=SETTLED, atol=0.0):
                break
        pulse = _pulse(params, condition, cycle, working, paths)
        if pulse is not None and working.clamp.charge > 0:
            working.share *= min(max(pulse.charge / working.clamp.charge, 0.2), 5.0)
    currents = tuple(Course(total.time, current) for current in paths.over(total)[1])
    leaving = Leaving(cycle.is_continuous, cycle.drain, cycle.valley, cycle.first)
    on, clamp_on = turn_ons(params, condition, leaving, working.clamp.before)
    swing = supply + held_voltage(params, working.voltages[0]) if cycle.is_continuous else cycle.drain
    lag = -on.middle_area / swing if swing > LEAST_SWING * supply else 0.0
    return Solved(
        cycle, working.clamp, working.on_voltage, working.reflected, total, currents, tuple(working.voltages), on,
        pulse, clamp_on, (cycle.rise_time + lag - turn_off_lag(params, condition)) / cycle.period, lag,
    )  # fmt: skip


def _round(params: Params, condition: Condition, working: _Working, loads: list[float]) -> tuple[Cycle, Course, Paths]:
    """Period, clamp and rails once more from each other."""
    supply = condition.line_voltage
    ratios = [params.primary.ideal_ratio(one.winding) for one in params.secondaries]
    demanded = sum(v / r / n for v, r, n in zip(working.voltages, loads, ratios, strict=True))
    cycle = cycle_of(
        params, Demand(demanded, supply, working.on_voltage, working.reflected, working.clamp.charge)
    )  # fmt: skip
    clamp = clamped(params, working.at_pulse, cycle.first, cycle.period, working.share)
    on_voltage = supply - on_resistance(params) * 0.5 * (cycle.peak + max(cycle.start, 0.0))
    if on_voltage < LEAST_LEFT * supply:
        raise ArithmeticError(f"a bus of {supply:.4g} V cannot bring the load against the primary's resistance")
    total = ampere_turns(params, cycle, clamp, working.reflected)
    total = rails.subdivided(total) if len(loads) > 1 else total
    working.clamp, working.on_voltage = clamp, on_voltage
    begin = cycle.rise_time + cycle.edge_time
    gated = [
        gated_span(params, one, begin, lasting, cycle.takeover)
        for one, (_, lasting) in zip(params.secondaries, working.conducted, strict=True)
    ]
    total = rails.cornered(total, gated)
    carried = [current for current, _ in working.conducted]
    working.voltages, paths = rails.followed(params, condition, total, working.voltages, carried, gated)
    working.reflected, working.conducted = _conducted(total, paths)
    working.at_pulse = _at_pulse(params, cycle, clamp, paths)
    return cycle, total, paths


def _at_pulse(params: Params, cycle: Cycle, clamp: Clamped, paths: Paths) -> float:
    """What stands against the clamp during its pulse [V]: the rectifiers begin without current, the primary with all.

    Taken at two thirds of the pulse's current, where the charge of a straight fall has its centre.
    """
    left = PULSE_CENTRE * clamp.current
    volts = paths.at_turn_off(np.array([max(cycle.first - left, 0.0)]), _early(params, clamp))
    return float(volts[0]) - params.primary.primary_resistance * left


def _early(params: Params, clamp: Clamped) -> float:
    """Share of the clamp's pulse in which no channel of a rectifier conducts."""
    if all(one.synchronous is None for one in params.secondaries):
        return 1.0
    return min(params.rectifier_delay / max(clamp.duration, SHORTEST), 1.0)


def _pulse(params: Params, condition: Condition, cycle: Cycle, working: _Working, paths: Paths) -> Pulse | None:
    """The turn-off by its own state equations, where the clamp conducts at all."""
    if working.clamp.current <= 0:
        return None
    strays, part, switched = params.strays, params.clamp, switch_capacitance(params)
    volts = paths.at_turn_off(np.array([0.0, cycle.first]), _early(params, working.clamp))
    clamp_diode = part.diode.junction_capacitance * part.diode.parallel
    around = TurnOff(
        condition.line_voltage, float(volts[0]), float(volts[1] - volts[0]) / cycle.first,
        params.primary.leakage_inductance, params.primary.magnetising_inductance, leakage_damping(params),
        params.primary.primary_resistance, switched, drain_capacitance(params) - switched - clamp_diode,
        strays.loop_inductance, strays.loop_quality * math.sqrt(strays.loop_inductance / switched), clamp_diode,
        *diode_tangent_of(part.diode, max(0.5 * cycle.first, SMALLEST_CURRENT)),
        part.capacitance * part.capacitors_parallel / part.capacitors_series, switch_law(params, condition),
        params.switch.parallel,
    )  # fmt: skip
    slope = working.on_voltage / params.primary.primary_inductance
    return clamp_pulse(around, cycle.peak, slope, turn_off_lag(params, condition), working.clamp.before)


def _conducted(total: Course, paths: Paths) -> tuple[float, list[tuple[float, float]]]:
    """Mean reflected voltage while the rectifiers conduct [V]; every rail's mean current [A] then, and how long [s]."""
    volts, each = paths.over(total)
    live = (total.value[:-1] > 0) | (total.value[1:] > 0)
    steps = np.diff(total.time) * live
    reflected = float(np.sum(steps * 0.5 * (volts[:-1] + volts[1:])) / np.sum(steps))
    found = []
    for current in each:
        used = np.diff(total.time) * ((current[:-1] > 0) | (current[1:] > 0))
        charge, lasting = float(np.trapezoid(current, total.time)), max(float(np.sum(used)), SHORTEST)
        found.append((charge / lasting, lasting))
    return reflected, found
