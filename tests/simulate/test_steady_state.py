"""The solver on maps whose fixed points are known in closed form; no simulator."""

from __future__ import annotations

import numpy as np
import pytest

from harness.contracts import FloatArray
from harness.simulate.steady_state import (
    Arrival,
    NotFoundError,
    Problem,
    RunPeriods,
    Warm,
    drift_error,
    reachable,
    solve,
)
from netlists.errors import SimulationError

SLOW = np.array([[0.98, -0.05], [0.04, 0.995]])  # a lightly damped pair: alone it would settle in some 500 periods
DRIVE = np.array([0.1, 0.2])


class Linear:
    """x' = A x + b u, one fast state slaved to the first slow one; the output is the second slow state."""

    def __init__(self, target: float, gain: float = 1.0, aborts_above: float = np.inf) -> None:
        self.target, self.gain, self.aborts_above = target, gain, aborts_above
        self.periods = 0

    def __call__(self, state: FloatArray, controls: FloatArray, periods: int, finer: int) -> Arrival:
        self.periods += periods
        if controls[0] > self.aborts_above:
            raise SimulationError("timestep", "aborted")
        slow, fast = state[:2].copy(), 0.0
        for _ in range(periods):
            slow = SLOW @ slow + DRIVE * self.gain * np.tanh(controls[0])
            fast = 3 * slow[0] + 0.01 * state[2]
        return Arrival(np.array([*slow, fast]), np.array([slow[1] / self.target - 1]))


def problem(control: float = 0.5, high: float = 2.0) -> Problem:
    return Problem(
        np.array([1.0, 1.0, 0.0]), np.array([1.0, 1.0, 1.0]), ((0,), (1,)),
        np.array([control]), np.array([0.01]), np.array([high]),
    )  # fmt: skip


def exact(target: float) -> tuple[FloatArray, float]:
    """Fixed point of ``Linear`` at which the second slow state is the target."""
    shape = np.linalg.solve(np.eye(2) - SLOW, DRIVE)
    drive = target / shape[1]
    return shape * drive, float(np.arctanh(drive))


def test_finds_state_and_control_of_a_slow_stage_in_few_periods() -> None:
    run = Linear(target=2.0)
    found = solve(problem(), run)
    state, control = exact(2.0)
    assert found.state[:2] == pytest.approx(state, rel=1e-3)
    assert found.controls[0] == pytest.approx(control, rel=1e-3)
    assert found.state[2] == pytest.approx(3 * state[0] / 0.99, rel=1e-3)
    assert run.periods <= 20
    assert found.rung == 0


@pytest.mark.parametrize("factor", [0.3, 0.7, 1.5, 3.0])
def test_far_estimates_lead_to_the_same_place(factor: float) -> None:
    start = problem(control=exact(2.0)[1] * factor, high=5.0)
    found = solve(start, Linear(target=2.0))
    assert found.state[:2] == pytest.approx(exact(2.0)[0], rel=1e-3)


def test_warm_start_needs_fewer_periods_and_agrees_with_a_cold_one() -> None:
    cold_run, warm_run = Linear(target=2.05), Linear(target=2.05)
    first = solve(problem(), Linear(target=2.0))
    cold = solve(problem(), cold_run)
    warm = solve(problem(), warm_run, first.warm(problem()))
    assert warm.is_warm
    assert not cold.is_warm
    assert warm_run.periods < cold_run.periods / 2
    assert warm.state == pytest.approx(cold.state, rel=1e-3)


def test_a_useless_warm_start_falls_back_to_the_ladder() -> None:
    useless = Warm(np.array([np.nan, np.nan, np.nan]), np.array([0.5]), np.eye(3), problem())
    found = solve(problem(), Linear(target=2.0), useless)
    assert not found.is_warm
    assert found.state[:2] == pytest.approx(exact(2.0)[0], rel=1e-3)


def test_steps_into_a_region_that_aborts_are_halved() -> None:
    control = exact(2.0)[1]
    found = solve(problem(control=0.3 * control), Linear(target=2.0, aborts_above=1.02 * control))
    assert found.controls[0] == pytest.approx(control, rel=1e-3)


def test_held_controls_are_not_moved() -> None:
    found = solve(problem(control=0.25), Linear(target=99.0), fixed=True)
    shape = np.linalg.solve(np.eye(2) - SLOW, DRIVE)
    assert found.controls[0] == 0.25
    assert found.state[:2] == pytest.approx(shape * np.tanh(0.25), rel=1e-3)


def test_a_target_out_of_reach_is_not_found_and_told_by_its_sign() -> None:
    shape = np.linalg.solve(np.eye(2) - SLOW, DRIVE)
    beyond = Linear(target=float(shape[1]) * 1.2)  # tanh never reaches 1.2
    with pytest.raises(NotFoundError):
        solve(problem(), beyond)
    misses = [miss for _, miss in reachable(problem(), beyond, 0, [0.01, 0.5, 2.0])]
    assert len(misses) == 3
    assert all(miss < 0 for miss in misses)
    assert misses == sorted(misses)


def test_a_map_that_never_runs_is_a_failure_that_says_why() -> None:
    with pytest.raises(NotFoundError, match=r"rung 1: .*aborted"):
        solve(problem(), Linear(target=2.0, aborts_above=0.0))


def test_an_unfit_simulator_ends_the_search_at_once() -> None:
    calls = 0

    def run(state: FloatArray, controls: FloatArray, periods: int, finer: int) -> Arrival:
        nonlocal calls
        calls += 1
        raise SimulationError("fatal", "detached", unfit=True)

    broken: RunPeriods = run
    with pytest.raises(SimulationError):
        solve(problem(), broken)
    assert calls == 1


def test_drift_of_a_slow_stage_stands_for_its_distance() -> None:
    """(M^k - 1) e is what a stage off by e moves: the change alone would understate it many times."""
    slope = np.array([[0.999]])
    error = 0.05
    moved = (slope[0, 0] ** 20 - 1) * error
    assert abs(moved) < error / 40
    assert drift_error(slope - np.eye(1), np.array([moved]), 20) == pytest.approx(error)
