"""Finds a periodic steady state and the controls that regulate it: shooting by Newton's method with Broyden updates.

Knows nothing of ngspice: it is handed a function that runs whole periods. Unknowns are the slow states and the
controls; fast states take the end of the last period. The aim is a state that repeats and constraints that are met.

Unknowns are scaled by the hand calculation's estimates. Iteration stops on the Newton step, never on the residual: the
true error of a slow stage was 70 to 3100 times its residual.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from harness.contracts import FloatArray
from netlists.errors import SimulationError

SEED_PERIODS = 3  # at the start, only so that fast states follow the slow ones
STATE_STEP, CONTROL_STEP = 0.01, 0.003  # difference steps, scaled; smaller ones only meet noise of the time steps
LARGEST_STEP = 0.3  # of any scaled unknown in one iteration
REFRESH = 0.3  # a Newton step that shrank to less than this has a good enough Jacobian
CONVERGED = 1e-4  # Newton step, scaled
CONFIRMED = 3e-4  # the same, after one more period
NOISE_FLOOR = 1e-3  # a step that stalls below it is as good as step selection lets it be; verification has the say
MOST_STALLS = 2
MOST_ITERATIONS = 20
MOST_WARM_ITERATIONS = 6  # from a neighbour; where it takes more, a cold start is cheaper
MOST_HALVINGS = 5
REACH_MAPS, REACHED = 21, 0.02  # a point that still drifts by more, scaled, over so many maps proves nothing
REACH_RUNGS = 2  # of the ladder, where only the sign of a miss is asked for
# Rungs: periods run before the search, periods one map is made of, how much finer than asked its time steps are.
LADDER = ((0, 1, 1), (0, 1, 2), (0, 4, 2), (100, 1, 2), (200, 4, 2))


@dataclass(frozen=True, slots=True)
class Arrival:
    """Where some periods led: all states at the end, and how far each constraint was missed in the last, scaled."""

    state: FloatArray
    errors: FloatArray


# state, controls, periods, and how much finer the time steps are than asked
RunPeriods = Callable[[FloatArray, FloatArray, int, int], Arrival]


@dataclass(frozen=True, slots=True)
class Problem:
    """A steady state to be found.

    Parameters
    ----------
    state : estimate of all states, shape (n,);  scale : the same shape, > 0
    groups : indices of the states of each unknown, its leader first; the others keep their distance from it
    controls, low, high : estimate and bounds, shape (m,)
    """

    state: FloatArray
    scale: FloatArray
    groups: tuple[tuple[int, ...], ...]
    controls: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def leaders(self) -> list[int]:
        """State index of every unknown that is no control."""
        return [group[0] for group in self.groups]

    def with_slow(self, state: FloatArray, values: FloatArray) -> FloatArray:
        """A state whose leaders have other values [V or A], shape of ``leaders``; their groups move along with them."""
        moved = state.copy()
        for group, value in zip(self.groups, values, strict=True):
            moved[list(group)] += value - moved[group[0]]
        return moved

    def change(self, before: FloatArray, after: FloatArray) -> FloatArray:
        """From one state to another, of the leaders alone, scaled."""
        leaders = self.leaders
        return (after[leaders] - before[leaders]) / self.scale[leaders]


@dataclass(frozen=True, slots=True)
class Warm:
    """What a neighbouring case leaves for the next: what was found, its Jacobian, and the problem they belong to."""

    state: FloatArray
    controls: FloatArray
    jacobian: FloatArray
    problem: Problem

    def moved_to(self, problem: Problem) -> Warm:
        """The same as a start for another problem: as far from its estimates as it was from its own, scaled anew."""
        old = np.concatenate((self.problem.scale[self.problem.leaders], self.problem.controls))
        new = np.concatenate((problem.scale[problem.leaders], problem.controls))
        rows = np.concatenate((new[: len(problem.groups)], np.ones(problem.controls.size)))
        rows_before = np.concatenate((old[: len(problem.groups)], np.ones(problem.controls.size)))
        slow = (problem.state + self.state - self.problem.state)[problem.leaders]
        # fast states of the neighbour are better than any estimate of theirs
        state = problem.with_slow(self.state, slow)
        controls = np.clip(problem.controls + self.controls - self.problem.controls, problem.low, problem.high)
        jacobian = self.jacobian * np.outer(rows_before / rows, new / old)
        return Warm(state, controls, jacobian, problem)


@dataclass(frozen=True, slots=True)
class Solution:
    """A steady state. ``step`` is the last Newton step, scaled: an estimate of the error; ``rung`` of the ladder."""

    state: FloatArray
    controls: FloatArray
    jacobian: FloatArray
    step: float
    map_periods: int
    rung: int = 0
    is_warm: bool = False

    def warm(self, problem: Problem) -> Warm:
        """For the next of a chain."""
        return Warm(self.state, self.controls, self.jacobian, problem)


class NotFoundError(Exception):
    """No rung of the ladder led to a steady state; the text says what each came to."""


@dataclass(slots=True)
class _Iterate:
    """Unknowns z, the fast states they were run with, and what came of it."""

    unknowns: FloatArray
    state: FloatArray
    residual: FloatArray
    arrived: FloatArray


@dataclass(slots=True)
class _Search:
    """One rung: Newton's method on a map of ``periods`` periods."""

    problem: Problem
    run: RunPeriods
    periods: int
    fixed: bool  # controls stay where they are
    finer: int = 1
    most: int = MOST_ITERATIONS
    step: float = field(default=float("inf"))

    def residual(self, unknowns: FloatArray, state: FloatArray) -> _Iterate:
        """Runs the map from some unknowns, the other states as in ``state``."""
        start, controls = self.placed(unknowns, state)
        arrival = self.run(start, controls, self.periods, self.finer)
        change = self.problem.change(start, arrival.state)
        residual = change if self.fixed else np.concatenate((change, arrival.errors))
        return _Iterate(unknowns, start, residual, arrival.state)

    def placed(self, unknowns: FloatArray, state: FloatArray) -> tuple[FloatArray, FloatArray]:
        """All states and the controls of some unknowns."""
        problem = self.problem
        slow = len(problem.groups)
        start = problem.with_slow(state, unknowns[:slow] * problem.scale[problem.leaders])
        if self.fixed:
            return start, problem.controls
        return start, np.clip(unknowns[slow:] * problem.controls, problem.low, problem.high)

    def unknowns(self, state: FloatArray, controls: FloatArray) -> FloatArray:
        """The scaled unknowns of states and controls."""
        leaders = self.problem.leaders
        slow = state[leaders] / self.problem.scale[leaders]
        return slow if self.fixed else np.concatenate((slow, controls / self.problem.controls))

    def jacobian(self, base: _Iterate) -> FloatArray:
        """Finite differences; a control at its upper bound is stepped inwards."""
        size, slow = base.unknowns.size, len(self.problem.groups)
        found = np.empty((size, size))
        for column in range(size):
            step = STATE_STEP if column < slow else CONTROL_STEP
            if column >= slow and self._is_high(base.unknowns, column):
                step = -step
            moved = base.unknowns.copy()
            moved[column] += step
            found[:, column] = (self.residual(moved, base.state).residual - base.residual) / step
        return found

    def _is_high(self, unknowns: FloatArray, column: int) -> bool:
        index = column - len(self.problem.groups)
        value = unknowns[column] + CONTROL_STEP
        return bool(value * self.problem.controls[index] > self.problem.high[index])

    def solve(self, state: FloatArray, controls: FloatArray, jacobian: FloatArray | None) -> Solution:
        """Newton with Broyden updates; a fresh Jacobian only where a step did not help.

        Raises
        ------
        NotFoundError : no convergence
        SimulationError : the periods do not run even at the start
        """
        at = self.residual(self.unknowns(state, controls), state)
        fresh, best, stalls = False, float("inf"), 0
        for _ in range(self.most):
            if jacobian is None:
                jacobian, fresh = self.jacobian(at), True
            newton = _newton_step(jacobian, at.residual)
            self.step = float(np.max(np.abs(newton)))
            stalls = 0 if self.step < 0.7 * best else stalls + 1
            best = min(best, self.step)
            followed = self._fast_followed(at)
            if self.step < CONVERGED or (stalls >= MOST_STALLS and self.step < NOISE_FLOOR):
                # once more with the fast states of now: where they still move, the slow ones are not done either
                at = self._stepped(at, newton, 1.0, followed)
                self.step = float(np.max(np.abs(_newton_step(jacobian, at.residual))))
                if self.step < CONFIRMED or (stalls >= MOST_STALLS and self.step < NOISE_FLOOR):
                    return self._solution(at.unknowns, self._fast_followed(at), jacobian)
                continue
            share = min(1.0, LARGEST_STEP / self.step)
            after = self._stepped(at, newton, share, followed)
            taken = after.unknowns - at.unknowns
            gain = float(np.max(np.abs(_newton_step(jacobian, after.residual))))
            jacobian = _broyden(jacobian, taken, after.residual - at.residual)
            poor = gain > REFRESH * self.step and share == 1.0
            if fresh or share < 1.0 or gain < 2 * self.step:
                at = after  # a step of a fresh Jacobian is taken in any case: the same again would lead nowhere new
            if poor and (not fresh or gain > self.step):
                jacobian = None
            fresh = False
        raise NotFoundError(f"no convergence in {self.most} iterations, last step {self.step:.1g}")

    def _fast_followed(self, at: _Iterate) -> FloatArray:
        """The states to run on from: slow ones where they were, all others where the last period left them."""
        return self.problem.with_slow(at.arrived, at.state[self.problem.leaders])

    def _stepped(self, at: _Iterate, newton: FloatArray, share: float, state: FloatArray) -> _Iterate:
        """The next iterate; a step into a region where nothing runs is halved."""
        for _ in range(MOST_HALVINGS):
            moved = at.unknowns + share * newton
            if not self.fixed:
                slow = len(self.problem.groups)
                problem = self.problem
                moved[slow:] = np.clip(moved[slow:], problem.low / problem.controls, problem.high / problem.controls)
            try:
                return self.residual(moved, state)
            except SimulationError as error:
                _refuse_unfit(error)
                share *= 0.5
        raise NotFoundError("the periods abort wherever the search goes")

    def _solution(self, unknowns: FloatArray, state: FloatArray, jacobian: FloatArray) -> Solution:
        start, controls = self.placed(unknowns, state)
        return Solution(start, controls, jacobian, self.step, self.periods)


