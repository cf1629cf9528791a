"""By hand: what the body diode of a flyback's synchronous rectifier endures, what its channel lets run backwards."""

from __future__ import annotations

import math

import numpy as np

from harness.contracts import FloatArray
from harness.handcalc import flyback_gaps as own_gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.flyback_period import Solved, leakage_ring
from harness.handcalc.flyback_synchronous import SMALLEST_CURRENT, gated_span
from harness.handcalc.switching_gaps import Key, counted, widened
from harness.handcalc.switching_waveform import Course, body_tangent, peak_of
from netlists.stages.flyback_params import Params, Secondary, switch_capacitance
from netlists.stages.switching import Switch

CONDUCTS = 0.005  # of its peak: a rectifier with less current does not conduct
SMALLEST_SHARE = 1e-6  # of its peak: less is rounding
FINE = 4000  # instants of a conduction, of which body diodes take a hundredth

EDGES = "delay and lead as recorded, the rectifier's straight-pieced current within them"
RUNS_BACK = "swing of the leakage's ring, or the core's or the leakage's slope over what the turn-off is late"
BODY_TIME = Difference(-0.3, 0.5, "ramps of gates; where the leakage rings, its blips count too")
BODY_LOSS = Difference(-0.3, 0.3, "the current rises with the clamp's pulse, by straight pieces here")
BACK = Difference(-1.0, 0.6, "the ring's phase, and the channel closes by its gate's fall while the current reverses")
REVERSE = 0.02  # share of the rail's current that nobody would act on
BESIDE = 0.6  # of body diodes: what a rail with a diode takes from them


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
    share = _reverse(params, state, one, (on, off)) / one.output.load_current
    time_gap, loss_gap = BODY_TIME, BODY_LOSS
    if len(params.secondaries) > 1:
        time_gap, loss_gap = (widened(gap, BESIDE, own_gaps.SHARED) for gap in (time_gap, loss_gap))
    return {
        ("body_diode_time", part.designator): Expectation(lasting, "s", EDGES, time_gap, 30e-9),
        ("body_diode_loss", part.designator): Expectation(loss, "W", EDGES, loss_gap, 0.02),
        ("reverse_current_share", one.output.name): Expectation(share, "1", RUNS_BACK, BACK, REVERSE),
        **counted(part.designator, EDGES),
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


def _reverse(params: Params, state: Solved, one: Secondary, gated: tuple[float, float]) -> float:
    """Current that runs backwards through the channel [A].

    The leakage's ring turns it back where its swing is more than what flows, and that is at either end of the on-time
    first: the ring dies down by its own law, the current falls straight. A late turn-off lets the core's current run
    on backwards, or that of the leakage once it has taken over.
    """
    late, ratio = max(-params.rectifier_lead, 0.0), params.primary.ideal_ratio(one.winding)
    cycle, back = state.cycle, 0.0
    if late > 0:
        slope = state.reflected / params.primary.magnetising_inductance
        if cycle.is_continuous:
            slope = (state.on_voltage + state.reflected) / params.primary.leakage_inductance
            late -= cycle.takeover
        back = slope * max(late, 0.0)
    swing, _, decay = leakage_ring(params, cycle, state.clamp, state.reflected)
    begin = cycle.rise_time + cycle.edge_time
    for instant in gated if gated[1] > gated[0] else ():
        left = swing * math.exp(-decay * max(instant - begin - state.clamp.duration, 0.0))
        flows = cycle.first - (instant - begin) * state.reflected / params.primary.magnetising_inductance
        back = max(back, left - max(flows, 0.0))
    return ratio * back
