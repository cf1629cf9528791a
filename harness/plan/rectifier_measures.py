"""How runs of the rectifier and bulk stage are measured: run inside the worker, at full precision.

A recipe is a measure with its numbers in plain JSON types; it is stored with each run, so that the run can be
measured again.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from harness.contracts import FloatArray, Metric, Run
from harness.postprocess import holdup, inrush, ripple, stress, waveform
from netlists.record import SupplyRecord

KIND = "rectifier_bulk"
POSTPROCESS_VERSION = "5"  # raised with every change of what a measure gives, names included


@dataclass(frozen=True, slots=True)
class Subjects:
    """Designators and counts the metrics are about, from the record.

    Parameters
    ----------
    names : role -> designator; bulk parts go by their own designators
    banks : (designator, strings in parallel, cans in a string)
    rectifier_parallel : packages or diodes in parallel;  per_package : ratings of the package, not of one diode
    bridge_feed : four places, not one
    """

    names: tuple[tuple[str, str], ...]
    banks: tuple[tuple[str, int, int], ...]
    rectifier_parallel: int
    per_package: bool
    bridge_feed: bool

    @property
    def by_role(self) -> dict[str, str]:
        """Role -> designator."""
        return dict(self.names)


def subjects(record: SupplyRecord, instance: str, feed: str) -> Subjects:
    """Who is who in an instance."""
    names = {}
    for role in ("rectifier", "fuse", "inrush_limiter", "bypass_relay"):
        for designator, _, _ in record.parts_in_role(instance, role):
            names[role] = designator
    bulk = record.parts_in_role(instance, "bulk")
    rectifier = record.parts_in_role(instance, "rectifier")[0][2]
    return Subjects(
        tuple(names.items()),
        tuple((designator, part.parallel, part.series) for designator, _, part in bulk),
        rectifier.parallel,
        getattr(rectifier, "kind", "") == "bridge_rectifier",
        feed != "half_wave",
    )


def _signal(run: Run, name: str) -> FloatArray:
    return run.signals[name].values


def _time(run: Run) -> FloatArray:
    assert run.axis is not None  # an ok run has one
    return run.axis.values


def measure_inrush(
    run: Run, *, who: Subjects, heat_capacity: float | None = None, dissipation: float = 0.0, ambient: float = 0.0
) -> tuple[Metric, ...]:
    """Inrush metrics of a run from switching on to its end.

    ``heat_capacity`` [J/K], ``dissipation`` [W/K] and ``ambient`` [degC] are the thermistor's: its energy is what
    warmed it and what it gave off meanwhile. None: its metrics are left out.
    """
    time, line = _time(run), _signal(run, "line_current")
    start, stop = float(time[0]), float(time[-1])  # the first point lies a fraction of a step after 0
    names = who.by_role
    device = names["rectifier"]
    share = who.rectifier_parallel
    reverse = _signal(run, "diode_reverse_voltage")
    if who.bridge_feed:
        # two diodes in series lie across the bulk; how they share it is up to their leakage, so one may take it all
        reverse = np.maximum(reverse, _signal(run, "bulk_voltage"))
    found = [
        inrush.inrush_peak("line", time, line, stop),
        inrush.inrush_i2t(names.get("fuse", "line"), time, line, stop),
        _renamed(inrush.inrush_peak(device, time, line / share, stop), "rectifier_surge_peak"),
        _renamed(inrush.inrush_i2t(device, time, line / share, stop), "rectifier_surge_i2t"),
        stress.highest("diode_reverse_peak", device, "V", time, reverse, start, stop),
    ]
    bulk = _signal(run, "bulk_voltage")
    for designator, _, series in who.banks:
        found.append(stress.highest("bulk_voltage_peak", designator, "V", time, bulk / series, start, stop))
    if heat_capacity is not None and "thermistor_temperature" in run.signals and "inrush_limiter" in names:
        name, warm = names["inrush_limiter"], _signal(run, "thermistor_temperature")
        given_off = dissipation * (waveform.mean(time, warm) - ambient) * (stop - start)
        energy = heat_capacity * float(warm[-1] - warm[0]) + given_off
        found.append(Metric("thermistor_energy", name, energy, "J", (start, stop)))
        found.append(stress.highest("thermistor_temperature", name, "degC", time, warm, start, stop))
    return tuple(found)


def measure_restart(run: Run, *, who: Subjects, study: str) -> tuple[Metric, ...]:
    """Currents of a restart, under names that begin with the study's."""
    time, line = _time(run), _signal(run, "line_current")
    start, stop = float(time[0]), float(time[-1])
    names, share = who.by_role, who.rectifier_parallel
    found = [
        _renamed(inrush.inrush_peak("line", time, line, stop), f"{study}_peak"),
        _renamed(inrush.inrush_i2t(names.get("fuse", "line"), time, line, stop), f"{study}_i2t"),
        _renamed(inrush.inrush_peak(names["rectifier"], time, line / share, stop), f"{study}_surge_peak"),
    ]
    if study == "held_relay":
        contact = _signal(run, "contact_current")
        found.append(stress.peak("held_relay_contact_peak", names["bypass_relay"], "A", time, contact, start, stop))
    return tuple(found)


