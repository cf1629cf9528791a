"""The flyback by hand: closed forms in their limits, balances, published numbers."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from integration.switching_designs import CLAMP, FLYBACKS
from scipy.integrate import quad

from harness.handcalc import flyback, flyback_edges, flyback_rails
from harness.handcalc.flyback_clamp import clamped
from harness.handcalc.flyback_cycle import ring_of
from harness.handcalc.flyback_period import solve
from harness.handcalc.flyback_rails import Path, followed, shared, subdivided
from harness.handcalc.switching_waveform import Course, mean_of, rms_of
from netlists.point import Condition
from netlists.stages.flyback import switch_law
from netlists.stages.flyback_params import core_resistance, drain_capacitance, switch_capacitance, turn_on_delay
from netlists.stages.switching import Strays

UNIVERSAL, STANDBY, VALLEY, BUS_FED = FLYBACKS


def condition(bus: float, load: float = 1.0, **changes: str) -> Condition:
    return Condition(bus, 0.0, 60.0, 25.0, supply="dc", load_fraction=load, **changes)


def test_peak_current_of_the_published_supply() -> None:
    """Infineon AN_1806_PL83_1807_101936 (read): 3.34 A at 85 and 300 V; by energy sqrt(2 P / (L f)) at 64 to 68 W."""
    for bus in (118.0, 422.0):
        found = flyback.expect(UNIVERSAL, condition(bus))["magnetising_current_peak", "T1"].value
        assert found == pytest.approx(3.34, rel=0.02)
        assert math.sqrt(2 * 64 / 12.0) < found < math.sqrt(2 * 68 / 12.0)


def test_a_large_clamp_obeys_the_application_notes() -> None:
    """P = Lk I^2 f Vc / (2 (Vc - Vr)) (from memory), without capacitance at the drain and with little damping."""
    part = dataclasses.replace(CLAMP, capacitance=10e-6, diode=dataclasses.replace(CLAMP.diode, forward_voltage=0.9))
    bare = dataclasses.replace(UNIVERSAL.switch, output_capacitance=1e-15)
    strays = Strays(1e-9, 99.0, 1e-9)
    params = dataclasses.replace(UNIVERSAL, clamp=part, switch=bare, drain_capacitance=None, strays=strays)
    # the rectifiers' junctions keep a share of the current where nothing else lies at the drain: give it a little
    rectifier = dataclasses.replace(params.secondaries[0].rectifier, junction_capacitance=1e-15)
    lead = dataclasses.replace(params.secondaries[0], rectifier=rectifier)
    params = dataclasses.replace(params, secondaries=(lead,))
    found = clamped(params, 75.0, 3.3, 10e-6, 1.0)
    kept = (switch_capacitance(params) + 15e-12) / drain_capacitance(params)
    ahead = found.mean + found.drop - 75.0
    energy = 0.5 * 1.8e-6 * ((3.3 * kept) ** 2 - 15e-12 / 1.8e-6 * ahead**2) * (found.mean + found.drop) / ahead
    share = found.mean / (found.mean + found.drop)  # the diode's own drop turns the rest to heat
    assert energy * share * 100e3 == pytest.approx(found.mean**2 / 48e3, rel=0.02)


def test_a_smaller_resistor_holds_the_clamp_lower() -> None:
    low = dataclasses.replace(UNIVERSAL, clamp=dataclasses.replace(CLAMP, resistance=12e3))
    one, other = (clamped(params, 75.0, 3.3, 10e-6, 1.0) for params in (low, UNIVERSAL))
    assert 75.0 < one.mean < other.mean


def test_turn_off_lag_is_the_solution_of_its_equation() -> None:
    """u' = 1 - u exp(-x) solved by quadrature: u(x) = int exp(exp(-x) - exp(-y)) dy tends to x - 0.5772."""
    for x in (4.0, 6.0):
        value = quad(lambda y, x=x: math.exp(math.exp(-x) - math.exp(-y)), -8.0, x)[0]
        assert x - value == pytest.approx(np.euler_gamma, abs=1.2 * x * math.exp(-x))
    where = condition(300.0)
    law = switch_law(UNIVERSAL, where)
    tau = law.ramp / law.steepness
    more = dataclasses.replace(UNIVERSAL, drain_capacitance=47e-12 + 2 * drain_capacitance(UNIVERSAL))
    earlier = flyback_edges.turn_off_lag(UNIVERSAL, where) - flyback_edges.turn_off_lag(more, where)
    assert earlier == pytest.approx(tau * math.log(3.0), rel=1e-6)


