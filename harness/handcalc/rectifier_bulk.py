"""Hand calculation of the rectifier and bulk stage: line ripple, inrush, hold-up, from the parts as found.

Lumps the parts itself, solves the pieces of ``conduction`` and the energy balance; never sees a waveform. Assumes
straight-line diodes, a thermistor at one temperature a calculation, and a load that is a straight line about the mean
bulk voltage; the declared differences come from these three.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy import trapezoid

from harness.contracts import FloatArray
from harness.handcalc.conduction import Circuit, Course, steady_period
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.inrush import Inrush, Loop, inrush_course
from harness.handcalc.inrush import prepare as prepare_courses
from netlists.formulas import (
    diode_saturation_current,
    diode_tangent,
    holdup_time,
    ntc_resistance,
    ntc_self_heating,
    step_peak_current,
)
from netlists.point import Condition
from netlists.stages.rectifier_bulk import SILICON_EMISSION, Params

PIECES = "conduction and blocking pieces in closed form (method of Schade, Proc. IRE 31, 1943)"
STEPS = "step by step: source = L di/dt + R i + thermistor + diodes + bulk, thermistor heated by its loss"
LAST_CHARGE = "(crest - diodes - bulk) / resistance without the thermistor"
STEP_RESPONSE = "series R, L, C on a step of the line's crest, closed form"
POWER_BALANCE = "sine in phase with the line: P / (w C V) (Erickson, Maksimovic, ch. 18), ESR in quadrature"
SMALL_CURRENT = 5.0  # what a restart or closing below it does to line, contact and diodes needs no calculation [A]
SMALL_I2T = 0.05  # the same for a fuse [A2s]
CORRECTOR_EFFICIENCY = (
    0.95  # of a boost corrector at low line, for the heat of a thermistor; common practice, no source
)
UNCORRECTED_POWER_FACTOR = 0.6  # of a capacitor-input supply; common practice, no source
BALANCE = "energy balance C (v0^2 - v1^2) / 2 = p t (Erickson, Maksimovic, ch. 18)"
TROUGH_GAP = 0.01  # difference to expect in the trough

Key = tuple[str, str]  # metric, subject
CHARGED_RISE = 5e-3  # of the source's peak: what is left after that adds nothing to peak or I2t
SETTLED_RISE = 1e-3  # of the source's peak: the charge after which inrush is over
REPRESENTATIVE_CURRENT = 0.7  # of the peak: where the straight line touches the diode's curve
COLLAPSED = 0.2  # of the source's peak: no converter runs from so little
ROUNDS = 4  # of load, diode and thermistor found from each other; changes are below 1e-4 by then
ANGLES = tuple(math.radians(degrees) for degrees in range(0, 180, 5))


@dataclass(frozen=True, slots=True)
class Steady:
    """The settled line side: one course of a charge and a discharge, and what the simulation starts from."""

    course: Course
    start_angle: float
    thermistor_temperature: float
    capacitance: float
    esr: float
    bus_power: float

    def bulk_at_line_zero(self, line_frequency: float) -> float:
        """Bulk voltage [V] where the line crosses zero after the charge: where a simulation starts."""
        if line_frequency == 0:
            return float(self.course.bulk[0])
        seconds = (math.pi - self.start_angle) / (2 * math.pi * line_frequency)
        return float(np.interp(seconds, self.course.time, self.course.bulk))

    @property
    def trough(self) -> float:
        """Lowest bulk voltage [V]."""
        return float(np.min(self.course.bulk))


def bulk_lumped(params: Params) -> tuple[float, float]:
    """Capacitance [F] and ESR [ohm] of all banks together; exact for equal time constants, close for others."""
    capacitance = sum(bank.capacitance * bank.parallel / bank.series for bank in params.bulk)
    conductance = sum(bank.parallel / (bank.esr * bank.series) for bank in params.bulk)
    return capacitance, 1 / conductance


def path(params: Params) -> tuple[float, float]:
    """Resistance [ohm] and inductance [H] from source to rectifier without the thermistor."""
    resistance = params.line_resistance + (params.fuse_resistance or 0.0) + (params.choke_resistance or 0.0)
    return resistance, params.line_inductance + (params.choke_inductance or 0.0)


def diodes(params: Params, current: float) -> tuple[float, float]:
    """Threshold [V] and resistance [ohm] of all diodes in the path, straight line at a path current [A].

    A boosted feed adds its bypass diode, or where it has none the boost diodes, and the chokes' windings with them.
    """
    r = params.rectifier
    saturation = diode_saturation_current(
        r.forward_voltage, r.forward_test_current, r.slope_resistance, r.emission_coefficient
    )
    share = max(current / r.parallel, 1e-6)
    threshold, slope = diode_tangent(share, saturation, r.slope_resistance, r.emission_coefficient)
    number = 1 if params.feed == "half_wave" else 2
    threshold, slope = number * threshold, number * slope / r.parallel
    further = params.bypass_diode or params.boost_diode
    if params.feed == "boosted" and further is not None:
        saturation = diode_saturation_current(
            further.forward_voltage, further.forward_test_current, further.slope_resistance, SILICON_EMISSION
        )
        share = max(current / further.parallel, 1e-6)
        more, steeper = diode_tangent(share, saturation, further.slope_resistance, SILICON_EMISSION)
        threshold, slope = threshold + more, slope + steeper / further.parallel
        if params.bypass_diode is None and params.boost_choke is not None:
            slope += params.boost_choke.winding_resistance / params.boost_choke.parallel
    return threshold, slope


def source(condition: Condition) -> tuple[float, float]:
    """Peak [V] and frequency [Hz] of the source; a dc supply has frequency 0."""
    if condition.supply == "dc":
        return condition.line_voltage, 0.0
    return condition.line_voltage * math.sqrt(2), condition.line_frequency


def series_thermistor(params: Params, condition: Condition, current_rms: float) -> tuple[float, float]:
    """Resistance [ohm] in running operation and temperature [degC] of the thermistor; a closed relay shorts it."""
    if params.thermistor is None:
        return 0.0, condition.ambient
    if params.relay is not None:
        return params.relay.contact_resistance, condition.ambient
    t = params.thermistor
    warm = ntc_self_heating(t.resistance_25, t.b_value, t.dissipation_constant, condition.ambient, current_rms)
    return ntc_resistance(t.resistance_25, t.b_value, warm), warm


def bus_power(params: Params, condition: Condition, bulk: float) -> float:
    """Power drawn from the bulk [W] at a bulk voltage [V]."""
    if params.load == "resistance" and params.load_resistance is not None:
        return bulk**2 / params.load_resistance
    return condition.output_power / params.converter_efficiency


def relevant(study: str, params: Params, condition: Condition) -> tuple[Params, Condition]:
    """Parameters and condition with all that a study's hand calculation does not read at fixed values.

    Two situations that are equal after this have the same hand calculation.
    """
    if study in ("hot_restart", "held_relay", "x_capacitor"):  # few inputs, or a start made from nearly all of them
        return params, condition
    params = dataclasses.replace(params, undervoltage_cutoff=1.0, undervoltage_restart=2.0)
    if study == "inrush":
        params = dataclasses.replace(params, converter_efficiency=1.0, holdup_end_voltage=1.0)
        return params, dataclasses.replace(condition, output_power=0.0)
    if study == "line_ripple":
        params = dataclasses.replace(params, holdup_end_voltage=1.0)
    if params.thermistor is not None:
        params = dataclasses.replace(params, thermistor=dataclasses.replace(params.thermistor, time_constant=1.0))
    return params, condition


def steady(params: Params, condition: Condition) -> Steady:
    """Settled operation on the line at this condition.

    Raises
    ------
    ArithmeticError : no settled operation: the bulk collapses under its load
    """
    peak, frequency = source(condition)
    if frequency == 0:
        return _steady_direct(params, condition)
    resistance, inductance = path(params)
    capacitance, esr = bulk_lumped(params)
    mean, top = 0.93 * peak, 4 * bus_power(params, condition, peak) / peak
    current_rms = bus_power(params, condition, peak) / peak
    load = _touching_load(params, condition, mean)
    for _ in range(ROUNDS):
        limiter, warm = series_thermistor(params, condition, current_rms)
        threshold, slope = diodes(params, REPRESENTATIVE_CURRENT * top)
        circuit = Circuit(
            peak, frequency, params.feed == "bridge", resistance + limiter + slope, inductance, threshold,
            capacitance, esr, *load,
        )  # fmt: skip
        course, start_angle = steady_period(circuit, 0.97 * peak)
        if np.min(course.bulk) < COLLAPSED * peak:
            raise ArithmeticError("the bulk collapses under its load")
        mean, top = _mean(course.time, course.bulk), float(np.max(course.current))
        current_rms = _rms(course.time, course.current)
        load = _fitted_load(params, condition, course)
    return Steady(course, start_angle, warm, capacitance, esr, bus_power(params, condition, mean))


def _steady_direct(params: Params, condition: Condition) -> Steady:
    """A dc supply: no ripple; the bulk is the supply less all drops."""
    resistance, _ = path(params)
    capacitance, esr = bulk_lumped(params)
    bulk = condition.line_voltage
    warm = condition.ambient
    for _ in range(50):
        current = bus_power(params, condition, bulk) / bulk
        limiter, warm = series_thermistor(params, condition, current)
        threshold, slope = diodes(params, current)
        bulk = condition.line_voltage - threshold - (resistance + limiter + slope) * current
        if bulk <= 0:
            raise ArithmeticError("the bulk collapses under its load")
    course = Course(np.array([0.0, 1e-3]), np.full(2, current), np.full(2, bulk), np.full(2, current))
    return Steady(course, 0.0, warm, capacitance, esr, bus_power(params, condition, bulk))


def _touching_load(params: Params, condition: Condition, mean: float) -> tuple[float, float]:
    """Constant current [A] and conductance [S] of the line that touches the load's curve at a bulk voltage [V]."""
    if params.load == "resistance" and params.load_resistance is not None:
        return 0.0, 1 / params.load_resistance
    power = condition.output_power / params.converter_efficiency
    return 2 * power / mean, -power / mean**2


