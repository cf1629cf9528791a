"""Synchronous rectifiers whose edges and currents fit in more than one way: both are found, and told.

Conditions are of our own invention: drawn converters of the campaign at a load lighter than it asks for, where the ring
of idle rectifiers begins as much conduction as the tank does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from integration.llc_designs import drawn_llc

from harness.contracts import Periodic, Run
from harness.plan import llc_bench
from harness.plan.switching_measures import measure_steady
from harness.simulate import ngspice, periodic, rectifiers
from harness.simulate.case import Case
from harness.simulate.period_bench import Bench, Effort
from harness.simulate.rectifier_search import asked_edges

LIGHT = 0.04  # of full load
TWO_BRANCHES, ONE_BRANCH = 33, 31  # seeds
WAITING = 200  # periods at fixed edges and frequency, in which a state settles by itself


def drawn(seed: int) -> tuple[Case, llc_bench.Layout]:
    params, condition = drawn_llc(seed)
    power = condition.output_power * LIGHT / condition.load_fraction
    return llc_bench.case(params, replace(condition, output_power=power, load_fraction=LIGHT), "steady")


@pytest.fixture(scope="module")
def two() -> tuple[Case, Run, float]:
    case, layout = drawn(TWO_BRANCHES)
    run = periodic.settle(case, "two").run
    (told,) = [one for one in measure_steady(run, layout=layout) if one.name == "rectifier_branches"]
    return case, run, told.value


def test_a_second_branch_is_found_and_told(two: tuple[Case, Run, float]) -> None:
    _, run, told = two
    assert told == run.solution["branches"] == 2
    assert run.solution["branch.drift"] <= periodic.DRIFT_TOLERANCE
    assert run.solution["branch.control.0.frequency"] > 1.01 * run.solution["frequency"]


@pytest.mark.parametrize("prefix", ["", "branch."])
def test_gated_so_each_branch_asks_for_its_own_edges_after_a_long_run(
    two: tuple[Case, Run, float], prefix: str
) -> None:
    """Nothing but waiting, at fixed edges and frequency: what the currents ask for then is what was found."""
    case, run, _ = two
    assert isinstance(case.analysis, Periodic)
    edges = [
        (run.solution[f"{prefix}edge.{one.gate.source}.on"], run.solution[f"{prefix}edge.{one.gate.source}.off"])
        for one in case.analysis.rectifiers
    ]
    controls = np.array([run.solution[f"{prefix}control.0.frequency"]])
    state = np.array([run.solution[f"state.{one.device}"] for one in case.analysis.states])
    with ngspice.Session(case.lines, f"long {prefix}") as session:
        bench = Bench(session, case.analysis, Effort(), case.analysis.steps_search)
        bench.steer(case.analysis.steered(edges, controls))
        bench.run(state, controls, WAITING)
        asked = asked_edges(case.analysis, bench, controls, edges)
    # by less than what tells branches apart: a ring of idle rectifiers moves a begin of conduction by one of its swings
    assert rectifiers.moved(edges, asked) < rectifiers.APART / controls[0]


def test_where_the_search_from_merged_intervals_comes_back_there_is_one_branch() -> None:
    case, _ = drawn(ONE_BRANCH)
    run = periodic.settle(case, "one").run
    assert run.solution["periods_branch"] > 0
    assert run.solution["branches"] == 1
    assert "branch.lost" not in run.solution
