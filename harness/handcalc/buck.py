"""Buck rails by hand: where the search for the steady state begins, and every metric expected of it.

The period itself is solved in ``buck_period``; here its course is read. Where a Schottky diode stands beside a
synchronous low place, it carries the dead times and the low channel everything else.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from harness.handcalc import network
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.buck_emulation import emptied, hurried, timing
from harness.handcalc.buck_period import (
    Phase,
    Solved,
    at_bank,
    channel_span,
    drops_of,
    on_mean,
    phase,
    rail_current,
    solve,
    source_branch,
)
from harness.handcalc.commutation import Edges
from harness.handcalc.expectation import Expectation
from harness.handcalc.output_network import EDGES, Fed, branches_of, probed_ripple
from harness.handcalc.switching_gaps import Key, cans, currents, voltages, widened
from harness.handcalc.switching_waveform import (
    Course,
    Estimate,
    interleaved,
    mean_of,
    part_of,
    peak_of,
    rms_of,
    swing_of,
)
from netlists.point import Condition
from netlists.stages.buck import (
    Params,
    Rail,
    cut_instant,
    edges,
    legs,
    low_law,
    lower_capacitance,
    middle_capacitance,
)
from netlists.stages.switching import core_resistance


def load_alone(condition: Condition) -> Condition:
    """All of a condition that the steady state depends on, the rest at fixed values: a probe moves no choke."""
    return Condition(0.0, 0.0, 0.0, 0.0, supply="dc", load_fraction=condition.load_fraction)


def estimate(params: Params, condition: Condition) -> Estimate:
    """Duties and choke currents where the search for the steady state begins."""
    state = solve(params, load_alone(condition))
    period = params.period
    duties = tuple(
        min(max(one.duty, 1e-3), rail.largest_duty) for rail, one in zip(params.rails, state.phases, strict=True)
    )
    pairs = list(zip(legs(params), edges(params), strict=True))
    cut = cut_instant(params, duties)
    currents, scales = [], []
    for (_, index, _), (on, _) in pairs:
        one = state.phases[index]
        since = cut - on.at(period, duties[index]) - one.lag
        currents.append(one.choke.once(since))
        scales.append(max(abs(mean_of(one.choke)), 0.5 * swing_of(one.choke)))
    return Estimate(
        duties, params.switching_frequency, tuple(currents), tuple(scales), state.feed_current, state.input_voltage,
        tuple(rail.voltage for rail in at_bank(params, condition).rails),
    )  # fmt: skip


def expect(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Every metric of all rails and of the input they share; subjects are the designators of the parameters."""
    state = solve(params, load_alone(condition))
    found: dict[Key, Expectation] = {}
    for index, rail in enumerate(params.rails):
        banked = at_bank(params, condition)
        found |= _places(banked, state, index)
        found |= _choke(banked, rail_current(rail, condition), state, index)
        found |= _output(params, condition, rail, state.phases[index], state.edges[index])
        found |= timing(rail, state.phases[index], state.edges[index], state.input_voltage)
    return found | _input(params, state)


def fed(params: Params, condition: Condition, index: int) -> Fed:
    """What the phases of a rail feed into its output."""
    state = solve(params, condition)
    return _fed(params, params.rails[index], state.phases[index], state.edges[index])


def _fed(params: Params, rail: Rail, one: Phase, lost: Edges) -> Fed:
    overshoot = max(lost.on.other_peak - params.input_voltage, 0.0)
    core = math.inf
    if rail.may_idle:
        core = core_resistance(rail.choke, middle_capacitance(rail))
    course = interleaved(one.choke, rail.phases)
    left_open, reason = _ring_share(rail, one), "the choke's ring goes on into the bank"
    if rail.phases > 1:  # a swing and a duty of one phase, each as exact as declared, against what is left of all
        of_one = gaps.CHOKE_RIPPLE.high + rail.phases * gaps.DUTY.high / (1 - one.duty)
        left_open += of_one * swing_of(one.choke) / swing_of(course)
        reason = "what interleaving leaves is as exact as the phases it is the difference of"
    return Fed(
        course, overshoot / rail.choke.inductance, params.input_voltage / core / rail.strays.switching_time, left_open,
        reason,
    )  # fmt: skip


def _ring_share(rail: Rail, one: Phase) -> float:
    """Current of the choke's ring after a discontinuous current's end, over the current's peak."""
    if one.is_continuous:
        return 0.0
    capacitance = lower_capacitance(rail) + rail.high.output_capacitance * rail.high.parallel
    return rail.voltage / math.sqrt(rail.choke.inductance / capacitance) / one.peak


