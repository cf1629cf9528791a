"""Ideal LLC converters in periodic steady state, exactly: piecewise linear, solved by matrix exponentials.

Unknowns z: tank current i, magnetising current m, voltage u of the resonant capacitor, voltages of the output's
capacitors, and a 1 for the sources. A rectifier conducts one way (+1), the other way (-1) or not at all (0); in each of
these the converter is linear, so z moves by exp(M t). The end of a conduction and its begin are roots. The steady state
is Newton's method on one whole period, no symmetry assumed; its Jacobian is the product of the transitions, with
the jump of the slope at each event (the saltation matrix of Filippov's theory).

Left out: all that is not in ``Circuit``; no edge takes time. Shares nothing with the product.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import simpson
from scipy.optimize import brentq

Array = NDArray[np.float64]

SAMPLES = 200  # steps of each interval of the waveforms, an even number
LOOKS = 48  # instants of a half period at which the end of a mode is looked for
CONVERGED = 1e-9  # last Newton step, scaled
SETTLING = (1e6, 10, 3, 30)  # periods in which the output settles before Newton's method, tried in turn
PERIODS, NEWTON_STEPS = 30, 20  # run before it, and steps of it
LARGEST_STEP = 0.5  # of the unknowns, scaled
TERMS = 12  # of the series; its argument is under a quarter
ROOT_STEPS = 60
MOST_EVENTS = 200  # of a half period: more are a fault of the equations


class ChatterError(ValueError):
    """A search went where no converter works."""


@dataclass(frozen=True)
class Capacitor:
    """One branch of the output: capacitance [F] in series with its ESR [ohm]."""

    capacitance: float
    esr: float


@dataclass(frozen=True)
class Circuit:
    """An ideal LLC converter between a stiff bus and a resistive load. SI units.

    Parameters
    ----------
    full_bridge : the tank sees the bus in both directions; otherwise the bus and nothing
    series, magnetising : inductances, seen from the primary, with an ideal ``ratio`` behind them
    resistance : of all that is in series with the tank;  secondary_resistance : of one conducting path
    drop : of one conducting path [V]
    """

    bus: float
    full_bridge: bool
    series: float
    magnetising: float
    capacitance: float
    ratio: float
    load_resistance: float
    capacitors: tuple[Capacitor, ...]
    resistance: float = 0.0
    secondary_resistance: float = 0.0
    drop: float = 0.0

    @property
    def resonance(self) -> float:
        """Series resonance [Hz]."""
        return 1 / (2 * math.pi * math.sqrt(self.series * self.capacitance))


@dataclass(frozen=True)
class Steady:
    """One period from the rising edge of the square wave, each event twice in ``time``; arrays of shape (n,).

    Parameters
    ----------
    rectified : current of both rectifiers together;  modes : in turn, with their durations [s]
    """

    frequency: float
    time: Array
    drive: Array
    tank_current: Array
    magnetising_current: Array
    resonant_voltage: Array
    rectified: Array
    output_voltage: Array
    capacitor_currents: Array
    modes: tuple[tuple[int, float], ...]

    def mean(self, values: Array) -> float:
        """Of a signal over the period, by Simpson's rule within each interval."""
        return sum(
            float(simpson(values[a:b], x=self.time[a:b])) for a, b in self._pieces() if self.time[b - 1] > self.time[a]
        ) / (self.time[-1] - self.time[0])

    def rms(self, values: Array) -> float:
        """Of a signal over the period."""
        return math.sqrt(self.mean(values**2))

    def _pieces(self) -> list[tuple[int, int]]:
        return [(at, at + SAMPLES + 1) for at in range(0, self.time.size, SAMPLES + 1)]


