"""An ideal two-switch forward converter in periodic steady state: its own equations, stepped by scipy between events.

Left out: all capacitances but the output's, the time an edge takes. Kept: leakage and magnetising inductance, all
resistances, each diode as a drop and a resistance. The period begins at the turn-on, core without flux::

    takeover   leakage takes the choke's current from the freewheel diode    until it carries all of it
    power      bus, leakage, core and choke in series                         until the duty is over
    handing    clamp diodes reverse the primary, the freewheel diode takes    until the forward diode carries nothing
    reset      the core's current alone flows back to the bus                 until it is none
    idle       the choke freewheels, or rests where its current has ended

Unknowns of the steady state: choke current and capacitor voltages at the turn-on, and the duty that gives the mean
output wanted. Shares nothing with the product.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import root

Array = NDArray[np.float64]
TOLERANCE = 1e-9
SAMPLES = 400  # of each stretch, for peaks


@dataclass(frozen=True)
class Circuit:
    """SI units; inductances seen from the primary, ``ratio`` that of the ideal winding.

    Parameters
    ----------
    primary, secondary : resistances in series with either winding while power flows, rectifier's own apart
    clamp, forward, freewheel : drop [V] and resistance [ohm] of the diodes, both clamp diodes together
    winding : resistance of both windings alone, seen from the primary
    capacitors : (capacitance, ESR), ESR > 0
    """

    bus: float
    frequency: float
    ratio: float
    leakage: float
    magnetising: float
    choke: float
    load: float
    capacitors: tuple[tuple[float, float], ...]
    primary: float
    secondary: float
    choke_resistance: float
    primary_winding: float
    clamp: tuple[float, float]
    forward: tuple[float, float]
    freewheel: tuple[float, float]


@dataclass(frozen=True)
class Steady:
    """One period: duty, exact means and RMS by signal, and every signal's samples."""

    duty: float
    means: dict[str, float]
    rms: dict[str, float]
    courses: dict[str, Array]
    idle: float  # share of the period in which the choke rests


SIGNALS = ("choke", "forward", "freewheel", "primary", "clamp", "magnetising", "output")


@dataclass(frozen=True)
class Mode:
    """What conducts: drive of the primary (1 bus, -1 clamp diodes, 0 none), which rectifiers."""

    drive: int
    forward: bool
    freewheel: bool


def output_of(circuit: Circuit, choke: float, voltages: Array) -> float:
    """Output voltage of a choke current and the capacitors' voltages."""
    conductances = np.array([1 / esr for _, esr in circuit.capacitors])
    return float((choke + conductances @ voltages) / (1 / circuit.load + conductances.sum()))


def signals(circuit: Circuit, mode: Mode, state: Array) -> list[float]:
    """Values of ``SIGNALS``; state is choke, magnetising and secondary current, then the capacitors' voltages."""
    choke, core, secondary = state[:3]
    if mode.forward and not mode.freewheel:
        secondary = choke
    elif not mode.forward:
        secondary = 0.0
    primary = core + secondary / circuit.ratio
    return [
        choke, secondary, choke - secondary if mode.freewheel else 0.0, primary if mode.drive == 1 else 0.0,
        primary if mode.drive == -1 else 0.0, core, output_of(circuit, choke, state[3:]),
    ]  # fmt: skip


def derivative(circuit: Circuit, mode: Mode, state: Array) -> Array:
    """Kirchhoff's laws in a mode."""
    choke, core, secondary = state[:3]
    out = output_of(circuit, choke, state[3:])
    n, leakage, magnetising = circuit.ratio, circuit.leakage, circuit.magnetising
    found = np.zeros_like(state)
    if mode.drive == 1:
        driven, resistance = circuit.bus, circuit.primary
    else:
        driven, resistance = -(circuit.bus + circuit.clamp[0]), circuit.primary_winding + circuit.clamp[1]
    if mode.forward and not mode.freewheel:  # leakage, core and choke carry dependent currents
        lost = choke * (circuit.secondary + circuit.forward[1] + circuit.choke_resistance) + circuit.forward[0] + out
        matrix = np.array([[leakage + magnetising, leakage / n], [magnetising / n, -circuit.choke]])
        found[1], found[0] = np.linalg.solve(matrix, [driven - resistance * (core + choke / n), lost])
        found[2] = found[0]
    elif mode.forward:
        rectified = -circuit.freewheel[0] - circuit.freewheel[1] * (choke - secondary)
        across = secondary * (circuit.secondary + circuit.forward[1]) + circuit.forward[0] + rectified
        found[1] = n * across / magnetising
        primary = (driven - resistance * (core + secondary / n) - n * across) / leakage
        found[2] = n * (primary - found[1])
        found[0] = (rectified - circuit.choke_resistance * choke - out) / circuit.choke
    else:
        if mode.drive == -1:
            found[1] = (driven - resistance * core) / (leakage + magnetising)
        if mode.freewheel:
            rectified = -circuit.freewheel[0] - circuit.freewheel[1] * choke
            found[0] = (rectified - circuit.choke_resistance * choke - out) / circuit.choke
    for index, (capacitance, esr) in enumerate(circuit.capacitors):
        found[3 + index] = (out - state[3 + index]) / esr / capacitance
    return found


