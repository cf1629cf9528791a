"""Rows of text and numbers as compound arrays and back, for the tables of a run file. Knows no HDF5.

Text is an array of single bytes, netCDF's own form of text inside a compound: fixed strings there make netCDF4
overrun its memory, and strings of variable length make it skip the table with a warning (both seen with netCDF4
1.7.5) and lie in a heap that HDF5 does not check.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.contracts import Metric

METRIC_COLUMNS = ("name", "subject", "value", "unit", "window_start", "window_end", "at")
PARAMETER_COLUMNS = ("name", "value", "unit")
SOLUTION_COLUMNS = ("name", "value")
TEXT_COLUMNS = frozenset({"name", "subject", "unit"})

Table = NDArray[np.void]


def metric_table(metrics: Sequence[Metric]) -> Table:
    """Metrics as a table, shape (metrics,); ``at`` is NaN where a metric has no instant."""
    rows = [
        (m.name, m.subject, m.value, m.unit, m.window[0], m.window[1], math.nan if m.at is None else m.at)
        for m in metrics
    ]
    return _table(METRIC_COLUMNS, rows)


def metrics_of(table: Table) -> tuple[Metric, ...]:
    """The metrics of a table made by ``metric_table``."""
    return tuple(
        Metric(name, subject, value, unit, (start, end), None if math.isnan(at) else at)
        for name, subject, value, unit, start, end, at in _rows(METRIC_COLUMNS, table)
    )


def parameter_table(parameters: Mapping[str, tuple[float, str]]) -> Table:
    """Parameters, name -> (SI value, unit), as a table of shape (parameters,)."""
    return _table(PARAMETER_COLUMNS, [(name, value, unit) for name, (value, unit) in parameters.items()])


def parameters_of(table: Table) -> dict[str, tuple[float, str]]:
    """The parameters of a table made by ``parameter_table``."""
    return {name: (value, unit) for name, value, unit in _rows(PARAMETER_COLUMNS, table)}


def solution_table(solution: Mapping[str, float]) -> Table:
    """Found states and controls, name -> SI value, as a table of shape (names,)."""
    return _table(SOLUTION_COLUMNS, list(solution.items()))


def solution_of(table: Table) -> dict[str, float]:
    """The solution of a table made by ``solution_table``."""
    return dict(_rows(SOLUTION_COLUMNS, table))


def _table(columns: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> Table:
    packed: dict[str, NDArray[Any]] = {}
    fields: list[tuple[Any, ...]] = []
    for position, column in enumerate(columns):
        cells = [row[position] for row in rows]
        if column in TEXT_COLUMNS:
            encoded = [cell.encode() for cell in cells]
            width = max([1, *map(len, encoded)])
            fields.append((column, "S1", (width,)))
            packed[column] = np.array(encoded, dtype=f"S{width}").view("S1").reshape(len(rows), width)
        else:
            fields.append((column, "<f8"))
            packed[column] = np.array(cells, dtype="<f8")
    table = np.zeros(len(rows), dtype=fields)
    for column, cells_of_column in packed.items():
        table[column] = cells_of_column
    return table


def _rows(columns: Sequence[str], table: Table) -> list[tuple[Any, ...]]:
    return list(zip(*(_cells(column, table[column]) for column in columns), strict=True))


def _cells(column: str, values: NDArray[Any]) -> list[Any]:
    if column not in TEXT_COLUMNS:
        return [float(value) for value in values]
    return [row.tobytes().rstrip(b"\0").decode() for row in values]
