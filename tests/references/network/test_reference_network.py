"""A two-branch network by hand and simulated, against its own equations solved by matrix exponentials."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from ladder_equations import Circuit, Periodic, solve
from network_records import lamp_driver
from steady import settled

from harness.contracts import FloatArray
from harness.handcalc import output_network as hand
from harness.handcalc.switching_waveform import Course
from harness.plan.switching_measures import buck_layout, measure_steady
from harness.postprocess.waveform import window
from netlists.point import Condition, Point
from netlists.stages import buck
from netlists.stages.outputs import Output

MEANS, RIPPLE = 0.003, 0.01  # house rules
FULL = Condition(24.0, 0.0, 240.0, 25.0, supply="dc")
# metric, subject -> signal of the equations and how it is read; cans and contacts count the pieces in parallel
FIGURES = {
    ("branch_current_average", "left"): ("mean", "left current", 1),
    ("branch_current_average", "right"): ("mean", "right current", 1),
    ("branch_current_rms", "left"): ("rms", "left current", 1),
    ("branch_current_rms", "right"): ("rms", "right current", 1),
    ("connector_current", "J1"): ("rms", "left load", 3),
    ("connector_current", "J2"): ("rms", "right load", 2),
    ("choke_current_rms", "L2"): ("rms", "right choke", 1),
    ("capacitor_current_rms", "C10"): ("rms", "left can", 2),
    ("capacitor_current_rms", "C11"): ("rms", "right can", 1),
    ("capacitor_current_rms", "C12"): ("rms", "filter can", 1),
    ("output_ripple", "left bank"): ("ripple", "left bank", 1),
    ("output_ripple", "left connector"): ("ripple", "left connector", 1),
    ("output_ripple", "right bank"): ("ripple", "right bank", 1),
    ("output_ripple", "right filter"): ("ripple", "right filter", 1),
    ("output_ripple", "right connector"): ("ripple", "right connector", 1),
}  # fmt: skip


@pytest.fixture(scope="module")
def params(tmp_path_factory: pytest.TempPathFactory) -> buck.Params:
    return buck.params_from(lamp_driver(tmp_path_factory.mktemp("record")), "main", Point())[0]


def circuit_of(load_resistance: float) -> Circuit:
    """The network of ``network_records`` in numbers, read off its text by hand."""
    contact, right_contact = 2 * 2e-3 / 3, 2 * 2e-3 / 2
    return Circuit(
        own=(40e-6, 0.75e-3), left_copper=(8e-9, 0.5e-3 + 0.5e-3), left_bank=(940e-6, 4.5e-3),
        left_cable=(250e-9, 2.5e-3 + contact), left_load=load_resistance / 0.6,
        right_copper=(15e-9, 0.9e-3), right_bank=(470e-6, 9e-3), right_choke=(0.33e-6, 1e-3),
        right_filter=(1000e-6, 25e-3), right_contact=right_contact, right_load=load_resistance / 0.4,
    )  # fmt: skip


def figure(reference: Periodic, key: tuple[str, str]) -> float:
    how, signal, pieces = FIGURES[key]
    return float(getattr(reference, how)(signal)) / pieces


def tolerance(key: tuple[str, str]) -> float:
    return RIPPLE if key[0] == "output_ripple" else MEANS


@cache
def triangular(output: Output) -> tuple[dict[tuple[str, str], float], Periodic]:
    """By hand and by the equations, under a triangle of 6 A, duty 0.5, 250 kHz."""
    mean = hand.direct(output, FULL).current
    time, value = np.array([0.0, 2e-6, 4e-6]), mean + np.array([-3.0, 3.0, -3.0])
    found = hand.expect(output, FULL, hand.Fed(Course(time, value)))
    reference = solve(circuit_of(output.load_resistance(FULL)), time, value)
    return {key: one.value for key, one in found.items()}, reference


@pytest.mark.parametrize("key", FIGURES, ids=" ".join)
def test_by_hand_under_a_triangular_current(params: buck.Params, key: tuple[str, str]) -> None:
    found, reference = triangular(params.rails[0].output)
    assert found[key] == pytest.approx(figure(reference, key), rel=tolerance(key))


def test_direct_figures_by_hand(params: buck.Params) -> None:
    found, reference = triangular(params.rails[0].output)
    drop = reference.mean("output") - reference.mean("left connector")
    assert found["voltage_drop", "left"] == pytest.approx(drop, rel=MEANS)
    assert found["shunt_dissipation", "R1"] == pytest.approx(1e-3 * (reference.rms("left current") / 2) ** 2, rel=MEANS)
    total = reference.mean("left current") + reference.mean("right current")
    assert found["branch_current_share", "left"] == pytest.approx(2 * reference.mean("left current") / total, rel=MEANS)
    assert reference.mean("output") == pytest.approx(12.0, rel=1e-5)  # a connection of 1 uohm is not in the equations


@pytest.fixture(scope="module")
def simulated(params: buck.Params) -> tuple[dict[tuple[str, str], float], Periodic]:
    """Measured of a simulated buck, and by the equations under its own stored choke current."""
    run, _ = settled("buck", params, FULL)
    metrics = measure_steady(run, layout=buck_layout(params, FULL))
    assert run.axis is not None
    stop = float(run.axis.values[-1])
    values: FloatArray = np.asarray(run.signals["choke_current_a0"].values, dtype=np.float64)
    time, current = window(run.axis.values, values, stop - params.period, stop)
    current[-1] = current[0]
    reference = solve(circuit_of(params.rails[0].output.load_resistance(FULL)), time, current)
    return {(metric.name, metric.subject): metric.value for metric in metrics}, reference


@pytest.mark.parametrize("key", FIGURES, ids=" ".join)
def test_simulated(simulated: tuple[dict[tuple[str, str], float], Periodic], key: tuple[str, str]) -> None:
    found, reference = simulated
    assert found[key] == pytest.approx(figure(reference, key), rel=tolerance(key))


def test_losses_simulated(simulated: tuple[dict[tuple[str, str], float], Periodic]) -> None:
    """A mean square is off by twice what an RMS may be."""
    found, reference = simulated
    copper = {"W1": ("left current", 0.5e-3), "W3": ("right current", 0.9e-3), "W2": ("left load", 2.5e-3)}
    for part, (signal, ohms) in copper.items():
        assert found["conductor_dissipation", part] == pytest.approx(ohms * reference.rms(signal) ** 2, rel=2 * MEANS)
    assert found["shunt_dissipation", "R1"] == pytest.approx(
        1e-3 * (reference.rms("left current") / 2) ** 2, rel=2 * MEANS
    )
    assert found["capacitor_current_rms", "C2"] == pytest.approx(reference.rms("own can") / 4, rel=MEANS)
