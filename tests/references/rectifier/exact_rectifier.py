"""The textbook rectifier solved exactly: ideal diodes, no inductance, all resistance in the line, a resistive load.

Everything is per unit: voltage over the source's peak, current over peak / load resistance, angles [rad] from the
crest. While the diodes conduct, v' = (cos - v) / (rho x) - v / x with x = omega R C and rho = Rs / R, whose solution is
a sine and an exponential; while they block, v falls exponentially. Only the angle where they join is searched for.
Shares nothing with ``harness.handcalc``, which solves the circuit with inductance by matrix exponentials.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.integrate import simpson
from scipy.optimize import brentq

GRID = 20_001  # points of each piece: enough for eight digits by Simpson's rule


@dataclass(frozen=True)
class ExactRectifier:
    """One settled charge; currents of the whole path, ``pulses`` a line period (2 full wave, 1 half wave)."""

    pulses: int
    mean: float
    ripple_rms: float
    ripple: float
    on: float
    off: float
    average_current: float
    rms_current: float
    peak_current: float
    capacitor_rms: float

    @property
    def conduction(self) -> float:
        """Of one pulse [deg]."""
        return math.degrees(self.off - self.on)

    @property
    def diode_rms_ratio(self) -> float:
        """RMS over average of one diode, which carries every pulse of a half wave, every second of a full wave."""
        return math.sqrt(self.pulses) * self.rms_current / self.average_current

    @property
    def diode_peak_ratio(self) -> float:
        """Peak over average of one diode."""
        return self.pulses * self.peak_current / self.average_current


@cache
def exact_rectifier(pulses: int, omega_rc: float, resistance_ratio: float) -> ExactRectifier:
    """Settled operation; omega R C and Rs / R as in Schade's curves."""
    period = 2 * math.pi / pulses
    rate = (1 + 1 / resistance_ratio) / omega_rc
    drive = 1 / (resistance_ratio * omega_rc)

    def forced(angle):
        return drive * (rate * np.cos(angle) + np.sin(angle)) / (rate * rate + 1)

    def charge(on: float):
        free = math.cos(on) - forced(on)

        def voltage(angle):
            return forced(angle) + free * np.exp(-rate * (angle - on))

        # The current is 0 at both ends: look for its sign change after the crest of v.
        angles = np.linspace(on, 0.5 * math.pi, GRID)[1:]
        ended = angles[np.nonzero(np.cos(angles) - voltage(angles) <= 0)[0][0]]
        before = ended - (angles[1] - angles[0])
        return voltage, brentq(lambda angle: math.cos(angle) - voltage(angle), before, ended, xtol=1e-14)

    def surplus(on: float) -> float:
        voltage, off = charge(on)
        return float(voltage(off) * math.exp(-(on + period - off) / omega_rc) - math.cos(on))

    on = brentq(surplus, -1.5, -1e-3, xtol=1e-14)
    voltage, off = charge(on)
    conducting, blocking = np.linspace(on, off, GRID), np.linspace(off, on + period, GRID)
    charged = voltage(conducting)
    falling = voltage(off) * np.exp(-(blocking - off) / omega_rc)
    current = (np.cos(conducting) - charged) / resistance_ratio

    def over_period(in_charge, in_fall=None) -> float:
        total = simpson(in_charge, x=conducting)
        return float(total if in_fall is None else total + simpson(in_fall, x=blocking)) / period

    mean = over_period(charged, falling)
    return ExactRectifier(
        pulses,
        mean,
        math.sqrt(over_period((charged - mean) ** 2, (falling - mean) ** 2)),
        float(np.max(charged) - np.min(charged)),
        on,
        off,
        over_period(current),
        math.sqrt(over_period(current**2)),
        float(np.max(current)),
        math.sqrt(over_period((current - charged) ** 2, falling**2)),
    )