def measure_closing(run: Run, *, who: Subjects, closes_at: float, study: str) -> tuple[Metric, ...]:
    """Second peak of the line current and the contact's making current, from the relay's closing [s] on.

    The names begin with the study's: ``relay_closing`` or ``relay_late``.
    """
    time = _time(run)
    stop = float(time[-1])
    line, contact = _signal(run, "line_current"), _signal(run, "contact_current")
    return (
        stress.peak(f"{study}_peak", "line", "A", time, line, closes_at, stop),
        stress.peak(f"{study}_contact", who.by_role["bypass_relay"], "A", time, contact, closes_at, stop),
    )


def measure_spike(run: Run) -> tuple[Metric, ...]:
    """Peak of the X capacitors' charging current."""
    time = _time(run)
    line = _signal(run, "line_current")
    return (stress.peak("x_capacitor_spike", "line", "A", time, line, float(time[0]), float(time[-1])),)


def measure_stuck_relay(run: Run, *, who: Subjects, period: float) -> tuple[Metric, ...]:
    """Line ripple with the relay open for good: the thermistor carries the running current."""
    found = measure_line_ripple(run, who=who, period=period)
    carried = next(metric for metric in found if metric.name == "thermistor_current_rms")
    return (*found, _renamed(carried, "stuck_relay_current"))


def measure_regulated(run: Run, *, who: Subjects, period: float) -> tuple[Metric, ...]:
    """Bulk of a regulated bus over the last line period of a run."""
    time, bulk = _time(run), _signal(run, "bulk_voltage")
    stop = float(time[-1])
    start = stop - period
    found = [
        ripple.ripple("bulk_ripple", "bulk", time, bulk, start, stop),
        ripple.trough("bulk_voltage_trough", "bulk", time, bulk, start, stop),
        ripple.drift("bulk_drift", "bulk", time, bulk, period),
        Metric("bulk_voltage_end", "bulk", float(bulk[-1]), "V", (start, stop), stop),
        stress.average("load_current_average", "bulk", "A", time, _signal(run, "load_current"), start, stop),
        stress.lowest("load_current_lowest", "bulk", "A", time, _signal(run, "load_current"), start, stop),
    ]
    for index, (designator, parallel, _) in enumerate(who.banks):
        per_can = _signal(run, f"bulk_current_{index}") / parallel
        found.append(stress.root_mean_square("bulk_can_current_rms", designator, "A", time, per_can, start, stop))
    return tuple(found)


def _renamed(metric: Metric, name: str) -> Metric:
    return dataclasses.replace(metric, name=name)


