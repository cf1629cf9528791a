"""Studies of switching on: inrush, restarts, the relay's closing, the X capacitors' spike.

The line is applied, load off, at every switch-on angle that could be the worst; cold, after a short loss with the
thermistor hot, or with the relay still closed. The relay's contact closes at instants over half a line period.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from functools import partial

from harness.contracts import Metric, Transient
from harness.handcalc import rectifier_bulk as hand
from harness.plan.rectifier_measures import (
    measure_closing,
    measure_inrush,
    measure_restart,
    measure_spike,
)
from harness.plan.rectifier_situation import Situation
from harness.plan.study import Finding, StudyResult, value_of
from harness.simulate.campaign import Outcome, Request
from harness.simulate.case import transient_case
from netlists.stages import rectifier_bulk as stage
from netlists.stages.rectifier_bulk import Params, Scenario

COARSE_ANGLES = tuple(range(0, 180, 30))  # [deg]; a negative half wave repeats the positive, or waits for it
FINE_OFFSETS = ((-20.0, -10.0, 10.0, 20.0), (-5.0, 5.0), (-2.5, 2.5))  # around each best so far, a round each [deg]
CLOSING_INSTANTS = 10  # over half a line period
SPIKE_STEPS = 400  # a ringing period of line inductance and X capacitors


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
        if situation.condition.supply == "dc" or situation.angle is not None:
            self._round = len(FINE_OFFSETS) + 1  # no angle to search

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
        if self._situation.angle is not None:
            return [self._situation.angle]
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
