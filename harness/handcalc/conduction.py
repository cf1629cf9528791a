"""The capacitor-input rectifier solved piece by piece in closed form.

While a diode path conducts, source, resistance, inductance, capacitor and a straight-line load form a linear circuit;
its exact solution is a matrix exponential. While it blocks, the capacitor feeds the load alone. The pieces are joined
where current or voltage crosses zero. Schade solved the case without inductance and with a resistive load by
graphs; the same pieces are used here with both.

References
----------
.. [1] O. H. Schade, Analysis of Rectifier Operation, Proc. IRE 31, July 1943, pp. 341-361 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import expm

from harness.contracts import FloatArray

STEPS_PER_HALF_PERIOD = 400
STEADY_TOLERANCE = 1e-5  # of the source's peak, from one charge to the next; crossings are read to about 1e-6
READING_ERROR = 1e-4  # of the source's peak: excess left where a straight line reads the end of conduction
MOST_CHARGES = 400
MOST_CHARGES_PER_PERIOD = 3


@dataclass(frozen=True, slots=True)
class Circuit:
    """A lumped rectifier.

    Parameters
    ----------
    source_peak : [V];  frequency : [Hz], 0 for a dc supply
    full_wave : two charges a period
    resistance, inductance : all of the path from source to capacitor, ESR not included [ohm], [H]
    threshold : sum of the straight-line diode thresholds in the path [V]
    capacitance, esr : of the whole bulk [F], [ohm]
    load_current, load_conductance : load = load_current + load_conductance x bulk voltage [A], [S]
    """

    source_peak: float
    frequency: float
    full_wave: bool
    resistance: float
    inductance: float
    threshold: float
    capacitance: float
    esr: float
    load_current: float = 0.0
    load_conductance: float = 0.0


@dataclass(frozen=True, slots=True)
class Course:
    """Time [s], line current magnitude [A], bulk voltage [V] and load current [A]; shape (n,) each."""

    time: FloatArray
    current: FloatArray
    bulk: FloatArray
    load: FloatArray


class Pieces:
    """Closed-form pieces of one circuit; a state is (line current, capacitor voltage) at an angle of the line."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.omega = 2 * math.pi * circuit.frequency
        half_period = 0.5 / circuit.frequency if circuit.frequency else self._natural_time()
        self.step = half_period / STEPS_PER_HALF_PERIOD
        self._powers = self._powers_of_step()

    def _natural_time(self) -> float:
        """For a dc supply: long enough for the first current pulse to end."""
        c = self.circuit
        resistance = c.resistance + c.esr
        return 2 * math.pi * math.sqrt(c.inductance * c.capacitance) + 4 * resistance * c.capacitance

    def _powers_of_step(self) -> FloatArray:
        """exp(A step)^k for k = 0 ... two half periods; state (i, v_c, sin, cos, 1)."""
        c = self.circuit
        divider = 1 / (1 + c.esr * c.load_conductance)  # bulk = (v_c + esr (i - load_current)) divider
        a = np.zeros((5, 5))
        a[0, 0] = -(c.resistance + c.esr * divider) / c.inductance
        a[0, 1] = -divider / c.inductance
        a[0, 2] = c.source_peak / c.inductance
        a[0, 4] = (-c.threshold + c.esr * c.load_current * divider) / c.inductance
        a[1, 0] = (1 - c.load_conductance * c.esr * divider) / c.capacitance
        a[1, 1] = -c.load_conductance * divider / c.capacitance
        a[1, 4] = -c.load_current * divider / c.capacitance
        a[2, 3], a[3, 2] = self.omega, -self.omega
        powers = np.empty((2 * STEPS_PER_HALF_PERIOD + 1, 5, 5))
        powers[0], powers[1] = np.eye(5), expm(a * self.step)
        filled = 2
        while filled < len(powers):  # powers[n + k] = powers[n] powers[k], doubling what is known
            more = min(filled - 1, len(powers) - filled)
            powers[filled : filled + more] = powers[filled - 1] @ powers[1 : more + 1]
            filled += more
        return powers

    def bulk_voltage(self, current: FloatArray, capacitor: FloatArray) -> FloatArray:
        """Bulk voltage of states, across capacitance and ESR together."""
        c = self.circuit
        bulk: FloatArray = (capacitor + c.esr * (current - c.load_current)) / (1 + c.esr * c.load_conductance)
        return bulk

    def conduct(self, angle: float, capacitor: float) -> tuple[Course, float, float]:
        """From the start of conduction at a line angle [rad] to its end.

        Returns
        -------
        course, angle at the end [rad], capacitor voltage at the end [V]
        """
        state = np.array([0.0, capacitor, math.sin(angle), math.cos(angle), 1.0])
        states = self._powers @ state
        current, voltage = states[:, 0], states[:, 1]
        ended = np.nonzero(current[2:] <= 0)[0]
        last = int(ended[0]) + 2 if ended.size else len(current) - 1
        fraction = current[last - 1] / (current[last - 1] - current[last]) if ended.size else 1.0
        time = np.append(np.arange(last) * self.step, (last - 1 + fraction) * self.step)
        i = np.append(current[:last], 0.0 if ended.size else current[last])
        v = np.append(voltage[:last], voltage[last - 1] + fraction * (voltage[last] - voltage[last - 1]))
        i[0] = 0.0
        return self._course(time, np.maximum(i, 0.0), v), angle + self.omega * time[-1], float(v[-1])

    def block(self, angle: float, capacitor: float) -> tuple[Course, float, float] | None:
        """From the end of conduction to the next start, as ``conduct`` returns it; None where no charge follows
        within a period (the source stays below the capacitor, or it is a dc supply)."""
        c = self.circuit
        if self.omega == 0:
            return None
        time: FloatArray = np.arange(0, 4 * STEPS_PER_HALF_PERIOD + 1, dtype=np.float64) * self.step
        voltage = self._discharge(capacitor, time)
        sine = np.sin(angle + self.omega * time)
        source = c.source_peak * (np.abs(sine) if c.full_wave else sine)
        excess = source - c.threshold - self.bulk_voltage(np.zeros_like(voltage), voltage)
        rising = np.nonzero((excess[1:] > 0) & (excess[:-1] <= 0))[0]
        if excess[0] > READING_ERROR * c.source_peak:  # only after a charge cut short by the other half wave
            return self._course(time[:1], np.zeros(1), voltage[:1]), angle, capacitor
        if rising.size == 0:
            return None
        first = int(rising[0])
        fraction = -excess[first] / (excess[first + 1] - excess[first])
        instant = time[first] + fraction * self.step
        kept: FloatArray = np.append(time[: first + 1], instant)
        end = float(self._discharge(capacitor, np.array([instant]))[0])
        course = self._course(kept, np.zeros_like(kept), np.append(voltage[: first + 1], end))
        next_angle = angle + self.omega * instant
        folded = math.fmod(next_angle, math.pi if c.full_wave else 2 * math.pi)
        return course, folded, end

    def _discharge(self, capacitor: float, time: FloatArray) -> FloatArray:
        c = self.circuit
        drain = c.load_current / (1 + c.esr * c.load_conductance)
        rate = c.load_conductance / (1 + c.esr * c.load_conductance) / c.capacitance
        if abs(rate) * float(time[-1]) < 1e-9:
            return capacitor - drain * time / c.capacitance
        settled = drain / (rate * c.capacitance)
        voltage: FloatArray = (capacitor + settled) * np.exp(-rate * time) - settled
        return voltage

    def _course(self, time: FloatArray, current: FloatArray, capacitor: FloatArray) -> Course:
        bulk = self.bulk_voltage(current, capacitor)
        load = self.circuit.load_current + self.circuit.load_conductance * bulk
        return Course(time, current, bulk, load)


