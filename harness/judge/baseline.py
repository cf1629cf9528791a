"""Baselines: what was accepted of a record, as small sorted JSON that a person reviews in a merge.

Each row has a line of its own, so a difference between two commits shows which metrics moved and how far.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from netlists.errors import Finding, RecordError
from netlists.quantity import Quantity, shown

SCHEMA = 1
DIGITS = 6  # of numbers in a baseline, far below the smallest tolerance
LARGEST_FILE = 10_000_000  # bytes
STATED = ("claims.", "measurements.")  # paths of conditions, which are set, not known better or worse
KNOWN = ("assumed", "inferred", "marked", "measured")  # from the least to the best known


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Row(_Model):
    worst: float
    unit: str
    limit: float | None = None
    side: Literal["high", "low"] | None = None
    verdict: Literal["within", "unjudged", "undecided"]


class _Baseline(_Model):
    schema_: int
    record: str
    ngspice_version: str
    solver_version: str
    known: dict[str, Literal["assumed", "inferred", "marked", "measured"]]
    metrics: dict[str, _Row]


@dataclass(frozen=True, slots=True)
class Baseline:
    """What was accepted.

    Parameters
    ----------
    known : path of a quantity -> how it was known; none that is measured, which is as well known as can be
    metrics : row key -> ``worst, unit, limit, side, verdict``
    """

    record: str
    ngspice_version: str
    solver_version: str
    known: Mapping[str, str]
    metrics: Mapping[str, Mapping[str, Any]]


def baseline_of(
    record: str,
    provenance: Mapping[str, Any],
    quantities: Mapping[str, Quantity],
    rows: Mapping[str, Mapping[str, Any]],
) -> Baseline:
    """A baseline of rows that may be accepted."""
    metrics = {
        key: {
            "worst": worst_of(row), "unit": row["unit"], "limit": row["limit_adverse"], "side": row["limit_side"],
            "verdict": row["verdict"],
        }
        for key, row in rows.items()
    }  # fmt: skip
    known = {
        path: quantity.known
        for path, quantity in quantities.items()
        if quantity.known != KNOWN[-1] and not path.startswith(STATED)
    }
    return Baseline(record, provenance["ngspice_version"], provenance["solver_version"], known, metrics)


def worst_of(row: Mapping[str, Any]) -> float | None:
    """The worst case of a row: its adverse value, or where there is none, the nominal one; None where neither is."""
    adverse = row["adverse"]["value"]
    found = row["value"] if adverse is None else adverse
    return None if found is None else float(found)


def baseline_text(baseline: Baseline) -> str:
    """The file's content: sorted, a line a row."""
    head = {
        "schema": SCHEMA, "record": baseline.record, "ngspice_version": baseline.ngspice_version,
        "solver_version": baseline.solver_version,
    }  # fmt: skip
    lines = [f" {json.dumps(name)}: {json.dumps(value)}," for name, value in head.items()]
    for name, table in (("known", baseline.known), ("metrics", baseline.metrics)):
        rows = [f"  {json.dumps(key)}: {_plain(table[key])}" for key in sorted(table)]
        lines += [f' "{name}": {{', ",\n".join(rows), " }" + ("," if name == "known" else "")]
    return "\n".join(["{", *(line for line in lines if line), "}"]) + "\n"


def _plain(value: Any) -> str:
    if isinstance(value, Mapping):
        given = {name: _rounded(item) for name, item in value.items() if item is not None}
        return json.dumps(given, sort_keys=True, allow_nan=False)
    return json.dumps(value)


def _rounded(value: Any) -> Any:
    return float(f"{value:.{DIGITS}g}") if isinstance(value, float) else value


def read_baseline(path: Path) -> Baseline:
    """Reads a baseline.

    Raises
    ------
    RecordError : one finding: it is missing, cannot be read, has a number that is not finite, or is no baseline
    """
    file = path.name
    try:
        if path.is_file() and path.stat().st_size > LARGEST_FILE:
            raise RecordError([Finding(file, 0, "", f"must be at most {LARGEST_FILE} bytes")])
        content = json.loads(path.read_text(encoding="utf-8"), object_pairs_hook=_once, parse_float=_finite,
                             parse_constant=_finite)  # fmt: skip
        content["schema_"] = content.pop("schema")
        if content["schema_"] != SCHEMA:
            message = f"schema {shown(content['schema_'])} is not known to this program, which reads schema {SCHEMA}"
            raise RecordError([Finding(file, 0, "schema", message)])
        found = _Baseline.model_validate(content)
    except OSError as error:
        raise RecordError([Finding(str(path), 0, "", f"cannot be read: {error.strerror}")]) from error
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in fault["loc"])
        raise RecordError([Finding(file, 0, place, f"not as a baseline has it: {fault['msg']}")]) from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RecordError([Finding(file, 0, "", f"not a baseline, which --accept writes: {error}")]) from error
    metrics = {key: row.model_dump() for key, row in found.metrics.items()}
    return Baseline(found.record, found.ngspice_version, found.solver_version, found.known, metrics)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A table of which no name stands twice: of two lines for a row, one would go unread."""
    found = dict(pairs)
    if len(found) != len(pairs):
        twice = next(name for index, (name, _) in enumerate(pairs) if name in dict(pairs[:index]))
        raise ValueError(f"{shown(twice)} stands twice")
    return found


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"number {shown(text)} is not finite")
    return value
