"""Edges of a two-switch forward converter by closed forms: delays, the fall of the primary's voltage, three rings.

Seen from the primary where nothing else is said. Each ring is a linear circuit, solved exactly on a grid; diodes are
ideal there. Left out: what one edge's ring does to the next edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import expm

from harness.contracts import FloatArray
from netlists.stages.switching import GateLaw

EULER = float(np.euler_gamma)
GRID = 240  # instants a ring is looked at
CYCLES = 0.75  # ring periods looked at: the first swing holds the peak


def time_constant(law: GateLaw) -> float:
    """In which a switch's conductance changes by e [s]."""
    return law.ramp / law.steepness


def knee_conductance(law: GateLaw, pieces: int) -> float:
    """Of a whole place at its gate's knee [S]."""
    return pieces * law.scale * math.expm1(law.steepness * law.knee)


def turn_off_lag(law: GateLaw, pieces: int, capacitance: float) -> float:
    """From the gate's knee to where the straight rise of a place's voltage begins, seen back from it [s].

    The channel's conductance falls as g exp(-t / tau) while a current I charges C: in scaled variables
    u' = 1 - u exp(-x), whose solution tends to x less Euler's constant. So t = tau (0.5772 - ln(C / (tau g))),
    whatever I is; the channel's charge is as if it carried I until then. Own derivation.
    """
    tau = time_constant(law)
    lag = tau * (EULER - math.log(capacitance / (tau * knee_conductance(law, pieces))))
    return min(max(lag, -law.lead_on), law.lead_off)


def turn_on_lag(law: GateLaw, pieces: int, capacitance: float) -> float:
    """From the gate's knee to the middle of the fall of a place's voltage [s].

    C v' = -g exp(t / tau) v gives v = V exp(-exp(x)), whose mean instant is Euler's constant ahead of x = 0, where the
    conductance is C / tau. Own derivation.
    """
    tau = time_constant(law)
    lag = tau * (math.log(capacitance / (tau * knee_conductance(law, pieces))) - EULER)
    return min(max(lag, -law.lead_on), law.lead_off)


def discharge_peak(law: GateLaw, charge: float) -> float:
    """Largest current of a channel that empties a capacitance of a charge [As] as it turns on: Q / (e tau) [A].

    v = V exp(-exp(x)), i = (Q / tau) exp(x) exp(-exp(x)), largest at x = 0; without anything in series.
    """
    return charge / (math.e * time_constant(law))


def discharge_square(law: GateLaw, charge: float) -> float:
    """Time-integral of its square: Q^2 / (4 tau) [A2s]."""
    return charge**2 / (4 * time_constant(law))


@dataclass(frozen=True, slots=True)
class Fall:
    """The primary's voltage on its way from the bus to zero: how long [s], its volt-seconds [Vs]."""

    duration: float
    area: float


def fall(
    voltage: float, current: float, capacitance: float, magnetising: float, choke: float, output: float
) -> Fall:
    """The fall after turn-off, by the currents of magnetising inductance and choke, both turning with the capacitance.

    u'' = -w^2 (u - u0), exactly a sine: no constant current is assumed, since at light load little is left of it.

    Parameters
    ----------
    voltage : at its begin [V];  current : of the primary there [A]
    choke, output : the choke's inductance [H] and what it works against [V], both seen from the primary
    """
    both = 1 / magnetising + 1 / choke
    omega = math.sqrt(both / capacitance)
    rest = output / choke / both
    ahead, slope = voltage - rest, current / (capacitance * omega)
    size = max(math.hypot(ahead, slope), rest * (1 + 1e-9))
    angle = max(math.acos(-rest / size) - math.atan2(slope, ahead), 0.0)
    area = (rest * angle + ahead * math.sin(angle) + slope * (math.cos(angle) - 1)) / omega
    return Fall(angle / omega, max(area, 0.0))


@dataclass(frozen=True, slots=True)
class Release:
    """What the leakage does after the fall: lifts both ends of the primary until the clamp diodes conduct, then falls.

    Parameters
    ----------
    charging : from the fall's end to the clamp diodes' conduction [s]
    clamp : current the clamp diodes begin with [A];  leakage : that of the leakage inductance there [A]
    handing : from there until the leakage carries the magnetising current alone [s]
    """

    charging: float
    clamp: float
    leakage: float
    handing: float


def release(
    voltage: float, current: float, magnetising: float, leakage: float, capacitance: float, damping: float
) -> Release:
    """The leakage's energy after turn-off: L I^2 / 2 less what charges the ends of the primary to the clamps.

    Parameters
    ----------
    voltage : of bus and clamp diodes [V];  current, magnetising : of primary and core at the fall's end [A]
    leakage : inductance [H];  capacitance : of the primary's ends in series [F];  damping : beside the leakage [ohm]
    """
    impedance, omega = math.sqrt(leakage / capacitance), 1 / math.sqrt(leakage * capacitance)
    square = current**2 - (voltage / impedance) ** 2
    left = math.sqrt(max(square, 0.0))
    if left <= magnetising:  # the core's own current does the rest
        handed = math.sqrt(max(current**2 - magnetising**2, 0.0)) * impedance
        rest = capacitance * max(voltage - handed, 0.0) / max(magnetising, 1e-9)
        return Release(math.acos(min(magnetising / current, 1.0)) / omega + rest, magnetising, magnetising, 0.0)
    charging = math.asin(voltage / impedance / current) / omega
    handing = (left - magnetising) * leakage / voltage
    return Release(charging, max(left - voltage / damping, magnetising), left, handing)


