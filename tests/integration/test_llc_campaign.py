"""Random LLC converters: each is verified, fails by a kind, or is proved out of reach by hand beforehand.

5 records in CI, 200 behind the marker. Survivors are run on at the edges that were found for their rectifiers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np
import pytest
from integration.llc_designs import drawn_llc

from harness.contracts import FloatArray, Periodic, Run
from harness.handcalc import llc as hand
from harness.judge.agreement import agreement
from harness.plan import llc_bench
from harness.plan.switching_measures import measure_steady
from harness.postprocess import waveform
from harness.simulate import ngspice, periodic
from netlists.errors import SimulationError
from netlists.point import Condition
from netlists.stages.llc import Params

RECORDS = 200
LEAST_VERIFIED = 0.97
KINDS = ("not_settled", "unverified", "timestep", "unreachable")
OUT_OF_REACH = ("even at the highest frequency", "delivers at most")  # proved by hand
WAITING, STRETCH = 300, 50  # periods of the long run, and of what is held in memory at once
RIPPLE, RMS = 0.01, 0.005  # what it may change


def draws(seeds: range) -> Iterator[tuple[int, Params, Condition]]:
    """Seeded converters; what no frequency of the controller can regulate by the hand calculation is left out."""
    for seed in seeds:
        params, condition = drawn_llc(seed)
        try:
            hand.solve(params, condition)
        except ArithmeticError as error:
            if any(bound in str(error) for bound in OUT_OF_REACH):
                continue
        yield seed, params, condition


def settled(params: Params, condition: Condition) -> tuple[Run, dict[tuple[str, str], float]]:
    """A verified run with its metrics; SimulationError where there is none, or no start of its search."""
    try:
        case, layout = llc_bench.case(params, condition, "steady")
    except ArithmeticError as error:
        raise SimulationError("not_settled", f"by hand: {error}") from error
    run = periodic.settle(case, "drawn").run
    return run, {(metric.name, metric.subject): metric.value for metric in measure_steady(run, layout=layout)}


def disagreements(params: Params, condition: Condition, found: dict[tuple[str, str], float]) -> tuple[list[str], int]:
    """Metrics outside the difference declared for them, and how many there are."""
    expected = hand.expect(params, condition)
    assert expected.keys() <= found.keys()
    outside = [
        f"{key}: {found[key]:.4g} against {one.value:.4g}"
        for key, one in expected.items()
        if agreement(found[key], one) != "agrees"
    ]
    return outside, len(expected)


def test_five_random_converters_are_verified_and_agree() -> None:
    outside, total = [], 0
    for seed, params, condition in list(draws(range(8)))[:5]:
        run, found = settled(params, condition)
        assert run.solution["drift"] <= periodic.DRIFT_TOLERANCE
        assert run.solution["halved_step"] <= periodic.STEP_TOLERANCE
        some, count = disagreements(params, condition, found)
        outside += [f"{seed} {text}" for text in some]
        total += count
    assert len(outside) <= 0.05 * total, outside


@pytest.mark.campaign
def test_random_converters_are_verified_or_fail_by_a_kind() -> None:
    """Of those that can be regulated 97 %; of all their metrics at most 5 % lie outside what was declared."""
    became: Counter[str] = Counter()
    failures, outside, total = [], [], 0
    for seed, params, condition in draws(range(RECORDS)):
        try:
            _, found = settled(params, condition)
        except SimulationError as error:
            became[error.kind if error.kind in KINDS else f"seed {seed}: {error}"] += 1
            failures.append(f"{seed} {error.kind}: {str(error)[:150]}")
            continue
        became["verified"] += 1
        some, count = disagreements(params, condition, found)
        outside += [f"{seed} {text}" for text in some]
        total += count
    print(became, *failures, f"{len(outside)} of {total} metrics outside", *outside, sep="\n")
    assert set(became) <= {"verified", *KINDS}
    assert became["verified"] >= LEAST_VERIFIED * became.total(), (became, failures)
    assert len(outside) <= 0.05 * total, outside


@pytest.mark.campaign
def test_survivors_match_a_long_run_at_the_found_edges() -> None:
    """The found state, frequency and edges, run on: output ripple and the primary's RMS stay."""
    compared = 0
    for seed, params, condition in draws(range(30)):
        try:
            case, _ = llc_bench.case(params, condition, "steady")
            found = periodic.settle(case, "found")
        except (ArithmeticError, SimulationError):
            continue
        assert isinstance(case.analysis, Periodic)
        before = figures(*last_period(found.run))
        after = figures(*long_run(found.lines, case.analysis, found.run.solution))
        assert after[0] == pytest.approx(before[0], rel=RIPPLE), seed
        assert after[1] == pytest.approx(before[1], rel=RMS), seed
        compared += 1
    assert compared >= 25


def last_period(run: Run) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time, output voltage and tank current of a run's last period."""
    assert run.axis is not None
    axis = run.axis.values
    span = (float(axis[-1]) - 1 / run.solution["frequency"], float(axis[-1]))
    time, output = waveform.window(axis, run.signals["output_voltage_a"].values, *span)
    return time, output, waveform.window(axis, run.signals["tank_current"].values, *span)[1]


def long_run(
    lines: tuple[str, ...], analysis: Periodic, solution: dict[str, float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The same of the last of many periods from a solution, its rectifiers gated at the edges found."""
    edges = [
        tuple(solution.get(f"edge.{one.gate.source}.{side}", 0.0) for side in ("on", "off"))
        for one in analysis.rectifiers
    ]
    steered = analysis.steered(edges)
    state = np.array([solution[f"state.{one.device}"] for one in analysis.states])
    controls = np.array([solution["control.0.frequency"]])
    with ngspice.Session(lines, "long") as session:
        bench = periodic.Bench(session, steered, periodic.Effort(), analysis.steps_final)
        for _ in range(WAITING // STRETCH):
            state = bench.run(state, controls, STRETCH).state
        time, signals, _ = bench.last_period(controls)
    tank = next(one.plus for one in analysis.states if one.unknown == "tank")
    return time, signals[analysis.constraints[0].vector], signals[tank]


def figures(time: FloatArray, output: FloatArray, tank: FloatArray) -> tuple[float, float]:
    """Ripple of the output [V], RMS of the tank's current [A]."""
    return float(np.ptp(output)), waveform.rms(time, tank)
