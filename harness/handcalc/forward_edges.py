"""Edges of a two-switch forward converter: delays and the fall of the primary's voltage by closed forms, the turn-on.

Seen from the primary where nothing else is said; diodes are ideal. The turn-off's peaks are in ``forward_turn_off``.
Left out: what one edge's ring does to the next edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc.channel import EULER, conductance, rise_ahead, time_constant
from netlists.stages.switching import GateLaw

GRID = 400  # instants a ring is looked at
CYCLES = 0.75  # ring periods looked at: the first swing holds the peak
BEFORE = 6.0  # time constants of a turning-on switch before its conductance counts


def turn_off_lag(law: GateLaw, pieces: int, capacitance: float) -> float:
    """From the gate's knee to where the straight rise of a place's voltage begins, seen back from it [s]."""
    return min(max(rise_ahead(law, pieces, capacitance), -law.lead_on), law.lead_off)


def turn_on_lag(law: GateLaw, pieces: int, capacitance: float) -> float:
    """From the gate's knee to the middle of the fall of a place's voltage [s].

    C v' = -g exp(t / tau) v gives v = V exp(-exp(x)), whose mean instant is Euler's constant ahead of x = 0, where the
    conductance is C / tau. Own derivation.
    """
    tau = time_constant(law)
    lag = tau * (math.log(capacitance / (tau * conductance(law, pieces, law.knee))) - EULER)
    return min(max(lag, -law.lead_on), law.lead_off)


@dataclass(frozen=True, slots=True)
class Fall:
    """The primary's voltage on its way from the bus to zero: how long [s], its volt-seconds [Vs]."""

    duration: float
    area: float


def fall(voltage: float, current: float, capacitance: float, magnetising: float, choke: float, output: float) -> Fall:
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
class TurningOn:
    """What the turn-on drives: the primary's voltage, leakage and rectifiers, all seen from the secondary.

    Parameters
    ----------
    voltage : that settles [V];  shares : of it, blocked by each switch before;  times : time constant of each [s]
    inductance, damping : of the leakage and beside it [H], [ohm];  capacitance : of the freewheel diode [F]
    snubber : resistance and capacitance beside it [ohm], [F]
    carried : current the leakage has before [A];  choke : that it takes over [A]
    start : voltage of the freewheel diode before, that of the output where the choke idles [V]
    """

    voltage: float
    shares: tuple[float, float]
    times: tuple[float, float]
    inductance: float
    damping: float
    capacitance: float
    snubber: tuple[float, float] | None
    carried: float
    choke: float
    start: float


@dataclass(frozen=True, slots=True)
class TurnedOn:
    """Peaks of a turn-on, secondary side [V], [A], and the courses they stand in: time [s], secondary current [A]."""

    voltage: float
    current: float
    time: FloatArray
    secondary: FloatArray


def turned_on(on: TurningOn) -> TurnedOn:
    """The leakage takes the choke's current over while both switches turn on, then rings with the freewheel diode.

    Counted from the instant the switches' conductance is their capacitance over their time constant. The voltage they
    let through is as in ``turn_on_lag``; the ring behind it is linear, stepped by the trapezoidal rule.
    """
    whole = on.capacitance + (on.snubber[1] if on.snubber else 0.0)
    ring = 2 * math.pi * math.sqrt(on.inductance * whole)
    slowest = max(on.times)
    taken = max(on.choke - on.carried, 0.0) * on.inductance / on.voltage
    time = np.linspace(-BEFORE * slowest, max(CYCLES * ring, 2 * slowest) + taken, GRID)
    blocked = np.zeros(GRID)
    for share, tau in zip(on.shares, on.times, strict=True):
        blocked += share * np.exp(-np.exp(np.minimum(time / tau, 50.0)))
    driven = on.voltage * (1 - blocked)
    step = float(time[1] - time[0])
    flux = np.concatenate(([0.0], np.cumsum(0.5 * (driven[1:] + driven[:-1]) * step)))
    current = on.carried + flux / on.inductance + driven / on.damping
    ready = current >= on.choke if on.start <= 0 else driven >= on.start
    begin = int(np.argmax(ready)) if bool(np.any(ready)) else GRID - 1
    if on.start > 0:
        current = np.zeros(GRID)
    across = np.full(GRID, max(on.start, 0.0))
    _ring(on, driven, step, begin, (current, across))
    return TurnedOn(float(np.max(across)), float(np.max(current)), time, current)


def _ring(on: TurningOn, driven: FloatArray, step: float, begin: int, courses: tuple[FloatArray, FloatArray]) -> None:
    """Fills in current and voltage from where the freewheel diode has let go."""
    current, across = courses
    resistance, beside = on.snubber if on.snubber else (1.0, 1.0)
    coupling = 1 / resistance if on.snubber else 0.0
    matrix = np.array(
        [
            [0.0, -1 / on.inductance, 0.0],
            [1 / on.capacitance, -(1 / on.damping + coupling) / on.capacitance, coupling / on.capacitance],
            [0.0, coupling / beside, -coupling / beside],
        ]
    )
    source = np.array([1 / on.inductance, 1 / on.damping / on.capacitance, 0.0])
    drain = np.array([0.0, -on.choke / on.capacitance, 0.0])
    half = 0.5 * step * matrix
    inverse = np.linalg.inv(np.eye(3) - half)
    forward, pushed, pulled = inverse @ (np.eye(3) + half), inverse @ source * step, inverse @ drain * step
    state = np.array([current[begin] - (driven[begin] - across[begin]) / on.damping, across[begin], across[begin]])
    for index in range(begin + 1, GRID):
        state = forward @ state + pushed * (0.5 * (driven[index - 1] + driven[index])) + pulled
        across[index] = state[1]
        current[index] = state[0] + (driven[index] - state[1]) / on.damping


def smoothed_overshoot(
    low: float, high: float, law: GateLaw, inductance: float, capacitance: float, quality: float
) -> float:
    """Peak of a voltage that a turning-on switch takes from ``low`` to ``high`` through a ringing loop [V].

    The switch alone would give high - (high - low) exp(-exp(t / tau)); the loop and its damping filter that.
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
