"""One signal of one question simulated at chosen values: what a fit lays over a capture. A study as a sweep asks it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from harness.contracts import FloatArray
from harness.plan.plan import PLANS, kind_of
from harness.plan.rejection import situation_of
from harness.plan.rounds import Begun, begun_here, run_rounds
from harness.plan.study import Question, Study, StudyResult
from harness.simulate.campaign import Campaign, Outcome, Request
from harness.simulate.case import Case, in_finer_steps
from harness.store import runs, views
from netlists.errors import BulkrailError
from netlists.point import Point
from netlists.record import SupplyRecord

ANGLE = "condition.angle"  # among chosen values: the switch-on angle [deg], as an axis of a sweep is called

Chosen = Mapping[str, float]  # record path or ``ANGLE`` -> SI value


@dataclass(frozen=True, slots=True)
class Trial:
    """A waveform at chosen values, or why there is none; empty ``error`` where there is one."""

    time: FloatArray | None = None
    values: FloatArray | None = None
    run_id: str = ""
    error: str = ""


class Trials:
    """Simulates a question's study at chosen values and reads one signal of the run its metrics are of.

    Parameters
    ----------
    structure : alternatives chosen, as of a Point;  signal : name of a probe
    """

    def __init__(
        self, record: SupplyRecord, instance: str, question: Question, structure: Mapping[str, str], signal: str,
        campaign: Campaign,
    ) -> None:  # fmt: skip
        self._record, self._instance, self._question = record, instance, question
        self._structure, self._signal, self._campaign = structure, signal, campaign
        self._planner = PLANS[kind_of(record, instance)]

    def reads(self) -> set[str]:
        """Leaf paths the question rests on."""
        point = Point({}, self._structure)
        return self._planner.situation(self._record, self._instance, point, self._question)[1]

    def is_moved_by(self, path: str) -> bool:
        """Whether the first case of the signal is another one at the two ends of a value's range."""
        quantity = self._record.quantities[path]
        low, high = (self._first_cases({path: end}) for end in (quantity.low, quantity.high))
        shown = [case for case in low if any(probe.name == self._signal for probe in case.probes)]
        return not shown or low != high

    def _first_cases(self, chosen: Chosen) -> list[Case]:
        begun = self._begun(chosen)
        return [] if isinstance(begun, str) else [request.case for request in begun.first]

    def at(self, places: Sequence[Chosen], finer: int = 1) -> list[Trial]:
        """Trials side by side; what cannot be simulated comes back with its reason.

        Parameters
        ----------
        finer : time steps are a fraction as long

        Raises
        ------
        SetupError, StoreError : no simulator, no usable results folder
        """
        begun = [self._begun(chosen, finer) for chosen in places]
        run_rounds(self._campaign, [one for one in begun if not isinstance(one, str)])
        return [Trial(error=one) if isinstance(one, str) else self._read(one) for one in begun]

    def _begun(self, chosen: Chosen, finer: int = 1) -> Begun | str:
        question = self._question.changed(angle=chosen[ANGLE]) if ANGLE in chosen else self._question
        values = {path: value for path, value in chosen.items() if path != ANGLE}
        try:
            about = situation_of(self._record, self._instance, Point(values, self._structure), question)
            study = self._planner.STUDIES[question.study](about)
            return begun_here(study if finer == 1 else _Finer(study, finer))
        except (BulkrailError, ArithmeticError) as error:
            return str(error).splitlines()[0]

    def _read(self, begun: Begun) -> Trial:
        """The signal from the first run with it among those the question's metrics were taken from."""
        result = begun.study.result
        if result.error:
            return Trial(error=result.error)
        wanted = [found for (metric, _), found in result.findings.items() if metric in self._question.metrics]
        for run_id in dict.fromkeys(found.run_id for found in wanted):
            path = runs.run_path(self._campaign.results, run_id)
            if self._signal in views.signal_names(path):
                run = runs.read_run(path, signals=(self._signal,)).run
                assert run.axis is not None  # the signal is there
                return Trial(run.axis.values, run.signals[self._signal].values.astype(float), run_id)
        return Trial(error=f"{self._question.study}: its run has no {self._signal}")


class _Finer:
    """A study whose every case is run in shorter time steps."""

    def __init__(self, study: Study, times: int) -> None:
        self._study, self._times = study, times

    @property
    def result(self) -> StudyResult:
        return self._study.result

    @result.setter
    def result(self, found: StudyResult) -> None:
        self._study.result = found

    def ask(self) -> list[Request]:
        asked = self._study.ask()
        return [replace(request, case=in_finer_steps(request.case, self._times)) for request in asked]

    def tell(self, outcomes: Sequence[Outcome]) -> None:
        self._study.tell(outcomes)
