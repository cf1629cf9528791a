"""Finds the values that lay a simulated waveform on a measured one, in few simulations. Knows no simulator.

It is handed a function that simulates places. Slopes by differences at the start; then the best place on straight
lines is simulated, and the slopes are turned so that they lead through it (Broyden); where the place rests, slopes are
taken anew by differences unless they were taken near by, since intervals hang on them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from harness.contracts import FloatArray
from harness.postprocess.course_fit import Course, Fit, Lines, Priors, Reading, fit_lines, straight, turned
from harness.postprocess.fit_quality import deviations

Simulate = Callable[[Sequence[FloatArray]], Sequence[Course | str]]  # places -> courses, or why there is none

FIRST_STEP = 0.1  # of a range, of the first differences: far above what time steps scatter by
STEPS = (0.02, 0.1)  # least and most of later ones, which are two standard deviations
RESTING = 0.1  # standard deviations a move must be below: it then widens no interval by more than half a percent
SMALL_GAIN = 0.04  # of the weighed squares, for each value: 0.2 deviations in each direction
UNREACHED = 0.5  # the same where straight lines promise more than simulations give: 0.7 deviations
LEAST_TURN = 0.3  # deviations a move must have to turn slopes: what time steps scatter by would turn them otherwise
NEAR = 1.0  # standard deviations within which slopes count as taken there
SHRINK, GROW = 0.3, 2.0  # of the largest move, after one that led to worse, or to better
FEWEST_TURNS = 4  # moves, or one for each value, after which slopes are taken anew: turned ones lag behind a bend
MOST_MOVES, ROUGH_MOVES = 25, 8  # of a search, and of one that another follows
NO_TERMS = np.zeros(4)


@dataclass(frozen=True, slots=True)
class Found:
    """Where a search ended.

    Parameters
    ----------
    lines : about the best place;  fit : there;  sigma : its residuals were weighed by
    rests : whether it came to rest;  places : simulated in all;  failures : why places could not be
    unreached : what straight lines would still move each value by and no simulation bore out, shape (k,)
    """

    lines: Lines
    fit: Fit
    sigma: float
    rests: bool
    places: int
    failures: tuple[str, ...]
    unreached: FloatArray


class SearchError(ArithmeticError):
    """The start, or a place beside the best one, cannot be simulated; the message is the simulation's own."""


class Search:
    """One search.

    Parameters
    ----------
    start : shares of the ranges, shape (k,);  lag : where the capture lies at first [s];  most : moves

    Raises
    ------
    SearchError : from ``run``
    """

    def __init__(
        self, simulate: Simulate, reading: Reading, start: FloatArray, lag: float, priors: Priors,
        most: int = MOST_MOVES,
    ) -> None:  # fmt: skip
        self._simulate, self._reading, self._priors, self._most = simulate, reading, priors, most
        self._start, self._lag = start, lag
        self._places = 0
        self._failures: list[str] = []

    def run(self) -> Found:
        """Moves until the place rests, or no further."""
        (first,) = self._courses([self._start])
        if isinstance(first, str):
            raise SearchError(first)
        lines = self._slopes(self._start, first, np.full(len(self._start), FIRST_STEP))
        taken_at, turns = lines.at, 0
        terms, trust = np.array([self._lag, 0.0, 0.0, 0.0]), 1.0
        for _ in range(self._most):
            terms, sigma = self._settled(lines, terms)
            there = self._best(lines, terms, sigma, trust)
            own = deviations(there, self._reading, sigma, self._priors)
            here = fit_lines(lines, self._reading, terms, sigma, self._priors).square
            if here - there.square < SMALL_GAIN * len(own) or np.all(np.abs(there.at - lines.at) <= RESTING * own):
                if np.all(np.abs(lines.at - taken_at) <= NEAR * own):
                    whole = self._best(lines, terms, sigma, 1.0)
                    return self._found(lines, there, sigma, whole.at, rests=here - whole.square < UNREACHED * len(own))
                turns = MOST_MOVES
            if turns >= max(FEWEST_TURNS, len(own)):
                lines = self._slopes(lines.at, lines.course, np.clip(2 * own, *STEPS))
                taken_at, trust, turns = lines.at, max(trust, STEPS[1]), 0
                continue
            lines, trust = self._moved(lines, there, sigma, trust, own)
            turns += 1
        terms, sigma = self._settled(lines, terms)
        there = self._best(lines, terms, sigma, trust)
        return self._found(lines, there, sigma, there.at, rests=False)

    def _found(self, lines: Lines, there: Fit, sigma: float, promised: FloatArray, *, rests: bool) -> Found:
        return Found(lines, there, sigma, rests, self._places, tuple(self._failures), promised - there.at)

    def _settled(self, lines: Lines, terms: FloatArray) -> tuple[FloatArray, float]:
        """The terms at the best place so far, and what its residuals are weighed by: noise, or what they are."""
        sigma = self._reading.least_noise
        for _ in range(2):  # how gain and offset are held depends on it
            fit = fit_lines(lines, self._reading, terms, sigma, self._priors)
            terms, sigma = fit.terms, max(self._reading.least_noise, fit.rms)
        return terms, sigma

    def _best(self, lines: Lines, terms: FloatArray, sigma: float, trust: float) -> Fit:
        bounds = np.clip(lines.at - trust, 0, 1), np.clip(lines.at + trust, 0, 1)
        return fit_lines(lines, self._reading, terms, sigma, self._priors, bounds)

    def _moved(self, lines: Lines, there: Fit, sigma: float, trust: float, own: FloatArray) -> tuple[Lines, float]:
        """Simulates a place; goes there where it is better, and learns from it in any case."""
        far = float(np.max(np.abs(there.at - lines.at)))
        (course,) = self._courses([there.at])
        if isinstance(course, str):
            self._failures.append(course)
            return lines, SHRINK * far
        here = fit_lines(lines, self._reading, there.terms, sigma, self._priors)
        is_far = bool(np.any(np.abs(there.at - lines.at) > LEAST_TURN * own))
        known = turned(lines, there.at, course) if is_far else lines
        new = Lines(there.at, course, known.slopes)
        square = fit_lines(new, self._reading, there.terms, sigma, self._priors).square
        if square < here.square:
            return new, max(trust, GROW * far)
        return known, SHRINK * far

    def _slopes(self, at: FloatArray, course: Course, steps: FloatArray) -> Lines:
        """Differences towards the middle of each range, or away from it where that cannot be simulated."""
        moves = np.where(at <= 0.5, steps, -steps)
        found = self._courses([at + move * unit for move, unit in zip(moves, np.eye(len(at)), strict=True)])
        others: list[tuple[int, float, Course]] = []
        for index, one in enumerate(found):
            move, course_there = float(moves[index]), one
            if isinstance(one, str):
                self._failures.append(one)
                move = float(np.clip(at[index] - move, 0, 1) - at[index])
                (course_there,) = self._courses([at + move * np.eye(len(at))[index]]) if move else (one,)
            if isinstance(course_there, str):
                raise SearchError(course_there)
            others.append((index, move, course_there))
        return straight(at, course, others)

    def _courses(self, places: Sequence[FloatArray]) -> Sequence[Course | str]:
        self._places += len(places)
        return self._simulate(places)
