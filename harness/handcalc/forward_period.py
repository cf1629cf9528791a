"""One period of a two-switch forward converter by hand, as straight pieces; its duty by the choke's volt-seconds.

Counted from the rise of the primary's voltage: the leakage takes the choke's current over (duty is lost), power flows,
the primary's voltage falls, the clamp diodes take the leakage's energy and then the core's back to the bus, the core's
inductance turns its voltage back to zero against the capacitances, and the forward diode carries what is left of its
current until the next rise. Drops and resistances count at their mean current. Where the choke's current ends before
the period does (discontinuous), the ring of choke and core afterwards is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

from harness.handcalc import forward_edges as edges
from harness.handcalc.forward_edges import Fall, Release
from harness.handcalc.output_network import direct
from harness.handcalc.switching_waveform import (
    Course,
    choke_course,
    continuous_course,
    diode_tangent_of,
    flux_of,
    mean_of,
)
from netlists.instances import AT_THE_BANK
from netlists.point import Condition
from netlists.stages.switching import IDLE_QUALITY
from netlists.stages.two_switch_forward import (
    Params,
    choke_capacitance,
    end_capacitances,
    idle_capacitance,
    law_of,
    leakage_damping,
    primary_capacitance,
    whole,
)

CACHED = 256
ROUNDS = 5  # of currents and durations found from each other
SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]
LONGEST_ON = 0.98  # of the period: no search for an on-time goes further
BUS_ROUNDS = 6  # of the lowest bus: the duty goes almost as one over the bus
BUS_FOUND = 1e-5


@dataclass(frozen=True, slots=True)
class Lags:
    """From a gate's knee to what its voltage does [s], mean of both switches: see ``forward_edges``."""

    on: float
    off: float


@dataclass(frozen=True, slots=True)
class Volts:
    """Voltages of one period [V].

    Parameters
    ----------
    magnetised : across the magnetising inductance while power flows;  secondary : behind its forward diode then
    forward, freewheel : drops of the rectifiers;  clamp : bus and both clamp diodes
    """

    magnetised: float
    secondary: float
    forward: float
    freewheel: float
    clamp: float


@dataclass(frozen=True, slots=True)
class Core:
    """Magnetising current where power begins and ends, at the fall's end [A]; its reset and what follows [s].

    Parameters
    ----------
    idle : what the ring behind the reset turns it to, negative [A]; a discontinuous period forgets it
    reset : from the clamp diodes' conduction to the core's zero;  turn : quarter of the ring from there to no voltage
    left : from the reset's end to the next rise, negative where the core is not reset
    """

    first: float
    idle: float
    last: float
    peak: float
    reset: float
    turn: float
    left: float


@dataclass(frozen=True, slots=True)
class Solved:
    """A period, its origin the rise of the primary's voltage.

    Parameters
    ----------
    duty : of the gates, between knees;  takeover : of the leakage [s];  power : [s]
    """

    duty: float
    takeover: float
    power: float
    fall: Fall
    release: Release
    core: Core
    volts: Volts
    lags: Lags
    choke: Course
    current: float
    is_continuous: bool

    @property
    def valley(self) -> float:
        """Choke current as power begins [A]."""
        return self.choke.once(self.takeover) if self.is_continuous else 0.0

    @property
    def peak(self) -> float:
        """Choke current as power ends [A]."""
        return self.choke.once(self.takeover + self.power)

    @property
    def after(self) -> float:
        """Choke current at the fall's end [A]."""
        return self.choke.once(self.takeover + self.power + self.fall.duration)


def load_current(params: Params, condition: Condition) -> float:
    """Mean current of the output [A]."""
    return direct(params.output, condition).current


def at_bank(params: Params, condition: Condition) -> Params:
    """The same with the output at the voltage its own bank has: more than its target where that holds further on."""
    network = params.output.network
    if network is None or network.sense == AT_THE_BANK:
        return params
    level = direct(params.output, condition).output_voltage
    return replace(params, output=replace(params.output, voltage=level))


def primary_resistance(params: Params) -> float:
    """Of both switches and the primary [ohm]."""
    switches = sum(one.on_resistance / one.parallel for one in (params.high, params.low))
    return switches + params.transformer.primary_resistance


def secondary_capacitance(params: Params) -> float:
    """Of the freewheel diode and its snubber, seen from the primary [F]."""
    beside = params.snubber.capacitance if params.snubber else 0.0
    return (whole(params.freewheel) + beside) / params.ratio**2


def lifted_capacitance(params: Params) -> float:
    """What an idle choke lifts to the output's voltage [F]: both rectifiers and the snubber."""
    return choke_capacitance(params) + (params.snubber.capacitance if params.snubber else 0.0)


