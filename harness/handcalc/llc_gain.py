"""Gain of an LLC converter against frequency, at several loads: what its operating points lie on.

Gain is the output and its rectifiers' threshold, seen from the primary, over the square wave's amplitude about its
mean: half of the bus in a half bridge, the bus in a full one. Series resistances lower it, so that at the series
resonance it is a little below one. It does not depend on the bus.
"""

from __future__ import annotations

import contextlib
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from harness.contracts import FloatArray
from harness.handcalc.llc import lumped, output_current, ratio_sum
from harness.handcalc.llc_search import Found, delivering, first_harmonic_gain
from harness.handcalc.llc_tank import Tank
from netlists.point import Condition
from netlists.stages.llc import Params

NODES, PEAK_NODES = 12, 2  # frequencies solved in the time domain, and on either side of the highest gain among them
POINTS = 161  # of the smooth curve through them
FEWEST_NODES = 4
BELOW, ABOVE = 0.85, 1.05  # how far the curves reach beyond what the controller can set
LEAST_ABOVE = 1.02  # of the resonance with idle rectifiers: below it no converter is operated


@dataclass(frozen=True, slots=True)
class GainCurve:
    """Gain at one load.

    Parameters
    ----------
    load_fraction : of full load;  frequencies : shape (n,) [Hz]
    time_domain : of the tank with its losses; nan where no operation was found; shape (n,)
    first_harmonic : of the tank without losses, by its first harmonic; shape (n,)
    unit_gain_bus : bus at which the gain needed is one [V]
    """

    load_fraction: float
    frequencies: FloatArray
    time_domain: FloatArray
    first_harmonic: FloatArray
    unit_gain_bus: float

    def needed_gain(self, bus: float) -> float:
        """Gain that holds the output at a bus [V]."""
        return self.unit_gain_bus / bus

    def first_harmonic_error(self, low: float, high: float) -> tuple[float, float]:
        """Lowest and highest difference to the time domain's gain, as a share of it, between two frequencies [Hz]."""
        inside = (self.frequencies >= low) & (self.frequencies <= high) & np.isfinite(self.time_domain)
        difference = self.first_harmonic[inside] / self.time_domain[inside] - 1
        return (float(np.min(difference)), float(np.max(difference))) if np.any(inside) else (math.nan, math.nan)


def gain_curves(params: Params, condition: Condition, fractions: Sequence[float]) -> tuple[GainCurve, ...]:
    """One curve a load fraction, over what the controller can set and a little beyond.

    The time domain is solved at a few frequencies, closer about the highest gain, which is a corner where the order
    changes in which the rectifiers conduct. Between them stands a monotonic spline, off by at most 2 % on twelve
    random converters of the campaign (tests).

    Parameters
    ----------
    condition : whose load fraction is replaced
    """
    return tuple(_curve(params, condition, fraction) for fraction in fractions)


def _curve(params: Params, condition: Condition, fraction: float) -> GainCurve:
    loaded = replace(condition, load_fraction=fraction)
    current = output_current(params, loaded)
    tank = lumped(params, condition.line_voltage, current)
    seen = current / ratio_sum(params)
    low = max(BELOW * params.lowest_frequency, LEAST_ABOVE * tank.lower_resonance)
    high = ABOVE * params.highest_frequency
    frequencies = np.geomspace(low, high, POINTS)
    nodes = np.geomspace(low, high, NODES)
    gains = gain_curve(tank, seen, nodes)
    more = _about_the_peak(nodes, gains)
    nodes, gains = np.append(nodes, more), np.append(gains, gain_curve(tank, seen, more))
    return GainCurve(
        fraction, frequencies, _between(nodes, gains, frequencies), first_harmonic_curve(tank, seen, frequencies),
        condition.line_voltage * tank.reflected / tank.drive,
    )  # fmt: skip


def _about_the_peak(nodes: FloatArray, gains: FloatArray) -> FloatArray:
    """Further frequencies between the one of the highest gain and its neighbours; none where no gain was found."""
    if not np.any(np.isfinite(gains)):
        return np.array([])
    top = int(np.nanargmax(gains))
    ends = (nodes[max(top - 1, 0)], nodes[top], nodes[min(top + 1, len(nodes) - 1)])
    spans = [np.geomspace(low, high, PEAK_NODES + 2)[1:-1] for low, high in itertools.pairwise(ends) if low < high]
    return np.concatenate(spans)


def _between(nodes: FloatArray, gains: FloatArray, frequencies: FloatArray) -> FloatArray:
    """Gains between those found; nan beyond the outermost of them, and where too few were found."""
    found = np.flatnonzero(np.isfinite(gains))
    if found.size < FEWEST_NODES:
        return np.full(len(frequencies), math.nan)
    chosen = found[np.argsort(nodes[found])]
    spline = PchipInterpolator(np.log(nodes[chosen]), np.log(gains[chosen]), extrapolate=False)
    return np.asarray(np.exp(spline(np.log(frequencies))), dtype=np.float64)


def first_harmonic_curve(tank: Tank, current: float, frequencies: FloatArray) -> FloatArray:
    """First-harmonic gain at each frequency [Hz] where the rectifiers carry a mean current, seen from the primary."""
    load = 8 / math.pi**2 * tank.reflected / current
    quality = math.sqrt(tank.series / tank.capacitance) / load
    ratio = tank.magnetising / tank.series
    return np.array([first_harmonic_gain(float(one) / tank.resonance, ratio, quality) for one in frequencies])


def gain_curve(tank: Tank, current: float, frequencies: FloatArray) -> FloatArray:
    """Gain of the tank in the time domain: the clamped voltage over the square wave that delivers a current.

    At a frequency the current rises with the square wave, so that there is one gain on both sides of the peak. Sought
    from the highest frequency down, each from the one before. Without the core's loss the ring of idle rectifiers never
    dies, and below the resonance often no operation is found.

    Parameters
    ----------
    tank : of which every part but the drive counts;  current : the rectifiers' mean, seen from the primary [A]
    frequencies : in any order, shape (n,) [Hz]

    Returns
    -------
    gain at each frequency, shape (n,); nan where no operation was found
    """
    gains = np.full(len(frequencies), math.nan)
    found: list[Found] = []
    for place in np.argsort(frequencies)[::-1]:
        with contextlib.suppress(ArithmeticError):
            found.append(delivering(tank, current, float(frequencies[place]), found[-2:]))
            gains[place] = tank.reflected / found[-1].tank.drive
    return gains