def test_discharge_is_the_energy_of_the_capacitance() -> None:
    """Its square integrates to (C V)^2 / (4 tau); a faster switch has a higher peak."""
    where = condition(300.0)
    law = switch_law(STANDBY, where)
    tau = law.ramp / law.steepness
    peak, square = flyback_edges.discharge(STANDBY, where, 300.0)
    charge = (switch_capacitance(STANDBY) + 15e-12) * 300.0
    assert square == pytest.approx(charge**2 / (4 * tau))
    assert peak >= charge / (math.e * tau) * 0.999
    assert peak < 1.5 * charge / (math.e * tau)


def test_the_drain_rings_to_its_valley() -> None:
    """Half a period of the ring: Vin - Vr exp(-pi / 2 Q) at Q = 15 (textbook); at 0 V where Vr exceeds Vin."""
    half = turn_on_delay(UNIVERSAL)
    assert half == pytest.approx(
        math.pi * math.sqrt(UNIVERSAL.primary.magnetising_inductance * drain_capacitance(UNIVERSAL))
    )
    _, current, drain = ring_of(UNIVERSAL, 300.0, 75.0, half)
    assert drain == pytest.approx(300.0 - 75.0 * math.exp(-math.pi / 2 / 15.0), abs=0.1)
    assert current[-1] == pytest.approx(0.0, abs=1e-3)
    assert ring_of(UNIVERSAL, 50.0, 75.0, half)[2] == pytest.approx(0.0, abs=0.5)


def test_rails_share_by_kirchhoffs_laws() -> None:
    """Ampere-turns add up, all windings see one voltage a turn, nothing flows backwards; one rail takes all."""
    paths = [Path(6.0, 12.5, 0.03), Path(15.0, 5.2, 0.02), Path(9.0, 20.0, 0.05)]
    total = np.linspace(0.0, 4.0, 41)
    volts, each = shared(paths, total)
    assert sum(i / path.ratio for i, path in zip(each, paths, strict=True)) == pytest.approx(total, abs=1e-9)
    for current, path in zip(each, paths, strict=True):
        assert np.all(current >= 0)
        live = current > 0
        assert volts[live] / path.ratio == pytest.approx(path.threshold + path.resistance * current[live])
    assert np.all(each[2] == 0)  # 180 V are never reached
    alone = shared(paths[:1], total)[1][0]
    assert alone == pytest.approx(6.0 * total)


def test_a_rail_that_follows_takes_what_its_load_draws() -> None:
    where = condition(300.0)
    found = solve(VALLEY, where)
    for index in (0, 1):
        load = flyback_rails.direct_resistance(VALLEY.secondaries[index], where)
        assert mean_of(found.currents[index]) == pytest.approx(found.voltages[index] / load, rel=0.02)
    assert 4.0 < found.voltages[1] < 6.5
    again, _ = followed(VALLEY, where, found.total, found.voltages, [5.0, 3.0], [(0.0, 0.0)] * 2)
    assert again[0] == found.voltages[0]


def test_more_corners_change_no_figure() -> None:
    course = Course(np.array([0.0, 3.0, 3.0, 8.0, 10.0]), np.array([1.0, 2.0, 0.0, 4.0, 1.0]))
    finer = subdivided(course)
    assert finer.time.size > 40
    assert mean_of(finer) == pytest.approx(mean_of(course))
    assert rms_of(finer) == pytest.approx(rms_of(course))


