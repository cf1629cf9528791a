"""Steady states for tests: a case put, found and verified in this process."""

from __future__ import annotations

from typing import Any

from harness.contracts import Periodic, Run
from harness.plan import two_switch_forward_bench
from harness.plan.flyback_bench import flyback_case
from harness.plan.switching_situation import boost_case, buck_case
from harness.simulate import periodic
from harness.simulate.case import Case
from harness.simulate.steady_state import Warm
from netlists.point import Condition


def forward_case(params: Any, condition: Condition) -> Case:
    """The steady state of a two-switch forward converter."""
    return two_switch_forward_bench.case(params, condition, "steady")[0]


CASES = {
    "buck": buck_case, "boost_pfc": boost_case, "two_switch_forward": forward_case, "flyback": flyback_case,
}  # fmt: skip


def case_of(kind: str, params: Any, condition: Condition) -> Case:
    """The case of a switching stage."""
    return CASES[kind](params, condition)


def settle(kind: str, params: Any, condition: Condition, warm: Warm | None = None) -> periodic.Settled:
    """A verified steady state with its efforts; SimulationError where there is none."""
    return periodic.settle(case_of(kind, params, condition), "test", warm)


def settled(kind: str, params: Any, condition: Condition) -> tuple[Run, Periodic]:
    """Run and analysis of a verified steady state."""
    case = case_of(kind, params, condition)
    assert isinstance(case.analysis, Periodic)
    return periodic.settle(case, "test").run, case.analysis
