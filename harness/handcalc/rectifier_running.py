"""Running operation by hand: bulk ripple, currents, hold-up, from the line or behind a boost corrector.

Solves the pieces of ``conduction`` and the energy balance. Assumes straight-line diodes, a thermistor at one
temperature, and a load that is a straight line over the ripple; the declared differences come from these three.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from harness.handcalc.conduction import Circuit, Course, steady_period
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.rectifier_path import (
    REPRESENTATIVE_CURRENT,
    Key,
    bulk_lumped,
    bus_power,
    diodes,
    mean_of,
    path,
    rms_of,
    series_thermistor,
    source,
)
from netlists.formulas import (
    bus_ripple_boosted,
    holdup_time,
)
from netlists.point import Condition
from netlists.stages.rectifier_bulk import Params

PIECES = "conduction and blocking pieces in closed form (method of Schade, Proc. IRE 31, 1943)"
POWER_BALANCE = "sine in phase with the line: P / (w C V) (Erickson, Maksimovic, ch. 18), ESR in quadrature"
BALANCE = "energy balance C (v0^2 - v1^2) / 2 = p t (Erickson, Maksimovic, ch. 18)"
TROUGH_GAP = 0.01  # difference to expect in the trough
COLLAPSED = 0.2  # of the source's peak: no converter runs from so little
ROUNDS = 4  # of load, diode and thermistor found from each other; changes are below 1e-4 by then
CORRECTOR_EFFICIENCY = (
    0.95  # of a boost corrector at low line, for the heat of a thermistor; common practice, no source
)
UNCORRECTED_POWER_FACTOR = 0.6  # of a capacitor-input supply; common practice, no source


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
        mean, top = mean_of(course.time, course.bulk), float(np.max(course.current))
        current_rms = rms_of(course.time, course.current)
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
    average, root = mean_of(course.time, course.current), rms_of(course.time, course.current)
    top = float(np.max(course.current))
    if params.feed == "half_wave" or rectifier.package == "bridge":
        device_average, device_rms = average / shares, root / shares
    else:  # a single diode of a bridge carries every second charge
        device_average, device_rms = average / shares / 2, root / shares / math.sqrt(2)
    capacitor_rms = rms_of(course.time, course.current - course.load)
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
    if condition.supply == "dc":  # a dc supply leaves no ripple and no current in the bulk
        expected = {
            key: value for key, value in expected.items() if key[0] not in ("bulk_ripple", "bulk_can_current_rms")
        }
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
    low = math.sqrt(max(setpoint**2 - swing, 0.0))
    stretched = math.hypot(1.0, 2 * omega * capacitance * esr)
    ripple = bus_ripple_boosted(power, condition.line_frequency, capacitance, setpoint)
    return ripple * stretched, setpoint - (setpoint - low) * stretched


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
    # at the trough corrector and load carry the same current, so none flows in the ESR yet; at the end all does
    v_stop = stop + esr * power / stop
    seconds = holdup_time(capacitance, trough, v_stop, power + esr * middle**2)
    expectation = Expectation(seconds, "s", BALANCE, holdup_gap(trough, stop))
    return {("holdup_time", "bulk"): expectation}


def holdup_gap(v_start: float, v_stop: float) -> Difference:
    """What the trough's own allowed difference does to hold-up: it weighs more, the closer trough and end are."""
    reason = f"the trough's own {TROUGH_GAP:.0%}, through the energy balance"
    if v_start <= v_stop * (1 + TROUGH_GAP):
        return Difference(-1.0, math.inf, "the trough lies within its own difference of the end voltage")
    gap = 2 * TROUGH_GAP * v_start**2 / (v_start**2 - v_stop**2)
    return Difference(-min(gap, 1.0), gap, reason)


def relay_stuck(params: Params, condition: Condition, names: Mapping[str, str]) -> dict[Key, Expectation]:
    """Current of the thermistor in running operation where its relay never closes; not with a boost corrector, whose
    line side is not simulated while it runs."""
    if params.relay is None or params.feed == "boosted":
        return {}
    course = steady(dataclasses.replace(params, relay=None), condition).course
    straight = Difference(-0.03, 0.03, "load and diodes are straight lines here")
    value = rms_of(course.time, course.current)
    return {("stuck_relay_current", names["inrush_limiter"]): Expectation(value, "A", PIECES, straight)}


def running_line_current(params: Params, condition: Condition) -> float:
    """Line current in running operation [A RMS]: in phase behind a corrector, else settled, else by a power factor."""
    power = condition.output_power / params.converter_efficiency
    if params.feed == "boosted":
        return power / CORRECTOR_EFFICIENCY / condition.line_voltage
    try:
        course = steady(params, condition).course
    except ArithmeticError:  # it does not run there: what it would draw if it did
        return power / (UNCORRECTED_POWER_FACTOR * condition.line_voltage)
    return rms_of(course.time, course.current)
