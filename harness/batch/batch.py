"""A sweep from its axes to its table: points in chunks, studies in rounds, each case once and never again.

Only the studies the metrics need are asked. Results stand in the results folder by the identity of their case, so the
same batch goes on from where it was stopped.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
import time
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from harness.batch.table import Key, Row, SweepTable
from harness.plan.plan import PLANS, every_metric, kind_of, simulated_instances, structures
from harness.plan.rejection import measured_questions, situation_of, why_not
from harness.plan.rounds import begun_here, run_rounds
from harness.plan.statements import check_names
from harness.plan.study import AMBIENT, Question, Study, StudyResult
from harness.plan.sweep import (
    AGEING,
    SAMPLED,
    Ageing,
    Axis,
    AxisError,
    Design,
    Labels,
    Scale,
    points,
    scale_of,
    size_of,
    unread_axes,
)
from harness.plan.sweep_points import Asked, Placer, aged_paths
from harness.simulate.campaign import TIME_LIMIT, Campaign, Executor, Keep, Outcome
from netlists.errors import BulkrailError, InputError, OptionError, nearest
from netlists.point import Point
from netlists.quantity import shown
from netlists.record import SupplyRecord, load_record

CHUNK = 256  # points whose studies run side by side; the parent keeps no more of them than their rows
MOST_WORKERS = 256
KEEPS: tuple[Keep, ...] = get_args(Keep)
INPUTS = ("nominal", "assumed")
Progress = Callable[[int, int], None]
StudyKey = tuple[str, Hashable]


@dataclass(frozen=True, slots=True)
class Planned:
    """What a run would do. ``cases`` is a lower bound where studies go on by what they find (``is_whole`` False)."""

    points: int
    rejected: int
    cases: int
    stored: int
    is_whole: bool


class Batch:
    """A sweep of one stage instance.

    Parameters
    ----------
    record : a record, or its file
    metrics : names of what is wanted
    axes : what is varied;  design : how
    ageing : factors at the end of life, for an axis ``ageing``
    inputs : ``assumed``: all assumed values the metrics rest on are sampled too, jointly; what cannot be is rejected
    question : label of the condition things are asked at, such as ``lowest line``; default: the first that has them
    results : folder;  name : of the table
    workers : processes of this machine, or a Dask scheduler's address;  shared : its workers write into ``results``
    keep : whose waveforms are stored
    retry_failed : try cases again that failed before
    time_limit : seconds a case may take

    Raises
    ------
    InputError : the record, or anything said here, is wrong; nothing was run
    """

    def __init__(
        self,
        record: SupplyRecord | str | Path,
        instance: str,
        metrics: Sequence[str],
        axes: Sequence[Axis],
        *,
        design: Design | str = "grid",
        ageing: Ageing | None = None,
        inputs: Literal["nominal", "assumed"] = "nominal",
        question: str = "",
        results: str | Path = "results",
        name: str = "sweep",
        workers: int | str | None = None,
        shared: bool = False,
        keep: Keep = "all",
        retry_failed: bool = False,
        time_limit: float = TIME_LIMIT,
    ) -> None:
        self.record = record if isinstance(record, SupplyRecord) else load_record(record)
        check_names(self.record, every_metric())
        self.instance, self.name, self.results = instance, name, Path(results)
        self.design = design if isinstance(design, Design) else Design(design)  # type: ignore[arg-type]  # size_of checks
        self.keep, self._retry_failed, self._time_limit = keep, retry_failed, time_limit
        self._workers, self._shared = workers, shared
        self._check_options(inputs)
        self.questions = questions_for(self.record, instance, metrics, question)
        self._planner = PLANS[kind_of(self.record, instance)]
        self.rules = {metric: self._planner.METRICS[metric] for metric in metrics}
        self._own = self._own_keys()
        reads = self._reads()
        taken = [axis.path for axis in axes]
        taken += [AMBIENT] if "condition.ambient" in taken else []  # which the condition takes the place of
        axes = [*axes, *(unread_axes(self.record, sorted(reads), taken) if inputs == "assumed" else [])]
        self.scales = tuple(self.scale_of(axis) for axis in axes)
        self.size = size_of(self.scales, self.design)
        self._place = Placer(self.record, self.scales, ageing)
        self._measured = measured_questions(self.record, instance) if inputs == "assumed" else []
        for scale in self.scales:
            self._check_effect(scale, reads)

    def _check_options(self, inputs: str) -> None:
        modelled = simulated_instances(self.record)
        if self.instance not in modelled:
            raise OptionError(
                f"instance: {shown(self.instance)} cannot be simulated; {nearest(self.instance, modelled)}"
            )
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,62}", self.name):  # it becomes a file's
            raise OptionError(f"name: must be letters, digits, hyphens and underscores, found {shown(self.name)}")
        if self.keep not in KEEPS:
            raise OptionError(f"keep: unknown {shown(self.keep)}; {nearest(str(self.keep), KEEPS)}")
        if inputs not in INPUTS:
            raise OptionError(f"inputs: unknown {shown(inputs)}; {nearest(inputs, INPUTS)}")
        if inputs == "assumed" and self.design.kind not in SAMPLED:
            raise OptionError(f"inputs: assumed ones are sampled; give a design of {', '.join(SAMPLED)}")
        if isinstance(self._workers, int) and not 1 <= self._workers <= MOST_WORKERS:
            raise OptionError(f"workers: must be 1 to {MOST_WORKERS}, or an address, found {self._workers}")
        if self._shared and not isinstance(self._workers, str):
            raise OptionError("shared: says that a cluster's workers write into the results folder; give its address")

    def _reads(self) -> set[str]:
        """Leaf paths the metrics rest on, at nominal."""
        found: set[str] = set()
        for question in self.questions:
            found |= self._planner.situation(self.record, self.instance, Point(), question)[1]
        return found

    def _own_keys(self) -> set[Key]:
        """What is of this instance and not of another one simulated with it, by the hand calculation; empty: all."""
        found: set[Key] = set()
        for structure in structures(self.record, self.instance):
            for question in self.questions:
                try:
                    about = situation_of(self.record, self.instance, Point({}, structure), question)
                    found |= set(self._planner.expect(question.study, about))
                except (InputError, ArithmeticError):
                    continue
        return found

    def scale_of(self, axis: Axis) -> Scale:
        """An axis read against this batch's record and stage; AxisError where it is wrong."""
        return scale_of(axis, self.record, self.instance, self.questions[0], self._planner.CONDITIONS)

    def _check_effect(self, scale: Scale, reads: set[str]) -> None:
        """AxisError where none of the metrics rests on an axis: its rows would all be the same."""
        if scale.kind == "value":
            chosen = Point({scale.path: self.record.quantities[scale.path].nominal})
            found = [self._planner.situation(self.record, self.instance, chosen, q)[1] for q in self.questions]
            if not any(scale.path in one for one in found):
                raise AxisError(scale.path, f"no metric asked rests on it; {nearest(scale.path, reads)}")
        elif scale.path == "condition.angle" and self._same_at_every_angle():
            raise AxisError(scale.path, f"{', '.join(self.rules)}: no study that is asked at one angle")
        elif scale.path == AGEING and not any(self._touched(path) for path in aged_paths(self.record)):
            raise AxisError(scale.path, "no metric asked rests on an electrolytic capacitor")

    def _touched(self, path: str) -> bool:
        chosen = Point({path: self.record.quantities[path].nominal})
        return any(path in self._planner.situation(self.record, self.instance, chosen, q)[1] for q in self.questions)

    def _same_at_every_angle(self) -> bool:
        return all(
            situation_of(self.record, self.instance, Point(), question)
            == situation_of(self.record, self.instance, Point(), question.changed(angle=90.0))
            for question in self.questions
        )

    # --- running

    def run(self, on_progress: Progress | None = None) -> SweepTable:
        """Simulates what is not stored yet and returns all rows.

        Parameters
        ----------
        on_progress : called with cases finished and cases expected, as far as can be told by now

        Raises
        ------
        SetupError, StoreError : no simulator, no cluster, no usable results folder; what was stored stays
        """
        began = time.perf_counter()
        progress = _Expected(on_progress or (lambda finished, known: None), self.size)
        rows: list[Row] = []
        worst: dict[Key, tuple[float, str]] = {}
        with self._campaign(progress) as campaign:
            for asked in _chunks(self._points(), CHUNK):
                studies = self._studies(asked)
                progress.points += len(asked)
                run_rounds(campaign, [begun_here(study) for study in studies.values()])
                results = {key: study.result for key, study in studies.items()}
                rows += [self._row(one, results) for one in asked]
                if self.keep == "failed_and_worst":
                    self._take_worst(worst, rows[-len(asked) :])
                    campaign.drop_waveforms({run_id for _, run_id in worst.values()})
        seconds = time.perf_counter() - began
        return SweepTable(self.name, self.scales, self.rules, tuple(rows), campaign.simulated, seconds)

    def _campaign(self, on_progress: Progress) -> Campaign:
        executor: Callable[[], Executor] | None = None
        if isinstance(self._workers, str):
            from harness.simulate.cluster import ClusterPool  # loads distributed, which is an extra

            address, folder = self._workers, self.results.resolve()
            executor = lambda: ClusterPool(address, self._time_limit, folder, shared=self._shared)  # noqa: E731
        return Campaign(
            self.results, workers=None if isinstance(self._workers, str) else self._workers, executor=executor,
            time_limit=self._time_limit, on_progress=on_progress, keep=self.keep, retry_failed=self._retry_failed,
            spread=True,
        )  # fmt: skip

    def _points(self) -> Iterator[_Point]:
        for labels in points(self.scales, self.design):
            yield self._point(labels)

    def _point(self, labels: Labels) -> _Point:
        """A point with its studies' situations, or why it cannot be."""
        try:
            asked = self._place(labels)
            questions = [asked.question(question) for question in self.questions]
            if self.design.kind in SAMPLED and (reason := self._refused(asked, questions)):
                return _Point(labels, (), reason)
            abouts = [situation_of(asked.record, self.instance, asked.point, question) for question in questions]
        except (InputError, ArithmeticError) as error:
            return _Point(labels, (), str(error).splitlines()[0])
        return _Point(labels, tuple(zip((q.study for q in questions), abouts, strict=True)))

    def _refused(self, asked: Asked, questions: Sequence[Question]) -> str:
        return why_not(asked.record, self.instance, asked.point, questions, self._measured)

    def _studies(self, asked: Sequence[_Point]) -> dict[StudyKey, Study]:
        keys = dict.fromkeys(key for point in asked for key in point.studies)
        for wanted in {study for study, _ in keys}:
            self._planner.prepare(wanted, [about for study, about in keys if study == wanted])
        return {(study, about): self._planner.STUDIES[study](about) for study, about in keys}

    def _row(self, point: _Point, results: dict[StudyKey, StudyResult]) -> Row:
        if point.reason:
            return Row(point.labels, "rejected", reason=point.reason)
        values: dict[Key, float] = {}
        run_ids: dict[Key, str] = {}
        for question, key in zip(self.questions, point.studies, strict=True):
            result = results[key]
            wanted = [one for one in result.findings if one[0] in question.metrics]
            found = {one: result.findings[one] for one in wanted if not self._own or one in self._own}
            missing = set(question.metrics) - {metric for metric, _ in found}
            if result.error or missing:
                reason = result.error or f"no {min(missing)} was measured"
                return Row(point.labels, "failed", values, run_ids, reason)
            values |= {one: f.metric.value for one, f in found.items()}
            run_ids |= {one: f.run_id for one, f in found.items()}
        return Row(point.labels, "ok", values, run_ids)

    def _take_worst(self, worst: dict[Key, tuple[float, str]], rows: Sequence[Row]) -> None:
        for row in rows:
            for key, value in row.values.items():
                sign = 1.0 if self.rules[key[0]].worse == "high" else -1.0
                if key not in worst or sign * value > sign * worst[key][0]:
                    worst[key] = (value, row.runs[key])

    # --- saying what would run

    def planned(self) -> Planned:
        """Counts points and cases without simulating any."""
        if not self.results.is_dir():  # nothing is stored, and looking must not make a folder
            return self._counted(None)
        with self._campaign(lambda finished, known: None) as campaign:
            return self._counted(campaign)

    def _counted(self, campaign: Campaign | None) -> Planned:
        rejected, is_whole = 0, True
        missing: set[str] = set()
        stored: set[str] = set()
        for asked in _chunks(self._points(), CHUNK):
            rejected += sum(bool(point.reason) for point in asked)
            for study in self._studies(asked).values():
                is_whole &= _follow(study, campaign, missing, stored)
        return Planned(self.size, rejected, len(missing | stored), len(stored - missing), is_whole)


