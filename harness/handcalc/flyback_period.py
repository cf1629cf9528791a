"""One period of a flyback by hand: core, clamp, ring and rails found from each other by their balances.

Time counts from where the magnetising current is least: the leakage has taken it over, the switch carries all of it.
Pieces: it rises for ``rise_time``; the drain swings up in ``edge_time``, in which the capacitances at the drain and the
core exchange their energy; it falls for ``fall_time`` while the rectifiers carry what the leakage and the clamp leave
them; in continuous conduction the leakage takes it over again at the fall's end, in discontinuous conduction the drain
rings until the next turn-on. The current the clamp starts with is the leakage's less what it spends on lifting the
drain from the reflected voltage to the clamp's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import exp1

from harness.contracts import FloatArray
from harness.handcalc import flyback_rails as rails
from harness.handcalc.commutation import Cell, Commutation, turn_on
from harness.handcalc.flyback_rails import Path
from harness.handcalc.flyback_turn_off import Pulse, TurnOff, clamp_pulse
from harness.handcalc.switching_waveform import Course, body_tangent, diode_tangent_of
from netlists.point import Condition
from netlists.stages.flyback import (
    Params,
    core_resistance,
    drain_capacitance,
    leakage_damping,
    rectifier_capacitance,
    switch_capacitance,
    switch_law,
    turn_on_delay,
)
from netlists.stages.switching import SHORT

CACHED = 256
PASSES = 3  # of these and of the turn-off by its own state equations
SETTLED = 1e-5  # relative change from round to round
ROUNDS = 15  # of period, clamp and rails found from each other
SETTLING = 12  # rounds of on-time and ring found from each other, halfway each time
RING_POINTS, MOST_RING_POINTS = 16, 400  # of the drain's ring: a swing, all of it
SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]
SEARCHED = 60  # halvings
PULSE_CENTRE = 2 / 3  # of a current that falls straight to zero, weighted by itself
RING_LEFT = 0.03  # of a ring's first swing: what follows is left out
MOST_SWINGS, SWING_POINTS = 25, 10  # of the leakage's ring
LEAST_LEFT = 0.1  # of the bus: with less left for the primary no duty brings the load
LEAST_SWING = 0.02  # of the bus: a drain that has swung down by itself so far costs no time


@dataclass(frozen=True, slots=True)
class Cycle:
    """Times [s] and magnetising currents [A] of a period; ``start`` at its begin, ``first`` where the rectifiers take over.

    Parameters
    ----------
    valley : current at the end of the fall in continuous conduction, 0 in discontinuous
    takeover : from the turn-on until the leakage has taken the current over [s]
    drain : voltage across the switch just before its turn-on [V]
    """

    period: float
    rise_time: float
    edge_time: float
    fall_time: float
    takeover: float
    start: float
    peak: float
    first: float
    valley: float
    drain: float
    ring_time: FloatArray
    ring_current: FloatArray

    @property
    def is_continuous(self) -> bool:
        """The rectifiers conduct until the next turn-on."""
        return self.ring_time.size == 0


@dataclass(frozen=True, slots=True)
class Clamped:
    """The clamp's capacitor before and after a pulse [V], the current its diode begins with [A], how long it lasts [s].

    ``charge`` : of one pulse [As];  ``drop`` : of its diode [V]
    """

    before: float
    after: float
    current: float
    duration: float
    charge: float
    drop: float

    @property
    def mean(self) -> float:
        """Voltage across the capacitor, a decay from pulse to pulse [V]."""
        ratio = self.after / self.before
        return self.before if ratio < 1 + 1e-9 else (self.after - self.before) / math.log(ratio)

    @property
    def square(self) -> float:
        """Mean square of it [V2]."""
        ratio = self.after / self.before
        return self.before**2 if ratio < 1 + 1e-9 else (self.after**2 - self.before**2) / (2 * math.log(ratio))


NO_CLAMP = Clamped(1.0, 1.0, 0.0, 0.0, 0.0, 0.0)


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


def clamped(params: Params, reflected: float, first: float, period: float, share: float) -> Clamped:
    """The clamp by its balance: what the leakage brings a pulse is what the resistor takes off until the next.

    The leakage's current I turns with the clamp's capacitor about the reflected voltage: from V ahead of it to
    hypot(V, I sqrt(Lk / C)). For a large capacitor that is P = Lk I^2 f Vc / (2 (Vc - Vr)), common in application notes
    on flyback clamps (from memory). The rectifiers' junctions have kept their share of the core's current I1 from the
    leakage's, lifting the drain on to the clamp's voltage has taken from it, I^2 = (s I1)^2 - Cd V^2 / Lk, and so has
    the damping beside the leakage: own derivation.

    Parameters
    ----------
    reflected : [V];  first : magnetising current as the rectifiers take over [A];  period : [s]
    share : of the charge that an edge in finite time leaves
    """
    leakage, part = params.primary.leakage_inductance, params.clamp
    time_constant = (
        part.resistance * part.resistors_series / part.resistors_parallel
        * part.capacitance * part.capacitors_parallel / part.capacitors_series
    )  # fmt: skip
    capacitance = part.capacitance * part.capacitors_parallel / part.capacitors_series
    omega, impedance = 1 / math.sqrt(leakage * capacitance), math.sqrt(leakage / capacitance)
    switched = switch_capacitance(params) + part.diode.junction_capacitance * part.diode.parallel
    lifting, damping = switched / leakage, leakage_damping(params)
    begin = first * switched / drain_capacitance(params)  # the rest swings up the rectifiers' junctions
    threshold, slope = diode_tangent_of(part.diode, max(0.5 * first, SMALLEST_CURRENT))
    drop = threshold + 0.5 * slope * first

    def pulse(before: float) -> Clamped:
        ahead = before + drop - reflected
        current = max(math.sqrt(max(begin**2 - lifting * ahead**2, 0.0)) - ahead / damping, 0.0)
        risen = share * (math.hypot(ahead, impedance * current) - ahead)
        duration = math.atan2(impedance * current, ahead) / omega
        return Clamped(before, before + risen, current, duration, capacitance * risen, drop)

    low = max(reflected - drop, 0.0) + 1e-6
    high = low + begin * math.sqrt(1 / lifting) + 1.0
    for _ in range(SEARCHED):
        middle = 0.5 * (low + high)
        if pulse(middle).after * math.exp(-period / time_constant) > middle:
            low = middle
        else:
            high = middle
    return pulse(high)


def turn_off_lag(params: Params, condition: Condition) -> float:
    """From the gate's knee to where the drain's straight rise begins, seen back from it [s]; negative: before the knee.

    The channel's conductance falls as g exp(-t / tau) while a current I charges C: u' = 1 - u exp(-x) in scaled
    variables, whose solution tends to x less Euler's constant. So t = tau (0.5772 - ln(C / (tau g))), whatever I is: own
    derivation.
    """
    law = switch_law(params, condition)
    tau = law.ramp / law.steepness
    conductance = params.switch.parallel * law.scale * math.expm1(law.steepness * law.knee)
    ratio = drain_capacitance(params) / (tau * conductance)
    return min(tau * (np.euler_gamma - math.log(ratio)), law.lead_off)


def channel_peak(params: Params, condition: Condition, peak: float, slope: float) -> float:
    """Largest current of the channel [A] that rises at ``slope`` [A/s] to a peak where the drain's rise begins.

    Of the current the channel keeps u exp(-x), u = exp(exp(-x)) E1(exp(-x)) the solution that ``turn_off_lag`` uses.
    """
    law = switch_law(params, condition)
    tau = law.ramp / law.steepness
    x = np.linspace(-5.0, 3.0, 200)
    kept = np.exp(-x) * np.exp(np.exp(-x)) * exp1(np.exp(-x))
    return float(np.max((peak + slope * tau * (x - np.euler_gamma)) * kept))


def ring_of(params: Params, supply: float, reflected: float, duration: float) -> tuple[FloatArray, FloatArray, float]:
    """After the rectifiers' end: times [s], magnetising currents [A], and the drain's voltage after ``duration`` [V].

    Drain and current turn about (bus, 0) and shrink by the core's loss; at 0 V the body diode holds the drain and the
    current comes back. Exact from step to step but for where in a step the diode begins to hold.
    """
    inductance, capacitance = params.primary.magnetising_inductance, drain_capacitance(params)
    omega, impedance = 1 / math.sqrt(inductance * capacitance), math.sqrt(inductance / capacitance)
    steps = int(min(max(math.ceil(duration * omega / (2 * math.pi) * RING_POINTS), 4), MOST_RING_POINTS))
    step = duration / steps
    damping = math.exp(-0.5 * step / (core_resistance(params) * capacitance))
    cosine, sine = damping * math.cos(omega * step), damping * math.sin(omega * step)
    time = np.linspace(0.0, duration, steps + 1)
    if reflected <= supply:  # it never comes down to 0 V
        envelope = reflected * np.exp(-0.5 * time / (core_resistance(params) * capacitance))
        drain = supply + float(envelope[-1]) * math.cos(omega * duration)
        return time, -envelope / impedance * np.sin(omega * time), drain
    above, current = reflected, 0.0  # of the drain over the bus
    found = [current]
    for _ in range(steps):
        if above <= -supply and current < 0:
            above, current = -supply, current + supply / inductance * step
        else:
            above, current = above * cosine + impedance * current * sine, current * cosine - above / impedance * sine
            above = max(above, -supply)
        found.append(current)
    return time, np.array(found), supply + above


@dataclass(frozen=True, slots=True)
class Demand:
    """What a period must bring: ampere-turns of all loads over primary turns, mean [A]; what takes from them.

    Parameters
    ----------
    supply : bus [V];  on_voltage : left for the primary while it rises [V];  reflected : [V]
    clamp_charge : a pulse of the clamp takes from the rectifiers [As]
    """

    total: float
    supply: float
    on_voltage: float
    reflected: float
    clamp_charge: float


def cycle_of(params: Params, demand: Demand) -> Cycle:
    """The period that brings what is demanded, whichever way its current runs."""
    shortest = 1 / params.switching_frequency
    if params.mode == "valley":
        found = _valley(params, demand)
        if found.period >= shortest:
            return found
    found = _discontinuous(params, demand, shortest)
    return _continuous(params, demand, shortest) if found is None else found


def _lifted(params: Params, demand: Demand) -> float:
    """Square of the current the core gains while the drain swings from 0 to bus and reflected voltage [A2].

    L (I1^2 - I0^2) / 2 = Vin Q - C (Vin + Vr)^2 / 2 with Q = C (Vin + Vr): C (Vin^2 - Vr^2) / L.
    """
    inductance = params.primary.magnetising_inductance
    return drain_capacitance(params) * (demand.supply**2 - demand.reflected**2) / inductance


def _edge_time(params: Params, demand: Demand, current: float) -> float:
    """How long the drain takes from 0 to bus and reflected voltage [s], by the mean of its current."""
    return drain_capacitance(params) * (demand.supply + demand.reflected) / max(current, SMALLEST_CURRENT)


def _charged(params: Params, demand: Demand, period: float) -> tuple[float, float]:
    """Current from which a fall to zero brings the demand, and the fall's time: L I^2 / 2 Vr less the core's share."""
    inductance, reflected = params.primary.magnetising_inductance, demand.reflected
    charge = demand.total * period + demand.clamp_charge
    core = reflected / core_resistance(params)
    first = core + math.sqrt(core**2 + 2 * reflected * charge / inductance)
    return first, first * inductance / reflected


def _discontinuous(params: Params, demand: Demand, period: float) -> Cycle | None:
    """The charge of the fall is the demand, so its current is known; on-time and ring follow from each other."""
    first, fall_time = _charged(params, demand, period)
    peak = math.sqrt(max(first**2 - _lifted(params, demand), 0.01 * first**2))
    edge_time, back = _edge_time(params, demand, 0.5 * (peak + first)), 0.0
    for _ in range(SETTLING):
        rise_time = params.primary.primary_inductance * (peak - back) / demand.on_voltage
        idle = period - rise_time - edge_time - fall_time
        time, current, drain = ring_of(params, demand.supply, demand.reflected, max(idle, 0.0))
        back += 0.5 * (float(current[-1]) - back)
    if idle <= 0:
        return None
    return Cycle(period, rise_time, edge_time, fall_time, 0.0, back, peak, first, 0.0, drain, time, current)


def _valley(params: Params, demand: Demand) -> Cycle:
    """The same with a period that follows from its pieces and the stated delay."""
    delay = turn_on_delay(params)
    time, current, drain = ring_of(params, demand.supply, demand.reflected, delay)
    back, period = float(current[-1]), 1 / params.switching_frequency
    for _ in range(SEARCHED):  # first grows as the root of the period: half of each change is left of it
        first, fall_time = _charged(params, demand, period)
        peak = math.sqrt(max(first**2 - _lifted(params, demand), 0.01 * first**2))
        rise_time = params.primary.primary_inductance * (peak - back) / demand.on_voltage
        edge_time = _edge_time(params, demand, 0.5 * (peak + first))
        period = rise_time + edge_time + fall_time + delay
    return Cycle(period, rise_time, edge_time, fall_time, 0.0, back, peak, first, 0.0, drain, time, current)


def _continuous(params: Params, demand: Demand, period: float) -> Cycle:
    """Times by the balance of volt-seconds, the mean current by that of charge."""
    primary, reflected = params.primary, demand.reflected
    magnetising, leakage = primary.magnetising_inductance, primary.leakage_inductance
    slope_up, slope_down = demand.on_voltage / primary.primary_inductance, reflected / magnetising
    core = reflected / core_resistance(params)
    valley, takeover, edge_time, gained = 0.0, 0.0, 0.0, 0.0
    for _ in range(SEARCHED):
        # rise_time slope_up + gained = fall_time slope_down, and both with the edge make the period
        fall_time = (slope_up * (period - edge_time) + gained) / (slope_up + slope_down)
        rise_time = period - edge_time - fall_time
        taken = demand.clamp_charge + 0.5 * valley * takeover
        mean = (demand.total * period + taken) / fall_time + core
        first, valley = mean + 0.5 * slope_down * fall_time, max(mean - 0.5 * slope_down * fall_time, 0.0)
        peak = math.sqrt(max(first**2 - _lifted(params, demand), 0.01 * first**2))
        takeover = min(leakage * valley / (demand.on_voltage + reflected), 0.5 * fall_time)
        edge_time, gained = _edge_time(params, demand, 0.5 * (peak + first)), first - peak
    none = np.zeros(0)
    return Cycle(
        period, rise_time, edge_time, fall_time, takeover, valley, peak, first, valley, demand.supply + reflected,
        none, none,
    )  # fmt: skip


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


def _leakage_ring(
    params: Params, cycle: Cycle, clamp: Clamped, reflected: float, room: float
) -> tuple[FloatArray, FloatArray]:
    """Times [s] from the clamp's end, and what the leakage's ring with the drain adds to the ampere-turns [A].

    It starts at the clamp's voltage over the reflected one without current; where the clamp does not conduct, with all
    of the current at the reflected voltage.
    """
    leakage = params.primary.leakage_inductance
    capacitance = switch_capacitance(params) + params.clamp.diode.junction_capacitance * params.clamp.diode.parallel
    omega, decay = 1 / math.sqrt(leakage * capacitance), 0.5 / (leakage_damping(params) * capacitance)
    lasting = min(-math.log(RING_LEFT) / decay, MOST_SWINGS * 2 * math.pi / omega, 0.98 * room)
    time = np.linspace(0.0, lasting, max(math.ceil(lasting * omega / (2 * math.pi) * SWING_POINTS), 4))
    if clamp.current > 0:
        swing = max(clamp.after + clamp.drop - reflected, 0.0) / math.sqrt(leakage / capacitance)
        return time, swing * np.exp(-decay * time) * np.sin(omega * time)
    return time, -cycle.first * np.exp(-decay * time) * np.cos(omega * time)


@dataclass(slots=True)
class _Working:
    """What the rounds find from each other."""

    reflected: float
    on_voltage: float
    clamp: Clamped
    voltages: list[float]
    conducted: list[float]
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
    conducted = [2 * voltage / load for voltage, load in zip(voltages, loads, strict=True)]
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
    currents = tuple(Course(total.time, current) for current in rails.shared(paths, total.value)[1])
    on, clamp_on = _turn_ons(params, condition, cycle, working.clamp)
    swing = supply + held_voltage(params, working.voltages[0]) if cycle.is_continuous else cycle.drain
    lag = -on.middle_area / swing if swing > LEAST_SWING * supply else 0.0
    return Solved(
        cycle, working.clamp, working.on_voltage, working.reflected, total, currents, tuple(working.voltages), on, pulse,
        clamp_on, (cycle.rise_time + lag - turn_off_lag(params, condition)) / cycle.period, lag,
    )  # fmt: skip


def _round(
    params: Params, condition: Condition, working: _Working, loads: list[float]
) -> tuple[Cycle, Course, list[Path]]:
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
    working.voltages, paths = rails.followed(params, condition, total, working.voltages, working.conducted)
    working.reflected, working.conducted = _conducted(total, paths)
    working.at_pulse = _at_pulse(params, cycle, clamp, paths)
    return cycle, total, paths


def _at_pulse(params: Params, cycle: Cycle, clamp: Clamped, paths: list[Path]) -> float:
    """What stands against the clamp during its pulse [V]: the rectifiers begin without current, the primary with all.

    Taken at two thirds of the pulse's current, where the charge of a straight fall has its centre.
    """
    left = PULSE_CENTRE * clamp.current
    volts, _ = rails.shared(paths, np.array([max(cycle.first - left, 0.0)]))
    return float(volts[0]) - params.primary.primary_resistance * left


def _pulse(params: Params, condition: Condition, cycle: Cycle, working: _Working, paths: list[Path]) -> Pulse | None:
    """The turn-off by its own state equations, where the clamp conducts at all."""
    if working.clamp.current <= 0:
        return None
    strays, part, switched = params.strays, params.clamp, switch_capacitance(params)
    volts, _ = rails.shared(paths, np.array([0.0, cycle.first]))
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


def _conducted(total: Course, paths: list[Path]) -> tuple[float, list[float]]:
    """Mean reflected voltage while the rectifiers conduct [V], and every rail's mean current while it does [A]."""
    volts, each = rails.shared(paths, total.value)
    live = (total.value[:-1] > 0) | (total.value[1:] > 0)
    steps = np.diff(total.time) * live
    reflected = float(np.sum(steps * 0.5 * (volts[:-1] + volts[1:])) / np.sum(steps))
    found = []
    for current in each:
        used = np.diff(total.time) * ((current[:-1] > 0) | (current[1:] > 0))
        charge = float(np.trapezoid(current, total.time))
        found.append(charge / max(float(np.sum(used)), 1e-12))
    return reflected, found


