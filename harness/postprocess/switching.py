"""Figures of one switching period: what every place, choke and capacitor endures, what is left as ripple.

A layout says which signals belong to which part: plain JSON types, made by the stage's plan, stored with the run. All
figures are taken from the last period of a run. Of equal phases the worst counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from scipy import signal as filters
from scipy.integrate import cumulative_trapezoid

from harness.contracts import FloatArray, Metric, Run
from harness.postprocess.isolated import (
    clamp_metrics,
    commutation_metrics,
    core_metrics,
    level_metrics,
    rectifier_metrics,
    reset_metrics,
    resonant_metrics,
    transformer_metrics,
)
from harness.postprocess.period import Period
from harness.postprocess.waveform import mean, rms

CONDUCTS = 0.02  # of its peak: a place with less current does not conduct
BLOCKS = 0.3  # of its peak: a place with less voltage is on its way there
PROBE_STEP = 1e-9  # of the grid the low pass works on [s]


def measure_steady(run: Run, *, layout: Mapping[str, Any]) -> tuple[Metric, ...]:
    """Every metric a layout asks for.

    Parameters
    ----------
    layout : lists ``controls``, ``places``, ``chokes``, ``banks``, ``outputs``, ``inputs``, and those of ``MORE``
    """
    period = Period(run)
    found = [
        period.metric(control["metric"], control["subject"], run.solution[control["solution"]], control["unit"])
        for control in layout["controls"]
    ]
    for place in layout["places"]:
        found += place_metrics(period, place)
    for choke in layout["chokes"]:
        found += choke_metrics(period, choke)
    for bank in layout["banks"]:
        current = period(bank["current"]) / bank["parallel"]
        found.append(period.metric("capacitor_current_rms", bank["designator"], rms(period.time, current), "A"))
    for output in layout["outputs"]:
        found += output_metrics(period, output)
    for feed in layout["inputs"]:
        found += input_metrics(period, feed)
    for name, measure in MORE.items():
        for item in layout.get(name, ()):
            found += measure(period, item)
    return tuple(found)


def place_metrics(period: Period, place: Mapping[str, Any]) -> list[Metric]:
    """Voltage and current of one piece of a place.

    The plateau is the median voltage while the place blocks and its counterpart conducts; the overshoot is the peak
    less the plateau.
    """
    kind, subject = place["kind"], place["designator"]
    voltages = [period(name) for name in place["voltages"]]
    currents = [place["sign"] * period(name) / place["pieces"] for name in place["currents"]]
    plateaus = []
    for voltage, names in zip(voltages, place["others"], strict=True):
        other = np.sum([np.abs(period(name)) for name in names], axis=0)
        blocks = (other > CONDUCTS * float(np.max(other))) & (voltage > BLOCKS * float(np.max(voltage)))
        plateaus.append(median_where(period.time, voltage, blocks))
    peak = period.largest(f"{kind}_voltage_peak", subject, "V", voltages)
    plateau = max(plateaus)
    return [
        period.metric(f"{kind}_voltage_plateau", subject, plateau, "V"),
        peak,
        period.metric(f"{kind}_voltage_overshoot", subject, peak.value - plateau, "V", peak.at),
        period.largest(f"{kind}_current_peak", subject, "A", [np.abs(current) for current in currents]),
        period.metric(f"{kind}_current_average", subject, max(mean(period.time, current) for current in currents), "A"),
        period.metric(f"{kind}_current_rms", subject, max(rms(period.time, current) for current in currents), "A"),
    ]


def median_where(time: FloatArray, values: FloatArray, chosen: np.ndarray[Any, np.dtype[np.bool_]]) -> float:
    """Time-weighted median over the steps whose both ends are chosen: ringing about a level leaves it; 0 for none."""
    both = chosen[:-1] & chosen[1:]
    if not np.any(both):
        return 0.0
    levels, steps = 0.5 * (values[:-1] + values[1:])[both], np.diff(time)[both]
    order = np.argsort(levels)
    passed = np.cumsum(steps[order])
    return float(levels[order][int(np.searchsorted(passed, 0.5 * passed[-1]))])


def choke_metrics(period: Period, choke: Mapping[str, Any]) -> list[Metric]:
    """Peak, RMS and swing of a choke's current, and the current it must bear without saturating."""
    subject = choke["designator"]
    currents = [period(name) for name in choke["currents"]]
    needed = []
    for current, (plus, minus) in zip(currents, choke["voltages"], strict=True):
        across = period(plus) - period(minus) - choke["winding_resistance"] * current
        needed.append(unsaturated_peak(period.time, current, across, choke["inductance"]))
    return [
        period.largest("choke_current_peak", subject, "A", currents),
        period.metric("choke_current_rms", subject, max(rms(period.time, current) for current in currents), "A"),
        period.metric("choke_ripple", subject, max(float(np.ptp(current)) for current in currents), "A"),
        period.metric("saturation_current_needed", subject, max(needed), "A"),
    ]


