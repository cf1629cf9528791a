"""Studies of running operation: bulk ripple and currents, a relay stuck open, hold-up.

Hold-up starts from settled operation; the line is lost at the instants around the trough, to show that it is the worst.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from functools import partial

from harness.contracts import Metric
from harness.handcalc import rectifier_bulk as hand
from harness.plan.rectifier_measures import (
    measure_holdup,
    measure_line_ripple,
    measure_regulated,
    measure_stuck_relay,
)
from harness.plan.rectifier_situation import Situation
from harness.plan.study import LOWEST_INPUT, Finding, StudyResult, value_of
from harness.simulate.campaign import Outcome, Request
from netlists.errors import BulkrailError
from netlists.formulas import ntc_self_heating
from netlists.point import Condition
from netlists.stages.rectifier_bulk import Params, Scenario

SETTLING_PERIODS = 6
SETTLED_DRIFT = 2e-4  # of the bulk voltage over one period
SETTLED_TEMPERATURE = 0.5  # change of the thermistor between two rounds [degC]
MOST_ROUNDS = 12
JUST_ABOVE = 1.002  # of the cut-off: at it the load is off, so the bulk never falls below
DROPPED_LOAD = 0.1  # of the current the load should draw: one that falls below it was off
LOSS_OFFSETS = (-0.25, -0.10, -0.04, -0.015, 0.0, 0.015, 0.04, 0.10, 0.25)  # of a half period, around the trough


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
            cutoff = self._situation.params.undervoltage_cutoff
            self.result.error = f"the converter cuts out: under this load the bulk falls to its cut-off of {cutoff:g} V"
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


def with_end(params: Params, lowest_bus: float) -> Params:
    """A stage whose hold-up ends where its converter no longer regulates, or cuts out before that."""
    cutoff = JUST_ABOVE * (params.undervoltage_cutoff or 0.0)
    return dataclasses.replace(params, holdup_end_voltage=max(lowest_bus, cutoff))


class HoldupStudy:
    """Line lost at instants around the trough; the shortest hold-up counts, run once more at the final options.

    Where the converter behind is modelled, the bus at which it still regulates is simulated first and ends the hold-up.
    """

    def __init__(self, situation: Situation) -> None:
        self.result = StudyResult()
        self._situation = situation
        self._line = LineStudy(situation)
        self._lost: list[float] = []
        self._final = False
        self._done = False
        self._longer = 1.0
        self._has_end = False

    def ask(self) -> list[Request]:
        if self._done or self.result.error:
            return []
        converter = self._situation.converter
        if converter is not None and not self._has_end:
            try:
                return [converter.request(converter.condition, LOWEST_INPUT)]
            except (BulkrailError, ArithmeticError) as error:
                self.result.error = f"lowest bus of the converter: {error}"
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
        if self._situation.converter is not None and not self._has_end:
            self._take_end(outcomes[0])
            return
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

    def _take_end(self, outcome: Outcome) -> None:
        if outcome.status != "ok":
            self.result.error = f"lowest bus of the converter: {outcome.error}"
            return
        lowest = value_of(outcome.metrics, "lowest_input_voltage")
        self._situation = dataclasses.replace(self._situation, params=with_end(self._situation.params, lowest))
        self._has_end = True

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
