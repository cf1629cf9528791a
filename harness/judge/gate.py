"""The gate's decisions: what of an assessment must not be merged, by name. Pure functions; opens no file.

Fail-closed: a row passes only where it is within its limit at its adverse ends, finite, current, consistent with its
limit and its stored runs, and no worse than the baseline. All else is a failure by name, but for what a person waived.

The key of a row is ``instance/metric/subject/label``. Where rows of an assessment share it (bands of the label,
alternatives of structure), line voltage, structure and at last a number follow in brackets.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from harness.judge.baseline import KNOWN, Baseline, worst_of
from harness.judge.tolerances import is_worse, tolerance_of, worse_side
from harness.judge.uncertainty import agrees, combined_uncertainty
from harness.judge.verdict import margin_to
from harness.judge.waivers import WAIVABLE, Waivers, lapse
from netlists.quantity import Quantity

Row = Mapping[str, Any]
JUDGED = {"over", "undecided", "unjudged", "failed", "within"}
CLOSE = 1e-9  # relative: a margin is taken from the same two numbers, so any difference is tampering or a fault
TIME_LIMIT = "time limit"  # how a worker that was killed is told
# What accepting answers: the baseline itself is what is wrong.
ANSWERED_BY_ACCEPTING = ("worse", "no baseline", "missing from baseline", "baseline stale")


@dataclass(frozen=True, slots=True)
class Failure:
    """Something that stops a merge.

    Parameters
    ----------
    key : of the row; or ``assessment``, ``baseline``, ``instances/NAME``, ``claims/NAME``, ``measurements/NAME``,
        ``known/PATH``, ``waivers/NAME/KEY``
    kind : over, undecided, unjudged, failed, timed_out, missing, disagrees, stale, damaged, not finite, inconsistent,
        known raised, unused waiver, or one of ``ANSWERED_BY_ACCEPTING``
    waiver : name of the waiver that lets it pass; empty: it fails
    """

    key: str
    kind: str
    message: str
    waiver: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that the gate decides on of one record.

    Parameters
    ----------
    state : the assessment's JSON; None where there is none
    lost : why there is none
    current : what the assessment must say of its making, by key of its provenance, and ``rules_sha256`` of its limits
    quantities : path -> quantity of the record
    dated : paths of quantities with evidence and a date
    simulated : instances a model exists for
    runs : run id -> (kind, message) of each run that is not as it must be
    values : run id -> values of each (metric, subject) in the stored run
    baseline : None where there is none; ``baseline_fault`` says why
    """

    state: Mapping[str, Any] | None
    lost: str
    current: Mapping[str, Any]
    quantities: Mapping[str, Quantity]
    dated: frozenset[str]
    simulated: Sequence[str]
    runs: Mapping[str, tuple[str, str]]
    values: Mapping[str, Mapping[tuple[str, str], Sequence[float]]]
    baseline: Baseline | None
    baseline_fault: str
    waivers: Waivers = field(default_factory=Waivers)
    regenerate: str = "bulkrail gate RECORD --accept"


@dataclass(frozen=True, slots=True)
class Gated:
    """A record that went through the gate.

    Parameters
    ----------
    failures : waived ones too
    accepted : what became of ``--accept``, a line each; empty where it was not asked for
    """

    record: str
    title: str
    file: str
    evidence: Evidence
    failures: tuple[Failure, ...]
    accepted: tuple[str, ...] = ()

    @property
    def passes(self) -> bool:
        return passes(self.failures)

    @property
    def rows(self) -> dict[str, Row]:
        """All rows by key."""
        return {} if self.evidence.state is None else keyed(self.evidence.state["metrics"])


def keyed(rows: Sequence[Row]) -> dict[str, Row]:
    """Rows by their keys, in their order; no row is lost."""
    plain = [_plain_key(row) for row in rows]
    found: dict[str, Row] = {}
    for row, short in zip(rows, plain, strict=True):
        key = first = short if plain.count(short) == 1 else f"{short} [{_told_apart(row)}]"
        number = 2
        while key in found:
            key, number = f"{first} #{number}", number + 1
        found[key] = row
    return found


def _told_apart(row: Row) -> str:
    condition = row["condition"]
    choices = [str(choice) for _, choice in sorted(condition.get("structure", {}).items())]
    return ", ".join([f"{condition.get('line_voltage') or 0:.4g} V", *choices])


def _plain_key(row: Row) -> str:
    return "/".join((row["instance"], row["metric"], row["subject"], row["condition"]["label"]))


def decide(evidence: Evidence) -> tuple[Failure, ...]:
    """Every failure, waived ones with the name of their waiver, in the order rows, statements, baseline, waivers."""
    if evidence.state is None or not evidence.state["metrics"]:
        message = evidence.lost or "holds no metric"
        return (Failure("assessment", "missing", message), *_of_baseline_itself(evidence))
    rows = keyed(evidence.state["metrics"])
    found = [
        *_of_provenance(evidence),
        *(failure for key, row in rows.items() for failure in _of_row(evidence, key, row)),
        *_of_instances(evidence),
        *_of_statements(evidence.state),
        *_of_baseline_itself(evidence),
        *_against_baseline(evidence, rows),
        *_known_raised(evidence),
    ]
    waived = [_waived(evidence, rows, failure) for failure in found]
    return (*waived, *_unused(evidence.waivers, found))


