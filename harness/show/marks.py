"""On which trace a metric's mark sits: the one it was taken from, told by its name and by its level there."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.contracts import Metric
from harness.show.panels import MARKED

SAME_LEVEL = 1e-3  # of a metric's value: the trace it was taken from; stored rounding is far less
PIECES = range(2, 13)  # in parallel or in series: a metric is of one, a signal of all
SAME_PIECE = 1e-3  # of a metric's value: stored rounding is far less


def is_of_pieces(level: float, value: float) -> bool:
    """Whether a signal at a level is of several pieces of which one has a value."""
    return any(math.isclose(level, pieces * value, rel_tol=SAME_PIECE) for pieces in PIECES)


def sits_on(metric: Metric, levels: Mapping[str, float], units: Mapping[str, str]) -> str | None:
    """The signal a metric was taken from: the one MARKED names, or one of the metric's value; None for none of them.

    Parameters
    ----------
    levels : signal -> its value at the metric's instant;  units : signal -> unit
    """
    candidates = MARKED.get(metric.name, ())
    by_level = [
        name
        for name, level in levels.items()
        if units[name] == metric.unit and math.isclose(abs(level), abs(metric.value), rel_tol=SAME_LEVEL)
    ]
    if isinstance(candidates, str):
        named = [name for name in levels if name == candidates]
    else:
        named = [name for name in levels if name in candidates]
        of_pieces = [name for name in named if is_of_pieces(abs(levels[name]), abs(metric.value))]
        named = [name for name in named if name in by_level] or of_pieces or named
    return next(iter([*named, *by_level]), None)
