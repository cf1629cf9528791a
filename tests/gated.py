"""Records put through the gate a few questions at a time; shared by tests of the gate.

Their ranges are closed but for a few, so that the three points of a verdict are nearly one and cost one study.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

from harness.judge.assess import Assessment, assess
from harness.judge.baseline import baseline_of
from harness.judge.corners import answers_to_simulate
from harness.judge.gate import Evidence, Failure, decide, keyed
from harness.judge.limits_file import NO_LIMITS
from harness.judge.waiver_offer import offer
from harness.judge.waivers import Waivers, read_waivers
from harness.merge_gate import gather
from harness.plan.plan import Plan, structures
from harness.simulate.campaign import Campaign
from harness.simulate.case import SOLVER_VERSION
from netlists.record import SupplyRecord, load_record
from netlists.toml_checker import Checker

TODAY = date(2026, 11, 25)


def failing(failures: Sequence[Failure]) -> set[str]:
    """Keys of what stops a merge."""
    return {failure.key for failure in failures if not failure.waiver}


def waivers_for(evidence: Evidence) -> Waivers:
    """What the gate offers to waive, each given a reason."""
    text = offer(evidence, decide(evidence), TODAY.isoformat()).replace('reason = ""', 'reason = "a test"')
    checker = Checker("offered", {})
    found = read_waivers(checker, tomllib.loads(text), TODAY)
    assert not checker.findings
    return found


class Bench:
    """A record whose instance answers a study under a label; accepted as it is, and then changed."""

    def __init__(
        self, file: Path, folder: Path, instance: str, study: str, label: str, open_paths: Sequence[str] = ()
    ) -> None:
        self.file, self.folder, self.instance, self.study, self.label = file, folder, instance, study, label
        self.open_paths = open_paths
        original = self.gathered(file)
        state = original.state
        assert state is not None
        rows = keyed(state["metrics"])
        never = {one.key for one in decide(original) if one.kind in ("over", "failed", "timed_out")}
        accepted = {key: row for key, row in rows.items() if key not in never}
        baseline = baseline_of(state["record"], state["provenance"], original.quantities, accepted)
        self.accepted = replace(original, baseline=baseline)
        self.waivers = waivers_for(self.accepted)

    def gathered(self, file: Path) -> Evidence:
        """All there is of a record after its questions are answered; nothing accepted, nothing waived."""
        record = load_record(file)
        closed = {
            path: one if path in self.open_paths else one.with_values(one.nominal, one.nominal, one.nominal)
            for path, one in record.quantities.items()
        }
        record = replace(record, quantities=closed)
        assessment = self._assess(record)
        written = self.folder / "assessments" / f"{record.name}.json"
        written.parent.mkdir(exist_ok=True, parents=True)
        written.write_text(assessment.to_json(), encoding="utf-8")
        evidence = gather(record, file, NO_LIMITS, self.folder, self.folder / "none")
        current = {name: one for name, one in evidence.current.items() if name == "solver_version"}
        return replace(evidence, simulated=(self.instance,), current=current)

    def _assess(self, record: SupplyRecord) -> Assessment:
        plan = Plan(record, [])
        for structure in structures(record, self.instance):
            for question in plan.questions(self.instance):
                if (question.study, question.label) == (self.study, self.label):
                    plan.add(self.instance, structure, question)
        with Campaign(self.folder) as campaign:
            plan.run(campaign)
            plan.simulate_corners(campaign, answers_to_simulate(record, plan, NO_LIMITS))
            provenance = {"ngspice_version": campaign.ngspice_version, "solver_version": SOLVER_VERSION}
        return without_statements(assess(record, plan, provenance))

    def failures_of(self, change: Callable[[str], str]) -> tuple[Failure, ...]:
        """What the gate says of the record with its text changed, against the original's baseline and waivers."""
        text = self.file.read_text(encoding="utf-8")
        changed = change(text)
        assert changed != text
        file = self.folder / self.file.name
        file.write_text(changed, encoding="utf-8")
        evidence = self.gathered(file)
        return decide(replace(evidence, baseline=self.accepted.baseline, waivers=self.waivers))


def without_statements(assessment: Assessment) -> Assessment:
    """An assessment without the claims and measurements of questions that were not asked."""
    return replace(assessment, claims=(), measurements=())
