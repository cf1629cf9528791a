"""Assumed values fitted to a stored capture, from a record's file to values that may be pasted into it.

Writes nothing into the record. Every trial is a sealed run in the results folder, so a fit started again simulates
nothing anew. Beside the values asked for, every other open input the waveform rests on moves within its range, so that
an interval knows what the others leave open; ``hold`` keeps them as recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from harness.captures import Where, aligned, channel_of, common_window, not_laid
from harness.check import check_workers
from harness.contracts import Capture, Channel, FloatArray
from harness.fitting.inputs import angle_input, inputs_of, is_angle_open, structure_of
from harness.fitting.question import Stated, question_of
from harness.fitting.told import described, paste_lines
from harness.judge.fitted import FittedCapture, Input, fitted_values, why_nothing
from harness.judge.tolerances import TOLERANCES
from harness.plan.plan import simulated_instances
from harness.plan.rectifier_switch_on import COARSE_ANGLES
from harness.plan.study import Question
from harness.plan.trial import ANGLE, Chosen, Trials
from harness.postprocess.alignment import Alignment, aligned_at, noise_of
from harness.postprocess.course_fit import COVERAGE, Course, Priors, Reading, course_on, fit_lines
from harness.postprocess.fit_quality import deviations, is_uneven, quality
from harness.postprocess.fit_search import FIRST_STEP, MOST_MOVES, ROUGH_MOVES, STEPS, Found, Search, SearchError
from harness.simulate.campaign import Campaign
from harness.store import captures
from netlists.errors import OptionError, nearest
from netlists.quantity import shown
from netlists.record import SupplyRecord, load_record

MOST_SAMPLES = 50_000  # of a window; of more, every n-th is taken
FEWEST_SAMPLES = 100
LEAST_COURSE = 0.5  # correlation at the start below which the capture is of something else
CLOSER = (15.0, 7.5)  # [deg] about the likest coarse switch-on angle, a round each
MOVED_LAG = 0.02  # of the window: farther, and the window is taken anew
SLACK = 0.05  # of the window, on either side of it: room for the lag to move in
FINER = 4  # steps of the common time in one of the capture
SMALL_EFFECT = 1.0  # noise deviations over all samples: what a whole range does less than this does to no interval


@dataclass(frozen=True, slots=True)
class Wanted:
    """Options of ``bulkrail fit`` as written.

    Parameters
    ----------
    values : record paths, or their ends as ``check`` prints them
    structure : ``FIELD=CHOICE``, where the record states alternatives;  hold : other open inputs stay as recorded
    """

    values: Sequence[str]
    where: Where = field(default_factory=Where)
    stated: Stated = field(default_factory=Stated)
    structure: Sequence[str] = ()
    hold: bool = False


def fit_file(
    record_file: Path, name: str, results: Path, wanted: Wanted, *, workers: int | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[FittedCapture, dict[str, tuple[str, str]]]:  # fmt: skip
    """Fits assumed values of a record to one of its captures; the fit, and what of it may be pasted, see ``pasted``.

    Raises
    ------
    InputError : of record, capture or option, or the fit's start cannot be simulated
    SetupError, StoreError : no simulator, no usable results folder
    """
    check_workers(workers)
    record = load_record(record_file)
    capture = captures.read(record_file, name)
    prepare = _Preparation(record, capture, wanted)
    with Campaign(results, workers=workers, on_progress=on_progress) as campaign:
        found = fit_in(campaign, prepare)
    return found, paste_lines(record, found)


class _Preparation:
    """What can be told, and refused, before anything is simulated."""

    def __init__(self, record: SupplyRecord, capture: Capture, wanted: Wanted) -> None:
        if capture.record != record.name:
            raise OptionError(f"CAPTURE: {capture.name} was taken of {capture.record}, the record is {record.name}")
        known = simulated_instances(record)
        if capture.instance not in known:
            raise OptionError(
                f"CAPTURE: {capture.name} was taken of {shown(capture.instance)}, which {record.name} does not "
                f"simulate; {nearest(capture.instance, known)}"
            )
        self.record, self.capture, self.wanted = record, capture, wanted
        self.channel: Channel = channel_of(capture, wanted.where.signal)
        self.question: Question = question_of(record, capture, wanted.where, wanted.stated)
        self.structure = structure_of(record, capture.instance, wanted.structure)


prepared = _Preparation


def fit_in(campaign: Campaign, about: _Preparation) -> FittedCapture:
    """The same in a campaign that others use too."""
    before = campaign.simulated
    trials = Trials(about.record, about.capture.instance, about.question, about.structure, about.channel.signal,
                    campaign)  # fmt: skip
    values, others = inputs_of(about.record, about.capture.instance, trials, about.wanted.values, about.channel.signal)
    fitter = _Fitter(about, trials, values)
    start, alignment = fitter.aligned_start()
    reading, notes = fitter.reading(start, alignment.lag)
    found = fitter.searched(reading, alignment.lag, ROUGH_MOVES if others and not about.wanted.hold else MOST_MOVES)
    lag = float(found.fit.terms[0])
    lag_moved = abs(lag - alignment.lag) > MOVED_LAG * (reading.time[-1] - reading.time[0])
    if lag_moved:
        reading, notes = fitter.reading(start, lag)
    moved = [] if about.wanted.hold else fitter.with_effect(others, reading, lag)
    fitter.inputs += moved
    if moved or not found.rests or lag_moved:
        found = fitter.searched(reading, lag)
    left = [one.path for one in others if one not in moved]
    halved = fitter.in_halved_steps(found, reading, fitter.uneven(found, reading))
    return fitter.fitted(halved, reading, start, left, notes, campaign.simulated - before)


@dataclass(frozen=True, slots=True)
class _Halved:
    """Where a search ended, with the last run in halved time steps.

    Parameters
    ----------
    steps : how far that moved each value, shape (k,);  against : what was found that speaks against the fit
    """

    found: Found
    steps: FloatArray
    run_id: str
    against: tuple[str, ...]


class _Fitter:
    """Turns shares of ranges into trials, and what a search found into a fit."""

    def __init__(self, about: _Preparation, trials: Trials, inputs: Sequence[Input]) -> None:
        self._about, self._trials = about, trials
        self.inputs = list(inputs)
        self._runs: dict[frozenset[tuple[str, float]], str] = {}
        self._reached: dict[str, float] = {}  # path -> share of its range where the last search ended
        self._grid: FloatArray = np.empty(0)

    # --- before the search

    def aligned_start(self) -> tuple[Course, Alignment]:
        """The run as recorded, and where the capture lies on it; at the angle that fits best where none is said."""
        found: list[tuple[Course, Alignment, Chosen]] = []
        if not is_angle_open(self._about.question):
            found += self._laid_at([{}])
        else:
            found += self._laid_at([{ANGLE: float(angle)} for angle in COARSE_ANGLES])
            for offset in CLOSER:
                best = self._best(found)[2][ANGLE]
                found += self._laid_at([{ANGLE: (best + sign * offset) % 180.0} for sign in (-1, 1)])
        course, alignment, chosen = self._best(found)
        if alignment.correlation < LEAST_COURSE:
            raise OptionError(
                f"CAPTURE: {self._about.capture.name} runs another course than the simulation as recorded (correlation "
                f"{alignment.correlation:.2f}; 1 is the same): another condition or angle, or a probe turned round"
            )
        if ANGLE in chosen:
            self.inputs.append(angle_input(chosen[ANGLE]))
        return course, alignment

    def _laid_at(self, places: Sequence[Chosen]) -> list[tuple[Course, Alignment, Chosen]]:
        """Runs as recorded but for a place, and where the capture lies on each; none where it lies nowhere."""
        found = []
        for place, trial in zip(places, self._trials.at(places), strict=True):
            if trial.time is None or trial.values is None:
                raise OptionError(f"--values: as recorded it cannot be simulated: {trial.error}")
            course = Course(trial.time, trial.values)
            alignment = self._laid(course)
            found += [(course, alignment, place)] if alignment is not None else []
        return found

    def _best(self, found: Sequence[tuple[Course, Alignment, Chosen]]) -> tuple[Course, Alignment, Chosen]:
        """The place of the likest course: of the correlation, which a wrong size does not lower."""
        if not found:
            raise OptionError(not_laid(self._about.channel, self._about.wanted.where))
        return max(found, key=lambda one: one[1].correlation)

    def _laid(self, course: Course) -> Alignment | None:
        capture, channel = self._about.capture, self._about.channel
        return aligned(
            capture, (capture.time, channel.values), channel.unit, (course.time, course.values),
            self._about.wanted.where,
        )  # fmt: skip

    def reading(self, course: Course, lag: float) -> tuple[Reading, list[str]]:
        """The capture's samples that lie on the run, in the window asked for."""
        capture, channel = self._about.capture, self._about.channel
        time = capture.time + lag
        start, stop = common_window(time, course.time, self._about.wanted.where)
        inside = np.nonzero((time >= start) & (time <= stop))[0]
        if len(inside) < FEWEST_SAMPLES:
            raise OptionError(
                f"CAPTURE: {len(inside)} samples of {capture.name} lie on the run in the window; a fit takes "
                f"{FEWEST_SAMPLES} at least: a longer or denser capture, or a wider --from and --to"
            )
        noise = noise_of(channel.values[inside])
        stride = -(-len(inside) // MOST_SAMPLES)
        notes = [f"every {stride}. sample was taken: {MOST_SAMPLES} are enough"] if stride > 1 else []
        inside = inside[::stride]
        gain = float(np.hypot(channel.gain, TOLERANCES["mean"].relative))  # the simulation's own is one with it
        edge, step = SLACK * (stop - start), float(np.median(np.diff(time[inside]))) / FINER
        self._grid = np.arange(start - edge, stop + edge, step)
        values = np.asarray(channel.values[inside], dtype=float)
        return Reading(capture.time[inside], values, gain, channel.offset, capture.time_base, noise), notes

    def with_effect(self, others: Sequence[Input], reading: Reading, lag: float) -> list[Input]:
        """Of other inputs those whose range moves the waveform by more than noise hides, where the values rest."""
        all_inputs = [*self.inputs, *others]
        here = self._start(all_inputs)
        units = np.eye(len(here))[len(self.inputs) :]
        moves = [FIRST_STEP if share <= 0.5 else -FIRST_STEP for share in here[len(self.inputs) :]]
        places = [here + move * unit for move, unit in zip(moves, units, strict=True)]
        start, *found = self._courses([here, *places], all_inputs)
        moved = []
        for one, course in zip(others, found, strict=True):
            if isinstance(start, str) or isinstance(course, str):
                continue  # it cannot be moved, so it is held, and said to be
            away = (course.on(reading.time + lag) - start.on(reading.time + lag)) / FIRST_STEP
            if float(np.linalg.norm(away)) >= SMALL_EFFECT * reading.least_noise:
                moved.append(one)
        return moved

    # --- the search

    def searched(self, reading: Reading, lag: float, most: int = MOST_MOVES) -> Found:
        """The search from where the last one ended; at first from the values as recorded.

        The values asked for go first, all else held. A search over many inputs from afar loses its way: as long as the
        residuals are large they outweigh what is stated of the others.
        """
        try:
            found = Search(self._courses, reading, self._start(self.inputs), lag, self._priors(), most).run()
        except SearchError as error:
            raise OptionError(f"--values: a place beside the start cannot be simulated: {error}") from error
        self._reached |= {one.path: float(share) for one, share in zip(self.inputs, found.fit.at, strict=True)}
        return found

    def _start(self, inputs: Sequence[Input]) -> FloatArray:
        return np.array([self._reached.get(one.path, one.share(one.nominal)) for one in inputs])

    def _priors(self) -> Priors:
        """Values asked for may lie anywhere in their ranges; of others these are stated uncertainties."""
        free = np.array([one.role != "other" for one in self.inputs])
        recorded = np.array([one.share(one.nominal) for one in self.inputs])
        return Priors(recorded, np.where(free, np.inf, 0.5 / COVERAGE))

    def _courses(self, places: Sequence[FloatArray], inputs: Sequence[Input] = ()) -> list[Course | str]:
        chosen = [_chosen(inputs or self.inputs, place) for place in places]
        found: list[Course | str] = []
        for values, trial in zip(chosen, self._trials.at(chosen), strict=True):
            if trial.time is None or trial.values is None:
                found.append(trial.error)
            else:
                self._runs[frozenset(values.items())] = trial.run_id
                found.append(course_on(self._grid, trial.time, trial.values))
        return found

    # --- after it

    def uneven(self, found: Found, reading: Reading) -> list[str]:
        """Values whose slope is another one on the other side of the best place, a line each.

        Where a study chooses an instant or a number of rounds by what it finds, a waveform may jump as a value moves; a
        slope across the jump is none, and an interval from it far too narrow.
        """
        at, lines = found.lines.at, found.lines
        own = deviations(found.fit, reading, found.sigma, self._priors())
        steps = np.clip(2 * own, *STEPS)
        asked = [index for index, one in enumerate(self.inputs) if one.role == "value"]
        away = {index: float(-steps[index] if at[index] <= 0.5 else steps[index]) for index in asked}
        away = {index: move for index, move in away.items() if 0 <= at[index] + move <= 1}
        places = [at + move * np.eye(len(at))[index] for index, move in away.items()]
        told = []
        for index, place, course in zip(away, places, self._courses(places), strict=True):
            name = self.inputs[index].path
            if isinstance(course, str):
                told.append(f"a little to one side of {name} it could not be simulated: {course}")
                continue
            if is_uneven(lines, place, course, reading.time + found.fit.terms[0], found.sigma):
                told.append(f"the waveform does not move evenly with {name}, so its interval would mean nothing")
        return told

    def in_halved_steps(self, found: Found, reading: Reading, told: Sequence[str]) -> _Halved:
        """The best place simulated once more, and where it leads then; ``told`` speaks against the fit already."""
        (trial,) = self._trials.at([_chosen(self.inputs, found.lines.at)], finer=2)
        if trial.time is None or trial.values is None:
            run_id = self._runs.get(frozenset(_chosen(self.inputs, found.lines.at).items()), "")
            error = f"in halved time steps it could not be simulated: {trial.error}"
            return _Halved(found, np.zeros(len(found.fit.at)), run_id, (*told, error))
        lines = replace(found.lines, course=course_on(self._grid, trial.time, trial.values))
        whole = np.zeros(len(found.fit.at)), np.ones(len(found.fit.at))
        fit = fit_lines(lines, reading, found.fit.terms, found.sigma, self._priors(), whole)
        return _Halved(replace(found, lines=lines, fit=fit), fit.at - found.fit.at, trial.run_id, tuple(told))

    def fitted(
        self, halved: _Halved, reading: Reading, start: Course, left: Sequence[str], notes: Sequence[str],
        simulated: int,
    ) -> FittedCapture:  # fmt: skip
        """All that is said of a finished search."""
        found = halved.found
        about = self._about
        capture, channel, fit = about.capture, about.channel, found.fit
        moved = np.hypot(halved.steps, found.unreached)
        worth = quality(fit, reading, found.sigma, self._priors(), moved)
        values = fitted_values(self.inputs, list(fit.at), worth, len(reading.time))
        fitted = found.lines.moved(fit.at)
        measured = Course(reading.time + fit.terms[0], reading.values)
        lies = aligned_at((fitted.time, fitted.values), (reading.time, reading.values), float(fit.terms[0]))
        why = why_nothing(worth, lies, channel, reading, rests=found.rests, places=found.places)
        why += halved.against
        asked = [index for index, one in enumerate(self.inputs) if one.role == "value"]
        return FittedCapture(
            capture, channel, about.question.study, described(about.question, about.structure, self.inputs),
            tuple(values[index] for index in asked),
            tuple(one for one in values if one.input.role != "value"),
            tuple(left) if about.wanted.hold else (), () if about.wanted.hold else tuple(left),
            tuple(tuple(float(worth.correlation[row, column]) for column in asked) for row in asked),
            tuple(float(halved.steps[one]) * (self.inputs[one].high - self.inputs[one].low) for one in asked),
            tuple(float(one) for one in fit.terms), tuple(float(one) for one in worth.terms), lies,
            about.wanted.where.align, worth, found.sigma, reading, measured, fitted, start,
            halved.run_id, simulated, len(set(self._runs.values())), found.failures, tuple(notes),
            tuple(why),
        )  # fmt: skip


def _chosen(inputs: Sequence[Input], place: FloatArray) -> dict[str, float]:
    """Path -> SI value of a place."""
    return {one.path: one.scaled(float(share)) for one, share in zip(inputs, place, strict=True)}
