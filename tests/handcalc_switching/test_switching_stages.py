"""Whole stages by hand: textbook converters built of almost ideal parts, balances, limits, the period's cut."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from handcalc_switching.textbook import boost_ratio, buck_ratio

from harness.handcalc import boost_period, boost_pfc, buck, buck_period, commutation
from harness.handcalc.switching_waveform import mean_of
from netlists.point import Condition
from netlists.stages import switching
from netlists.stages.banks import Bank
from netlists.stages.boost_pfc import Params as BoostParams
from netlists.stages.buck import Params as BuckParams
from netlists.stages.buck import Rail
from netlists.stages.switching import Choke, Diode, Strays, Switch

IDEAL = Switch("Q1", 1e-5, 10e-12)
IDEAL_LOW = Switch("Q2", 1e-5, 10e-12)
IDEAL_DIODE = Diode("D1", 0.3, 10.0, 1e-4, 10e-12)
FAST = Strays(1e-10, 5.0, 1e-10)
STIFF = Bank("C9", 1.0, 1e-6)
NEAR = 0.004  # what parts this good still lose


def condition(**changes: float | str) -> Condition:
    return dataclasses.replace(Condition(48.0, 0.0, 100.0, 25.0, supply="dc"), **changes)


def buck_of(
    volts: float, output: float, load: float, frequency: float, inductance: float, capacitance: float, **changes: object
) -> BuckParams:
    rail = Rail(
        "main", "synchronous", IDEAL, Choke("L1", inductance, 1e-6), (Bank("C1", capacitance, 1e-6),), FAST,
        voltage=output, load_current=output / load, low=IDEAL_LOW,
    )  # fmt: skip
    return BuckParams((STIFF,), (dataclasses.replace(rail, **changes),), volts, frequency, 1e-6, 1e-6)


def boost_of(volts: float, output: float, frequency: float, inductance: float, **changes: object) -> BoostParams:
    whole = BoostParams(
        "fixed_frequency", IDEAL, IDEAL_DIODE, Choke("L1", inductance, 1e-6), (STIFF,), (Bank("C1", 48e-6, 1e-6),),
        FAST, output, 1.0, frequency, 1e-6, 1e-6,
    )  # fmt: skip
    return dataclasses.replace(whole, **changes)


def test_hart_example_6_1_as_a_stage() -> None:
    """Hart, example 6-1 (from memory): 50 V to 20 V, 20 ohm, 20 kHz, 400 uH, 100 uF."""
    found = buck.expect(buck_of(50.0, 20.0, 20.0, 20e3, 400e-6, 100e-6), condition())
    assert found["duty_cycle", "main"].value == pytest.approx(0.4, rel=NEAR)
    assert found["choke_current_peak", "L1"].value == pytest.approx(1.75, rel=NEAR)
    assert found["output_ripple", "main"].value / 20 == pytest.approx(0.00469, rel=0.01)
    assert found["switch_current_average", "Q1"].value == pytest.approx(0.4, rel=NEAR)
    assert found["switch_current_average", "Q2"].value == pytest.approx(0.6, rel=NEAR)
    assert found["capacitor_current_rms", "C1"].value == pytest.approx(1.5 / math.sqrt(12), rel=NEAR)
    assert found["switch_voltage_plateau", "Q1"].value == pytest.approx(50.0, rel=NEAR)


def test_hart_example_6_2_as_a_stage() -> None:
    """Hart, example 6-2 (from memory): D = 0.375, 3.24 A, 1.98 A RMS, 0.5 %."""
    found = buck.expect(buck_of(48.0, 18.0, 10.0, 40e3, 97.5e-6, 100e-6), condition())
    assert found["duty_cycle", "main"].value == pytest.approx(0.375, rel=NEAR)
    assert found["choke_current_peak", "L1"].value == pytest.approx(3.24, rel=NEAR)
    assert found["choke_current_rms", "L1"].value == pytest.approx(1.98, rel=NEAR)
    assert found["output_ripple", "main"].value / 18 == pytest.approx(0.005, rel=0.01)


def test_hart_boost_as_a_stage() -> None:
    """Hart, boost example (from memory): 12 V to 30 V, 50 ohm, 25 kHz, 120 uH; the diode's 0.25 V shift D by 0.4 %."""
    found = boost_pfc.expect(boost_of(12.0, 30.0, 25e3, 120e-6), condition(line_voltage=12.0, output_power=18.0))
    assert found["duty_cycle", "pfc"].value == pytest.approx(0.6, rel=0.008)
    assert found["choke_current_peak", "L1"].value == pytest.approx(2.7, rel=0.01)
    assert found["output_ripple", "bus"].value / 30 == pytest.approx(0.01, rel=0.03)
    assert found["diode_current_average", "D1"].value == pytest.approx(0.6, rel=1e-6)


