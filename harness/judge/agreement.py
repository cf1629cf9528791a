"""Simulation against hand calculation: both do the same model, so agreement says the model was done right twice.

It does not show that the model is the hardware, so it never raises a verdict; disagreement lowers one.
"""

from __future__ import annotations

import math
from typing import Literal

from harness.handcalc.expectation import Expectation

Agreement = Literal["agrees", "disagrees", "no hand calculation"]


def difference(simulated: float, expectation: Expectation | None) -> float | None:
    """Relative difference, simulation over hand calculation less 1; None where there is none to relate to."""
    if expectation is None or expectation.value == 0:
        return None
    return simulated / expectation.value - 1


def agreement(simulated: float, expectation: Expectation | None) -> Agreement:
    """Whether the simulation lies in the difference declared beforehand."""
    if expectation is None:
        return "no hand calculation"
    gap = expectation.difference
    low = expectation.value * (1 + gap.low)
    high = expectation.value * (1 + gap.high) if math.isfinite(gap.high) else math.inf
    slack = max(expectation.floor, 1e-12 * abs(expectation.value))
    return "agrees" if low - slack <= simulated <= high + slack else "disagrees"
