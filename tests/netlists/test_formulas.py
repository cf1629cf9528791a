"""Each closed form: what it must be in the limits, arrays equal scalars, and a number that is not of this project."""

from __future__ import annotations

import inspect
import math
from typing import Any

import numpy as np
import pytest

from netlists import formulas
from netlists.formulas import (
    ABSOLUTE_ZERO,
    INFERENCES,
    THERMAL_VOLTAGE,
    USUAL_FLYBACK_RIPPLE,
    USUAL_RIPPLE,
    USUAL_TANK_RATIO,
    boost_choke,
    boost_ripple,
    buck_choke,
    buck_ripple,
    bus_ripple_boosted,
    dead_time,
    diode_drop,
    diode_saturation_current,
    diode_tangent,
    esr_from_loss_angle,
    flyback_duty,
    flyback_inductance,
    flyback_ratio,
    forward_choke,
    forward_ratio,
    full_bridge_ratio,
    half_bridge_ratio,
    half_sine_i2t,
    holdup_time,
    leakage_current,
    magnetising_for_dead_time,
    ntc_resistance,
    ntc_self_heating,
    rail_current,
    resonant_capacitance,
    resonant_frequency,
    resonant_inductance,
    tank_magnetising,
    turns_ratio,
)
from netlists.quantity import UNITS

PRODUCTS = ("tank_magnetising", "dead_time")  # which divide by nothing

# Published table of hold-up capacitors (check-values: 'published as 114 and 57.1; read'): 20 ms from 400 V to 300 V.
HOLDUP_TABLE = [(200.0, 114.29e-6), (100.0, 57.14e-6)]


@pytest.mark.parametrize(("power", "capacitance"), HOLDUP_TABLE)
def test_holdup_time_of_the_published_capacitors(power: float, capacitance: float) -> None:
    # the table has five digits
    assert holdup_time(capacitance, 400.0, 300.0, power) == pytest.approx(20e-3, rel=1e-4)


def test_holdup_time_in_its_limits() -> None:
    assert holdup_time(1e-4, 300.0, 300.0, 100.0) == 0
    assert holdup_time(1e-4, 200.0, 300.0, 100.0) == 0
    once = holdup_time(1e-4, 400.0, 300.0, 100.0)
    assert holdup_time(1e-4, 400.0, 300.0, 200.0) == pytest.approx(once / 2)
    assert holdup_time(2e-4, 400.0, 300.0, 100.0) == pytest.approx(once * 2)


def test_bus_ripple_boosted_of_300_w() -> None:
    """Erickson and Maksimovic, ch. 18 (from memory): 300 W, 220 uF, 400 V, 50 Hz gives 10.8515 V."""
    ripple = bus_ripple_boosted(300.0, 50.0, 220e-6, 400.0)
    assert ripple == pytest.approx(10.8515, abs=5e-5)
    # the exact constant-power solution is 10.8520 V: the small-ripple assumption costs 0.005 % here
    assert ripple == pytest.approx(10.8520, rel=1e-4)


def test_bus_ripple_boosted_in_its_limits() -> None:
    assert bus_ripple_boosted(0.0, 50.0, 220e-6, 400.0) == 0
    assert bus_ripple_boosted(300.0, 60.0, 220e-6, 400.0) < bus_ripple_boosted(300.0, 50.0, 220e-6, 400.0)


def test_ntc_resistance() -> None:
    assert ntc_resistance(5.0, 2800.0, 25.0) == pytest.approx(5.0, rel=1e-12)
    assert ntc_resistance(5.0, 0.0, 90.0) == 5.0
    # B-value definition, IEC 60539-1 (from memory): B = ln(R1/R2) / (1/T1 - 1/T2), here for 25 and 85 degC
    ratio = ntc_resistance(1.0, 3000.0, 25.0) / ntc_resistance(1.0, 3000.0, 85.0)
    assert math.log(ratio) / (1 / 298.15 - 1 / 358.15) == pytest.approx(3000.0, rel=1e-12)
    assert ntc_resistance(5.0, 2800.0, -40.0) > ntc_resistance(5.0, 2800.0, 120.0) > 0


def test_ntc_self_heating_balances_heat() -> None:
    assert ntc_self_heating(5.0, 2800.0, 0.014, 30.0, 0.0) == 30.0
    warm = ntc_self_heating(5.0, 2800.0, 0.014, 30.0, 1.0)
    # 80 bisections leave no more than rounding
    assert 0.014 * (warm - 30.0) == pytest.approx(ntc_resistance(5.0, 2800.0, warm), rel=1e-9)
    assert ntc_self_heating(5.0, 2800.0, 0.014, 30.0, 2.0) > warm
    # B = 0: a plain resistor, whose rise is i^2 R / dissipation
    assert ntc_self_heating(5.0, 0.0, 0.1, 25.0, 2.0) == pytest.approx(25.0 + 4 * 5 / 0.1)
    assert 30.0 < ntc_self_heating(1000.0, 5000.0, 1e-3, 30.0, 10.0) < 1000.0


