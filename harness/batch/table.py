"""What a sweep found: a row a point, with axis values, metrics and the runs they were taken from."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from harness.plan.study import MetricRule
from harness.plan.sweep import Labels, Scale

Key = tuple[str, str]  # metric, subject
RowStatus = Literal["ok", "failed", "rejected"]


@dataclass(frozen=True, slots=True)
class Row:
    """One point.

    Parameters
    ----------
    values : (metric, subject) -> SI value;  runs : the same -> run id
    reason : why it failed, or why the record refuses it; empty where ok
    """

    labels: Labels
    status: RowStatus
    values: Mapping[Key, float] = field(default_factory=dict)
    runs: Mapping[Key, str] = field(default_factory=dict)
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SweepTable:
    """All rows in the order of the design.

    Parameters
    ----------
    rules : metric -> its unit and which way is worse
    simulated : cases run now;  seconds : wall time
    """

    name: str
    scales: tuple[Scale, ...]
    rules: Mapping[str, MetricRule]
    rows: tuple[Row, ...]
    simulated: int
    seconds: float

    @property
    def keys(self) -> list[Key]:
        """Metrics found in any row, in the order they were asked."""
        found = dict.fromkeys(key for row in self.rows for key in row.values)
        return sorted(found, key=lambda key: list(self.rules).index(key[0]))

    def count(self, status: RowStatus) -> int:
        """Rows of a status."""
        return Counter(row.status for row in self.rows)[status]

    @property
    def rejected_share(self) -> float:
        """Of all points, those the record refuses."""
        return self.count("rejected") / len(self.rows) if self.rows else math.nan

    def worst(self, key: Key) -> Row | None:
        """The row in which a metric is worst; None where it was never found."""
        having = [row for row in self.rows if key in row.values]
        sign = 1.0 if self.rules[key[0]].worse == "high" else -1.0
        return max(having, key=lambda row: sign * row.values[key], default=None)

    def columns(self) -> dict[str, list[float | int | str | None]]:
        """Name with unit -> cells, for CSV, Parquet or a data frame; a text for a structure, None where not found."""
        found: dict[str, list[float | int | str | None]] = {
            with_unit(scale.path, "factor" if scale.is_factor else scale.unit): [
                r.labels[scale.path] for r in self.rows
            ]
            for scale in self.scales
        }
        found["status"] = [row.status for row in self.rows]
        for key in self.keys:
            name = ".".join(key)
            found[with_unit(name, self.rules[key[0]].unit)] = [row.values.get(key) for row in self.rows]
            found[f"{name} run"] = [row.runs.get(key) for row in self.rows]
        found["reason"] = [row.reason for row in self.rows]
        return found


def with_unit(name: str, unit: str) -> str:
    """A column's name; a plain ratio has no unit."""
    return name if unit in ("", "1") else f"{name} [{unit}]"
