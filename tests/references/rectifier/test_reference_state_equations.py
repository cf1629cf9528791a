"""The stage against the same rectifier as state equations of our own (``own_equations.py``), solved by scipy.

Waveforms first: the grid, then the error scaled to the reference's span, RMS and maximum both bounded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from own_equations import Disc, Junction, OwnRectifier
from rectifier_bench import CONVERGED, MEANS, RIPPLE, by_name, run_stage

from harness.contracts import FloatArray, Metric
from harness.plan.rectifier_bulk import Subjects, measure_inrush, measure_line_ripple
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.rectifier_bulk import Params, Rectifier, Scenario, Thermistor

VOLTAGE, FREQUENCY = 230.0, 50.0
PERIOD = 1 / FREQUENCY
PEAK = VOLTAGE * math.sqrt(2)
GRID_POINTS = 20_001
WHO = Subjects(
    (("rectifier", "D1"), ("inrush_limiter", "RT1")),
    (("C1", 1, 1), ("C2", 2, 1)),
    1,
    per_package=True,
    bridge_feed=True,
)

RMS_ERROR = MEANS  # of the span: what a mean may claim
LARGEST_ERROR = RIPPLE  # of the span: at an edge the waveform moves sideways by a fraction of a step of 20 us


@dataclass(frozen=True)
class Compared:
    time: FloatArray
    simulated: dict[str, FloatArray]
    reference: dict[str, FloatArray]
    metrics: dict[str, Metric]
    cans: dict[str, Metric]


def both(params: Params, condition: Condition, scenario: Scenario, own: OwnRectifier, measured) -> Compared:
    """The stage and the equations on one grid."""
    run = run_stage(params, condition, scenario)
    time = run.axis.values
    grid = np.linspace(0.0, scenario.stop, GRID_POINTS)
    current, bulk, capacitors, temperature = own.solve(scenario.stop, scenario.bulk_start, grid)
    into = [(bulk - v) / esr for v, (_, esr) in zip(capacitors, own.banks, strict=True)]
    reference = {
        "rectified_current": current,
        "bulk_voltage": bulk,
        "load_current": own.power / bulk if own.power else np.zeros_like(bulk),
        "thermistor_temperature": temperature,
    } | {f"bulk_current_{index}": values for index, values in enumerate(into)}
    simulated = {name: np.interp(grid, time, run.signals[name].values) for name in reference if name in run.signals}
    metrics = measured(run)
    cans = {metric.subject: metric for metric in metrics if metric.name == "bulk_can_current_rms"}
    return Compared(grid, simulated, reference, by_name(metrics), cans)


def assert_waveforms_agree(pair: Compared, *names: str) -> None:
    for name in names:
        found, reference = pair.simulated[name], pair.reference[name]
        assert found.shape == reference.shape == pair.time.shape
        span = np.ptp(reference)
        error = (found - reference) / span
        assert np.sqrt(np.mean(error**2)) <= RMS_ERROR, name
        assert np.max(np.abs(error)) <= LARGEST_ERROR, name


# --- settled on a constant power, two banks with different time constants

DIODE = {"forward_voltage": 0.95, "forward_test_current": 3.0, "slope_resistance": 0.02, "emission_coefficient": 1.8}
JUNCTION = Junction(0.95, 3.0, 0.02, 1.8)
POWER, EFFICIENCY = 150.0, 0.85
PERIODS = 4


@cache
def running(steps: int) -> Compared:
    params = Params(
        feed="bridge",
        rectifier=Rectifier("bridge", **DIODE),
        bulk=(Bank("C1", 150e-6, 0.35), Bank("C2", 33e-6, 1.2, parallel=2)),
        load="constant_power",
        line_resistance=0.5,
        line_inductance=200e-6,
        converter_efficiency=EFFICIENCY,
        undervoltage_cutoff=150.0,
        undervoltage_restart=200.0,
        fuse_resistance=0.05,
        choke_resistance=0.3,
        choke_inductance=150e-6,
    )
    own = OwnRectifier(
        PEAK, FREQUENCY, 0.0, 0.5 + 0.05 + 0.3, 350e-6, JUNCTION, ((150e-6, 0.35), (66e-6, 0.6)), POWER / EFFICIENCY
    )
    scenario = Scenario(PERIODS * PERIOD, PERIOD / steps, bulk_start=300.0)
    condition = Condition(VOLTAGE, FREQUENCY, POWER, 25.0)
    return both(params, condition, scenario, own, lambda run: measure_line_ripple(run, who=WHO, period=PERIOD))


def last_period(pair: Compared) -> dict[str, float]:
    """The reference's metrics, by sums of its own."""
    inside = pair.time >= (PERIODS - 1) * PERIOD - 1e-12
    of = {name: values[inside] for name, values in pair.reference.items()}

    def rms(values: FloatArray) -> float:
        return math.sqrt(np.mean(values[:-1] ** 2))  # equal steps over a period: the sum is the integral

    current, bulk = of["rectified_current"], of["bulk_voltage"]
    return {
        "bulk_ripple": np.max(bulk) - np.min(bulk),
        "bulk_voltage_trough": np.min(bulk),
        "rectifier_current_average": np.mean(current[:-1]),
        "rectifier_current_rms": rms(current),
        "line_current_rms": rms(current),
        "rectifier_current_peak": np.max(current),
        "load_current_average": np.mean(of["load_current"][:-1]),
        "bulk_voltage_end": bulk[-1],
        "C1": rms(of["bulk_current_0"]),
        "C2": rms(of["bulk_current_1"]) / 2,  # two cans
    }