@pytest.mark.parametrize("params", FLYBACKS)
@pytest.mark.parametrize("load", [1.0, 0.1])
def test_power_is_accounted_for(params: object, load: float) -> None:
    """Own balance: the bus gives the loads, what resistances, diodes, clamp and core are known to lose, no more."""
    where = condition(300.0, load)
    state = solve(params, where)
    found = flyback.expect(params, where)
    drawn = 300.0 * mean_of(flyback.drawn_course(params, state))
    given = sum(
        v**2 / flyback_rails.direct_resistance(one, where)
        for v, one in zip(state.voltages, params.secondaries, strict=True)
    )
    clamp = found["clamp_dissipation", "R1"].value * params.clamp.resistor_pieces
    core = state.reflected**2 * state.cycle.fall_time / state.cycle.period / core_resistance(params)
    assert drawn > given + clamp
    edges = 0.5 * drain_capacitance(params) * (300.0 + state.reflected) ** 2 / state.cycle.period
    diodes = 0.2 * given  # at 5 V a diode alone drops a tenth
    assert drawn < given + 2.5 * (clamp + core + edges) + diodes


def test_light_load_becomes_discontinuous_and_low_bus_continuous() -> None:
    assert solve(STANDBY, condition(120.0)).cycle.is_continuous
    assert not solve(STANDBY, condition(380.0, 0.1)).cycle.is_continuous


def test_valley_frequency_falls_with_load_up_to_its_limit() -> None:
    """Own closed form without drops: L I^2 / 2 = P T, T = L I (1 / Vin + 1 / Vr) + delay."""
    fast = dataclasses.replace(VALLEY, switching_frequency=2e6)
    full, half = (flyback.estimate(fast, condition(300.0, load)).frequency for load in (1.0, 0.5))
    reflected = 7.0 * 13.0
    power, slope = 37.5 * 1.1, 450e-6 * (1 / 300.0 + 1 / reflected)  # diodes, clamp and core take some 10 %
    peak = (power * slope + math.sqrt((power * slope) ** 2 + 2 * 450e-6 * power * turn_on_delay(VALLEY))) / 450e-6
    assert full == pytest.approx(1 / (slope * peak + turn_on_delay(VALLEY)), rel=0.05)
    assert 1.3 < half / full < 2.0
    assert flyback.estimate(VALLEY, condition(300.0, 0.1)).frequency == pytest.approx(140e3)


@pytest.mark.parametrize("params", [UNIVERSAL, BUS_FED])
def test_lowest_bus_needs_the_largest_duty(params: object) -> None:
    lowest = flyback.lowest_input(params, condition(300.0))
    assert solve(params, condition(lowest)).duty == pytest.approx(0.8, abs=1e-3)
    later = dataclasses.replace(params, largest_duty=0.6)
    assert flyback.lowest_input(later, condition(300.0)) > lowest


def test_a_duty_no_bus_needs_is_said() -> None:
    with pytest.raises(ArithmeticError, match="reached at no bus"):
        flyback.lowest_input(dataclasses.replace(UNIVERSAL, largest_duty=0.001), condition(300.0))


def test_post_filter_and_probe_make_less_of_the_ripple() -> None:
    where = condition(300.0)
    behind = flyback.expect(UNIVERSAL, where)["output_ripple", "main"].value
    lead = UNIVERSAL.secondaries[0]
    banks = (*lead.firsts, *lead.output.banks)
    straight = dataclasses.replace(
        UNIVERSAL,
        secondaries=(
            dataclasses.replace(lead, firsts=(), choke=None, output=dataclasses.replace(lead.output, banks=banks)),
        ),
    )
    assert behind < 0.1 * flyback.expect(straight, where)["output_ripple", "main"].value
    read = flyback.expect(UNIVERSAL, condition(300.0, probe="desktop guide"))
    assert 0 < read["output_ripple_probe", "main"].value < 1.1 * behind


def test_every_expectation_has_its_reason() -> None:
    for params in FLYBACKS:
        found = flyback.expect(params, condition(300.0)) | flyback.expect_lowest(params, condition(300.0))
        for expectation in found.values():
            assert math.isfinite(expectation.value)
            assert expectation.difference.low < 0 < expectation.difference.high
            assert expectation.difference.reason
            assert expectation.source
