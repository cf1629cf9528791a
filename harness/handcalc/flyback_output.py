"""What a flyback's rectifiers make of a rail: ripple, currents of cans and post choke, a following rail's voltage."""

from __future__ import annotations

import math

from harness.handcalc import flyback_gaps as own
from harness.handcalc import flyback_rails as rails
from harness.handcalc import network
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Expectation
from harness.handcalc.flyback_edges import held_voltage
from harness.handcalc.flyback_period import Solved
from harness.handcalc.switching_gaps import Key, blurred, widened
from harness.handcalc.switching_waveform import peak_of, rms_of, swing_of
from netlists.point import Condition
from netlists.stages.flyback_params import Params, leakage_damping, switch_capacitance
from netlists.stages.outputs import PROBE_BANDWIDTH
from netlists.stages.switching import place_capacitance


def output(params: Params, condition: Condition, state: Solved, index: int) -> dict[Key, Expectation]:
    """Ripple that the load sees, every can's current, a rail's voltage where it is not the regulated one."""
    one, fed = params.secondaries[index], state.currents[index]
    branches, ladder = rails.branches_of(one, condition)
    orders = network.train(fed, 1)
    many = 0.25 if len(params.secondaries) > 1 else 0.0
    found: dict[Key, Expectation] = {}
    banks = one.firsts or one.output.banks
    _, esl = network.high_frequency([network.branch_of(bank) for bank in banks])
    bare = own.RIPPLE_ESL if esl > 0 else own.RIPPLE
    gap = widened(bare if ladder is None else own.FILTERED, 2 * many if index else many, own.SHARED)
    transfer = None if ladder is None else rails.second_transfer(ladder, fed.period)
    course = network.ripple(fed, orders, branches, transfer)
    ripple = swing_of(course)
    resistance, _ = network.high_frequency(branches)
    if one.synchronous is not None and ladder is None:
        dip = _charging(params, state, index) * resistance
        ripple = max(ripple, peak_of(course) - course.once(0.0) + dip)
        gap = gap if state.cycle.is_continuous else widened(gap, dip / ripple, own.RING)
    ringing = _ring_behind_clamp(params, state) * params.primary.ideal_ratio(one.winding)
    if ladder is None:
        gap = widened(gap, min(0.5 * ringing * resistance / ripple, 1.0), own.RINGS)
    found["output_ripple", one.output.name] = Expectation(ripple, "V", gaps.IMPEDANCE, gap, 5e-4)
    if condition.probe != "none":
        read = rails.probe_transfer(one, condition, branches, ladder, fed.period, PROBE_BANDWIDTH)
        swing = swing_of(network.ripple(fed, orders, branches, read))
        probed = widened(own.PROBED if esl == 0 else own.RIPPLE_ESL, many, own.SHARED)
        found["output_ripple_probe", one.output.name] = Expectation(swing, "V", gaps.IMPEDANCE, probed, 5e-4)
    for bank, branch, current in zip(banks, branches, network.branch_rms(fed, orders, branches), strict=False):
        part = 0.25 * ringing * resistance / branch.resistance
        can_gap = widened(blurred(own.CAN_RMS, edges_of(params, state), 0.0, 1.0), many, own.SHARED)
        can_gap = widened(can_gap, min(part / max(current, 1e-3), 0.5), own.RINGS)
        found["capacitor_current_rms", bank.designator] = Expectation(
            current / bank.parallel, "A", gaps.IMPEDANCE, can_gap, 5e-3
        )
    if ladder is not None:
        found |= _post_filter(params, condition, state, index, many)
    if index > 0:
        load = rails.direct_resistance(one, condition)
        choke = one.choke.winding_resistance if one.choke is not None else 0.0
        voltage = state.voltages[index] * (1 - choke / load)
        found["output_voltage", one.output.name] = Expectation(voltage, "V", own.SHARING, own.FOLLOWED)
    return found


def _charging(params: Params, state: Solved, index: int) -> float:
    """Current that a synchronous rectifier's capacitance draws from the bank at the switch's turn-on [A].

    What its voltage rings beyond its plateau, a quarter of a swing before, over leakage's and capacitance's impedance.
    A diode's is left out: its capacitance is several times less.
    """
    one, primary = params.secondaries[index], params.primary
    ratio, capacitance = primary.ideal_ratio(one.winding), place_capacitance(one.rectifier)
    beyond = state.on.other_peak - held_voltage(params, state.voltages[0])
    beyond -= state.on_voltage * primary.magnetising_inductance / primary.primary_inductance
    impedance = math.sqrt(primary.leakage_inductance / capacitance) / ratio
    return max(beyond, 0.0) / ratio / impedance * math.exp(0.25 * math.pi / params.strays.loop_quality)


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
    device, gap = one.choke.designator, widened(own.FILTERED, many, own.SHARED)
    small = widened(own.PEAK, many * half / mean + (0.02 if index else 0.0), own.SHARED)
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


def _ring_behind_clamp(params: Params, state: Solved) -> float:
    """own.RMS over the period of the leakage's ringing with the drain as the clamp lets go, seen by the primary [A]."""
    leakage, capacitance = params.primary.leakage_inductance, switch_capacitance(params)
    quality = leakage_damping(params) / math.sqrt(leakage / capacitance)
    ahead = state.clamp.after - state.reflected
    return math.sqrt(gaps.ringing_square(ahead, capacitance, leakage, quality) / state.cycle.period)


def edges_of(params: Params, state: Solved) -> float:
    """Switching time over the shortest piece."""
    return params.strays.switching_time / min(state.cycle.rise_time, state.cycle.fall_time)