@pytest.mark.parametrize("load", [0.02, 0.1, 0.3])
def test_discontinuous_buck_is_the_books(load: float) -> None:
    """Erickson, Maksimovic, table 5.2 (from memory), the diode's drop added to both voltages."""
    params = buck_of(12.0, 5.0, 1.0, 100e3, 5e-6, 1e-3, rectification="diode", diode=IDEAL_DIODE, low=None)
    found = buck_period.solve(params, condition(load_fraction=load))
    one = found.phases[0]
    assert not one.is_continuous
    drop = sum(buck_period.low_clamp(params.rails[0], one.peak)[i] * (1.0, 0.5 * one.peak)[i] for i in (0, 1))
    # a diode's drop acts in the fall alone: mean = D^2 (Vi - V) (Vi + Vf) / (2 L f (V + Vf))
    k = 2 * 5e-6 * 100e3 / (12.0 - 5.0) * 5.0 * load * (5.0 + drop) / (12.0 + drop)
    assert one.on_time * 100e3 == pytest.approx(math.sqrt(k), rel=3e-3)
    assert buck_ratio(one.on_time * 100e3, 2 * 5e-6 * 100e3 * load) == pytest.approx(5 / 12, rel=0.04)


@pytest.mark.parametrize("power", [20.0, 60.0])
def test_discontinuous_boost_is_the_books(power: float) -> None:
    """The same table at a high voltage, where 0.3 V do not count."""
    params = boost_of(200.0, 400.0, 100e3, 50e-6)
    found = boost_period.solve(params, condition(line_voltage=200.0, output_power=power)).phase
    assert found.middle is not None
    k = 2 * 50e-6 * 100e3 / (400.0**2 / power)
    assert boost_ratio(found.on_time * 100e3, k) == pytest.approx(2.0, rel=0.01)


def test_microchip_phase_as_a_stage() -> None:
    """Microchip DS70320B (from memory): 12 V to 5 V at 500 kHz, 1 uH: 5.9 A printed, 5.83 A without drops."""
    params = buck_of(
        12.0, 5.0, 5.0 / 23, 500e3, 1e-6, 1e-3, high=Switch("Q1", 5e-3, 300e-12), low=Switch("Q2", 3e-3, 600e-12),
        choke=Choke("L1", 1e-6, 1.5e-3), strays=Strays(3e-9, 5.0, 6e-9),
        dead_time_rising=20e-9, dead_time_falling=20e-9,
    )  # fmt: skip
    found = buck.expect(params, condition())
    assert found["choke_ripple", "L1"].value == pytest.approx(5.9, rel=0.02)
    assert found["duty_cycle", "main"].value > 5 / 12


def real_buck(phases: int = 1, **changes: object) -> BuckParams:
    params = buck_of(
        12.0, 5.0, 0.25, 300e3, 2e-6, 1e-3, high=Switch("Q1", 5e-3, 300e-12), low=Switch("Q2", 3e-3, 600e-12),
        choke=Choke("L1", 2e-6, 1.5e-3), strays=Strays(3e-9, 5.0, 6e-9), phases=phases,
        dead_time_rising=20e-9, dead_time_falling=20e-9, **changes,
    )  # fmt: skip
    return dataclasses.replace(params, inputs=(Bank("C9", 47e-6, 3e-3),), feed_resistance=5e-3)


def test_input_power_covers_output_and_known_losses() -> None:
    """Own balance: what enters is the output, the conduction losses, and a switching loss below V I times the edges."""
    params = real_buck()
    state = buck_period.solve(params, condition())
    one, rail = state.phases[0], params.rails[0]
    found = buck.expect(params, condition())
    squares = {part: found["switch_current_rms", part].value ** 2 for part in ("Q1", "Q2")}
    conduction = 5e-3 * squares["Q1"] + 3e-3 * squares["Q2"] + 1.5e-3 * found["choke_current_rms", "L1"].value ** 2
    dead = 2 * 20e-9 * 300e3 * 0.8 * mean_of(one.choke)
    lost = state.feed_current * state.input_voltage - rail.voltage * buck_period.rail_current(rail, condition())
    assert lost > conduction
    assert lost < conduction + dead + 12.0 * 20.0 * 300e3 * 2 * 8e-9 + 12.0**2 * 900e-12 * 300e3


def test_light_load_turns_a_synchronous_choke_around_and_a_diode_off() -> None:
    params = real_buck()
    low = condition(load_fraction=0.02)
    synchronous = buck_period.solve(params, low).phases[0]
    assert synchronous.is_continuous
    assert synchronous.valley < 0
    diode = real_buck(rectification="diode", diode=IDEAL_DIODE)
    other = buck_period.solve(diode, low).phases[0]
    assert not other.is_continuous
    assert other.duty < synchronous.duty