def _fitted_load(params: Params, condition: Condition, course: Course) -> tuple[float, float]:
    """The line closest to the load's curve over a course, by least squares over time, not over points."""
    if params.load == "resistance" and params.load_resistance is not None:
        return 0.0, 1 / params.load_resistance
    power = condition.output_power / params.converter_efficiency
    weights = np.sqrt(np.gradient(course.time).clip(min=0.0))
    slope, constant = np.polyfit(course.bulk, power / course.bulk, 1, w=weights)
    return float(constant), float(slope)


def line_ripple(params: Params, condition: Condition, names: Mapping[str, str]) -> dict[Key, Expectation]:
    """Bulk ripple and currents on the line at full load.

    Parameters
    ----------
    names : role -> designator, as the metrics name their subjects
    """
    if params.feed == "boosted":
        return _regulated_ripple(params, condition)
    settled = steady(params, condition)
    course, rectifier = settled.course, params.rectifier
    shares = rectifier.parallel
    straight = "load and diodes are straight lines here"
    average, root = _mean(course.time, course.current), _rms(course.time, course.current)
    top = float(np.max(course.current))
    if params.feed == "half_wave" or rectifier.package == "bridge":
        device_average, device_rms = average / shares, root / shares
    else:  # a single diode of a bridge carries every second charge
        device_average, device_rms = average / shares / 2, root / shares / math.sqrt(2)
    capacitor_rms = _rms(course.time, course.current - course.load)
    device = names["rectifier"]
    expected = {
        ("bulk_ripple", "bulk"): (float(np.ptp(course.bulk)), "V", Difference(-0.03, 0.03, straight)),
        ("bulk_voltage_trough", "bulk"): (settled.trough, "V", Difference(-TROUGH_GAP, TROUGH_GAP, straight)),
        ("rectifier_current_average", device): (device_average, "A", Difference(-0.02, 0.02, straight)),
        ("rectifier_current_rms", device): (device_rms, "A", Difference(-0.03, 0.03, straight)),
        ("rectifier_current_peak", device): (top / shares, "A", Difference(-0.04, 0.04, straight)),
        ("line_current_rms", "line"): (root, "A", Difference(-0.03, 0.03, straight)),
    }
    if params.thermistor is not None and params.relay is None:
        expected["thermistor_current_rms", names["inrush_limiter"]] = (root, "A", Difference(-0.03, 0.03, straight))
    for bank in params.bulk:
        share = bank.capacitance / bank.series / settled.capacitance  # of the current into one can, by capacitance
        value = capacitor_rms * share
        expected["bulk_can_current_rms", bank.designator] = (value, "A", Difference(-0.04, 0.04, straight))
    return {key: Expectation(value, unit, PIECES, gap) for key, (value, unit, gap) in expected.items()}


