"""A case's periodic steady state: found, verified, and run once more from its own deck for the figures.

Verified means: 20 further periods drift by less than ``DRIFT_TOLERANCE`` (as the distance from the steady state that
the drift stands for), and halved time steps change neither states nor regulated values by more than
``STEP_TOLERANCE``. A steady state that is not verified is a failed run.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace

import numpy as np

from harness.contracts import Axis, Periodic, Run, Transient, signals_of
from harness.simulate import ngspice, rectifiers, steady_state
from harness.simulate.case import FINAL_PERIODS, Case, final_lines
from harness.simulate.period_bench import Bench as Bench
from harness.simulate.period_bench import Effort as Effort
from harness.simulate.period_bench import difference, missed
from harness.simulate.rectifier_search import EDGES_KEPT, Found, asked_edges, edge_times, other_branch, with_edges
from harness.simulate.steady_state import NotFoundError, Problem, Solution, Warm
from netlists.errors import SimulationError
from netlists.periodic import Gate

DRIFT_PERIODS = 20
DRIFT_TOLERANCE = 2e-3  # of each unknown's scale: means and RMS are held to 0.3 %
STEP_TOLERANCE = 2e-3  # the same, for halved time steps
MISS_TOLERANCE = 2e-3  # of the target, at the final options
SAME_CUT = 0.02  # of the period: further apart, states are not those of the same instant
FINER = (1, 2, 4)  # times the search's steps, in turn while what was found drifts
FINAL_STEPS = (1.0, 0.83)  # times the final steps asked for, tried in turn where a run does not converge
REFINING_RUNGS = 2  # of the ladder, where a steady state is sought again at the final options
REACH_POINTS = 6  # values of a control tried before a target is called out of reach


@dataclass(slots=True)
class Efforts:
    """Search, verification, the search of a second branch, and final figures apart."""

    search: Effort = field(default_factory=Effort)
    verification: Effort = field(default_factory=Effort)
    branch: Effort = field(default_factory=Effort)
    final: Effort = field(default_factory=Effort)


@dataclass(frozen=True, slots=True)
class Settled:
    """A verified steady state: its run and the deck of it, what the next of a chain starts from, and what it took."""

    run: Run
    lines: tuple[str, ...]
    warm: Warm
    efforts: Efforts


def problem_of(analysis: Periodic) -> Problem:
    """The solver's view of an analysis."""
    names = dict.fromkeys(state.unknown for state in analysis.states if state.unknown)
    groups = tuple(
        tuple(index for index, state in enumerate(analysis.states) if state.unknown == unknown) for unknown in names
    )
    return Problem(
        np.array(analysis.estimates),
        np.array(analysis.scales),
        groups,
        np.array([control.estimate for control in analysis.controls]),
        np.array([control.low for control in analysis.controls]),
        np.array([control.high for control in analysis.controls]),
    )


def settle(case: Case, title: str, warm: Warm | None = None) -> Settled:
    """Finds, verifies and measures the steady state of a case.

    Parameters
    ----------
    title : unique to case and attempt;  warm : of a neighbouring case of the same stage

    Raises
    ------
    SimulationError : ``unreachable`` with the best reachable value, ``not_settled``, ``unverified``, or a fault of the
        simulator
    """
    analysis = case.analysis
    assert isinstance(analysis, Periodic)
    problem, efforts = problem_of(analysis), Efforts()
    with ngspice.Session(case.lines, title) as session:
        bench = Bench(session, analysis, efforts.search, analysis.steps_search)
        whole = _found(problem, bench, efforts, warm, analysis)
        found, problem, drift = whole.solution, whole.problem, whole.drift
        branches = _branches(bench, analysis, whole, efforts) if analysis.rectifiers else {}
        log = session.log
    case = replace(case, analysis=analysis.steered(whole.edges, found.controls))
    figures = _figures(case, title, problem, found, efforts)
    if figures.missed > MISS_TOLERANCE or figures.left > DRIFT_TOLERANCE:
        found = _refined(case, title, problem, found, efforts)
        figures = _figures(case, title, problem, found, efforts)
    if figures.missed > MISS_TOLERANCE:
        raise SimulationError("unverified", f"at the final options the target is missed by {figures.missed:.2g}")
    drift, halved = max(drift, figures.left), figures.halved
    if drift > DRIFT_TOLERANCE or halved > STEP_TOLERANCE:
        raise SimulationError(
            "unverified", f"steady state not verified: drift stands for {drift:.2g} of its scale, halved steps change "
            f"it by {halved:.2g}; at most {DRIFT_TOLERANCE:g} and {STEP_TOLERANCE:g} are allowed",
        )  # fmt: skip
    solution = _solution(analysis, found, drift, halved, efforts) | edge_times(analysis, whole.edges) | branches
    run = replace(figures.run, case_id=title, solution=solution, log=(*log, *figures.run.log))
    return Settled(run, figures.lines, found.warm(problem), efforts)