def test_phases_cancel_where_duties_fit() -> None:
    """Two phases at D = 1/2 cancel; the input sees a quarter of nothing but their edges."""
    params = dataclasses.replace(real_buck(2), input_voltage=10.35)
    found = buck.expect(params, condition())
    assert found["duty_cycle", "main"].value == pytest.approx(0.5, abs=0.02)
    assert found["ripple_cancellation", "main"].value < 0.08
    assert found["output_ripple", "main"].value < 0.2 * buck.expect(
        dataclasses.replace(params, rails=(dataclasses.replace(params.rails[0], phases=1, load_current=10.0),)),
        condition(),
    )["output_ripple", "main"].value  # fmt: skip


def test_two_rails_share_their_input() -> None:
    """At opposite angles two equal rails below half duty draw one after the other; at none they draw together."""
    rail = real_buck().rails[0]
    for angle, factor in ((180.0, 1.0), (0.0, 2.0)):
        second = dataclasses.replace(rail, name="second", phase_angle=angle)
        params = dataclasses.replace(real_buck(), rails=(rail, second))
        state = buck_period.solve(params, condition())
        top = float(np.max(-state.drawn.value))
        assert top == pytest.approx(factor * state.phases[0].peak, rel=0.02)
        assert state.feed_current == pytest.approx(2 * state.phases[0].high_mean, rel=1e-6)


@pytest.mark.parametrize("phases", [1, 2, 3])
def test_estimate_reads_the_choke_where_the_period_is_cut(phases: int) -> None:
    """The gates' own cut: choke currents there come from the course; their sum over phases is close to the load's."""
    params = real_buck(phases)
    found = buck.estimate(params, condition())
    state = buck_period.solve(params, condition())
    assert len(found.choke_currents) == phases
    for current in found.choke_currents:
        assert state.phases[0].valley - 1e-9 <= current <= state.phases[0].peak + 1e-9
    swing = state.phases[0].peak - state.phases[0].valley
    assert sum(found.choke_currents) == pytest.approx(20.0, abs=0.5 * swing * phases)
    assert found.output_voltages == (5.0,)
    assert found.input_voltage == pytest.approx(12.0 - 5e-3 * found.feed_current)


def test_probe_stands_behind_copper() -> None:
    params = real_buck(copper_resistance=2e-3, copper_inductance=20e-9)
    bare = buck.expect(params, condition())
    read = buck.expect(params, condition(probe="desktop guide"))
    assert ("output_ripple_probe", "main") not in bare
    assert 0 < read["output_ripple_probe", "main"].value < 1.05 * read["output_ripple", "main"].value


def test_saturation_needs_no_more_than_the_straight_peak() -> None:
    params = real_buck()
    rail = params.rails[0]
    bent = dataclasses.replace(rail, choke=Choke("L1", 2e-6, 1.5e-3, 20.0, 0.8e-6))
    found = buck.expect(dataclasses.replace(params, rails=(bent,)), condition())
    straight = buck.expect(params, condition())
    needed = found["saturation_current_needed", "L1"].value
    assert needed == pytest.approx(straight["saturation_current_needed", "L1"].value, rel=2e-3)
    assert found["choke_current_peak", "L1"].value > needed
    assert straight["choke_current_peak", "L1"].value == straight["saturation_current_needed", "L1"].value


def test_boundary_frequency() -> None:
    """Own closed form without ring and drops: f = Vi (1 - Vi / Vb) / (2 L I), I the phase's mean; no delay."""
    params = boost_of(150.0, 400.0, 1e6, 200e-6, mode="boundary")
    where = condition(line_voltage=150.0, output_power=200.0)
    found = boost_pfc.estimate(params, where)
    ideal = 150.0 * (1 - 150.0 / 400.0) / (2 * 200e-6 * 200.0 / 150.0)
    assert found.frequency == pytest.approx(ideal, rel=0.01)
    later = boost_pfc.estimate(dataclasses.replace(params, turn_on_delay=400e-9), where)
    assert later.frequency < found.frequency
    capped = boost_pfc.estimate(dataclasses.replace(params, switching_frequency=100e3), where)
    assert capped.frequency == pytest.approx(100e3)


def test_boundary_ring_ends_at_the_body_diode() -> None:
    """Below half the bus the ring reaches 0 V; above it turns at Vi - (Vb - Vi) exp(-pi / 2 Q) (textbook)."""
    params = boost_of(100.0, 400.0, 1e6, 200e-6, mode="boundary", turn_on_delay=1e-6)
    shrunk = math.exp(-math.pi / 2 / switching.IDLE_QUALITY)
    for volts, low in ((100.0, 0.0), (300.0, 300.0 - 100.0 * shrunk)):
        bias = boost_period.Bias(volts, 400.0, 0.5, None)
        quarter = math.pi * math.sqrt(200e-6 * boost_period.middle_capacitance(params))
        ring = boost_period.ring_of(params, bias, quarter)
        assert ring.middle == pytest.approx(low, abs=0.3)
        assert ring.current[0] == pytest.approx(0.0)
        assert float(np.min(ring.current)) < 0


