"""The verdict of one metric: a pure function of numbers, taken at the adverse ends of tolerances and ranges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.judge.agreement import Agreement
from harness.judge.limits import Limit

Word = Literal["within", "over", "undecided", "unjudged", "failed"]


@dataclass(frozen=True, slots=True)
class Verdict:
    """One word and why."""

    word: Word
    why: str


def margin_to(value: float, limit: float, side: str) -> float:
    """Distance to a bound, positive within: as a fraction of it, or where it is zero in its unit."""
    distance = limit - value if side == "high" else value - limit
    return distance / abs(limit) if limit else distance


def margin(value: float, limit: Limit) -> float:
    """Distance to the adverse limit, positive within: as a fraction of it, or where it is zero in its unit."""
    return margin_to(value, limit.adverse, limit.worse)


def is_over(value: float, limit: Limit) -> bool:
    """Beyond the limit at the adverse end of its own range."""
    return margin(value, limit) < 0


def decide(
    limit: Limit | None,
    adverse: float | None,
    rescued: float | None,
    agreements: tuple[Agreement, ...],
    error: str,
    no_limit: str,
    not_modelled: str = "",
) -> Verdict:
    """The verdict of a metric.

    Parameters
    ----------
    adverse : value with every open input at its worse end; None where it could not be simulated, or need not
        since there is no limit
    rescued : value with the unread inputs at their better ends and only tolerances adverse
    agreements : with the hand calculation, at every point simulated
    error : why a simulation failed, else empty
    no_limit : what to say where there is no limit
    not_modelled : what operation without a model there is at the other ends, else empty
    """
    if error:
        return Verdict("failed", error)
    if "disagrees" in agreements:
        return Verdict("undecided", "simulation and hand calculation disagree beyond the declared difference")
    if limit is None:
        return Verdict("unjudged", no_limit)
    if not_modelled and (rescued is None or not is_over(rescued, limit)):
        return Verdict("undecided", f"at other ends of its inputs it {not_modelled}, which is not modelled")
    if adverse is None or rescued is None:
        return Verdict("failed", "not simulated")
    if not is_over(adverse, limit):
        return Verdict("unjudged", limit.partial) if limit.partial else Verdict("within", "")
    if is_over(rescued, limit):
        return Verdict("over", "over the limit whatever the unread values are")
    return Verdict("undecided", "within or over, depending on values not read yet")
