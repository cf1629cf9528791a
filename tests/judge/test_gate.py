"""The gate's decisions on small assessments made by hand: nothing passes that is not shown to be fine."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from gated import failing
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.baseline import Baseline, baseline_of
from harness.judge.gate import Evidence, acceptable, decide, disagreement, keyed, passes
from harness.judge.tolerances import RINGING, RIPPLE, TOLERANCES, is_worse, tolerance_of
from harness.judge.waivers import WaivedRow, Waiver, Waivers
from harness.plan.plan import every_metric
from netlists.quantity import Quantity

RUN = "ab" * 32
ESR = "stages.rail.parts.C1.esr"
PEAK, RMS = "rail/switch_voltage_peak/Q1/full load", "rail/switch_current_rms/Q1/full load"
RIPPLE_KEY = "rail/output_ripple/lamp/full load"
PROVENANCE = {"ngspice_version": "39", "solver_version": "2", "record_sha256": "c0"}


def row(metric: str, subject: str, adverse: float, limit: float | None, verdict: str, **more: Any) -> dict[str, Any]:
    """A row as an assessment has it, worse towards high."""
    return {
        "instance": "rail", "metric": metric, "subject": subject, "unit": "V", "value": adverse * 0.9,
        "condition": {"label": "full load", "line_voltage": 24.0, "structure": {}}, "run_id": RUN,
        "adverse": {"value": adverse, "run_id": None}, "rescued": {"value": None, "run_id": None},
        "limit_adverse": limit, "limit_side": None if limit is None else "high", "verdict": verdict, "why": "a reason",
        "margin": None if limit is None else (limit - adverse) / limit, "rests_on": [ESR], **more,
    }  # fmt: skip


def rows() -> list[dict[str, Any]]:
    return [
        row("switch_voltage_peak", "Q1", 30.0, 40.0, "within"),
        row("switch_current_rms", "Q1", 5.0, 4.0, "undecided"),
        row("output_ripple", "lamp", 0.1, None, "unjudged"),
    ]


def esr(low: float = 0.01, high: float = 0.03, known: str = "assumed") -> Quantity:
    return Quantity(0.02, low, high, "ohm", known)  # type: ignore[arg-type]


WAIVERS = Waivers(
    (
        Waiver("unread", "undecided", "reason", "2026-11-01", {RMS: WaivedRow(5.0, 4.0)}),
        Waiver("no_rating", "unjudged", "reason", "2026-11-01", {RIPPLE_KEY: WaivedRow(0.1, None)}),
    ),
    {ESR: (0.01, 0.03)},
)


def evidence(metrics: list[dict[str, Any]] | None = None, **changes: Any) -> Evidence:
    """A record that passes, with changes."""
    found = rows() if metrics is None else metrics
    state = {"record": "r", "metrics": found, "claims": [], "measurements": [], "provenance": PROVENANCE, "limits": {}}
    accepted = baseline_of("r", PROVENANCE, {ESR: esr()}, keyed(rows()))
    plain = Evidence(
        state=state, lost="", current={"record_sha256": "c0"}, quantities={ESR: esr()}, dated=frozenset(),
        simulated=("rail",), runs={}, baseline=accepted, baseline_fault="", waivers=WAIVERS,
        values={RUN: {(one["metric"], one["subject"]): [one["value"]] for one in found}},
    )  # fmt: skip
    return replace(plain, **changes)


def with_row(index: int, **changes: Any) -> list[dict[str, Any]]:
    found = rows()
    found[index] |= changes
    return found


def kinds(one: Evidence) -> dict[str, set[str]]:
    """Key -> kinds of what fails."""
    found: dict[str, set[str]] = {}
    for failure in decide(one):
        if not failure.waiver:
            found.setdefault(failure.key, set()).add(failure.kind)
    return found


def test_what_is_within_or_waived_and_as_accepted_passes() -> None:
    failures = decide(evidence())
    assert passes(failures)
    assert {failure.key: failure.waiver for failure in failures} == {RMS: "unread", RIPPLE_KEY: "no_rating"}


FAULTS: dict[str, tuple[Evidence, dict[str, set[str]]]] = {
    "no assessment": (evidence(state=None, lost="gone"), {"assessment": {"missing"}}),
    "empty assessment": (evidence([]), {"assessment": {"missing"}}),
    "no baseline": (evidence(baseline=None, baseline_fault="gone"), {"baseline": {"no baseline"}}),
    "over": (evidence(with_row(0, verdict="over")), {PEAK: {"over"}}),
    "failed": (evidence(with_row(0, verdict="failed")), {PEAK: {"failed"}}),
    "timed out": (
        evidence(with_row(0, verdict="failed", why="killed after the time limit of 60 s")), {PEAK: {"timed_out"}}
    ),
    "a verdict of later work": (evidence(with_row(0, verdict="fine")), {PEAK: {"failed"}}),
    "NaN": (evidence(with_row(0, adverse={"value": math.nan, "run_id": None})), {PEAK: {"not finite", "worse"}}),
    "no adverse value": (evidence(with_row(0, adverse={"value": None, "run_id": None})), {PEAK: {"not finite"}}),
    "verdict against numbers": (
        evidence(with_row(0, adverse={"value": 41.0, "run_id": None}, margin=-0.025)), {PEAK: {"inconsistent", "worse"}}
    ),
    "margin against numbers": (evidence(with_row(0, margin=0.5)), {PEAK: {"inconsistent"}}),
    "value against its run": (evidence(with_row(0, value=1.0), values=evidence().values), {PEAK: {"inconsistent"}}),
    "within without a run": (evidence(with_row(0, run_id=None)), {PEAK: {"missing"}}),
    "damaged run": (
        evidence(runs={RUN: ("damaged", "cut short")}),
        {PEAK: {"damaged"}, RMS: {"damaged"}, RIPPLE_KEY: {"damaged"}},
    ),
    "another record": (evidence(current={"record_sha256": "c1"}), {"assessment": {"stale"}}),
    "an instance without rows": (evidence(simulated=("rail", "bus")), {"instances/bus": {"missing"}}),
    "a row that is gone": (evidence(rows()[1:]), {PEAK: {"missing from baseline"}}),
    "worse within its limit": (
        evidence(with_row(0, adverse={"value": 31.0, "run_id": None}, margin=9 / 40)), {PEAK: {"worse"}}
    ),
    "known raised": (evidence(quantities={ESR: esr(known="measured")}), {f"known/{ESR}": {"known raised"}}),
    "another unit": (evidence(with_row(0, unit="A")), {PEAK: {"worse"}}),
    "waiver of another verdict": (evidence(with_row(1, verdict="over")), {RMS: {"over"}}),
    "waiver of a tighter limit": (evidence(with_row(1, limit_adverse=3.9, margin=-1.1 / 3.9)), {RMS: {"undecided"}}),
    "waiver of a range that widened": (
        evidence(quantities={ESR: esr(high=0.04)}), {RMS: {"undecided"}, RIPPLE_KEY: {"unjudged"}}
    ),
    "waiver without the range": (
        evidence(waivers=replace(WAIVERS, ranges={})), {RMS: {"undecided"}, RIPPLE_KEY: {"unjudged"}}
    ),
    "waiver of a row that is within": (
        evidence(with_row(1, verdict="within", adverse={"value": 3.0, "run_id": None}, margin=0.25)),
        {f"waivers/unread/{RMS}": {"unused waiver"}},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_fails_by_name(name: str) -> None:
    found, expected = FAULTS[name]
    assert kinds(found) == expected


@pytest.mark.parametrize("name", ["ngspice_version", "solver_version"])
def test_a_baseline_of_another_solver_is_stale_and_says_how_to_make_it_anew(name: str) -> None:
    accepted = evidence().baseline
    assert accepted is not None
    (failure,) = [one for one in decide(evidence(baseline=replace(accepted, **{name: "41"}))) if not one.waiver]
    assert (failure.key, failure.kind) == ("baseline", "baseline stale")
    assert "bulkrail gate RECORD --accept" in failure.message


def test_known_is_raised_with_dated_evidence() -> None:
    assert kinds(evidence(quantities={ESR: esr(known="measured")}, dated=frozenset({ESR}))) == {}


def test_a_struck_out_row_says_why_it_is_gone() -> None:
    gone = evidence(rows()[1:])
    state = {
        **dict(gone.state or {}),
        "struck_out": [{"instance": "rail", "reason": "a bridge", "metrics": rows()[:1]}],
    }
    (failure,) = [one for one in decide(replace(gone, state=state)) if not one.waiver]
    assert (failure.key, failure.message) == (PEAK, "struck out: a bridge")


@given(st.floats(1e-6, 1e6), st.sampled_from(sorted(every_metric())), st.floats(1.0001, 1e3))
def test_worse_beyond_its_tolerance_never_passes(before: float, metric: str, times: float) -> None:
    """Whatever the size of a number: past its tolerance it fails the baseline, on its worse side alone."""
    worse = every_metric()[metric].worse
    step = tolerance_of(metric).relative * before * times + 1e-11
    now = before + step if worse == "high" else before - step
    assert is_worse(metric, "V", worse, before, now)
    assert not is_worse(metric, "V", worse, now, before)
    assert is_worse(metric, "V", worse, before, math.nan)
    accepted = Baseline("r", "39", "2", {}, {f"rail/{metric}/x/full load": {"worst": before, "unit": "V"}})
    found = evidence([row(metric, "x", now, None, "unjudged")], baseline=accepted, waivers=Waivers())
    assert "worse" in kinds(found)[f"rail/{metric}/x/full load"]


@given(st.floats(0.0, 2.0), st.floats(0.0, 2.0), st.floats(0.9, 1.5))
def test_a_waiver_holds_only_while_nothing_widens_or_worsens(low: float, high: float, worst: float) -> None:
    """The range's ends and the worst case are scaled; the waiver was given at 1."""
    found = evidence(
        with_row(1, adverse={"value": 5.0 * worst, "run_id": None}, margin=(4 - 5.0 * worst) / 4),
        quantities={ESR: Quantity(0.02, 0.01 * low, 0.02 + 0.01 * high, "ohm", "assumed"), "other": esr()},
    )
    holds = low >= 1 - 1e-6 and high <= 1 + 3e-6 and worst <= 1 + TOLERANCES["mean"].relative
    assert (RMS not in failing(decide(found))) == holds


