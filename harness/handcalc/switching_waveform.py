"""A choke's current over one switching period as straight pieces between corners, and what is read off such a course.

Voltages across the choke are taken as constant within each piece of the period, resistances at their mean current, so
flux linkage is straight between corners; current is so too, by the choke's two-slope law, with further corners where it
passes the knee. All readings of a course (mean, RMS, swing) are exact for it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from harness.contracts import FloatArray
from netlists.formulas import diode_emission, diode_saturation_current, diode_tangent
from netlists.stages.switching import BODY_TEST_CURRENT, Choke, Diode, Switch

SMALL = 1e-12  # times within this share of the period are the same
HALVINGS = 60
FLUX_TOLERANCE = 1e-9  # of a flux linkage's swing: how exactly it is found at which a saturating choke has its mean


@dataclass(frozen=True, slots=True)
class Course:
    """A periodic quantity, straight between its corners.

    Parameters
    ----------
    time : from 0 to the period, ascending; two equal times mark a jump [s], shape (n,)
    value : at these times, shape (n,)
    """

    time: FloatArray
    value: FloatArray

    @property
    def period(self) -> float:
        """[s]"""
        return float(self.time[-1])

    def at(self, instants: FloatArray, *, before: bool = False) -> FloatArray:
        """Values at instants [s] of any period; at a jump the value after it, or ``before`` it."""
        period = self.period
        turn = np.asarray(instants, dtype=np.float64) / period
        within = (np.where(np.abs(turn - np.round(turn)) < 1e-9, 0.0, turn - np.floor(turn))) * period
        if before:
            within = np.where(within <= 0, period, within)
            index = np.searchsorted(self.time, within * (1 - 1e-9), side="left") - 1
        else:
            index = np.searchsorted(self.time, within * (1 + 1e-9), side="right") - 1
        index = np.clip(index, 0, self.time.size - 2)
        span = self.time[index + 1] - self.time[index]
        share = np.where(span > 0, (within - self.time[index]) / np.where(span > 0, span, 1.0), 0.0)
        return self.value[index] + np.clip(share, 0.0, 1.0) * (self.value[index + 1] - self.value[index])

    def once(self, instant: float, *, before: bool = False) -> float:
        """The value at one instant [s] of any period, as ``at``; on plain floats, since it is asked most of all."""
        period, time, value = self.period, self.time, self.value
        turn = instant / period
        within = 0.0 if abs(turn - round(turn)) < 1e-9 else (turn - math.floor(turn)) * period
        if before:
            within = within if within > 0 else period
            index = int(time.searchsorted(within * (1 - 1e-9), side="left")) - 1
        else:
            index = int(time.searchsorted(within * (1 + 1e-9), side="right")) - 1
        index = min(max(index, 0), time.size - 2)
        begin, span = float(time[index]), float(time[index + 1] - time[index])
        share = min(max((within - begin) / span, 0.0), 1.0) if span > 0 else 0.0
        return float(value[index]) + share * float(value[index + 1] - value[index])

    def scaled(self, factor: float) -> Course:
        """Every value times a factor."""
        return Course(self.time, self.value * factor)


def mean_of(course: Course) -> float:
    """Mean over the period."""
    return float(np.trapezoid(course.value, course.time)) / course.period


def rms_of(course: Course) -> float:
    """RMS over the period: (a^2 + a b + b^2) / 3 of each straight piece."""
    first, last = course.value[:-1], course.value[1:]
    return math.sqrt(float(np.sum(np.diff(course.time) * (first**2 + first * last + last**2))) / 3 / course.period)


def peak_of(course: Course) -> float:
    """Highest value."""
    return float(np.max(course.value))


def swing_of(course: Course) -> float:
    """Peak to peak."""
    return float(np.ptp(course.value))


def summed(courses: Sequence[Course], delays: Sequence[float]) -> Course:
    """Sum of courses of one period, each delayed [s]; its corners are those of all."""
    period = courses[0].period
    corners = np.concatenate([np.mod(c.time + d, period) for c, d in zip(courses, delays, strict=True)])
    instants = np.unique(np.round(np.append(corners, (0.0, period)) / period, 12)) * period
    after = sum((c.at(instants[:-1] - d) for c, d in zip(courses, delays, strict=True)), np.zeros(instants.size - 1))
    until = sum(
        (c.at(instants[1:] - d, before=True) for c, d in zip(courses, delays, strict=True)),
        np.zeros(instants.size - 1),
    )
    return Course(np.repeat(instants, 2)[1:-1], np.ravel(np.column_stack((after, until))))


def interleaved(course: Course, phases: int, angle: float = 0.0) -> Course:
    """Sum of ``phases`` equal courses spaced evenly over the period, the first delayed by ``angle`` [share of it]."""
    if phases == 1 and angle == 0:
        return course
    delays = [(phase / phases + angle) * course.period for phase in range(phases)]
    return summed([course] * phases, delays)


def part_of(course: Course, begin: float, end: float) -> Course:
    """The course between two instants 0 <= begin <= end <= period [s], zero elsewhere."""
    period = course.period
    begin, end = max(begin, 0.0), min(end, period)
    if end <= begin:
        return Course(np.array([0.0, period]), np.zeros(2))
    inside = (course.time > begin + SMALL * period) & (course.time < end - SMALL * period)
    time = np.concatenate(([0.0, begin, begin], course.time[inside], [end, end, period]))
    first, last = course.once(begin), course.once(end, before=True)
    value = np.concatenate(([0.0, 0.0, first], course.value[inside], [last, 0.0, 0.0]))
    return Course(time, value)


def flux_of(choke: Choke, current: FloatArray) -> FloatArray:
    """Flux linkage [Vs] at currents [A]: full inductance to the knee, the saturated one beyond."""
    if choke.saturation_current is None or choke.saturated_inductance is None:
        return choke.inductance * current
    knee, size = choke.saturation_current, np.abs(current)
    linked = choke.inductance * np.minimum(size, knee) + choke.saturated_inductance * np.maximum(size - knee, 0.0)
    return np.sign(current) * linked


def current_of(choke: Choke, flux: FloatArray) -> FloatArray:
    """Current [A] at flux linkages [Vs]; the inverse of ``flux_of``."""
    if choke.saturation_current is None or choke.saturated_inductance is None:
        return flux / choke.inductance
    knee, size = choke.saturation_current, np.abs(flux)
    beyond = np.maximum(size - choke.inductance * knee, 0.0) / choke.saturated_inductance
    return np.sign(flux) * (np.minimum(size / choke.inductance, knee) + beyond)


def choke_course(choke: Choke, time: FloatArray, flux: FloatArray) -> Course:
    """Current of a choke whose flux linkage is straight between corners; corners are added where it passes the knee."""
    if choke.saturates and choke.saturation_current is not None:
        knee = choke.inductance * choke.saturation_current
        crossed = [_crossings(time, flux, level) for level in (knee, -knee)]
        more = np.concatenate(crossed)
        if more.size:
            time, flux = _with(time, flux, more)
    return Course(time, current_of(choke, flux))


def _crossings(time: FloatArray, flux: FloatArray, level: float) -> FloatArray:
    """Instants strictly inside a piece where a course passes a level."""
    below, above = flux[:-1] - level, flux[1:] - level
    passed = below * above < 0
    share = below[passed] / (below[passed] - above[passed])
    return time[:-1][passed] + share * np.diff(time)[passed]


def _with(time: FloatArray, flux: FloatArray, more: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The same course with further corners on it."""
    values = np.interp(more, time, flux)
    order = np.argsort(np.append(time, more), kind="stable")
    return np.append(time, more)[order], np.append(flux, values)[order]


