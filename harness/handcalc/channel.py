"""A switch's channel over its gate's ramp, and where the straight rise of its voltage begins; by its ``GateLaw``."""

from __future__ import annotations

import math

import numpy as np

from netlists.stages.switching import GateLaw

EULER = float(np.euler_gamma)


def conductance(law: GateLaw, pieces: int, gate: float) -> float:
    """Of a whole place at a gate from 0 to 1 [S]."""
    return pieces * law.scale * math.expm1(law.steepness * gate)


def time_constant(law: GateLaw) -> float:
    """In which the conductance changes by e [s]."""
    return law.ramp / law.steepness


def rise_ahead(law: GateLaw, pieces: int, capacitance: float) -> float:
    """From the gate's knee at a turn-off to where the voltage's straight rise begins, seen back from it [s].

    The conductance falls as g exp(-t / tau) while a current I charges C: in scaled variables u' = 1 - u exp(-x), whose
    solution tends to x less Euler's constant. So t = tau (0.5772 - ln(C / (tau g))), whatever I is; the channel's
    charge is as if it carried I until then. Negative: before the knee. Own derivation.
    """
    tau = time_constant(law)
    return tau * (EULER - math.log(capacitance / (tau * conductance(law, pieces, law.knee))))
