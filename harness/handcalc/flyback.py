"""Flyback by hand: where the search for the steady state begins, and every metric expected of it.

The period itself is solved in ``flyback_period``, the rails in ``flyback_rails``; here their courses are read.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

from harness.handcalc import flyback_rails as rails
from harness.handcalc import network
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.flyback_period import Solved, channel_peak, held_voltage, solve
from harness.handcalc.switching_gaps import Key, blurred, widened
from harness.handcalc.switching_waveform import Course, mean_of, peak_of, rms_of, swing_of
from netlists.point import Condition
from netlists.stages.flyback import (
    Params,
    core_resistance,
    cut_share,
    drain_capacitance,
    leakage_damping,
    rectifier_capacitance,
    switch_capacitance,
    switch_law,
)
from netlists.stages.outputs import PROBE_BANDWIDTH

BUS = "input"  # subject of what the bus sees
BUS_TOLERANCE = 1e-4  # relative
CACHED = 64
EDGE_STEPS = 240  # of a turn-on
OPEN_RING = 0.6  # of its swing: what a phase known to some 35 degrees leaves open of the drain at turn-on
LOWEST, HIGHEST = 0.02, 4.0  # of the condition's bus: where the lowest one is looked for

BALANCE = (
    "volt-second and charge balance of straight pieces with all drops (Erickson, Maksimovic, ch. 2, 5; from memory)"
)
PIECES = "exact mean, RMS and peak of straight pieces; edges by own state equations of the cell"
CLAMPED = "energy balance of the clamp, P = Lk I^2 f Vc / (2 (Vc - Vr)) (application notes; from memory)"
DRAIN = "bus, clamp and the loop's overshoot by own state equations of the clamp's cell"
LEAKAGE = "own state equations of leakage and junctions at the turn-on, for one voltage a turn on all windings"
SHARING = "straight rectifying paths on one core, each rail's charge what its load draws (own derivation)"

STRAIGHT = "drops and resistances at their mean current, core and drain exchange their energy in no time but one edge"
DUTY = Difference(-0.02, 0.02, STRAIGHT)
FREQUENCY = Difference(-0.02, 0.02, f"{STRAIGHT}; the ring before the turn-on is stepped")
PEAK = Difference(-0.015, 0.015, STRAIGHT)
FLUX = Difference(-0.02, 0.02, STRAIGHT)
RMS = Difference(-0.02, 0.025, f"{STRAIGHT}; ringing counts by its first swings")
AVERAGE = Difference(-0.01, 0.01, f"{STRAIGHT}; the diode's junction is no part of its current")
CLAMP_VOLTAGE = Difference(
    -0.05, 0.05, "the clamp's current starts at once here; in truth the loop and the drain's capacitance delay it"
)
CLAMP_POWER = Difference(-0.10, 0.10, "as the square of the clamp's voltage")
CLAMP_CURRENT = Difference(-0.15, 0.15, "a pulse of some ten nanoseconds, its edge by the loop's ringing")
DRAIN_PEAK = Difference(-0.04, 0.04, "as the clamp's voltage; the leakage's current stands still over the edge here")
RECTIFIER_PEAK = Difference(-0.10, 0.10, "the magnetising current and the rails' voltages stand still over the edge")
RECTIFIER_CURRENT = Difference(
    -0.12, 0.12, "the leakage rings with the drain as the clamp lets go, its first swing counted alone"
)
PLATEAU = Difference(-0.015, 0.015, "mean while it blocks here, median where it is measured")
CAN_RMS = Difference(-0.03, 0.03, f"{STRAIGHT}; the leakage's ring starts at the clamp's end here")
RIPPLE = Difference(-0.05, 0.05, f"{STRAIGHT}; the takeover's edges are straight here")
RIPPLE_ESL = Difference(
    -0.25, 0.25, "the bank's inductance shows every slope of the takeover and the leakage's ringing"
)
FILTERED = Difference(-0.06, 0.06, "what the post filter leaves of the ripple at the first bank")
PROBED = Difference(-0.08, 0.08, "straight edges before a low pass whose period is no longer than they are")
FOLLOWED = Difference(-0.02, 0.02, "diodes as straight lines, banks without ripple while the rails share")
SHARED = "how rails share a current hangs on milliohms and on their diodes' curves"
DRAWN = Difference(-0.03, 0.03, STRAIGHT)
LOWEST_BUS = Difference(-0.02, 0.02, STRAIGHT)
RINGS = "the leakage's ring behind the clamp starts at the clamp's end here, and how it is damped counts"
RING = "the drain's ring decides from which voltage and current the turn-on begins"


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where the search for the steady state begins, at the instant the period is cut.

    Parameters
    ----------
    magnetising, primary : current of the core and of the leakage [A];  scale : of both [A]
    clamp : across its capacitor [V];  winding : across the magnetising inductance [V]
    firsts, outputs : means at every rail's first and last bank [V];  chokes : mean current of every rail [A]
    """

    duty: float
    frequency: float
    magnetising: float
    primary: float
    scale: float
    clamp: float
    winding: float
    firsts: tuple[float, ...]
    outputs: tuple[float, ...]
    chokes: tuple[float, ...]


