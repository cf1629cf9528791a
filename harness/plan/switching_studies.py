"""Studies of switching stages: a steady state at one condition, and the worst instant of the line around a guess."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from harness.contracts import Periodic
from harness.plan import llc_bench, two_switch_forward_bench
from harness.plan.flyback_bench import flyback_bench
from harness.plan.study import LOWEST_INPUT, Finding, MetricRule, StudyResult, described
from harness.plan.switching_measures import (
    Layout,
    boost_layout,
    buck_layout,
    measure_of,
    postprocess_version,
    recipe_of,
)
from harness.plan.switching_situation import boost_case, buck_case
from harness.simulate.campaign import Outcome, Request
from harness.simulate.case import Case
from netlists.errors import BulkrailError
from netlists.parameters import listed
from netlists.point import Condition

LINE_OFFSETS = (-10.0, -5.0, 0.0, 5.0, 10.0)  # around the instant the hand calculation finds worst [deg]
EARLIEST, LATEST = 5.0, 90.0  # instants of the line that are looked at: its quarter waves mirror each other [deg]

RULES: dict[str, MetricRule] = {
    "duty_cycle": MetricRule("steady", "high", "1", "that holds the output"),
    "switching_frequency": MetricRule("steady", "low", "Hz", "that holds the boundary of conduction"),
    "output_ripple": MetricRule("steady", "high", "V", "peak to peak at the bank"),
    "output_ripple_probe": MetricRule("steady", "high", "V", "peak to peak at the load through the guide's probe"),
    "switch_voltage_plateau": MetricRule("steady", "high", "V", "across one switch while its counterpart conducts"),
    "switch_voltage_peak": MetricRule("steady", "high", "V", "the same with the strays' overshoot"),
    "diode_voltage_plateau": MetricRule("steady", "high", "V", "across one diode while the switch conducts"),
    "diode_voltage_peak": MetricRule("steady", "high", "V", "the same with the strays' overshoot"),
    "switch_current_peak": MetricRule("steady", "high", "A", "one piece"),
    "switch_current_average": MetricRule("steady", "high", "A", "one piece"),
    "switch_current_rms": MetricRule("steady", "high", "A", "one piece"),
    "diode_current_peak": MetricRule("steady", "high", "A", "one piece"),
    "diode_current_average": MetricRule("steady", "high", "A", "one piece"),
    "diode_current_rms": MetricRule("steady", "high", "A", "one piece"),
    "choke_current_peak": MetricRule("steady", "high", "A", "one phase"),
    "choke_current_rms": MetricRule("steady", "high", "A", "one phase"),
    "choke_ripple": MetricRule("steady", "high", "A", "peak to peak, one phase"),
    "saturation_current_needed": MetricRule("steady", "high", "A", "peak in a choke that does not saturate"),
    "capacitor_current_rms": MetricRule("steady", "high", "A", "one can, at the switching frequency and above"),
    "input_ripple": MetricRule("steady", "high", "V", "peak to peak at the input bank"),
    "input_ripple_current": MetricRule("steady", "high", "A", "RMS of the alternating part of what all phases draw"),
    "ripple_cancellation": MetricRule("steady", "high", "1", "swing of all chokes together over that of one"),
}


def _buck(params: Any, condition: Condition, study: str, _start: Any) -> tuple[Case, Layout]:
    return buck_case(params, condition), buck_layout(params, condition)


def _boost(params: Any, condition: Condition, study: str, _start: Any) -> tuple[Case, Layout]:
    case = boost_case(params, condition)
    assert isinstance(case.analysis, Periodic)
    return case, boost_layout(params, boundary=len(case.analysis.controls) > 1)


def _flyback(params: Any, condition: Condition, study: str, _start: Any) -> tuple[Case, Layout]:
    return flyback_bench(params, condition, study)


def _forward(params: Any, condition: Condition, study: str, _start: Any) -> tuple[Case, Layout]:
    return two_switch_forward_bench.case(params, condition, study)


# Stage kind -> its case under a condition for a study, from a start if there is one, and the layout of its signals.
BENCHES: dict[str, Callable[[Any, Condition, str, Any], tuple[Case, Layout]]] = {
    "buck": _buck,
    "boost_pfc": _boost,
    "llc": llc_bench.case,
    "flyback": _flyback,
    "two_switch_forward": _forward,
}


@dataclass(frozen=True, slots=True)
class Situation:
    """A switching stage at one point under one condition.

    Parameters
    ----------
    owner : index of the rail asked about, of a buck bench with two
    chain : what runs may hand their steady states on to each other
    start : what the stage's bench takes its estimates from, at this condition; None: it finds them itself
    """

    kind: str
    params: Any
    condition: Condition
    owner: int
    provenance: tuple[tuple[str, str], ...]
    chain: str = field(default="", compare=False)
    start: Any = field(default=None, compare=False)

    def request(self, condition: Condition, study: str) -> Request:
        """The case of this situation under a condition, with what is to be measured.

        Raises
        ------
        BulkrailError : it cannot be put as a deck
        """
        start = self.start if condition == self.condition else None
        case, layout = BENCHES[self.kind](self.params, condition, study, start)
        recipe = recipe_of(self.kind, layout)
        instant = "" if condition.line_angle is None else f", {condition.line_angle:.4g} deg of the line"
        provenance = {
            **dict(self.provenance), "study": study, "condition": described(condition) + instant, "measure": recipe
        }  # fmt: skip
        return Request(
            case, measure_of(recipe), postprocess_version(recipe), provenance,
            {name: (value, unit) for name, value, unit in listed(self.params)}, self.chain,
        )  # fmt: skip


class SteadyStudy:
    """One steady state, all its metrics."""

    NAME = "steady"

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._done = False

    def ask(self) -> list[Request]:
        if self._done or self.result.error:
            return []
        try:
            return [self._situation.request(self._situation.condition, self.NAME)]
        except (BulkrailError, ArithmeticError) as error:
            self.result.error = str(error)
            return []

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        (outcome,) = outcomes
        self._done = True
        if outcome.status != "ok":
            self.result.error = outcome.error
            return
        self.result.findings = {(m.name, m.subject): Finding(m, outcome.run_id) for m in outcome.metrics}


class LowestInputStudy(SteadyStudy):
    """The bus at which the controls reach their end."""

    NAME = LOWEST_INPUT


class WorstInstantStudy:
    """A corrector at instants of the line around a guess, as one chain; of each metric the largest counts."""

    NAME = "worst_instant"

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        guess = LATEST if situation.condition.line_angle is None else situation.condition.line_angle
        self._angles = sorted({min(max(guess + offset, EARLIEST), LATEST) for offset in LINE_OFFSETS})
        self._done = False

    def ask(self) -> list[Request]:
        if self._done or self.result.error:
            return []
        condition = self._situation.condition
        try:
            return [
                self._situation.request(dataclasses.replace(condition, line_angle=angle), self.NAME)
                for angle in self._angles
            ]
        except (BulkrailError, ArithmeticError) as error:
            self.result.error = str(error)
            return []

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        self._done = True
        for angle, outcome in zip(self._angles, outcomes, strict=True):
            if outcome.status != "ok":
                self.result.error = f"at {angle:g} deg of the line: {outcome.error}"
                self.result.findings = {}
                return
            for metric in outcome.metrics:
                key = (metric.name, metric.subject)
                if key not in self.result.findings or metric.value > self.result.findings[key].metric.value:
                    self.result.findings[key] = Finding(metric, outcome.run_id)
                    self.result.angles[key] = angle


# What the plan of every switching stage answers alike.


def worse_end(study: str, path: str) -> Literal["low", "high", ""]:
    """No input decides by itself whether a switching stage runs."""
    return ""


def relevant(study: str, about: Situation) -> Situation:
    """The hand calculation reads all of a situation."""
    return about


def prepare(study: str, situations: Sequence[Situation]) -> None:
    """Nothing is shared between hand calculations."""


def started(study: str, about: Situation) -> Situation:
    """Where a search starts from is found as quickly again."""
    return about
