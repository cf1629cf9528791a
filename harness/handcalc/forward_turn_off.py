"""The turn-off of a two-switch forward converter by its own state equations: what peaks there, what is left behind.

State: current of the loop's inductance; voltages of the loop's end and of both ends of the primary; currents of
leakage, core and choke; voltages of forward diode, freewheel diode and snubber. Both switches are conductances that
follow their gates' laws, diodes a threshold and a slope, the output a direct voltage. Shares no solver with the
simulation. Left out as there: recovery, the capacitances' fall with voltage.
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

TOLERANCE = 1e-4  # relative, of the step control; peaks are held to percents
POINTS = 600  # read from the solution
CACHED = 4096


@dataclass(frozen=True, slots=True)
class Cell:
    """What commutates; values of whole places.

    Parameters
    ----------
    loop, loop_damping : of the strays and beside them [H], [ohm]
    laws, pieces : of one piece of the high and the low switch
    switches, clamps : capacitances of high and low place, of the diode to the bus and of the one from ground [F]
    thresholds : of both clamp diodes in that order, of forward and freewheel diode [V];  slopes : likewise [ohm]
    leakage, damping, core, resistance : of the transformer, primary side [H], [ohm], [H], [ohm]
    ratio : primary over secondary;  rectifiers : capacitances of forward and freewheel diode [F]
    choke, output : [H], [V];  snubber : resistance and capacitance [ohm], [F]
    """

    loop: float
    loop_damping: float
    laws: tuple[GateLaw, GateLaw]
    pieces: tuple[int, int]
    switches: tuple[float, float]
    clamps: tuple[float, float]
    thresholds: tuple[float, float, float, float]
    slopes: tuple[float, float, float, float]
    leakage: float
    damping: float
    core: float
    resistance: float
    ratio: float
    rectifiers: tuple[float, float]
    choke: float
    output: float
    snubber: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class TurnedOff:
    """Peaks of one turn-off, and what the clamp diodes carry until the forward diode blocks.

    Parameters
    ----------
    switches : voltage of the high and the low one [V];  clamps : current of the one to the bus, from ground [A]
    charges, squares : of both clamp diodes [As], [A2s] until the leakage carries the magnetising current alone
    reverse : of the forward diode [V];  freewheel : current [A]
    """

    switches: tuple[float, float]
    clamps: tuple[float, float]
    charges: tuple[float, float]
    squares: tuple[float, float]
    reverse: float
    freewheel: float


@lru_cache(maxsize=CACHED)
def turned_off(cell: Cell, bus: float, choke: float, core: float, spans: tuple[float, float]) -> TurnedOff:
    """One turn-off from currents of choke and core [A] at a bus [V].

    Parameters
    ----------
    spans : from the gates' knees until the leakage has given its current up, and how long to look at the ring then [s]

    Raises
    ------
    ArithmeticError : the equations have no solution
    """
    begins = [-law.lead_off for law in cell.laws]
    ends = [begin + law.ramp for begin, law in zip(begins, cell.laws, strict=True)]
    time = np.linspace(min(begins), max(spans[0], *ends) + spans[1], POINTS)
    primary = core + choke / cell.ratio
    drops = [primary / conductance(law, pieces, 1.0) for pieces, law in zip(cell.pieces, cell.laws, strict=True)]
    across = (bus - sum(drops)) / cell.ratio
    drop = cell.thresholds[2] + cell.slopes[2] * choke
    start = [primary, bus, bus - drops[0], drops[1], primary, core, choke, drop, across - drop, across - drop]
    corners = np.array([max(ends)])  # the other corners lie as near to it or to the begin as laws and pieces differ
    state = solved(
        "a turn-off", _rates(cell, bus), np.array(start), time, corners, rtol=TOLERANCE,
        atol=TOLERANCE * 1e-2 * _scale(primary, choke, bus, cell.ratio), mxstep=5000,
    )  # fmt: skip
    return _read(cell, time, state)


def _scale(primary: float, choke: float, bus: float, ratio: float) -> FloatArray:
    """How large each state gets."""
    size = max(primary, choke / ratio, 1e-3)
    return np.array([size, bus, bus, bus, size, size, size * ratio, bus / ratio, bus / ratio, bus / ratio])


def _rates(cell: Cell, bus: float) -> Callable[[FloatArray, float], list[float]]:
    """Time derivative of the state."""
    loop, loop_damping, leakage, damping = cell.loop, cell.loop_damping, cell.leakage, cell.damping
    (high, low), (to_bus, from_ground) = cell.switches, cell.clamps
    nodes = np.linalg.inv(
        np.array([[high + to_bus, -high, -to_bus], [-high, high + from_ground, 0.0], [-to_bus, 0.0, low + to_bus]])
    ).tolist()
    (t0, t1, t2, t3), (s0, s1, s2, s3) = cell.thresholds, cell.slopes
    (of_forward, of_freewheel), ratio, resistance = cell.rectifiers, cell.ratio, cell.resistance
    snubbing, beside = cell.snubber if cell.snubber else (math.inf, 1.0)
    shared = 1 + resistance / damping
    gates = [
        (law.scale * pieces, law.steepness, law.ramp - law.lead_off, law.ramp)
        for law, pieces in zip(cell.laws, cell.pieces, strict=True)
    ]
    (g0, k0, e0, r0), (g1, k1, e1, r1) = gates
    expm1 = math.expm1

    def rates(state: FloatArray, t: float) -> list[float]:
        through, top, start, end, i_leak, i_core, i_choke, forward, rectified, held = state.tolist()
        magnetised = ratio * (forward + rectified)
        across = (start - end - magnetised - resistance * i_leak) / shared
        primary = i_leak + across / damping
        out = g0 * expm1(k0 * min(max((e0 - t) / r0, 0.0), 1.0)) * (top - start)
        back = g1 * expm1(k1 * min(max((e1 - t) / r1, 0.0), 1.0)) * end
        up = max(end - top - t0, 0.0) / s0
        fed = max(-start - t1, 0.0) / s1
        at_top = through + (bus - top) / loop_damping - out + up
        at_start = out + fed - primary
        at_end = primary - back - up
        secondary = ratio * (primary - i_core)
        damped = (rectified - held) / snubbing
        return [
            (bus - top) / loop,
            nodes[0][0] * at_top + nodes[0][1] * at_start + nodes[0][2] * at_end,
            nodes[1][0] * at_top + nodes[1][1] * at_start + nodes[1][2] * at_end,
            nodes[2][0] * at_top + nodes[2][1] * at_start + nodes[2][2] * at_end,
            across / leakage,
            magnetised / cell.core,
            (rectified - cell.output) / cell.choke,
            (secondary - max(forward - t2, 0.0) / s2) / of_forward,
            (secondary + max(-rectified - t3, 0.0) / s3 - i_choke - damped) / of_freewheel,
            damped / beside,
        ]

    return rates


def _read(cell: Cell, time: FloatArray, state: FloatArray) -> TurnedOff:
    _, top, start, end, leakage, core, _, forward, rectified, _ = state.T
    up = np.maximum(end - top - cell.thresholds[0], 0.0) / cell.slopes[0]
    fed = np.maximum(-start - cell.thresholds[1], 0.0) / cell.slopes[1]
    freewheel = np.maximum(-rectified - cell.thresholds[3], 0.0) / cell.slopes[3]
    passed = (leakage <= core) & (time > 0)
    last = int(np.argmax(passed)) + 1 if bool(np.any(passed)) else time.size
    begun, currents = time[:last], [one[:last] for one in (up, fed)]
    charges = [float(np.trapezoid(one, begun)) for one in currents]
    squares = [float(np.trapezoid(one**2, begun)) for one in currents]
    return TurnedOff(
        (float(np.max(top - start)), float(np.max(end))), (float(np.max(up)), float(np.max(fed))),
        (charges[0], charges[1]), (squares[0], squares[1]), float(np.max(-forward)), float(np.max(freewheel)),
    )  # fmt: skip