def unsaturated_peak(time: FloatArray, current: FloatArray, across: FloatArray, inductance: float) -> float:
    """Peak current [A] of a choke that does not saturate, at the same mean current under the same voltage.

    Parameters
    ----------
    across : voltage across its inductance, shape (n,) [V];  inductance : at no current [H]
    """
    course = np.concatenate(([0.0], cumulative_trapezoid(across, time))) / inductance
    return float(np.max(course)) - mean(time, course) + mean(time, current)


def output_metrics(period: Period, output: Mapping[str, Any]) -> list[Metric]:
    """Ripple at the bank, and through the probe where the bench has one."""
    found = [_swing(period, "output_ripple", output["subject"], period(output["bank"]))]
    if output["probe"]:
        signals = [output["probe"]["signal"], *output["probe"].get("others", [])]
        largest = max(_probed(period, signal, output["probe"]["bandwidth"]) for signal in signals)
        found.append(period.metric("output_ripple_probe", output["subject"], largest, "V"))
    return found


def _probed(period: Period, signal: str, bandwidth: float) -> float:
    """Swing of a signal over the last period, read through a low pass [V]."""
    time, voltage = period.whole(signal)
    read = low_pass(time, voltage, bandwidth)
    return float(np.ptp(read[-round((period.stop - period.start) / PROBE_STEP) :]))


def network_metrics(period: Period, network: Mapping[str, Any]) -> list[Metric]:
    """How branches share the load, what their resistances lose, current of one contact, ripple at every node."""
    time, found = period.time, []
    means = [mean(time, period(branch["current"])) for branch in network["branches"]]
    for branch, average in zip(network["branches"], means, strict=True):
        subject, (begin, end) = branch["subject"], branch["ends"]
        drop = mean(time, period(begin) - period(end))
        found += [
            period.metric("branch_current_average", subject, average, "A"),
            period.metric("branch_current_rms", subject, rms(time, period(branch["current"])), "A"),
            period.metric("branch_current_share", subject, average * len(means) / sum(means), "1"),
            period.metric("voltage_drop", subject, drop, "V"),
        ]
    for loss in network["losses"]:
        watts = loss["resistance"] * rms(time, period(loss["current"])) ** 2
        found.append(period.metric(loss["metric"], loss["designator"], watts, "W"))
    for contact in network["connectors"]:
        each = rms(time, period(contact["current"])) / contact["parallel"]
        found.append(period.metric("connector_current", contact["designator"], each, "A"))
    for node in network["nodes"]:
        found.append(_swing(period, "output_ripple", node["subject"], period(node["voltage"])))
        if node["bandwidth"]:
            read = _probed(period, node["voltage"], node["bandwidth"])
            found.append(period.metric("output_ripple_probe", node["subject"], read, "V"))
    return found


def low_pass(time: FloatArray, values: FloatArray, bandwidth: float) -> FloatArray:
    """A signal behind a first-order low pass, on a grid of ``PROBE_STEP``; exact for straight pieces.

    Parameters
    ----------
    bandwidth : -3 dB [Hz]
    """
    grid = np.arange(time[0], time[-1], PROBE_STEP)
    sampled = np.interp(grid, time, values)
    ratio = 2 * math.pi * bandwidth * PROBE_STEP
    decay = math.exp(-ratio)
    share = (1 - decay) / ratio
    taps = [1 - share, share - decay]
    rest = np.array([(taps[1] + decay) * sampled[0]])  # as if it had stood at its first value for long
    passed, _ = filters.lfilter(taps, [1.0, -decay], sampled, zi=rest)
    return np.asarray(passed, dtype=np.float64)


def input_metrics(period: Period, feed: Mapping[str, Any]) -> list[Metric]:
    """Ripple of the input bank, of what the phases draw from it, and how far interleaving cancels it."""
    found = []
    if feed["voltage"]:
        found.append(_swing(period, "input_ripple", feed["subject"], period(feed["voltage"])))
    drawn = np.sum([sign * period(name) for sign, name in feed["drawn"]], axis=0)
    alternating = rms(period.time, drawn - mean(period.time, drawn))
    found.append(period.metric("input_ripple_current", feed["subject"], alternating, "A"))
    return found + [cancellation(period, group) for group in feed["interleaved"]]


def cancellation(period: Period, group: Mapping[str, Any]) -> Metric:
    """What interleaving leaves of the ripple: swing of all choke currents together over the largest of one."""
    currents = [period(name) for name in group["currents"]]
    ratio = float(np.ptp(np.sum(currents, axis=0))) / max(float(np.ptp(current)) for current in currents)
    return period.metric("ripple_cancellation", group["subject"], ratio, "1")


def _swing(period: Period, name: str, subject: str, values: FloatArray) -> Metric:
    lowest = int(np.argmin(values))
    return period.metric(name, subject, float(np.ptp(values)), "V", float(period.time[lowest]))


# Lists of a layout that only some stages have, and what measures their items.
MORE: dict[str, Callable[[Period, Mapping[str, Any]], list[Metric]]] = {
    "resonant": resonant_metrics,
    "transformers": transformer_metrics,
    "commutations": commutation_metrics,
    "rectifiers": rectifier_metrics,
    "networks": network_metrics,
    "clamps": clamp_metrics,
    "cores": core_metrics,
    "levels": level_metrics,
    "resets": reset_metrics,
}
