"""Figures of converters with a transformer: tank, flux, soft switching, timing of synchronous rectifiers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy.integrate import cumulative_trapezoid

from harness.contracts import FloatArray, Metric
from harness.postprocess.period import Period
from harness.postprocess.waveform import mean, rms

RESET_FROM = 0.3  # of the core's peak: from there a clamp diode's current is followed to zero by the core's own slope
CONDUCTS = 0.005  # of its peak: a rectifier with less current does not conduct


def resonant_metrics(period: Period, item: Mapping[str, Any]) -> list[Metric]:
    """Peak voltage across one of the resonant capacitors in series."""
    voltage = np.abs(period(item["voltage"])) / item["series"]
    return [period.largest("resonant_capacitor_voltage_peak", item["designator"], "V", [voltage])]


def transformer_metrics(period: Period, item: Mapping[str, Any]) -> list[Metric]:
    """Primary current, magnetising current, and the swing of the flux linkage it stands for."""
    name, primary, magnetising = item["designator"], period(item["primary"]), period(item["magnetising"])
    return [
        period.largest("primary_current_peak", name, "A", [np.abs(primary)]),
        period.metric("primary_current_rms", name, rms(period.time, primary), "A"),
        period.largest("magnetising_current_peak", name, "A", [np.abs(magnetising)]),
        period.metric("flux_linkage_swing", name, item["inductance"] * float(np.ptp(magnetising)), "V s"),
    ]


def clamp_metrics(period: Period, clamp: Mapping[str, Any]) -> list[Metric]:
    """Mean voltage of a clamp's capacitor, and what one piece of its resistor turns to heat."""
    voltage = period(clamp["voltage"])
    heat = rms(period.time, voltage) ** 2 / clamp["resistance"] / clamp["pieces"]
    return [
        period.metric("clamp_voltage", clamp["capacitor"], mean(period.time, voltage), "V"),
        period.metric("clamp_dissipation", clamp["resistor"], heat, "W"),
    ]


def core_metrics(period: Period, core: Mapping[str, Any]) -> list[Metric]:
    """Peak of a core's magnetising current, and the swing of its flux linkage by the voltage across it."""
    linked = np.concatenate(([0.0], cumulative_trapezoid(period(core["voltage"]), period.time)))
    return [
        period.largest("magnetising_current_peak", core["designator"], "A", [np.abs(period(core["current"]))]),
        period.metric("flux_linkage_swing", core["designator"], float(np.ptp(linked)), "V s"),
    ]


def level_metrics(period: Period, level: Mapping[str, Any]) -> list[Metric]:
    """Mean of a voltage that follows and is not regulated."""
    value = mean(period.time, period(level["signal"]))
    return [period.metric(level["metric"], level["subject"], value, "V")]


def commutation_metrics(period: Period, item: Mapping[str, Any]) -> list[Metric]:
    """The charge a current moves in the dead time about each edge over the charge the node needs; the least of all.

    An edge is its place in the period, counted from the run's end, and the sign of the current that helps it.
    """
    length = period.stop - period.start
    charges = []
    for fraction, sign in item["edges"]:
        begin = (fraction * length - 0.5 * item["dead_time"]) % length
        span = np.linspace(begin, begin + item["dead_time"], 60)
        current = np.interp(span % length, period.time - period.start, sign * period(item["current"]))
        charges.append(float(np.trapezoid(current, span)))
    return [period.metric("soft_switching_margin", item["designator"], min(charges) / item["charge"], "1")]


def rectifier_metrics(period: Period, item: Mapping[str, Any]) -> list[Metric]:
    """Time and loss of a synchronous rectifier's body diode, reverse current over the rail's, conduction intervals."""
    length = period.stop - period.start
    time = period.time - period.start
    body, lost, reverse, counts = [], [], [], []
    for place in item["places"]:
        current = -period(place["current"])
        on, off = (period.solution.get(f"edge.{place['gate']}.{side}", 0.0) for side in ("on", "off"))
        moved = place.get("per_duty", 0.0) * period.solution[place["duty"]] if "duty" in place else 0.0
        since = (time - (place["origin"] + moved) * length) % length
        gated = ((since - on) % length) < max(off - on, 0.0)
        conducts = current > CONDUCTS * float(np.max(current))
        alone = conducts & ~gated
        body.append(_time(time, alone))
        lost.append(mean(time, np.where(alone, -period(place["voltage"]) * current, 0.0)) / item["pieces"])
        # a channel that turns on by time may empty its own capacitance first: that is none of the current's reversal
        begun = since >= np.min(since[conducts]) if item.get("timed") else np.full(since.size, True)
        reverse.append(max(-float(np.min(current[begun])), 0.0))
        counts.append(int(np.sum(conducts[1:] & ~conducts[:-1]) + (conducts[0] and not conducts[-1])))
    name = item["designator"]
    return [
        period.metric("body_diode_time", name, max(body), "s"),
        period.metric("body_diode_loss", name, max(lost), "W"),
        period.metric("reverse_current_share", item["rail"], max(reverse) / item["rail_current"], "1"),
        period.metric("conduction_intervals", name, float(max(counts)), "1"),
        period.metric("rectifier_branches", name, period.solution["branches"], "1"),
    ]


def reset_metrics(period: Period, item: Mapping[str, Any]) -> list[Metric]:
    """What is left of the period between the core's reset and the next turn-on; below 0 where it is not reset.

    The reset ends where the clamp diode's straight current comes to zero, the turn-on is where the primary's voltage
    last passes half of the bus upwards. A current left at the turn-on counts as the time the bus would take for it.
    """
    length = period.stop - period.start
    time, clamp = period.time - period.start, period(item["clamp"])
    across = period(item["start"]) - period(item["end"])
    bus = float(np.max(across))
    turn_on = float(time[np.nonzero(across < 0.5 * bus)[0][-1]])
    inside = np.nonzero(clamp > RESET_FROM * float(np.max(period(item["magnetising"]))))[0]
    end = float(time[inside[-1]])
    left = float(clamp[inside[-1]]) * item["inductance"] / bus
    margin = (turn_on - end - left) / length
    return [period.metric("reset_margin", item["designator"], margin, "1", float(period.start + end))]


def _time(time: FloatArray, chosen: np.ndarray[Any, np.dtype[np.bool_]]) -> float:
    """Time in which something holds [s]; a step counts by the share of its ends that hold."""
    return float(cumulative_trapezoid(chosen.astype(np.float64), time)[-1])
