"""What a metric is judged against: the manufacturer's rating of its subject, the label, or a claim."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.plan.plan import Answer
from netlists.quantity import read_value
from netlists.record import SupplyRecord

Side = Literal["high", "low"]  # which side of the limit is worse


@dataclass(frozen=True, slots=True)
class Limit:
    """A bound on a metric.

    Parameters
    ----------
    nominal, adverse : the limit as recorded, and at the end of its own range that is worse; SI
    worse : ``high``: the metric must stay at or below; ``low``: at or above
    source : where the limit comes from, as text
    partial : why a metric within this limit still proves nothing, else empty
    """

    nominal: float
    adverse: float
    worse: Side
    source: str
    partial: str = ""


@dataclass(frozen=True, slots=True)
class Rating:
    """The field of the subject's part a metric is held against."""

    field: str
    partial: str = ""


CONVERTER_PART = "the converter's own ripple current is not simulated yet, and adds to it"

# Manufacturer's ratings, by metric; the subject of the metric names the part.
RATINGS: dict[str, Rating] = {
    "inrush_i2t": Rating("melting_i2t"),
    "rectifier_surge_peak": Rating("surge_current_rating"),
    "rectifier_surge_i2t": Rating("i2t_rating"),
    "hot_restart_i2t": Rating("melting_i2t"),
    "hot_restart_surge_peak": Rating("surge_current_rating"),
    "held_relay_i2t": Rating("melting_i2t"),
    "held_relay_surge_peak": Rating("surge_current_rating"),
    "held_relay_contact_peak": Rating("making_current_rating"),
    "relay_making_current": Rating("making_current_rating"),
    "thermistor_energy": Rating("energy_rating"),
    "diode_reverse_peak": Rating("reverse_voltage_rating"),
    "bulk_voltage_peak": Rating("voltage_rating"),
    "bulk_can_current_rms": Rating("ripple_current_rating", CONVERTER_PART),
    "rectifier_current_average": Rating("average_current_rating"),
    "thermistor_current_rms": Rating("current_rating"),
}


def limit_of(record: SupplyRecord, answer: Answer) -> Limit | None:
    """The limit of an answer; None where nothing recorded bounds it."""
    if answer.question.claim:
        return _claimed(record, answer)
    if answer.metric == "line_current_rms":
        return _label_current(record, answer)
    rating = RATINGS.get(answer.metric)
    if rating is None:
        return None
    for name, stage in record.data.stages.items():
        if answer.subject in stage.parts:
            path = f"stages.{name}.parts.{answer.subject}.{rating.field}"
            if path not in record.quantities:
                return None
            quantity = record.quantities[path]
            known = "" if quantity.known == "marked" else f", {quantity.known}"
            source = f"{answer.subject} {rating.field.replace('_', ' ')}{known}"
            return Limit(quantity.nominal, quantity.low, "high", source, rating.partial)
    return None


def _claimed(record: SupplyRecord, answer: Answer) -> Limit:
    """A claim's own bound; its text was checked when the plan was made."""
    claim = record.data.claims[answer.question.claim]
    worse: Side = "low" if claim.at_least is not None else "high"
    raw = claim.at_least if claim.at_least is not None else claim.at_most
    value = read_value(raw if raw is not None else "", answer.rule.unit)
    return Limit(value, value, worse, claim.source or f"claim {answer.question.claim}")


def _label_current(record: SupplyRecord, answer: Answer) -> Limit | None:
    current = record.data.nameplate.input_bands[answer.question.band].current
    if current is None:
        return None
    return Limit(current.nominal, current.low, "high", f"label, input current of band {answer.question.band}")


def missing_limit(answer: Answer) -> str:
    """What to record so that an unjudged metric can be judged."""
    rating = RATINGS.get(answer.metric)
    if rating is None:
        return "no rating exists for it; a claim can set a limit"
    if answer.subject == "line":
        return f"no part in the line with {rating.field} is recorded"
    return f"record {rating.field} of {answer.subject} to judge it"