def holdup(params: Params, condition: Condition) -> dict[Key, Expectation]:
    """Hold-up from the trough of the ripple; the loss in the ESR is added to the power drawn."""
    if params.feed == "boosted":
        return _regulated_holdup(params, condition)
    settled = steady(params, condition)
    power, stop = settled.bus_power, params.holdup_end_voltage
    if settled.trough <= stop:
        seconds = 0.0
    elif params.load == "resistance" and params.load_resistance is not None:
        seconds = settled.capacitance * (params.load_resistance + settled.esr) * math.log(settled.trough / stop)
    else:
        middle = power / (0.5 * (settled.trough + stop))
        v_start = settled.trough + settled.esr * power / settled.trough
        v_stop = stop + settled.esr * power / stop
        seconds = holdup_time(settled.capacitance, v_start, v_stop, power + settled.esr * middle**2)
    gap = holdup_gap(settled.trough, stop)
    return {("holdup_time", "bulk"): Expectation(seconds, "s", BALANCE, gap)}


def regulated_swing(params: Params, condition: Condition) -> tuple[float, float]:
    """Bulk ripple [V, peak to peak] and lowest bulk voltage [V] behind a boost corrector that draws a sine.

    Energy: C (v_c^2 - V^2) / 2 = -P sin(2 w t) / 2w, so v_c swings between sqrt(V^2 -+ P / w C); the ESR's drop stands
    at a right angle to it.
    """
    power = condition.output_power / params.converter_efficiency
    capacitance, esr = bulk_lumped(params)
    setpoint = params.bus_setpoint or math.nan
    omega = 2 * math.pi * condition.line_frequency
    swing = power / (omega * capacitance)
    low, high = math.sqrt(max(setpoint**2 - swing, 0.0)), math.sqrt(setpoint**2 + swing)
    stretched = math.hypot(1.0, 2 * omega * capacitance * esr)
    return (high - low) * stretched, setpoint - (setpoint - low) * stretched


