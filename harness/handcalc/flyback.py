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

from harness.handcalc import flyback_gaps as own
from harness.handcalc import flyback_rails as rails
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.flyback_body_diode import timing
from harness.handcalc.flyback_edges import channel_peak, discharge, held_voltage
from harness.handcalc.flyback_output import edges_of, output
from harness.handcalc.flyback_period import Solved, solve
from harness.handcalc.switching_gaps import Key, blurred, widened
from harness.handcalc.switching_waveform import Course, mean_of, peak_of, rms_of
from netlists.point import Condition
from netlists.stages.flyback import cut_share
from netlists.stages.flyback_params import (
    Params,
    core_resistance,
    drain_capacitance,
    rectifier_capacitance,
)

BUS = "input"  # subject of what the bus sees
BUS_TOLERANCE = 1e-4  # relative
FIRST_REACH = 0.05  # around the estimate of the lowest bus, in its logarithm
SMALLEST_OFF = 0.02  # of the period: a largest duty of one would put that estimate at zero
CACHED = 64
EDGE_STEPS = 240  # of a turn-on
OPEN_RING = 0.6  # of its swing: what a phase known to some 35 degrees leaves open of the drain at turn-on
LOWEST, HIGHEST = 0.02, 4.0  # of the condition's bus: where the lowest one is looked for


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
    return float(state.clamp.before * (state.clamp.after / state.clamp.before) ** left)


