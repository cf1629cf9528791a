"""A flyback's turn-off by its own state equations: from the channel's opening until the clamp has let go.

State: current of the leakage, drain, current of the loop's inductance, reverse voltage of the clamp's diode, voltage of
the clamp's capacitor, voltage the core gives back, its current. The channel follows its gate's law; what the core gives
back first swings up the rectifiers' junctions, beside the drain, and then meets their straight path.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc.channel import conductance
from harness.handcalc.state_equations import solved
from netlists.stages.switching import GateLaw

TOLERANCE = 1e-5  # relative, of the step control; peaks are held to percents
POINTS = 800  # read from the solution
CACHED = 2048
LASTING = 1.6  # times what a straight fall of the leakage's current takes: with the loop's ringing it takes longer


@dataclass(frozen=True, slots=True)
class TurnOff:
    """What is around a turn-off; values of whole places.

    Parameters
    ----------
    supply, reflected : bus, and what the rectifiers hold the primary at without current [V];  path : of theirs [ohm]
    leakage, magnetising, damping, primary : inductances [H], resistances beside the leakage and in series [ohm]
    drain, rectifiers : capacitance at the drain, and of junctions and snubbers as the primary sees them [F]
    loop, loop_damping : inductance from drain to clamp [H], and the resistance beside it [ohm]
    junction, threshold, slope : the clamp's diode [F], [V], [ohm];  capacitance : of the clamp [F]
    """

    supply: float
    reflected: float
    path: float
    leakage: float
    magnetising: float
    damping: float
    primary: float
    drain: float
    rectifiers: float
    loop: float
    loop_damping: float
    junction: float
    threshold: float
    slope: float
    capacitance: float
    law: GateLaw
    pieces: int


@dataclass(frozen=True, slots=True)
class Pulse:
    """What a turn-off makes of the clamp.

    Parameters
    ----------
    charge : into the clamp [As];  square : of the diode's current over time [A2s];  current_peak : of the diode [A]
    drain_peak : [V]
    """

    charge: float
    square: float
    current_peak: float
    drain_peak: float


@lru_cache(maxsize=CACHED)
def clamp_pulse(around: TurnOff, current: float, slope: float, begin: float, before: float) -> Pulse:
    """The pulse of a turn-off.

    Parameters
    ----------
    current : of the primary where the drain's straight rise begins, ``begin`` after the gate's knee [A], [s]
    slope : it has risen at [A/s];  before : voltage of the clamp's capacitor [V]

    Raises
    ------
    ArithmeticError : it cannot be solved
    """
    law = around.law
    start = -law.lead_off
    ahead = max(before - around.reflected, 0.05 * around.reflected)
    rise = (around.drain + around.rectifiers) * (around.supply + before) / current
    end = max(begin + rise + LASTING * around.leakage * current / ahead, start + law.ramp)
    time = np.linspace(start, end, POINTS)
    first = current - slope * (begin - start)
    conducting = conductance(law, around.pieces, 1.0)
    share = around.magnetising / (around.magnetising + around.leakage)
    state: FloatArray = np.array(
        [first, first / conducting, 0.0, around.supply + before, before, -share * around.supply, first]
    )
    scale = np.array([current, around.supply, current, around.supply, before, around.supply, current])
    corners = np.array([start + law.ramp])
    found = solved(
        "a turn-off", _rates(around, start), state, time, corners, rtol=TOLERANCE,
        atol=TOLERANCE * float(np.min(scale)), mxstep=20000, hmax=(end - start) / 50,
    )  # fmt: skip
    through = np.maximum(-found[:, 3] - around.threshold, 0.0) / around.slope
    return Pulse(
        float(np.trapezoid(through, time)), float(np.trapezoid(through**2, time)), float(np.max(through)),
        float(np.max(found[:, 1])),
    )  # fmt: skip


def _rates(around: TurnOff, start: float) -> Callable[[FloatArray, float], list[float]]:
    """Time derivative of [leakage, drain, loop, diode's reverse voltage, clamp, core's voltage, core]."""
    law, supply, reflected = around.law, around.supply, around.reflected
    scale = law.scale * around.pieces

    def rates(state: FloatArray, t: float) -> list[float]:
        leaking, drain, inside, reverse, held, given, core = state.tolist()
        gate = max(1 - (t - start) / law.ramp, 0.0)
        across = supply - drain + given - around.primary * leaking
        between = drain - (supply + held - reverse)
        into_clamp = inside + between / around.loop_damping
        diode = max(-reverse - around.threshold, 0.0) / around.slope
        primary = leaking + across / around.damping
        rectified = max(given - reflected, 0.0) / around.path
        channel = scale * math.expm1(law.steepness * gate) * drain
        return [
            across / around.leakage,
            (primary - channel - into_clamp) / around.drain,
            between / around.loop,
            (diode - into_clamp) / around.junction,
            into_clamp / around.capacitance,
            (core - primary - rectified) / around.rectifiers,
            -given / around.magnetising,
        ]

    return rates