def _regulated_ripple(params: Params, condition: Condition) -> dict[Key, Expectation]:
    ripple, trough = regulated_swing(params, condition)
    power = condition.output_power / params.converter_efficiency
    capacitance, _ = bulk_lumped(params)
    small = "the ripple is taken as small against the bus where the ESR's share is added"
    expected = {
        ("bulk_ripple", "bulk"): Expectation(ripple, "V", POWER_BALANCE, Difference(-0.02, 0.02, small)),
        ("bulk_voltage_trough", "bulk"): Expectation(trough, "V", POWER_BALANCE, Difference(-0.005, 0.005, small)),
    }
    for bank in params.bulk:
        current = (
            power / ((params.bus_setpoint or math.nan) * math.sqrt(2)) * bank.capacitance / bank.series / capacitance
        )
        expected["bulk_can_current_rms", bank.designator] = Expectation(
            current, "A", POWER_BALANCE, Difference(-0.02, 0.02, small)
        )
    return expected


def _regulated_holdup(params: Params, condition: Condition) -> dict[Key, Expectation]:
    _, trough = regulated_swing(params, condition)
    power, stop = condition.output_power / params.converter_efficiency, params.holdup_end_voltage
    capacitance, esr = bulk_lumped(params)
    middle = power / (0.5 * (trough + stop))
    v_start, v_stop = trough + esr * power / trough, stop + esr * power / stop
    seconds = holdup_time(capacitance, v_start, v_stop, power + esr * middle**2)
    expectation = Expectation(seconds, "s", BALANCE, holdup_gap(trough, stop))
    return {("holdup_time", "bulk"): expectation}