def continuous_course(choke: Choke, durations: Sequence[float], volts: Sequence[float], mean: float) -> Course:
    """Current of a choke under constant voltages one after the other [s], [V], with a given mean [A].

    What the voltages leave over at the period's end is taken off evenly, so that the course repeats.
    """
    time = np.concatenate(([0.0], np.cumsum(durations)))
    moved = np.concatenate(([0.0], np.cumsum(np.multiply(durations, volts))))
    moved = moved - moved[-1] * time / time[-1]
    course = Course(time, moved / choke.inductance)
    course = Course(time, course.value + mean - mean_of(course))
    knee = choke.saturation_current
    if not choke.saturates or knee is None or float(np.max(np.abs(course.value))) <= knee:
        return course
    centre = float(flux_of(choke, np.array([mean]))[0]) - float(np.trapezoid(moved, time)) / time[-1]
    # so far off, all of the flux linkage lies on one side of the mean current's
    reach = float(np.ptp(moved)) + FLUX_TOLERANCE * abs(centre)
    offset = brentq(
        lambda flux: mean_of(choke_course(choke, time, moved + flux)) - mean, centre - reach, centre + reach,
        xtol=FLUX_TOLERANCE * reach,
    )  # fmt: skip
    return choke_course(choke, time, moved + offset)