def _blur(params: Params, rail: Rail, one: Phase) -> tuple[float, float]:
    """Edges over the shorter of the places' times, and the mean square of the loop's ringing [A2]."""
    strays = rail.strays
    edges = strays.switching_time / min(one.on_time, params.period - one.on_time)
    lower = lower_capacitance(rail)
    square = gaps.ringing_square(params.input_voltage, lower, strays.loop_inductance, strays.loop_quality)
    return edges, square / params.period


def _blocking(params: Params, state: Solved, index: int) -> tuple[float, float]:
    """Mean blocking voltage of the high place while it is off, of the low place while the high one is on [V]."""
    rail, one = params.rails[index], state.phases[index]
    current, on = mean_of(one.choke), on_mean(params, state, index, one)
    off = -on * one.on_time / (params.period - one.on_time)
    drops = drops_of(rail, current if one.is_continuous else 0.5 * one.peak, one.peak, one.valley)
    return state.input_voltage + off + drops.low, state.input_voltage + on - current * drops.on


def _places(params: Params, state: Solved, index: int) -> dict[Key, Expectation]:
    """Voltages and currents of one piece of every place."""
    rail, one, lost = params.rails[index], state.phases[index], state.edges[index]
    high, low = _blocking(params, state, index)
    ring = "the choke's ring decides at which voltage the turn-on begins"
    share = 0.0 if one.is_continuous else rail.voltage * (lost.on.other_peak / low - 1) / (low - rail.voltage) + 0.02
    blur = _blur(params, rail, one)
    found = voltages("switch", rail.high.designator, high, lost.off.controlled_peak)
    found |= _high_currents(rail, one, lost, params.period, blur)
    period, on = params.period, one.on_time
    rest = part_of(one.choke, on, period)
    extra = -lost.of_controlled(one.valley**2, one.peak**2) + lost.on.other_square + lost.off.other_square
    square = rms_of(rest) ** 2 + extra / period
    whole = (mean_of(one.choke) - one.high_mean, math.sqrt(max(square, 0.0)), max(one.peak, lost.off.other_current))
    if rail.diode is not None:
        found |= voltages("diode", rail.diode.designator, low, lost.on.other_peak, share, ring)
    if rail.rectification == "diode" or rail.low is None:
        assert rail.diode is not None  # checked by Rail
        return found | currents("diode", rail.diode.designator, whole, rail.diode.parallel, blur)
    found |= voltages("switch", rail.low.designator, low, lost.on.other_peak, share, ring)
    if rail.diode is not None:
        falling, rising = channel_span(rail, one)
        channel = part_of(one.choke, falling, rising)
        dead = [part_of(one.choke, on, falling), part_of(one.choke, rising, period)]
        dead = [Course(piece.time, np.maximum(piece.value, 0.0)) for piece in dead]  # no diode carries less
        aside = (
            sum(mean_of(piece) for piece in dead), math.hypot(*(rms_of(piece) for piece in dead)), whole[2]
        )  # fmt: skip
        whole = (whole[0] - aside[0], rms_of(channel), peak_of(channel))
        beside = currents("diode", rail.diode.designator, aside, rail.diode.parallel, beside=True)
        found |= beside if one.is_continuous else hurried(beside)
    spike = 0.0 if one.is_continuous else emptied(rail, one, low_law(params, rail), params.input_voltage) / whole[2]
    return found | currents("switch", rail.low.designator, whole, rail.low.parallel, blur, spike)


def _high_currents(
    rail: Rail, one: Phase, lost: Edges, period: float, blur: tuple[float, float]
) -> dict[Key, Expectation]:
    extra = lost.of_controlled(one.valley**2, one.peak**2) + lost.on.controlled_square + lost.off.controlled_square
    square = rms_of(part_of(one.choke, 0.0, one.on_time)) ** 2 + extra / period
    top = max(one.peak, lost.on.controlled_current, lost.off.controlled_current)
    swung = 0.0  # what the choke's ring leaves open of the voltage its turn-on discharges
    if rail.emulates_diode and not one.is_continuous:
        swung = rail.voltage / lost.on.controlled_peak
    whole = one.high_mean, math.sqrt(max(square, 0.0)), top
    return currents("switch", rail.high.designator, whole, rail.high.parallel, blur, swung)


