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


def leakage_current(capacitance: float, voltage: float, frequency: float) -> float:
    """RMS current [A] through a capacitor on a sinusoidal voltage [V, RMS]: 2 pi f C V. What a Y capacitor leaks."""
    return 2 * math.pi * frequency * capacitance * voltage


def half_sine_i2t(peak: float, duration: float) -> float:
    """Integral of the square of one half sine of current [A2s]: peak^2 t / 2. Closed form."""
    return 0.5 * peak**2 * duration


def resonant_frequency(inductance: float, capacitance: float) -> float:
    """Series resonance [Hz], 1 / (2 pi sqrt(L C))."""
    return 1 / (2 * math.pi * math.sqrt(inductance * capacitance))


def resonant_inductance(frequency: float, capacitance: float) -> float:
    """Inductance [H] that resonates with a capacitance at a frequency: 1 / ((2 pi f)^2 C)."""
    return 1 / ((2 * math.pi * frequency) ** 2 * capacitance)


def resonant_capacitance(frequency: float, inductance: float) -> float:
    """Capacitance [F] that resonates with an inductance at a frequency: 1 / ((2 pi f)^2 L)."""
    return 1 / ((2 * math.pi * frequency) ** 2 * inductance)


def buck_ripple(v_in: float, v_out: float, inductance: float, frequency: float) -> float:
    """Peak-to-peak current of a buck's choke [A], ideal parts, continuous: Vo (1 - Vo / Vi) / (L f).

    Of a forward converter with v_in the secondary's voltage. Erickson, Maksimovic, ch. 2 (from memory).
    """
    return v_out * (1 - v_out / v_in) / (inductance * frequency)


def boost_ripple(v_in: float, v_out: float, inductance: float, frequency: float) -> float:
    """Peak-to-peak current of a boost choke [A], ideal parts, continuous: Vi (1 - Vi / Vo) / (L f)."""
    return v_in * (1 - v_in / v_out) / (inductance * frequency)


def flyback_duty(v_in: float, reflected: float) -> float:
    """Duty of an ideal flyback in continuous conduction, nV / (nV + Vi), reflected nV the output at the primary [V]."""
    return reflected / (reflected + v_in)


USUAL_RIPPLE = 0.3  # of a choke's mean current, peak to peak, as they are laid out; common practice, no source
USUAL_FLYBACK_RIPPLE = 1.0  # of the mean current in the on-time, at the lowest input; common practice, no source
USUAL_TANK_RATIO = 5.0  # magnetising over resonant inductance of an LLC; common practice, no source


def buck_choke(v_in: float, v_out: float, current: float, frequency: float) -> float:
    """Inductance [H] that leaves ``USUAL_RIPPLE`` of the output current in a buck's choke."""
    return buck_ripple(v_in, v_out, 1.0, frequency) / (USUAL_RIPPLE * current)


def forward_choke(v_bus: float, ratio: float, v_out: float, current: float, frequency: float) -> float:
    """Inductance [H] that leaves ``USUAL_RIPPLE`` of the output current in a forward converter's choke."""
    return buck_choke(v_bus / ratio, v_out, current, frequency)


def boost_choke(v_line: float, v_bus: float, power: float, frequency: float) -> float:
    """Inductance [H] of a corrector's choke: ``USUAL_RIPPLE`` of the line's crest current, at its crest.

    Parameters
    ----------
    v_line : lowest line [V, RMS];  v_bus : set-point [V];  power : at the output [W], its losses left out
    """
    crest = math.sqrt(2) * v_line
    return boost_ripple(crest, v_bus, 1.0, frequency) / (USUAL_RIPPLE * 2 * power / crest)


def flyback_inductance(v_low: float, ratio: float, v_out: float, current: float, frequency: float) -> float:
    """Primary inductance [H] of a flyback: ``USUAL_FLYBACK_RIPPLE`` of the on-time's mean current, at the lowest input.

    Mean current of the on-time P / (Vi D), ripple Vi D / (L f); so L = (Vi D)^2 / (r P f). Losses left out.
    """
    duty = flyback_duty(v_low, ratio * v_out)
    return (v_low * duty) ** 2 / (USUAL_FLYBACK_RIPPLE * v_out * current * frequency)


