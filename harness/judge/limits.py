"""What a metric is judged against: a rating of its subject under a policy, the label, a claim, or an override."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.judge.limits_file import NO_LIMITS, LimitsFile, Override
from harness.plan.plan import Answer
from netlists.instances import OutputNetwork
from netlists.quantity import Quantity, engineering, read_value
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
    policy : what made the limit of a rating; empty where no rating did
    override : name of the override that set it; else empty
    partial : why a metric within this limit still proves nothing, else empty
    """

    nominal: float
    adverse: float
    worse: Side
    source: str
    partial: str = ""
    policy: str = ""
    override: str = ""


@dataclass(frozen=True, slots=True)
class Rating:
    """The field of the subject's part a metric is held against."""

    field: str
    partial: str = ""


BULK_PARTS = "the line's and the converter's ripple currents add to it"
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
    "relay_late_contact": Rating("making_current_rating"),
    "stuck_relay_current": Rating("current_rating"),
    "relay_closing_contact": Rating("making_current_rating"),
    "thermistor_energy": Rating("energy_rating"),
    "diode_reverse_peak": Rating("reverse_voltage_rating"),
    "bulk_voltage_peak": Rating("voltage_rating"),
    "bulk_can_current_rms": Rating("ripple_current_rating", CONVERTER_PART),
    "switch_voltage_plateau": Rating("drain_source_rating"),
    "switch_voltage_peak": Rating("drain_source_rating"),
    "switch_current_rms": Rating("drain_current_rating"),
    "diode_voltage_plateau": Rating("reverse_voltage_rating"),
    "diode_voltage_peak": Rating("reverse_voltage_rating"),
    "diode_current_average": Rating("average_current_rating"),
    "saturation_current_needed": Rating("saturation_current"),
    "choke_current_rms": Rating("current_rating"),
    "capacitor_current_rms": Rating("ripple_current_rating"),
    "resonant_capacitor_voltage_peak": Rating("voltage_rating"),
    "magnetising_current_peak": Rating("saturation_current"),
    "shunt_dissipation": Rating("power_rating"),
    "connector_current": Rating("current_rating"),
    "rectifier_current_average": Rating("average_current_rating"),
    "thermistor_current_rms": Rating("current_rating"),
    "clamp_voltage": Rating("voltage_rating"),
    "clamp_dissipation": Rating("power_rating"),
}


# Bounds that no data sheet states: metric -> limit, which side is worse, why.
CONDITIONS: dict[str, tuple[float, Side, str]] = {
    "soft_switching_margin": (
        1.0,
        "low",
        "less charge than the capacitances hold leaves hard switching (charge balance)",
    ),
    "reset_margin": (0.0, "low", "the core must be reset before the next turn-on (volt-second balance)"),
    "rectifier_branches": (
        1.5,  # half way, so that one is clear of it
        "high",
        "one operation; of two a start decides which a supply settles in; common practice, no source",
    ),
    "reverse_current_share": (0.02, "high", "reverse current nobody asked for; common practice, no source"),
}


def limit_of(record: SupplyRecord, answer: Answer, limits: LimitsFile = NO_LIMITS) -> Limit | None:
    """The limit of an answer; None where nothing recorded bounds it. A claim is held to what it promises."""
    if answer.question.claim:
        return _claimed(record, answer)
    if answer.metric == "line_current_rms":
        rated = _label_current(record, answer)
    elif answer.metric == "output_ripple_probe":
        rated = _railed(record, answer, limits)
    elif answer.metric in CONDITIONS:
        value, worse, source = CONDITIONS[answer.metric]
        rated = Limit(value, value, worse, source)
    elif answer.metric == "output_voltage":
        rated = _regulated(record, answer, limits)
    else:
        rated = _rated(record, answer, limits)
    override = limits.override(answer.instance, answer.metric, answer.subject)
    return rated if override is None else _overridden(answer, override, rated)


