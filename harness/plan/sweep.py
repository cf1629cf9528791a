"""Axes and designs of a sweep: which points are asked, each as chosen record values, condition and labels.

An axis is a record path, a count (``….parallel``), an alternative of structure, a condition (``condition.line``) or
``ageing``. Nothing is built before the number of points is known to be reasonable. Runs nothing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from scipy.stats import norm, qmc

from harness.plan.bands import band_ends
from harness.plan.study import AMBIENT, Question
from netlists.errors import OptionError, nearest
from netlists.quantity import QuantityError, read_value, shown
from netlists.record import SupplyRecord
from netlists.record_counts import count_paths

MOST_POINTS = 1_000_000  # of a sweep; a table of them still fits into memory
COVERAGE = 2.0  # standard deviations in a stated uncertainty: the usual coverage factor, JCGM 100:2008 6.2.1
AGEING = "ageing"  # axis: 0 as new, 1 at the declared end of life
CONDITION_UNITS = {
    "condition.line": "V",
    "condition.frequency": "Hz",
    "condition.power": "W",
    "condition.load": "1",
    "condition.ambient": "degC",
    "condition.angle": "deg",
}

Kind = Literal["value", "count", "structure", "condition", "ageing"]
DesignKind = Literal["grid", "corners", "sobol", "latin_hypercube", "random"]
SAMPLED = ("sobol", "latin_hypercube", "random")
Level = float | str
Written = float | int | str


class AxisError(OptionError):
    """One axis is wrong; ``path`` and ``message`` apart, for those who know the line it stands on."""

    def __init__(self, path: str, message: str) -> None:
        super().__init__(f"axis {path}: {message}")
        self.path = path
        self.message = message


@dataclass(frozen=True, slots=True)
class Axis:
    """What is varied, as a person writes it. Without anything but a path: low, nominal and high of the record.

    Parameters
    ----------
    path : record path, count, alternative of structure, ``condition.…`` or ``ageing``
    values : levels, as numbers in SI or as texts with units
    factors : levels as multiples of what the record says
    start, stop, count : that many levels from one to the other; a sampled design needs no count
    spacing : of them, and of samples between them
    distribution : of samples; ``normal`` only where the record states a measurement's uncertainty
    """

    path: str
    values: Sequence[Written] = ()
    factors: Sequence[float] = ()
    start: Written | None = None
    stop: Written | None = None
    count: int = 0
    spacing: Literal["linear", "logarithmic"] = "linear"
    distribution: Literal["uniform", "normal"] = "uniform"


@dataclass(frozen=True, slots=True)
class Design:
    """How the axes are put together: every combination of their levels, of their ends, or samples between the ends."""

    kind: DesignKind = "grid"
    samples: int = 0
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Ageing:
    """End of life as factors on electrolytics, stated by the user.

    Capacitance down to 80 % and ESR doubled is common practice, no source.
    """

    capacitance: float = 0.8
    esr: float = 2.0


@dataclass(frozen=True, slots=True)
class Scale:
    """An axis whose texts are read: ``levels`` of a grid; ``low`` and ``high`` of corners and samples.

    Parameters
    ----------
    deviations : standard deviations below and above ``nominal`` of a normal distribution; None: uniform
    is_factor : levels multiply what the record says
    """

    path: str
    kind: Kind
    unit: str
    levels: tuple[Level, ...]
    low: float
    high: float
    nominal: float
    is_factor: bool = False
    is_listed: bool = False
    is_logarithmic: bool = False
    deviations: tuple[float, float] | None = None

    def ends(self) -> tuple[Level, ...]:
        """Its levels in a design of corners."""
        if self.kind == "structure":
            return self.levels
        return (self.low,) if self.low == self.high else (self.low, self.high)

    def at(self, share: float) -> Level:
        """Its level at a share 0..1 of its distribution."""
        if self.is_listed:
            return self.levels[min(int(share * len(self.levels)), len(self.levels) - 1)]
        if self.deviations is not None:
            sigmas = float(norm.ppf(min(max(share, 1e-9), 1 - 1e-9)))
            return self.nominal + sigmas * self.deviations[sigmas > 0]
        if self.is_logarithmic:
            return float(self.low * (self.high / self.low) ** share)
        return self.low + share * (self.high - self.low)


Labels = dict[str, Level]


def scale_of(axis: Axis, record: SupplyRecord, instance: str, question: Question, conditions: Sequence[str]) -> Scale:
    """Reads an axis against the record it is about.

    Parameters
    ----------
    question : of the sweep, whose band gives the range of its line
    conditions : what of ``CONDITION_UNITS`` the stage can be asked at, without the prefix

    Raises
    ------
    AxisError : unknown path, no level, another unit, no range to take
    """
    kind, unit, recorded = _target(axis, record, instance, question, conditions)
    given = [name for name in ("values", "factors") if len(getattr(axis, name))]
    given += ["start and stop"] if (axis.start, axis.stop) != (None, None) else []
    if len(given) > 1:
        raise AxisError(axis.path, f"must have one of values, factors, start and stop, found {' and '.join(given)}")
    if axis.distribution == "normal":
        return _normal(axis, kind, unit, record, given)
    if kind == "structure":
        return _structure(axis, record, instance)
    if axis.factors:
        levels = _factors(axis, kind)
    elif len(axis.values):
        levels = tuple(_read(axis.path, written, unit, kind) for written in axis.values)
    elif given:
        return _span(axis, kind, unit)
    elif recorded is None or recorded[0] == recorded[2]:
        told = "has no range in the record" if recorded is None else "is exact in the record"
        raise AxisError(axis.path, f"{told}; give values, or start, stop and count")
    else:
        low, nominal, high = recorded
        return Scale(axis.path, kind, unit, tuple(dict.fromkeys(recorded)), low, high, nominal)
    middle = levels[len(levels) // 2]
    is_factor = bool(axis.factors)
    return Scale(
        axis.path, kind, unit, levels, min(levels), max(levels), middle, is_factor=is_factor, is_listed=True
    )  # fmt: skip


def _target(
    axis: Axis, record: SupplyRecord, instance: str, question: Question, conditions: Sequence[str]
) -> tuple[Kind, str, tuple[float, float, float] | None]:
    """Kind and unit of what an axis names, and low, nominal, high where the record says them."""
    path = axis.path
    counts = count_paths(record, instance)
    structures = [f"stages.{instance}.{name}" for name in record.instance(instance).structure_names()]
    named = [f"condition.{name}" for name in conditions]
    if path in record.quantities:
        quantity = record.quantities[path]
        return "value", quantity.unit, (quantity.low, quantity.nominal, quantity.high)
    if path in counts:
        return "count", "1", None
    if path in structures:
        return "structure", "", None
    if path == AGEING:
        return "ageing", "1", (0.0, 0.0, 1.0)
    if path in named:
        return "condition", CONDITION_UNITS[path], _condition_range(path, record, question)
    stated = [path for path in record.quantities if not path.startswith(("claims.", "measurements."))]
    known = [*named, AGEING, *counts, *structures, *stated]
    raise AxisError(path, f"no such axis; {nearest(path, known)}")


def _condition_range(path: str, record: SupplyRecord, question: Question) -> tuple[float, float, float] | None:
    band = record.data.nameplate.input_bands.get(question.band)
    if path == "condition.line" and band is not None:
        low, high = band_ends(band)
        return low, min(max(question.line_voltage, low), high), high
    if path == "condition.ambient" and AMBIENT in record.quantities:
        ambient = record.quantities[AMBIENT]
        return ambient.low, ambient.nominal, ambient.high
    return (0.0, 90.0, 180.0) if path == "condition.angle" else None


def _read(path: str, written: Written, unit: str, kind: Kind) -> float:
    try:
        value = read_value(written, unit)
    except QuantityError as error:
        raise AxisError(path, str(error)) from error
    if kind == "count" and value != int(value):
        raise AxisError(path, f"must be a whole number, found {shown(written)}")
    if kind == "ageing" and not 0 <= value <= 1:
        raise AxisError(path, f"must lie within 0 (new) and 1 (end of life), found {shown(written)}")
    if path in ("condition.line", "condition.frequency", "condition.power", "condition.load") and not value > 0:
        raise AxisError(path, f"must be > 0, found {shown(written)}")
    return value


def _factors(axis: Axis, kind: Kind) -> tuple[float, ...]:
    if kind != "value":
        raise AxisError(axis.path, "factors multiply a value of the record; give values here")
    for factor in axis.factors:
        if isinstance(factor, bool) or not isinstance(factor, int | float) or not 0 < factor < math.inf:
            raise AxisError(axis.path, f"a factor must be a number > 0, found {shown(factor)}")
    return tuple(float(factor) for factor in axis.factors)


def _span(axis: Axis, kind: Kind, unit: str) -> Scale:
    if axis.start is None or axis.stop is None:
        raise AxisError(axis.path, "start and stop go together, found one of them")
    low, high = (_read(axis.path, written, unit, kind) for written in (axis.start, axis.stop))
    logarithmic = axis.spacing == "logarithmic"
    if not low < high:
        raise AxisError(axis.path, f"must have start < stop, found {low:g} and {high:g}")
    if logarithmic and low <= 0:
        raise AxisError(axis.path, f"logarithmic spacing needs start > 0, found {low:g}")
    if axis.count and not axis.count >= 2:
        raise AxisError(axis.path, f"count must be >= 2, found {axis.count}; values lists single levels")
    if kind == "count":
        low, high = float(round(low)), float(round(high))
    whole = int(high - low) + 1 if kind == "count" and not axis.count else axis.count
    if whole > MOST_POINTS:
        raise AxisError(axis.path, f"{whole} levels; a sweep has at most {MOST_POINTS} points")
    levels: list[float] = (np.geomspace if logarithmic else np.linspace)(low, high, whole).tolist()
    if kind == "count":
        levels = [float(number) for number in dict.fromkeys(round(level) for level in levels)]
    return Scale(axis.path, kind, unit, tuple(levels), low, high, 0.5 * (low + high), is_logarithmic=logarithmic,
                 is_listed=kind == "count" and bool(levels))  # fmt: skip


def _normal(axis: Axis, kind: Kind, unit: str, record: SupplyRecord, given: Sequence[str]) -> Scale:
    quantity = record.quantities.get(axis.path)
    if kind != "value" or quantity is None or quantity.known != "measured" or quantity.is_exact or given:
        message = "normal is for a measured value with its uncertainty in the record, and takes both from there"
        raise AxisError(axis.path, message)
    low, nominal, high = quantity.low, quantity.nominal, quantity.high
    deviations = ((nominal - low) / COVERAGE, (high - nominal) / COVERAGE)
    return Scale(axis.path, kind, unit, (low, nominal, high), low, high, nominal, deviations=deviations)


def _structure(axis: Axis, record: SupplyRecord, instance: str) -> Scale:
    choices = record.instance(instance).choices(axis.path.rsplit(".", 1)[1])
    if axis.factors or axis.start is not None or axis.stop is not None:
        raise AxisError(axis.path, f"takes alternatives of the record: {', '.join(choices)}")
    levels = tuple(str(value) for value in axis.values) or choices
    for level in levels:
        if level not in choices:
            raise AxisError(axis.path, f"{shown(level)} is not stated in the record; {nearest(level, choices)}")
    return Scale(axis.path, "structure", "", levels, 0.0, 0.0, 0.0, is_listed=True)


def unread_axes(record: SupplyRecord, reads: Sequence[str], taken: Sequence[str]) -> list[Axis]:
    """An axis for every assumed or fitted value among those read that has none yet, to be sampled over its range."""
    return [
        Axis(path)
        for path in sorted(reads)
        if path in record.quantities
        and path not in taken
        and record.quantities[path].known in ("assumed", "inferred")
        and not record.quantities[path].is_computed
        and not record.quantities[path].is_exact
    ]


def size_of(scales: Sequence[Scale], design: Design) -> int:
    """How many points a design has.

    Raises
    ------
    OptionError : none, or more than ``MOST_POINTS``; nothing was built
    """
    if design.kind not in get_args(DesignKind):
        raise OptionError(f"design: unknown {shown(design.kind)}; {nearest(str(design.kind), get_args(DesignKind))}")
    if not scales:
        raise OptionError("a sweep needs at least one axis")
    if design.kind in SAMPLED:
        size = design.samples
        if size < 1:
            raise OptionError(f"samples: a design {design.kind} needs a number >= 1, found {shown(size)}")
        if design.kind == "sobol" and size & (size - 1):
            near = 2 ** round(math.log2(size))
            raise OptionError(f"samples: a sobol design is balanced for powers of 2 only, such as {near}, found {size}")
    else:
        for scale in scales:
            if design.kind == "grid" and not scale.levels:
                raise AxisError(scale.path, "no level; give values, or a count between start and stop")
        size = math.prod(len(scale.levels if design.kind == "grid" else scale.ends()) for scale in scales)
    if size > MOST_POINTS:
        raise OptionError(f"{size} points ({size:.3g}); a sweep has at most {MOST_POINTS}: fewer levels, or samples")
    return size


def points(scales: Sequence[Scale], design: Design) -> Iterator[Labels]:
    """Axis -> level of every point, in an order in which neighbours differ little; call ``size_of`` first."""
    paths = [scale.path for scale in scales]
    if design.kind not in SAMPLED:
        combined = itertools.product(*(scale.levels if design.kind == "grid" else scale.ends() for scale in scales))
        for levels in combined:
            yield dict(zip(paths, levels, strict=True))
        return
    for shares in _shares(design, len(scales)):
        yield {scale.path: scale.at(float(share)) for scale, share in zip(scales, shares, strict=True)}


def _shares(design: Design, axes: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Samples of the unit cube, shape (samples, axes)."""
    if design.kind == "random":
        return np.random.default_rng(design.seed).random((design.samples, axes))
    engine = qmc.Sobol if design.kind == "sobol" else qmc.LatinHypercube
    found: np.ndarray[tuple[int, int], np.dtype[np.float64]] = engine(axes, rng=design.seed).random(design.samples)
    return found
