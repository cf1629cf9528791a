"""How the rectifier and bulk stage's parts are lumped for hand calculation; the netlist does its own lumping."""

from __future__ import annotations

import dataclasses
import math

from numpy import trapezoid

from harness.contracts import FloatArray
from netlists.formulas import (
    SILICON_EMISSION,
    diode_saturation_current,
    diode_tangent,
    ntc_resistance,
    ntc_self_heating,
)
from netlists.point import Condition
from netlists.stages.rectifier_bulk import Params

REPRESENTATIVE_CURRENT = 0.7  # of the peak: where the straight line touches the diode's curve
SMALL_CURRENT = 5.0  # what a restart or closing below it does to line, contact and diodes needs no calculation [A]
SMALL_I2T = 0.05  # the same for a fuse [A2s]
Key = tuple[str, str]  # metric, subject


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


def relay_closed(params: Params) -> Params:
    """The parts as they stand with the relay closed: its contact in place of the thermistor."""
    contact = params.relay.contact_resistance if params.relay is not None else 0.0
    return dataclasses.replace(params, thermistor=None, relay=None, line_resistance=params.line_resistance + contact)


def start_temperature(condition: Condition) -> float:
    """Thermistor temperature at switch-on [degC]."""
    return condition.ambient if condition.thermistor_start is None else condition.thermistor_start


def mean_of(time: FloatArray, values: FloatArray) -> float:
    return float(trapezoid(values, time) / (time[-1] - time[0]))


def rms_of(time: FloatArray, values: FloatArray) -> float:
    return math.sqrt(mean_of(time, values**2))
