"""What a hand calculation promises: a number, where it comes from, and how far the simulation may lie from it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Difference:
    """Relative difference to expect, simulation over hand calculation less 1, with its reason; declared beforehand."""

    low: float
    high: float
    reason: str


@dataclass(frozen=True, slots=True)
class Expectation:
    """One metric by hand.

    Parameters
    ----------
    value : SI value;  unit : as the metric's
    source : formula and where it comes from
    difference : what separates it from a right simulation of the same model
    floor : absolute difference below which nobody would act differently; SI
    """

    value: float
    unit: str
    source: str
    difference: Difference
    floor: float = 0.0