def test_interleaved_boost_halves_what_it_feeds_back() -> None:
    params = boost_of(200.0, 400.0, 100e3, 300e-6, phases=2, inputs=(Bank("C3", 1e-6, 5e-3),))
    params = dataclasses.replace(params, feed_resistance=0.1, feed_inductance=100e-6)
    found = boost_pfc.expect(params, condition(line_voltage=200.0, output_power=800.0))
    assert found["ripple_cancellation", "pfc"].value < 0.05
    assert found["input_ripple_current", "input"].value < 0.05 * found["choke_ripple", "L1"].value
    assert found["diode_current_average", "D1"].value == pytest.approx(1.0, rel=1e-6)


def test_a_period_is_solved_once() -> None:
    """Estimate and expectation of the same case share one solution, with one edge of each kind a rail."""
    params = real_buck(3)
    for cached in (buck_period.solve, commutation.turn_on, commutation.turn_off):
        cached.cache_clear()
    buck.estimate(params, condition())
    buck.expect(params, condition())
    assert buck_period.solve.cache_info().misses == 1
    assert commutation.turn_on.cache_info().misses == 1
    assert commutation.turn_off.cache_info().misses == 1


def test_every_expectation_has_its_reason() -> None:
    for found in (
        buck.expect(real_buck(2), condition()),
        boost_pfc.expect(boost_of(200.0, 400.0, 100e3, 300e-6), condition(line_voltage=200.0, output_power=300.0)),
    ):
        for expectation in found.values():
            assert math.isfinite(expectation.value)
            assert expectation.difference.low < 0 < expectation.difference.high
            assert expectation.difference.reason
            assert expectation.source


def boost_loss(params: BoostParams, volts: float, power: float) -> float:
    """What enters the input node less what the bus takes [W]."""
    state = boost_period.solve(params, condition(line_voltage=volts, output_power=power))
    return state.feed_current * state.input_voltage - power


def charged(params: BoostParams) -> BoostParams:
    """The same with capacitances that count."""
    diode = dataclasses.replace(IDEAL_DIODE, junction_capacitance=100e-12)
    return dataclasses.replace(params, low=Switch("Q1", 1e-5, 500e-12), high=diode)


def test_hard_switching_costs_the_energy_of_the_capacitances() -> None:
    """Own balance: each cycle C V^2 / 2 of both linear capacitances is lost, diode drop and core loss; no more.

    A strict check: duty, charges and delays of the edges enter it with opposite signs.
    """
    params = charged(boost_of(200.0, 400.0, 100e3, 300e-6))
    drop = 0.31 * 2.0
    core = 200.0**2 / switching.core_resistance(params.choke, 600e-12)
    assert boost_loss(params, 200.0, 800.0) - drop - core == pytest.approx(0.5 * 600e-12 * 400.0**2 * 100e3, rel=0.1)


@pytest.mark.parametrize(("falling", "hard_edges"), [(5e-9, 1), (0.0, 2)])
def test_hard_switching_buck_costs_the_same(falling: float, hard_edges: int) -> None:
    """With a dead time of C V / I the choke brings the middle down; without, the low place does, at the same cost."""
    params = buck_of(
        48.0, 20.0, 2.0, 500e3, 20e-6, 1e-4, high=Switch("Q1", 1e-5, 400e-12), low=Switch("Q2", 1e-5, 600e-12),
        dead_time_falling=falling,
    )  # fmt: skip
    state = buck_period.solve(params, condition())
    lost = state.feed_current * state.input_voltage - 20.0 * 10.0
    assert lost == pytest.approx(hard_edges * 0.5 * 1e-9 * 48.0**2 * 500e3, rel=0.1)


def test_the_middle_that_swung_down_by_itself_costs_less() -> None:
    """Boundary mode below half the bus: the ring empties the capacitances into the input, nothing is left to lose."""
    quarter = math.pi * math.sqrt(200e-6 * 600e-12)
    params = charged(boost_of(100.0, 400.0, 1e6, 200e-6, mode="boundary", turn_on_delay=0.75 * quarter))
    frequency = boost_pfc.estimate(params, condition(line_voltage=100.0, output_power=200.0)).frequency
    hard = 0.5 * 600e-12 * 400.0**2 * frequency
    core = 100.0 * 300.0 / switching.core_resistance(params.choke, 600e-12)
    assert abs(boost_loss(params, 100.0, 200.0) - 0.31 * 0.5 - core) < 0.1 * hard
