"""Studies of the rectifier and bulk stage: which cases answer a question, round by round.

Inrush: the line is applied, load off, at every switch-on angle that could be the worst; cold, after a short loss with
the thermistor hot, or with the relay still closed. Relay: the contact closes at every instant of a half period that
could be the worst. Line ripple: settled operation. Hold-up: from settled operation the line is lost at the instants
around the trough, to show that the trough is the worst.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from harness.contracts import Metric, Transient
from harness.handcalc import rectifier_bulk as hand
from harness.plan.rectifier_measures import (
    Subjects,
    measure_closing,
    measure_holdup,
    measure_inrush,
    measure_line_ripple,
    measure_regulated,
    measure_restart,
    measure_spike,
    measure_stuck_relay,
    postprocess_version,
    recipe_of,
)
from harness.plan.study import Finding, StudyResult, value_of
from harness.simulate.campaign import Outcome, Request
from harness.simulate.case import Case, transient_case
from netlists.formulas import ntc_self_heating
from netlists.parameters import listed
from netlists.point import Condition
from netlists.stages import rectifier_bulk as stage
from netlists.stages.rectifier_bulk import Params, Scenario

STEPS_PER_PERIOD = 1000  # of the line; the largest step, smaller ones are the simulator's own choice
STEPS_PER_RESONANCE = 60  # of line inductance and bulk, which ring where the resistance is low
DIRECT_STEPS = 2000  # steps of a run from a dc supply
COARSE_ANGLES = tuple(range(0, 180, 30))  # [deg]; a negative half wave repeats the positive, or waits for it
FINE_OFFSETS = ((-20.0, -10.0, 10.0, 20.0), (-5.0, 5.0), (-2.5, 2.5))  # around each best so far, a round each [deg]
SETTLING_PERIODS = 6
SETTLED_DRIFT = 2e-4  # of the bulk voltage over one period
SETTLED_TEMPERATURE = 0.5  # change of the thermistor between two rounds [degC]
MOST_ROUNDS = 12
DROPPED_LOAD = 0.1  # of the current the load should draw: one that falls below it was off
CLOSING_INSTANTS = 10  # over half a line period
SPIKE_STEPS = 400  # a ringing period of line inductance and X capacitors
LOSS_OFFSETS = (-0.25, -0.10, -0.04, -0.015, 0.0, 0.015, 0.04, 0.10, 0.25)  # of a half period, around the trough


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
        probes = stage.probes(self.params, regulating=scenario.regulating)
        case = transient_case(circuit, probes, Transient(scenario.stop, scenario.max_step), options)
        return self.request_of(case, condition, study, measure)

    def request_of(self, case: Case, condition: Condition, study: str, measure: partial[tuple[Metric, ...]]) -> Request:
        """A finished case of this situation, with what is to be made of it."""
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

    NAME = "inrush"
    SEARCHED: tuple[str, ...] = ("inrush_peak", "inrush_i2t", "bulk_voltage_peak")

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._bulk_start, params = self._start(situation.params)
        self._round = 0
        self._asked: list[float] = []
        self._found: dict[float, Mapping[tuple[str, str], float]] = {}
        # searching takes the charges that make peak and I2t; the final run goes on until the bulk rises no more
        self._stop, self._final_stop = (
            hand.inrush_duration(params, situation.condition, rise, self._bulk_start)
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
        scenario = Scenario(
            stop,
            s.largest_step(stop),
            bulk_start=self._bulk_start,
            load_on_at=None,
            relay_closes_at=self.RELAY_CLOSES_AT,
        )
        options = "event_final" if final else "event_survey"
        return s.request(condition, scenario, self.NAME, self._measure(), options)

    RELAY_CLOSES_AT: float | None = None

    def _start(self, params: Params) -> tuple[float, Params]:
        """Bulk voltage at the start [V], and the parts as the hand calculation takes them for how long it lasts."""
        return 0.0, params

    def _measure(self) -> partial[tuple[Metric, ...]]:
        s = self._situation
        if s.params.thermistor is None:
            return partial(measure_inrush, who=s.who)
        t = s.params.thermistor
        return partial(
            measure_inrush, who=s.who, heat_capacity=t.dissipation_constant * t.time_constant,
            dissipation=t.dissipation_constant, ambient=s.condition.ambient,
        )  # fmt: skip


class HotRestartStudy(InrushStudy):
    """The line comes back with the thermistor at the condition's own start temperature, its relay dropped out."""

    NAME = "hot_restart"
    SEARCHED = ("hot_restart_peak", "hot_restart_i2t")

    def _measure(self) -> partial[tuple[Metric, ...]]:
        return partial(measure_restart, who=self._situation.who, study=self.NAME)


class HeldRelayStudy(InrushStudy):
    """The line comes back before the relay drops out, the bulk at the voltage where the converter stopped."""

    NAME = "held_relay"
    SEARCHED = ("held_relay_peak", "held_relay_i2t")
    RELAY_CLOSES_AT = 0.0

    def _start(self, params: Params) -> tuple[float, Params]:
        return params.undervoltage_cutoff, hand.relay_closed(params)

    def _measure(self) -> partial[tuple[Metric, ...]]:
        return partial(measure_restart, who=self._situation.who, study=self.NAME)