def lags_of(params: Params, bus: float) -> Lags:
    """Both switches' delays, each with its end of the primary; falling, half of the secondary's capacitance as well."""
    seen = 2 * secondary_capacitance(params)
    on, off = [], []
    for part, capacitance in zip((params.high, params.low), end_capacitances(params), strict=True):
        law = law_of(params, part, bus)
        on.append(edges.turn_on_lag(law, part.parallel, capacitance))
        off.append(edges.turn_off_lag(law, part.parallel, capacitance + seen))
    return Lags(sum(on) / 2, sum(off) / 2)


def volts_of(params: Params, bus: float, current: float, primary: float, clamped: float, inductance: float) -> Volts:
    """Voltages at the choke's mean current while power flows [A], the primary's then, the clamp diodes' [A].

    Leakage, core and choke divide what the switches leave of the bus; the choke's far end is the output.

    Parameters
    ----------
    inductance : of the choke between valley and peak, less than its own where it saturates [H]
    """
    ratio, wound = params.ratio, params.transformer
    drops = []
    for part, through in ((params.forward, current), (params.freewheel, current)):
        threshold, slope = diode_tangent_of(part, max(through, SMALLEST_CURRENT))
        drops.append(threshold + slope * through)
    clamps = [diode_tangent_of(one, max(clamped, SMALLEST_CURRENT)) for one in (params.high_clamp, params.low_clamp)]
    held = bus + sum(threshold + slope * clamped for threshold, slope in clamps)
    held += wound.primary_resistance * clamped
    lost = drops[0] + params.winding.resistance * current
    against = params.output.voltage + params.choke.winding_resistance * current + lost
    leakage = wound.leakage_inductance
    ahead = bus - primary_resistance(params) * primary + leakage / (ratio * inductance) * against
    shared = 1 + leakage / wound.magnetising_inductance + leakage / (ratio**2 * inductance)
    magnetised = ahead / shared
    return Volts(magnetised, magnetised / ratio - lost, drops[0], drops[1], held)


@lru_cache(maxsize=CACHED)
def solve(params: Params, condition: Condition) -> Solved:
    """The regulated period.

    Raises
    ------
    ArithmeticError : the output is out of reach at this bus
    """
    found = at_bus(params, condition, condition.line_voltage)
    if found.duty > params.largest_duty:
        raise ArithmeticError(
            f"no settled operation: a bus of {condition.line_voltage:.4g} V needs a duty of {found.duty:.3g}, the "
            f"largest is {params.largest_duty:.3g}"
        )
    return found


@lru_cache(maxsize=CACHED)
def lowest_bus(params: Params, condition: Condition) -> tuple[float, Solved]:
    """The bus at which the largest duty just holds the output [V], and the period there."""
    bus = params.ratio * params.output.voltage / params.largest_duty
    for _ in range(BUS_ROUNDS):
        found = at_bus(params, condition, bus)
        factor = found.duty / params.largest_duty
        bus *= factor
        if abs(factor - 1) < BUS_FOUND:
            break
    return bus, found


