"""A steady state whose synchronous rectifiers turn on and off as its own currents ask for.

What currents ask for is read in ``rectifiers``; here steady states are found anew until edges and
state belong together.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace

import numpy as np

from harness.contracts import FloatArray, Periodic
from harness.simulate import rectifiers, steady_state
from harness.simulate.period_bench import Bench
from harness.simulate.rectifiers import Edges
from harness.simulate.steady_state import Arrival, NotFoundError, Problem, Solution, Warm
from netlists.errors import SimulationError

EDGE_RUNGS = 2  # of the ladder, for the searches between two moves of the edges
EDGE_REACH = 0.2  # of the period: how far edges may move as unknowns
EDGES_KEPT = 15e-9  # of rectifiers, after the periods that drift is measured over [s]


@dataclass(frozen=True, slots=True)
class Found:
    """A solution, the problem it was solved in, its drift, its rectifiers' edges and how far these may be off [s].

    ``spanning`` are the edges of gates that stay on over all intervals of conduction, where there were several.
    """

    solution: Solution
    problem: Problem
    edges: Edges | None = None
    tolerance: float = 0.0
    drift: float = float("inf")
    spanning: Edges | None = None


def with_edges(
    problem: Problem, bench: Bench, warm: Warm | None, analysis: Periodic, start: Found | None = None
) -> Found:
    """A solution whose rectifiers turn on and off as its own currents ask for; without rectifiers just a solution.

    Edges follow the currents of one solution after another; where that leads nowhere they become unknowns themselves.

    Parameters
    ----------
    start : a solution whose edges serve to begin with; None: channels conduct by themselves
    """
    edges, spanning = (None, None) if start is None else (start.edges, start.spanning)
    bench.steer(analysis.steered(edges, () if start is None else start.solution.controls))
    found = steady_state.solve(problem, bench.run, warm)
    if not analysis.rectifiers:
        return Found(found, problem)
    ceased, strayed, tried = 0, float("inf"), False
    # of straight currents edges come nearer each round, at a few periods; as unknowns they cost a hundred
    follows = analysis.parts > 1 or all(one.is_straight for one in analysis.rectifiers)
    before: Edges | None = None
    for turn in range(rectifiers.MOST_ROUNDS):
        bench.run(found.state, found.controls, analysis.parts)
        asked = asked_edges(analysis, bench, found.controls, edges)
        if edges is None:
            spanning = _spanning_edges(analysis, bench, found.controls)
        else:
            strayed = rectifiers.moved(edges, asked)
            allowed = rectifiers.tolerance(turn, 1 / analysis.frequency_at(found.controls))
            is_off = all(off <= on for on, off in edges)
            if strayed < allowed or (ceased > 1 and is_off):
                return Found(found, problem, edges, allowed, spanning=spanning)
            ceased += any(off <= on for on, off in asked)
            is_lost = turn >= rectifiers.PATIENCE and not tried and not follows
            if is_lost and rectifiers.runs_on(before, edges, asked):
                tried = True
                with contextlib.suppress(NotFoundError, SimulationError):
                    return replace(_edges_unknown(problem, bench, found, analysis, edges), spanning=spanning)
            asked = rectifiers.damped(edges, asked, turn)
        before, edges = edges, asked
        bench.steer(analysis.steered(edges, found.controls))
        # the next search begins where this one ended, also where its Jacobian does not serve any more
        problem = replace(problem, state=found.state, controls=found.controls)
        try:
            found = steady_state.solve(problem, bench.run, found.warm(problem), rungs=EDGE_RUNGS)
        except NotFoundError:
            if analysis.parts > 1:  # edges are read from whole periods alone
                raise
            return replace(_edges_unknown(problem, bench, found, analysis, edges), spanning=spanning)
    raise NotFoundError(f"edges of the rectifiers still move by {strayed:.2g} s after {rectifiers.MOST_ROUNDS} rounds")


def other_branch(bench: Bench, analysis: Periodic, found: Found) -> Found | None:
    """A second solution, its gates on over all intervals that channels conducting by themselves had.

    Returns
    -------
    None where the search from there comes back to the solution found

    Raises
    ------
    NotFoundError, SimulationError : the search from there finds no solution
    """
    begin = replace(found.problem, state=found.solution.state, controls=found.solution.controls)
    start = replace(found, edges=found.spanning)
    other = with_edges(begin, bench, found.solution.warm(found.problem), analysis, start)
    assert found.edges is not None  # what has several intervals has rectifiers
    assert other.edges is not None
    apart = rectifiers.moved(found.edges, other.edges)
    period = 1 / analysis.frequency_at(found.solution.controls)
    return other if apart > rectifiers.APART * period else None


def _edges_unknown(problem: Problem, bench: Bench, found: Solution, analysis: Periodic, edges: Edges) -> Found:
    """A solution with the edges of each group of rectifiers as two more unknowns, from a solution nearby."""
    period, own = 1 / analysis.frequency_at(found.controls), len(analysis.controls)
    start = np.array(rectifiers.packed(analysis.rectifiers, edges, period))
    widened = replace(
        problem,
        state=found.state,
        controls=np.append(found.controls, start),
        low=np.append(problem.low, start - EDGE_REACH * period),
        high=np.append(problem.high, start + EDGE_REACH * period),
    )

    def run(state: FloatArray, controls: FloatArray, maps: int, finer: int = 1) -> Arrival:
        now = rectifiers.unpacked(analysis.rectifiers, controls[own:], period)
        bench.steer(analysis.steered(now, controls[:own]))
        arrival = bench.run(state, controls[:own], maps, finer)
        asked = asked_edges(analysis, bench, controls[:own], now, careful=False)
        missed_by = np.array(rectifiers.packed(analysis.rectifiers, asked, period)) - controls[own:]
        return Arrival(arrival.state, np.append(arrival.errors, missed_by / period))

    solution = steady_state.solve(widened, run, rungs=EDGE_RUNGS)
    edges = rectifiers.unpacked(analysis.rectifiers, solution.controls[own:], period)
    bench.steer(analysis.steered(edges, solution.controls[:own]))
    slow = len(problem.groups) + own  # what a neighbour starts from has no edges
    bare = replace(solution, controls=solution.controls[:own], jacobian=solution.jacobian[:slow, :slow])
    return Found(bare, replace(problem, state=found.state, controls=found.controls), edges, EDGES_KEPT)


def asked_edges(
    analysis: Periodic, bench: Bench, controls: FloatArray, edges: Edges | None, *, careful: bool = True
) -> Edges:
    """The edges that the last period's currents ask for."""
    time, signals, period = bench.last_period(controls)
    seen = rectifiers.observed(analysis, time, signals, period, edges, controls)
    return rectifiers.wanted(analysis.rectifiers, seen, edges, period, controls=controls, careful=careful)


def _spanning_edges(analysis: Periodic, bench: Bench, controls: FloatArray) -> Edges | None:
    """Edges that keep gates on over all intervals of the last period, in which channels conducted by themselves."""
    time, signals, period = bench.last_period(controls)
    seen = rectifiers.observed(analysis, time, signals, period, None, controls)
    return rectifiers.spanning(analysis.rectifiers, seen, period, controls)


def edge_times(analysis: Periodic, edges: Edges | None) -> dict[str, float]:
    """What is stored of rectifiers: on and off of each, from its own origin in the period [s]."""
    pairs = zip(analysis.rectifiers, edges or [], strict=False)
    return {
        f"edge.{one.gate.source}.{side}": value
        for one, (on, off) in pairs
        for side, value in (("on", on), ("off", off))
    }