def passes(failures: Sequence[Failure]) -> bool:
    """Whether a merge may go on."""
    return all(failure.waiver for failure in failures)


def acceptable(evidence: Evidence, failures: Sequence[Failure]) -> tuple[dict[str, Row], list[str], list[Failure]]:
    """What a baseline may hold, keys of waived rows it may not, and what forbids accepting anything.

    Over-limit, failed and timed-out rows never enter a baseline, not even waived: their waiver alone holds them.
    """
    forbids = [one for one in failures if not one.waiver and one.kind not in ANSWERED_BY_ACCEPTING]
    left_out = [one.key for one in failures if one.waiver and one.kind in ("over", "failed", "timed_out")]
    rows = {} if evidence.state is None else keyed(evidence.state["metrics"])
    return {key: row for key, row in rows.items() if key not in left_out}, left_out, forbids


def _of_provenance(evidence: Evidence) -> Iterator[Failure]:
    """Whether the assessment is of this record, these limits, this program and these solvers."""
    assert evidence.state is not None
    told = {**evidence.state["provenance"], "rules_sha256": evidence.state.get("limits", {}).get("rules_sha256")}
    for name, wanted in evidence.current.items():
        if told.get(name) != wanted:
            message = f"{name} is {_short(told.get(name))}, now {_short(wanted)}; check the record again"
            yield Failure("assessment", "stale", message)


def _short(value: Any) -> str:
    return "none" if value is None else str(value)[:24]


def _of_row(evidence: Evidence, key: str, row: Row) -> Iterator[Failure]:
    """Numbers, verdict and runs of a row."""
    message = _not_consistent(row)
    if message:
        yield Failure(key, "not finite" if message.startswith("no ") else "inconsistent", message)
    if row["verdict"] != "within":
        known = row["verdict"] if row["verdict"] in JUDGED else "failed"
        kind = "timed_out" if known == "failed" and TIME_LIMIT in row["why"] else known
        yield Failure(key, kind, row["why"] or row["verdict"])
    yield from _of_runs(evidence, key, row)


def _not_consistent(row: Row) -> str:
    """Why a row's numbers do not carry its verdict; empty where they do."""
    adverse, limit, side = row["adverse"]["value"], row["limit_adverse"], row["limit_side"]
    numbers = [value for value in (row["value"], adverse, limit, row["margin"]) if value is not None]
    if not all(math.isfinite(value) for value in numbers):
        return "no finite number"
    if row["verdict"] not in ("failed", "undecided") and worst_of(row) is None:
        return f"no value, yet {row['verdict']}"
    if adverse is None or limit is None:
        return "no adverse value or no limit, yet within" if row["verdict"] == "within" else ""
    margin = margin_to(adverse, limit, side)
    if row["margin"] is None or not math.isclose(row["margin"], margin, rel_tol=CLOSE, abs_tol=CLOSE):
        return f"margin {row['margin']} is not that of {adverse} against {limit}"
    return "within, with a value beyond its limit" if row["verdict"] == "within" and margin < 0 else ""


def _of_runs(evidence: Evidence, key: str, row: Row) -> Iterator[Failure]:
    """Whether every run a row rests on is stored, whole and current, and holds the row's value."""
    name = (row["metric"], row["subject"])
    for which, side in (("nominal", row), ("adverse", row["adverse"]), ("rescued", row.get("rescued") or {})):
        run_id, value = side.get("run_id"), side.get("value")
        if run_id is None:
            if which == "nominal" and row["verdict"] == "within":
                yield Failure(key, "missing", "within, yet no stored run shows it")
        elif run_id in evidence.runs:
            kind, message = evidence.runs[run_id]
            yield Failure(key, kind, f"{which} {message}")
            return
        elif value not in evidence.values.get(run_id, {}).get(name, ()):
            yield Failure(key, "inconsistent", f"{which} value {value} is not what run {run_id[:12]} holds")
            return


def _of_instances(evidence: Evidence) -> Iterator[Failure]:
    assert evidence.state is not None
    there = {row["instance"] for row in evidence.state["metrics"]}
    there |= {one["instance"] for one in evidence.state.get("struck_out", ())}
    for instance in evidence.simulated:
        if instance not in there:
            yield Failure(f"instances/{instance}", "missing", "no row of it in the assessment; check the whole record")


