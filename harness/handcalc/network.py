"""What banks of capacitors make of a periodic current: ripple at their node, and the current of each.

The current's harmonics are exact integrals of its straight pieces; each meets the impedance of all branches side by
side. At high harmonics that impedance is a resistance and an inductance, so their shares, R i and L di/dt, are added in
time as they are; only the rest, which falls with the cube of the order (the square where the current jumps), is summed.
So a step or a corner shows no overshoot of a series cut short. Chosen over a state-space solution because many branches
cost nothing more and interleaving only picks orders out. An inductance's impulse on a jump of the current is left out:
a jump has no duration here; ``commutation`` knows it.

Behind the first node further ones may follow along ways in series (``Node``, ``Way``); what reaches them is a response,
found from the far end inwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from harness.contracts import FloatArray
from harness.handcalc.switching_waveform import Course, mean_of, rms_of
from netlists.stages.banks import Bank

ComplexArray = NDArray[np.complex128]
Response = Callable[[FloatArray], ComplexArray]  # angular frequencies > 0 [rad/s] -> a transfer at each
FAR_ABOVE = 1e6  # times the last order summed: where a response is what it comes to
ORDERS = 1024  # harmonics summed; what lies beyond is in the shares added in time
GRID = 4096  # instants a period is looked at, besides the current's corners


@dataclass(frozen=True, slots=True)
class Branch:
    """Resistance, inductance and capacitance in series to ground; no capacitance: to an ideal source [ohm, H, F]."""

    resistance: float
    inductance: float = 0.0
    capacitance: float | None = None

    def admittance(self, omega: FloatArray) -> ComplexArray:
        """At angular frequencies > 0 [S]."""
        impedance = self.resistance + 1j * omega * self.inductance
        if self.capacitance is not None:
            impedance = impedance + 1 / (1j * omega * self.capacitance)
        return np.asarray(1 / impedance)


def branch_of(bank: Bank) -> Branch:
    """All pieces of a bank as one branch."""
    share = bank.parallel / bank.series
    return Branch(bank.esr / share, (bank.esl or 0.0) / share, bank.capacitance * share)


@dataclass(frozen=True, slots=True)
class Load:
    """Copper from a bank to its load [ohm, H], the load [ohm], and capacitors beside the load."""

    copper_resistance: float
    copper_inductance: float
    load: float
    beside: tuple[Branch, ...] = ()

    def at_load(self, omega: FloatArray) -> ComplexArray:
        """Impedance of load and capacitors [ohm]."""
        total = sum((b.admittance(omega) for b in self.beside), np.full(omega.size, 1 / self.load, dtype=np.complex128))
        return np.asarray(1 / total)

    def admittance(self, omega: FloatArray) -> ComplexArray:
        """Of all of it [S]."""
        return np.asarray(1 / (self.copper_resistance + 1j * omega * self.copper_inductance + self.at_load(omega)))

    @property
    def settled_load(self) -> float:
        """Impedance of load and capacitors at very high frequency [ohm]."""
        return 1 / (1 / self.load + sum(1 / b.resistance for b in self.beside))

    @property
    def resistance(self) -> float:
        """At very high frequency [ohm]."""
        return self.copper_resistance + self.settled_load

    @property
    def inductance(self) -> float:
        """At very high frequency [H]."""
        return self.copper_inductance


@dataclass(frozen=True, slots=True)
class Node:
    """A node behind the first: branches from it to ground, and ways that lead on from it."""

    shunts: tuple[Branch, ...]
    ways: tuple[Way, ...] = ()

    def admittance(self, omega: FloatArray) -> ComplexArray:
        """Of all that hangs on it [S]."""
        return _total((*self.shunts, *self.ways), omega)


@dataclass(frozen=True, slots=True)
class Way:
    """Resistance [ohm] and inductance [H] in series from one node to another, which has something on it."""

    series_resistance: float
    series_inductance: float
    end: Node

    def passed(self, omega: FloatArray) -> ComplexArray:
        """Voltage at its end over that at its begin."""
        series = self.series_resistance + 1j * omega * self.series_inductance
        return np.asarray(1 / (1 + series * self.end.admittance(omega)))

    def admittance(self, omega: FloatArray) -> ComplexArray:
        """Of it and all behind it [S]."""
        return np.asarray(self.end.admittance(omega) * self.passed(omega))

    @property
    def resistance(self) -> float:
        """At very high frequency [ohm]."""
        return self.series_resistance + high_frequency((*self.end.shunts, *self.end.ways))[0]

    @property
    def inductance(self) -> float:
        """At very high frequency [H]."""
        return self.series_inductance + high_frequency((*self.end.shunts, *self.end.ways))[1]


class AnyBranch(Protocol):
    """What hangs on a node: its admittance, and what it comes to at very high frequency [ohm], [H]."""

    @property
    def resistance(self) -> float: ...

    @property
    def inductance(self) -> float: ...

    def admittance(self, omega: FloatArray) -> ComplexArray: ...


def high_frequency(branches: Sequence[AnyBranch]) -> tuple[float, float]:
    """Resistance [ohm] and inductance [H] that branches in parallel come to at very high frequency."""
    bare = [1 / b.resistance for b in branches if b.inductance == 0]
    if bare:
        return 1 / sum(bare), 0.0
    inductance = 1 / sum(1 / b.inductance for b in branches)
    return sum(b.resistance * (inductance / b.inductance) ** 2 for b in branches), inductance


def _total(branches: Sequence[AnyBranch], omega: FloatArray) -> ComplexArray:
    return np.asarray(np.sum([b.admittance(omega) for b in branches], axis=0))


def harmonics(course: Course, step: int, most: int) -> ComplexArray:
    """Fourier coefficients c_n = (1/T) int i exp(-j n w t) dt of a course, exact, of orders step, 2 step .. <= most."""
    period = course.period
    orders = np.arange(step, most + 1, step, dtype=np.float64)
    j_omega = 2j * math.pi * orders / period
    first, last = course.value[:-1], course.value[1:]
    span = np.diff(course.time)
    live = span > 0
    slope = np.divide(last - first, span, out=np.zeros_like(span), where=live)
    by_value, by_slope = np.zeros(course.time.size), np.zeros(course.time.size)
    by_value[:-1] += np.where(live, first, 0.0)
    by_value[1:] -= np.where(live, last, 0.0)
    by_slope[:-1] += slope
    by_slope[1:] -= slope
    used = (by_value != 0) | (by_slope != 0)
    turns = _powers(step * course.time[used] / period, orders.size)
    # no matrix product: its threads wait for each other longer than so few numbers take
    weighted = [np.sum(turns * weight[used], axis=1) for weight in (by_value, by_slope)]
    return np.asarray((weighted[0] + weighted[1] / j_omega) / (j_omega * period))


def _powers(turns: FloatArray, most: int) -> ComplexArray:
    """exp(-2 pi j k turns) for k = 1 .. most, shape (most, n); few exponentials, the others as their products."""
    block = math.isqrt(most) + 1
    fine = np.exp(-2j * math.pi * np.arange(1, block + 1)[:, None] * turns)
    coarse = np.exp(-2j * math.pi * block * np.arange(block)[:, None] * turns)
    return np.asarray((coarse[:, None, :] * fine[None, :, :]).reshape(-1, turns.size)[:most])


def train(course: Course, phases: int, angle: float = 0.0) -> ComplexArray:
    """Coefficients of orders 0 to ORDERS of ``phases`` equal courses evenly spaced, the first delayed by a share."""
    orders = np.arange(phases, ORDERS + 1, phases, dtype=np.float64)
    found = np.zeros(ORDERS + 1, dtype=np.complex128)
    found[phases::phases] = phases * harmonics(course, phases, ORDERS) * np.exp(-2j * math.pi * orders * angle)
    found[0] = phases * mean_of(course)
    return found


@dataclass(frozen=True, slots=True)
class Transfer:
    """What follows the node: a complex factor at each order, shape (ORDERS,), and what Z times it comes to at the end.

    ``resistance`` [ohm] replaces the node's own resistance at high frequency; a low pass leaves no inductance.
    """

    factor: ComplexArray
    resistance: float


def angular(period: float) -> FloatArray:
    """Angular frequencies of orders 1 to ORDERS [rad/s]."""
    return np.arange(1, ORDERS + 1, dtype=np.float64) * (2 * math.pi / period)


def probe_transfer(branches: Sequence[AnyBranch], load: Load, period: float, bandwidth: float) -> Transfer:
    """From a bank's node to its load, read through a first-order low pass of a bandwidth [Hz]."""
    omega, corner = angular(period), 2 * math.pi * bandwidth
    factor = load.at_load(omega) * load.admittance(omega) / (1 + 1j * omega / corner)
    passed = 0.0 if load.copper_inductance > 0 else load.settled_load / load.resistance
    return Transfer(factor, high_frequency(branches)[1] * corner * passed)