def expect(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Every metric of the converter at the condition; subjects are designators and rails of the parameters."""
    state = solve(params, condition)
    found = _controls(params, state) | _core(params, state) | _switch(params, condition, state)
    found |= _clamp(params, condition, state)
    for index in range(len(params.secondaries)):
        found |= _rectifier(params, condition, state, index) | output(params, condition, state, index)
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

    least, most = (math.log(factor * condition.line_voltage) for factor in (LOWEST, HIGHEST))
    # a continuous flyback without losses needs D = n V / (n V + bus)
    held = held_voltage(params, rails.first_voltage(params, condition))
    low = high = min(max(math.log(held * (1 / params.largest_duty - 1 + SMALLEST_OFF)), least), most)
    is_enough, reach = excess(high) < 0, FIRST_REACH
    while (excess(low) < 0) if is_enough else (excess(high) > 0):
        low, high = (low - reach, low) if is_enough else (high, high + reach)
        reach *= 3
        if low < least or high > most:
            raise ArithmeticError(f"a duty of {params.largest_duty:g} is reached at no bus a converter would see")
    return math.exp(float(brentq(excess, low, high, xtol=BUS_TOLERANCE)))


def expect_lowest(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """The lowest bus at which the regulated rail is still held."""
    rail = params.secondaries[0].output.name
    found = Expectation(lowest_input(params, condition), "V", own.BALANCE, own.LOWEST_BUS)
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


def _controls(params: Params, state: Solved) -> dict[Key, Expectation]:
    rail, share = params.secondaries[0].output.name, _ring_share(params, state)
    duty = widened(widened(own.DUTY, share, own.RING), edges_of(params, state), "edges of the switch itself")
    found = {("duty_cycle", rail): Expectation(state.duty, "1", own.BALANCE, duty, 1e-3)}
    if params.mode == "valley":
        found["switching_frequency", rail] = Expectation(1 / state.cycle.period, "Hz", own.BALANCE, own.FREQUENCY)
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
        ("magnetising_current_peak", device): Expectation(
            top, "A", own.BALANCE, widened(own.PEAK, share, own.RING), 0.01
        ),
        ("flux_linkage_swing", device): Expectation(swing, "V s", own.BALANCE, widened(own.FLUX, share, own.RING)),
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
    mean_gap = widened(blurred(own.AVERAGE, edges_of(params, state), 0.0, 1.0), share, own.RING)
    root_gap = widened(blurred(own.RMS, edges_of(params, state), ring, root), share, own.RING)
    top_gap = _top_gap(params, state, channel, spike)
    lifted = max(state.clamp.mean - state.reflected, 0.0) * state.clamp.duration / cycle.fall_time
    held = widened(own.PLATEAU, lifted / (supply + state.reflected), "the clamp's time shifts the median")
    fed = drawn_course(params, state)
    drawn = math.sqrt(max(rms_of(fed) ** 2 - mean_of(fed) ** 2, 0.0))
    drawn_gap = widened(blurred(own.DRAWN, edges_of(params, state), ring, drawn), share, own.RING)
    stored = (drain_capacitance(params) * max(cycle.drain, 0.0)) / cycle.period
    values = {
        "switch_voltage_plateau": (supply + state.reflected, "V", own.BALANCE, held),
        "switch_voltage_peak": (peak, "V", own.DRAIN, own.DRAIN_PEAK),
        "switch_current_average": ((mean_of(pulse) + stored) / pieces, "A", own.PIECES, mean_gap),
        "switch_current_rms": (root / pieces, "A", own.PIECES, root_gap),
        "switch_current_peak": (top / pieces, "A", own.PIECES, top_gap),
    }  # fmt: skip
    found = {(name, device): Expectation(*value, floor=0.01) for name, value in values.items()}
    found["input_ripple_current", BUS] = Expectation(drawn, "A", own.PIECES, drawn_gap, 0.01)
    return found


def _top_gap(params: Params, state: Solved, channel: float, spike: float) -> Difference:
    """Of the switch's peak: as the ring leaves the drain, its discharge may be the peak or not."""
    cycle = state.cycle
    base = gaps.CURRENT_SPIKE if spike > channel else own.PEAK
    if cycle.is_continuous:
        return base
    open_ = OPEN_RING * state.reflected * _ring_left(params, state) / max(cycle.drain, 1.0)
    top = max(channel, spike)
    low, high = (max(channel, spike * (1 + sign * open_)) / top - 1 for sign in (-1.0, 1.0))
    share = _ring_share(params, state)
    return Difference(base.low + low - share, base.high + high + share, f"{base.reason}; {own.RING}")


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
    held = widened(own.PLATEAU, own.CLAMP_VOLTAGE.high * clamp.mean / blocked, own.CLAMP_VOLTAGE.reason)
    root = math.sqrt(state.off.square / cycle.period) if state.off is not None else 0.0
    current_gap = widened(own.CLAMP_CURRENT, ring, own.RING)
    top = state.off.current_peak if state.off is not None else clamp.current
    power = clamp.square / resistance
    return {
        ("clamp_voltage", part.capacitor): Expectation(clamp.mean, "V", own.CLAMPED, own.CLAMP_VOLTAGE, floor),
        ("clamp_dissipation", part.resistor): Expectation(
            power / part.resistor_pieces, "W", own.CLAMPED, own.CLAMP_POWER, 0.04 * power / part.resistor_pieces
        ),
        ("diode_voltage_plateau", part.diode.designator): Expectation(blocked, "V", own.CLAMPED, held, floor),
        ("diode_voltage_peak", part.diode.designator): Expectation(
            max(state.clamp_on.other_peak, blocked), "V", own.DRAIN, widened(gaps.VOLTAGE_PEAK, share, own.RING), floor
        ),
        ("diode_current_average", part.diode.designator): Expectation(
            clamp.mean / resistance / pieces, "A", own.CLAMPED, own.CLAMP_VOLTAGE, 0.002
        ),
        ("diode_current_rms", part.diode.designator): Expectation(root / pieces, "A", own.CLAMPED, current_gap, 0.01),
        ("diode_current_peak", part.diode.designator): Expectation(top / pieces, "A", own.DRAIN, current_gap, 0.02),
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
    rms_gap = widened(blurred(own.RMS, edges_of(params, state), 0.0, 1.0), many, own.SHARED)
    top_gap = widened(own.RECTIFIER_CURRENT, 2 * many, own.SHARED)
    average = widened(own.AVERAGE, 0.03 if index else 0.0, own.SHARED)
    kind = "diode" if one.synchronous is None else "switch"
    return timing(params, state, index) | {
        (f"{kind}_voltage_plateau", device): Expectation(plateau, "V", own.BALANCE, own.PLATEAU),
        (f"{kind}_voltage_peak", device): Expectation(
            max(peak, plateau), "V", own.LEAKAGE, widened(own.RECTIFIER_PEAK, share, own.RING)
        ),
        (f"{kind}_current_average", device): Expectation(load / pieces, "A", own.BALANCE, average, 0.005),
        (f"{kind}_current_rms", device): Expectation(root / pieces, "A", own.PIECES, rms_gap, 0.01),
        (f"{kind}_current_peak", device): Expectation(top / pieces, "A", own.PIECES, top_gap, 0.02),
    }