def discontinuous_course(choke: Choke, period: float, on: tuple[float, float], fall: float) -> Course:
    """Current that rises from zero for ``on`` [s], [V], falls at ``fall`` [V], then rests; fits in the period."""
    seconds, volts = on
    flux = seconds * volts
    time = np.array([0.0, seconds, min(seconds + flux / fall, period), period])
    return choke_course(choke, time, np.array([0.0, flux, 0.0, 0.0]))


def with_core(course: Course, pieces: Sequence[tuple[float, float]], resistance: float) -> Course:
    """A choke's course with the current of a resistance beside it, under a constant voltage in each piece.

    Parameters
    ----------
    pieces : duration [s] and voltage across the choke [V], from the period's begin;  resistance : [ohm]
    """
    times, values, begin = [], [], 0.0
    rest = course.period - sum(duration for duration, _ in pieces)
    for duration, volts in (*pieces, (rest, 0.0)):
        end = min(begin + duration, course.period)
        if end <= begin:
            continue
        inside = (course.time > begin) & (course.time < end)
        first, last = course.once(begin), course.once(end, before=True)
        times.append(np.concatenate(([begin], course.time[inside], [end])))
        values.append(np.concatenate(([first], course.value[inside], [last])) + volts / resistance)
        begin = end
    return Course(np.concatenate(times), np.concatenate(values))


def discontinuous_on_time(choke: Choke, period: float, rise: float, fall: float, mean: float) -> float:
    """How long [s] a current must rise from zero at ``rise`` [V] for a mean [A] over the period, falling at ``fall``.

    Linear: mean = rise t^2 (1 + rise / fall) / (2 L T). A choke that saturates takes more current from the same flux;
    its time is halved upon.
    """
    high = math.sqrt(2 * choke.inductance * period * mean / (rise * (1 + rise / fall)))
    knee = choke.saturation_current
    if not choke.saturates or knee is None or rise * high <= choke.inductance * knee:
        return high
    low = 0.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if triangle_mean(choke, middle * rise) * middle * (1 + rise / fall) / period < mean:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def triangle_mean(choke: Choke, flux: float) -> float:
    """Mean current [A] while the flux linkage goes straight from zero to ``flux`` [Vs]."""
    knee, beyond = choke.saturation_current or math.inf, choke.saturated_inductance or choke.inductance
    at_knee = choke.inductance * knee
    if flux <= at_knee:
        return 0.5 * flux / choke.inductance
    over = flux - at_knee
    return (0.5 * knee * at_knee + knee * over + 0.5 * over**2 / beyond) / flux


def diode_tangent_of(diode: Diode, current: float) -> tuple[float, float]:
    """Threshold [V] and resistance [ohm] of the line that touches a diode place's curve at its whole current [A]."""
    emission = diode_emission(diode.forward_voltage, diode.forward_test_current, diode.slope_resistance)
    saturation = diode_saturation_current(
        diode.forward_voltage, diode.forward_test_current, diode.slope_resistance, emission
    )
    threshold, slope = diode_tangent(current / diode.parallel, saturation, diode.slope_resistance, emission)
    return threshold, slope / diode.parallel


def body_tangent(switch: Switch, current: float) -> tuple[float, float]:
    """The same of a switch place's body diodes."""
    drop, ohmic = switch.body_diode_voltage, switch.body_diode_slope
    emission = diode_emission(drop, BODY_TEST_CURRENT, ohmic)
    saturation = diode_saturation_current(drop, BODY_TEST_CURRENT, ohmic, emission)
    threshold, slope = diode_tangent(current / switch.parallel, saturation, ohmic, emission)
    return threshold, slope / switch.parallel


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where the search for the steady state begins.

    Parameters
    ----------
    duties : of the gates, one each rail (one for a corrector);  frequency : [Hz]
    choke_currents : of every leg where the period is cut, in the stage's own order [A]
    choke_scales : of every leg, mean or half the swing, whichever is larger [A]
    feed_current : mean [A];  input_voltage : mean [V];  output_voltages : means [V]
    """

    duties: tuple[float, ...]
    frequency: float
    choke_currents: tuple[float, ...]
    choke_scales: tuple[float, ...]
    feed_current: float
    input_voltage: float
    output_voltages: tuple[float, ...]