def test_what_may_be_accepted_leaves_over_and_failed_rows_out_and_takes_no_other_failure() -> None:
    waivers = Waivers((Waiver("over", "over", "r", "2026-11-01", {RMS: WaivedRow(5.0, 4.0)}), WAIVERS.waivers[1]),
                      WAIVERS.ranges)  # fmt: skip
    found = evidence(with_row(1, verdict="over"), waivers=waivers, baseline=None)
    kept, left_out, forbids = acceptable(found, decide(found))
    assert (sorted(kept), left_out, forbids) == ([RIPPLE_KEY, PEAK], [RMS], [])
    for name in ("over", "failed", "damaged run", "another record", "NaN", "known raised"):
        one = FAULTS[name][0]
        assert acceptable(one, decide(one))[2], name
    worse = FAULTS["worse within its limit"][0]
    assert not acceptable(worse, decide(worse))[2]


def test_rows_that_share_a_key_are_told_apart_and_none_is_lost() -> None:
    def at(voltage: float, feed: str) -> dict[str, Any]:
        condition = {"label": "highest line", "line_voltage": voltage, "structure": {"stages.r.feed": feed}}
        return row("inrush_peak", "line", 1.0, None, "unjudged", condition=condition)

    found = keyed([at(264.0, "bridge"), at(140.0, "bridge"), at(264.0, "half_wave"), at(264.0, "bridge")])
    short = "rail/inrush_peak/line/highest line"
    assert list(found) == [
        f"{short} [264 V, bridge]", f"{short} [140 V, bridge]", f"{short} [264 V, half_wave]",
        f"{short} [264 V, bridge] #2",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("predicted", "disagrees"),
    # U of the measurement 0.5, of the prediction 1 down and 0.5 up: sqrt(0.25 + 1) = 1.118, sqrt(0.25 + 0.25) = 0.707
    [(10.0, False), (11.1, False), (11.13, True), (9.3, False), (9.28, True)],
)
def test_measurement_and_prediction_must_agree_within_their_combined_uncertainty(
    predicted: float, disagrees: bool
) -> None:
    """Worked by hand from E_n <= 1, ISO 13528:2015, 9.7 (from memory)."""
    one = {
        "measurement": "m", "measured": 10.0, "predicted": predicted, "uncertainty": [-0.05, 0.05], "unit": "V",
        "predicted_uncertainty": [1.0, 0.5],
    }  # fmt: skip
    assert bool(disagreement(one)) == disagrees
    state = {**dict(evidence().state or {}), "measurements": [one]}
    assert kinds(evidence(state=state)) == ({"measurements/m": {"disagrees"}} if disagrees else {})
    lost: Mapping[str, Any] = {**one, "predicted": None}
    assert kinds(evidence(state={**state, "measurements": [lost]})) == {"measurements/m": {"missing"}}


def test_a_claim_no_row_answers_to_is_missing() -> None:
    state = {**dict(evidence().state or {}), "claims": [{"claim": "hold_up"}]}
    assert kinds(evidence(state=state)) == {"claims/hold_up": {"missing"}}


def test_tolerances_are_of_metrics_there_are() -> None:
    assert every_metric().keys() >= RIPPLE | RINGING
    assert {name: one.relative for name, one in TOLERANCES.items()} == {"mean": 0.003, "ripple": 0.01, "ringing": 0.03}
    # 0.3 % of an absolute temperature: at 60 degC a degree
    assert not is_worse("thermistor_temperature", "degC", "high", 60.0, 60.9)
    assert is_worse("thermistor_temperature", "degC", "high", 60.0, 61.1)