@dataclass
class Period:
    """A period as it is run: integrals of every signal and of its square, samples, what is left of it."""

    circuit: Circuit
    state: Array
    time: float = 0.0
    resting: float = 0.0

    def __post_init__(self) -> None:
        self.integrals = np.zeros(2 * len(SIGNALS))
        self.samples: list[Array] = []

    def run(self, mode: Mode, until: float, event: str = "") -> bool:
        """Goes on in a mode to an instant or an event: ``taken``, ``handed``, ``reset``, ``ended``; whether it came."""
        size = self.state.size

        def rates(_: float, both: Array) -> Array:
            values = np.array(signals(self.circuit, mode, both[:size]))
            return np.concatenate((derivative(self.circuit, mode, both[:size]), values, values**2))

        watched = {
            "taken": lambda _, both: both[2] - both[0],
            "handed": lambda _, both: both[2],
            "reset": lambda _, both: both[1],
            "ended": lambda _, both: both[0],
        }
        events = []
        for name in event.split():
            one = watched[name]
            one.terminal, one.direction = True, 1 if name == "taken" else -1  # type: ignore[attr-defined]
            events.append(one)
        found = solve_ivp(
            rates, (self.time, until), np.concatenate((self.state, self.integrals)), events=events or None,
            rtol=TOLERANCE, atol=1e-12, dense_output=True, method="LSODA",
        )  # fmt: skip
        instants = np.linspace(self.time, found.t[-1], SAMPLES)
        self.samples.append(np.array([signals(self.circuit, mode, both[:size]) for both in found.sol(instants).T]))
        self.time, self.state, self.integrals = float(found.t[-1]), found.y[:size, -1], found.y[size:, -1]
        if not mode.freewheel and not mode.forward:
            self.resting += float(found.t[-1] - found.t[0])
        self.hit = [name for name, hits in zip(event.split(), found.t_events or [], strict=False) if len(hits)]
        return bool(self.hit)


def run_period(circuit: Circuit, duty: float, start: Array) -> Period:
    """One period from a state at the turn-on: choke current and capacitor voltages."""
    length = 1 / circuit.frequency
    period = Period(circuit, np.concatenate(([start[0], 0.0, 0.0], start[1:])))
    if start[0] > 0:
        period.run(Mode(1, True, True), duty * length, "taken")
    period.state[2] = period.state[0]
    period.run(Mode(1, True, False), duty * length)
    period.state[2] = period.state[0]
    period.run(Mode(-1, True, True), length, "handed")
    period.state[2] = 0.0
    drive, carrying = -1, True
    while period.time < length * (1 - 1e-12):
        wanted = [name for name, live in (("reset", drive == -1), ("ended", carrying)) if live]
        period.run(Mode(drive, False, carrying), length, " ".join(wanted))
        if "reset" in period.hit:
            drive, period.state[1] = 0, 0.0
        if "ended" in period.hit:
            carrying, period.state[0] = False, 0.0
    return period


def solve(circuit: Circuit, target: float) -> Steady:
    """The steady state whose mean output is ``target`` [V].

    Raises
    ------
    ValueError : none found
    """
    current = target / circuit.load
    guess = (target + circuit.forward[0]) * circuit.ratio / circuit.bus
    swing = target * (1 - guess) / circuit.choke / circuit.frequency
    scale = np.array([max(current, swing), *[target] * len(circuit.capacitors), 1.0])
    length = 1 / circuit.frequency

    def miss(unknowns: Array) -> Array:
        values = unknowns * scale
        period = run_period(circuit, float(values[-1]), np.append(max(values[0], 0.0), values[1:-1]))
        after = np.append(period.state[0], period.state[3:])
        mean = period.integrals[SIGNALS.index("output")] / length
        return np.append((after - values[:-1]) / scale[:-1], mean / target - 1)

    if current < 0.5 * swing:  # discontinuous: duty for the mean of a triangle
        rise = circuit.bus / circuit.ratio - target - circuit.forward[0]
        guess = math.sqrt(2 * circuit.choke * current / length / rise / (1 + rise / (target + circuit.freewheel[0])))
    first = max(current - 0.5 * swing, 0.0)
    found = root(miss, np.array([first, *[target] * len(circuit.capacitors), guess]) / scale, tol=1e-9)
    if not found.success and float(np.max(np.abs(found.fun))) > 1e-7:
        raise ValueError(f"no steady state found: {found.message}")
    values = found.x * scale
    period = run_period(circuit, float(values[-1]), np.append(max(values[0], 0.0), values[1:-1]))
    half = len(SIGNALS)
    means = dict(zip(SIGNALS, period.integrals[:half] / length, strict=True))
    rms = dict(zip(SIGNALS, np.sqrt(period.integrals[half:] / length), strict=True))
    courses = dict(zip(SIGNALS, np.concatenate(period.samples).T, strict=True))
    return Steady(float(values[-1]), means, rms, courses, period.resting / length)


def without_losses(circuit: Circuit) -> Circuit:
    """The same circuit without drops, and with resistances that do not count."""
    tiny = 1e-6
    return replace(
        circuit, primary=tiny, secondary=tiny, choke_resistance=tiny, primary_winding=tiny, leakage=1e-9,
        clamp=(0.0, tiny), forward=(0.0, tiny), freewheel=(0.0, tiny),
    )  # fmt: skip
