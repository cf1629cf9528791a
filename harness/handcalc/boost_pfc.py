"""Boost corrector by hand: where the search for the steady state begins, and every metric expected of it.

The period itself is solved in ``boost_period``; here its course is read.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from harness.handcalc import network
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.boost_period import Phase, Solved, bias_of, middle_capacitance, phase, solve
from harness.handcalc.expectation import Expectation
from harness.handcalc.network import AnyBranch, Branch, Load
from harness.handcalc.switching_gaps import Key, cans, currents, voltages, widened
from harness.handcalc.switching_waveform import (
    Estimate,
    interleaved,
    mean_of,
    part_of,
    peak_of,
    rms_of,
    swing_of,
)
from netlists.point import Condition
from netlists.stages.boost_pfc import Params, cut_share, instant_power
from netlists.stages.switching import SHORT

SUBJECT = "pfc"


def estimate(params: Params, condition: Condition) -> Estimate:
    """Duty, frequency and choke currents where the search for the steady state begins."""
    state = solve(params, condition)
    one = state.phase
    duty = min(max(one.duty, 1e-3), params.largest_duty)
    middles = [k / params.phases for k in range(params.phases)]
    cut = cut_share(params, condition, duty)
    period = one.choke.period
    currents = tuple(one.choke.once((cut - m + 0.5 * duty) * period - one.lag) for m in middles)
    scale = max(abs(mean_of(one.choke)), 0.5 * swing_of(one.choke))
    return Estimate(
        (duty,), 1 / period, currents, (scale,) * params.phases, state.feed_current, state.input_voltage,
        (params.bus_setpoint,),
    )  # fmt: skip


def expect(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Every metric of the corrector at the condition's instant; subjects are the designators of the parameters."""
    state = solve(params, condition)
    found = _control(params, state) | _choke(params, state) | _places(params, state) | _bus(params, condition, state)
    return found | (_input(params, state) if params.inputs else {}) | _together(params, state)


def _ring_share(params: Params, state: Solved) -> float:
    """Share of the current's peak that a phase of the choke's ring known to some 15 degrees leaves open at turn-on."""
    one = state.phase
    if one.middle is None or (params.mode == "boundary" and one.choke.period > 1.001 / params.switching_frequency):
        return 0.0
    impedance = math.sqrt(params.choke.inductance / middle_capacitance(params))
    swing = math.hypot((one.middle - state.input_voltage) / impedance, one.valley)
    return 0.35 * swing / one.peak


def _blur(params: Params, one: Phase) -> tuple[float, float]:
    """Edges over the shorter of the switch's and the diode's time, and the mean square of the loop's ringing [A2]."""
    strays = params.strays
    edges = strays.switching_time / min(one.on_time, one.fall_time)
    diode = params.high.junction_capacitance * params.high.parallel
    square = gaps.ringing_square(params.bus_setpoint, diode, strays.loop_inductance, strays.loop_quality)
    off = 0.5 * strays.loop_inductance * one.peak**2  # what the loop takes on as the diode begins to conduct
    square += off * strays.loop_quality * math.sqrt(diode / strays.loop_inductance)
    return edges, square / one.choke.period


def _control(params: Params, state: Solved) -> dict[Key, Expectation]:
    one = state.phase
    duty = widened(gaps.DUTY, _ring_share(params, state), gaps.RING)
    found = {("duty_cycle", SUBJECT): Expectation(one.duty, "1", gaps.COURSE, duty, 1e-3)}
    if params.mode == "boundary":
        frequency = 1 / one.choke.period
        found["switching_frequency", SUBJECT] = Expectation(frequency, "Hz", gaps.COURSE, gaps.FREQUENCY)
    return found


def _choke(params: Params, state: Solved) -> dict[Key, Expectation]:
    one, device = state.phase, params.choke.designator
    share = _ring_share(params, state)
    linear = dataclasses.replace(params.choke, saturation_current=None, saturated_inductance=None)
    straight = (
        phase(dataclasses.replace(params, choke=linear), bias_of(params, state)) if params.choke.saturates else one
    )
    values = {
        "choke_current_peak": (peak_of(one.choke), gaps.COURSE, gaps.CHOKE_PEAK),
        "choke_current_rms": (rms_of(one.choke), gaps.TRIANGLES, gaps.CHOKE_RMS),
        "choke_ripple": (swing_of(one.choke), gaps.COURSE, gaps.CHOKE_RIPPLE),
        "saturation_current_needed": (peak_of(straight.choke), gaps.COURSE, gaps.CHOKE_PEAK),
    }
    return {
        (metric, device): Expectation(value, "A", source, widened(gap, share, gaps.RING), 0.01)
        for metric, (value, source, gap) in values.items()
    }


