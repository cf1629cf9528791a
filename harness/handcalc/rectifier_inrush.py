"""Switch-on by hand: inrush at every angle, restarts, the relay's closing, the X capacitors' spike.

Inrush goes step by step (``inrush``), since the thermistor's resistance falls while it absorbs the charge.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np

from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.inrush import Inrush, Loop, inrush_course
from harness.handcalc.inrush import prepare as prepare_courses
from harness.handcalc.rectifier_path import (
    REPRESENTATIVE_CURRENT,
    SMALL_CURRENT,
    SMALL_I2T,
    Key,
    bulk_lumped,
    diodes,
    path,
    relay_closed,
    source,
    start_temperature,
)
from harness.handcalc.rectifier_running import running_line_current, steady
from netlists.formulas import (
    ntc_resistance,
    ntc_self_heating,
    step_peak_current,
)
from netlists.point import Condition
from netlists.stages.rectifier_bulk import Params

STEPS = "step by step: source = L di/dt + R i + thermistor + diodes + bulk, thermistor heated by its loss"
LAST_CHARGE = "last charge over a crest, or (crest - diodes - bulk) / resistance without the thermistor"
STEP_RESPONSE = "series R, L, C on a step of the line's crest, closed form"
CHARGED_RISE = 5e-3  # of the source's peak: what is left after that adds nothing to peak or I2t
SETTLED_RISE = 1e-3  # of the source's peak: the charge after which inrush is over
CREST_TIME = 1e-3  # of the last charges; only their order counts [s]
ANGLES = tuple(math.radians(degrees) for degrees in range(0, 180, 5))


def inrush(
    params: Params, condition: Condition, names: Mapping[str, str], bulk_start: float = 0.0
) -> dict[Key, Expectation]:
    """Inrush at the worst switch-on angle of each metric, the load off."""
    course = inrush_by_angle(params, condition, bulk_start)
    peak_current, i2t, highest = (float(np.max(values)) for values in (course.peak, course.i2t, course.bulk))
    rectifier = params.rectifier
    device = names["rectifier"]
    # blocking: the bulk on one of two diodes of a bridge, bulk and line on the only one of a half wave
    reverse = highest + source(condition)[0] if params.feed == "half_wave" else highest
    shares = rectifier.parallel
    straight = "straight-line diodes, steps of a two-hundredth of a half period"
    flow, squared = Difference(-0.03, 0.03, straight), Difference(-0.05, 0.05, straight)
    crest = Difference(-0.02, 0.02, "straight-line diodes do not let the last volt through")
    expected = {
        ("inrush_peak", "line"): (peak_current, "A", flow),
        ("inrush_i2t", names.get("fuse", "line")): (i2t, "A2s", squared),
        ("rectifier_surge_peak", device): (peak_current / shares, "A", flow),
        ("rectifier_surge_i2t", device): (i2t / shares**2, "A2s", squared),
        ("diode_reverse_peak", device): (reverse, "V", crest),
    }
    for bank in params.bulk:
        expected["bulk_voltage_peak", bank.designator] = (highest / bank.series, "V", crest)
    if params.thermistor is not None:
        name, warmest = names["inrush_limiter"], float(np.max(course.warm))
        heat = (
            (warmest - start_temperature(condition))
            * params.thermistor.dissipation_constant
            * params.thermistor.time_constant
        )
        warmed = Difference(-0.05, 0.05, "the loss to the air while it absorbs is left out")
        expected["thermistor_energy", name] = (heat, "J", warmed)
        expected["thermistor_temperature", name] = (warmest, "degC", warmed)
    return {key: Expectation(value, unit, STEPS, gap) for key, (value, unit, gap) in expected.items()}


def inrush_by_angle(params: Params, condition: Condition, bulk_start: float = 0.0) -> Inrush:
    """Inrush at every switch-on angle, until it has settled."""
    return inrush_course(_loop(params, condition, bulk_start), _settled(condition))


def _settled(condition: Condition) -> float:
    """Rise of the bulk in a half period [V] below which inrush is over."""
    return SETTLED_RISE * source(condition)[0]


def inrush_duration(params: Params, condition: Condition, rise: float, bulk_start: float = 0.0) -> float:
    """Time [s] until a half period adds less than ``rise`` of the source's peak."""
    return inrush_by_angle(params, condition, bulk_start).duration(rise * source(condition)[0])