def half_bridge_ratio(v_bus: float, v_out: float) -> float:
    """Turns ratio of a half-bridge LLC that works at its resonance at the nominal bus: Vbus / 2 Vo, drops left out."""
    return v_bus / (2 * v_out)


def full_bridge_ratio(v_bus: float, v_out: float) -> float:
    """Turns ratio of a full-bridge LLC that works at its resonance at the nominal bus: Vbus / Vo, drops left out."""
    return v_bus / v_out


def forward_ratio(v_low: float, duty: float, v_out: float) -> float:
    """Turns ratio at which a forward converter just regulates at its lowest bus: Vi D / Vo, drops left out."""
    return v_low * duty / v_out


def flyback_ratio(v_low: float, duty: float, v_out: float) -> float:
    """Turns ratio at which a continuous flyback just regulates at its lowest bus: Vi D / ((1 - D) Vo)."""
    return v_low * duty / ((1 - duty) * v_out)


def tank_magnetising(leakage: float) -> float:
    """Inductance of an LLC's primary [H] by the resonant one in its leakage: (1 + ``USUAL_TANK_RATIO``) times it."""
    return (1 + USUAL_TANK_RATIO) * leakage


def dead_time(inductance: float, capacitance: float, frequency: float) -> float:
    """Shortest dead time [s] in which the magnetising current of an LLC's half bridge swings its midpoint.

    The magnetising current's peak Vb / (8 L f) carries the charge 2 C Vb of both switches: t = 16 L C f.

    Parameters
    ----------
    inductance : of the primary, secondaries open [H];  capacitance : of one switch, charge equivalent [F]

    References
    ----------
    .. [1] The usual sizing of soft switching in LLC application notes (from memory).
    """
    return 16 * inductance * capacitance * frequency


def magnetising_for_dead_time(time: float, capacitance: float, frequency: float) -> float:
    """Largest primary inductance [H] that still swings an LLC's half bridge in a dead time: t / (16 C f)."""
    return time / (16 * capacitance * frequency)


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
    "resonant_inductance": Inference(
        resonant_inductance, {"frequency": "Hz", "capacitance": "F"}, "H", "1 / ((2 pi f)^2 C)"
    ),
    "resonant_capacitance": Inference(
        resonant_capacitance, {"frequency": "Hz", "inductance": "H"}, "F", "1 / ((2 pi f)^2 L)"
    ),
    "half_bridge_ratio": Inference(half_bridge_ratio, {"v_bus": "V", "v_out": "V"}, "1", "Vbus / 2 Vo"),
    "full_bridge_ratio": Inference(full_bridge_ratio, {"v_bus": "V", "v_out": "V"}, "1", "Vbus / Vo"),
    "forward_ratio": Inference(forward_ratio, {"v_low": "V", "duty": "1", "v_out": "V"}, "1", "Vi D / Vo"),
    "flyback_ratio": Inference(flyback_ratio, {"v_low": "V", "duty": "1", "v_out": "V"}, "1", "Vi D / ((1 - D) Vo)"),
    "tank_magnetising": Inference(tank_magnetising, {"leakage": "H"}, "H", "6 Lr, a magnetising inductance of 5 Lr"),
    "magnetising_for_dead_time": Inference(
        magnetising_for_dead_time, {"time": "s", "capacitance": "F", "frequency": "Hz"}, "H", "t / (16 C f)"
    ),
    "dead_time": Inference(dead_time, {"inductance": "H", "capacitance": "F", "frequency": "Hz"}, "s", "16 L C f"),
    "buck_choke": Inference(
        buck_choke, {"v_in": "V", "v_out": "V", "current": "A", "frequency": "Hz"}, "H", "Vo (1 - Vo / Vi) / (0.3 I f)"
    ),
    "forward_choke": Inference(
        forward_choke,
        {"v_bus": "V", "ratio": "1", "v_out": "V", "current": "A", "frequency": "Hz"},
        "H",
        "Vo (1 - n Vo / Vbus) / (0.3 I f)",
    ),
    "boost_choke": Inference(
        boost_choke, {"v_line": "V", "v_bus": "V", "power": "W", "frequency": "Hz"}, "H", "30 % ripple at the crest"
    ),
    "flyback_inductance": Inference(
        flyback_inductance,
        {"v_low": "V", "ratio": "1", "v_out": "V", "current": "A", "frequency": "Hz"},
        "H",
        "(Vi D)^2 / (P f), D by the ratio",
    ),
}
