"""A two-branch output network by Kirchhoff's laws, its periodic state under a straight-pieced current by matrix
exponentials. Knows nothing of the simulator, of ``netlists`` or of ``harness``.

The current u enters at a bank (v0). Left: copper (i1) to a bank (v1), cable (ic) to its load. Right: copper (i2) to a
bank (v2), filter choke (if) to a second bank (vf) with its load behind a contact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

Array = NDArray[np.float64]
V0, I1, V1, IC, I2, V2, IF, VF = range(8)
SIZE = 8
STEPS = 400  # a period is looked at, at least


@dataclass(frozen=True)
class Circuit:
    """Banks as (capacitance [F], ESR [ohm]), ways as (inductance [H], resistance [ohm]), loads [ohm]."""

    own: tuple[float, float]
    left_copper: tuple[float, float]
    left_bank: tuple[float, float]
    left_cable: tuple[float, float]
    left_load: float
    right_copper: tuple[float, float]
    right_bank: tuple[float, float]
    right_choke: tuple[float, float]
    right_filter: tuple[float, float]
    right_contact: float
    right_load: float


@dataclass(frozen=True)
class Periodic:
    """One period: times (n,), the current fed in (n,), and every signal by its name (n,)."""

    time: Array
    fed: Array
    signals: dict[str, Array]

    def mean(self, name: str) -> float:
        return float(np.trapezoid(self.signals[name], self.time) / (self.time[-1] - self.time[0]))

    def rms(self, name: str) -> float:
        square = np.trapezoid(self.signals[name] ** 2, self.time) / (self.time[-1] - self.time[0])
        return float(np.sqrt(square))

    def ripple(self, name: str) -> float:
        return float(np.ptp(self.signals[name]))


def rows(circuit: Circuit) -> tuple[Array, dict[str, Array]]:
    """Matrix of z' = M (z, u) and of every signal its row on (z, u), both with SIZE + 1 columns."""
    unit = np.eye(SIZE + 1)
    fed = unit[SIZE]
    (c0, r0), (c1, r1), (c2, r2), (cf, rf) = circuit.own, circuit.left_bank, circuit.right_bank, circuit.right_filter
    into_own = fed - unit[I1] - unit[I2]
    output = unit[V0] + r0 * into_own
    into_left = unit[I1] - unit[IC]
    left = unit[V1] + r1 * into_left
    into_right = unit[I2] - unit[IF]
    right = unit[V2] + r2 * into_right
    behind = circuit.right_contact + circuit.right_load
    load = (unit[VF] + rf * unit[IF]) / (behind + rf)
    into_filter = unit[IF] - load
    filtered = unit[VF] + rf * into_filter
    (l1, w1), (l2, w2), (lc, wc), (lf, wf) = (
        circuit.left_copper, circuit.right_copper, circuit.left_cable, circuit.right_choke,
    )  # fmt: skip
    matrix = np.zeros((SIZE, SIZE + 1))
    matrix[V0] = into_own / c0
    matrix[I1] = (output - left - w1 * unit[I1]) / l1
    matrix[V1] = into_left / c1
    matrix[IC] = (left - (wc + circuit.left_load) * unit[IC]) / lc
    matrix[I2] = (output - right - w2 * unit[I2]) / l2
    matrix[V2] = into_right / c2
    matrix[IF] = (right - filtered - wf * unit[IF]) / lf
    matrix[VF] = into_filter / cf
    return matrix, {
        "output": output, "left bank": left, "left connector": circuit.left_load * unit[IC], "left current": unit[I1],
        "left load": unit[IC], "right bank": right, "right filter": filtered,
        "right connector": circuit.right_load * load, "right current": unit[I2], "right load": load,
        "right choke": unit[IF], "own can": into_own, "left can": into_left, "right can": into_right,
        "filter can": into_filter,
    }  # fmt: skip


def solve(circuit: Circuit, time: Sequence[float] | Array, current: Sequence[float] | Array) -> Periodic:
    """The state that repeats under a current that is straight between (time [s], current [A]) and repeats itself."""
    matrix, signals = rows(circuit)
    larger = np.zeros((SIZE + 2, SIZE + 2))  # state, current, its slope
    larger[:SIZE, : SIZE + 1], larger[SIZE, SIZE + 1] = matrix, 1.0
    instants, fed, moves = [float(time[0])], [float(current[0])], []
    for index, span in enumerate(np.diff(time)):
        if span <= 0:
            continue
        parts = max(1, math.ceil(STEPS * span / (time[-1] - time[0])))
        move = expm(larger * (span / parts))
        slope = (current[index + 1] - current[index]) / span
        for part in range(parts):
            instants.append(float(time[index] + span * (part + 1) / parts))
            fed.append(float(current[index] + slope * span * (part + 1) / parts))
            moves.append((move, slope))

    def run(start: Array) -> Array:
        states = [start]
        for value, (move, slope) in zip(fed[:-1], moves, strict=True):
            states.append((move @ np.concatenate((states[-1], [value, slope])))[:SIZE])
        return np.array(states)

    through = np.eye(SIZE)
    for move, _ in moves:
        through = move[:SIZE, :SIZE] @ through
    start = np.linalg.solve(np.eye(SIZE) - through, run(np.zeros(SIZE))[-1])
    course = np.column_stack((run(start), fed))
    return Periodic(np.array(instants), np.array(fed), {name: course @ row for name, row in signals.items()})
