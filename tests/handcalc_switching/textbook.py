"""Closed forms of textbooks and of plain geometry that the solved courses are held against."""

from __future__ import annotations

import math


def buck_ratio(duty: float, k: float) -> float:
    """Output over input of an ideal buck with a diode; k = 2 L / (R T).

    References
    ----------
    .. [1] Erickson, Maksimovic, Fundamentals of Power Electronics, ch. 5, table 5.2 (from memory): D where k > 1 - D,
       else 2 / (1 + sqrt(1 + 4 k / D^2)).
    """
    return duty if k > 1 - duty else 2 / (1 + math.sqrt(1 + 4 * k / duty**2))


def boost_ratio(duty: float, k: float) -> float:
    """Output over input of an ideal boost; k = 2 L / (R T).

    References
    ----------
    .. [1] Erickson, Maksimovic, Fundamentals of Power Electronics, ch. 5, table 5.2 (from memory): 1 / (1 - D) where
       k > D (1 - D)^2, else (1 + sqrt(1 + 4 D^2 / k)) / 2.
    """
    return 1 / (1 - duty) if k > duty * (1 - duty) ** 2 else 0.5 * (1 + math.sqrt(1 + 4 * duty**2 / k))


def ripple_cancellation(duty: float, phases: int) -> float:
    """Swing of the sum of ``phases`` evenly spaced triangles over that of one.

    With p = floor(n D): n (D - p / n) ((p + 1) / n - D) / (D (1 - D)), so zero at D = k / n. Geometry of triangles;
    known for multiphase bucks (from memory).
    """
    whole = math.floor(phases * duty)
    return phases * (duty - whole / phases) * ((whole + 1) / phases - duty) / (duty * (1 - duty))


def capacitor_ripple(swing: float, frequency: float, duty: float, capacitance: float, esr: float) -> float:
    """Peak-to-peak voltage [V] of one capacitor that takes a triangle of a given swing [A], exact.

    r = ESR C f; the capacitor's parabolas and the ESR's straight pieces: up to r = min(D, D') / 2 both turning points
    lie inside their pieces and dV = (dI / 8 f C) (1 + 4 r^2 / (D D')); from r = max(D, D') / 2 on none does and
    dV = dI ESR; between, one does. Own integration of the triangle; without ESR it is dI / (8 f C), Erickson,
    Maksimovic, Fundamentals of Power Electronics, ch. 2 (from memory).
    """
    r = esr * capacitance * frequency
    unit = swing / (capacitance * frequency)

    def extreme(piece: float) -> float:  # of either turning point, from the mid-line of the triangle
        return piece / 8 + r**2 / (2 * piece) if r <= piece / 2 else r / 2

    return unit * (extreme(duty) + extreme(1 - duty))