def _of_statements(state: Mapping[str, Any]) -> Iterator[Failure]:
    """Claims without a row, and measurements that are not met."""
    labels = {row["condition"]["label"] for row in state["metrics"]}
    for claim in state["claims"]:
        if f"claim {claim['claim']}" not in labels:
            yield Failure(f"claims/{claim['claim']}", "missing", "no row answers to it")
    for one in state["measurements"]:
        key = f"measurements/{one['measurement']}"
        numbers = (one.get("measured"), one.get("predicted"), *(one.get("predicted_uncertainty") or (None,)))
        if any(number is None for number in numbers):
            yield Failure(key, "missing", "there is no prediction with an uncertainty to compare it with")
        elif message := disagreement(one):
            yield Failure(key, "disagrees", message)


def disagreement(one: Mapping[str, Any]) -> str:
    """Why a measurement and its prediction disagree beyond their combined uncertainty; empty where they do not.

    The normalised error E_n = |x - y| / sqrt(U_x^2 + U_y^2) must not exceed 1 (ISO 13528:2015, 9.7, from memory), each
    uncertainty taken on the side that faces the other value.
    """
    measured, predicted = one["measured"], one["predicted"]
    both = combined_uncertainty(one["predicted_uncertainty"], measured, one["uncertainty"])
    if agrees(predicted - measured, both):
        return ""
    combined = both[0] if predicted > measured else both[1]
    return (
        f"measured {measured:.4g} {one['unit']}, predicted {predicted:.4g}: {abs(predicted - measured):.3g} apart, "
        f"their combined uncertainty is {combined:.3g}"
    )


def _of_baseline_itself(evidence: Evidence) -> Iterator[Failure]:
    if evidence.baseline is None:
        yield Failure("baseline", "no baseline", f"{evidence.baseline_fault}; {evidence.regenerate}")


def _against_baseline(evidence: Evidence, rows: Mapping[str, Row]) -> Iterator[Failure]:
    """Another solver, rows that are gone, and rows that got worse."""
    accepted, state = evidence.baseline, evidence.state
    if accepted is None or state is None:
        return
    for name in ("ngspice_version", "solver_version"):
        was, now = getattr(accepted, name), state["provenance"].get(name)
        if was != now:
            message = f"{name} {was} then, {now} now; review the differences and run: {evidence.regenerate}"
            yield Failure("baseline", "baseline stale", message)
    struck = {_plain_key(row): one["reason"] for one in state.get("struck_out", ()) for row in one.get("metrics", ())}
    for key, was in accepted.metrics.items():
        row = rows.get(key)
        if row is None:
            why = struck.get(key.split(" [")[0])
            yield Failure(
                key, "missing from baseline", f"struck out: {why}" if why else "accepted, and no longer there"
            )
            continue
        worst = worst_of(row)
        if row["unit"] != was["unit"]:
            yield Failure(key, "worse", f"its unit was {was['unit']}, now {row['unit']}")
        elif worst is None:
            yield Failure(key, "worse", f"was {was['worst']:.6g} {was['unit']}, has no value now")
        elif is_worse(row["metric"], row["unit"], worse_side(row["metric"], row["limit_side"]), was["worst"], worst):
            allowed, unit = tolerance_of(row["metric"]).relative, row["unit"]
            message = f"worst case {worst:.6g} {unit}, accepted {was['worst']:.6g}, tolerance {allowed:.1%}"
            yield Failure(key, "worse", message)


def _known_raised(evidence: Evidence) -> Iterator[Failure]:
    """Quantities called better known than they were, without evidence and its date."""
    if evidence.baseline is None:
        return
    for path, was in evidence.baseline.known.items():
        quantity = evidence.quantities.get(path)
        if quantity is None or path in evidence.dated or KNOWN.index(quantity.known) <= KNOWN.index(was):
            continue
        message = f"was {was}, is called {quantity.known}: give evidence and its date beside the value"
        yield Failure(f"known/{path}", "known raised", message)


def _waived(evidence: Evidence, rows: Mapping[str, Row], failure: Failure) -> Failure:
    """A failure with the waiver that holds for it, or with why its waiver does not."""
    waiver = evidence.waivers.of(failure.key)
    if waiver is None or failure.kind not in WAIVABLE:
        return failure
    row = rows.get(failure.key)
    about: dict[str, Any] = {"metric": "", "unit": "", "limit_adverse": None, "limit_side": None, "rests_on": ()}
    if row is not None:
        about = {**{name: row[name] for name in about}, "worst": worst_of(row)}
    else:
        about["worst"] = None
    why = lapse(evidence.waivers, waiver, failure.key, failure.kind, about, evidence.quantities)
    if why:
        return replace(failure, message=f"{failure.message}; waiver {waiver.name} of {waiver.date} lapsed: {why}")
    return replace(failure, waiver=waiver.name)


def _unused(waivers: Waivers, failures: Sequence[Failure]) -> Iterator[Failure]:
    failing = {failure.key for failure in failures if failure.kind in WAIVABLE}
    for waiver in waivers.waivers:
        for key in waiver.rows:
            if key not in failing:
                message = "waives what does not fail, or is not there; take it out of the limits file"
                yield Failure(f"waivers/{waiver.name}/{key}", "unused waiver", message)