def _choke(params: Params, current: float, state: Solved, index: int) -> dict[Key, Expectation]:
    """Duty and the choke's currents, all phases together carrying a mean current [A]."""
    rail, one = params.rails[index], state.phases[index]
    share, ring = _ring_share(rail, one), "the choke's ring decides at which current the turn-on begins"
    linear = dataclasses.replace(rail.choke, saturation_current=None, saturated_inductance=None)
    straight = phase(
        params, dataclasses.replace(rail, choke=linear), current / rail.phases,
        state.input_voltage + on_mean(params, state, index, one), state.edges[index],
    ) if rail.choke.saturates else one  # fmt: skip
    device, top = rail.choke.designator, float(np.max(one.choke.value))
    peak, swing = widened(gaps.CHOKE_PEAK, share, ring), widened(gaps.CHOKE_RIPPLE, share, ring)
    found = {
        ("duty_cycle", rail.name): Expectation(one.duty, "1", gaps.COURSE, widened(gaps.DUTY, share, ring), 1e-3),
        ("choke_current_peak", device): Expectation(top, "A", gaps.COURSE, peak, 0.01),
        ("choke_current_rms", device): Expectation(
            rms_of(one.choke), "A", gaps.TRIANGLES, widened(gaps.CHOKE_RMS, share, ring), 0.01
        ),
        ("choke_ripple", device): Expectation(swing_of(one.choke), "A", gaps.COURSE, swing, 0.01),
        ("saturation_current_needed", device): Expectation(
            float(np.max(straight.choke.value)), "A", gaps.COURSE, peak, 0.01
        ),
    }
    if rail.phases > 1:
        ratio = swing_of(interleaved(one.choke, rail.phases)) / swing_of(one.choke)
        found["ripple_cancellation", rail.name] = Expectation(ratio, "1", gaps.TRIANGLES, gaps.CANCELLED, 0.02)
    return found


def _output(params: Params, condition: Condition, rail: Rail, one: Phase, lost: Edges) -> dict[Key, Expectation]:
    """Ripple at the bank, through a probe at the load, and each can's current."""
    branches = branches_of(rail.output, condition)
    feeding, orders = _fed(params, rail, one, lost), network.train(one.choke, rail.phases)
    voltage = network.ripple(feeding.course, orders, branches)
    _, esl = network.high_frequency(branches)
    risen = voltage.once(0.0) + feeding.extra_slope * esl
    swing = max(peak_of(voltage), risen) - float(np.min(voltage.value))
    gap = gaps.OUTPUT_RIPPLE_ESL if esl > 0 else gaps.OUTPUT_RIPPLE
    ring = widened(gap, feeding.left_open, feeding.reason)
    ring = widened(ring, 2 * feeding.edge_slope * esl / swing, EDGES)
    found = {("output_ripple", rail.name): Expectation(swing, "V", gaps.IMPEDANCE, ring, 2e-4)}
    if condition.probe != "none":
        read = probed_ripple(rail.output, condition, feeding)
        found["output_ripple_probe", rail.name] = Expectation(read, "V", gaps.IMPEDANCE, gaps.PROBED_RIPPLE, 2e-4)
    return found | cans(rail.outputs, network.branch_rms(feeding.course, orders, branches))


def _input(params: Params, state: Solved) -> dict[Key, Expectation]:
    """Ripple of the input bank, what the phases draw from it, and each can's current."""
    branches = [*(network.branch_of(bank) for bank in params.inputs), source_branch(params, state.feed_current)]
    _, esl = network.high_frequency(branches[:-1])
    low, high = [float(np.min(state.input_ripple.value))], [peak_of(state.input_ripple)]
    for lost, (at_off, at_on) in zip(state.edges, state.cells, strict=True):
        low += [at_off + lost.off.node_low, at_on + lost.on.node_low]
        high += [at_off + lost.off.node_high, at_on + lost.on.node_high]
    alternating = math.sqrt(max(rms_of(state.drawn) ** 2 - mean_of(state.drawn) ** 2, 0.0))
    blurs = [(_blur(params, rail, one), rail.phases) for rail, one in zip(params.rails, state.phases, strict=True)]
    edges, square = max(blur[0] for blur, _ in blurs), sum(blur[1] * phases for blur, phases in blurs)
    gap = gaps.blurred(gaps.INPUT_RIPPLE_ESL if esl > 0 else gaps.INPUT_RIPPLE, 2 * edges, 0.0, 1.0)
    drawn = gaps.blurred(gaps.DRAWN, edges, square, alternating)
    found = {
        ("input_ripple", "input"): Expectation(max(high) - min(low), "V", gaps.IMPEDANCE, gap, 1e-3),
        ("input_ripple_current", "input"): Expectation(alternating, "A", gaps.TRIANGLES, drawn, 0.01),
    }
    currents_of = network.branch_rms(state.drawn, state.drawn_harmonics, branches)
    return found | cans(params.inputs, currents_of, (edges, square))
