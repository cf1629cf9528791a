"""A rectifier and bulk stage at one point under one condition, and the cases made of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from harness.contracts import Metric, Transient
from harness.handcalc import rectifier_bulk as hand
from harness.plan.rectifier_measures import (
    Subjects,
    postprocess_version,
    recipe_of,
)
from harness.plan.study import described
from harness.plan.switching_studies import Situation as Converter
from harness.simulate.campaign import Request
from harness.simulate.case import Case, transient_case
from netlists.parameters import listed
from netlists.point import Condition
from netlists.stages import rectifier_bulk as stage
from netlists.stages.rectifier_bulk import Params, Scenario

STEPS_PER_PERIOD = 1000  # of the line; the largest step, smaller ones are the simulator's own choice
STEPS_PER_RESONANCE = 60  # of line inductance and bulk, which ring where the resistance is low
DIRECT_STEPS = 2000  # steps of a run from a dc supply


@dataclass(frozen=True, slots=True)
class Situation:
    """An instance at one point, put through one condition.

    Parameters
    ----------
    converter : whose lowest bus ends the hold-up
    angle : the only switch-on angle that is looked at [deg]; None: the worst is searched
    """

    params: Params
    condition: Condition
    who: Subjects
    provenance: tuple[tuple[str, str], ...]
    converter: Converter | None = None
    angle: float | None = None

    @property
    def period(self) -> float:
        """Line period [s]; for a dc supply, a time over which its settled course is looked at."""
        return 1 / self.condition.line_frequency if self.condition.line_frequency else 0.02

    def largest_step(self, stop: float) -> float:
        """Largest time step [s] that resolves the line and the ringing of line inductance and bulk."""
        capacitance, _ = hand.bulk_lumped(self.params)
        _, inductance = hand.path(self.params)
        ringing = 2 * math.pi * math.sqrt(inductance * capacitance) / STEPS_PER_RESONANCE
        slow = self.period / STEPS_PER_PERIOD if self.condition.supply == "mains" else stop / DIRECT_STEPS
        return min(slow, ringing)

    def request(
        self, condition: Condition, scenario: Scenario, study: str, measure: partial[tuple[Metric, ...]], options: str
    ) -> Request:
        """A case of this situation."""
        circuit = stage.bench(self.params, condition, scenario)
        probes = stage.probes(self.params, regulating=scenario.regulating)
        case = transient_case(circuit, probes, Transient(scenario.stop, scenario.max_step), options)
        return self.request_of(case, condition, study, measure)

    def request_of(self, case: Case, condition: Condition, study: str, measure: partial[tuple[Metric, ...]]) -> Request:
        """A finished case of this situation, with what is to be made of it."""
        recipe = recipe_of(measure)
        return Request(
            case,
            measure,
            postprocess_version(recipe),
            {**dict(self.provenance), "study": study, "condition": described(condition), "measure": recipe},
            {name: (value, unit) for name, value, unit in listed(self.params)},
        )