def test_diode_goes_through_its_test_point() -> None:
    saturation = diode_saturation_current(0.92, 2.0, 0.03, 1.8)
    assert diode_drop(2.0, saturation, 0.03, 1.8) == pytest.approx(0.92, rel=1e-12)
    assert diode_drop(0.0, saturation, 0.03, 1.8) == 0
    # Shockley: a decade of current is n Vt ln(10), 59.55 mV at 27 degC for n = 1
    step = diode_drop(1e-2, 1e-12, 0.0, 1.0) - diode_drop(1e-3, 1e-12, 0.0, 1.0)
    assert step == pytest.approx(0.05955, abs=1e-5)
    # k T / q with the SI's exact constants
    assert pytest.approx(1.380649e-23 * (27.0 - ABSOLUTE_ZERO) / 1.602176634e-19, rel=1e-6) == THERMAL_VOLTAGE


def test_diode_tangent_touches_the_curve() -> None:
    saturation = diode_saturation_current(0.92, 2.0, 0.03, 1.8)
    threshold, resistance = diode_tangent(2.0, saturation, 0.03, 1.8)
    assert threshold + 2.0 * resistance == pytest.approx(diode_drop(2.0, saturation, 0.03, 1.8), rel=1e-12)
    slope = (diode_drop(2.0 + 1e-4, saturation, 0.03, 1.8) - diode_drop(2.0 - 1e-4, saturation, 0.03, 1.8)) / 2e-4
    assert resistance == pytest.approx(slope, rel=1e-6)
    assert resistance > 0.03
    assert diode_tangent(1e9, saturation, 0.03, 1.8)[1] == pytest.approx(0.03, rel=1e-6)


def test_esr_from_loss_angle() -> None:
    # IEC 60384-4: tan delta = 2 pi f C ESR (from memory); 0.2 at 120 Hz and 100 uF is 2.6526 ohm
    assert esr_from_loss_angle(0.2, 100e-6, 120.0) == pytest.approx(2.6526, abs=5e-5)
    assert esr_from_loss_angle(0.0, 100e-6, 120.0) == 0
    assert esr_from_loss_angle(0.2, 200e-6, 120.0) == pytest.approx(2.6526 / 2, abs=5e-5)


def test_rail_current_and_turns_ratio() -> None:
    # common practice, no source: a rail's current is P / V
    assert rail_current(65.0, 19.5) == pytest.approx(10 / 3)
    assert turns_ratio(36.0, 6.0) == 6.0


@pytest.mark.parametrize(
    ("function", "arguments"),
    [
        (bus_ripple_boosted, (300.0, 50.0, 220e-6, 400.0)),
        (esr_from_loss_angle, (0.2, 100e-6, 120.0)),
        (rail_current, (65.0, 19.5)),
        (turns_ratio, (36.0, 6.0)),
        (leakage_current, (2.2e-9, 264.0, 60.0)),
        (half_sine_i2t, (150.0, 8.3e-3)),
        (buck_ripple, (12.0, 5.0, 1e-6, 500e3)),
        (boost_ripple, (12.0, 30.0, 120e-6, 25e3)),
        (flyback_duty, (95.0, 120.0)),
        (resonant_inductance, (110e3, 40e-9)),
        (resonant_capacitance, (110e3, 52e-6)),
        (forward_ratio, (345.0, 0.47, 24.0)),
        (dead_time, (260e-6, 120e-12, 110e3)),
    ],
)
def test_arrays_equal_scalars(function: object, arguments: tuple[float, ...]) -> None:
    """Those without branches or library calls take arrays; the others say so by taking floats only."""
    assert callable(function)
    scales = np.array([0.5, 1.0, 2.0])
    for index in range(len(arguments)):
        varied = [*arguments]
        varied[index] = arguments[index] * scales  # type: ignore[call-overload]  # an array among floats
        one_by_one = [function(*arguments[:index], arguments[index] * s, *arguments[index + 1 :]) for s in scales]
        assert function(*varied) == pytest.approx(one_by_one, rel=1e-14)


