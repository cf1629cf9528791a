"""Inrush calculated step by step, for all switch-on angles at once.

One loop of source, resistance, thermistor, inductance, straight-line diodes and capacitor. In each step the current
follows from the loop's equation by the trapezoidal rule (by the implicit Euler rule where the inductance is too small
for it), the capacitor takes the mean current, and the thermistor takes its own loss. No closed form exists, since the
thermistor's resistance falls while it absorbs the charge: with a large bulk that makes a later peak the highest and
an angle before the crest the worst.
"""

from __future__ import annotations

import dataclasses
import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.contracts import FloatArray
from netlists.formulas import ABSOLUTE_ZERO, NTC_REFERENCE

STEPS = 200  # a half period
FIRST_STEP = 0.05  # of inductance over resistance: the jump at switch-on is resolved, then steps grow
STEP_GROWTH = 1.05
MOST_HALF_PERIODS = 200
STEPS_OF_A_PULSE = 4000  # of the single pulse from a dc supply
HOTTEST = 500.0  # the thermistor law is clamped here [degC]


@dataclass(frozen=True, slots=True)
class Loop:
    """The loop inrush flows in.

    Parameters
    ----------
    source_peak : [V];  frequency : [Hz], 0 for a dc supply;  full_wave : both half waves charge
    resistance, inductance : of all but the thermistor, ESR included [ohm], [H];  esr : of the bulk alone [ohm]
    angles : of the line when it is applied [rad]
    threshold : of all diodes in the path [V];  capacitance : of the whole bulk [F]
    r25, b_value, dissipation, heat_capacity : of the thermistor [ohm], [K], [W/K], [J/K]; r25 = 0: none
    ambient, thermistor_start : [degC];  bulk_start : [V]
    choke, saturated_choke : inductance of a boost choke in the loop below and above its knee [H];  choke_knee : [A]
    """

    source_peak: float
    frequency: float
    full_wave: bool
    resistance: float
    inductance: float
    threshold: float
    capacitance: float
    esr: float
    angles: tuple[float, ...] = ()
    r25: float = 0.0
    b_value: float = 0.0
    dissipation: float = 0.0
    heat_capacity: float = 1.0
    ambient: float = 25.0
    thermistor_start: float = 25.0
    bulk_start: float = 0.0
    choke: float = 0.0
    saturated_choke: float = 0.0
    choke_knee: float = math.inf


@dataclass(frozen=True, slots=True)
class Inrush:
    """What each switch-on angle leads to; arrays of the shape of the angles.

    Parameters
    ----------
    peak : largest current [A];  i2t : [A2s];  bulk : highest voltage across capacitance and ESR [V]
    warm : thermistor's temperature at the end [degC]
    half_period : [s]; of a dc supply, the length of its one pulse
    rises : largest rise of the bulk over all angles in each half period [V]
    """

    peak: FloatArray
    i2t: FloatArray
    bulk: FloatArray
    warm: FloatArray
    half_period: float
    rises: tuple[float, ...]

    def duration(self, rise: float) -> float:
        """Until a half period adds less than ``rise`` [V] [s]; a half wave skips every second one, so two in a row."""
        for number in range(1, len(self.rises)):
            if self.rises[number - 1] < rise and self.rises[number] < rise:
                return number * self.half_period
        return len(self.rises) * self.half_period


_courses: OrderedDict[tuple[Loop, float], Inrush] = OrderedDict()
MOST_COURSES = 5000  # kept; one takes about 1 kB


def inrush_course(loop: Loop, settled_rise: float) -> Inrush:
    """Steps from switching on until a half period adds less than ``settled_rise`` [V]."""
    key = (loop, settled_rise)
    if key not in _courses:
        prepare([key])
    return _courses[key]


def prepare(asked: Sequence[tuple[Loop, float]]) -> None:
    """Calculates loops of one frequency side by side, each to its own settled rise [V], for ``inrush_course`` to find.

    Many take as long as one. The steps of the first half period are those of the fastest loop among them.
    """
    wanted = [key for key in dict.fromkeys(asked) if key not in _courses]
    for frequency in {loop.frequency for loop, _ in wanted}:
        together = [key for key in wanted if key[0].frequency == frequency]
        for key, course in zip(together, _march(together), strict=True):
            _courses[key] = course
    while len(_courses) > max(MOST_COURSES, 2 * len(wanted)):
        _courses.popitem(last=False)