def measure_line_ripple(run: Run, *, who: Subjects, period: float) -> tuple[Metric, ...]:
    """Metrics of the last line period of a run, and what tells whether it had settled."""
    time, bulk, line = _time(run), _signal(run, "bulk_voltage"), _signal(run, "line_current")
    stop = float(time[-1])
    start = stop - period
    load = _signal(run, "load_current")
    device = who.by_role["rectifier"]
    current = _signal(run, "rectified_current" if who.per_package else "diode_current") / who.rectifier_parallel
    found = [
        ripple.ripple("bulk_ripple", "bulk", time, bulk, start, stop),
        ripple.trough("bulk_voltage_trough", "bulk", time, bulk, start, stop),
        stress.average("rectifier_current_average", device, "A", time, current, start, stop),
        stress.root_mean_square("rectifier_current_rms", device, "A", time, current, start, stop),
        stress.peak("rectifier_current_peak", device, "A", time, current, start, stop),
        stress.root_mean_square("line_current_rms", "line", "A", time, line, start, stop),
        ripple.drift("bulk_drift", "bulk", time, bulk, period),
        Metric("bulk_voltage_end", "bulk", float(bulk[-1]), "V", (start, stop), stop),
        stress.average("load_current_average", "bulk", "A", time, load, start, stop),
        stress.lowest("load_current_lowest", "bulk", "A", time, load, start, stop),
    ]
    for index, (designator, parallel, _) in enumerate(who.banks):
        per_can = _signal(run, f"bulk_current_{index}") / parallel
        found.append(stress.root_mean_square("bulk_can_current_rms", designator, "A", time, per_can, start, stop))
    if "thermistor_current" in run.signals and "inrush_limiter" in who.by_role:
        name = who.by_role["inrush_limiter"]
        heated = _signal(run, "thermistor_current")
        found.append(stress.root_mean_square("thermistor_current_rms", name, "A", time, heated, start, stop))
    return tuple(found)


def measure_holdup(run: Run, *, line_lost_at: float, end_voltage: float) -> tuple[Metric, ...]:
    """Hold-up of a run; no metric where the bulk stays above the end voltage to the end of the run."""
    load = _signal(run, "load_current") if "load_current" in run.signals else None
    metric = holdup.holdup_time("bulk", _time(run), _signal(run, "bulk_voltage"), line_lost_at, end_voltage, load)
    return () if metric is None else (metric,)


MEASURES = {
    function.__name__: function
    for function in (
        measure_inrush,
        measure_restart,
        measure_closing,
        measure_spike,
        measure_line_ripple,
        measure_stuck_relay,
        measure_regulated,
        measure_holdup,
    )
}


def recipe_of(measure: partial[tuple[Metric, ...]]) -> dict[str, Any]:
    """How a run is measured, in plain JSON types, so that a stored run can be measured again."""
    numbers = {
        key: dataclasses.asdict(value) if isinstance(value, Subjects) else value
        for key, value in measure.keywords.items()
    }
    return {"kind": KIND, "name": measure.func.__name__, "numbers": json.loads(json.dumps(numbers))}


def postprocess_version(recipe: Mapping[str, Any]) -> str:
    """Text that changes when the code or the numbers of a recipe do: stored metrics of another one are stale."""
    return f"{POSTPROCESS_VERSION} {json.dumps(recipe, sort_keys=True)}"


def measure_of(recipe: Mapping[str, Any]) -> partial[tuple[Metric, ...]]:
    """The measure a stored recipe stands for; KeyError where this program has none of that name."""
    numbers = dict(recipe["numbers"])
    if "who" in numbers:
        who = numbers["who"]
        numbers["who"] = Subjects(
            tuple((role, designator) for role, designator in who["names"]),
            tuple((designator, parallel, series) for designator, parallel, series in who["banks"]),
            who["rectifier_parallel"], who["per_package"], who["bridge_feed"],
        )  # fmt: skip
    return partial(MEASURES[recipe["name"]], **numbers)