def main_cell(params: Params, condition: Condition, current: float) -> Cell:
    """The turn-on as a cell of two places: the switch, and all rectifiers as the primary sees them; the leakage loops.

    The bus and what the rectifiers hold the primary at lie in series across both; the magnetising current enters between.
    """
    primary, lead = params.primary, params.secondaries[0]
    ratio = primary.ideal_ratio(lead.winding)
    threshold, slope = diode_tangent_of(lead.rectifier, max(current * ratio, SMALLEST_CURRENT))
    damped = [(one.snubber, primary.ideal_ratio(one.winding)) for one in params.secondaries if one.snubber is not None]
    snubber = None
    if damped:
        snubber = (
            1 / sum(1 / (part.resistance * n**2) for part, n in damped),
            sum(part.capacitance / n**2 for part, n in damped),
        )
    resistance = primary.primary_resistance + (params.sense_resistance or SHORT)
    clamp = params.clamp.diode.junction_capacitance * params.clamp.diode.parallel
    return Cell(
        True, primary.leakage_inductance, leakage_damping(params), resistance, 0.0,
        switch_capacitance(params) + clamp, rectifier_capacitance(params), switch_law(params, condition),
        params.switch.parallel, threshold * ratio, (slope + lead.winding.resistance) * ratio**2,
        *body_tangent(params.switch, max(current, SMALLEST_CURRENT)), snubber=snubber,
    )  # fmt: skip


