"""Runs the product's own rectifier_bulk stage with ordinary parameters and reads it with the product's own metrics.

Ideal parts of a textbook are near-ideal parts here, never a branch in the product: a diode of 10 mV at 1 A and an
emission coefficient of 0.02 under a source of a hundred volts or more, nanohenries, micro-ohms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from harness.contracts import FloatArray, Metric, Run, Transient
from harness.plan.rectifier_bulk import Subjects, measure_line_ripple
from harness.postprocess import stress, waveform
from harness.simulate.case import transient_case
from harness.simulate.worker import simulate
from netlists.point import Condition
from netlists.stages import rectifier_bulk as stage
from netlists.stages.banks import Bank
from netlists.stages.rectifier_bulk import Params, Rectifier, Scenario

# What a simulation of ours may claim (architecture.md, rules of numbers); wherever one is used, the reason why this
# one applies stands beside it.
MEANS = 0.003  # means, RMS values and times between slow crossings
RIPPLE = 0.01  # a difference of two close voltages, and peaks of a current that no stray sharpens
RINGING = 0.03  # peaks set by an inductance and by the instant of an edge
# Of a tolerance, how much halving the step may change: of a second-order method 4/3 of the change was the error before.
CONVERGED = 0.75

STEPS_PER_PERIOD = 2000  # twice the product's own, for the angles: a current sets in or ends anywhere within a step
EDGE = 360 / STEPS_PER_PERIOD  # [deg]: one step, between whose ends a crossing of the reading level is interpolated
CONDUCTION = 2 * EDGE  # [deg]: two such edges
IDEAL_FORWARD_VOLTAGE = 0.01  # of a near-ideal diode at 1 A [V]
IDEAL_EMISSION = 0.02  # 0.5 mV a factor of e in current
IDEAL_SLOPE = 1e-6  # [ohm]
READING_LEVEL = 1e-3  # of its peak: a diode conducts above this

WHO = Subjects((("rectifier", "D1"),), (("C1", 1, 1),), 1, per_package=False, bridge_feed=False)


def ideal_params(
    *,
    full_wave: bool,
    series_resistance: float,
    capacitance: float,
    load_resistance: float | None = None,
    inductance: float = 1e-9,
    esr: float = 1e-6,
    forward_voltage: float = IDEAL_FORWARD_VOLTAGE,
    test_current: float = 1.0,
    emission: float = IDEAL_EMISSION,
) -> Params:
    """A rectifier as textbooks draw it: all resistance in the line."""
    return Params(
        feed="bridge" if full_wave else "half_wave",
        rectifier=Rectifier("single", forward_voltage, test_current, IDEAL_SLOPE, emission),
        bulk=(Bank("C1", capacitance, esr),),
        load="constant_power" if load_resistance is None else "resistance",
        load_resistance=load_resistance,
        line_resistance=series_resistance,
        line_inductance=inductance,
    )


def mains(peak: float, frequency: float, **changed: float) -> Condition:
    """A sine by its peak [V]."""
    return replace(Condition(peak / math.sqrt(2), frequency, 0.0, 25.0), **changed)


def dc(voltage: float, output_power: float = 0.0) -> Condition:
    """A direct supply [V]."""
    return Condition(voltage, 0.0, output_power, 25.0, supply="dc")


def run_stage(params: Params, condition: Condition, scenario: Scenario) -> Run:
    """One run of the stage's bench at the options a verdict rests on."""
    circuit = stage.bench(params, condition, scenario)
    case = transient_case(
        circuit, stage.probes(params), Transient(scenario.stop, scenario.max_step), option_set="event_final"
    )
    return simulate(case, "reference")


def signal(run: Run, name: str) -> tuple[FloatArray, FloatArray]:
    """Time [s] and values of a signal."""
    assert run.axis is not None
    return run.axis.values, run.signals[name].values


def by_name(metrics: tuple[Metric, ...], subject: str = "") -> dict[str, Metric]:
    """Metrics by name, of one subject where a name has several."""
    return {metric.name: metric for metric in metrics if subject in ("", metric.subject)}


@dataclass(frozen=True)
class Settled:
    """The last line period of a run, in the product's metrics and two readings of conduction.

    Parameters
    ----------
    mean, ripple_rms, ripple : bulk voltage [V];  top : its highest value [V]
    conduction : of one pulse [deg];  on, off : line angle where the last pulse starts and ends, after the rising
        zero of the sine, folded into its half wave [deg]
    """

    metrics: dict[str, float]
    mean: float
    top: float
    ripple_rms: float
    ripple: float
    conduction: float
    on: float
    off: float


@cache
def settled(
    params: Params,
    condition: Condition,
    bulk_start: float,
    periods: int,
    steps: int = STEPS_PER_PERIOD,
) -> Settled:
    """Runs from a stated bulk voltage at the sine's zero over some line periods and reads the last."""
    period = 1 / condition.line_frequency
    stop = periods * period
    run = run_stage(params, condition, Scenario(stop, period / steps, bulk_start=bulk_start))
    time, bulk = signal(run, "bulk_voltage")
    start = stop - period
    metrics = {name: metric.value for name, metric in by_name(measure_line_ripple(run, who=WHO, period=period)).items()}
    mean = stress.average("mean", "bulk", "V", time, bulk, start, stop).value
    alternating = stress.root_mean_square("ripple_rms", "bulk", "V", time, bulk - mean, start, stop).value
    top = stress.highest("top", "bulk", "V", time, bulk, start, stop).value
    half = 0.5 * period
    on, off = conduction(*waveform.window(*signal(run, "rectified_current"), start, start + half))
    degrees = 360 / period
    return Settled(
        metrics,
        mean,
        top,
        alternating,
        metrics["bulk_ripple"],
        (off - on) * degrees,
        (on - start) * degrees,
        (off - start) * degrees,
    )


def conduction(time: FloatArray, current: FloatArray) -> tuple[float, float]:
    """Instants [s] at which the one pulse of a stretch rises above and falls below the reading level."""
    level = READING_LEVEL * float(np.max(current))
    above = np.nonzero(current > level)[0]
    first, last = int(above[0]), int(above[-1])
    assert first > 0
    assert last < len(time) - 1
    assert np.all(current[first:last] > level)  # one pulse, not two
    rising = np.interp(level, current[first - 1 : first + 1], time[first - 1 : first + 1])
    falling = np.interp(-level, -current[last : last + 2], time[last : last + 2])
    return float(rising), float(falling)


def figures(text: str) -> tuple[float, float]:
    """Value of a printed number, and half a unit of its last digit: what rounding alone allows."""
    digits = len(text.partition(".")[2])
    return float(text), 0.5 * 10.0**-digits


def off_by(found: float, printed: str) -> float:
    """Relative difference to a printed number, what its rounding explains taken away."""
    value, rounding = figures(printed)
    gap = abs(found - value) - rounding
    return max(0.0, gap) / abs(value)