@lru_cache(maxsize=64)
def pieces_of(circuit: Circuit) -> Pieces:
    """Pieces of a circuit, kept for the next switch-on angle of the same one."""
    return Pieces(circuit)


def steady_period(circuit: Circuit, capacitor_start: float) -> tuple[Course, float]:
    """One settled charge and discharge, and the line angle [rad] at which the charge begins.

    With little resistance a charge can end before the crest and a second one follow in the same half wave; the course
    then holds both.

    Raises
    ------
    ArithmeticError : the rectifier does not settle: the source never charges the capacitor
    """
    pieces = pieces_of(circuit)
    angle, capacitor = math.pi / 2, capacitor_start
    ends: list[tuple[float, float]] = []
    charges: list[tuple[float, Course, Course]] = []  # start angle, blocking before it, the charge
    for _ in range(MOST_CHARGES):
        blocked = pieces.block(angle, capacitor)
        if blocked is None:
            raise ArithmeticError("the source never charges the capacitor")
        blocking, start, at_start = blocked
        conducting, angle, capacitor = pieces.conduct(start, at_start)
        ends.append((angle, capacitor))
        charges.append((start, blocking, conducting))
        repeated = _repeats_after(ends, circuit.source_peak)
        if repeated:
            settled = charges[-repeated:]
            first = min(range(repeated), key=lambda index: settled[index][0])
            ordered = settled[first:] + settled[:first]
            # each charge is followed by the blocking that leads to the next one
            parts = [
                part for index in range(repeated) for part in (ordered[index][2], ordered[(index + 1) % repeated][1])
            ]
            return _joined(parts), ordered[0][0]
    raise ArithmeticError("the rectifier does not settle")


def _repeats_after(ends: list[tuple[float, float]], peak: float) -> int:
    """Number of charges after which state and angle repeat; 0 where they do not yet."""
    for number in range(1, min(MOST_CHARGES_PER_PERIOD, len(ends) - 1) + 1):
        (angle, capacitor), (before, earlier) = ends[-1], ends[-1 - number]
        if abs(capacitor - earlier) < STEADY_TOLERANCE * peak and abs(angle - before) < 1e-2:
            return number
    return 0


def _joined(parts: list[Course]) -> Course:
    """Courses one after the other."""
    offsets = np.cumsum([0.0] + [float(part.time[-1]) for part in parts[:-1]])
    return Course(
        np.concatenate([offset + part.time for offset, part in zip(offsets, parts, strict=True)]),
        np.concatenate([part.current for part in parts]),
        np.concatenate([part.bulk for part in parts]),
        np.concatenate([part.load for part in parts]),
    )