@dataclass(frozen=True, slots=True)
class Ring:
    """Peaks of one ring: voltage [V], and current of the inductance with its damping beyond the settled one [A]."""

    voltage: float
    current: float


def step_ring(
    voltage: float,
    inductance: float,
    damping: float,
    capacitance: float,
    snubber: tuple[float, float] | None = None,
    start: float = 0.0,
) -> Ring:
    """A capacitance, with a snubber beside it or not, behind an inductance and its damping on a step of voltage.

    Parameters
    ----------
    snubber : resistance and capacitance [ohm], [F];  start : voltage of the capacitances before the step [V]
    """
    matrix = np.zeros((4, 4))  # inductance's current, capacitance's and snubber's voltage, one
    matrix[0, [1, 3]] = -1 / inductance, voltage / inductance
    matrix[1, [0, 1, 3]] = np.array([1.0, -1 / damping, voltage / damping]) / capacitance
    whole = capacitance
    if snubber is not None:
        resistance, beside = snubber
        matrix[1, [1, 2]] += np.array([-1.0, 1.0]) / resistance / capacitance
        matrix[2, [1, 2]] = np.array([1.0, -1.0]) / resistance / beside
        whole += beside
    span = CYCLES * 2 * math.pi * math.sqrt(inductance * whole)
    course = _course(matrix, np.array([0.0, start, start, 1.0]), span)
    current = course[:, 0] + (voltage - course[:, 1]) / damping
    return Ring(float(np.max(course[:, 1])), float(np.max(current)))


def _course(matrix: FloatArray, state: FloatArray, span: float) -> FloatArray:
    """States over a span [s], shape (GRID + 1, n)."""
    step = expm(matrix * (span / GRID))
    course = [state]
    for _ in range(GRID):
        course.append(step @ course[-1])
    return np.array(course)


def clamped_ring(
    voltage: float, held: float, inductance: float, damping: float, capacitance: float, ends: float
) -> float:
    """Peak of a diode's reverse voltage as the leakage draws its capacitance down to what the clamp diodes hold [V].

    The clamp diodes hold only while they carry current: where the ring takes more than the magnetising current they let
    go, and the capacitance of the primary's ends rings along. Seen from the primary.

    Parameters
    ----------
    voltage : of bus and clamp diodes [V];  held : magnetising current [A]
    capacitance : of the diode;  ends : of the primary's ends in series [F]
    """
    span = CYCLES * 2 * math.pi * math.sqrt(inductance * capacitance)
    step = span / GRID
    through, reached, across, peak = held, 0.0, voltage, 0.0
    for _ in range(2 * GRID):  # half steps: currents, then voltages
        beside = (across - reached) / damping
        through -= step * (across - reached) / inductance / 2
        total = through - beside  # of the primary
        reached += step * (held - total) / capacitance / 2
        is_held = across >= voltage and total > 0
        across = voltage if is_held else min(across + step * total / ends / 2, voltage)
        peak = max(peak, reached)
    return peak


def loop_overshoot(step: float, inductance: float, capacitance: float, quality: float) -> float:
    """Overshoot as a loop's current is stepped by ``step`` [A]: step Z exp(-a t) at the first crest [V]."""
    impedance, damping = math.sqrt(inductance / capacitance), 0.5 / quality
    if damping >= 1:
        return step * impedance * math.exp(-1)
    root = math.sqrt(1 - damping**2)
    return step * impedance * math.exp(-damping / root * math.acos(damping))


def smoothed_overshoot(
    low: float, high: float, law: GateLaw, inductance: float, capacitance: float, quality: float
) -> float:
    """Peak of a voltage that a turning-on switch takes from ``low`` to ``high`` through a ringing loop [V].

    The switch alone would give high - (high - low) exp(-exp(t / tau)); the loop with its damping beside it filters that.
    """
    tau, omega = time_constant(law), 1 / math.sqrt(inductance * capacitance)
    time = np.linspace(-6 * tau, 4 * tau + 2 * math.pi / omega, 2 * GRID)
    x = np.clip(time / tau, -50.0, 5.0)
    driven = np.exp(x) * np.exp(-np.exp(x)) / tau  # slope of the switch's course, of unit height
    decay = 0.5 * omega / quality
    turned = omega * math.sqrt(max(1 - 0.25 / quality**2, 1e-6))
    after = time - time[0]
    ring = np.exp(-decay * after) * (np.cos(turned * after) - decay / turned * np.sin(turned * after))
    followed = np.convolve(driven, 1 - ring)[: time.size] * (time[1] - time[0])
    return low + (high - low) * max(float(np.max(followed)), 1.0)
