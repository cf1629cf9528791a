"""Edges of a flyback's switch by hand: when they act, what the channel carries, what they do to either side.

The turn-on is a cell of the switch and of all rectifiers as the primary sees them, with the leakage as its loop; the
clamp's diode sees another, with the loop's own inductance. Both are solved in ``commutation``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import exp1

from harness.handcalc import flyback_rails as rails
from harness.handcalc.channel import EULER, rise_ahead, time_constant
from harness.handcalc.commutation import Cell, Commutation, turn_on
from harness.handcalc.flyback_synchronous import line_of
from harness.handcalc.switching_waveform import body_tangent, diode_tangent_of
from netlists.point import Condition
from netlists.stages.flyback import switch_law
from netlists.stages.flyback_params import (
    Params,
    drain_capacitance,
    leakage_damping,
    rectifier_capacitance,
    switch_capacitance,
)
from netlists.stages.switching import SHORT, loop_damping

SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]
EDGE_STEPS = 240  # of a turn-on


@dataclass(frozen=True, slots=True)
class Leaving:
    """What a turn-on meets: drain just before it [V], core's current where it is continuous and as it fell [A]."""

    is_continuous: bool
    drain: float
    valley: float
    first: float


def turn_off_lag(params: Params, condition: Condition) -> float:
    """From the gate's knee to where the drain's straight rise begins, seen back from it [s]."""
    law = switch_law(params, condition)
    return min(rise_ahead(law, params.switch.parallel, drain_capacitance(params)), law.lead_off)


def channel_peak(params: Params, condition: Condition, peak: float, slope: float) -> float:
    """Largest current of the channel [A] that rises at ``slope`` [A/s] to a peak where the drain's rise begins.

    Of the current the channel keeps u exp(-x), u = exp(exp(-x)) E1(exp(-x)) the solution that ``rise_ahead`` uses.
    """
    law = switch_law(params, condition)
    tau = time_constant(law)
    x = np.linspace(-5.0, 3.0, 200)
    kept = np.exp(-x) * np.exp(np.exp(-x)) * exp1(np.exp(-x))
    return float(np.max((peak + slope * tau * (x - EULER)) * kept))


def discharge(params: Params, condition: Condition, drain: float) -> tuple[float, float]:
    """Peak [A] and time-integral of the square [A2s] of the current that empties the drain's capacitance at a turn-on.

    The channel's conductance rises as g exp(t / tau), so the drain falls as V exp(-y), y = g tau / C: the current
    C V / tau y exp(-y) is largest near y = 1, and its square integrates to (C V)^2 / (4 tau). Meanwhile the leakage
    begins to charge the rectifiers' junctions, which adds to the peak: stepped. Own derivation.
    """
    law = switch_law(params, condition)
    tau = time_constant(law)
    clamp, leakage, junctions = params.clamp.diode, params.primary.leakage_inductance, rectifier_capacitance(params)
    level = max(drain, 0.0)
    charge = (switch_capacitance(params) + clamp.junction_capacitance * clamp.parallel) * level
    time = np.linspace(-3.0, 3.0, EDGE_STEPS) * tau  # about y = 1
    y = np.exp(time / tau)
    fallen, step = level * (1 - np.exp(-y)), float(time[1] - time[0])
    current, charged, largest = 0.0, 0.0, 0.0
    for emptied, volts in zip(charge / tau * y * np.exp(-y), fallen, strict=True):
        across = float(volts) - charged
        current += across / leakage * step
        charged += current / junctions * step
        largest = max(largest, float(emptied) + current + across / leakage_damping(params))
    return largest, charge**2 / (4 * tau)


def main_cell(params: Params, condition: Condition, current: float) -> Cell:
    """The turn-on as a cell of two places, switch and all rectifiers as the primary sees them; the leakage is its loop.

    The bus and what the rectifiers hold the primary at lie in series across both; the core's current enters between.
    """
    primary, lead = params.primary, params.secondaries[0]
    ratio = primary.ideal_ratio(lead.winding)
    threshold, slope = line_of(lead.rectifier, current * ratio, alone=True)
    damped = [(one.snubber, primary.ideal_ratio(one.winding)) for one in params.secondaries if one.snubber is not None]
    snubber = None
    if damped:
        snubber = (
            1 / sum(1 / (part.resistance * n**2) for part, n in damped),
            sum(part.capacitance / n**2 for part, n in damped),
        )
    resistance = primary.primary_resistance + (params.sense_resistance or SHORT)
    clamp = params.clamp.diode.junction_capacitance * params.clamp.diode.parallel
    return Cell(
        True, primary.leakage_inductance, leakage_damping(params), resistance, 0.0,
        switch_capacitance(params) + clamp, rectifier_capacitance(params), switch_law(params, condition),
        params.switch.parallel, threshold * ratio, (slope + lead.winding.resistance) * ratio**2,
        *body_tangent(params.switch, max(current, SMALLEST_CURRENT)), snubber=snubber,
    )  # fmt: skip


def clamp_cell(params: Params, condition: Condition, current: float) -> Cell:
    """The turn-on as the clamp's diode sees it: the switch below, the diode above, the loop around both."""
    strays, capacitance = params.strays, switch_capacitance(params)
    return Cell(
        False, strays.loop_inductance, loop_damping(strays, capacitance), SHORT, 0.0,
        capacitance, params.clamp.diode.junction_capacitance * params.clamp.diode.parallel,
        switch_law(params, condition), params.switch.parallel,
        *diode_tangent_of(params.clamp.diode, max(current, SMALLEST_CURRENT)),
        *body_tangent(params.switch, max(current, SMALLEST_CURRENT)),
    )  # fmt: skip


def held_voltage(params: Params, voltage: float) -> float:
    """What the regulated rail's bank [V] holds the primary at through its winding [V]."""
    return voltage * params.primary.ideal_ratio(params.secondaries[0].winding)


def turn_ons(
    params: Params, condition: Condition, leaving: Leaving, clamp_voltage: float
) -> tuple[Commutation, Commutation]:
    """Turn-on of the switch against the rectifiers, and as the clamp's diode sees it."""
    supply = condition.line_voltage
    held = held_voltage(params, rails.first_voltage(params, condition))
    middle = None if leaving.is_continuous else supply + held - leaving.drain
    on = turn_on(main_cell(params, condition, leaving.valley), supply + held, leaving.valley, 0.0, middle)
    cell = clamp_cell(params, condition, 0.1 * leaving.first)
    return on, turn_on(cell, supply + clamp_voltage, 0.0, 0.0, max(leaving.drain, 0.0))
