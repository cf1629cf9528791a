"""Synchronous rectifiers of a flyback by hand: what lies on their path, and what their body diodes endure.

The body diode conducts until the channel turns on, and again from its turn-off; between them the channel does, each
along a straight line of its own. While the body diode of one rail conducts, rails with diodes take more of the current.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.switching_gaps import Key
from harness.handcalc.switching_waveform import Course, body_tangent, diode_tangent_of, peak_of
from netlists.stages.flyback_params import Params, Secondary, switch_capacitance
from netlists.stages.switching import Diode, Switch

if TYPE_CHECKING:
    from harness.handcalc.flyback_period import Solved

SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]
CONDUCTS = 0.005  # of its peak: a rectifier with less current does not conduct
SMALLEST_SHARE = 1e-6  # of its peak: less is rounding
FINE = 4000  # instants of a conduction, of which body diodes take a hundredth

EDGES = "delay and lead as recorded, the rectifier's straight-pieced current within them"
BODY_TIME = Difference(-0.3, 0.5, "ramps of gates; where the leakage rings, its blips count too")
BODY_LOSS = Difference(-0.3, 0.3, "the current rises with the clamp's pulse, by straight pieces here")
BACK = Difference(-0.6, 0.6, "the channel closes by its gate's fall while the current reverses")
REVERSE = 0.02  # share of the rail's current that nobody would act on


def is_gated(params: Params, lasting: float) -> bool:
    """Whether a conduction of so long [s] leaves an on-time that the controller does not leave out."""
    return lasting - params.rectifier_delay - params.rectifier_lead >= max(params.rectifier_least_on, 1e-9)


def line_of(part: Diode | Switch, current: float, *, alone: bool) -> tuple[float, float]:
    """Threshold [V] and resistance [ohm] of a rectifying place: diode or body diode, or unless ``alone`` the channel.

    ``current`` : at which the straight line touches the diode's curve [A]
    """
    if isinstance(part, Switch) and not alone:
        return 0.0, part.on_resistance / part.parallel
    current = max(current, SMALLEST_CURRENT)
    return body_tangent(part, current) if isinstance(part, Switch) else diode_tangent_of(part, current)


def gated_span(params: Params, one: Secondary, begin: float, lasting: float, takeover: float) -> tuple[float, float]:
    """From and until when the channel of a rail conducts [s]; equal where it never does.

    Parameters
    ----------
    begin, lasting : of its rectifier's conduction [s];  takeover : last of it, after the switch's turn-on [s]
    """
    if one.synchronous is None or not is_gated(params, lasting):
        return 0.0, 0.0
    return begin + params.rectifier_delay, begin + lasting - takeover - max(params.rectifier_lead, 0.0)


def timing(params: Params, state: Solved, index: int) -> dict[Key, Expectation]:
    """Time and loss of one piece's body diode, reverse current over the rail's; none of a rail with a diode."""
    one, current = params.secondaries[index], state.currents[index]
    part = one.synchronous
    if part is None:
        return {}
    begin, end = _ends(current)
    on, off = gated_span(params, one, begin, end - begin, state.cycle.takeover)
    fine = np.linspace(begin, end, FINE)
    own = np.minimum(np.interp(fine, current.time, current.value), _risen(params, fine - begin) * peak_of(current))
    alone = (fine < on) | (fine >= off)
    conducts = own > CONDUCTS * peak_of(current)
    lasting = float(np.trapezoid((alone & conducts).astype(np.float64), fine))
    loss = _body_loss(part, fine, np.where(alone, own, 0.0)) / current.period / part.parallel
    share = _reverse(params, state, one) / one.output.load_current
    return {
        ("body_diode_time", part.designator): Expectation(lasting, "s", EDGES, BODY_TIME, 30e-9),
        ("body_diode_loss", part.designator): Expectation(loss, "W", EDGES, BODY_LOSS, 0.02),
        ("reverse_current_share", one.output.name): Expectation(share, "1", EDGES, BACK, REVERSE),
    }


def _ends(current: Course) -> tuple[float, float]:
    """When a rectifier's course begins to conduct and ends [s]."""
    live = np.nonzero(current.value > SMALLEST_SHARE * peak_of(current))[0]
    return float(current.time[live[0]]), float(current.time[min(live[-1] + 1, current.time.size - 1)])


def _risen(params: Params, since: FloatArray) -> FloatArray:
    """Share of its current that a rectifier has taken over at the most, some time [s] after its begin: 1 - cos.

    The leakage's current turns with the drain's capacitance while it leaves the primary, before it meets the clamp.
    """
    omega = 1 / math.sqrt(params.primary.leakage_inductance * switch_capacitance(params))
    return np.where(omega * since < 0.5 * math.pi, 1 - np.cos(np.minimum(omega * since, 0.5 * math.pi)), 1.0)


def _body_loss(part: Switch, time: FloatArray, current: FloatArray) -> float:
    """Energy a whole place's body diodes turn to heat [J]."""
    conducting = current[current > 0]
    mean = float(np.mean(conducting)) if conducting.size else 0.0
    threshold, slope = body_tangent(part, max(mean, SMALLEST_CURRENT))
    return float(np.trapezoid(threshold * current + slope * current**2, time))


def _reverse(params: Params, state: Solved, one: Secondary) -> float:
    """Current that a late turn-off lets run backwards [A]: of the core, or of the leakage once it has taken over."""
    late, ratio = max(-params.rectifier_lead, 0.0), params.primary.ideal_ratio(one.winding)
    if late == 0:
        return 0.0
    if state.cycle.is_continuous:
        slope = (state.on_voltage + state.reflected) / params.primary.leakage_inductance
        return ratio * slope * max(late - state.cycle.takeover, 0.0)
    return ratio * late * state.reflected / params.primary.magnetising_inductance
