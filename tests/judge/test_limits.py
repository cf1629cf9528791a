"""What a metric is held against: ratings under policies, labels, claims and overrides, at their adverse ends."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from judge.conftest import Planned

from harness.judge.corners import corner_value
from harness.judge.limits import Limit, limit_of
from harness.judge.limits_file import NO_LIMITS, LimitsFile, Override, check_overrides
from harness.judge.policies import PUBLISHED, Policy
from harness.judge.verdict import decide
from netlists.errors import RecordError

ORDER = {"within": 0, "unjudged": 0, "undecided": 1, "over": 2}


def override(metric: str, subject: str, value: float, instance: str = "") -> LimitsFile:
    set_by = Override("own", instance, metric, subject, value, "tried on the bench", "2026-10-20")
    return LimitsFile("kiln.limits.toml", "", {}, (set_by,))


def limit(planned: Planned, metric: str, label: str, limits: LimitsFile = NO_LIMITS) -> Limit:
    found = limit_of(planned.record, planned.answer(metric, label), limits)
    assert found is not None
    return found


def test_without_a_file_the_rating_counts_in_full(planned: Planned) -> None:
    found = limit(planned, "rectifier_current_average", "lowest line")
    assert (found.nominal, found.adverse, found.policy) == (4.0, 4.0, "manufacturer")
    assert found.source == "BD1 average current rating, 4 A (manufacturer's rating)"


def test_a_projects_fraction(planned: Planned) -> None:
    policy = Policy("project", {"average_current_rating": 0.75})
    limits = LimitsFile("kiln.limits.toml", policies={"bridge_rectifier": policy})
    found = limit(planned, "rectifier_current_average", "lowest line", limits)
    assert found.nominal == pytest.approx(3.0)
    assert found.source == "BD1 average current rating, 4 A x 75 % (project policy)"
    silent = limit(planned, "rectifier_surge_peak", "highest line", limits)
    assert silent.nominal == 150.0
    assert silent.source.endswith("(manufacturer's rating; the project policy leaves it alone)")


def test_a_published_policy_says_how_it_is_known(planned: Planned) -> None:
    name = "ECSS-Q-ST-30-11C"
    policy = Policy(name, PUBLISHED[name].fractions["bridge_rectifier"])
    limits = LimitsFile("kiln.limits.toml", policies={"bridge_rectifier": policy})
    found = limit(planned, "diode_reverse_peak", "highest line", limits)
    assert found.nominal == pytest.approx(450.0)
    assert found.source == "BD1 reverse voltage rating, 600 V x 75 % (ECSS-Q-ST-30-11C, from memory)"


def test_an_assumed_rating_counts_at_its_adverse_end_times_the_fraction(planned: Planned) -> None:
    limits = LimitsFile("kiln.limits.toml", policies={"fuse": Policy("project", {"melting_i2t": 0.5})})
    found = limit(planned, "inrush_i2t", "highest line", limits)
    assert (found.nominal, found.adverse) == (15.0, 10.0)
    assert found.source == "F1 melting i2t, 30 A2s (20 A2s to 40 A2s) assumed x 50 % (project policy)"


def test_an_override_replaces_a_rating_and_says_which(planned: Planned) -> None:
    found = limit(planned, "thermistor_current_rms", "lowest line", override("thermistor_current_rms", "RT1", 2.4))
    assert (found.nominal, found.adverse, found.worse, found.override) == (2.4, 2.4, "high", "own")
    assert found.source == (
        "override own: tried on the bench, 2026-10-20; instead of RT1 current rating, 3 A (manufacturer's rating)"
    )


def test_an_override_gives_a_limit_where_no_rating_exists(planned: Planned) -> None:
    assert limit_of(planned.record, planned.answer("bulk_voltage_trough", "lowest line")) is None
    found = limit(planned, "bulk_voltage_trough", "lowest line", override("bulk_voltage_trough", "bulk", 72.0))
    assert (found.nominal, found.worse) == (72.0, "low")
    other = override("bulk_voltage_trough", "bulk", 72.0, instance="other_rectifier")
    assert limit_of(planned.record, planned.answer("bulk_voltage_trough", "lowest line"), other) is None


def test_an_override_does_not_make_a_part_of_a_quantity_the_whole(planned: Planned) -> None:
    found = limit(planned, "bulk_can_current_rms", "lowest line", override("bulk_can_current_rms", "C1", 9.0))
    assert found.partial


def test_a_claim_is_held_to_what_it_promises(planned: Planned) -> None:
    found = limit(planned, "inrush_peak", "claim inrush", override("inrush_peak", "line", 1000.0))
    assert (found.nominal, found.override) == (60.0, "")
    assert limit(planned, "inrush_peak", "highest line", override("inrush_peak", "line", 80.0)).nominal == 80.0


def test_the_labels_current_can_be_overridden(planned: Planned) -> None:
    label = "label's lowest voltage"
    assert limit(planned, "line_current_rms", label).source == "label, input current of band wide"
    assert limit(planned, "line_current_rms", label, override("line_current_rms", "line", 1.5)).nominal == 1.5


def test_an_override_no_row_answers_to_is_refused(planned: Planned) -> None:
    check_overrides(override("inrush_peak", "line", 80.0), planned.plan)
    check_overrides(NO_LIMITS, planned.plan)
    with pytest.raises(RecordError) as caught:
        check_overrides(override("inrush_peak", "BD1", 80.0), planned.plan)
    assert str(caught.value) == (
        "kiln.limits.toml: overrides.own.subject: no inrush_peak of BD1 is simulated; allowed: line"
    )


@given(
    bound=st.floats(0.1, 100), tighter=st.floats(0.01, 1), adverse=st.floats(0.1, 100), rescued=st.floats(0.1, 100),
    worse=st.sampled_from(["high", "low"]), partial=st.sampled_from(["", "the rest is missing"]),
)  # fmt: skip
def test_tightening_a_limit_never_improves_a_verdict(
    bound: float, tighter: float, adverse: float, rescued: float, worse: str, partial: str
) -> None:
    if worse == "high":
        rescued, tight = min(adverse, rescued), bound * tighter
    else:
        rescued, tight = max(adverse, rescued), bound / tighter
    loose = Limit(bound, bound, worse, "", partial)  # type: ignore[arg-type]
    tight_limit = dataclasses.replace(loose, nominal=tight, adverse=tight)
    words = [decide(limit, adverse, rescued, ("agrees",), "", "").word for limit in (loose, tight_limit)]
    assert ORDER[words[1]] >= ORDER[words[0]]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(fraction=st.floats(0.01, 1), smaller=st.floats(0.01, 1))
def test_a_smaller_fraction_never_improves_a_verdict(fraction: float, smaller: float, planned: Planned) -> None:
    for metric, label, kind, rating in (
        ("inrush_i2t", "highest line", "fuse", "melting_i2t"),
        ("bulk_can_current_rms", "lowest line", "electrolytic_capacitor", "ripple_current_rating"),
    ):
        words = []
        for part in (fraction, fraction * smaller):
            limits = LimitsFile("kiln.limits.toml", policies={kind: Policy("project", {rating: part})})
            answer = planned.answer(metric, label)
            adverse, rescued = corner_value(answer, "adverse"), corner_value(answer, "rescued")
            assert adverse is not None
            assert rescued is not None
            values = adverse.value, rescued.value
            words.append(decide(limit_of(planned.record, answer, limits), *values, ("agrees",), "", "").word)
        assert ORDER[words[1]] >= ORDER[words[0]]
