"""By hand: what the body diode of a buck's low place endures in diode emulation, and what runs backwards through it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.contracts import FloatArray
from harness.handcalc.buck_period import Phase, channel_span
from harness.handcalc.channel import time_constant
from harness.handcalc.commutation import Edges
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.switching_gaps import Key, counted
from harness.handcalc.switching_waveform import body_tangent, peak_of
from netlists.stages.buck import Rail, middle_capacitance
from netlists.stages.switching import GateLaw

BoolArray = NDArray[np.bool_]
SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]
CONDUCTS = 0.005  # of its peak: a place with less current does not conduct
FINE = 4000  # instants of a period, of which body diodes take a hundredth

EDGES = "dead times and lead as recorded, the choke's straight-pieced current within them"
RUNS_BACK = "slope of the choke's current over what the turn-off is late"
BODY_TIME = Difference(-0.4, 0.5, "ramps of gates and the middle's rise and fall, of which a dead time has few")
BODY_LOSS = Difference(-0.4, 0.4, "the same; channel and body diode share where the ramps lie")
BACK = Difference(-0.6, 0.6, "the channel closes by its gate's fall while the current reverses")
REVERSE = 0.02  # share of the rail's current that nobody would act on
HURRIED = Difference(-1.0, 0.5, "the middle's fall may take all of the dead time, and then the channel has it all")


def timing(rail: Rail, one: Phase, lost: Edges, input_voltage: float) -> dict[Key, Expectation]:
    """Time and loss of one piece's body diode, reverse current over the rail's; none without diode emulation.

    ``input_voltage`` : the middle falls by it before the body diode conducts [V]

    A Schottky beside the low place shares the body diode's time with it, which nobody tells by hand.
    """
    if not rail.emulates_diode or rail.low is None:
        return {}
    part, period = rail.low, one.choke.period
    slope = rail.voltage / rail.choke.inductance
    late = 0.0 if one.is_continuous else max(-rail.turn_off_lead, 0.0)
    share = slope * late / rail.load_current
    found = {
        ("reverse_current_share", rail.name): Expectation(share, "1", RUNS_BACK, BACK, REVERSE),
        **counted(part.designator, EDGES),
    }
    if rail.diode is not None:
        return found
    time = np.linspace(one.on_time, period, FINE)
    current = np.interp(time, one.choke.time, one.choke.value)
    on, off = channel_span(rail, one)
    on -= lost.delay_off  # its gate is counted from the knee, the middle falls later
    alone = (time < on) | (time >= off)
    alone &= _taken(time, current, 0.5 * input_voltage * middle_capacitance(rail))  # half of its fall is in the edge
    if not one.is_continuous:  # the middle must come down to the body diode's voltage once more
        last = time >= off
        alone[last] &= _taken(time[last], current[last], part.body_diode_voltage * middle_capacitance(rail))
    alone &= current > CONDUCTS * peak_of(one.choke)
    own = np.where(alone, current, 0.0)
    threshold, resistance = body_tangent(part, max(float(np.max(own)), SMALLEST_CURRENT))
    loss = float(np.trapezoid(threshold * own + resistance * own**2, time)) / period / part.parallel
    lasting = float(np.trapezoid(alone.astype(np.float64), time))
    return found | {
        ("body_diode_time", part.designator): Expectation(lasting, "s", EDGES, BODY_TIME, 15e-9),
        ("body_diode_loss", part.designator): Expectation(loss, "W", EDGES, BODY_LOSS, 0.02),
    }


def emptied(rail: Rail, one: Phase, law: GateLaw, input_voltage: float) -> float:
    """Largest current of a low channel that turns on while the middle has not come down yet [A]; 0 where it has.

    What is left of the middle's voltage at the knee, V, is emptied as in any turn-on: C V / (e tau), tau in which the
    channel's conductance changes by e.
    """
    capacitance = middle_capacitance(rail)
    begin = max(rail.dead_time_falling - law.lead_on, 0.0)  # the channel begins with its ramp
    left = input_voltage - 0.5 * one.peak * begin / capacitance
    return max(left, 0.0) * capacitance / (math.e * time_constant(law))


def hurried(found: dict[Key, Expectation]) -> dict[Key, Expectation]:
    """Currents of a Schottky beside a low place whose dead time the middle's fall may take up at a light load."""
    return {key: replace(one, difference=HURRIED) for key, one in found.items()}


def _taken(time: FloatArray, current: FloatArray, charge: float) -> BoolArray:
    """Where a current [A] has carried a charge [C] since the first instant [s]: until then capacitances take it."""
    carried = np.concatenate(([0.0], np.cumsum(0.5 * (current[1:] + current[:-1]) * np.diff(time))))
    return np.asarray(carried >= charge)