def _found(problem: Problem, bench: Bench, efforts: Efforts, warm: Warm | None, analysis: Periodic) -> Found:
    """A verified solution; one that drifts is searched again with finer steps.

    An idle time is known to a share of a step: that of a valley-switched converter misses its target by up to that.
    """
    found: Found | None = None
    for finer in FINER:
        bench.effort, bench.steps = efforts.search, finer * analysis.steps_search
        try:
            found = with_edges(problem, bench, warm, analysis, found)
        except NotFoundError as error:
            raise _no_steady_state(analysis, problem, bench, error) from error
        bench.effort = efforts.verification
        drift = _drift(found.problem, bench, found.solution, analysis.parts)
        if found.edges is not None:
            asked = asked_edges(analysis, bench, found.solution.controls, found.edges)
            strayed = rectifiers.moved(found.edges, asked)
            drift = drift if strayed < max(EDGES_KEPT, 1.5 * found.tolerance) else float("inf")
        found = replace(found, drift=drift)
        if drift <= DRIFT_TOLERANCE:
            break
        warm = found.solution.warm(found.problem)
    assert found is not None
    return found


def _branches(bench: Bench, analysis: Periodic, found: Found, efforts: Efforts) -> dict[str, float]:
    """How many solutions rectifiers have, and where the second lies: its edges, its controls, its drift.

    One is known to be alone only by search: ``branch.lost`` says that the search of a second found no steady state.
    """
    told = {"branches": 1.0}
    if found.spanning is None or found.drift > DRIFT_TOLERANCE:
        return told
    bench.effort = efforts.branch
    try:
        other = other_branch(bench, analysis, found)
        drift = _drift(other.problem, bench, other.solution, analysis.parts) if other else 0.0
    except (NotFoundError, SimulationError):
        return {**told, "branch.lost": 1.0}
    if other is None:
        return told
    if drift > DRIFT_TOLERANCE:
        return {**told, "branch.lost": 1.0}
    edges = {f"branch.{name}": value for name, value in edge_times(analysis, other.edges).items()}
    controls = {
        f"branch.control.{index}.{control.kind}": float(value)
        for index, (control, value) in enumerate(zip(analysis.controls, other.solution.controls, strict=True))
    }
    return {"branches": 2.0, "branch.drift": drift, **edges, **controls}


def _no_steady_state(analysis: Periodic, problem: Problem, bench: Bench, error: NotFoundError) -> SimulationError:
    """Out of reach where no value of a control brings the target within reach of both sides; else a failed search."""
    for index, control in enumerate(analysis.controls):
        constraint = analysis.constraints[index]
        if constraint.kind != "mean":
            continue
        points = np.linspace(control.low, control.high, REACH_POINTS)
        reached = steady_state.reachable(problem, bench.run, index, [float(value) for value in points])
        if len(reached) >= 2 and (all(miss < 0 for _, miss in reached) or all(miss > 0 for _, miss in reached)):
            value, miss = min(reached, key=lambda pair: abs(pair[1]))
            return SimulationError(
                "unreachable",
                f"target out of reach: {constraint.target:g} V is wanted, {constraint.target * (1 + miss):.4g} V is "
                f"the best, at a {control.kind} of {value:.4g}",
            )
    return SimulationError("not_settled", f"no steady state found: {error}")