def _newton_step(jacobian: FloatArray, residual: FloatArray) -> FloatArray:
    try:
        return np.asarray(-np.linalg.solve(jacobian, residual), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(-np.linalg.lstsq(jacobian, residual, rcond=1e-9)[0], dtype=np.float64)


def _broyden(jacobian: FloatArray, taken: FloatArray, change: FloatArray) -> FloatArray:
    """Broyden's rank-one update: the Jacobian that explains the last step and is otherwise as it was."""
    size = float(taken @ taken)
    if size < 1e-16:
        return jacobian
    return np.asarray(jacobian + np.outer(change - jacobian @ taken, taken) / size, dtype=np.float64)


def solve(
    problem: Problem, run: RunPeriods, warm: Warm | None = None, *, fixed: bool = False, rungs: int = len(LADDER)
) -> Solution:
    """The steady state of a problem, by the first rung of the ladder that finds it; ``fixed``: controls stay put.

    Parameters
    ----------
    warm : of a neighbouring case, tried before the ladder;  rungs : of the ladder that may be tried

    Raises
    ------
    NotFoundError : no rung leads there
    SimulationError : unfit, where the simulator cannot go on
    """
    attempts = [(f"rung {rung + 1}", partial(_by_rung, problem, run, rung, fixed)) for rung in range(rungs)]
    if warm is not None:
        attempts.insert(0, ("warm", partial(_from_neighbour, problem, run, warm.moved_to(problem), fixed)))
    tried = []
    for name, attempt in attempts:
        try:
            return attempt()
        except (NotFoundError, SimulationError) as error:
            _refuse_unfit(error)
            tried.append(f"{name}: {error}")
    raise NotFoundError("; ".join(tried))


def _from_neighbour(problem: Problem, run: RunPeriods, start: Warm, fixed: bool) -> Solution:
    """A search from where a neighbouring case leads to expect the solution, with its Jacobian."""
    search = _Search(problem, run, 1, fixed, most=MOST_WARM_ITERATIONS)
    return replace(search.solve(start.state, start.controls, None if fixed else start.jacobian), is_warm=True)


def _by_rung(problem: Problem, run: RunPeriods, rung: int, fixed: bool) -> Solution:
    """A search from the estimates by one rung of the ladder."""
    settling, periods, finer = LADDER[rung]
    state = run(problem.state, problem.controls, settling or SEED_PERIODS, finer).state
    if not settling:
        state = problem.with_slow(state, problem.state[problem.leaders])
    return replace(_Search(problem, run, periods, fixed, finer).solve(state, problem.controls, None), rung=rung)


def _refuse_unfit(error: Exception) -> None:
    """Raises an error again after which this process's simulator cannot go on."""
    if isinstance(error, SimulationError) and error.unfit:
        raise error


def drift_error(jacobian: FloatArray, change: FloatArray, periods: int) -> float:
    """Scaled distance from the steady state that a change over some periods stands for, at fixed controls.

    A state off by e moves by (M^k - 1) e in k periods, M = 1 + J the map's slope. A slow stage hardly moves in 20
    periods wherever it is, so its change alone would say nothing.

    Parameters
    ----------
    jacobian : of the residual after one period by the slow states, shape (n, n);  change : shape (n,), scaled
    """
    slope = np.eye(change.size) + jacobian
    gap = np.linalg.matrix_power(slope, periods) - np.eye(change.size)
    return float(np.max(np.abs(np.linalg.lstsq(gap, change, rcond=1e-9)[0])))


def reachable(problem: Problem, run: RunPeriods, index: int, points: Sequence[float]) -> list[tuple[float, float]]:
    """Value of a control and how far its constraint is missed there, for every point that has a steady state.

    Used where no rung met the target, to tell a target out of reach from a search gone astray.
    """
    found = []
    for value in points:
        controls = problem.controls.copy()
        controls[index] = value
        held = replace(problem, controls=controls)
        try:
            settled = solve(held, run, fixed=True, rungs=REACH_RUNGS)
            later = run(settled.state, settled.controls, REACH_MAPS * settled.map_periods, 1)
            change = problem.change(settled.state, later.state)
            if drift_error(settled.jacobian, change, REACH_MAPS) < REACHED:
                found.append((value, float(later.errors[index])))
        except (NotFoundError, SimulationError) as error:
            _refuse_unfit(error)
    return found