def voltage_response(branches: Sequence[AnyBranch], path: Sequence[Way] = ()) -> Response:
    """Voltage over the current into the first node [ohm], at the end of a path of ways that begins there."""

    def response(omega: FloatArray) -> ComplexArray:
        found = 1 / _total(branches, omega)
        for way in path:
            found = found * way.passed(omega)
        return np.asarray(found)

    return response


def current_response(branches: Sequence[AnyBranch], path: Sequence[Way], element: Branch | Way) -> Response:
    """Current of a branch or way that begins at the end of a path, over the current into the first node."""
    voltage = voltage_response(branches, path)
    return lambda omega: np.asarray(voltage(omega) * element.admittance(omega))


def low_passed(response: Response, bandwidth: float) -> Response:
    """A response read through a first-order low pass of a bandwidth [Hz]."""
    return lambda omega: np.asarray(response(omega) / (1 + 1j * omega / (2 * math.pi * bandwidth)))


def settled(response: Response, period: float) -> tuple[float, float]:
    """Constant and factor of j w that a response comes to, far above the last order summed."""
    omega = FAR_ABOVE * ORDERS * 2 * math.pi / period
    found = complex(response(np.array([omega]))[0])
    return found.real, found.imag / omega


def course_of(current: Course, coefficients: ComplexArray, response: Response) -> Course:
    """Alternating voltage [V] or current [A] that a current into the first node makes where a response is taken."""
    return _in_time(current, coefficients, response(angular(current.period)), *settled(response, current.period))


