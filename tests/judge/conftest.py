"""A plan of the demonstration record that has run, on the results the session's check left: nothing is simulated."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from demonstration import LANTERN, Checked

from harness.judge.assess import Assessment, assess
from harness.judge.corners import answers_to_simulate
from harness.plan.plan import Answer, Plan
from harness.simulate.campaign import Campaign
from netlists.record import SupplyRecord, load_record


@dataclass(frozen=True)
class Planned:
    """A record and its plan."""

    record: SupplyRecord
    plan: Plan

    def answer(self, metric: str, label: str) -> Answer:
        """The answer of a metric under a condition label."""
        return next(a for a in self.plan.answers if (a.metric, a.question.label) == (metric, label))


@pytest.fixture(scope="session")
def planned(checked: Checked) -> Planned:
    """The demonstration's plan, filled in from the stored runs."""
    record = load_record(LANTERN)
    plan = Plan(record, ["mains_rectifier"])
    with Campaign(checked.results) as campaign:
        plan.run(campaign)
        plan.simulate_corners(campaign, answers_to_simulate(record, plan))
        assert campaign.simulated == 0
    return Planned(record, plan)


@pytest.fixture(scope="session")
def assessed(planned: Planned) -> Assessment:
    """The demonstration judged without a limits file."""
    return assess(planned.record, planned.plan, {})