class _Modes:
    """The matrices of a circuit for each mode and level of the square wave, and rows of what is asked of z."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit, branches = circuit, len(circuit.capacitors)
        self.unit = np.eye(4 + branches)
        self.scale = self._scale()
        self.rows = {mode: self._rows(mode) for mode in (1, 0, -1)}
        self.matrices = {(mode, level): self._matrix(mode, level) for mode in (1, 0, -1) for level in (1, -1)}
        self._steps: dict[tuple[int, int, float], Array] = {}

    def _scale(self) -> Array:
        c = self.circuit
        current = c.bus / math.sqrt(c.series / c.capacitance)
        return np.array([current, current, c.bus] + [c.bus / c.ratio] * len(c.capacitors))

    def drive(self, level: int) -> float:
        """Voltage of the bridge [V]."""
        return self.circuit.bus * (level if self.circuit.full_bridge else (level + 1) / 2)

    def _rows(self, mode: int) -> dict[str, Array]:
        """Rectified current, output voltage and the branches' currents; Kirchhoff at the output."""
        c, unit = self.circuit, self.unit
        rectified = mode * c.ratio * (unit[0] - unit[1])
        conductances = np.array([1 / part.esr for part in c.capacitors])
        voltages = unit[3:-1]
        out = (rectified + conductances @ voltages) / (1 / c.load_resistance + conductances.sum())
        into = [g * (out - v) for g, v in zip(conductances, voltages, strict=True)]
        return {"rectified": rectified, "out": out} | {f"into_{k}": row for k, row in enumerate(into)}

    def across(self, mode: int, level: int) -> Array:
        """Row of the voltage across the magnetising inductance."""
        c, unit, rows = self.circuit, self.unit, self.rows[mode]
        if mode:
            return mode * c.ratio * (rows["out"] + c.drop * unit[-1] + c.secondary_resistance * rows["rectified"])
        driven = self.drive(level) * unit[-1] - unit[2] - c.resistance * unit[0]
        return c.magnetising / (c.series + c.magnetising) * driven

    def blocked(self) -> Array:
        """Row of the voltage at which idle rectifiers begin to conduct, seen from the primary."""
        return self.circuit.ratio * (self.rows[0]["out"] + self.circuit.drop * self.unit[-1])

    def _matrix(self, mode: int, level: int) -> Array:
        c, unit = self.circuit, self.unit
        matrix, across = np.zeros_like(unit), self.across(mode, level)
        matrix[0] = (self.drive(level) * unit[-1] - unit[2] - c.resistance * unit[0] - across) / c.series
        matrix[1] = across / c.magnetising
        matrix[2] = unit[0] / c.capacitance
        for index, part in enumerate(c.capacitors):
            matrix[3 + index] = self.rows[mode][f"into_{index}"] / part.capacitance
        return matrix

    def margins(self, mode: int, level: int) -> list[Array]:
        """Rows that are positive within a mode; it ends where one falls through zero."""
        if mode:
            return [self.rows[mode]["rectified"]]
        across, blocked = self.across(0, level), self.blocked()
        return [blocked - across, blocked + across]

    def step(self, mode: int, level: int, span: float) -> Array:
        """Transition over a span, remembered: looks are evenly spaced."""
        key = (mode, level, span)
        if key not in self._steps:
            self._steps[key] = exponential(self.matrices[mode, level] * span)
        return self._steps[key]

    def begun(self, mode: int, level: int, z: Array) -> int:
        """The mode in which z goes on: idle rectifiers whose winding's voltage is already too high conduct."""
        if mode and self.margins(mode, level)[0] @ z > 1e-12 * self.scale[0] * self.circuit.ratio:
            return mode
        across = float(self.across(0, level) @ z)
        return int(math.copysign(1, across)) if abs(across) > self.blocked() @ z else 0


def exponential(matrix: Array) -> Array:
    """exp of a small matrix: a series after halving, squared back. That of scipy spends its time in BLAS's threads."""
    halvings = max(0, math.ceil(math.log2(max(float(np.max(np.abs(matrix))) * len(matrix), 1e-300))) + 2)
    scaled = matrix / 2.0**halvings
    total = term = np.eye(len(matrix))
    for order in range(1, TERMS):
        term = term @ scaled / order
        total = total + term
    for _ in range(halvings):
        total = total @ total
    return total


@dataclass(frozen=True)
class _Interval:
    start: float
    duration: float
    mode: int
    level: int
    begin: Array


def solve(circuit: Circuit, frequency: float) -> Steady:
    """The steady state at a frequency [Hz]; ValueError where none is found."""
    modes, period = _Modes(circuit), 1 / frequency
    for settling in SETTLING:
        with contextlib.suppress(ChatterError):
            z, mode = _settled(_Modes(_hasty(circuit, settling * period)), period)
            intervals = _newton(modes, period, z, mode)
            if intervals:
                return _steady(modes, frequency, intervals)
    raise ValueError(f"no steady state found at {frequency:g} Hz")


def _settled(modes: _Modes, period: float) -> tuple[Array, int]:
    """State and mode some periods after a start near the gain of one."""
    circuit = modes.circuit
    z, mode = np.zeros(modes.unit.shape[0]), 0
    z[2], z[-1] = (0.0 if circuit.full_bridge else 0.5 * circuit.bus), 1.0
    z[3:-1] = circuit.bus / circuit.ratio * (1.0 if circuit.full_bridge else 0.5)
    for _ in range(PERIODS):
        _, z, _, mode = _run(modes, period, z, mode)
    return z, mode


def _hasty(circuit: Circuit, settling: float) -> Circuit:
    """The circuit with output capacitors so small that they settle in a time [s]: a start nearer to the solution."""
    total = sum(part.capacitance for part in circuit.capacitors)
    share = min(1.0, settling / (circuit.load_resistance * total))
    return replace(circuit, capacitors=tuple(Capacitor(c.capacitance * share, c.esr) for c in circuit.capacitors))


def _newton(modes: _Modes, period: float, z: Array, mode: int) -> list[_Interval]:
    """Intervals of the period that ends where it begins; none where the steps do not converge."""
    for _ in range(NEWTON_STEPS):
        _, end, follows, last = _run(modes, period, z, mode)
        step = np.linalg.solve(np.eye(z.size - 1) - follows, (end - z)[:-1])
        size = float(np.max(np.abs(step) / modes.scale))
        z, mode = z.copy(), last
        z[:-1] += step * min(1.0, LARGEST_STEP / size)
        if size < CONVERGED:
            return _run(modes, period, z, mode)[0]
    return []


