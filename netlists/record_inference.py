"""Inferred values of a record, filled in at load by the formulas they name."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping

from netlists.errors import MOST_FINDINGS, Finding, RecordError, nearest
from netlists.formulas import FITTED, INFERENCES
from netlists.quantity import Quantity, QuantityError, QuantitySpec, shown
from netlists.record_model import SupplyRecord

DEVIATION = QuantitySpec("1", "relative deviation of an inferred value from its formula", gt=-1.0)
MOST_INFERENCE_STEPS = 10  # inferred of inferred of inferred ...


def with_inferred(record: SupplyRecord) -> SupplyRecord:
    """Fills in inferred quantities, in the order they need each other; a range from the corners of their inputs."""
    filled = {path: q for path, q in record.quantities.items() if not q.is_computed}
    waiting = {path: q for path, q in record.quantities.items() if q.is_computed}
    faults = (finding for path, q in waiting.items() for finding in _inference_faults(record, path, q))
    findings = list(itertools.islice(faults, MOST_FINDINGS))
    if findings:
        raise RecordError(findings)
    steps = 0
    while waiting:
        ready = [path for path, q in waiting.items() if all(source in filled for source in q.of.values())]
        if not ready:
            raise RecordError(
                [record.finding(path, _circle_text(path, waiting)) for path in list(waiting)[:MOST_FINDINGS]]
            )
        steps += 1
        if steps > MOST_INFERENCE_STEPS:
            message = f"inferred through more than {MOST_INFERENCE_STEPS} others; give a value of its own"
            raise RecordError([record.finding(path, message) for path in ready[:MOST_FINDINGS]])
        for path in ready:
            filled[path] = _inferred_value(record, path, waiting.pop(path), filled)
    specs = dict(record.specs)
    for path, q in list(filled.items()):
        if q.deviation != (0.0, 0.0):  # an open input of its own: how far the formula may be off
            low, high = q.deviation
            filled[deviation_path(path)] = Quantity(
                0.0, low, high, "1", "assumed", note=f"tolerance of {q.formula}", effort=q.effort,
                instrument=q.instrument,
            )  # fmt: skip
            specs[deviation_path(path)] = DEVIATION
    return SupplyRecord(record.data, record.file, record.lines, filled, specs)


def without_hanging(record: SupplyRecord) -> SupplyRecord:
    """The record without inferred quantities that rest on a path where nothing is recorded."""
    kept = dict(record.quantities)
    while hanging := [path for path, q in kept.items() if any(source not in kept for source in q.of.values())]:
        for path in hanging:
            del kept[path]
    return SupplyRecord(record.data, record.file, record.lines, kept, record.specs)


def deviation_path(path: str) -> str:
    """Where the relative tolerance stated around an inferred value stands among a record's quantities."""
    return f"{path}.deviation"


def _circle_text(path: str, waiting: Mapping[str, Quantity]) -> str:
    """The way from a path round the circle it is in or leads into."""
    way = [path]
    while way.count(way[-1]) == 1:
        way.append(next(source for source in waiting[way[-1]].of.values() if source in waiting))
    return f"inferred in a circle: {' <- '.join(way)}; measure or assume one of them"


def _inference_faults(record: SupplyRecord, path: str, quantity_: Quantity) -> Iterator[Finding]:
    inference = INFERENCES.get(quantity_.formula)
    if inference is None:
        yield record.finding(
            path, f"unknown formula {shown(quantity_.formula)}; {nearest(quantity_.formula, [*INFERENCES, FITTED])}"
        )
        return
    if inference.unit != quantity_.unit:
        yield record.finding(
            path, f"formula {quantity_.formula} gives {inference.unit}, this field takes {quantity_.unit}"
        )
    if set(quantity_.of) != set(inference.arguments):
        yield record.finding(path, f"of must name the arguments {', '.join(sorted(inference.arguments))}")
        return
    for argument, source in quantity_.of.items():
        if source not in record.quantities:
            yield record.finding(
                path, f"of.{argument}: no value at {shown(source)}; {nearest(source, record.quantities)}"
            )
        elif record.quantities[source].unit != inference.arguments[argument]:
            unit = record.quantities[source].unit
            yield record.finding(
                path, f"of.{argument} must be in {inference.arguments[argument]}, {source} is in {unit}"
            )


def _inferred_value(record: SupplyRecord, path: str, wanted: Quantity, filled: Mapping[str, Quantity]) -> Quantity:
    function = INFERENCES[wanted.formula].function
    names = list(wanted.of)
    sources = [filled[wanted.of[name]] for name in names]
    corners = itertools.product(*({q.low, q.high} for q in sources))
    try:
        nominal = function(**dict(zip(names, (q.nominal for q in sources), strict=True)))
        values = [function(**dict(zip(names, corner, strict=True))) for corner in corners]
        low = min(values) * (1 + wanted.deviation[0])
        high = max(values) * (1 + wanted.deviation[1])
        result = wanted.with_values(nominal, low, high)
        record.specs[path].check_bounds(result)
    except (ArithmeticError, ValueError, QuantityError) as error:
        raise RecordError([record.finding(path, f"{wanted.formula} gives no usable value: {error}")]) from error
    return result
