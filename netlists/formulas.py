"""Closed forms shared by inference, review and hand calculation: plain functions of plain SI numbers."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

THERMAL_VOLTAGE = 0.02586492  # k T / q at 27 degC, the temperature ngspice simulates at by default [V]
SILICON_EMISSION = 1.8  # emission coefficient of a mains rectifier diode; common practice, no source
LARGEST_LEAKAGE = 1e-5  # saturation current over test current, of a diode of a switching stage
SCHOTTKY_EMISSION = 1.05  # of a Schottky junction; common practice, no source
SMALLEST_SATURATION_CURRENT = 1e-28  # ngspice 39 lifts a smaller one to this, without a word [A]
ABSOLUTE_ZERO = -273.15  # [degC]
NTC_REFERENCE = 298.15  # 25 degC [K]


def holdup_time(c_bulk: float, v_start: float, v_stop: float, p_bus: float) -> float:
    """Time the bulk capacitor carries a constant-power load alone.

    Energy balance, C (v_start^2 - v_stop^2) / 2 = p t; ESR and leakage neglected.

    Parameters
    ----------
    c_bulk : bulk capacitance [F]
    v_start : bulk voltage when the line is lost: trough of the ripple, not its mean [V]
    v_stop : lowest bulk voltage at which the converter still regulates [V]
    p_bus : power drawn from the bulk, output power over efficiency [W]

    Returns
    -------
    hold-up time [s]; 0 where v_start <= v_stop

    References
    ----------
    .. [1] Erickson, Maksimovic, Fundamentals of Power Electronics, ch. 18 (energy balance; from memory).
    """
    return max(0.0, 0.5 * c_bulk * (v_start**2 - v_stop**2) / p_bus)


def bus_ripple_boosted(p_bus: float, line_frequency: float, c_bulk: float, v_bus: float) -> float:
    """Peak-to-peak bulk ripple behind a boost power-factor corrector, P / (w_line C V) [V].

    Assumes a sinusoidal line current in phase with the voltage and a ripple small against the bus.

    References
    ----------
    .. [1] Erickson, Maksimovic, Fundamentals of Power Electronics, ch. 18 (from memory).
    """
    return p_bus / (2 * math.pi * line_frequency * c_bulk * v_bus)


def ntc_resistance(r25: float, b_value: float, temperature: float) -> float:
    """Resistance of an NTC thermistor [ohm], R25 exp(B (1/T - 1/T25)), temperature in degC.

    References
    ----------
    .. [1] IEC 60539-1, B-value definition (from memory).
    """
    return r25 * math.exp(b_value * (1 / (temperature - ABSOLUTE_ZERO) - 1 / NTC_REFERENCE))


def ntc_self_heating(r25: float, b_value: float, dissipation: float, ambient: float, i_rms: float) -> float:
    """Settled temperature [degC] of an NTC thermistor that carries an RMS current.

    Root of dissipation (T - Ta) = i_rms^2 R(T). The left side rises and the right side falls with T, so the root is
    the only one; bisection on [Ta, Ta + i^2 R(Ta) / dissipation] always brackets it.

    Parameters
    ----------
    r25 : resistance at 25 degC [ohm];  b_value : B [K];  dissipation : dissipation constant [W/K]
    ambient : [degC];  i_rms : [A]
    """
    low = ambient
    high = ambient + i_rms**2 * ntc_resistance(r25, b_value, ambient) / dissipation
    for _ in range(80):
        middle = 0.5 * (low + high)
        if dissipation * (middle - ambient) < i_rms**2 * ntc_resistance(r25, b_value, middle):
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def diode_saturation_current(v_forward: float, i_test: float, r_slope: float, emission: float) -> float:
    """Saturation current [A] that makes a diode drop v_forward at i_test (Shockley's equation with series resistance).

    Parameters
    ----------
    v_forward : forward voltage at i_test [V];  i_test : [A]
    r_slope : ohmic part of the slope, v_forward > i_test * r_slope [ohm];  emission : emission coefficient
    """
    return i_test / math.expm1((v_forward - i_test * r_slope) / (emission * THERMAL_VOLTAGE))


def diode_emission(v_forward: float, i_test: float, r_slope: float) -> float:
    """Emission coefficient of a power diode by its forward voltage [V] at a test current [A]: below 1 V a Schottky's.

    A coefficient near 1 would need an impossible saturation current where a junction drops 2 V, as hot silicon carbide
    does; one that is too large for a small drop would let the diode leak more than ``LARGEST_LEAKAGE`` of its test
    current, which stops the simulator. Common practice, no source.
    """
    usual = SCHOTTKY_EMISSION if v_forward < 1.0 else SILICON_EMISSION
    junction = v_forward - i_test * r_slope
    return min(usual, junction / (THERMAL_VOLTAGE * math.log(1 / LARGEST_LEAKAGE)))


def diode_drop(i_forward: float, i_saturation: float, r_slope: float, emission: float) -> float:
    """Forward voltage [V] of a diode at i_forward >= 0 [A]."""
    return emission * THERMAL_VOLTAGE * math.log1p(i_forward / i_saturation) + r_slope * i_forward


def diode_tangent(i_forward: float, i_saturation: float, r_slope: float, emission: float) -> tuple[float, float]:
    """Threshold [V] and resistance [ohm] of the straight line that touches the diode's curve at i_forward > 0."""
    resistance = emission * THERMAL_VOLTAGE / (i_forward + i_saturation) + r_slope
    return diode_drop(i_forward, i_saturation, r_slope, emission) - resistance * i_forward, resistance


def step_peak_current(voltage: float, resistance: float, inductance: float, capacitance: float) -> float:
    """Largest current [A] of R, L and C in series on a step of ``voltage`` [V].

    i = V / (w L) exp(-a t) sin(w t), a = R / 2L, w^2 = 1 / LC - a^2, largest where tan(w t) = w / a; sinh and tanh
    where a^2 > 1 / LC. Closed form, any textbook on circuits.
    """
    damping = resistance / (2 * inductance)
    square = 1 / (inductance * capacitance) - damping**2
    if abs(square) < 1e-9 * damping**2:  # aperiodic limit: largest at t = 1 / a
        return voltage / (inductance * damping) * math.exp(-1)
    omega = math.sqrt(abs(square))
    if square > 0:
        at = math.atan(omega / damping) / omega
        return voltage / (omega * inductance) * math.exp(-damping * at) * math.sin(omega * at)
    at = math.atanh(omega / damping) / omega
    # exp(-a t) sinh(w t) without overflow of its parts
    return voltage / (2 * omega * inductance) * (math.exp((omega - damping) * at) - math.exp(-(omega + damping) * at))


def esr_from_loss_angle(loss_angle: float, capacitance: float, frequency: float) -> float:
    """Equivalent series resistance [ohm] from tan delta at a frequency [Hz]: tan delta / (2 pi f C).

    References
    ----------
    .. [1] IEC 60384-4, tangent of loss angle (from memory).
    """
    return loss_angle / (2 * math.pi * frequency * capacitance)


def rail_current(power: float, voltage: float) -> float:
    """Current of a rail [A] from its power [W] and voltage [V]."""
    return power / voltage


def turns_ratio(primary: float, secondary: float) -> float:
    """Turns of the primary over turns of the secondary."""
    return primary / secondary


@dataclass(frozen=True, slots=True)
class Inference:
    """A formula a record may name: its arguments with units, its unit, and one line of meaning."""

    function: Callable[..., float]
    arguments: Mapping[str, str]
    unit: str
    doc: str


# An inferred value that is computed from no other: ``bulkrail fit`` found it and its interval, the record keeps both.
FITTED = "fitted_to_capture"

# The fixed catalogue of inferred values; a record names an entry (or ``FITTED``), never an expression.
INFERENCES: dict[str, Inference] = {
    "esr_from_loss_angle": Inference(
        esr_from_loss_angle,
        {"loss_angle": "1", "capacitance": "F", "frequency": "Hz"},
        "ohm",
        "tan delta / (2 pi f C)",
    ),
    "rail_current": Inference(rail_current, {"power": "W", "voltage": "V"}, "A", "P / V"),
    "turns_ratio": Inference(turns_ratio, {"primary": "1", "secondary": "1"}, "1", "N1 / N2"),
}