RUNNING_TOLERANCES = {
    "bulk_ripple": RIPPLE,
    "bulk_voltage_trough": MEANS,
    "rectifier_current_average": MEANS,
    "rectifier_current_rms": MEANS,
    "line_current_rms": MEANS,
    "rectifier_current_peak": RIPPLE,  # a smooth crest of 2 ms
    "load_current_average": MEANS,
    "bulk_voltage_end": MEANS,
}


def test_running_waveforms():
    """From 300 V, so that the first charge is larger than the settled ones."""
    pair = running(1000)
    assert_waveforms_agree(pair, "bulk_voltage", "rectified_current", "bulk_current_0", "bulk_current_1")


def test_load_draws_the_stated_power():
    """Its own span is only the ripple's, so that a thousandth of the power is 0.9 % of it."""
    pair = running(1000)
    assert_waveforms_agree(pair, "load_current")
    power = pair.simulated["load_current"] * pair.simulated["bulk_voltage"]
    # algebra at each instant, no step in it: the simulator's reltol, and the straight lines between its steps
    assert power[10:] == pytest.approx(POWER / EFFICIENCY, rel=2e-4)


@pytest.mark.parametrize("can", ["C1", "C2"])
def test_running_can_current(can):
    """Two banks of different time constants share the current; an RMS value each."""
    pair = running(1000)
    assert pair.cans[can].value == pytest.approx(last_period(pair)[can], rel=MEANS)


@pytest.mark.parametrize("name", RUNNING_TOLERANCES)
def test_running_metrics(name):
    pair = running(1000)
    assert pair.metrics[name].value == pytest.approx(last_period(pair)[name], rel=RUNNING_TOLERANCES[name])


def test_half_the_step_changes_running_metrics_less_than_is_claimed():
    coarse, fine = running(1000).metrics, running(2000).metrics
    for name, tolerance in RUNNING_TOLERANCES.items():
        assert coarse[name].value == pytest.approx(fine[name].value, rel=CONVERGED * tolerance), name


# --- switched on at 70 deg, a thermistor that heats itself


@cache
def switched_on(steps: int) -> Compared:
    """A small disc: it warms by some 60 degC, to a fifth of its cold resistance."""
    params = Params(
        feed="bridge",
        rectifier=Rectifier("bridge", **DIODE),
        bulk=(Bank("C1", 470e-6, 0.2),),
        load="constant_power",
        line_resistance=0.5,
        line_inductance=200e-6,
        thermistor=Thermistor(5.0, 3000.0, 10e-3, 30.0),
    )
    disc = Disc(5.0, 3000.0, 10e-3, 10e-3 * 30.0)
    own = OwnRectifier(
        PEAK, FREQUENCY, math.radians(70.0), 0.5, 200e-6, JUNCTION, ((470e-6, 0.2),), disc=disc, ambient=25.0
    )
    scenario = Scenario(3 * PERIOD, PERIOD / steps, load_on_at=None)
    condition = Condition(VOLTAGE, FREQUENCY, 0.0, 25.0, switch_on_angle=70.0)
    one_bank = Subjects(WHO.names, (("C1", 1, 1),), 1, per_package=True, bridge_feed=True)
    return both(params, condition, scenario, own, lambda run: measure_inrush(run, who=one_bank))


def test_thermistor_waveforms():
    pair = switched_on(1000)
    warmed = np.ptp(pair.reference["thermistor_temperature"])
    assert warmed > 40.0  # so that self-heating matters to what is compared
    assert_waveforms_agree(pair, "bulk_voltage", "rectified_current", "thermistor_temperature")


def test_thermistor_metrics():
    pair = switched_on(1000)
    current, bulk = pair.reference["rectified_current"], pair.reference["bulk_voltage"]
    i2t = float(np.sum(current[:-1] ** 2)) * (pair.time[1] - pair.time[0])
    top = float(np.max(bulk))
    assert pair.metrics["inrush_peak"].value == pytest.approx(float(np.max(current)), rel=RIPPLE)  # smooth, of 2 ms
    assert pair.metrics["inrush_i2t"].value == pytest.approx(i2t, rel=2 * MEANS)  # of a square
    assert pair.metrics["bulk_voltage_peak"].value == pytest.approx(top, rel=MEANS)
    # A blocking diode sees the bulk and the drop of the one that conducts.
    reverse = float(np.max(bulk + np.array([JUNCTION.drop(i) for i in current])))
    assert pair.metrics["diode_reverse_peak"].value == pytest.approx(reverse, rel=MEANS)


def test_half_the_step_changes_inrush_less_than_is_claimed():
    coarse, fine = switched_on(1000).metrics, switched_on(2000).metrics
    for name, tolerance in (("inrush_peak", RIPPLE), ("inrush_i2t", 2 * MEANS), ("bulk_voltage_peak", MEANS)):
        assert coarse[name].value == pytest.approx(fine[name].value, rel=CONVERGED * tolerance), name
