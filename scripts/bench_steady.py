"""Benchmark of the steady-state solver: periods, time steps and processor time, against settling as it was done before.

Search, verification and final figures are counted apart. The baseline settles from zero and from the hand estimate,
with a secant on the duty or frequency; settled means that two successive means over ten periods differ by under 1e-6.
Synchronous rectifiers have no baseline: their edges are part of what is sought. The designs are those of the robustness
campaigns. Prints one JSON object; times are reported, never asserted.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from harness.contracts import FloatArray, Periodic, Run
from harness.plan import llc_bench
from harness.plan.flyback_bench import flyback_case
from harness.plan.switching_situation import boost_case, buck_case
from harness.plan.two_switch_forward_bench import case as forward_case
from harness.simulate import ngspice, periodic
from harness.simulate.campaign import Campaign, Request
from harness.simulate.case import Case
from harness.store import runs
from netlists.errors import SimulationError
from netlists.point import Condition

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))
from integration.forward_designs import drawn_forward
from integration.llc_designs import drawn_llc
from integration.switching_designs import BOOSTS, BUCKS, FLYBACKS

SETTLED = 1e-6  # between two successive means over ``WINDOW`` periods
WINDOW = 10
MET = 1e-4  # of the target, where the secant ends
MOST_PERIODS = 20_000
FORWARD_SEED = 7  # of the random designs: 24 V, 17 A, continuous at the loads of the sweep
FULL = Condition(24.0, 0.0, 60.0, 25.0, supply="dc")
BUS = Condition(130.0, 0.0, 12.5, 25.0, supply="dc")
CREST = Condition(115.0, 50.0, 700.0, 25.0, line_angle=90.0)
FORWARD, AT_FORWARD = drawn_forward(FORWARD_SEED)
LLC_SEEDS = {"diode": 26, "synchronous": 55}  # full bridge, 24 V 20 A, above resonance; half bridge, the same, below


def forward_at(load: float) -> Case:
    """The forward converter at a share of its full load."""
    return forward_case(FORWARD, dataclasses.replace(AT_FORWARD, load_fraction=load), "steady")[0]


def llc_at(rectification: str) -> Callable[[float], Case]:
    """An LLC at a share of its full load."""
    params, condition = drawn_llc(LLC_SEEDS[rectification])
    return lambda load: llc_bench.case(params, dataclasses.replace(condition, load_fraction=load), "steady")[0]


STAGES: dict[str, Callable[[float], Case]] = {
    "buck": lambda load: buck_case(BUCKS[0], dataclasses.replace(FULL, load_fraction=load)),
    "buck, 3 phases": lambda load: buck_case(BUCKS[1], dataclasses.replace(FULL, load_fraction=load)),
    "boost, 1 phase": lambda load: boost_case(BOOSTS[1], dataclasses.replace(CREST, output_power=300.0 * load)),
    "boost, 2 phases": lambda load: boost_case(BOOSTS[0], dataclasses.replace(CREST, output_power=700.0 * load)),
    "two-switch forward": forward_at,
    # continuous: what a discontinuous one's clamp takes scatters by 1e-5, so its baseline never settles by its own rule
    "flyback": lambda load: flyback_case(FLYBACKS[1], dataclasses.replace(BUS, load_fraction=load)),
    "LLC, diodes": llc_at("diode"),
    "LLC, synchronous": llc_at("synchronous"),
}


QUICK = ("buck, 3 phases", "boost, 1 phase", "flyback", "LLC, synchronous")  # with parts, border, clamp and edges


def whole_periods(case: Case) -> Periodic:
    """The case's analysis without its symmetry, as the baseline ran it."""
    assert isinstance(case.analysis, Periodic)
    return dataclasses.replace(case.analysis, parts=1, order=())


def settle_by_waiting(bench: periodic.Bench, state: FloatArray, control: FloatArray) -> tuple[FloatArray, float]:
    """Runs on until two successive means agree; the state and how far the last mean missed the target."""
    before = np.inf
    while bench.effort.periods < MOST_PERIODS:
        arrival = bench.run(state, control, WINDOW, whole=True)
        state, miss = arrival.state, float(arrival.errors[0])
        if abs(miss - before) < SETTLED:
            return state, miss
        before = miss
    raise SimulationError("slow", f"not settled in {MOST_PERIODS} periods")


def baseline(case: Case, *, from_zero: bool) -> dict[str, Any]:
    """Settling with a secant on what is controlled."""
    analysis = whole_periods(case)
    problem, effort = periodic.problem_of(analysis), periodic.Effort()
    with ngspice.Session(case.lines, "baseline") as session:
        bench = periodic.Bench(session, analysis, effort, analysis.steps_search)
        state = np.zeros_like(problem.state) if from_zero else problem.state
        duty = [float(problem.controls[0]), float(problem.controls[0]) * 0.98]
        try:
            state, miss = settle_by_waiting(bench, state, np.array(duty[:1]))
            misses = [miss]
            while abs(misses[-1]) > MET:
                state, miss = settle_by_waiting(bench, state, np.array(duty[-1:]))
                misses.append(miss)
                slope = (misses[-1] - misses[-2]) / (duty[-1] - duty[-2])
                duty.append(float(np.clip(duty[-1] - misses[-1] / slope, problem.low[0], problem.high[0])))
        except SimulationError as error:
            return {**dataclasses.asdict(effort), "gave_up": str(error)}
    return dataclasses.asdict(effort)


def bench_stage(make: Callable[[float], Case], *, quick: bool) -> dict[str, Any]:
    """One stage at full load: the solver's three stretches, both baselines, and the ratios."""
    case = make(1.0)
    efforts = periodic.settle(case, "solver").efforts
    found: dict[str, Any] = dataclasses.asdict(efforts)
    total = sum(stretch["periods"] for stretch in found.values())
    found["total_periods"] = total
    found["periods_beyond_search"] = total - efforts.search.periods
    assert isinstance(case.analysis, Periodic)
    if not quick and not case.analysis.rectifiers:
        for name, from_zero in (("from_zero", True), ("from_estimate", False)):
            found[name] = baseline(case, from_zero=from_zero)
            found[f"{name}_over_search"] = found[name]["periods"] / efforts.search.periods
    return found


def measure_nothing(run: Run) -> tuple[()]:
    """The benchmark wants the counts alone."""
    return ()


def bench_sweep(make: Callable[[float], Case], points: int) -> dict[str, Any]:
    """A chain over load: search periods a point."""
    loads = np.linspace(1.0, 0.5, points)
    requests = [Request(make(float(load)), measure_nothing, "1", chain="sweep") for load in loads]
    with tempfile.TemporaryDirectory() as folder, Campaign(Path(folder), workers=1) as campaign:
        outcomes = campaign.run(requests)
        periods = [runs.read_run(o.path, signals=()).run.solution["periods_search"] for o in outcomes]
    return {"points": points, "search_periods": periods, "mean": sum(periods) / points, "most": max(periods)}


def main() -> None:
    """Runs all of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--quick", action="store_true", help="four stages, no baseline, a short sweep: to see that it runs"
    )
    parser.add_argument("--json", type=Path, help="where to write the result as well")
    options = parser.parse_args()
    stages = {name: STAGES[name] for name in QUICK} if options.quick else STAGES
    result = {
        "processors": os.cpu_count(),
        "ngspice": ngspice.version(),
        "stages": {name: bench_stage(make, quick=options.quick) for name, make in stages.items()},
        "sweeps": {name: bench_sweep(make, 3 if options.quick else 20) for name, make in stages.items()},
    }
    text = json.dumps(result, indent=1)
    if options.json is not None:
        options.json.write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
