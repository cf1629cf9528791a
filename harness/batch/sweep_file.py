"""The sweep file: a batch in TOML, ``schema = 1``. Read whole or refused with all findings, each with its line."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

from harness.batch.batch import INPUTS, KEEPS, Batch, questions_for
from harness.plan.plan import PLANS, kind_of, simulated_instances
from harness.plan.sweep import Ageing, Axis, AxisError, Design, DesignKind, scale_of
from netlists.errors import Finding, OptionError, RecordError
from netlists.quantity import shown
from netlists.record import MOST_FINDINGS, SupplyRecord, load_record, read_toml
from netlists.toml_checker import Checker

FIELDS = (
    "schema", "notes", "name", "record", "instance", "metrics", "question", "design", "samples", "seed", "inputs",
    "keep", "ageing", "axes",
)  # fmt: skip
AXIS_FIELDS = ("values", "factors", "start", "stop", "count", "spacing", "distribution")
RECORDED = "recorded"  # instead of a table: the range of the record


def load_sweep(path: str | Path, **options: Any) -> Batch:
    """The batch of a sweep file; its record lies beside it, or where its path says from there.

    Parameters
    ----------
    options : of ``Batch`` that no file says: results, workers, shared, retry_failed, time_limit

    Raises
    ------
    RecordError : with all findings of the file, or of the record
    OptionError : an option is wrong
    """
    path = Path(path)
    raw, file, lines = read_toml(path)
    checker = Checker(file, lines)
    top = checker.table((), raw, FIELDS)
    checker.text((), top, "notes")
    texts = {key: checker.text((), top, key) for key in ("name", "question")}
    named = checker.text((), top, "record", missing="name the record's file")
    record = load_record(path.parent / named) if named else None
    given: dict[str, Any] = {
        "name": texts["name"] or re.sub(r"[^A-Za-z0-9_-]+", "-", path.stem).strip("-_") or "sweep",
        "question": texts["question"],
    }
    given |= _design(checker, top)
    ageing = _ageing(checker, top)
    axes = _axes(checker, top)
    instance, metrics = ("", []) if record is None else _asked(checker, top, record)
    if record is not None and metrics:
        _read_axes(checker, record, instance, metrics, texts["question"], axes)
    if checker.findings or record is None:
        raise RecordError(checker.findings[:MOST_FINDINGS])
    try:
        return Batch(record, instance, metrics, axes, ageing=ageing, **given, **options)
    except AxisError as error:
        checker.fault(("axes", error.path), error.message)
        raise RecordError(checker.findings) from error
    except RecordError:
        raise
    except OptionError as error:
        if str(error).startswith(("workers", "shared")):
            raise
        raise RecordError([Finding(file, 0, "", str(error))]) from error


def _asked(checker: Checker, top: Mapping[str, Any], record: SupplyRecord) -> tuple[str, list[str]]:
    """Instance and metrics."""
    instance = checker.text((), top, "instance", missing="name a stage instance of the record")
    if not instance or not checker.choice(("instance",), instance, simulated_instances(record), "instance"):
        return "", []
    metrics = top.get("metrics")
    if not isinstance(metrics, list) or not metrics:
        checker.fault(("metrics",), f"must be a list of names in square brackets, found {shown(metrics)}")
        return instance, []
    known = PLANS[kind_of(record, instance)].METRICS
    return instance, [
        name for number, name in enumerate(metrics) if checker.choice(("metrics", str(number)), name, known, "metric")
    ]


def _read_axes(
    checker: Checker, record: SupplyRecord, instance: str, metrics: Sequence[str], label: str, axes: Sequence[Axis]
) -> None:
    """Reports every axis that the record does not allow, all at once."""
    planner = PLANS[kind_of(record, instance)]
    try:
        question = questions_for(record, instance, metrics, label)[0]
    except OptionError as error:
        place, _, message = str(error).partition(": ")
        checker.fault((place,), message)
        return
    for axis in axes:
        try:
            scale_of(axis, record, instance, question, planner.CONDITIONS)
        except AxisError as error:
            checker.fault(("axes", error.path), error.message)


def _design(checker: Checker, top: Mapping[str, Any]) -> dict[str, Any]:
    numbers = {}
    for key, default in (("samples", 0), ("seed", 1)):
        numbers[key] = top.get(key, default)
        if type(numbers[key]) is not int or numbers[key] < 0:
            checker.fault((key,), f"must be a whole number >= 0, found {shown(numbers[key])}")
    chosen = {}
    for key, allowed in (("design", get_args(DesignKind)), ("keep", KEEPS), ("inputs", INPUTS)):
        chosen[key] = top.get(key, allowed[0])
        checker.choice((key,), chosen[key], allowed, key)
    return {
        "design": Design(chosen["design"], numbers["samples"], numbers["seed"]),
        "keep": chosen["keep"], "inputs": chosen["inputs"],
    }  # fmt: skip


def _ageing(checker: Checker, top: Mapping[str, Any]) -> Ageing | None:
    if "ageing" not in top:
        return None
    table = checker.table(("ageing",), top["ageing"], ("capacitance", "esr", "note"))
    checker.text(("ageing",), table, "note")
    found = {}
    for key in ("capacitance", "esr"):
        if key not in table:
            checker.fault(("ageing", key), "missing; the factor at the end of life, such as 0.8 or 2")
        else:
            found[key] = checker.positive(("ageing", key), table[key], "1")
    return None if None in found.values() or len(found) < 2 else Ageing(**found)  # type: ignore[arg-type]  # no None


def _axes(checker: Checker, top: Mapping[str, Any]) -> list[Axis]:
    axes = []
    for path, raw in checker.table(("axes",), top.get("axes", {}), None).items():
        place = ("axes", path)
        if raw == RECORDED:
            axes.append(Axis(path))
        elif isinstance(raw, list):
            if raw:
                axes.append(Axis(path, values=tuple(raw)))
            else:
                checker.fault(place, "no level; list some values")
        elif isinstance(raw, Mapping):
            axes += _axis(checker, place, raw)
        else:
            checker.fault(place, f'must be a list of values, a table, or "{RECORDED}", found {shown(raw)}')
    return axes


def _axis(checker: Checker, place: tuple[str, ...], raw: Mapping[str, Any]) -> list[Axis]:
    table = dict(checker.table(place, raw, AXIS_FIELDS))
    before = len(checker.findings)
    for key in ("values", "factors"):
        if key in table and (not isinstance(table[key], list) or not table[key]):
            checker.fault((*place, key), f"must be a list with at least one level, found {shown(table[key])}")
    if "count" in table and type(table["count"]) is not int:
        checker.fault((*place, "count"), f"must be a whole number, found {shown(table['count'])}")
    for key, allowed in (("spacing", ("linear", "logarithmic")), ("distribution", ("uniform", "normal"))):
        if key in table:
            checker.choice((*place, key), table[key], allowed, key)
    return [Axis(place[-1], **table)] if len(checker.findings) == before else []