def clamp_cell(params: Params, condition: Condition, current: float) -> Cell:
    """The turn-on as the clamp's diode sees it: the switch below, the diode above, the loop around both."""
    strays, capacitance = params.strays, switch_capacitance(params)
    return Cell(
        False, strays.loop_inductance, strays.loop_quality * math.sqrt(strays.loop_inductance / capacitance), SHORT, 0.0,
        capacitance, params.clamp.diode.junction_capacitance * params.clamp.diode.parallel,
        switch_law(params, condition), params.switch.parallel,
        *diode_tangent_of(params.clamp.diode, max(current, SMALLEST_CURRENT)),
        *body_tangent(params.switch, max(current, SMALLEST_CURRENT)),
    )  # fmt: skip


def held_voltage(params: Params, voltage: float) -> float:
    """What the regulated rail's bank [V] holds the primary at through its winding [V]."""
    return voltage * params.primary.ideal_ratio(params.secondaries[0].winding)


def _turn_ons(params: Params, condition: Condition, cycle: Cycle, clamp: Clamped) -> tuple[Commutation, Commutation]:
    """Turn-on of the switch against the rectifiers, and as the clamp's diode sees it."""
    supply = condition.line_voltage
    held = held_voltage(params, rails.first_voltage(params, condition))
    middle = None if cycle.is_continuous else supply + held - cycle.drain
    on = turn_on(main_cell(params, condition, cycle.valley), supply + held, cycle.valley, 0.0, middle)
    cell = clamp_cell(params, condition, 0.1 * cycle.first)
    return on, turn_on(cell, supply + clamp.before, 0.0, 0.0, max(cycle.drain, 0.0))