def prepare(study: str, situations: Sequence[tuple[Params, Condition]]) -> None:
    """Calculates the inrush of many situations side by side, so that each one's own calculation finds it done."""
    if study not in ("inrush", "hot_restart", "held_relay", "relay_closing"):
        return
    asked: list[tuple[Loop, float]] = []
    for params, condition in situations:
        if study != "held_relay":
            asked.append((_loop(params, condition, 0.0), _settled(condition)))
        elif params.relay is not None:
            loop = _loop(relay_closed(params), condition, params.undervoltage_cutoff)
            asked.append((loop, _settled(condition)))
    prepare_courses(asked)


def restart(study: str, params: Params, condition: Condition, names: Mapping[str, str]) -> dict[Key, Expectation]:
    """Line back after a short loss: thermistor still hot, or relay still closed; names begin with the study's."""
    if study == "held_relay":
        course = inrush_by_angle(relay_closed(params), condition, params.undervoltage_cutoff)
    else:
        course = inrush_by_angle(params, condition)
    peak, i2t = float(np.max(course.peak)), float(np.max(course.i2t))
    if peak == 0.0:  # the bulk stays above the crest: nothing flows
        return {}
    straight = "straight-line diodes, steps of a two-hundredth of a half period"
    flow, squared = Difference(-0.04, 0.04, straight), Difference(-0.06, 0.06, straight)
    current = partial(Expectation, unit="A", source=STEPS, difference=flow, floor=SMALL_CURRENT)
    expected = {
        (f"{study}_peak", "line"): current(peak),
        (f"{study}_i2t", names.get("fuse", "line")): Expectation(i2t, "A2s", STEPS, squared, floor=SMALL_I2T),
        (f"{study}_surge_peak", names["rectifier"]): current(peak / params.rectifier.parallel),
    }
    if study == "held_relay":
        expected[f"{study}_contact_peak", names["bypass_relay"]] = current(peak)
    return expected


def relay_closing(params: Params, condition: Condition, names: Mapping[str, str]) -> dict[Key, Expectation]:
    """Second peak when the relay shorts the thermistor, the load still off.

    Next to nothing flows where inrush was over before the relay's delay: the last charge at every crest. Otherwise what
    was left by then stands across line, diodes and ESR: a difference of nearly equal voltages, so it is rough.
    """
    if params.relay is None or condition.supply == "dc":
        return {}
    course = inrush_by_angle(params, condition)
    half_periods = int(params.relay.closing_delay / course.half_period)
    capacitance, _ = bulk_lumped(params)
    peak = capacitance * course.rises[-1] / CREST_TIME
    if half_periods < len(course.rises):
        held = relay_closed(params)
        resistance, _ = path(held)
        _, esr = bulk_lumped(held)
        threshold, slope = diodes(held, SMALL_CURRENT)
        left = source(condition)[0] - threshold - sum(course.rises[:half_periods])
        peak = max(left, 0.0) / (resistance + esr + slope)
    rough = Difference(-0.8, 0.5, "the difference of two voltages that are nearly the crest")
    expected = Expectation(peak, "A", LAST_CHARGE, rough, floor=SMALL_CURRENT)
    return {("relay_closing_peak", "line"): expected, ("relay_closing_contact", names["bypass_relay"]): expected}