class ClosingStudy:
    """The relay closes after its delay, at instants over half a line period; the load waits until then."""

    NAME = "relay_closing"
    LOAD_ON_AT: float | None = None

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._instants = [index / CLOSING_INSTANTS * 0.5 * situation.period for index in range(CLOSING_INSTANTS)]
        self._final = False
        self._done = situation.params.relay is None or situation.condition.supply == "dc"

    def ask(self) -> list[Request]:
        if self._done or self.result.error:
            return []
        return [self._request(instant) for instant in self._instants]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        for outcome in outcomes:
            if outcome.status != "ok":
                self.result.error = f"relay closing: {outcome.error}"
                return
        if self._final:
            for outcome in outcomes:
                for metric in outcome.metrics:
                    key = (metric.name, metric.subject)
                    best = self.result.findings.get(key)
                    if best is None or metric.value > best.metric.value:
                        self.result.findings[key] = Finding(metric, outcome.run_id)
            self._done = True
            return
        worst = {
            max(range(len(outcomes)), key=lambda index: value_of(outcomes[index].metrics, name))
            for name in (f"{self.NAME}_peak", f"{self.NAME}_contact")
        }
        self._instants, self._final = [self._instants[index] for index in sorted(worst)], True

    def _request(self, instant: float) -> Request:
        s = self._situation
        relay = s.params.relay
        closes_at = (relay.closing_delay if relay is not None else 0.0) + instant
        stop = closes_at + 1.5 * s.period
        condition = dataclasses.replace(s.condition, switch_on_angle=90.0)
        scenario = Scenario(stop, s.largest_step(stop), load_on_at=self.LOAD_ON_AT, relay_closes_at=closes_at)
        measure = partial(measure_closing, who=s.who, closes_at=closes_at, study=self.NAME)
        options = "event_final" if self._final else "event_survey"
        return s.request(condition, scenario, self.NAME, measure, options)


class LateRelayStudy(ClosingStudy):
    """The same with the load running before the relay closes, as soon as its lock-out lets it."""

    NAME = "relay_late"
    LOAD_ON_AT = 0.0


class SpikeStudy:
    """The line closed at its crest on the X capacitors alone."""

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._done = situation.params.x_capacitance is None

    def ask(self) -> list[Request]:
        if self._done or self.result.error:
            return []
        s = self._situation
        ringing = 2 * math.pi * math.sqrt(s.params.line_inductance * (s.params.x_capacitance or 0.0))
        stop = 3 * ringing
        condition = dataclasses.replace(s.condition, switch_on_angle=90.0)
        circuit = stage.spike_bench(s.params, condition)
        case = transient_case(circuit, stage.SPIKE_PROBES, Transient(stop, ringing / SPIKE_STEPS), "event_final")
        return [s.request_of(case, condition, "x_capacitor", partial(measure_spike))]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        outcome = outcomes[0]
        self._done = True
        if outcome.status != "ok":
            self.result.error = f"X capacitor spike: {outcome.error}"
            return
        self.result.findings = {(m.name, m.subject): Finding(m, outcome.run_id) for m in outcome.metrics}


class LineStudy:
    """Settled operation: runs on from where the last round ended, the thermistor at the heat balance of its current."""

    NAME = "line_ripple"
    MEASURE = staticmethod(measure_line_ripple)

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._rounds = 0
        self._done = False
        self.bulk_start = 0.0
        self.thermistor = situation.condition.ambient
        self.trough_at = 0.0  # after the start of a line period [s]
        if situation.params.feed == "boosted":
            self.bulk_start = situation.params.bus_setpoint or 0.0
            return
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
        boosted = s.params.feed == "boosted"
        scenario = Scenario(
            stop, s.largest_step(stop), bulk_start=self.bulk_start, relay_closes_at=0.0, regulating=boosted
        )
        measure = partial(measure_regulated if boosted else self.MEASURE, who=s.who, period=s.period)
        return [s.request(self.scenario_condition, scenario, self.NAME, measure, "event_final")]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        outcome = outcomes[0]
        self._rounds += 1
        if outcome.status != "ok":
            self.result.error = f"line ripple: {outcome.error}"
            return
        metrics = outcome.metrics
        if self._load_dropped(metrics):
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
        """The lock-out took the load off within the last period, if only for a moment, or never let it on."""
        s = self._situation
        bulk = value_of(metrics, "bulk_voltage_end")
        wanted = hand.bus_power(s.params, s.condition, bulk) / bulk
        return value_of(metrics, "load_current_lowest") < DROPPED_LOAD * wanted

    def _heat_balance(self, metrics: Sequence[Metric]) -> float:
        params, condition = self._situation.params, self._situation.condition
        if params.thermistor is None or params.relay is not None or params.feed == "boosted":
            return condition.ambient
        t = params.thermistor
        current = value_of(metrics, "thermistor_current_rms")
        return ntc_self_heating(t.resistance_25, t.b_value, t.dissipation_constant, condition.ambient, current)

    def _finish(self, outcome: Outcome) -> None:
        self._done = True
        self.result.findings = {(m.name, m.subject): Finding(m, outcome.run_id) for m in outcome.metrics}
        trough = self.result.findings["bulk_voltage_trough", "bulk"].metric
        self.trough_at = math.fmod(trough.at or 0.0, self._situation.period)


class StuckRelayStudy(LineStudy):
    """Running operation with the relay open for good."""

    NAME = "relay_stuck"
    MEASURE = staticmethod(measure_stuck_relay)

    def __init__(self, situation: Situation) -> None:
        super().__init__(dataclasses.replace(situation, params=dataclasses.replace(situation.params, relay=None)))


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
            stop, s.largest_step(stop), bulk_start=self._line.bulk_start, line_lost_at=lost_at, relay_closes_at=0.0,
            regulating=s.params.feed == "boosted",
        )  # fmt: skip
        measure = partial(measure_holdup, line_lost_at=lost_at, end_voltage=s.params.holdup_end_voltage)
        return s.request(self._line.scenario_condition, scenario, "holdup", measure, options)
