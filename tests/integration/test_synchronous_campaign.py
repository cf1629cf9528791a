"""Random synchronous flybacks, and bucks that emulate diodes: each is verified, fails by a kind, or is out of reach.

2 records a kind in CI, 100 behind the marker.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
import steady
from integration.switching_designs import drawn_emulating_buck, drawn_synchronous_flyback, flyback_out_of_reach

from harness.contracts import Periodic, Run
from harness.handcalc import buck as buck_hand
from harness.handcalc import flyback as flyback_hand
from harness.handcalc.expectation import Expectation
from harness.judge.agreement import agreement
from harness.plan.flyback_bench import flyback_layout
from harness.plan.switching_measures import buck_layout, measure_steady
from harness.simulate import periodic
from netlists.errors import OptionError, SimulationError
from netlists.point import Condition

DRAWS: dict[str, Callable[[int], tuple[Any, Condition]]] = {
    "flyback": drawn_synchronous_flyback,
    "buck": drawn_emulating_buck,
}
RECORDS = 100
LEAST_VERIFIED = 0.97
BOUNDS = ("must be < its input",)  # as in test_steady_campaign.py
KINDS = ("not_settled", "unverified", "timestep", "unreachable")
OUT_OF_DECLARED = 0.05
Found = dict[tuple[str, str], float]


def draws(kind: str, seeds: range) -> Iterator[tuple[int, Any, Condition]]:
    """Seeded records; what no duty can regulate by the bound of its parameters is left out."""
    for seed in seeds:
        try:
            params, condition = DRAWS[kind](seed)
        except OptionError as error:
            if not any(bound in str(error) for bound in BOUNDS):
                raise
            continue
        if kind == "flyback" and flyback_out_of_reach(params, condition):
            continue
        yield seed, params, condition


def settled(kind: str, params: Any, condition: Condition) -> tuple[Run, Periodic]:
    """A verified run; SimulationError where there is none, or no start of its search."""
    try:
        return steady.settled(kind, params, condition)
    except ArithmeticError as error:
        raise SimulationError("not_settled", f"by hand: {error}") from error


def compared(
    kind: str, run: Run, analysis: Periodic, params: Any, condition: Condition
) -> tuple[dict[tuple[str, str], Expectation], Found]:
    """Every metric by hand, and as measured."""
    if kind == "flyback":
        layout = flyback_layout(params, condition, valley=len(analysis.controls) > 1)
        expected = flyback_hand.expect(params, condition)
    else:
        layout, expected = buck_layout(params, condition), buck_hand.expect(params, condition)
    found = {(one.name, one.subject): one.value for one in measure_steady(run, layout=layout)}
    assert expected.keys() <= found.keys()
    return expected, found


def outside(expected: dict[tuple[str, str], Expectation], found: Found) -> list[str]:
    """Metrics outside the difference declared for them."""
    return [
        f"{key}: {found[key]:.4g} against {one.value:.4g}"
        for key, one in expected.items()
        if agreement(found[key], one) != "agrees"
    ]


@pytest.mark.parametrize("kind", DRAWS)
def test_two_random_records_are_verified(kind: str) -> None:
    for _, params, condition in list(draws(kind, range(5)))[:2]:
        run, analysis = settled(kind, params, condition)
        assert run.solution["drift"] <= periodic.DRIFT_TOLERANCE
        assert run.solution["halved_step"] <= periodic.STEP_TOLERANCE
        expected, found = compared(kind, run, analysis, params, condition)
        assert len(outside(expected, found)) <= 0.15 * len(expected)  # of one record; see the campaign for many


@pytest.mark.campaign
@pytest.mark.parametrize("kind", DRAWS)
def test_random_records_are_verified_or_fail_by_a_kind(kind: str) -> None:
    """Of those that can be regulated 97 %; of all their metrics at most 5 % lie outside what was declared."""
    became: Counter[str] = Counter()
    failures, wrong, total, periods = [], [], 0, []
    for seed, params, condition in draws(kind, range(RECORDS)):
        try:
            run, analysis = settled(kind, params, condition)
        except SimulationError as error:
            became[error.kind if error.kind in KINDS else f"seed {seed}: {error}"] += 1
            failures.append(f"{seed} {error.kind}: {str(error)[:150]}")
            continue
        became["verified"] += 1
        periods.append(run.solution["periods_search"])
        if kind == "buck" and len(params.rails) > 1:
            continue  # its two rails bear the same designators
        expected, found = compared(kind, run, analysis, params, condition)
        wrong += [f"{seed} {text}" for text in outside(expected, found)]
        total += len(expected)
    spread = [float(np.percentile(periods, share)) for share in (50, 90, 100)]
    print(became, spread, *failures, f"{len(wrong)} of {total} metrics outside", *wrong, sep="\n")
    assert set(became) <= {"verified", *KINDS}
    assert became["verified"] >= LEAST_VERIFIED * became.total(), (became, failures)
    assert len(wrong) <= OUT_OF_DECLARED * total, wrong