def relay_late(params: Params, condition: Condition, names: Mapping[str, str]) -> dict[Key, Expectation]:
    """Second peak where the load runs before the relay closes, which a boost corrector does not let happen here.

    At worst the relay closes at the crest while the bulk stands at the lowest it reaches with the thermistor still cold
    in the line, or at the cut-off: the step response of line and bulk on their difference bounds it.
    """
    if params.relay is None or params.feed == "boosted" or condition.supply == "dc":
        return {}
    cold = _cold_resistance(params, condition)
    slow = dataclasses.replace(params, relay=None, thermistor=None, line_resistance=params.line_resistance + cold)
    try:
        trough = max(steady(slow, condition).trough, params.undervoltage_cutoff)
    except ArithmeticError:  # the load does not run through a cold thermistor: it hiccups at its cut-off
        trough = params.undervoltage_cutoff
    held = relay_closed(params)
    resistance, inductance = path(held)
    capacitance, esr = bulk_lumped(held)
    threshold, slope = diodes(held, SMALL_CURRENT)
    left = max(source(condition)[0] - threshold - trough, 0.0)
    peak = step_peak_current(left, resistance + esr + slope, inductance, capacitance)
    bound = Difference(-0.95, 0.1, "a bound: the thermistor warms meanwhile, and the trough is not at the crest")
    expected = Expectation(peak, "A", STEP_RESPONSE, bound, floor=SMALL_CURRENT)
    return {("relay_late_peak", "line"): expected, ("relay_late_contact", names["bypass_relay"]): expected}


def _cold_resistance(params: Params, condition: Condition) -> float:
    """The thermistor's resistance at switch-on [ohm]."""
    t = params.thermistor
    return 0.0 if t is None else ntc_resistance(t.resistance_25, t.b_value, start_temperature(condition))


def hottest_before_restart(params: Params, running: Condition, starting: Condition) -> float:
    """Thermistor temperature [degC] when the line comes back: as it ran, or as inrush left it behind a relay."""
    if params.thermistor is None:
        return starting.ambient
    if params.relay is not None:
        return float(np.max(inrush_by_angle(params, starting).warm))
    t = params.thermistor
    current = running_line_current(params, running)
    return ntc_self_heating(t.resistance_25, t.b_value, t.dissipation_constant, running.ambient, current)


def x_capacitor_spike(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Peak current into the X capacitors, the line closed at its crest: R, L and C in series on a step.

    i(t) = V / (w L) exp(-a t) sin(w t) with a = R / 2L, w^2 = 1 / LC - a^2, largest at tan(w t) = w / a; the
    hyperbolic functions where a^2 > 1 / LC.
    """
    if params.x_capacitance is None:
        return {}
    peak, _ = source(condition)
    value = step_peak_current(peak, params.line_resistance, params.line_inductance, params.x_capacitance)
    gap = Difference(-0.03, 0.03, "the choke beside the capacitor's path and the damping resistor are left out")
    return {("x_capacitor_spike", "line"): Expectation(value, "A", STEP_RESPONSE, gap)}


def _loop(params: Params, condition: Condition, bulk_start: float) -> Loop:
    peak, frequency = source(condition)
    resistance, inductance = path(params)
    capacitance, esr = bulk_lumped(params)
    start = start_temperature(condition)
    t = params.thermistor
    cold = _cold_resistance(params, condition)
    # what resistance and the surge impedance of inductance and bulk let through, both counted in full
    estimate = 0.8 * peak / (resistance + cold + esr + math.sqrt(inductance / capacitance))
    threshold, slope = diodes(params, REPRESENTATIVE_CURRENT * estimate)
    loop = Loop(
        peak,
        frequency,
        params.feed != "half_wave",
        resistance + slope + esr,
        inductance,
        threshold,
        capacitance,
        esr,
        angles=(math.pi / 2,) if condition.supply == "dc" else ANGLES,
        ambient=condition.ambient,
        thermistor_start=start,
        bulk_start=bulk_start,
    )
    if params.bypass_diode is None and params.boost_choke is not None:
        choke = params.boost_choke
        loop = dataclasses.replace(
            loop, choke=choke.inductance / choke.parallel, saturated_choke=choke.saturated_inductance / choke.parallel,
            choke_knee=choke.saturation_current * choke.parallel,
        )  # fmt: skip
    if t is None:
        return loop
    return dataclasses.replace(
        loop, r25=t.resistance_25, b_value=t.b_value, dissipation=t.dissipation_constant,
        heat_capacity=t.dissipation_constant * t.time_constant,
    )  # fmt: skip
