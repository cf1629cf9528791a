"""A bridge rectifier as state equations of our own, solved by scipy: shares no line with the product's netlist.

States: line current magnitude i, voltage of each bank's capacitance, thermistor temperature.
The diodes are Shockley junctions with series resistance; two conduct at a time, so that the line sees the bulk and two
drops. Pieces of conduction and of blocking are joined by events. Left out against the netlist: leakage and junction
capacitance of blocking diodes and the damping resistor beside the line inductance, which all carry under a milliampere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.constants import elementary_charge, k
from scipy.integrate import solve_ivp

THERMAL_VOLTAGE = k * (273.15 + 27) / elementary_charge  # ngspice's default temperature
OFF_CURRENT = 1e-6  # conduction ends below this [A]
ON_VOLTAGE = 1e-3  # conduction starts with this over the bulk [V]: the diodes then carry nanoamperes
RELATIVE, ABSOLUTE = 1e-8, 1e-9


@dataclass(frozen=True)
class Junction:
    """One diode by a point (voltage [V], current [A]), series resistance [ohm] and emission coefficient."""

    voltage: float
    current: float
    resistance: float
    emission: float

    @property
    def knee(self) -> float:
        return self.emission * THERMAL_VOLTAGE

    @property
    def saturation(self) -> float:
        return self.current / (math.exp((self.voltage - self.resistance * self.current) / self.knee) - 1)

    def drop(self, current: float) -> float:
        """Forward voltage; a straight line below 0, where the equations only pass on the way to an event."""
        ratio = current / self.saturation
        return self.knee * (math.log(1 + ratio) if ratio > 0 else ratio) + self.resistance * current


@dataclass(frozen=True)
class Disc:
    """A thermistor whose own loss heats one thermal capacitance [J/K] that loses ``dissipation`` [W/K]."""

    r25: float
    b_value: float
    dissipation: float
    heat_capacity: float

    def resistance(self, celsius: float) -> float:
        return self.r25 * math.exp(self.b_value * (1 / (celsius + 273.15) - 1 / 298.15))


@dataclass(frozen=True)
class OwnRectifier:
    """peak [V], frequency [Hz], phase at t = 0 [rad]; banks of (capacitance, esr); power from the bulk [W]."""

    peak: float
    frequency: float
    phase: float
    resistance: float
    inductance: float
    junction: Junction
    banks: tuple[tuple[float, float], ...]
    power: float = 0.0
    disc: Disc | None = None
    ambient: float = 25.0

    def source(self, t: float) -> float:
        """Magnitude of the line voltage: a bridge does not see its sign."""
        return abs(self.peak * math.sin(2 * math.pi * self.frequency * t + self.phase))

    def bulk(self, current, capacitors):
        """Bulk voltage from sum of (v - v_k) / esr_k + P / v = i, its upper root."""
        conductance = sum(1 / esr for _, esr in self.banks)
        pushed = current + sum(v / esr for v, (_, esr) in zip(capacitors, self.banks, strict=True))
        return (pushed + np.sqrt(pushed**2 - 4 * conductance * self.power)) / (2 * conductance)

    def _slopes(self, t: float, state, conducts: bool) -> list[float]:
        current = state[0] if conducts else 0.0
        capacitors = state[1 : 1 + len(self.banks)]
        celsius = state[-1]
        bulk = float(self.bulk(current, capacitors))
        slopes = [0.0]
        series = self.resistance + (self.disc.resistance(celsius) if self.disc else 0.0)
        if conducts:
            over = self.source(t) - bulk - 2 * self.junction.drop(current) - series * current
            slopes = [over / self.inductance]
        slopes += [(bulk - v) / (esr * c) for v, (c, esr) in zip(capacitors, self.banks, strict=True)]
        if self.disc is None:
            return [*slopes, 0.0]
        heat = current**2 * self.disc.resistance(celsius) - self.disc.dissipation * (celsius - self.ambient)
        return [*slopes, heat / self.disc.heat_capacity]

    def _piece(self, start: float, stop: float, state, conducts: bool):
        def ends(t: float, state) -> float:
            if conducts:
                return float(state[0]) - OFF_CURRENT
            return self.source(t) - float(self.bulk(0.0, state[1 : 1 + len(self.banks)])) - ON_VOLTAGE

        ends.terminal = True
        ends.direction = -1 if conducts else 1
        piece = solve_ivp(
            lambda t, y: self._slopes(t, y, conducts), (start, stop), state, "Radau", dense_output=True, events=ends,
            rtol=RELATIVE, atol=ABSOLUTE, max_step=0.02 / self.frequency,
        )  # fmt: skip
        assert piece.success, piece.message
        return piece

    def solve(self, stop: float, charged: float, grid):
        """From a capacitor voltage [V] on: line current magnitude [A], bulk [V], temperature [degC] on a grid [s]."""
        t, state = 0.0, np.array([0.0, *[charged] * len(self.banks), self.ambient])
        states = np.empty((len(state), len(grid)))
        conducts = self.source(t) > charged + ON_VOLTAGE
        while t < stop:
            piece = self._piece(t, stop, state, conducts)
            inside = (grid >= t) & (grid <= piece.t[-1])
            states[:, inside] = piece.sol(grid[inside])
            if not conducts:
                states[0, inside] = 0.0
            t, state = float(piece.t[-1]), piece.y[:, -1].copy()
            state[0] = 0.0
            conducts = not conducts
        return states[0], self.bulk(states[0], states[1:-1]), states[1:-1], states[-1]
