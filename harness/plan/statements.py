"""What a record states of metrics, claims and measurements: their names and units, and the question each asks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from harness.plan.bands import band_ends
from harness.plan.study import MetricRule, Question
from netlists.errors import RecordError, nearest
from netlists.quantity import QuantityError, read_tolerance, read_value, shown
from netlists.record import Claim, Measurement, SupplyRecord


def question_about(
    record: SupplyRecord, word: Literal["claim", "measurement"], name: str, about: Claim | Measurement, rule: MetricRule
) -> Question:
    """The question a claim or a measurement asks; RecordError where its voltage lies outside every band."""
    place = f"{word}s.{name}"
    bands = record.data.nameplate.input_bands
    voltage = about.line_voltage.nominal if about.line_voltage else None
    ends = {band_name: band_ends(band) for band_name, band in bands.items()}
    fitting = [band_name for band_name, (low, high) in ends.items() if voltage is None or low <= voltage <= high]
    if not fitting:
        ranges = ", ".join(f"{low:g} to {high:g} V" for low, high in ends.values())
        message = f"must lie in an input band ({ranges}), found {voltage:g} V"
        raise RecordError([record.finding(f"{place}.line_voltage", message)])
    band, (lowest, highest) = bands[fitting[0]], ends[fitting[0]]
    frequency = about.line_frequency or band.frequency_low
    fraction = about.load_fraction.nominal if about.load_fraction else 1.0
    worst = highest if rule.study == "inrush" else lowest
    return Question(
        study=rule.study,
        label=f"{word} {name}",
        band=fitting[0],
        line_voltage=worst if voltage is None else voltage,
        line_frequency=frequency.nominal if frequency and band.supply == "mains" else 0.0,
        output_power=band.output_power.nominal * fraction,
        load_fraction=fraction,
        metrics=(about.metric,),
        supply=band.supply,
        claim=name if word == "claim" else "",
        measurement=name if word == "measurement" else "",
        ambient=about.ambient.nominal if about.ambient else None,
    )


def check_names(record: SupplyRecord, known: Mapping[str, MetricRule]) -> None:
    """Raises RecordError for claims and measurements of a metric no stage has, or of no value in the metric's unit.

    Parameters
    ----------
    known : metrics of all stages, by name
    """
    findings = []
    texts = [(f"claims.{name}", claim.metric, "at_least" if claim.at_least is not None else "at_most",
              claim.at_least if claim.at_least is not None else claim.at_most)
             for name, claim in record.data.claims.items()]  # fmt: skip
    texts += [(f"measurements.{name}", m.metric, "value", m.value) for name, m in record.data.measurements.items()]
    for place, metric, field_name, raw in texts:
        if metric not in known:
            message = f"unknown metric {shown(metric)}; {nearest(metric, known)}"
            findings.append(record.finding(f"{place}.metric", message))
            continue
        try:
            read_value(raw if raw is not None else "", known[metric].unit)
        except QuantityError as error:
            findings.append(record.finding(f"{place}.{field_name}", str(error)))
    for name, measurement in record.data.measurements.items():
        if measurement.instance not in record.data.stages:
            message = f"no instance {shown(measurement.instance)}; {nearest(measurement.instance, record.data.stages)}"
            findings.append(record.finding(f"measurements.{name}.instance", message))
        try:
            read_tolerance(measurement.uncertainty)
        except QuantityError as error:
            findings.append(record.finding(f"measurements.{name}.uncertainty", str(error)))
    if findings:
        raise RecordError(findings)