@dataclass(frozen=True, slots=True)
class _Point:
    """A point ready to run: a study and its situation for each question, or why it cannot be."""

    labels: Labels
    studies: tuple[tuple[str, Any], ...]
    reason: str = ""


class _Expected:
    """Turns the cases known so far into those expected of all points."""

    def __init__(self, tell: Progress, size: int) -> None:
        self._tell, self._size = tell, size
        self.points = 0

    def __call__(self, finished: int, known: int) -> None:
        self._tell(finished, max(known, round(known * self._size / max(self.points, 1))))


def questions_for(record: SupplyRecord, instance: str, metrics: Sequence[str], label: str) -> list[Question]:
    """The questions whose studies give some metrics, each with those of them it is asked for.

    Parameters
    ----------
    label : of the condition, or ``band: label``; empty: at nominal input where there is one, else the first

    Raises
    ------
    OptionError : no metric, an unknown one, an unknown label
    """
    planner = PLANS[kind_of(record, instance)]
    if not metrics:
        raise OptionError(f"metrics: at least one is needed; {nearest('', planner.METRICS)}")
    asked = planner.questions(record, instance)
    chosen: dict[Question, list[str]] = {}
    labels: set[str] = set()
    is_known = not label
    for metric in metrics:
        if metric not in planner.METRICS:
            raise OptionError(f"metrics: {instance} has no {shown(metric)}; {nearest(metric, planner.METRICS)}")
        having = [q for q in asked if metric in q.metrics and not q.fixed]  # a fixed value would undo an axis
        if not having:
            raise OptionError(f"metrics: {metric} is not asked of {instance}; {nearest(metric, planner.METRICS)}")
        labels |= {q.label for q in having}
        named = [q for q in having if label and label in (q.label, f"{q.band}: {q.label}")]
        is_known = is_known or bool(named)
        nominal = [q for q in having if q.input_path.endswith(".input_voltage")]
        question = (named or nominal or having)[0]
        chosen.setdefault(dataclasses.replace(question, metrics=()), []).append(metric)
    if not is_known:
        raise OptionError(f"question: no {shown(label)}; {nearest(label, labels)}")
    return [dataclasses.replace(question, metrics=tuple(wanted)) for question, wanted in chosen.items()]


def _chunks(found: Iterator[_Point], length: int) -> Iterator[list[_Point]]:
    while chunk := list(itertools.islice(found, length)):
        yield chunk


def _follow(study: Study, campaign: Campaign | None, missing: set[str], stored: set[str]) -> bool:
    """Follows a study through what is stored of it; False where it would go on by what is still to be simulated."""
    rounds = 0
    while True:
        try:
            requests = study.ask()
        except BulkrailError:
            return True
        if not requests:
            return True
        rounds += 1
        outcomes: list[Outcome] = []
        for request in requests:
            outcome = campaign.stored(request) if campaign else None
            run_id = request.case.identity(campaign.ngspice_version if campaign else "")
            (missing if outcome is None else stored).add(run_id)
            outcomes += [] if outcome is None else [outcome]
        if len(outcomes) < len(requests):
            return False
        study.tell(outcomes)
