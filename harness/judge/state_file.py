"""Reads a stored assessment, ``results/assessments/NAME.json``: checked as far as comparison and gate use it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from harness.judge.assess import SCHEMA
from netlists.errors import Finding, RecordError
from netlists.quantity import shown

LARGEST_FILE = 100_000_000  # bytes; that of a supply with ten stages is some 3 MB


def state_path(results: Path, name: str) -> Path:
    """Where the assessment of a record of some name lies in a results folder."""
    return results / "assessments" / f"{name}.json"


class _Model(BaseModel):
    """Later work adds keys, so unknown ones are let through."""

    model_config = ConfigDict(extra="allow", strict=True)


class _Adverse(_Model):
    value: float | None
    by: str | None = None
    run_id: str | None = None


class _Condition(_Model):
    label: str
    structure: dict[str, str] = Field(default_factory=dict)


class _Row(_Model):
    instance: str
    metric: str
    subject: str
    unit: str
    condition: _Condition
    value: float | None
    adverse: _Adverse
    limit_adverse: float | None
    limit_side: Literal["high", "low"] | None
    margin: float | None
    verdict: Literal["within", "unjudged", "undecided", "over", "failed"]
    why: str
    rests_on: list[str]
    run_id: str | None
    rescued: _Adverse


class _Value(_Model):
    value: float | None
    low: float | None
    high: float | None
    unit: str
    known: str


class _Part(_Model):
    instance: str
    designator: str
    quantities: dict[str, _Value]


class _Claim(_Model):
    claim: str


class _Measurement(_Model):
    measurement: str


class _Policy(_Model):
    kind: str


class _Override(_Model):
    name: str


class _RailLimit(_Model):
    rail: str
    quantity: str


class _Limits(_Model):
    policies: list[_Policy] = Field(default_factory=list)
    overrides: list[_Override] = Field(default_factory=list)


class _State(_Model):
    record: str
    title: str
    metrics: list[_Row]
    parts: list[_Part]
    claims: list[_Claim]
    measurements: list[_Measurement]
    provenance: dict[str, Any]
    limits: _Limits = Field(default_factory=_Limits)
    rail_limits: list[_RailLimit] = Field(default_factory=list)


def read_state(path: Path) -> Mapping[str, Any]:
    """The content of an assessment's JSON.

    Raises
    ------
    RecordError : one finding: it cannot be read, is of another schema or is no assessment
    """
    file = path.name
    try:
        if path.is_file() and path.stat().st_size > LARGEST_FILE:
            _refuse(file, f"must be at most {LARGEST_FILE} bytes")
        text = path.read_text(encoding="utf-8")
        state = parse_json(text)
    except OSError as error:
        raise RecordError([Finding(str(path), 0, "", f"cannot be read: {error.strerror}")]) from error
    except json.JSONDecodeError as error:
        raise RecordError([Finding(file, error.lineno, "", f"not valid JSON: {error.msg}")]) from error
    except UnicodeDecodeError as error:
        raise RecordError([Finding(file, 0, "", "must be UTF-8 text")]) from error
    except (ValueError, RecursionError) as error:
        raise RecordError([Finding(file, 0, "", f"not an assessment: {error}")]) from error
    check_state(state, file)
    return dict(state)


def parse_json(text: str) -> Any:
    """Plain JSON whose numbers are all finite; ValueError or RecursionError for all else."""
    return json.loads(text, parse_constant=_number, parse_float=_number, parse_int=_number)


def check_state(state: Any, file: str) -> None:
    """RecordError with one finding where content is no assessment of this schema."""
    if not isinstance(state, dict) or "schema" not in state or "metrics" not in state:
        _refuse(file, "not an assessment, which bulkrail check writes into OUT/assessments")
    if state["schema"] != SCHEMA:
        message = f"schema {shown(state['schema'])} is not known to this program, which reads schema {SCHEMA}"
        raise RecordError([Finding(file, 0, "schema", message)])
    try:
        _State.model_validate(state)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in fault["loc"])
        raise RecordError([Finding(file, 0, place, f"not as an assessment has it: {fault['msg']}")]) from error


def _refuse(file: str, message: str) -> NoReturn:
    raise RecordError([Finding(file, 0, "", message)])


def _number(text: str) -> float | int:
    """A finite number; ValueError for all else, such as NaN or 1e999."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"number {shown(text)} is not finite")
    return int(text) if text.lstrip("-").isdigit() else value
