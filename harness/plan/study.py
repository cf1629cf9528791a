"""A study: one question asked of one stage, answered in rounds of cases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol

from harness.contracts import Metric
from harness.simulate.campaign import Outcome, Request
from netlists.point import Condition, Point, Reader
from netlists.record import SupplyRecord

AMBIENT = "nameplate.ambient"
LOWEST_INPUT = "lowest_input"  # study: the bus at which a converter's controls reach their end


@dataclass(frozen=True, slots=True)
class Finding:
    """A metric a study settled on, and the stored run it was taken from."""

    metric: Metric
    run_id: str


@dataclass(slots=True)
class StudyResult:
    """What a study found: (metric, subject) -> finding, or why nothing; ``angles`` [deg] where they were searched."""

    findings: dict[tuple[str, str], Finding] = field(default_factory=dict)
    error: str = ""
    angles: dict[tuple[str, str], float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MetricRule:
    """Where a metric comes from and which way is worse."""

    study: str
    worse: Literal["high", "low"]
    unit: str
    doc: str


@dataclass(frozen=True, slots=True)
class Question:
    """A study at a condition, and which of its metrics are wanted.

    Parameters
    ----------
    label : why this condition, as text;  claim, measurement : name of the one it is asked for, else empty
    fixed : (record path, SI value) taken instead of the record's, with no range
    ambient : fixed by a claim [degC]; None: the record's, with its range
    band : of the label; empty for a stage that does not see the line
    probe : what output ripple is read through
    input_path : record path of the bus voltage, where a converter stands behind one
    angle : switch-on angle, or a corrector's instant of the line, that a sweep asks at [deg]; None: the worst
    """

    study: str
    label: str
    band: str
    line_voltage: float
    line_frequency: float
    output_power: float
    load_fraction: float
    metrics: tuple[str, ...]
    supply: Literal["mains", "dc"] = "mains"
    claim: str = ""
    measurement: str = ""
    fixed: tuple[tuple[str, float], ...] = ()
    ambient: float | None = None
    probe: str = "none"
    input_path: str = ""
    angle: float | None = None

    def ambient_at(self, record: SupplyRecord, point: Point) -> tuple[float, set[str]]:
        """Air around the supply [degC]: the question's own, else the record's at a point; and the paths read for it."""
        if self.ambient is not None:
            return self.ambient, set()
        reader = Reader(record, Point({path: value for path, value in point.values.items() if path == AMBIENT}))
        return reader.value(AMBIENT), reader.reads

    def changed(self, **changes: Any) -> Question:
        """The same question with some fields changed."""
        return replace(self, **changes)


class Study(Protocol):
    """Rounds of cases: ``ask`` gives the next ones (none: done), ``tell`` takes their outcomes in the same order."""

    result: StudyResult

    def ask(self) -> list[Request]: ...

    def tell(self, outcomes: Sequence[Outcome]) -> None: ...


def value_of(metrics: Sequence[Metric], name: str) -> float:
    """The value of the first metric of a name.

    Raises
    ------
    KeyError : no such metric
    """
    for metric in metrics:
        if metric.name == name:
            return metric.value
    raise KeyError(name)


def described(condition: Condition) -> str:
    """A condition as one short text."""
    line = f"{condition.line_voltage:g} V"
    line += f" {condition.line_frequency:g} Hz" if condition.supply == "mains" else " dc"
    return f"{line}, {condition.output_power:.4g} W, {condition.ambient:g} degC"
