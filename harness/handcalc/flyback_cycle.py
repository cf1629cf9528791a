"""Times and currents of one flyback period by the balances of volt-seconds and charge, whichever way its current runs.

Time counts from where the magnetising current is least: the leakage has taken it over, the switch carries all of it.
Pieces: it rises for ``rise_time``; the drain swings up in ``edge_time``, in which the capacitances at the drain and the
core exchange their energy; it falls for ``fall_time`` while the rectifiers carry what the leakage and the clamp leave
them; in continuous conduction the leakage takes it over again at the fall's end, in discontinuous conduction the drain
rings until the next turn-on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.contracts import FloatArray
from netlists.stages.flyback_params import Params, core_resistance, drain_capacitance, turn_on_delay

SETTLING = 12  # rounds of on-time and ring found from each other, halfway each time
RING_POINTS, MOST_RING_POINTS = 16, 400  # of the drain's ring: a swing, all of it
SMALLEST_CURRENT = 1e-3  # an edge is no slower than with this current [A]
SEARCHED = 60  # rounds of quantities found from each other


@dataclass(frozen=True, slots=True)
class Cycle:
    """Times [s] and core's currents [A] of a period, ``start`` at its begin, ``first`` as the rectifiers take over.

    Parameters
    ----------
    valley : current at the end of the fall in continuous conduction, 0 in discontinuous
    takeover : from the turn-on until the leakage has taken the current over [s]
    drain : voltage across the switch just before its turn-on [V]
    """

    period: float
    rise_time: float
    edge_time: float
    fall_time: float
    takeover: float
    start: float
    peak: float
    first: float
    valley: float
    drain: float
    ring_time: FloatArray
    ring_current: FloatArray

    @property
    def is_continuous(self) -> bool:
        """The rectifiers conduct until the next turn-on."""
        return self.ring_time.size == 0


def ring_of(params: Params, supply: float, reflected: float, duration: float) -> tuple[FloatArray, FloatArray, float]:
    """After the rectifiers' end: times [s], magnetising currents [A], and the drain's voltage after ``duration`` [V].

    Drain and current turn about (bus, 0) and shrink by the core's loss; at 0 V the body diode holds the drain and the
    current comes back. Exact from step to step but for where in a step the diode begins to hold.
    """
    inductance, capacitance = params.primary.magnetising_inductance, drain_capacitance(params)
    omega, impedance = 1 / math.sqrt(inductance * capacitance), math.sqrt(inductance / capacitance)
    steps = int(min(max(math.ceil(duration * omega / (2 * math.pi) * RING_POINTS), 4), MOST_RING_POINTS))
    step = duration / steps
    damping = math.exp(-0.5 * step / (core_resistance(params) * capacitance))
    cosine, sine = damping * math.cos(omega * step), damping * math.sin(omega * step)
    time = np.linspace(0.0, duration, steps + 1)
    if reflected <= supply:  # it never comes down to 0 V
        envelope = reflected * np.exp(-0.5 * time / (core_resistance(params) * capacitance))
        drain = supply + float(envelope[-1]) * math.cos(omega * duration)
        return time, -envelope / impedance * np.sin(omega * time), drain
    above, current = reflected, 0.0  # of the drain over the bus
    found = [current]
    for _ in range(steps):
        if above <= -supply and current < 0:
            above, current = -supply, current + supply / inductance * step
        else:
            above, current = above * cosine + impedance * current * sine, current * cosine - above / impedance * sine
            above = max(above, -supply)
        found.append(current)
    return time, np.array(found), supply + above


@dataclass(frozen=True, slots=True)
class Demand:
    """What a period must bring: ampere-turns of all loads over primary turns, mean [A]; what takes from them.

    Parameters
    ----------
    supply : bus [V];  on_voltage : left for the primary while it rises [V];  reflected : [V]
    clamp_charge : a pulse of the clamp takes from the rectifiers [As]
    """

    total: float
    supply: float
    on_voltage: float
    reflected: float
    clamp_charge: float


def cycle_of(params: Params, demand: Demand) -> Cycle:
    """The period that brings what is demanded, whichever way its current runs."""
    shortest = 1 / params.switching_frequency
    if params.mode == "valley":
        swung = _valley(params, demand)
        if swung.period >= shortest:
            return swung
    found = _discontinuous(params, demand, shortest)
    return _continuous(params, demand, shortest) if found is None else found


def _lifted(params: Params, demand: Demand) -> float:
    """Square of the current the core gains while the drain swings from 0 to bus and reflected voltage [A2].

    L (I1^2 - I0^2) / 2 = Vin Q - C (Vin + Vr)^2 / 2 with Q = C (Vin + Vr): C (Vin^2 - Vr^2) / L.
    """
    inductance = params.primary.magnetising_inductance
    return drain_capacitance(params) * (demand.supply**2 - demand.reflected**2) / inductance


def _edge_time(params: Params, demand: Demand, current: float) -> float:
    """How long the drain takes from 0 to bus and reflected voltage [s], by the mean of its current."""
    return drain_capacitance(params) * (demand.supply + demand.reflected) / max(current, SMALLEST_CURRENT)


def _charged(params: Params, demand: Demand, period: float) -> tuple[float, float]:
    """Current from which a fall to zero brings the demand, and the fall's time: L I^2 / 2 Vr less the core's share."""
    inductance, reflected = params.primary.magnetising_inductance, demand.reflected
    charge = demand.total * period + demand.clamp_charge
    core = reflected / core_resistance(params)
    first = core + math.sqrt(core**2 + 2 * reflected * charge / inductance)
    return first, first * inductance / reflected


def _discontinuous(params: Params, demand: Demand, period: float) -> Cycle | None:
    """The charge of the fall is the demand, so its current is known; on-time and ring follow from each other."""
    first, fall_time = _charged(params, demand, period)
    peak = math.sqrt(max(first**2 - _lifted(params, demand), 0.01 * first**2))
    edge_time, back = _edge_time(params, demand, 0.5 * (peak + first)), 0.0
    for _ in range(SETTLING):
        rise_time = params.primary.primary_inductance * (peak - back) / demand.on_voltage
        idle = period - rise_time - edge_time - fall_time
        time, current, drain = ring_of(params, demand.supply, demand.reflected, max(idle, 0.0))
        back += 0.5 * (float(current[-1]) - back)
    if idle <= 0:
        return None
    return Cycle(period, rise_time, edge_time, fall_time, 0.0, back, peak, first, 0.0, drain, time, current)


def _valley(params: Params, demand: Demand) -> Cycle:
    """The same with a period that follows from its pieces and the stated delay."""
    delay = turn_on_delay(params)
    time, current, drain = ring_of(params, demand.supply, demand.reflected, delay)
    back, period = float(current[-1]), 1 / params.switching_frequency
    for _ in range(SEARCHED):  # first grows as the root of the period: half of each change is left of it
        first, fall_time = _charged(params, demand, period)
        peak = math.sqrt(max(first**2 - _lifted(params, demand), 0.01 * first**2))
        rise_time = params.primary.primary_inductance * (peak - back) / demand.on_voltage
        edge_time = _edge_time(params, demand, 0.5 * (peak + first))
        period = rise_time + edge_time + fall_time + delay
    return Cycle(period, rise_time, edge_time, fall_time, 0.0, back, peak, first, 0.0, drain, time, current)


def _continuous(params: Params, demand: Demand, period: float) -> Cycle:
    """Times by the balance of volt-seconds, the mean current by that of charge."""
    primary, reflected = params.primary, demand.reflected
    magnetising, leakage = primary.magnetising_inductance, primary.leakage_inductance
    slope_up, slope_down = demand.on_voltage / primary.primary_inductance, reflected / magnetising
    core = reflected / core_resistance(params)
    valley, takeover, edge_time, gained = 0.0, 0.0, 0.0, 0.0
    for _ in range(SEARCHED):
        # rise_time slope_up + gained = fall_time slope_down, and both with the edge make the period
        fall_time = (slope_up * (period - edge_time) + gained) / (slope_up + slope_down)
        rise_time = period - edge_time - fall_time
        taken = demand.clamp_charge + 0.5 * valley * takeover
        mean = (demand.total * period + taken) / fall_time + core
        first, valley = mean + 0.5 * slope_down * fall_time, max(mean - 0.5 * slope_down * fall_time, 0.0)
        peak = math.sqrt(max(first**2 - _lifted(params, demand), 0.01 * first**2))
        takeover = min(leakage * valley / (demand.on_voltage + reflected), 0.5 * fall_time)
        edge_time, gained = _edge_time(params, demand, 0.5 * (peak + first)), first - peak
    none = np.zeros(0)
    return Cycle(
        period, rise_time, edge_time, fall_time, takeover, valley, peak, first, valley, demand.supply + reflected,
        none, none,
    )  # fmt: skip