def estimate(params: Params, condition: Condition, duty: float | None = None) -> Estimate:
    """The estimate at the condition's bus; ``duty`` where it is held."""
    state = solve(params, condition)
    cycle = state.cycle
    duty = min(max(state.duty, 1e-3), params.largest_duty) if duty is None else duty
    since = (0.5 * duty + cut_share(params, condition, duty, 1 / cycle.period)) * cycle.period - state.lag
    slope = state.on_voltage / params.primary.primary_inductance
    current = cycle.start + slope * min(max(since, 0.0), cycle.rise_time)
    loads = [rails.direct_resistance(one, condition) for one in params.secondaries]
    currents = tuple(voltage / load for voltage, load in zip(state.voltages, loads, strict=True))
    outputs = tuple(
        voltage - (one.choke.winding_resistance * load if one.choke is not None else 0.0)
        for one, voltage, load in zip(params.secondaries, state.voltages, currents, strict=True)
    )
    winding = _on_winding(params, state)
    return Estimate(
        duty, 1 / cycle.period, current, current + winding / core_resistance(params), 0.5 * (cycle.peak + cycle.first),
        clamp_at_cut(params, state), winding, state.voltages, outputs, currents,
    )  # fmt: skip


def clamp_at_cut(params: Params, state: Solved) -> float:
    """Voltage across the clamp's capacitor in the middle of the on-time [V]."""
    left = 0.5 * state.cycle.rise_time / state.cycle.period
    return state.clamp.before * (state.clamp.after / state.clamp.before) ** left