def _drift(problem: Problem, bench: Bench, found: Solution, parts: int) -> float:
    """Distance from the steady state that 20 further periods at fixed controls stand for, scaled."""
    # one part more: where parts are swapped, an even number would leave unequal phases where they are
    maps = DRIFT_PERIODS * parts + (1 if parts > 1 else 0)
    after = bench.run(found.state, found.controls, maps)
    slow, change = len(problem.groups), problem.change(found.state, after.state)
    slope = found.jacobian[:slow, :slow]
    stands_for = steady_state.drift_error(slope, change, maps // found.map_periods)
    return max(stands_for, float(np.max(np.abs(after.errors))))


@dataclass(frozen=True, slots=True)
class _Figures:
    """The stored run with its deck, and what speaks against it.

    Parameters
    ----------
    halved : how much halved steps change where it ends and what it regulates
    left : distance from the steady state at the final options;  missed : by how much the target is, both scaled
    """

    run: Run
    lines: tuple[str, ...]
    halved: float
    left: float
    missed: float


def _figures(case: Case, title: str, problem: Problem, found: Solution, efforts: Efforts) -> _Figures:
    """The stored run, from its own deck; a step that ends where a diode turns off can fail, another does not end there.

    A run at finer options that starts where the search ended need not end there: what a commutation takes may have been
    lost between the search's steps.
    """
    analysis = case.analysis
    assert isinstance(analysis, Periodic)
    for factor in FINAL_STEPS:
        steps = round(factor * analysis.steps_final)
        lines = final_lines(case, found.state, found.controls, steps)
        try:
            with ngspice.Session(lines, f"{title}-final") as session:
                return _final(case, session, lines, problem, found, efforts, steps)
        except SimulationError as error:
            if error.kind != "timestep" or factor == FINAL_STEPS[-1]:
                raise
    raise AssertionError("the last of the steps returns or raises")


def _final(
    case: Case, session: ngspice.Session, lines: tuple[str, ...], problem: Problem, found: Solution, efforts: Efforts,
    steps: int,
) -> _Figures:  # fmt: skip
    """The run of a loaded final deck."""
    analysis = case.analysis
    assert isinstance(analysis, Periodic)
    state, controls = found.state, found.controls
    began = time.process_time()
    period = 1 / analysis.frequency_at(controls)
    stop = FINAL_PERIODS * period
    kept = list(dict.fromkeys([*(probe.vector for probe in case.probes), *analysis.vectors]))
    axis, signals = session.run(Transient(stop, period / steps), kept)
    efforts.final = Effort(float(FINAL_PERIODS), axis.size, 1, time.process_time() - began)
    ended = np.array([difference(signals, store.plus, store.minus) for store in analysis.states])
    errors = np.array([missed(c, analysis, axis, signals, controls, period) for c in analysis.constraints])
    finer = Bench(session, analysis, efforts.verification, 2 * steps)
    maps = FINAL_PERIODS * analysis.parts
    halved = finer.run(state, controls, maps)
    moved = np.abs(problem.change(ended, halved.state))
    change = max(float(np.max(moved)), float(np.max(np.abs(halved.errors - errors), initial=0.0)))
    if maps % found.map_periods:
        maps = found.map_periods
        ended = finer.run(state, controls, maps).state
    slow = len(problem.groups)
    slope = found.jacobian[:slow, :slow]
    left = steady_state.drift_error(slope, problem.change(state, ended), maps // found.map_periods)
    run = Run("", "ok", Axis("time", "s", axis), signals_of(case.probes, signals), log=session.log)
    return _Figures(run, lines, change, left, float(np.max(np.abs(errors), initial=0.0)))


def _refined(case: Case, title: str, problem: Problem, found: Solution, efforts: Efforts) -> Solution:
    """The steady state at the final options, from that at those of the search; the latter where none is found."""
    analysis = case.analysis
    assert isinstance(analysis, Periodic)
    start = replace(problem, state=found.state, controls=found.controls)
    lines = final_lines(case, found.state, found.controls, analysis.steps_final)
    with ngspice.Session(lines, f"{title}-refined") as session:
        bench = Bench(session, analysis, efforts.search, analysis.steps_final)
        try:
            return steady_state.solve(start, bench.run, found.warm(start), rungs=REFINING_RUNGS)
        except NotFoundError:
            return found


def _solution(analysis: Periodic, found: Solution, drift: float, halved: float, efforts: Efforts) -> dict[str, float]:
    """What is stored of a steady state beside its waveforms."""
    controls = {
        f"control.{index}.{control.kind}": float(value)
        for index, (control, value) in enumerate(zip(analysis.controls, found.controls, strict=True))
    }
    states = {f"state.{s.device}": float(v) for s, v in zip(analysis.states, found.state, strict=True)}
    return {
        **controls, **states, "newton_step": found.step, "drift": drift, "halved_step": halved,
        "rung": float(found.rung), "warm": float(found.is_warm),
        "periods_search": efforts.search.periods, "periods_verification": efforts.verification.periods,
        "periods_branch": efforts.branch.periods, "periods_final": efforts.final.periods,
        "steps_search": float(efforts.search.steps), "steps_verification": float(efforts.verification.steps),
        "steps_final": float(efforts.final.steps), "frequency": analysis.frequency_at(found.controls),
    }  # fmt: skip


def neighbours(one: Case, other: Case) -> bool:
    """Whether the steady state of one case can start the search of another: same states, controls and cut."""
    a, b = one.analysis, other.analysis
    if not isinstance(a, Periodic) or not isinstance(b, Periodic):
        return False
    kinds = [control.kind for control in a.controls] == [control.kind for control in b.controls]
    begins = [[gate.on.fraction for gate in one.gates if isinstance(gate, Gate)] for one in (a, b)]
    cuts = zip(*begins, strict=False)
    return a.states == b.states and kinds and all(abs(x - y) < SAME_CUT for x, y in cuts)