def rms_by(current: Course, coefficients: ComplexArray, response: Response) -> float:
    """RMS of the alternating part where a response is taken, the power of orders beyond the last as in ``branch_rms``.

    Zero inductive part is assumed at very high frequency, as all currents have.
    """
    power = 2 * np.abs(coefficients[1:]) ** 2
    beyond = max(rms_of(current) ** 2 - mean_of(current) ** 2 - float(np.sum(power)), 0.0)
    square = float(np.sum(power * np.abs(response(angular(current.period))) ** 2))
    return math.sqrt(square + settled(response, current.period)[0] ** 2 * beyond)


def ripple(
    current: Course, coefficients: ComplexArray, branches: Sequence[AnyBranch], transfer: Transfer | None = None
) -> Course:
    """Alternating voltage [V] that a current into a node of parallel branches makes.

    Parameters
    ----------
    current : into the node;  coefficients : its own, of orders 0 to ORDERS
    transfer : from the node to where the voltage is read
    """
    omega = angular(current.period)
    impedance = 1 / _total(branches, omega)
    resistance, inductance = high_frequency(branches)
    if transfer is not None:
        impedance, resistance, inductance = impedance * transfer.factor, transfer.resistance, 0.0
    return _in_time(current, coefficients, impedance, resistance, inductance)


def _in_time(
    current: Course, coefficients: ComplexArray, impedance: ComplexArray, resistance: float, inductance: float
) -> Course:
    """What an impedance makes of a current, its resistance and inductance at very high frequency added in time."""
    period, omega = current.period, angular(current.period)
    rest = np.zeros(GRID // 2 + 1, dtype=np.complex128)
    rest[1 : ORDERS + 1] = coefficients[1:] * (impedance - resistance - 1j * omega * inductance)
    smooth = np.append(np.fft.irfft(rest, GRID) * GRID, 0.0)
    smooth[-1] = smooth[0]
    grid = np.linspace(0.0, period, GRID + 1)
    time = np.union1d(grid, current.time)
    after, before = current.at(time[:-1]), current.at(time[1:], before=True)
    slope = np.divide(before - after, np.diff(time), out=np.zeros_like(after), where=np.diff(time) > 0)
    base = np.interp(time, grid, smooth)
    mean = float(coefficients[0].real)
    first = base[:-1] + resistance * (after - mean) + inductance * slope
    second = base[1:] + resistance * (before - mean) + inductance * slope
    return Course(np.repeat(time, 2)[1:-1], np.ravel(np.column_stack((first, second))))


def branch_rms(current: Course, coefficients: ComplexArray, branches: Sequence[AnyBranch]) -> list[float]:
    """RMS of the alternating current of each branch [A].

    The power of all orders beyond the last summed is known from the current's own RMS; it divides as at high frequency.
    """
    omega = angular(current.period)
    each = [b.admittance(omega) for b in branches]
    impedance = 1 / np.sum(each, axis=0)
    power = 2 * np.abs(coefficients[1:]) ** 2
    beyond = max(rms_of(current) ** 2 - mean_of(current) ** 2 - float(np.sum(power)), 0.0)
    resistance, inductance = high_frequency(branches)
    found = []
    for branch, admittance in zip(branches, each, strict=True):
        if inductance > 0:
            share = inductance / branch.inductance
        else:
            share = resistance / branch.resistance if branch.inductance == 0 else 0.0
        found.append(math.sqrt(float(np.sum(power * np.abs(admittance * impedance) ** 2)) + share**2 * beyond))
    return found
