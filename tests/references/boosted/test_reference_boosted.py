"""The boosted feed against published and exact values, through the product's own stage and metrics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.contracts import Run, Transient
from harness.handcalc import rectifier_bulk as hand
from harness.plan.rectifier_measures import Subjects, measure_holdup, measure_inrush, measure_regulated, measure_spike
from harness.simulate import worker
from harness.simulate.case import transient_case
from netlists.formulas import step_peak_current
from netlists.point import Condition
from netlists.stages import rectifier_bulk as stage
from netlists.stages.banks import Bank
from netlists.stages.rectifier_bulk import BoostChoke, Junction, Params, Rectifier, Scenario, Thermistor

WHO = Subjects(
    (("rectifier", "BD1"), ("inrush_limiter", "RT1")), (("C1", 1, 1),), 1, per_package=True, bridge_feed=True
)
BRIDGE = Rectifier("bridge", 0.95, 12.0, 8e-3)
SMALL_ESR = 1e-4


def boosted(**changed: object) -> Params:
    params = Params(
        feed="boosted",
        rectifier=BRIDGE,
        bulk=(Bank("C1", 220e-6, SMALL_ESR),),
        load="constant_power",
        line_resistance=0.3,
        line_inductance=300e-6,
        bus_setpoint=400.0,
        undervoltage_cutoff=200.0,
        undervoltage_restart=250.0,
        holdup_end_voltage=300.0,
        bypass_diode=Junction(1.0, 8.0, 10e-3),
    )
    return replace(params, **changed)


def run_bench(params: Params, condition: Condition, scenario: Scenario) -> Run:
    circuit = stage.bench(params, condition, scenario)
    probes = stage.probes(params, regulating=scenario.regulating)
    return worker.simulate(
        transient_case(circuit, probes, Transient(scenario.stop, scenario.max_step), "event_final"), "0" * 64
    )


def values(metrics: tuple) -> dict[str, float]:
    return {metric.name: metric.value for metric in metrics}


def regulated(power: float, stop: float, **scenario: object) -> tuple[Params, Run]:
    params = boosted()
    running = Scenario(stop, 2e-5, bulk_start=400.0, regulating=True, **scenario)
    return params, run_bench(params, Condition(230.0, 50.0, power, 25.0), running)


def test_bulk_ripple_behind_a_corrector() -> None:
    """10.8520 V exact, 10.8515 V by the formula; ripple to 1 % is what a simulation may claim, this one is smooth."""
    _, run = regulated(300.0, 0.06)
    found = values(measure_regulated(run, who=WHO, period=0.02))
    assert found["bulk_ripple"] == pytest.approx(10.8520, rel=2e-3)
    assert abs(found["bulk_drift"]) < 0.01
    # the capacitor's current is P / V at twice the line frequency: RMS is that over sqrt 2, to the square of the ripple
    assert found["bulk_can_current_rms"] == pytest.approx(300 / 400 / math.sqrt(2), rel=3e-3)


def test_hold_up_of_a_regulated_bus() -> None:
    """200 W, 114.29 uF, from a bus at 400 V lost where it stands at 400 V, to 300 V: 20 ms (published as 114 uF)."""
    params = boosted(bulk=(Bank("C1", 114.29e-6, SMALL_ESR),))
    scenario = Scenario(
        0.06, 2e-5, bulk_start=400.0, line_lost_at=0.02, regulating=True
    )  # the bus is at its mean there
    run = run_bench(params, Condition(230.0, 50.0, 200.0, 25.0), scenario)
    metric = measure_holdup(run, line_lost_at=0.02, end_voltage=300.0)[0]
    assert metric.value == pytest.approx(0.020, rel=3e-3)


def test_hold_up_by_hand_starts_at_the_trough() -> None:
    params, condition = boosted(), Condition(230.0, 50.0, 300.0, 25.0)
    _, trough = hand.regulated_swing(params, condition)
    assert trough == pytest.approx(400 - 10.852 / 2, abs=0.1)
    assert hand.holdup(params, condition)["holdup_time", "bulk"].value < 0.5 * 220e-6 * (400**2 - 300**2) / 300


def test_choke_below_saturation_rings_as_a_linear_circuit() -> None:
    """A step of 100 V on 1 mH and 220 uF through 0.5 ohm, never near saturation: peak as R, L and C in series."""
    params = boosted(
        rectifier=Rectifier("bridge", 0.05, 1.0, 1e-5, 0.05),
        line_resistance=0.4999,
        line_inductance=1e-9,
        bypass_diode=None,
        boost_choke=BoostChoke(1e-3, 1e4, 1e-4, 1e-4),
        boost_diode=Junction(0.9, 1.0, 1e-4),
    )
    run = run_bench(params, Condition(100.0, 0.0, 0.0, 25.0, supply="dc"), Scenario(4e-3, 2e-6, load_on_at=None))
    found = values(measure_inrush(run, who=replace(WHO, names=(("rectifier", "BD1"),))))
    # the boost diode drops 0.9 to 1.1 V of the 100 V
    expected = step_peak_current(100.0 - 1.0 - 2 * 0.05, 0.5, 1e-3, 220e-6)
    assert found["inrush_peak"] == pytest.approx(expected, rel=0.01)


def test_choke_in_saturation_is_the_saturated_inductance() -> None:
    """Knee at 1 mA: all but the first instant runs on the saturated inductance."""
    params = boosted(
        rectifier=Rectifier("bridge", 0.05, 1.0, 1e-5, 0.05),
        line_resistance=0.4999,
        line_inductance=1e-9,
        bypass_diode=None,
        boost_choke=BoostChoke(1e-2, 1e-3, 1e-4, 1e-4),
        boost_diode=Junction(0.9, 1.0, 1e-4),
    )
    run = run_bench(params, Condition(100.0, 0.0, 0.0, 25.0, supply="dc"), Scenario(4e-3, 1e-6, load_on_at=None))
    found = values(measure_inrush(run, who=replace(WHO, names=(("rectifier", "BD1"),))))
    assert found["inrush_peak"] == pytest.approx(step_peak_current(100.0 - 1.1 - 0.1, 0.5, 1e-4, 220e-6), rel=0.01)


def test_the_bypass_spares_the_choke() -> None:
    choke = {"boost_choke": BoostChoke(200e-6, 10.0, 40e-6, 30e-3, 2), "boost_diode": Junction(1.5, 8.0, 60e-3, 2)}
    peaks = {}
    for name, extra in (("with", {}), ("without", {"bypass_diode": None})):
        params = boosted(**choke, **extra)
        condition = Condition(230.0, 50.0, 0.0, 25.0, switch_on_angle=90.0)
        run = run_bench(params, condition, Scenario(0.02, 1e-5, load_on_at=None))
        peaks[name] = values(measure_inrush(run, who=replace(WHO, names=(("rectifier", "BD1"),))))["inrush_peak"]
        by_hand = hand.inrush(params, condition, {"rectifier": "BD1"})["inrush_peak", "line"]
        assert by_hand.difference.low <= peaks[name] / by_hand.value - 1 <= by_hand.difference.high + 0.02
    assert peaks["without"] < peaks["with"]


def test_energy_in_the_thermistor_is_half_c_v_squared() -> None:
    """From a direct supply, what warms the resistances is C V^2 / 2 in all, whatever they do meanwhile (exact)."""
    thermistor = Thermistor(20.0, 3000.0, 0.02, 100.0)
    params = boosted(thermistor=thermistor, line_resistance=1e-3, line_inductance=1e-7)
    run = run_bench(params, Condition(325.27, 0.0, 0.0, 25.0, supply="dc"), Scenario(0.2, 1e-5, load_on_at=None))
    found = values(measure_inrush(run, who=WHO, heat_capacity=2.0, dissipation=0.02, ambient=25.0))
    bulk = found["bulk_voltage_peak"]
    in_diodes = 220e-6 * bulk * 3.5  # charge times the most three diodes drop at 16 A
    assert found["thermistor_energy"] == pytest.approx(0.5 * 220e-6 * bulk**2, rel=0.03)
    assert found["thermistor_energy"] > 0.5 * 220e-6 * bulk**2 - in_diodes
    assert found["thermistor_temperature"] == pytest.approx(25 + found["thermistor_energy"] / 2.0, abs=0.1)


@pytest.mark.parametrize(("resistance", "inductance"), [(0.1, 100e-6), (0.6, 800e-6), (8.0, 10e-6)])
def test_x_capacitor_spike_is_the_step_response(resistance: float, inductance: float) -> None:
    """Closed form of R, L and C in series on the crest; 8 ohm is overdamped. Ringing peaks may be 3 % off."""
    params = boosted(line_resistance=resistance, line_inductance=inductance, x_capacitance=2e-6)
    condition = Condition(230.0, 50.0, 0.0, 25.0, switch_on_angle=90.0)
    ringing = 2 * math.pi * math.sqrt(inductance * 2e-6)
    case = transient_case(
        stage.spike_bench(params, condition), stage.SPIKE_PROBES, Transient(3 * ringing, ringing / 400), "event_final"
    )
    found = measure_spike(worker.simulate(case, "0" * 64))[0].value
    peak = 230 * math.sqrt(2)
    assert found == pytest.approx(step_peak_current(peak, resistance, inductance, 2e-6), rel=0.03)


def test_step_peak_current_limits() -> None:
    """No resistance: V sqrt(C / L). Aperiodic: V / (a L e). No inductance to speak of: V / R."""
    assert step_peak_current(100.0, 1e-9, 1e-3, 1e-4) == pytest.approx(100 * math.sqrt(0.1), rel=1e-6)
    critical = 2 * math.sqrt(1e-3 / 1e-4)
    assert step_peak_current(100.0, critical, 1e-3, 1e-4) == pytest.approx(100 / (critical / 2) / math.e, rel=1e-6)
    assert step_peak_current(100.0, critical * 1.001, 1e-3, 1e-4) < step_peak_current(100.0, critical, 1e-3, 1e-4)
    assert step_peak_current(100.0, 10.0, 1e-9, 1e-3) == pytest.approx(10.0, rel=1e-3)
    # published beside the RLC inrush: 325.27 V, 0.5 ohm, 100 uH, 220 uF give 299.88 A (exact)
    assert step_peak_current(325.27, 0.5, 100e-6, 220e-6) == pytest.approx(299.88, rel=1e-5)


def test_finer_steps_change_less_than_is_claimed() -> None:
    coarse = values(measure_regulated(regulated(300.0, 0.06)[1], who=WHO, period=0.02))
    params = boosted()
    scenario = Scenario(0.06, 1e-5, bulk_start=400.0, regulating=True)
    fine = values(
        measure_regulated(run_bench(params, Condition(230.0, 50.0, 300.0, 25.0), scenario), who=WHO, period=0.02)
    )
    for name in ("bulk_ripple", "bulk_voltage_trough", "bulk_can_current_rms"):
        assert np.isclose(coarse[name], fine[name], rtol=2e-3)
