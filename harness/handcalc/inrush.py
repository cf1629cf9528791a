"""Inrush calculated step by step, for all switch-on angles at once.

One loop of source, resistance, thermistor, inductance, straight-line diodes and capacitor. In each step the current
follows from the loop's equation by the trapezoidal rule (by the implicit Euler rule where the inductance is too small
for it), the capacitor takes the mean current, and the thermistor takes its own loss. No closed form exists, since the
thermistor's resistance falls while it absorbs the charge: with a large bulk that makes a later peak the highest and
an angle before the crest the worst.
"""

from __future__ import annotations

import math
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
    threshold : of all diodes in the path [V];  capacitance : of the whole bulk [F]
    r25, b_value, dissipation, heat_capacity : of the thermistor [ohm], [K], [W/K], [J/K]; r25 = 0: none
    ambient, thermistor_start : [degC];  bulk_start : [V]
    """

    source_peak: float
    frequency: float
    full_wave: bool
    resistance: float
    inductance: float
    threshold: float
    capacitance: float
    esr: float
    r25: float = 0.0
    b_value: float = 0.0
    dissipation: float = 0.0
    heat_capacity: float = 1.0
    ambient: float = 25.0
    thermistor_start: float = 25.0
    bulk_start: float = 0.0


@dataclass(frozen=True, slots=True)
class Inrush:
    """What each switch-on angle leads to; arrays of the shape of ``angles``.

    Parameters
    ----------
    angles : of the line when it is applied [rad]
    peak : largest current [A];  i2t : [A2s];  bulk : highest voltage across capacitance and ESR [V]
    warm : thermistor's temperature at the end [degC]
    duration : until no angle charges the bulk by more than the threshold in a half period [s]
    """

    angles: FloatArray
    peak: FloatArray
    i2t: FloatArray
    bulk: FloatArray
    warm: FloatArray
    duration: float


def inrush_course(loop: Loop, angles: FloatArray, settled_rise: float) -> Inrush:
    """Steps from switching on until a half period raises the bulk by less than ``settled_rise`` [V].

    A half wave skips every second half period, so two quiet ones in a row end it. A dc supply gives one pulse.
    """
    march = _March(loop, angles)
    if loop.frequency == 0:
        time = math.pi * math.sqrt(loop.inductance * loop.capacitance)
        time += 8 * (loop.resistance + march.thermistor().max()) * loop.capacitance
        march.advance(np.full(STEPS_OF_A_PULSE, time / STEPS_OF_A_PULSE))
        return march.result(time)
    half_period = 0.5 / loop.frequency
    quiet = 0
    number = 0
    while number < MOST_HALF_PERIODS and quiet < (1 if loop.full_wave else 2):
        before = march.capacitor.copy()
        march.advance(_growing_steps(loop, half_period) if number == 0 else np.full(STEPS, half_period / STEPS))
        number += 1
        quiet = quiet + 1 if float(np.max(march.capacitor - before)) < settled_rise else 0
    return march.result(number * half_period)


def _growing_steps(loop: Loop, half_period: float) -> FloatArray:
    """Lengths of the first half period's steps [s]: short at the jump of switch-on, then growing to the usual ones."""
    largest = half_period / STEPS
    step = min(FIRST_STEP * loop.inductance / (loop.resistance + loop.r25), largest)
    step = max(step, 1e-3 * largest)
    steps: list[float] = []
    total = 0.0
    while total < half_period:
        step = min(step, half_period - total)
        steps.append(step)
        total += step
        step = min(step * STEP_GROWTH, largest)
    return np.array(steps)


class _March:
    """State of the loop at every angle, and what has been seen so far."""

    def __init__(self, loop: Loop, angles: FloatArray) -> None:
        self.loop = loop
        self.angles = angles
        self.time = 0.0
        self.current = np.zeros_like(angles)
        self.capacitor = np.full_like(angles, loop.bulk_start)
        self.warm = np.full_like(angles, loop.thermistor_start)
        self.peak = np.zeros_like(angles)
        self.i2t = np.zeros_like(angles)
        self.bulk = self.capacitor

    def thermistor(self) -> FloatArray:
        """Resistance at each angle's temperature [ohm]."""
        if self.loop.r25 == 0:
            return np.zeros_like(self.angles)
        kelvin = np.minimum(self.warm, HOTTEST) - ABSOLUTE_ZERO
        resistance: FloatArray = self.loop.r25 * np.exp(self.loop.b_value * (1 / kelvin - 1 / NTC_REFERENCE))
        return resistance

    def source(self, time: float) -> FloatArray:
        """Source voltage less diode thresholds, as the rectifier passes it on [V]."""
        loop = self.loop
        sine = np.sin(2 * math.pi * loop.frequency * time + self.angles)
        passed: FloatArray = loop.source_peak * (np.abs(sine) if loop.full_wave else sine) - loop.threshold
        return passed

    def advance(self, steps: FloatArray) -> None:
        """Steps of given lengths [s]."""
        loop = self.loop
        voltage = self.source(self.time)
        for step in steps:
            thermistor = self.thermistor()
            resistance = loop.resistance + thermistor
            # weight of the new value in the step's mean: 1/2 is the trapezoidal rule, 1 the implicit Euler rule
            weight = np.where(loop.inductance > resistance * step, 0.5, 1.0)
            next_voltage = self.source(self.time + step)
            driving = weight * next_voltage + (1 - weight) * voltage - self.capacitor
            feedback = step / (2 * loop.capacitance)
            old = self.current * (loop.inductance / step - (1 - weight) * resistance - weight * feedback)
            new = loop.inductance / step + weight * (resistance + feedback)
            following = np.maximum((old + driving) / new, 0.0)
            square = 0.5 * (self.current**2 + following**2) * step
            self.capacitor = self.capacitor + step * 0.5 * (self.current + following) / loop.capacitance
            if loop.r25:
                lost = loop.dissipation * (self.warm - loop.ambient) * step
                self.warm = self.warm + (square * thermistor - lost) / loop.heat_capacity
            self.i2t = self.i2t + square
            self.peak = np.maximum(self.peak, following)
            self.bulk = np.maximum(self.bulk, self.capacitor + loop.esr * following)
            self.current, voltage, self.time = following, next_voltage, self.time + step

    def result(self, duration: float) -> Inrush:
        """What was seen."""
        return Inrush(self.angles, self.peak, self.i2t, self.bulk, self.warm, duration)
