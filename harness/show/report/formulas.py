"""The formulas of the hand calculations, typeset as MathML: no picture, no script, read aloud as well. The only user
of latex2mathml."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from latex2mathml.converter import convert
from markupsafe import Markup

from harness.handcalc.formula_table import SYMBOLS, Formula, formula_of


@dataclass(frozen=True)
class Reading:
    """A formula with the metrics found by it; ``mark`` is its number within the stage, which the tables show."""

    mark: int
    formula: Markup
    metrics: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Method:
    """Formulas of one stage by one method.

    Parameters
    ----------
    source : of the hand calculation, as its rows state it
    solves : the equation all of them are read off; None where each stands by itself
    symbols : MathML -> what it means, of all of them
    """

    source: str
    solves: Markup | None
    symbols: dict[Markup, str] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)


@cache
def mathml(tex: str, display: str = "inline") -> Markup:
    """MathML of a formula of ours; never called with anything from a record."""
    return Markup(convert(tex, display=display))


def typeset(rows: Iterable[Mapping[str, Any]], kind: str) -> tuple[list[Method], dict[tuple[str, str], int]]:
    """Methods of a stage's rows in their order, and which formula a metric with its source has."""
    methods: dict[tuple[str, str], Method] = {}
    readings: dict[tuple[str, str], Reading] = {}
    marks: dict[tuple[str, str], int] = {}
    for row in rows:
        source = str(row.get("hand_source") or "")
        one = formula_of(row["metric"], kind, source) if source else None
        if one is None:
            continue
        method = _method(methods, one, source)
        key = (one.tex, source)
        if key not in readings:
            readings[key] = Reading(len(readings) + 1, mathml(one.tex, "block"))
            method.readings.append(readings[key])
        if row["metric"] not in readings[key].metrics:
            readings[key].metrics.append(row["metric"])
        marks[row["metric"], source] = readings[key].mark
    return list(methods.values()), marks


def _method(methods: dict[tuple[str, str], Method], one: Formula, source: str) -> Method:
    """The method of a formula, with its symbols added."""
    solves = mathml(one.solves, "block") if one.solves else None
    method = methods.setdefault((one.solves, source), Method(source, solves))
    method.symbols.update({mathml(symbol): SYMBOLS[symbol] for symbol in one.symbols.split()})
    return method
