"""An ideal flyback in periodic steady state: piecewise linear, by matrix exponentials and roots of scipy.

Switch and diode take no time; the switch is a resistance while it conducts, the diode a constant drop and a resistance;
the windings couple without leakage; one capacitor with its ESR, a resistive load. State: magnetising current and the
capacitor's voltage. Within an interval z' = M z + b moves exactly; the end of the diode's conduction is a root; the
state that repeats is found by Newton's method. Means and RMS are taken over ``SAMPLES`` exact points of each interval
by Simpson's rule, good to 1e-9 here. Shares nothing with the product.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import simpson
from scipy.linalg import expm
from scipy.optimize import brentq

Array = NDArray[np.float64]
SAMPLES = 200
CONVERGED = 1e-11


@dataclass(frozen=True)
class Circuit:
    """SI units; ``ratio`` is primary over secondary turns."""

    input_voltage: float
    frequency: float
    inductance: float
    ratio: float
    load: float
    capacitance: float
    esr: float = 1e-6
    switch_resistance: float = 0.0
    diode_drop: float = 0.0
    diode_resistance: float = 0.0


@dataclass(frozen=True)
class Steady:
    """One period from the turn-on; signals at its times, edges twice. ``idle`` : share of it without any current."""

    duty: float
    time: Array
    magnetising: Array
    switch: Array
    diode: Array
    output: Array
    capacitor: Array
    idle: float

    def mean(self, values: Array) -> float:
        return self._integral(values) / self.time[-1]

    def rms(self, values: Array) -> float:
        return float(np.sqrt(self._integral(values**2) / self.time[-1]))

    def _integral(self, values: Array) -> float:
        size = SAMPLES + 1
        pieces = range(0, self.time.size, size)
        return float(sum(simpson(values[i : i + size], x=self.time[i : i + size]) for i in pieces))


def equations(circuit: Circuit, mode: str) -> tuple[Array, Array]:
    """Matrix and constant of z = (magnetising current, capacitor's voltage)."""
    share = circuit.load / (circuit.load + circuit.esr)  # out = share (v + esr i), i the diode's current
    n, inductance, capacitance = circuit.ratio, circuit.inductance, circuit.capacitance
    discharge = -1 / (capacitance * (circuit.load + circuit.esr))
    if mode == "on":
        matrix = [[-circuit.switch_resistance / inductance, 0.0], [0.0, discharge]]
        return np.array(matrix), np.array([circuit.input_voltage / inductance, 0.0])
    if mode == "idle":
        return np.array([[0.0, 0.0], [0.0, discharge]]), np.zeros(2)
    resistance = circuit.diode_resistance + share * circuit.esr
    matrix = [[-n * n * resistance / inductance, -n * share / inductance], [n * share / capacitance, discharge]]
    return np.array(matrix), np.array([-n * circuit.diode_drop / inductance, 0.0])


def transition(circuit: Circuit, mode: str, duration: float) -> Array:
    """What takes (state, 1) on by a duration [s] in a mode."""
    whole = np.zeros((3, 3))
    whole[:2, :2], whole[:2, 2] = equations(circuit, mode)
    return np.asarray(expm(whole * duration))


def moved(circuit: Circuit, mode: str, state: Array, duration: float) -> Array:
    """The state after a duration [s] in a mode."""
    return np.asarray((transition(circuit, mode, duration) @ np.append(state, 1.0))[:2])


def sampled(circuit: Circuit, mode: str, state: Array, duration: float) -> Array:
    """States at evenly spaced instants of an interval, both ends among them."""
    step, found = transition(circuit, mode, duration / SAMPLES), [np.append(state, 1.0)]
    for _ in range(SAMPLES):
        found.append(step @ found[-1])
    return np.array(found)[:, :2]


def intervals(circuit: Circuit, duty: float, state: Array) -> tuple[list[tuple[str, float, Array]], Array]:
    """Mode, duration and first state of each interval of a period, and the state at its end."""
    period = 1 / circuit.frequency
    found = [("on", duty * period, state)]
    state = moved(circuit, "on", state, duty * period)
    left = (1 - duty) * period
    if moved(circuit, "off", state, left)[0] < 0:
        falling = float(brentq(lambda t: moved(circuit, "off", state, t)[0], 0.0, left, xtol=1e-18, rtol=1e-13))
        found.append(("off", falling, state))
        state = moved(circuit, "off", state, falling)
        state[0] = 0.0
        found.append(("idle", left - falling, state))
        return found, moved(circuit, "idle", state, left - falling)
    found.append(("off", left, state))
    return found, moved(circuit, "off", state, left)


def settled(circuit: Circuit, duty: float) -> Array:
    """The state at the turn-on that repeats: Newton's method with differences."""
    reflected = circuit.input_voltage * duty / (1 - duty)
    state = np.array([reflected / circuit.load / circuit.ratio**2, reflected / circuit.ratio])
    for _ in range(60):
        end = intervals(circuit, duty, state)[1]
        slope = np.empty((2, 2))
        for column in range(2):
            step = 1e-6 * max(abs(state[column]), 1e-3)
            nudged = state.copy()
            nudged[column] += step
            slope[:, column] = (intervals(circuit, duty, nudged)[1] - end) / step
        change = np.linalg.solve(np.eye(2) - slope, end - state)
        state = state + change
        if np.max(np.abs(change)) < CONVERGED * np.max(np.abs(state)):
            return state
    raise ValueError(f"no steady state at a duty of {duty:g}")


def solve(circuit: Circuit, *, duty: float | None = None, target: float | None = None) -> Steady:
    """The steady state at a duty, or at the one that gives a mean output [V]."""
    if duty is None:
        assert target is not None, "give a duty or a target"
        duty = float(brentq(lambda d: _mean_output(circuit, d) - target, 0.01, 0.95, xtol=1e-10))
    pieces, _ = intervals(circuit, duty, settled(circuit, duty))
    share = circuit.load / (circuit.load + circuit.esr)
    times, states, modes, now = [], [], [], 0.0
    for mode, duration, state in pieces:
        instants = np.linspace(0.0, duration, SAMPLES + 1)
        times.append(now + instants)
        states.append(sampled(circuit, mode, state, duration))
        modes += [mode] * instants.size
        now += duration
    time, z = np.concatenate(times), np.concatenate(states)
    on, off = (np.array([mode == wanted for mode in modes]) for wanted in ("on", "off"))
    diode = np.where(off, circuit.ratio * z[:, 0], 0.0)
    output = share * (z[:, 1] + circuit.esr * diode)
    idle = sum(duration for mode, duration, _ in pieces if mode == "idle") * circuit.frequency
    return Steady(duty, time, z[:, 0], np.where(on, z[:, 0], 0.0), diode, output, diode - output / circuit.load, idle)


def _mean_output(circuit: Circuit, duty: float) -> float:
    found = solve(circuit, duty=duty)
    return found.mean(found.output)