def _places(params: Params, state: Solved) -> dict[Key, Expectation]:
    """Voltages and currents of one piece of the switch and of the diode."""
    one, lost, low, high = state.phase, state.edges, params.low, params.high
    assert lost is not None  # solve leaves none out
    resistance = low.on_resistance / low.parallel
    through = part_of(one.choke, 0.0, one.on_time)
    mean_on = mean_of(through) * one.choke.period / one.on_time
    blocked = params.bus_setpoint + state.off_mean + state.diode_drop
    reverse = params.bus_setpoint + state.on_mean - resistance * mean_on
    share = 0.0 if one.middle is None else (lost.on.other_peak / reverse - 1) * reverse / max(one.middle, 1.0) + 0.02
    found = voltages("switch", low.designator, blocked, lost.off.controlled_peak)
    found |= voltages("diode", high.designator, reverse, lost.on.other_peak, share, gaps.RING)
    period, free = one.choke.period, one.free
    own = lost.of_controlled(one.valley**2, one.peak**2) + lost.on.controlled_square + lost.off.controlled_square
    other = -lost.of_controlled(one.valley**2, one.peak**2) + lost.on.other_square + lost.off.other_square
    root = math.sqrt(max(rms_of(through) ** 2 + own / period, 0.0))
    average = state.feed_current / params.phases - one.diode_mean
    top = max(one.peak, lost.on.controlled_current, lost.off.controlled_current)
    found |= currents(
        "switch", low.designator, (average, root, top), low.parallel, _blur(params, one), 2 * _ring_share(params, state)
    )
    root = math.sqrt(max(rms_of(free) ** 2 + other / period, 0.0))
    top = max(one.peak, lost.off.other_current)
    return found | currents("diode", high.designator, (one.diode_mean, root, top), high.parallel, _blur(params, one))


def _bus(params: Params, condition: Condition, state: Solved) -> dict[Key, Expectation]:
    """Ripple of the bus at the switching frequency, and each can's current."""
    lost = state.edges
    assert lost is not None  # solve leaves none out
    banks: list[AnyBranch] = [network.branch_of(bank) for bank in params.outputs]
    _, esl = network.high_frequency(banks)
    at_off, at_on = state.cell
    low = min(float(np.min(state.bus_ripple.value)), at_off + lost.off.node_low, at_on + lost.on.node_low)
    high = max(peak_of(state.bus_ripple), at_off + lost.off.node_high, at_on + lost.on.node_high)
    edges, square = _blur(params, state.phase)
    gap = gaps.blurred(gaps.BUS_RIPPLE_ESL if esl > 0 else gaps.BUS_RIPPLE, edges, 0.0, 1.0)
    load = Load(SHORT, 0.0, params.bus_setpoint**2 / instant_power(params, condition))
    return {
        ("output_ripple", "bus"): Expectation(high - low, "V", gaps.IMPEDANCE, gap, 1e-3)
    } | cans(
        params.outputs,
        network.branch_rms(state.fed, state.fed_harmonics, [*banks, load]),
        (edges, square * params.phases),
    )  # fmt: skip


def _input(params: Params, state: Solved) -> dict[Key, Expectation]:
    """Ripple of the input bank, and each can's current."""
    one = state.phase
    branches: list[AnyBranch] = [network.branch_of(bank) for bank in params.inputs]
    _, esl = network.high_frequency(branches)
    branches.append(Branch(params.feed_resistance, params.feed_inductance))
    taken = interleaved(one.choke, params.phases).scaled(-1.0)
    orders = -network.train(one.choke, params.phases)
    voltage = network.ripple(taken, orders, branches)
    gap = widened(gaps.OUTPUT_RIPPLE_ESL if esl > 0 else gaps.OUTPUT_RIPPLE, _ring_share(params, state), gaps.RING)
    # where the phases cancel, what is left hangs on the last digit of the duty: 1 % of what one phase alone makes
    capacitance = sum(bank.capacitance * bank.parallel / bank.series for bank in params.inputs)
    floor = 0.01 * swing_of(one.choke) * one.choke.period / (8 * capacitance)
    return {
        ("input_ripple", "input"): Expectation(swing_of(voltage), "V", gaps.IMPEDANCE, gap, floor)
    } | cans(params.inputs, network.branch_rms(taken, orders, branches))  # fmt: skip


def _together(params: Params, state: Solved) -> dict[Key, Expectation]:
    """What the phases draw together."""
    one = state.phase
    together = interleaved(one.choke, params.phases)
    swing = swing_of(together)
    alternating = math.sqrt(max(rms_of(together) ** 2 - mean_of(together) ** 2, 0.0))
    share = _ring_share(params, state)
    found = {
        ("input_ripple_current", "input"): Expectation(
            alternating, "A", gaps.TRIANGLES, widened(gaps.DRAWN, share, gaps.RING), 0.01
        )
    }
    if params.phases > 1:
        found["ripple_cancellation", SUBJECT] = Expectation(
            swing / swing_of(one.choke), "1", gaps.TRIANGLES, widened(gaps.CANCELLED, share, gaps.RING), 0.02
        )
    return found