def _march(asked: Sequence[tuple[Loop, float]]) -> list[Inrush]:
    loops = [loop for loop, _ in asked]
    march = _March(loops)
    frequency = loops[0].frequency
    if frequency == 0:
        time = max(_pulse_length(loop) for loop in loops)
        march.advance(np.full(STEPS_OF_A_PULSE, time / STEPS_OF_A_PULSE))
        return [march.result(index, time, (math.inf,)) for index in range(len(loops))]
    half_period = 0.5 / frequency
    results: list[Inrush | None] = [None] * len(loops)
    rises: list[list[float]] = [[] for _ in loops]
    for number in range(1, MOST_HALF_PERIODS + 1):
        before = march.capacitor
        march.advance(_growing_steps(loops, half_period) if number == 1 else np.full(STEPS, half_period / STEPS))
        gained = np.max(march.capacitor - before, axis=1)
        last = number == MOST_HALF_PERIODS
        for index in range(len(loops)):
            rises[index].append(float(gained[index]))
            quiet = len(rises[index]) > 1 and max(rises[index][-2:]) < asked[index][1]
            if results[index] is None and (quiet or last):  # what others still do does not change this one
                results[index] = march.result(index, half_period, tuple(rises[index]))
        if all(result is not None for result in results):
            break
    return [result for result in results if result is not None]


def _pulse_length(loop: Loop) -> float:
    resistance = loop.resistance + loop.r25 * 4  # colder than 25 degC it is higher
    return math.pi * math.sqrt((loop.inductance + loop.choke) * loop.capacitance) + 8 * resistance * loop.capacitance


def _growing_steps(loops: Sequence[Loop], half_period: float) -> FloatArray:
    """Lengths of the first half period's steps [s]: short at the jump of switch-on, then growing to the usual ones."""
    largest = half_period / STEPS
    fastest = min(loop.inductance / (loop.resistance + loop.r25) for loop in loops)
    step = max(min(FIRST_STEP * fastest, largest), 1e-3 * largest)
    steps: list[float] = []
    total = 0.0
    while total < half_period:
        step = min(step, half_period - total)
        steps.append(step)
        total += step
        step = min(step * STEP_GROWTH, largest)
    return np.array(steps)


class _March:
    """State of loops (rows) at every switch-on angle (columns), and what has been seen so far."""

    def __init__(self, loops: Sequence[Loop]) -> None:
        def column(name: str) -> FloatArray:
            return np.array([[float(getattr(loop, name))] for loop in loops])

        self.has_thermistor = any(loop.r25 for loop in loops)
        self.has_choke = any(loop.choke for loop in loops)
        self.values = {field.name: column(field.name) for field in dataclasses.fields(Loop) if field.name != "angles"}
        self.angles = np.array([loop.angles for loop in loops])
        self.time = 0.0
        shape = self.angles.shape
        self.current, self.peak, self.i2t = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        self.capacitor: FloatArray = np.broadcast_to(self.values["bulk_start"], shape).copy()
        self.warm: FloatArray = np.broadcast_to(self.values["thermistor_start"], shape).copy()
        self.bulk: FloatArray = self.capacitor

    def thermistor(self) -> FloatArray:
        """Resistance at each temperature [ohm]."""
        v = self.values
        kelvin = np.minimum(self.warm, HOTTEST) - ABSOLUTE_ZERO
        resistance: FloatArray = v["r25"] * np.exp(v["b_value"] * (1 / kelvin - 1 / NTC_REFERENCE))
        return resistance

    def source(self, time: float) -> FloatArray:
        """Source voltage less diode thresholds, as the rectifier passes it on [V]."""
        v = self.values
        sine = np.sin(2 * math.pi * v["frequency"] * time + self.angles)
        passed: FloatArray = v["source_peak"] * np.where(v["full_wave"] > 0, np.abs(sine), sine) - v["threshold"]
        return passed

    def advance(self, steps: FloatArray) -> None:
        """Steps of given lengths [s]."""
        v = self.values
        voltage = self.source(self.time)
        for step in steps:
            thermistor = self.thermistor() if self.has_thermistor else 0.0
            resistance = v["resistance"] + thermistor
            inductance = v["inductance"]
            if self.has_choke:
                inductance = inductance + np.where(self.current < v["choke_knee"], v["choke"], v["saturated_choke"])
            # weight of the new value in the step's mean: 1/2 is the trapezoidal rule, 1 the implicit Euler rule
            weight = np.where(inductance > resistance * step, 0.5, 1.0)
            next_voltage = self.source(self.time + step)
            driving = weight * next_voltage + (1 - weight) * voltage - self.capacitor
            feedback = step / (2 * v["capacitance"])
            old = self.current * (inductance / step - (1 - weight) * resistance - weight * feedback)
            following = np.maximum((old + driving) / (inductance / step + weight * (resistance + feedback)), 0.0)
            square = 0.5 * (self.current**2 + following**2) * step
            self.capacitor = self.capacitor + step * 0.5 * (self.current + following) / v["capacitance"]
            if self.has_thermistor:
                lost = v["dissipation"] * (self.warm - v["ambient"]) * step
                self.warm = self.warm + (square * thermistor - lost) / v["heat_capacity"]
            self.i2t = self.i2t + square
            self.peak = np.maximum(self.peak, following)
            self.bulk = np.maximum(self.bulk, self.capacitor + v["esr"] * following)
            self.current, voltage, self.time = following, next_voltage, self.time + float(step)

    def result(self, index: int, half_period: float, rises: tuple[float, ...]) -> Inrush:
        """What one loop has seen."""
        return Inrush(self.peak[index], self.i2t[index], self.bulk[index], self.warm[index], half_period, rises)