def regulated(circuit: Circuit, target: float, low: float, high: float) -> Steady:
    """The steady state whose mean output is the target [V], at a frequency between two bounds [Hz]."""

    def miss(frequency: float) -> float:
        found = solve(circuit, frequency)
        return found.mean(found.output_voltage) - target

    return solve(circuit, float(brentq(miss, low, high, rtol=1e-10)))


def gain(frequency: float, inductance_ratio: float, quality: float) -> float:
    """Output over input of a lossless tank at a frequency over its resonance; output ripple under 1e-5 of it.

    Quality as in the first-harmonic formula: characteristic impedance over 8 n^2 R / pi^2.
    """
    resonance, characteristic = 100e3, 30.0
    series = characteristic / (2 * math.pi * resonance)
    load = math.pi**2 / 8 * characteristic / quality
    circuit = Circuit(
        100.0, True, series, inductance_ratio * series, 1 / (2 * math.pi * resonance * characteristic), 1.0, load,
        (Capacitor(1e-3, 1e-9),),
    )  # fmt: skip
    found = solve(circuit, frequency * resonance)
    return found.mean(found.output_voltage) / circuit.bus


def _run(modes: _Modes, period: float, start: Array, mode: int) -> tuple[list[_Interval], Array, Array, int]:
    """One period from a state: its intervals, the state at its end, how that follows the first, the last mode."""
    z, follows, found = start.copy(), np.eye(start.size), []
    for half, level in enumerate((1, -1)):
        now, left = half * 0.5 * period, 0.5 * period
        look = left / LOOKS
        mode = modes.begun(mode, level, z)
        if mode == 0:
            z[1], follows[1] = z[0], follows[0]
        for _ in range(MOST_EVENTS):
            duration, row = _next_event(modes, mode, level, z, left, look)
            transition = modes.step(mode, level, duration)
            found.append(_Interval(now, duration, mode, level, z))
            z, follows = transition @ z, transition @ follows
            now, left = now + duration, left - duration
            if row is None:
                break
            before = modes.matrices[mode, level] @ z
            mode = modes.begun(0, level, z) if mode else int(math.copysign(1, float(modes.across(0, level) @ z)))
            jump = modes.matrices[mode, level] @ z - before
            follows = follows + np.outer(jump, row @ follows) / float(row @ before)
            if mode == 0:
                z[1] = z[0]
        else:
            raise ChatterError("a state far from any operation: conduction begins and ends all the time")
    return found, z, follows[:-1, :-1], mode


def _next_event(modes: _Modes, mode: int, level: int, z: Array, left: float, look: float) -> tuple[float, Array | None]:
    """When a mode ends within what is left of a half period and the row that tells; otherwise all of it and None."""
    rows, passed = modes.margins(mode, level), 0.0
    while passed < left:
        span = min(look, left - passed)
        after = modes.step(mode, level, span) @ z
        fallen = [row for row in rows if row @ after < 0]
        if fallen:
            instants = [_root(modes.matrices[mode, level], z, row, span) for row in fallen]
            first = int(np.argmin(instants))
            return passed + instants[first], fallen[first]
        z, passed = after, passed + span
    return left, None


def _root(matrix: Array, z: Array, row: Array, span: float) -> float:
    """When a row on z falls through zero: it is positive for a moment after now, and is not after the span."""

    low, high = 0.0, span
    now = span
    for _ in range(ROOT_STEPS):
        there = exponential(matrix * now) @ z
        value, slope = float(row @ there), float(row @ matrix @ there)
        low, high = (now, high) if value > 0 else (low, now)
        guess = now - value / slope if slope else low
        if abs(guess - now) < 1e-13 * span or high - low < 1e-14 * span:
            break
        now = guess if low < guess < high else 0.5 * (low + high)
    return now


def _steady(modes: _Modes, frequency: float, intervals: list[_Interval]) -> Steady:
    times, courses, drives = [], [], []
    names = ["rectified", "out", *(f"into_{k}" for k in range(len(modes.circuit.capacitors)))]
    for one in intervals:
        span = np.linspace(0.0, one.duration, SAMPLES + 1)
        transition = exponential(modes.matrices[one.mode, one.level] * one.duration / SAMPLES)
        course = [one.begin]
        for _ in range(SAMPLES):
            course.append(transition @ course[-1])
        z, rows = np.array(course), modes.rows[one.mode]
        times.append(one.start + span)
        drives.append(np.full(span.size, modes.drive(one.level)))
        courses.append(np.column_stack([z[:, :3], *(z @ rows[name] for name in names)]))
    whole = np.concatenate(courses).T
    return Steady(
        frequency, np.concatenate(times), np.concatenate(drives), *whole[:3], whole[3], whole[4], whole[5:],
        tuple((one.mode, one.duration) for one in intervals),
    )  # fmt: skip


def with_load(circuit: Circuit, current: float, voltage: float) -> Circuit:
    """The same circuit with the resistance that draws a current [A] at a voltage [V]."""
    return replace(circuit, load_resistance=voltage / current)