def expect(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Every metric of the converter at the condition; subjects are designators and rails of the parameters."""
    state = solve(params, condition)
    found = _controls(params, state) | _core(params, state) | _switch(params, condition, state)
    found |= _clamp(params, condition, state)
    for index in range(len(params.secondaries)):
        found |= _rectifier(params, condition, state, index) | _output(params, condition, state, index)
    return found


@lru_cache(maxsize=CACHED)
def lowest_input(params: Params, condition: Condition) -> float:
    """Bus at which the largest duty is needed [V].

    Raises
    ------
    ArithmeticError : no such bus between ``LOWEST`` and ``HIGHEST`` times the condition's
    """

    def excess(logarithm: float) -> float:
        try:
            bus = math.exp(logarithm)
            return solve(params, dataclasses.replace(condition, line_voltage=bus)).duty - params.largest_duty
        except ArithmeticError:
            return 1.0  # against the primary's resistance no duty is enough

    low = high = math.log(condition.line_voltage)
    is_enough = excess(high) < 0
    least, most = (high + math.log(factor) for factor in (LOWEST, HIGHEST))
    while (excess(low) < 0) if is_enough else (excess(high) > 0):
        low, high = (low - math.log(2), low) if is_enough else (high, high + math.log(2))
        if low < least or high > most:
            raise ArithmeticError(f"a duty of {params.largest_duty:g} is reached at no bus a converter would see")
    return math.exp(float(brentq(excess, low, high, xtol=BUS_TOLERANCE)))


def expect_lowest(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """The lowest bus at which the regulated rail is still held."""
    rail = params.secondaries[0].output.name
    found = Expectation(lowest_input(params, condition), "V", BALANCE, LOWEST_BUS)
    return {("lowest_input_voltage", rail): found}


def _ring_share(params: Params, state: Solved) -> float:
    """Share of the current's peak that a phase of the drain's ring known to some 15 degrees leaves open at turn-on."""
    cycle = state.cycle
    if cycle.is_continuous:
        return 0.0
    if params.mode == "valley" and cycle.period > 1.001 / params.switching_frequency:
        return 0.005
    impedance = math.sqrt(params.primary.magnetising_inductance / drain_capacitance(params))
    return 0.35 * state.reflected / impedance / cycle.peak * _ring_left(params, state)


def _ring_left(params: Params, state: Solved) -> float:
    """What the core's loss has left of the ring at the turn-on."""
    duration = float(state.cycle.ring_time[-1])
    return math.exp(-0.5 * duration / (core_resistance(params) * drain_capacitance(params)))


def _on_winding(params: Params, state: Solved) -> float:
    """Voltage across the magnetising inductance while the current rises [V]: the leakage has its share."""
    return state.on_voltage * params.primary.magnetising_inductance / params.primary.primary_inductance


def _ringing_square(params: Params, state: Solved) -> float:
    """Mean square of the leakage's ringing with the rectifiers at the turn-on, seen by the primary [A2]."""
    leakage, capacitance = params.primary.leakage_inductance, rectifier_capacitance(params)
    square = gaps.ringing_square(state.cycle.drain, capacitance, leakage, params.strays.loop_quality)
    return square / state.cycle.period


def _ring_behind_clamp(params: Params, state: Solved) -> float:
    """RMS over the period of the leakage's ringing with the drain as the clamp lets go, seen by the primary [A]."""
    leakage, capacitance = params.primary.leakage_inductance, switch_capacitance(params)
    quality = leakage_damping(params) / math.sqrt(leakage / capacitance)
    ahead = state.clamp.after - state.reflected
    return math.sqrt(gaps.ringing_square(ahead, capacitance, leakage, quality) / state.cycle.period)


def _edges(params: Params, state: Solved) -> float:
    """Switching time over the shortest piece."""
    return params.strays.switching_time / min(state.cycle.rise_time, state.cycle.fall_time)


def _controls(params: Params, state: Solved) -> dict[Key, Expectation]:
    rail, share = params.secondaries[0].output.name, _ring_share(params, state)
    duty = widened(widened(DUTY, share, RING), _edges(params, state), "edges of the switch itself")
    found = {("duty_cycle", rail): Expectation(state.duty, "1", BALANCE, duty, 1e-3)}
    if params.mode == "valley":
        found["switching_frequency", rail] = Expectation(1 / state.cycle.period, "Hz", BALANCE, FREQUENCY)
    return found


def _core(params: Params, state: Solved) -> dict[Key, Expectation]:
    """Peak of the magnetising current, and the swing of the flux linkage."""
    cycle, device = state.cycle, params.primary.designator
    lifted = drain_capacitance(params) * state.on_voltage**2 / params.primary.magnetising_inductance
    top = math.sqrt(cycle.peak**2 + lifted)
    bottom = cycle.start if cycle.is_continuous else min(float(np.min(cycle.ring_current)), cycle.start)
    swing = params.primary.magnetising_inductance * (top - bottom)
    share = 0.3 * _ring_share(params, state)
    return {
        ("magnetising_current_peak", device): Expectation(top, "A", BALANCE, widened(PEAK, share, RING), 0.01),
        ("flux_linkage_swing", device): Expectation(swing, "V s", BALANCE, widened(FLUX, share, RING)),
    }


def _switch(params: Params, condition: Condition, state: Solved) -> dict[Key, Expectation]:
    """Voltages and currents of one piece of the switch, and what the bus gives."""
    cycle, device, pieces = state.cycle, params.switch.designator, params.switch.parallel
    supply = condition.line_voltage
    pulse = primary_pulse(params, state)
    spike, edge = discharge(params, condition, cycle.drain)
    ring = _ringing_square(params, state)
    root = math.sqrt(max(rms_of(pulse) ** 2 + edge / cycle.period, 0.0))
    slope = state.on_voltage / params.primary.primary_inductance
    channel = channel_peak(params, condition, peak_of(pulse), slope)
    spike = max(spike, state.on.controlled_current)
    top = max(channel, spike)
    peak = supply + state.clamp.after + state.clamp.drop * 0.7
    if state.off is not None:
        peak = max(peak, state.off.drain_peak)
    share = _ring_share(params, state)
    mean_gap = widened(blurred(AVERAGE, _edges(params, state), 0.0, 1.0), share, RING)
    top_gap = _top_gap(params, state, channel, spike)
    lifted = max(state.clamp.mean - state.reflected, 0.0) * state.clamp.duration / cycle.fall_time
    held = widened(PLATEAU, lifted / (supply + state.reflected), "the clamp's time shifts the median")
    fed = drawn_course(params, state)
    drawn = math.sqrt(max(rms_of(fed) ** 2 - mean_of(fed) ** 2, 0.0))
    drawn_gap = widened(blurred(DRAWN, _edges(params, state), ring, drawn), share, RING)
    stored = (drain_capacitance(params) * max(cycle.drain, 0.0)) / cycle.period
    values = {
        "switch_voltage_plateau": (supply + state.reflected, "V", BALANCE, held),
        "switch_voltage_peak": (peak, "V", DRAIN, DRAIN_PEAK),
        "switch_current_average": ((mean_of(pulse) + stored) / pieces, "A", PIECES, mean_gap),
        "switch_current_rms": (
            root / pieces, "A", PIECES, widened(blurred(RMS, _edges(params, state), ring, root), share, RING),
        ),
        "switch_current_peak": (top / pieces, "A", PIECES, top_gap),
    }  # fmt: skip
    found = {(name, device): Expectation(*value, floor=0.01) for name, value in values.items()}
    found["input_ripple_current", BUS] = Expectation(drawn, "A", PIECES, drawn_gap, 0.01)
    return found


def discharge(params: Params, condition: Condition, drain: float) -> tuple[float, float]:
    """Peak [A] and time-integral of the square [A2s] of the current that empties the drain's capacitance at a turn-on.

    The channel's conductance rises as g exp(t / tau), so the drain falls as V exp(-y), y = g tau / C: the current
    C V / tau y exp(-y) is largest near y = 1, and its square integrates to (C V)^2 / (4 tau). Meanwhile the leakage
    begins to charge the rectifiers' junctions, which adds to the peak: stepped. Own derivation.
    """
    law = switch_law(params, condition)
    tau = law.ramp / law.steepness
    clamp, leakage, junctions = params.clamp.diode, params.primary.leakage_inductance, rectifier_capacitance(params)
    level = max(drain, 0.0)
    charge = (switch_capacitance(params) + clamp.junction_capacitance * clamp.parallel) * level
    time = np.linspace(-3.0, 3.0, EDGE_STEPS) * tau  # about y = 1
    y = np.exp(time / tau)
    fallen, step = level * (1 - np.exp(-y)), float(time[1] - time[0])
    current, charged, largest = 0.0, 0.0, 0.0
    for emptied, volts in zip(charge / tau * y * np.exp(-y), fallen, strict=True):
        across = float(volts) - charged
        current += across / leakage * step
        charged += current / junctions * step
        largest = max(largest, float(emptied) + current + across / leakage_damping(params))
    return largest, charge**2 / (4 * tau)


def _top_gap(params: Params, state: Solved, channel: float, spike: float) -> Difference:
    """Of the switch's peak: as the ring leaves the drain, its discharge may be the peak or not."""
    cycle = state.cycle
    base = gaps.CURRENT_SPIKE if spike > channel else PEAK
    if cycle.is_continuous:
        return base
    open_ = OPEN_RING * state.reflected * _ring_left(params, state) / max(cycle.drain, 1.0)
    top = max(channel, spike)
    low, high = (max(channel, spike * (1 + sign * open_)) / top - 1 for sign in (-1.0, 1.0))
    share = _ring_share(params, state)
    return Difference(base.low + low - share, base.high + high + share, f"{base.reason}; {RING}")


def primary_pulse(params: Params, state: Solved) -> Course:
    """Current of the switch [A]: up from where the ring left it, taken over at the period's end where continuous."""
    cycle = state.cycle
    core = _on_winding(params, state) / core_resistance(params)
    end = cycle.rise_time
    corners = [(0.0, cycle.start + core), (end, cycle.peak + core), (end, 0.0)]
    if cycle.is_continuous:
        corners += [(cycle.period - cycle.takeover, 0.0), (cycle.period, cycle.valley + core)]
    else:
        corners.append((cycle.period, 0.0))
    time, value = np.array(corners).T
    return Course(time, value)


def drawn_course(params: Params, state: Solved) -> Course:
    """What the bus gives [A]: the switch's pulse, what lifts the drain after it, the drain's ring."""
    cycle, pulse = state.cycle, primary_pulse(params, state)
    edge = cycle.rise_time + cycle.edge_time
    time = np.concatenate((pulse.time[:2], [edge, edge]))
    value = np.concatenate((pulse.value[:2], [cycle.first, 0.0]))
    if cycle.is_continuous:
        return Course(np.append(time, pulse.time[-2:]), np.append(value, pulse.value[-2:]))
    ended = edge + cycle.fall_time
    ring = np.minimum(ended + cycle.ring_time, cycle.period)
    ring[-1] = cycle.period
    return Course(np.concatenate((time, [ended], ring)), np.concatenate((value, [0.0], cycle.ring_current)))


def _clamp(params: Params, condition: Condition, state: Solved) -> dict[Key, Expectation]:
    part, clamp, cycle = params.clamp, state.clamp, state.cycle
    supply = condition.line_voltage
    resistance = part.resistance * part.resistors_series / part.resistors_parallel
    ring = _ring_share(params, state)
    blocked = supply + clamp_at_cut(params, state)
    step = (state.clamp_on.other_peak / blocked - 1) * (blocked / max(cycle.drain, 0.1 * supply))
    share = 0.0 if cycle.is_continuous else min(abs(step), 1.0) * 0.3 + 0.02
    floor = 0.02 * clamp.mean
    pieces = part.diode.parallel
    held = widened(PLATEAU, CLAMP_VOLTAGE.high * clamp.mean / blocked, CLAMP_VOLTAGE.reason)
    root = math.sqrt(state.off.square / cycle.period) if state.off is not None else 0.0
    current_gap = widened(CLAMP_CURRENT, ring, RING)
    top = state.off.current_peak if state.off is not None else clamp.current
    power = clamp.square / resistance
    return {
        ("clamp_voltage", part.capacitor): Expectation(clamp.mean, "V", CLAMPED, CLAMP_VOLTAGE, floor),
        ("clamp_dissipation", part.resistor): Expectation(
            power / part.resistor_pieces, "W", CLAMPED, CLAMP_POWER, 0.04 * power / part.resistor_pieces
        ),
        ("diode_voltage_plateau", part.diode.designator): Expectation(blocked, "V", CLAMPED, held, floor),
        ("diode_voltage_peak", part.diode.designator): Expectation(
            max(state.clamp_on.other_peak, blocked), "V", DRAIN, widened(gaps.VOLTAGE_PEAK, share, RING), floor
        ),
        ("diode_current_average", part.diode.designator): Expectation(
            clamp.mean / resistance / pieces, "A", CLAMPED, CLAMP_VOLTAGE, 0.002
        ),
        ("diode_current_rms", part.diode.designator): Expectation(root / pieces, "A", CLAMPED, current_gap, 0.01),
        ("diode_current_peak", part.diode.designator): Expectation(top / pieces, "A", DRAIN, current_gap, 0.02),
    }


def _rectifier(params: Params, condition: Condition, state: Solved, index: int) -> dict[Key, Expectation]:
    """Voltages and currents of one piece of a rail's rectifier."""
    one, current, cycle = params.secondaries[index], state.currents[index], state.cycle
    device, pieces = one.rectifier.designator, one.rectifier.parallel
    ratio = params.primary.ideal_ratio(one.winding)
    plateau = state.voltages[index] + _on_winding(params, state) / ratio
    risen = state.on.other_peak - held_voltage(params, state.voltages[0])
    peak = state.voltages[index] + risen / ratio
    many = 0.25 if len(params.secondaries) > 1 else 0.0
    share = 0.0 if cycle.is_continuous else max(peak / plateau - 1, 0.0) * condition.line_voltage / max(
        cycle.drain, 0.1 * condition.line_voltage
    ) * 0.3  # fmt: skip
    root, top = rms_of(current), peak_of(current)
    load = state.voltages[index] / rails.direct_resistance(one, condition)
    rms_gap = widened(blurred(RMS, _edges(params, state), 0.0, 1.0), many, SHARED)
    top_gap = widened(RECTIFIER_CURRENT, 2 * many, SHARED)
    average = widened(AVERAGE, 0.03 if index else 0.0, SHARED)
    return {
        ("diode_voltage_plateau", device): Expectation(plateau, "V", BALANCE, PLATEAU),
        ("diode_voltage_peak", device): Expectation(
            max(peak, plateau), "V", LEAKAGE, widened(RECTIFIER_PEAK, share, RING)
        ),
        ("diode_current_average", device): Expectation(load / pieces, "A", BALANCE, average, 0.005),
        ("diode_current_rms", device): Expectation(root / pieces, "A", PIECES, rms_gap, 0.01),
        ("diode_current_peak", device): Expectation(top / pieces, "A", PIECES, top_gap, 0.02),
    }


def _output(params: Params, condition: Condition, state: Solved, index: int) -> dict[Key, Expectation]:
    """Ripple that the load sees, every can's current, a rail's voltage where it is not the regulated one."""
    one, fed = params.secondaries[index], state.currents[index]
    branches, ladder = rails.branches_of(one, condition)
    orders = network.train(fed, 1)
    many = 0.25 if len(params.secondaries) > 1 else 0.0
    found: dict[Key, Expectation] = {}
    banks = one.firsts or one.output.banks
    _, esl = network.high_frequency([network.branch_of(bank) for bank in banks])
    bare = RIPPLE_ESL if esl > 0 else RIPPLE
    gap = widened(bare if ladder is None else FILTERED, 2 * many if index else many, SHARED)
    transfer = None if ladder is None else rails.second_transfer(ladder, fed.period)
    ripple = swing_of(network.ripple(fed, orders, branches, transfer))
    resistance, _ = network.high_frequency(branches)
    ringing = _ring_behind_clamp(params, state) * params.primary.ideal_ratio(one.winding)
    if ladder is None:
        gap = widened(gap, min(0.5 * ringing * resistance / ripple, 1.0), RINGS)
    found["output_ripple", one.output.name] = Expectation(ripple, "V", gaps.IMPEDANCE, gap, 5e-4)
    if condition.probe != "none":
        read = rails.probe_transfer(one, condition, branches, ladder, fed.period, PROBE_BANDWIDTH)
        swing = swing_of(network.ripple(fed, orders, branches, read))
        probed = widened(PROBED if esl == 0 else RIPPLE_ESL, many, SHARED)
        found["output_ripple_probe", one.output.name] = Expectation(swing, "V", gaps.IMPEDANCE, probed, 5e-4)
    for bank, branch, current in zip(banks, branches, network.branch_rms(fed, orders, branches), strict=False):
        part = 0.25 * ringing * resistance / branch.resistance
        can_gap = widened(blurred(CAN_RMS, _edges(params, state), 0.0, 1.0), many, SHARED)
        can_gap = widened(can_gap, min(part / max(current, 1e-3), 0.5), RINGS)
        found["capacitor_current_rms", bank.designator] = Expectation(
            current / bank.parallel, "A", gaps.IMPEDANCE, can_gap, 5e-3
        )
    if ladder is not None:
        found |= _post_filter(params, condition, state, index, many)
    if index > 0:
        load = rails.direct_resistance(one, condition)
        choke = one.choke.winding_resistance if one.choke is not None else 0.0
        voltage = state.voltages[index] * (1 - choke / load)
        found["output_voltage", one.output.name] = Expectation(voltage, "V", SHARING, FOLLOWED)
    return found


def _post_filter(
    params: Params, condition: Condition, state: Solved, index: int, many: float
) -> dict[Key, Expectation]:
    """The post choke's current, and the second bank's cans."""
    one, fed = params.secondaries[index], state.currents[index]
    assert one.choke is not None  # the caller asks only then
    through = rails.choke_ripple(one, condition, fed)
    mean = state.voltages[index] / rails.direct_resistance(one, condition)
    half = 0.5 * swing_of(through)
    root = math.hypot(mean, rms_of(through))
    device, gap = one.choke.designator, widened(FILTERED, many, SHARED)
    small = widened(PEAK, many * half / mean + (0.02 if index else 0.0), SHARED)
    values = {
        "choke_current_peak": (mean + peak_of(through), small),
        "choke_current_rms": (root, small),
        "choke_ripple": (2 * half, gap),
        "saturation_current_needed": (mean + peak_of(through), small),
    }
    found = {(name, device): Expectation(v, "A", gaps.IMPEDANCE, g, 0.01) for name, (v, g) in values.items()}
    for bank, current in zip(one.output.banks, rails.second_rms(one, condition, fed), strict=True):
        key = ("capacitor_current_rms", bank.designator)
        found[key] = Expectation(current / bank.parallel, "A", gaps.IMPEDANCE, gap, 5e-3)
    return found
