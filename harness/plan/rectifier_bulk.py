"""What is asked of the rectifier and bulk stage, under which conditions, and how its runs are measured.

Three studies. Inrush: the line is applied to an empty bulk, load off, at every switch-on angle that could be the
worst. Line ripple: settled operation at full load. Hold-up: from settled operation the line is lost at the instants
around the trough, to show that the trough is the worst.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from harness.contracts import FloatArray, Metric, Run, Transient
from harness.handcalc import rectifier_bulk as hand
from harness.handcalc.expectation import Expectation
from harness.plan.bands import band_ends
from harness.plan.study import Finding, MetricRule, Question, Study, StudyResult, value_of
from harness.postprocess import holdup, inrush, ripple, stress
from harness.simulate.campaign import Outcome, Request
from harness.simulate.case import transient_case
from netlists.formulas import ntc_self_heating
from netlists.parameters import listed
from netlists.point import Condition, Point, Reader
from netlists.record import SupplyRecord
from netlists.stages import rectifier_bulk as stage
from netlists.stages.rectifier_bulk import Params, Scenario

POSTPROCESS_VERSION = "1"
AMBIENT = "nameplate.ambient"
STEPS_PER_PERIOD = 1000  # of the line; the largest step, smaller ones are the simulator's own choice
STEPS_PER_RESONANCE = 60  # of line inductance and bulk, which ring where the resistance is low
DIRECT_STEPS = 2000  # steps of a run from a dc supply
COARSE_ANGLES = tuple(range(0, 180, 30))  # [deg]; a negative half wave repeats the positive, or waits for it
FINE_OFFSETS = ((-20.0, -10.0, 10.0, 20.0), (-5.0, 5.0), (-2.5, 2.5))  # around each best so far, a round each [deg]
SETTLING_PERIODS = 6
SETTLED_DRIFT = 2e-4  # of the bulk voltage over one period
SETTLED_TEMPERATURE = 0.5  # change of the thermistor between two rounds [degC]
MOST_ROUNDS = 12
LOSS_OFFSETS = (-0.25, -0.10, -0.04, -0.015, 0.0, 0.015, 0.04, 0.10, 0.25)  # of a half period, around the trough


@dataclass(frozen=True, slots=True)
class Subjects:
    """Designators and counts the metrics are about, from the record.

    Parameters
    ----------
    names : role -> designator; bulk parts go by their own designators
    banks : (designator, strings in parallel, cans in a string)
    rectifier_parallel : packages or diodes in parallel;  per_package : ratings of the package, not of one diode
    bridge_feed : four places, not one
    """

    names: tuple[tuple[str, str], ...]
    banks: tuple[tuple[str, int, int], ...]
    rectifier_parallel: int
    per_package: bool
    bridge_feed: bool

    @property
    def by_role(self) -> dict[str, str]:
        """Role -> designator."""
        return dict(self.names)


def subjects(record: SupplyRecord, instance: str, feed: str) -> Subjects:
    """Who is who in an instance."""
    names = {}
    for role in ("rectifier", "fuse", "inrush_limiter"):
        for designator, _, _ in record.parts_in_role(instance, role):
            names[role] = designator
    bulk = record.parts_in_role(instance, "bulk")
    rectifier = record.parts_in_role(instance, "rectifier")[0][2]
    return Subjects(
        tuple(names.items()),
        tuple((designator, part.parallel, part.series) for designator, _, part in bulk),
        rectifier.parallel,
        getattr(rectifier, "kind", "") == "bridge_rectifier",
        feed == "bridge",
    )


# --- measuring: signals and plain numbers in, metrics out; run inside the worker at full precision


def _signal(run: Run, name: str) -> FloatArray:
    return run.signals[name].values


def _time(run: Run) -> FloatArray:
    assert run.axis is not None  # an ok run has one
    return run.axis.values


def measure_inrush(run: Run, *, who: Subjects) -> tuple[Metric, ...]:
    """Inrush metrics of a run from switching on to its end."""
    time, line = _time(run), _signal(run, "line_current")
    start, stop = float(time[0]), float(time[-1])  # the first point lies a fraction of a step after 0
    names = who.by_role
    device = names["rectifier"]
    share = who.rectifier_parallel
    reverse = _signal(run, "diode_reverse_voltage")
    if who.bridge_feed:
        # two diodes in series lie across the bulk; how they share it is up to their leakage, so one may take it all
        reverse = np.maximum(reverse, _signal(run, "bulk_voltage"))
    found = [
        inrush.inrush_peak("line", time, line, stop),
        inrush.inrush_i2t(names.get("fuse", "line"), time, line, stop),
        _renamed(inrush.inrush_peak(device, time, line / share, stop), "rectifier_surge_peak"),
        _renamed(inrush.inrush_i2t(device, time, line / share, stop), "rectifier_surge_i2t"),
        stress.highest("diode_reverse_peak", device, "V", time, reverse, start, stop),
    ]
    bulk = _signal(run, "bulk_voltage")
    for designator, _, series in who.banks:
        found.append(stress.highest("bulk_voltage_peak", designator, "V", time, bulk / series, start, stop))
    return tuple(found)


def _renamed(metric: Metric, name: str) -> Metric:
    return dataclasses.replace(metric, name=name)


def measure_line_ripple(run: Run, *, who: Subjects, period: float) -> tuple[Metric, ...]:
    """Metrics of the last line period of a run, and what tells whether it had settled."""
    time, bulk, line = _time(run), _signal(run, "bulk_voltage"), _signal(run, "line_current")
    stop = float(time[-1])
    start = stop - period
    device = who.by_role["rectifier"]
    current = _signal(run, "rectified_current" if who.per_package else "diode_current") / who.rectifier_parallel
    found = [
        ripple.ripple("bulk_ripple", "bulk", time, bulk, start, stop),
        ripple.trough("bulk_voltage_trough", "bulk", time, bulk, start, stop),
        stress.average("rectifier_current_average", device, "A", time, current, start, stop),
        stress.root_mean_square("rectifier_current_rms", device, "A", time, current, start, stop),
        stress.peak("rectifier_current_peak", device, "A", time, current, start, stop),
        stress.root_mean_square("line_current_rms", "line", "A", time, line, start, stop),
        ripple.drift("bulk_drift", "bulk", time, bulk, period),
        Metric("bulk_voltage_end", "bulk", float(bulk[-1]), "V", (start, stop), stop),
        stress.average("load_current_average", "bulk", "A", time, _signal(run, "load_current"), start, stop),
    ]
    for index, (designator, parallel, _) in enumerate(who.banks):
        per_can = _signal(run, f"bulk_current_{index}") / parallel
        found.append(stress.root_mean_square("bulk_can_current_rms", designator, "A", time, per_can, start, stop))
    if "thermistor_current" in run.signals and "inrush_limiter" in who.by_role:
        name = who.by_role["inrush_limiter"]
        heated = _signal(run, "thermistor_current")
        found.append(stress.root_mean_square("thermistor_current_rms", name, "A", time, heated, start, stop))
    return tuple(found)


def measure_holdup(run: Run, *, line_lost_at: float, end_voltage: float) -> tuple[Metric, ...]:
    """Hold-up of a run; no metric where the bulk stays above the end voltage to the end of the run."""
    metric = holdup.holdup_time("bulk", _time(run), _signal(run, "bulk_voltage"), line_lost_at, end_voltage)
    return () if metric is None else (metric,)


MEASURES = {function.__name__: function for function in (measure_inrush, measure_line_ripple, measure_holdup)}


def recipe_of(measure: partial[tuple[Metric, ...]]) -> dict[str, Any]:
    """How a run is measured, in plain JSON types, so that a stored run can be measured again."""
    numbers = {
        key: dataclasses.asdict(value) if isinstance(value, Subjects) else value
        for key, value in measure.keywords.items()
    }
    return {"kind": stage.KIND, "name": measure.func.__name__, "numbers": json.loads(json.dumps(numbers))}


def postprocess_version(recipe: Mapping[str, Any]) -> str:
    """Text that changes when the code or the numbers of a recipe do: stored metrics of another one are stale."""
    return f"{POSTPROCESS_VERSION} {json.dumps(recipe, sort_keys=True)}"


def measure_of(recipe: Mapping[str, Any]) -> partial[tuple[Metric, ...]]:
    """The measure a stored recipe stands for; KeyError where this program has none of that name."""
    numbers = dict(recipe["numbers"])
    if "who" in numbers:
        who = numbers["who"]
        numbers["who"] = Subjects(
            tuple((role, designator) for role, designator in who["names"]),
            tuple((designator, parallel, series) for designator, parallel, series in who["banks"]),
            who["rectifier_parallel"], who["per_package"], who["bridge_feed"],
        )  # fmt: skip
    return partial(MEASURES[recipe["name"]], **numbers)


# --- studies


@dataclass(frozen=True, slots=True)
class Situation:
    """An instance at one point, put through one condition."""

    params: Params
    condition: Condition
    who: Subjects
    provenance: tuple[tuple[str, str], ...]

    @property
    def period(self) -> float:
        """Line period [s]; for a dc supply, a time over which its settled course is looked at."""
        return 1 / self.condition.line_frequency if self.condition.line_frequency else 0.02

    def largest_step(self, stop: float) -> float:
        """Largest time step [s] that resolves the line and the ringing of line inductance and bulk."""
        capacitance, _ = hand.bulk_lumped(self.params)
        _, inductance = hand.path(self.params)
        ringing = 2 * math.pi * math.sqrt(inductance * capacitance) / STEPS_PER_RESONANCE
        slow = self.period / STEPS_PER_PERIOD if self.condition.supply == "mains" else stop / DIRECT_STEPS
        return min(slow, ringing)

    def request(
        self, condition: Condition, scenario: Scenario, study: str, measure: partial[tuple[Metric, ...]], options: str
    ) -> Request:
        """A case of this situation."""
        circuit = stage.bench(self.params, condition, scenario)
        case = transient_case(circuit, stage.probes(self.params), Transient(scenario.stop, scenario.max_step), options)
        recipe = recipe_of(measure)
        return Request(
            case,
            measure,
            postprocess_version(recipe),
            {**dict(self.provenance), "study": study, "condition": described(condition), "measure": recipe},
            {name: (value, unit) for name, value, unit in listed(self.params)},
        )


def described(condition: Condition) -> str:
    """A condition as one short text."""
    line = f"{condition.line_voltage:g} V"
    line += f" {condition.line_frequency:g} Hz" if condition.supply == "mains" else " dc"
    return f"{line}, {condition.output_power:.4g} W, {condition.ambient:g} degC"


class InrushStudy:
    """Searches the switch-on angle: a coarse round, finer ones around the best of each metric, then a final run."""

    SEARCHED = ("inrush_peak", "inrush_i2t", "bulk_voltage_peak")

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._round = 0
        self._asked: list[float] = []
        self._found: dict[float, Mapping[tuple[str, str], float]] = {}
        # searching takes the charges that make peak and I2t; the final run goes on until the bulk rises no more
        self._stop, self._final_stop = (
            hand.inrush_by_angle(situation.params, situation.condition, rise).duration
            for rise in (hand.CHARGED_RISE, hand.SETTLED_RISE)
        )
        if situation.condition.supply == "dc":
            self._round = len(FINE_OFFSETS) + 1  # a dc supply has no angle to search

    def ask(self) -> list[Request]:
        if self.result.error or self._round > len(FINE_OFFSETS) + 1:
            return []
        final = self._round == len(FINE_OFFSETS) + 1
        self._asked = self._final_angles() if final else self._next_angles()
        return [self._request(angle, final=final) for angle in self._asked]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        final = self._round == len(FINE_OFFSETS) + 1
        for angle, outcome in zip(self._asked, outcomes, strict=True):
            if outcome.status != "ok":
                self.result.error = f"inrush at {angle:g} deg: {outcome.error}"
                return
            values = {(metric.name, metric.subject): metric.value for metric in outcome.metrics}
            if final:
                self._keep_worst(angle, outcome)
            else:
                self._found[angle] = values
        self._round += 1

    def _keep_worst(self, angle: float, outcome: Outcome) -> None:
        for metric in outcome.metrics:
            key = (metric.name, metric.subject)
            if key not in self.result.findings or metric.value > self.result.findings[key].metric.value:
                self.result.findings[key] = Finding(metric, outcome.run_id)
                self.result.angles[key] = angle

    def _best(self, name: str) -> float:
        def value(angle: float) -> float:
            return max(number for (metric, _), number in self._found[angle].items() if metric == name)

        return max(self._found, key=value)

    def _next_angles(self) -> list[float]:
        if self._round == 0:
            return [float(angle) for angle in COARSE_ANGLES]
        offsets = FINE_OFFSETS[self._round - 1]
        angles = {(self._best(name) + offset) % 180.0 for name in self.SEARCHED for offset in offsets}
        return sorted(angles - set(self._found))

    def _final_angles(self) -> list[float]:
        if self._situation.condition.supply == "dc":
            return [90.0]
        return sorted({self._best(name) for name in self.SEARCHED})

    def _request(self, angle: float, *, final: bool) -> Request:
        s = self._situation
        condition = dataclasses.replace(s.condition, switch_on_angle=angle)
        stop = self._final_stop if final else self._stop
        scenario = Scenario(stop, s.largest_step(stop), load_on_at=None)
        options = "event_final" if final else "event_survey"
        return s.request(condition, scenario, "inrush", partial(measure_inrush, who=s.who), options)


class LineStudy:
    """Settled operation: runs on from where the last round ended, the thermistor at the heat balance of its current."""

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._rounds = 0
        self._done = False
        self.bulk_start = 0.0
        self.thermistor = situation.condition.ambient
        self.trough_at = 0.0  # after the start of a line period [s]
        try:
            settled = hand.steady(situation.params, situation.condition)
        except ArithmeticError as error:
            self.result.error = f"no settled operation: {error}"
            return
        self.bulk_start = settled.bulk_at_line_zero(situation.condition.line_frequency)
        self.thermistor = settled.thermistor_temperature

    @property
    def scenario_condition(self) -> Condition:
        """The condition with the thermistor as it runs."""
        return dataclasses.replace(self._situation.condition, switch_on_angle=0.0, thermistor_start=self.thermistor)

    def ask(self) -> list[Request]:
        if self._done or self.result.error:
            return []
        s = self._situation
        stop = SETTLING_PERIODS * s.period
        scenario = Scenario(stop, s.largest_step(stop), bulk_start=self.bulk_start, relay_closes_at=0.0)
        measure = partial(measure_line_ripple, who=s.who, period=s.period)
        return [s.request(self.scenario_condition, scenario, "line_ripple", measure, "event_final")]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        outcome = outcomes[0]
        self._rounds += 1
        if outcome.status != "ok":
            self.result.error = f"line ripple: {outcome.error}"
            return
        metrics = outcome.metrics
        if value_of(metrics, "load_current_average") <= 0 or self._load_dropped(metrics):
            trough = value_of(metrics, "bulk_voltage_trough")
            self.result.error = (
                f"the converter cuts out: bulk falls to {trough:.1f} V, it stops at {self._cutoff():g} V"
            )
            return
        temperature = self._heat_balance(metrics)
        drift = abs(value_of(metrics, "bulk_drift"))
        settled = drift <= SETTLED_DRIFT * value_of(metrics, "bulk_voltage_end")
        if settled and abs(temperature - self.thermistor) <= SETTLED_TEMPERATURE:
            self._finish(outcome)
        elif self._rounds >= MOST_ROUNDS:
            self.result.error = f"line ripple: not settled after {MOST_ROUNDS} rounds, drift {drift:.2g} V a period"
        self.bulk_start = value_of(metrics, "bulk_voltage_end")
        self.thermistor = temperature

    def _cutoff(self) -> float:
        return self._situation.params.undervoltage_cutoff

    def _load_dropped(self, metrics: Sequence[Metric]) -> bool:
        load = self._situation.params.load
        return load == "constant_power" and value_of(metrics, "bulk_voltage_trough") < self._cutoff()

    def _heat_balance(self, metrics: Sequence[Metric]) -> float:
        params, condition = self._situation.params, self._situation.condition
        if params.thermistor is None or params.relay is not None:
            return condition.ambient
        t = params.thermistor
        current = value_of(metrics, "thermistor_current_rms")
        return ntc_self_heating(t.resistance_25, t.b_value, t.dissipation_constant, condition.ambient, current)

    def _finish(self, outcome: Outcome) -> None:
        self._done = True
        self.result.findings = {(m.name, m.subject): Finding(m, outcome.run_id) for m in outcome.metrics}
        trough = self.result.findings["bulk_voltage_trough", "bulk"].metric
        self.trough_at = math.fmod(trough.at or 0.0, self._situation.period)


class HoldupStudy:
    """Line lost at instants around the trough; the shortest hold-up counts, run once more at the final options."""

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._line = LineStudy(situation)
        self._lost: list[float] = []
        self._final = False
        self._done = False
        self._longer = 1.0

    def ask(self) -> list[Request]:
        if self._done or self.result.error:
            return []
        asked = self._line.ask()
        if asked:
            return asked
        if self._line.result.error:
            self.result.error = self._line.result.error
            return []
        if not self._lost:
            self._lost = self._instants()
        options = "event_final" if self._final else "event_survey"
        return [self._request(lost, options) for lost in self._lost]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        if not self._lost:
            self._line.tell(outcomes)
            return
        for outcome in outcomes:
            if outcome.status != "ok":
                self.result.error = f"hold-up: {outcome.error}"
                return
        if any(not outcome.metrics for outcome in outcomes):
            self._longer *= 3
            if self._longer > 100:
                self.result.error = "hold-up: the bulk never falls to the end voltage"
            return
        shortest = min(range(len(outcomes)), key=lambda index: outcomes[index].metrics[0].value)
        if self._final:
            metric = outcomes[0].metrics[0]
            self.result.findings["holdup_time", "bulk"] = Finding(metric, outcomes[0].run_id)
            self._done = True
        else:
            self._lost, self._final = [self._lost[shortest]], True

    def _instants(self) -> list[float]:
        s = self._situation
        if s.condition.supply == "dc":
            return [s.period]
        half = 0.5 * s.period
        return [s.period + self._line.trough_at + offset * half for offset in LOSS_OFFSETS]

    def _request(self, lost_at: float, options: str) -> Request:
        s = self._situation
        expected = next(iter(hand.holdup(s.params, s.condition).values())).value
        stop = lost_at + (1.3 * expected + s.period) * self._longer
        scenario = Scenario(
            stop, s.largest_step(stop), bulk_start=self._line.bulk_start, line_lost_at=lost_at, relay_closes_at=0.0
        )
        measure = partial(measure_holdup, line_lost_at=lost_at, end_voltage=s.params.holdup_end_voltage)
        return s.request(self._line.scenario_condition, scenario, "holdup", measure, options)


STUDIES: dict[str, Callable[[Situation], Study]] = {
    "inrush": InrushStudy, "line_ripple": LineStudy, "holdup": HoldupStudy,
}  # fmt: skip

METRICS: dict[str, MetricRule] = {
    "inrush_peak": MetricRule("inrush", "high", "A", "largest line current at switch-on, X capacitors apart"),
    "inrush_i2t": MetricRule("inrush", "high", "A2s", "through the fuse until the bulk is charged"),
    "rectifier_surge_peak": MetricRule("inrush", "high", "A", "inrush through one package or diode"),
    "rectifier_surge_i2t": MetricRule("inrush", "high", "A2s", "inrush through one package or diode"),
    "diode_reverse_peak": MetricRule("inrush", "high", "V", "reverse voltage of one diode, spikes of the mains apart"),
    "bulk_voltage_peak": MetricRule("inrush", "high", "V", "across one can"),
    "bulk_ripple": MetricRule("line_ripple", "high", "V", "peak to peak at twice the line frequency"),
    "bulk_voltage_trough": MetricRule("line_ripple", "low", "V", "lowest bulk voltage in running operation"),
    "bulk_can_current_rms": MetricRule("line_ripple", "high", "A", "one can, line part only"),
    "rectifier_current_average": MetricRule("line_ripple", "high", "A", "one package or diode"),
    "rectifier_current_rms": MetricRule("line_ripple", "high", "A", "one package or diode"),
    "rectifier_current_peak": MetricRule("line_ripple", "high", "A", "repetitive, one package or diode"),
    "thermistor_current_rms": MetricRule("line_ripple", "high", "A", "in running operation"),
    "line_current_rms": MetricRule("line_ripple", "high", "A", "X capacitors apart"),
    "holdup_time": MetricRule("holdup", "low", "s", "from line loss at the worst instant to the end voltage"),
}


def questions(record: SupplyRecord) -> list[Question]:
    """What every rectifier and bulk stage is asked: the ends of each input band."""
    asked: list[Question] = []
    of_study = {study: tuple(m for m, rule in METRICS.items() if rule.study == study) for study in STUDIES}
    for name, band in record.data.nameplate.input_bands.items():
        lowest, highest = band_ends(band)
        frequency = band.frequency_low.nominal if band.frequency_low else 0.0
        power = band.output_power.nominal

        def ask(study: str, label: str, voltage: float, metrics: tuple[str, ...]) -> Question:
            return Question(study, label, name, voltage, frequency, power, 1.0, metrics, supply=band.supply)  # noqa: B023

        asked.append(ask("inrush", "highest line", highest, of_study["inrush"]))
        running = tuple(metric for metric in of_study["line_ripple"] if metric != "line_current_rms")
        asked.append(ask("line_ripple", "lowest line", lowest, running))
        asked.append(ask("line_ripple", "label's lowest voltage", band.voltage_low.nominal, ("line_current_rms",)))
        asked.append(ask("holdup", "lowest line", lowest, of_study["holdup"]))
    return asked


def situation(record: SupplyRecord, instance: str, point: Point, question: Question) -> tuple[Situation, set[str]]:
    """An instance at a point under a question, and the leaf paths it rests on."""
    params, reads = stage.params_from(record, instance, point)
    reader = Reader(record, Point({path: value for path, value in point.values.items() if path == AMBIENT}))
    ambient = reader.value(AMBIENT) if question.ambient is None else question.ambient
    condition = Condition(
        question.line_voltage, question.line_frequency, question.output_power, ambient, supply=question.supply,
        load_fraction=question.load_fraction,
    )  # fmt: skip
    provenance = (("record", record.name), ("instance", instance))
    return Situation(params, condition, subjects(record, instance, params.feed), provenance), set(reads) | reader.reads


def relevant(study: str, about: Situation) -> Situation:
    """A situation with all that the study's hand calculation does not read at fixed values."""
    params, condition = hand.relevant(study, about.params, about.condition)
    return dataclasses.replace(about, params=params, condition=condition)


def expect(study: str, about: Situation) -> dict[tuple[str, str], Expectation]:
    """Hand calculation of a study; ArithmeticError where it has no solution."""
    names = about.who.by_role
    if study == "inrush":
        return hand.inrush(about.params, about.condition, names)
    if study == "line_ripple":
        return hand.line_ripple(about.params, about.condition, names)
    return hand.holdup(about.params, about.condition)
