"""Two-switch forward converters by hand: where the search begins, and every metric expected of a period.

The period is solved in ``forward_period``, its edges in ``forward_edges`` and ``forward_turn_off``, all currents are
put together in ``forward_currents``; here they are read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from harness.handcalc import forward_edges as edges
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.forward_currents import Currents, TurnOn, currents_of, turn_off_of, turn_on_of
from harness.handcalc.forward_period import (
    Solved,
    at_bank,
    at_bus,
    lifted_capacitance,
    lowest_bus,
    primary_resistance,
    solve,
)
from harness.handcalc.forward_turn_off import TurnedOff
from harness.handcalc.output_network import Fed
from harness.handcalc.outputs import output_metrics
from harness.handcalc.switching_gaps import Key, blurred, widened
from harness.handcalc.switching_waveform import (
    mean_of,
    peak_of,
    rms_of,
    swing_of,
)
from netlists.point import Condition
from netlists.stages.switching import Diode, Switch
from netlists.stages.two_switch_forward import (
    Params,
    end_capacitances,
    idle_capacitance,
    law_of,
    leakage_damping,
    whole,
)

BALANCE = "volt-second balance with all drops, V = D Vin / n (Hart, ch. 7; Erickson, Maksimovic, ch. 6; from memory)"
CORE = "magnetising current V D T / L, reset by the clamp diodes at the bus (Erickson, Maksimovic, ch. 6; from memory)"
PIECES = "exact readings of straight pieces; takeover and reset of the leakage L I / V, the fall of the voltage a sine"
RINGS = "linear ring of leakage and rectifier with damping and snubber, exact on a grid"
LOOP = "ring of the loop's strays with both switches' capacitance on the step of the primary's current"
SPIKE = "a channel that empties its capacitance with exponentially rising conductance, Q / (e tau); own derivation"

STRAIGHT = "drops and resistances at their mean current; a ring that outlasts one edge meets the next"
DUTY = Difference(-0.01, 0.01, STRAIGHT)
CHOKE_PEAK = Difference(-0.01, 0.01, STRAIGHT)
CHOKE_RMS = Difference(-0.007, 0.007, STRAIGHT)
CHOKE_RIPPLE = Difference(-0.02, 0.02, STRAIGHT)
PRIMARY_PEAK = Difference(-0.03, 0.05, "peak of the first ring on the choke's straight course")
AVERAGE = Difference(-0.015, 0.015, f"{STRAIGHT}; edges are straight")
RMS = Difference(-0.015, 0.02, f"{STRAIGHT}; edges are straight")
SPIKED = Difference(-0.25, 0.15, "the winding and the loop bring a part of the charge while the channel turns on")
CORE_CURRENT = Difference(-0.03, 0.03, "the leakage's ring moves the core's voltage; the core's loss is left out")
CLAMP_PEAK = Difference(-0.1, 0.1, "what the ends' capacitances take from the leakage, diodes in no time")
CLAMP_MEAN = Difference(-0.06, 0.06, "handing over from leakage to core is straight")
PLATEAU = Difference(-0.015, 0.015, "median where it is measured, mean here")
RING_PEAK = Difference(-0.06, 0.06, "each ring begins from rest, diodes end in no time")
REVERSE_PEAK = Difference(-0.12, 0.12, "the clamp diodes let go in the ring's first swing, in no time")
SWITCH_PEAK = Difference(-0.03, 0.04, "both ends reach the clamps at once, diodes conduct in no time")
DRAWN = Difference(-0.03, 0.03, "straight edges, no ring of the loop")
RIPPLE = Difference(-0.04, 0.04, STRAIGHT)
CAN = Difference(-0.02, 0.02, STRAIGHT)
LOWEST = Difference(-0.01, 0.01, STRAIGHT)
IDLE = "rings of the idle choke and core decide where the turn-on begins"
UNSETTLED = "the rectifiers' ring has not ended by the turn-off"
MARGIN_FLOOR = 0.01  # of the period
HALF_RING = 0.3  # of the output's voltage, to either side: where the idle ring leaves the freewheel diode
NO_TIME = 0.3  # of a ring's amplitude left at the turn-off, the most it changes a current there


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where the search begins: in the middle of the on-time.

    Parameters
    ----------
    duty : of the gates;  bus : [V]
    choke, magnetising : currents [A], and scales of both;  primary : current [A]
    secondary : voltage behind the winding [V];  output : [V]
    """

    duty: float
    bus: float
    choke: float
    choke_scale: float
    magnetising: float
    magnetising_scale: float
    primary: float
    secondary: float
    output: float


