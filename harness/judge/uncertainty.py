"""How far a prediction may lie from a measurement before the two contradict each other."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any


def predicted_uncertainty(row: Mapping[str, Any]) -> tuple[float, float] | None:
    """How far below and above its nominal value a metric may lie, every open input free in its range; SI, both >= 0.

    The root sum of squares of what each input does alone at its two ends, so inputs count as independent and a range as
    what its ends are: bounds of equal confidence (law of propagation, JCGM 100:2008, 5.1.2; from memory). It is less
    than the adverse value, where all inputs are at their worse ends at once.

    Parameters
    ----------
    row : of an assessment, with its sensitivities

    Returns
    -------
    None where there is no nominal value, or an input at its end alone leaves no operation
    """
    nominal, below, above = row["value"], 0.0, 0.0
    if nominal is None:
        return None
    for item in row["sensitivities"]:
        ends = (item["value_low"], item["value_high"])
        if None in ends:
            return None
        below += (nominal - min(*ends, nominal)) ** 2
        above += (max(*ends, nominal) - nominal) ** 2
    return math.sqrt(below), math.sqrt(above)


def combined_uncertainty(
    predicted: tuple[float, float], measured: float, relative: tuple[float, float]
) -> tuple[float, float]:
    """Uncertainty of prediction less measurement, below and above: root sum of squares of both; SI, both >= 0.

    A measurement that reads low lifts the difference, so its lower side meets the prediction's upper one.

    Parameters
    ----------
    predicted : of the prediction, below and above;  relative : of the measurement, low <= 0 <= high
    """
    low, high = (abs(end * measured) for end in relative)
    return combined(predicted, (low, high))


def combined(predicted: tuple[float, float], measured: tuple[float, float]) -> tuple[float, float]:
    """The same where how far the truth may lie below and above the reading is known as such; SI, all >= 0."""
    return math.hypot(predicted[0], measured[1]), math.hypot(predicted[1], measured[0])


def agrees(difference: float, uncertainty: tuple[float, float]) -> bool:
    """Whether zero lies within a difference's uncertainty.

    >>> agrees(1.0, (1.2, 0.1)), agrees(1.0, (0.9, 5.0)), agrees(-1.0, (0.9, 5.0))
    (True, False, True)
    """
    below, above = uncertainty
    return difference - below <= 0 <= difference + above
