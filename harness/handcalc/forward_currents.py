"""Currents of a two-switch forward converter's places over a period, and what its two edges peak at.

The courses are straight pieces put together from the choke's, the core's and the leakage's current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.handcalc import forward_edges as edges
from harness.handcalc.channel import time_constant
from harness.handcalc.forward_period import SMALLEST_CURRENT, Solved
from harness.handcalc.forward_turn_off import Cell, TurnedOff, turned_off
from harness.handcalc.switching_waveform import Course, diode_tangent_of, part_of, summed
from netlists.point import Condition
from netlists.stages.two_switch_forward import (
    Params,
    end_capacitances,
    law_of,
    leakage_damping,
    loop_capacitance,
    whole,
)

LATER = 1.3  # times the straight pieces' turn-off: how long the leakage may take to give its current up


@dataclass(frozen=True, slots=True)
class Currents:
    """Courses of all places as straight pieces [A], whole places.

    Parameters
    ----------
    primary : while the switches conduct;  feed : out of the bus, the clamp diodes' return taken off
    """

    primary: Course
    forward: Course
    freewheel: Course
    clamp: Course
    feed: Course


def currents_of(params: Params, state: Solved) -> Currents:
    """Every place's current from the choke's, the core's and the leakage's."""
    period, ratio, core, let = params.period, params.ratio, state.core, state.release
    begun = state.takeover
    ended = begun + state.power
    fallen = ended + state.fall.duration
    clamped = fallen + let.charging
    handed = clamped + let.handing
    reset = min(handed + core.reset, period)
    resting = min(reset + core.turn, period)
    idle = -ratio * core.idle
    after = max(state.after, 0.0)
    flowing = part_of(state.choke, begun, ended)
    shared = flowing.scaled(1 / ratio)
    begin = state.valley / ratio + core.first
    magnetising = _course(period, [(0.0, 0.0), (begun, begin), (begun, core.first), (ended, core.last), (ended, 0.0)])
    primary = summed([shared, magnetising], [0.0, 0.0])
    lead = idle if state.is_continuous else 0.0
    taking = _course(period, [(0.0, lead), (begun, state.valley), (begun, 0.0), (ended, 0.0)], 0.0)
    handing = _course(
        period,
        [(ended, 0.0), (ended, state.peak), (fallen, after),
         (clamped, max(min(ratio * (let.leakage - core.peak), after), 0.0)), (handed, 0.0)],
    )  # fmt: skip
    low = summed([state.choke, flowing.scaled(-1.0)], [0.0, 0.0])
    kept = part_of(low, resting, period)  # what is left of the choke's current bounds what the core turns over to it
    resting_course = Course(kept.time, np.minimum(kept.value, idle))
    forward = summed([flowing, taking, handing, resting_course], [0.0] * 4)
    clamp = _course(period, [(clamped, 0.0), (clamped, let.clamp), (handed, core.peak), (reset, 0.0)])
    free = summed([state.choke, forward.scaled(-1.0)], [0.0, 0.0])
    freewheel = Course(free.time, np.maximum(free.value, 0.0))
    start, end = end_capacitances(params)  # of the primary's current the bus brings a part while both are charged
    charged = (start - whole(params.low_clamp)) / start - whole(params.high_clamp) / end
    last = (state.peak / ratio + core.last) * charged
    bus = _course(period, [(ended, 0.0), (ended, last), (fallen, last), (fallen, 0.0)])
    feed = summed([primary, bus, clamp.scaled(-1.0)], [0.0, 0.0, 0.0])
    return Currents(primary, forward, freewheel, clamp, feed)


def _course(period: float, corners: list[tuple[float, float]], ends: float = 0.0) -> Course:
    """A course through corners in time [s]; before the first and behind the last at ``ends``."""
    times, values = zip(*corners, strict=True)
    time = np.clip(np.array([0.0, *times, period]), 0.0, period)
    return Course(np.maximum.accumulate(time), np.array([ends, *values, ends]))


def turn_off_of(params: Params, condition: Condition, state: Solved) -> TurnedOff:
    """The turn-off of a period by its own state equations, looked at until the forward diode's ring has peaked."""
    bus, wound, ratio = condition.line_voltage, params.transformer, params.ratio
    current, core = state.peak, state.core.last
    primary = core + current / ratio
    lines = [
        diode_tangent_of(part, max(through, SMALLEST_CURRENT))
        for part, through in (
            (params.high_clamp, primary), (params.low_clamp, primary), (params.forward, current),
            (params.freewheel, current),
        )
    ]  # fmt: skip
    strays = params.strays
    cell = Cell(
        strays.loop_inductance,
        strays.loop_quality * math.sqrt(strays.loop_inductance / loop_capacitance(params)),
        (law_of(params, params.high, bus), law_of(params, params.low, bus)),
        (params.high.parallel, params.low.parallel),
        (params.high.output_capacitance * params.high.parallel, params.low.output_capacitance * params.low.parallel),
        (whole(params.high_clamp), whole(params.low_clamp)),
        (lines[0][0], lines[1][0], lines[2][0], lines[3][0]),
        (lines[0][1], lines[1][1], lines[2][1], lines[3][1]),
        wound.leakage_inductance,
        leakage_damping(params),
        wound.magnetising_inductance,
        wound.primary_resistance + ratio**2 * params.winding.resistance,
        ratio,
        (whole(params.forward), whole(params.freewheel)),
        params.choke.inductance,
        params.output.voltage,
        None if params.snubber is None else (params.snubber.resistance, params.snubber.capacitance),
    )
    given = max(state.lags.off, 0.0) + state.fall.duration + state.release.charging + state.release.handing
    ring = math.sqrt(wound.leakage_inductance * whole(params.forward)) / ratio
    looked = 2 * math.pi * max(ring, math.sqrt(strays.loop_inductance * loop_capacitance(params)))
    return turned_off(cell, bus, current, core, (LATER * given, looked))


