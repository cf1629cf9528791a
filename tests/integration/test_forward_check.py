"""The two-switch forward converter of drum-350, every question at nominal values, in one campaign."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import steady
from demonstration import DRUM, changed_record

from harness.handcalc import two_switch_forward as hand
from harness.judge.agreement import agreement
from harness.judge.limits import CONDITIONS, RATINGS
from harness.plan import rectifier_bulk
from harness.plan import two_switch_forward as planned
from harness.simulate.campaign import Campaign
from netlists.point import Point
from netlists.record import load_record


def test_every_metric_is_found_and_agrees_with_its_hand_calculation(tmp_path: Path) -> None:
    """Nine operating points, the guide's probe and the lowest bus; the core is reset at the largest duty."""
    record, asked = load_record(DRUM), []
    for question in planned.questions(record, "main_24v"):
        situation, _ = planned.situation(record, "main_24v", Point(), question)
        study = planned.STUDIES[question.study](situation)
        asked.append((question, study, planned.expect(question.study, situation)))
    with Campaign(tmp_path) as campaign:
        requests = [study.ask() for _, study, _ in asked]
        outcomes = iter(campaign.run([request for some in requests for request in some]))
        for (_, study, _), some in zip(asked, requests, strict=True):
            study.tell([next(outcomes) for _ in some])
    count, metrics = 0, set()
    for question, study, expected in asked:
        assert study.result.error == "", question.label
        for key in [one for one in expected if one[0] in question.metrics]:
            found = study.result.findings[key].metric
            assert found.unit == planned.METRICS[key[0]].unit, key
            text = (question.label, key, found.value, expected[key].value)
            assert agreement(found.value, expected[key]) == "agrees", text
            count, metrics = count + 1, metrics | {key[0]}
    assert count == pytest.approx(390, abs=20)
    assert metrics == set(planned.METRICS)  # no metric is promised that nobody computes
    assert campaign.simulated == len(asked) == 11
    lowest = next(study for question, study, _ in asked if question.study == "lowest_input")
    assert lowest.result.findings["reset_margin", "T1"].metric.value > 0.05
    assert 270 < lowest.result.findings["lowest_input_voltage", "drive_24v"].metric.value < 290


def test_what_is_rated_has_its_limit() -> None:
    """Voltages and currents of every place, the core's current, the reset: held against something."""
    unrated = {
        "duty_cycle", "switch_current_peak", "switch_current_average", "diode_current_peak", "diode_current_rms",
        "choke_current_peak", "choke_ripple", "output_ripple", "output_ripple_probe", "input_ripple_current",
        "primary_current_peak", "primary_current_rms", "flux_linkage_swing", "lowest_input_voltage",
    }  # fmt: skip
    assert set(planned.METRICS) - set(RATINGS) - set(CONDITIONS) == unrated


def test_what_is_not_simulated_is_said() -> None:
    said = dict(planned.not_modelled(load_record(DRUM), "main_24v"))
    assert "not simulated" in said["coupled outputs"]


NETWORK = """
[stages.loom]
kind = "output_network"
fed_by = "main_24v"
sense = "loom"

[stages.loom.branches.loom]

[stages.loom.parts.W1]
kind = "conductor"
role = "copper"
branch = "loom"
known = "marked"
resistance = "3m"
inductance = "60n"

[stages.loom.parts.C40]
kind = "electrolytic_capacitor"
role = "bank"
branch = "loom"
known = "marked"
capacitance = "470u"
esr = "40m"

"""


def test_a_network_may_stand_behind_it(tmp_path: Path) -> None:
    """Sensed at its end, the duty makes up for the copper's drop; the choke's current is what feeds it."""
    record = changed_record(DRUM, tmp_path, ("[stages.standby_12v]\n", f"{NETWORK.lstrip()}[stages.standby_12v]\n"))
    question = next(one for one in planned.questions(record, "main_24v") if one.label == "nominal input, full load")
    about, _ = planned.situation(record, "main_24v", Point(), question)
    run, analysis = steady.settled("two_switch_forward", about.params, about.condition)
    assert analysis.constraints[0].vector != "out_a"
    expected = hand.expect(about.params, about.condition)
    assert run.solution["control.0.duty"] == pytest.approx(expected["duty_cycle", "drive_24v"].value, rel=0.01)
    assert float(np.mean(run.signals["output_voltage_a"].values)) == pytest.approx(24.0 + 14 * 5e-3, abs=0.02)


def test_the_hold_up_ends_at_the_converters_lowest_bus_or_at_the_cutoff() -> None:
    """Its hand calculation of the lowest bus tells the reset's margin there too."""
    record = load_record(DRUM)
    asked = [one for one in rectifier_bulk.questions(record, "mains_rectifier") if one.study == "holdup"]
    about, _ = rectifier_bulk.situation(record, "mains_rectifier", Point(), asked[0])
    assert about.converter is not None
    expected = planned.expect("lowest_input", about.converter)
    lowest = next(one.value for (metric, _), one in expected.items() if metric == "lowest_input_voltage")
    cutoff = about.params.undervoltage_cutoff
    assert cutoff is not None
    assert about.params.holdup_end_voltage == pytest.approx(max(lowest, cutoff), rel=0.003)