def at_bus(params: Params, condition: Condition, bus: float) -> Solved:
    """The period at a bus [V], its duty where it may be."""
    current = load_current(params, condition)
    params = at_bank(params, condition)
    lags = lags_of(params, bus)
    core = Core(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    state = None
    for _ in range(ROUNDS):
        is_continuous = state is None or state.is_continuous
        carried = current if state is None or is_continuous else 0.5 * state.peak
        through = 0.5 * (core.first + core.last) + carried / params.ratio
        volts = volts_of(params, bus, carried, through, 0.5 * core.peak, _inductance(params, state))
        if params.output.voltage >= volts.secondary:
            raise ArithmeticError(f"no settled operation: a bus of {bus:.4g} V gives no more than the output's voltage")
        state = _turned(params, bus, current, volts, lags, core, state)
        core = state.core
    assert state is not None  # there are rounds
    return state


def _inductance(params: Params, state: Solved | None) -> float:
    """Of the choke between valley and peak of a period [H]."""
    if state is None or not params.choke.saturates or state.peak <= state.valley:
        return params.choke.inductance
    linked = flux_of(params.choke, np.array([state.valley, state.peak]))
    return float(linked[1] - linked[0]) / (state.peak - state.valley)


def _turned(
    params: Params, bus: float, current: float, volts: Volts, lags: Lags, core: Core, before: Solved | None
) -> Solved:
    """One round: durations by the currents before, then the currents by these durations."""
    valley, peak = (before.valley, before.peak) if before else (current, current)
    against = params.output.voltage + params.choke.winding_resistance * current
    dropping = edges.fall(
        volts.magnetised, core.last + peak / params.ratio, primary_capacitance(params) + secondary_capacitance(params),
        params.transformer.magnetising_inductance, params.ratio**2 * params.choke.inductance,
        params.ratio * (against + volts.forward),
    )  # fmt: skip
    falling = dropping.area / dropping.duration / params.ratio - volts.forward if dropping.duration > 0 else 0.0
    takeover = _takeover(params, bus, valley, core.first)
    found = _continuous(params, current, volts, (takeover, dropping.duration), (falling, against))
    is_continuous = float(np.min(found[0].value)) >= 0
    if not is_continuous:
        takeover, core = 0.0, replace(core, first=0.0)
        found = _discontinuous(params, current, volts, dropping.duration, (falling, against))
    choke, power = found
    gate = takeover + power + lags.on - lags.off
    ended = takeover + power
    let = _release(params, volts, choke.once(ended + dropping.duration), core)
    core = _core(params, volts, core.first, (power, dropping), let, params.period - takeover - power)
    core = replace(core, first=core.idle if is_continuous else 0.0)
    return Solved(
        gate / params.period, takeover, power, dropping, let, core, volts, lags, choke, current, is_continuous
    )


def _takeover(params: Params, bus: float, valley: float, first: float) -> float:
    """How long the leakage takes to carry the choke's current, less what it already carries, at the whole bus [s].

    The damping beside the leakage carries a part of it at once.
    """
    wanted = valley / params.ratio + first - bus / leakage_damping(params)
    return max(wanted, 0.0) * params.transformer.leakage_inductance / bus


Piece = tuple[Course, float]  # the choke's course, how long power flows [s]


def _continuous(
    params: Params, current: float, volts: Volts, spans: tuple[float, float], ends: tuple[float, float]
) -> Piece:
    """Choke current that never ends; spans: takeover and fall [s]; ends: behind the forward diode in the fall, and
    what the choke works against [V]."""
    takeover, dropping = spans
    falling, against = ends
    period, low = params.period, volts.freewheel + against
    high = volts.secondary - against
    power = (low * (period - dropping) - dropping * (falling - against)) / (high + low)
    power = min(max(power, 0.0), LONGEST_ON * period - takeover - dropping)
    rest = period - takeover - power - dropping
    course = continuous_course(
        params.choke, (takeover, power, dropping, rest), (-low, high, falling - against, -low), current
    )
    return course, power


def _discontinuous(params: Params, current: float, volts: Volts, dropping: float, ends: tuple[float, float]) -> Piece:
    """Choke current that ends; what lifts the idle choke's capacitances to the output is given back from the load."""
    falling, against = ends
    period = params.period
    wanted = current + lifted_capacitance(params) * params.output.voltage / period

    def course_of(power: float) -> Course:
        top = power * (volts.secondary - against)
        after = max(top + dropping * (falling - against), 0.0)
        ended = min(power + dropping + after / (volts.freewheel + against), period * (1 - 1e-9))
        time = np.array([0.0, power, min(power + dropping, ended), ended, period])
        return choke_course(params.choke, time, np.array([0.0, top, after, 0.0, 0.0]))

    def miss(power: float) -> float:
        return mean_of(course_of(power)) - wanted

    most = LONGEST_ON * period - dropping
    power = float(brentq(miss, 0.0, most, xtol=1e-6 * period)) if miss(most) > 0 else most
    return course_of(power), power


def _release(params: Params, volts: Volts, after: float, core: Core) -> Release:
    """What the leakage does behind the fall, choke current there [A]."""
    return edges.release(
        volts.clamp, core.peak + max(after, 0.0) / params.ratio, core.peak, params.transformer.leakage_inductance,
        primary_capacitance(params), leakage_damping(params),
    )  # fmt: skip


def _core(params: Params, volts: Volts, first: float, driven: tuple[float, Fall], let: Release, off: float) -> Core:
    """Magnetising current from V t / L, its reset at bus and clamp diodes, the quarter of the ring behind it.

    Parameters
    ----------
    first : magnetising current as power begins [A];  driven : power's duration [s] and the fall
    off : from power's end to the next rise [s]
    """
    power, dropping = driven
    inductance = params.transformer.magnetising_inductance
    last = first + volts.magnetised * power / inductance
    peak = last + dropping.area / inductance
    reset = max(peak, 0.0) * params.transformer.primary_inductance / volts.clamp
    begun = dropping.duration + let.charging + let.handing
    left = off - begun - reset
    capacitance = idle_capacitance(params)
    omega = 1 / math.sqrt(inductance * capacitance)
    turn = 0.5 * math.pi / omega
    angle = min(max(left, 0.0) * omega, 0.5 * math.pi)
    reached = volts.clamp * math.sqrt(capacitance / inductance) * math.sin(angle)
    return Core(first, -reached * math.exp(-0.25 * math.pi / IDLE_QUALITY), last, peak, reset, turn, left)