@dataclass(frozen=True, slots=True)
class TurnOn:
    """What the turn-on peaks at: voltage of the freewheel diode [V]; currents of forward diode, primary, and of the
    channels of the high and the low switch [A]; squares of both channels beyond the primary's [A2s]."""

    freewheel: float
    forward: float
    primary: float
    channels: tuple[float, float]
    charges: tuple[float, float]
    squares: tuple[float, float]


def turn_on_of(params: Params, condition: Condition, state: Solved) -> TurnOn:
    """The turn-on of a period: the leakage's ring, and the channels that empty the ends of the primary before it."""
    bus, ratio, wound = condition.line_voltage, params.ratio, params.transformer
    ends = end_capacitances(params)
    total = sum(ends)
    shares = (ends[0] / total, ends[1] / total)  # of the bus, with no voltage across the primary
    if not state.is_continuous:
        shares = (0.5 * (1 - params.output.voltage * ratio / bus),) * 2
    laws = [law_of(params, part, bus) for part in (params.high, params.low)]
    times = (time_constant(laws[0]), time_constant(laws[1]))
    snubber = None if params.snubber is None else (params.snubber.resistance, params.snubber.capacitance)
    found = edges.turned_on(
        edges.TurningOn(
            state.volts.secondary, shares, times, wound.leakage_inductance / ratio**2,
            leakage_damping(params) / ratio**2, whole(params.freewheel), snubber,
            -ratio * state.core.first, state.valley, 0.0 if state.is_continuous else params.output.voltage,
        )
    )  # fmt: skip
    primary = np.maximum(found.secondary / ratio + state.core.first, 0.0)
    charges = [capacitance * share * bus for capacitance, share in zip(ends, shares, strict=True)]
    channels, squares = [], []
    for charge, tau in zip(charges, times, strict=True):
        x = np.minimum(found.time / tau, 50.0)
        emptied = charge / tau * np.exp(x - np.exp(x))
        channels.append(float(np.max(emptied + primary)))
        squares.append(float(np.trapezoid((emptied + primary) ** 2 - primary**2, found.time)))
    return TurnOn(
        found.voltage, found.current, float(np.max(primary)), (channels[0], channels[1]), (charges[0], charges[1]),
        (squares[0], squares[1]),
    )  # fmt: skip