def _rated(record: SupplyRecord, answer: Answer, limits: LimitsFile) -> Limit | None:
    """The rating of the subject's part, times the fraction its kind's policy lets count."""
    rating = RATINGS.get(answer.metric)
    owners = [stage for stage in record.data.stages.values() if answer.subject in stage.parts]
    if rating is None or not owners:
        return None
    quantity = _quantity_of(record, answer.subject, rating.field)
    if quantity is None:
        return None
    policy = limits.policy(str(getattr(owners[0].parts[answer.subject], "kind", "")))
    fraction = policy.fractions.get(rating.field, 1.0)
    known = "" if quantity.known == "marked" else f" {quantity.known}"
    amount = engineering(quantity.nominal, quantity.unit)
    if not quantity.is_exact:
        amount += f" ({engineering(quantity.low, quantity.unit)} to {engineering(quantity.high, quantity.unit)})"
    words = policy.words(rating.field)
    source = f"{answer.subject} {rating.field.replace('_', ' ')}, {amount}{known}{words}"
    in_bulk = answer.metric == "capacitor_current_rms" and owners[0].parts[answer.subject].role == "bulk"
    partial = BULK_PARTS if in_bulk else rating.partial
    return Limit(quantity.nominal * fraction, quantity.low * fraction, "high", source, partial, policy.name)


def _rail_of(record: SupplyRecord, answer: Answer) -> str:
    """The rail whose ripple an answer is about; of a network at its connector, the rail it carries."""
    stage = record.instance(answer.instance)
    if not isinstance(stage, OutputNetwork):
        return answer.subject
    return stage.rail or getattr(record.instance(stage.fed_by or ""), "rail", None) or ""


def _railed(record: SupplyRecord, answer: Answer, limits: LimitsFile) -> Limit | None:
    """The limits file's own ripple limit of a rail."""
    for rail in limits.rails:
        if (rail.rail, rail.quantity) == (_rail_of(record, answer), "ripple"):
            mark = f", {rail.mark}" if rail.mark else ""
            source = f"rail {rail.rail}: {rail.source}{mark}; {rail.condition}"
            return Limit(rail.value, rail.value, "high", source)
    return None


def _regulated(record: SupplyRecord, answer: Answer, limits: LimitsFile) -> Limit | None:
    """The upper end of the limits file's regulation of a rail, around the nameplate's voltage."""
    path = f"nameplate.rails.{answer.subject}.voltage"
    for rail in limits.rails:
        if (rail.rail, rail.quantity) == (answer.subject, "regulation") and path in record.quantities:
            value = record.quantities[path].nominal * (1 + rail.value)
            mark = f", {rail.mark}" if rail.mark else ""
            return Limit(value, value, "high", f"rail {rail.rail}: {rail.source}{mark}; {rail.condition}")
    return None


def _quantity_of(record: SupplyRecord, designator: str, field: str) -> Quantity | None:
    for name, stage in record.data.stages.items():
        if designator in stage.parts:
            return record.quantities.get(f"stages.{name}.parts.{designator}.{field}")
    return None


def _overridden(answer: Answer, override: Override, rated: Limit | None) -> Limit:
    """An override's limit; what is not simulated of the metric stays so."""
    day = f", {override.date}" if override.date else ""
    replaced = f"; instead of {rated.source}" if rated else ""
    source = f"override {override.name}: {override.reason}{day}{replaced}"
    rating = RATINGS.get(answer.metric)
    partial = rating.partial if rating else ""
    value = override.value
    return Limit(value, value, answer.rule.worse, source, partial, override=override.name)


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
    if answer.metric in ("output_ripple_probe", "output_voltage"):
        what = "ripple" if answer.metric == "output_ripple_probe" else "regulation"
        return f"state a {what} limit of the rail in the limits file to judge it"
    if rating is None:
        return "no rating exists for it; a claim, or an override in the limits file, can set a limit"
    if answer.subject == "line":
        return f"no part in the line with {rating.field} is recorded"
    return f"record {rating.field} of {answer.subject} to judge it"