def estimate(params: Params, condition: Condition, *, lowest: bool = False) -> Estimate:
    """The estimate at a condition's bus, or at the lowest bus that still regulates."""
    if lowest:
        bus, state = lowest_bus(params, condition)
    else:
        bus, state = condition.line_voltage, solve(params, condition)
    since = max(0.5 * state.duty * params.period - state.lags.on, 0.0)
    flowing = max(since - state.takeover, 0.0)
    core = state.core.first + state.volts.magnetised * flowing / params.transformer.magnetising_inductance
    current = state.choke.once(since)
    return Estimate(
        state.duty, bus, current, max(abs(mean_of(state.choke)), 0.5 * swing_of(state.choke)), core,
        max(state.core.peak - state.core.first, 1e-6), core + current / params.ratio,
        state.volts.magnetised / params.ratio, at_bank(params, condition).output.voltage,
    )  # fmt: skip


def expect(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Every metric of the steady state; subjects are the designators of the parameters and the output's name."""
    state = solve(params, condition)
    flows, open_by = currents_of(params, state), _open(params, state)
    on, off = turn_on_of(params, condition, state), turn_off_of(params, condition, state)
    found = _transformer(params, state, flows, open_by, on)
    found |= _switches(params, condition, state, flows, open_by, (on, off))
    found |= _clamps(params, condition, state, flows, open_by, off)
    found |= _rectifiers(params, state, flows, open_by, (on, off))
    found |= _choke(params, condition, state, open_by)
    ripple, can = (open_by.more(one, 2.0) for one in (RIPPLE, CAN))
    return found | output_metrics(params.output, condition, state.choke, ripple, can)


def fed(params: Params, condition: Condition, index: int) -> Fed:
    """What the converter feeds into its output, of which it has one: the choke's current."""
    state = solve(params, condition)
    open_by = _open(params, state)
    return Fed(state.choke, left_open=2 * (open_by.choke + NO_TIME * open_by.ring), reason=IDLE)


def expect_lowest(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """The lowest bus the output is regulated at, and what is left of the period behind the reset there."""
    bus, state = lowest_bus(params, condition)
    return {
        ("lowest_input_voltage", params.output.name): Expectation(bus, "V", BALANCE, LOWEST),
        ("reset_margin", params.transformer.designator): _margin(params, state),
    }


def _margin(params: Params, state: Solved, share: float = 0.0) -> Expectation:
    """What is left of the period behind the reset; the core's ring moves it by ``share`` of the reset."""
    gap = Difference(-0.05, 0.05, "the instants at which the clamp diodes begin and end")
    floor = MARGIN_FLOOR + share * state.core.reset / params.period
    return Expectation(state.core.left / params.period, "1", CORE, gap, floor)


@dataclass(frozen=True, slots=True)
class Open:
    """What rings leave open of a period, as shares of the choke's and the core's swing; 0 where all has settled.

    Parameters
    ----------
    choke, core : of the idle rings;  ring : what is left of the rectifiers' ring at the turn-off
    """

    choke: float
    core: float
    ring: float

    def more(self, difference: Difference, share: float = 1.0) -> Difference:
        """A difference of what the choke's course decides, widened."""
        return widened(widened(difference, share * self.choke, IDLE), share * NO_TIME * self.ring, UNSETTLED)

    def of_core(self, difference: Difference) -> Difference:
        """A difference of what the core's current decides, widened."""
        return widened(widened(difference, self.core, IDLE), NO_TIME * self.ring, UNSETTLED)


def _open(params: Params, state: Solved) -> Open:
    """Idle choke: its ring about the output, current over its peak. Idle core: the reset's ring, over the swing."""
    leakage = params.transformer.leakage_inductance
    beside = params.snubber.capacitance if params.snubber else 0.0
    capacitance = (whole(params.freewheel) + beside) / params.ratio**2
    decay = 0.5 / (leakage_damping(params) * whole(params.freewheel) / params.ratio**2)
    if params.snubber:
        decay += 0.5 / (params.snubber.resistance * params.ratio**2 * capacitance)
    amplitude = math.sqrt(capacitance / leakage) * state.volts.magnetised * math.exp(-decay * state.power)
    ring = amplitude / max(state.peak / params.ratio, 1e-9)
    if state.is_continuous:
        return Open(0.0, 0.0, min(ring, 1.0))
    through = params.output.voltage / math.sqrt(params.choke.inductance / lifted_capacitance(params))
    core = state.volts.clamp * math.sqrt(idle_capacitance(params) / params.transformer.magnetising_inductance)
    return Open(through / state.peak, core / max(state.core.peak, 1e-9), min(ring, 1.0))


def _edge_share(params: Params, state: Solved) -> float:
    """Switching time over the time power flows."""
    return params.strays.switching_time / max(state.takeover + state.power, 1e-12)


def _ring_square(params: Params, state: Solved) -> float:
    """Mean square of the rectifiers' ring, seen from the primary [A2]."""
    leakage = params.transformer.leakage_inductance
    capacitance = whole(params.freewheel) / params.ratio**2
    quality = params.leakage_quality
    return gaps.ringing_square(state.volts.magnetised, capacitance, leakage, quality) / params.period


def _transformer(params: Params, state: Solved, flows: Currents, open_by: Open, on: TurnOn) -> dict[Key, Expectation]:
    name, core = params.transformer.designator, state.core
    top = max(peak_of(flows.primary), on.primary)
    square = rms_of(flows.primary) ** 2 + rms_of(flows.clamp) ** 2 + _falling_square(params, state)
    root = math.sqrt(square)
    rms_gap = blurred(open_by.more(RMS), _edge_share(params, state), _ring_square(params, state), root)
    feed = math.sqrt(max(rms_of(flows.feed) ** 2 - mean_of(flows.feed) ** 2, 0.0))
    drawn = blurred(open_by.more(DRAWN), _edge_share(params, state), _ring_square(params, state), feed)
    swing = (core.peak - core.idle) * params.transformer.magnetising_inductance
    core_gap = open_by.of_core(CORE_CURRENT)
    return {
        ("primary_current_peak", name): Expectation(top, "A", RINGS, open_by.more(PRIMARY_PEAK), 0.01),
        ("primary_current_rms", name): Expectation(root, "A", PIECES, rms_gap, 0.01),
        ("magnetising_current_peak", name): Expectation(max(core.peak, -core.idle), "A", CORE, core_gap, 0.005),
        ("flux_linkage_swing", name): Expectation(swing, "V s", CORE, core_gap),
        ("reset_margin", name): _margin(params, state, open_by.core),
        ("input_ripple_current", "input"): Expectation(feed, "A", PIECES, drawn, 0.01),
    }


def _falling_square(params: Params, state: Solved) -> float:
    """Mean square of the primary's current from the turn-off until the clamp diodes conduct [A2]."""
    first = state.peak / params.ratio + state.core.last
    span = state.fall.duration + state.release.charging
    last = state.release.leakage
    return (first**2 + first * last + last**2) / 3 * span / params.period


def _switches(
    params: Params,
    condition: Condition,
    state: Solved,
    flows: Currents,
    open_by: Open,
    edges_of: tuple[TurnOn, TurnedOff],
) -> dict[Key, Expectation]:
    """Voltages and currents of one piece of each switch."""
    on, off = edges_of
    bus, period = condition.line_voltage, params.period
    held = bus + 0.5 * (state.volts.clamp - bus)
    mean, square = mean_of(flows.primary), rms_of(flows.primary) ** 2
    edge, ringing = _edge_share(params, state), _ring_square(params, state)
    found: dict[Key, Expectation] = {}
    for place, part in enumerate((params.high, params.low)):
        top = max(peak_of(flows.primary), on.channels[place])
        root = math.sqrt(square + on.squares[place] / period)
        unknown = 0.0 if state.is_continuous else 0.5  # of what the ring leaves to be emptied
        peak_gap = SPIKED if on.channels[place] > 0.9 * top else open_by.more(PRIMARY_PEAK)
        if not state.is_continuous:
            peak_gap = widened(peak_gap, on.channels[place] / top, IDLE)
        found |= _voltages("switch", part.designator, (held, max(off.switches[place], held)), PLATEAU, SWITCH_PEAK)
        found |= _currents(
            "switch", part, (mean + on.charges[place] / period, root, top),
            (
                widened(
                    open_by.more(blurred(AVERAGE, edge, 0.0, 1.0)), unknown * on.charges[place] / period / mean, IDLE
                ),
                widened(blurred(open_by.more(RMS), edge, ringing, root), unknown * (root**2 / square - 1), IDLE),
                peak_gap,
            ),
        )  # fmt: skip
    return found


def _clamps(
    params: Params, condition: Condition, state: Solved, flows: Currents, open_by: Open, off: TurnedOff
) -> dict[Key, Expectation]:
    """Each clamp diode blocks the bus while the switches conduct; the core's part of its current is straight."""
    bus, period = condition.line_voltage, params.period
    start, end = end_capacitances(params)
    drop = primary_resistance(params) - params.transformer.primary_resistance
    held = bus - 0.5 * drop * mean_of(flows.primary) * period / max(state.takeover + state.power, 1e-12)
    core = 0.5 * state.core.peak * state.core.reset, state.core.peak**2 * state.core.reset / 3
    found: dict[Key, Expectation] = {}
    pairs = ((params.high_clamp, params.low, end, start), (params.low_clamp, params.high, start, end))
    for place, (part, switch, own, other) in enumerate(pairs):
        law = law_of(params, switch, bus)
        peak = edges.smoothed_overshoot(
            bus * other / (own + other), bus, law, params.strays.loop_inductance,
            whole(params.high_clamp) + whole(params.low_clamp), params.strays.loop_quality,
        )  # fmt: skip
        found |= _voltages("diode", part.designator, (held, max(peak, held)), PLATEAU, open_by.of_core(RING_PEAK))
        average = (off.charges[place] + core[0]) / period
        root = math.sqrt((off.squares[place] + core[1]) / period)
        found |= _currents(
            "diode", part, (average, root, max(off.clamps[place], state.core.peak)),
            tuple(open_by.of_core(one) for one in (CLAMP_MEAN, CLAMP_MEAN, CLAMP_PEAK)),
        )  # fmt: skip
    return found


def _rectifiers(
    params: Params, state: Solved, flows: Currents, open_by: Open, edges_of: tuple[TurnOn, TurnedOff]
) -> dict[Key, Expectation]:
    on, off = edges_of
    volts, ratio = state.volts, params.ratio
    secondary = volts.secondary
    reverse = volts.clamp / ratio - volts.freewheel
    top = max(on.freewheel, secondary)
    begun = 0.0 if state.is_continuous else HALF_RING * params.output.voltage / top
    ring_gap = widened(RING_PEAK, begun, IDLE)
    found = _voltages("diode", params.freewheel.designator, (secondary, top), PLATEAU, ring_gap)
    found |= _voltages("diode", params.forward.designator, (reverse, max(off.reverse, reverse)), PLATEAU, REVERSE_PEAK)
    edge, square = _edge_share(params, state), _ring_square(params, state) * ratio**2
    for part, flow, top in (
        (params.forward, flows.forward, on.forward), (params.freewheel, flows.freewheel, off.freewheel),
    ):  # fmt: skip
        root, mean = rms_of(flow), mean_of(flow)
        returned = 0.0 if state.is_continuous else -ratio * state.core.idle * state.core.turn / params.period / mean
        found |= _currents(
            "diode", part, (mean, root, max(top, peak_of(flow))),
            (
                widened(open_by.more(blurred(AVERAGE, edge, 0.0, 1.0)), returned, IDLE),
                blurred(open_by.more(RMS), edge, square, root),
                open_by.more(PRIMARY_PEAK),
            ),
        )  # fmt: skip
    return found


def _choke(params: Params, condition: Condition, state: Solved, open_by: Open) -> dict[Key, Expectation]:
    """Duty and the choke's currents."""
    name, top = params.choke.designator, peak_of(state.choke)
    straight = top
    if params.choke.saturates:
        linear = replace(params.choke, saturation_current=None, saturated_inductance=None)
        straight = peak_of(at_bus(replace(params, choke=linear), condition, condition.line_voltage).choke)
    peak = open_by.more(CHOKE_PEAK)
    return {
        ("duty_cycle", params.output.name): Expectation(state.duty, "1", BALANCE, open_by.more(DUTY, 2.0), 1e-3),
        ("choke_current_peak", name): Expectation(top, "A", PIECES, peak, 0.01),
        ("choke_current_rms", name): Expectation(rms_of(state.choke), "A", PIECES, open_by.more(CHOKE_RMS), 0.01),
        ("choke_ripple", name): Expectation(swing_of(state.choke), "A", PIECES, open_by.more(CHOKE_RIPPLE), 0.01),
        ("saturation_current_needed", name): Expectation(straight, "A", PIECES, peak, 0.01),
    }


def _voltages(
    kind: str, name: str, levels: tuple[float, float], plateau: Difference, peak: Difference
) -> dict[Key, Expectation]:
    return {
        (f"{kind}_voltage_plateau", name): Expectation(levels[0], "V", BALANCE, plateau, 0.1),
        (f"{kind}_voltage_peak", name): Expectation(levels[1], "V", LOOP if kind == "switch" else RINGS, peak, 0.1),
    }


def _currents(
    kind: str, part: Switch | Diode, whole_place: tuple[float, float, float], gaps_of: tuple[Difference, ...]
) -> dict[Key, Expectation]:
    """Average, RMS and peak of one piece from those of a whole place."""
    sources = (PIECES, PIECES, SPIKE if kind == "switch" else RINGS)
    return {
        (f"{kind}_current_{what}", part.designator): Expectation(value / part.parallel, "A", source, gap, 0.01)
        for what, value, source, gap in zip(("average", "rms", "peak"), whole_place, sources, gaps_of, strict=True)
    }
