"""The clamp of a flyback by hand: the voltage at which its resistor takes off what the leakage brings."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.handcalc.switching_waveform import diode_tangent_of
from netlists.stages.flyback_params import Params, drain_capacitance, leakage_damping, switch_capacitance

SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]
SEARCHED = 60  # halvings


@dataclass(frozen=True, slots=True)
class Clamped:
    """The clamp's capacitor before and after a pulse [V], the current its diode begins with [A], how long it lasts [s].

    ``charge`` : of one pulse [As];  ``drop`` : of its diode [V]
    """

    before: float
    after: float
    current: float
    duration: float
    charge: float
    drop: float

    @property
    def mean(self) -> float:
        """Voltage across the capacitor, a decay from pulse to pulse [V]."""
        ratio = self.after / self.before
        return self.before if ratio < 1 + 1e-9 else (self.after - self.before) / math.log(ratio)

    @property
    def square(self) -> float:
        """Mean square of it [V2]."""
        ratio = self.after / self.before
        return self.before**2 if ratio < 1 + 1e-9 else (self.after**2 - self.before**2) / (2 * math.log(ratio))


NO_CLAMP = Clamped(1.0, 1.0, 0.0, 0.0, 0.0, 0.0)


def clamped(params: Params, reflected: float, first: float, period: float, share: float) -> Clamped:
    """The clamp by its balance: what the leakage brings a pulse is what the resistor takes off until the next.

    The leakage's current I turns with the clamp's capacitor about the reflected voltage: from V ahead of it to
    hypot(V, I sqrt(Lk / C)). For a large capacitor that is P = Lk I^2 f Vc / (2 (Vc - Vr)), common in application notes
    on flyback clamps (from memory). The rectifiers' junctions have kept their share of the core's current I1 from the
    leakage's, lifting the drain on to the clamp's voltage has taken from it, I^2 = (s I1)^2 - Cd V^2 / Lk, and so has
    the damping beside the leakage: own derivation.

    Parameters
    ----------
    reflected : [V];  first : magnetising current as the rectifiers take over [A];  period : [s]
    share : of the charge that an edge in finite time leaves
    """
    leakage, part = params.primary.leakage_inductance, params.clamp
    time_constant = (
        part.resistance * part.resistors_series / part.resistors_parallel
        * part.capacitance * part.capacitors_parallel / part.capacitors_series
    )  # fmt: skip
    capacitance = part.capacitance * part.capacitors_parallel / part.capacitors_series
    omega, impedance = 1 / math.sqrt(leakage * capacitance), math.sqrt(leakage / capacitance)
    switched = switch_capacitance(params) + part.diode.junction_capacitance * part.diode.parallel
    lifting, damping = switched / leakage, leakage_damping(params)
    begin = first * switched / drain_capacitance(params)  # the rest swings up the rectifiers' junctions
    threshold, slope = diode_tangent_of(part.diode, max(0.5 * first, SMALLEST_CURRENT))
    drop = threshold + 0.5 * slope * first

    def pulse(before: float) -> Clamped:
        ahead = before + drop - reflected
        current = max(math.sqrt(max(begin**2 - lifting * ahead**2, 0.0)) - ahead / damping, 0.0)
        risen = share * (math.hypot(ahead, impedance * current) - ahead)
        duration = math.atan2(impedance * current, ahead) / omega
        return Clamped(before, before + risen, current, duration, capacitance * risen, drop)

    low = max(reflected - drop, 0.0) + 1e-6
    high = low + begin * math.sqrt(1 / lifting) + 1.0
    for _ in range(SEARCHED):
        middle = 0.5 * (low + high)
        if pulse(middle).after * math.exp(-period / time_constant) > middle:
            low = middle
        else:
            high = middle
    return pulse(high)