def holdup_gap(v_start: float, v_stop: float) -> Difference:
    """What the trough's own allowed difference does to hold-up: it weighs more, the closer trough and end are."""
    reason = f"the trough's own {TROUGH_GAP:.0%}, through the energy balance"
    if v_start <= v_stop * (1 + TROUGH_GAP):
        return Difference(-1.0, math.inf, "the trough lies within its own difference of the end voltage")
    gap = 2 * TROUGH_GAP * v_start**2 / (v_start**2 - v_stop**2)
    return Difference(-min(gap, 1.0), gap, reason)


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
        heat = (warmest - _start(condition)) * params.thermistor.dissipation_constant * params.thermistor.time_constant
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
    loops: dict[float, list[Loop]] = {}
    for params, condition in situations:
        if study != "held_relay":
            loops.setdefault(_settled(condition), []).append(_loop(params, condition, 0.0))
        elif params.relay is not None:
            loop = _loop(_held(params), condition, params.undervoltage_cutoff)
            loops.setdefault(_settled(condition), []).append(loop)
    for rise, together in loops.items():
        prepare_courses(together, rise)


def _held(params: Params) -> Params:
    """The parts as they stand with the relay closed: its contact in place of the thermistor."""
    contact = params.relay.contact_resistance if params.relay is not None else 0.0
    return dataclasses.replace(params, thermistor=None, relay=None, line_resistance=params.line_resistance + contact)


def _start(condition: Condition) -> float:
    """Thermistor temperature at switch-on [degC]."""
    return condition.ambient if condition.thermistor_start is None else condition.thermistor_start


def restart(study: str, params: Params, condition: Condition, names: Mapping[str, str]) -> dict[Key, Expectation]:
    """Line back after a short loss: thermistor still hot, or relay still closed; names begin with the study's."""
    if study == "held_relay":
        course = inrush_by_angle(_held(params), condition, params.undervoltage_cutoff)
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

    The bulk is where inrush through the thermistor left it; at the next crest, what is left to charge stands across
    line, diodes and ESR. That is the difference of two voltages that are nearly the crest, so it is rough.
    """
    if params.relay is None or condition.supply == "dc":
        return {}
    bulk = float(np.min(inrush_by_angle(params, condition).bulk))
    held = _held(params)
    resistance, _ = path(held)
    _, esr = bulk_lumped(held)
    threshold, slope = diodes(held, SMALL_CURRENT)
    peak = max(source(condition)[0] - threshold - bulk, 0.0) / (resistance + esr + slope)
    rough = Difference(-0.5, 1.0, "the difference of two voltages that are nearly the crest")
    return {
        ("relay_closing_peak", "line"): Expectation(peak, "A", LAST_CHARGE, rough, floor=SMALL_CURRENT),
        ("relay_making_current", names["bypass_relay"]): Expectation(
            peak, "A", LAST_CHARGE, rough, floor=SMALL_CURRENT
        ),
    }


def hottest_before_restart(params: Params, running: Condition, starting: Condition) -> float:
    """Thermistor temperature [degC] when the line comes back: as it ran, or as inrush left it behind a relay."""
    if params.thermistor is None:
        return starting.ambient
    if params.relay is not None:
        return float(np.max(inrush_by_angle(params, starting).warm))
    t = params.thermistor
    current = running_line_current(params, running)
    return ntc_self_heating(t.resistance_25, t.b_value, t.dissipation_constant, running.ambient, current)


def running_line_current(params: Params, condition: Condition) -> float:
    """Line current in running operation [A RMS]: in phase behind a corrector, else settled, else by a power factor."""
    power = condition.output_power / params.converter_efficiency
    if params.feed == "boosted":
        return power / CORRECTOR_EFFICIENCY / condition.line_voltage
    try:
        course = steady(params, condition).course
    except ArithmeticError:  # it does not run there: what it would draw if it did
        return power / (UNCORRECTED_POWER_FACTOR * condition.line_voltage)
    return _rms(course.time, course.current)


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
    start = _start(condition)
    t = params.thermistor
    cold = 0.0 if t is None else ntc_resistance(t.resistance_25, t.b_value, start)
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


def _mean(time: FloatArray, values: FloatArray) -> float:
    return float(trapezoid(values, time) / (time[-1] - time[0]))


def _rms(time: FloatArray, values: FloatArray) -> float:
    return math.sqrt(_mean(time, values**2))
