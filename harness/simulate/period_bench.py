"""A loaded circuit that runs periods from any state at any controls, and by how much these miss what they must meet."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from harness.contracts import Constraint, FloatArray, Periodic, Transient
from harness.simulate import ngspice
from harness.simulate.steady_state import Arrival
from netlists.periodic import Gate


@dataclass(slots=True)
class Effort:
    """What a stretch of work took: periods, accepted time steps, runs, processor time [s]."""

    periods: float = 0.0
    steps: int = 0
    runs: int = 0
    seconds: float = 0.0


class Bench:
    """A loaded circuit that runs whole parts of a period from any state at any controls.

    Where interleaved phases are equal, a part of the period with their names moved on is a map of its own: it takes
    less time, and how the phases share is no longer left to their small resistances.
    """

    def __init__(self, session: ngspice.Session, analysis: Periodic, effort: Effort, steps: int) -> None:
        self._session = session
        self._analysis = analysis
        self.effort = effort
        self.steps = steps
        self._vectors = analysis.vectors
        self._controls: tuple[float, ...] = ()
        self._last: tuple[FloatArray, dict[str, FloatArray]] | None = None

    def steer(self, analysis: Periodic) -> None:
        """Goes on with other gates of the same circuit."""
        self._analysis, self._controls = analysis, ()

    def last_period(self, controls: FloatArray) -> tuple[FloatArray, dict[str, FloatArray], float]:
        """Time from 0 [s] and vectors of the last whole period run, and the period [s]."""
        assert self._last is not None  # something was run
        axis, signals = self._last
        period = 1 / self._analysis.frequency_at(controls)
        beyond = round(axis[-1] / period * self._analysis.parts) % self._analysis.parts
        end = axis[-1] - beyond * period / self._analysis.parts
        begin = end - period
        inside = (axis > begin + 1e-9 * period) & (axis < end + 1e-9 * period)
        time = np.append(0.0, axis[inside] - begin)
        last = {name: np.append(np.interp(begin, axis, values), values[inside]) for name, values in signals.items()}
        return time, last, period

    def run(
        self, state: FloatArray, controls: FloatArray, maps: int, finer: int = 1, *, whole: bool = False
    ) -> Arrival:
        """The state after some maps, and by how much the last of them missed each constraint, scaled.

        Parameters
        ----------
        maps : parts of the period, whole periods where it has one part
        finer : how many times more steps a period has than ``steps``
        whole : constraints are taken over all of the maps, not over the last
        """
        began = time.process_time()
        analysis = self._analysis
        period = 1 / analysis.frequency_at(controls)
        part = period / analysis.parts
        for store, value in zip(analysis.states, state, strict=True):
            self._session.alter(f"@{store.device}[ic]", [value])
        if tuple(controls) != self._controls:
            for gate in analysis.gates:
                self._session.alter(f"@{gate.source}[pulse]", gate.pulse(period, controls[gate.control]))
            self._controls = tuple(controls)
        stretch = Transient(maps * part, period / (self.steps * finer))
        try:
            axis, signals = self._session.run_for(stretch, self._vectors)
        finally:
            self.effort.runs += 1
            self.effort.periods += maps / analysis.parts
            self.effort.seconds += time.process_time() - began
        self.effort.steps += axis.size
        self._last = axis, signals
        arrived = np.array([difference(signals, store.plus, store.minus) for store in analysis.states])
        for _ in range(maps if analysis.order else 0):
            arrived = arrived[list(analysis.order)]
        span = maps * part if whole else part
        errors = [missed(one, analysis, axis, signals, controls, span) for one in analysis.constraints]
        return Arrival(arrived, np.array(errors))


def difference(signals: dict[str, FloatArray], plus: str, minus: str) -> float:
    return float((signals[plus][-1] if plus else 0.0) - (signals[minus][-1] if minus else 0.0))


def missed(
    constraint: Constraint,
    analysis: Periodic,
    axis: FloatArray,
    signals: dict[str, FloatArray],
    controls: FloatArray,
    span: float,
) -> float:
    """By how much the last ``span`` [s] of a run missed a constraint, scaled by its target or by the period."""
    period = 1 / analysis.frequency_at(controls)
    first = max(int(np.searchsorted(axis, axis[-1] - span * (1 + 1e-9))), 0)
    stretch, values = axis[first:], signals[constraint.vector][first:]
    if constraint.kind == "mean":
        return float(np.trapezoid(values, stretch) / (stretch[-1] - stretch[0]) / constraint.target - 1)
    gate = analysis.gates[constraint.gate]
    assert isinstance(gate, Gate)  # an idle time ends where a place turns on
    duty = controls[gate.control]
    turn_on = gate.on.at(period, duty)
    turn_off = gate.off.at(period, duty)
    return (_idle(stretch - stretch[0], values, turn_off, turn_on, period) - constraint.target) / period


def _idle(stretch: FloatArray, current: FloatArray, turn_off: float, turn_on: float, period: float) -> float:
    """Time from the current's zero to the turn-on [s]; where it has not come to zero, less than none by its slope."""
    span = (turn_on - turn_off) % period
    instants = np.linspace(0.0, span, 400)
    falling = np.interp((turn_off + instants) % period, stretch, current)
    top = int(np.argmax(falling))
    below = np.nonzero(falling[top:] <= 0)[0]
    if below.size:
        index = top + int(below[0])
        share = falling[index - 1] / (falling[index - 1] - falling[index]) if index > top else 0.0
        return span - float(instants[max(index - 1, 0)] + share * (instants[1] - instants[0]))
    slope = (falling[top] - falling[-1]) / max(span - instants[top], instants[1])
    return -float(falling[-1] / max(slope, 1e-12))