@pytest.mark.parametrize("name", INFERENCES)
def test_the_catalogue_names_arguments_and_units_its_functions_have(name: str) -> None:
    inference = INFERENCES[name]
    assert list(inspect.signature(inference.function).parameters) == list(inference.arguments)
    assert {inference.unit, *inference.arguments.values()} <= set(UNITS)
    assert getattr(formulas, name) is inference.function
    if name in PRODUCTS:
        assert inference.function(**dict.fromkeys(inference.arguments, 0.0)) == 0
        return
    with pytest.raises(ZeroDivisionError):
        inference.function(**dict.fromkeys(inference.arguments, 0.0))


def test_leakage_current_and_half_sine() -> None:
    assert leakage_current(0.0, 264.0, 60.0) == 0
    # IEC 60950-1 and 62368-1 allow 3.5 mA with earth (from memory): 2 x 2.2 nF stay far below, 100 nF do not
    assert leakage_current(2.2e-9, 264.0, 60.0) == pytest.approx(0.219e-3, rel=2e-3)
    assert leakage_current(100e-9, 264.0, 60.0) > 3.5e-3
    # a bridge of 150 A surge is printed with 93 A2s, 8.3 ms being a half sine at 60 Hz (common practice, no source)
    assert half_sine_i2t(150.0, 8.3e-3) == pytest.approx(93.0, rel=5e-3)


@pytest.mark.parametrize(
    ("ripple", "arguments", "published"),
    [
        (buck_ripple, (48.0, 18.0, 97.5e-6, 40e3), 3.24 - 0.36),  # Hart, Power Electronics, Ex. 6-2 (from memory)
        (buck_ripple, (50.0, 20.0, 400e-6, 20e3), 1.75 - 0.25),  # Ex. 6-1 (from memory)
        (buck_ripple, (12.0, 5.0, 220e-6, 100e3), 0.1336),  # Jacob, Power Electronics, Ex. 7.2 (read)
        (boost_ripple, (12.0, 30.0, 120e-6, 25e3), 2.7 - 0.3),  # Hart's boost (from memory)
    ],
)
def test_ripple_of_published_chokes(ripple: Any, arguments: tuple[float, ...], published: float) -> None:
    assert ripple(*arguments) == pytest.approx(published, rel=0.01)  # books round the on-time


def test_duty_and_resonance_of_published_converters() -> None:
    # Hart's flyback, 24 to 5 V at 3:1 (from memory)
    assert flyback_duty(24.0, 15.0) == pytest.approx(0.385, abs=1e-3)
    # NXP DRM172 (read): 52 uH and 40 nF, which its text calls a resonance of some 110 kHz
    at = resonant_frequency(52e-6, 40e-9)
    assert at == pytest.approx(110.4e3, rel=1e-3)
    assert resonant_inductance(at, 40e-9) == pytest.approx(52e-6)
    assert resonant_capacitance(at, 52e-6) == pytest.approx(40e-9)
    assert half_bridge_ratio(380.0, 12.0) == pytest.approx(32 / 2, rel=0.02)  # its turns
    assert full_bridge_ratio(380.0, 12.0) == 2 * half_bridge_ratio(380.0, 12.0)


def test_proportions_leave_the_ripple_they_name() -> None:
    assert buck_ripple(12.0, 5.0, buck_choke(12.0, 5.0, 23.0, 500e3), 500e3) == pytest.approx(USUAL_RIPPLE * 23.0)
    # Microchip DS70320B (read) has 1 uH and 5.9 A for that converter: 26 %
    assert buck_choke(12.0, 5.0, 23.0, 500e3) == pytest.approx(1e-6, rel=0.2)
    assert forward_choke(385.0, 5.0, 24.0, 14.0, 1e5) == buck_choke(77.0, 24.0, 14.0, 1e5)
    crest = math.sqrt(2) * 100.0
    choke = boost_choke(100.0, 385.0, 350.0, 1e5)
    assert boost_ripple(crest, 385.0, choke, 1e5) == pytest.approx(USUAL_RIPPLE * 2 * 350.0 / crest)
    assert forward_ratio(345.0, 0.47, 24.0) * 24.0 / 345.0 == pytest.approx(0.47)
    ratio = flyback_ratio(95.0, 0.5, 19.5)
    assert flyback_duty(95.0, ratio * 19.5) == pytest.approx(0.5)
    henry = flyback_inductance(95.0, ratio, 19.5, 3.3, 65e3)
    assert 95.0 * 0.5 / (henry * 65e3) == pytest.approx(USUAL_FLYBACK_RIPPLE * 19.5 * 3.3 / (95.0 * 0.5))
    assert dead_time(magnetising_for_dead_time(300e-9, 120e-12, 1e5), 120e-12, 1e5) == pytest.approx(300e-9)
    assert tank_magnetising(52e-6) == pytest.approx((1 + USUAL_TANK_RATIO) * 52e-6)
