"""Output networks by hand: limits, Ohm's law in numbers, responses against closed forms."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from harness.handcalc import output_network as hand
from harness.handcalc.network import Branch as Shunt
from harness.handcalc.network import (
    Load,
    Node,
    Way,
    branch_rms,
    course_of,
    current_response,
    high_frequency,
    low_passed,
    ripple,
    rms_by,
    settled,
    train,
    voltage_response,
)
from harness.handcalc.output_network import Fed, direct, estimates, expect
from harness.handcalc.switching_waveform import Course, swing_of
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.output_network import Branch, Conductor, Connector, Network
from netlists.stages.output_network import Shunt as ShuntPart
from netlists.stages.outputs import Output, output_states
from netlists.stages.switching import Choke

FULL = Condition(24.0, 0.0, 1200.0, 25.0, supply="dc")
PROBED = dataclasses.replace(FULL, probe="desktop guide")
CAN = Bank("C1", 470e-6, 9e-3)


def output(*branches: Branch, sense: str = "bank", banks: tuple[Bank, ...] = (CAN,), **copper: float) -> Output:
    """12 V, 100 A."""
    return Output("main", banks, 12.0, 100.0, network=Network("bus", branches, sense), **copper)


def way(name: str, resistance: float = 0.5e-3, share: float = 0.5, **more: object) -> Branch:
    return Branch(name, Conductor(f"W_{name}", resistance, 8e-9), (Bank(f"C_{name}", 1e-3, 5e-3),), share, **more)  # type: ignore[arg-type]


def triangle(mean: float, swing: float = 8.0, period: float = 4e-6) -> Course:
    return Course(np.array([0.0, 0.4, 1.0]) * period, mean + swing * np.array([-0.5, 0.5, -0.5]))


def fed(of: Output, condition: Condition = FULL) -> Fed:
    return Fed(triangle(direct(of, condition).current))


# --- direct currents


def test_a_hundred_amperes_through_half_a_milliohm() -> None:
    """50 mV and 5 W: Ohm's law; in front of a load of 120 mohm the current is 0.4 % less."""
    whole = output(way("only", 0.5e-3, 1.0))
    found = expect(whole, FULL, fed(whole))
    current = 12.0 / (0.12 + 0.5e-3 + 2e-6)
    assert found["branch_current_average", "only"].value == pytest.approx(current, rel=1e-9)
    assert found["voltage_drop", "only"].value == pytest.approx(50e-3, rel=0.01)
    assert found["conductor_dissipation", "W_only"].value == pytest.approx(5.0, rel=0.01)
    assert found["branch_current_share", "only"].value == pytest.approx(1.0)


def test_equal_branches_share_equally() -> None:
    whole = output(way("left"), way("right"))
    found = expect(whole, PROBED, fed(whole, PROBED))
    for metric in ("branch_current_average", "branch_current_rms", "voltage_drop"):
        assert found[metric, "left"].value == found[metric, "right"].value
    for place in ("bank", "connector"):
        assert found["output_ripple", f"left {place}"].value == found["output_ripple", f"right {place}"].value
    assert found["branch_current_share", "left"].value == pytest.approx(1.0)


def test_a_current_divides_as_one_over_the_resistances() -> None:
    """Two ways to one load, each with its share behind it: 1 to 3 where the loads are so, copper aside."""
    whole = output(way("left", 1e-7, 0.25), way("right", 1e-7, 0.75))
    found = expect(whole, FULL, fed(whole))
    assert found["branch_current_share", "left"].value == pytest.approx(0.5, rel=1e-4)
    assert found["branch_current_share", "right"].value == pytest.approx(1.5, rel=1e-4)


def test_a_branch_without_load_carries_no_direct_current_and_still_filters() -> None:
    alone = output(way("left", share=1.0))
    both = output(way("left", share=1.0), way("idle", share=0.0))
    found, before = expect(both, FULL, fed(both)), expect(alone, FULL, fed(alone))
    assert found["branch_current_average", "idle"].value == 0.0
    assert found["branch_current_rms", "idle"].value > 0
    assert ("output_ripple", "idle connector") not in found
    assert found["output_ripple", "left bank"].value < before["output_ripple", "left bank"].value


def test_remote_sense_lifts_the_output_by_the_drop() -> None:
    branches = (way("left", 1e-3, 0.6), way("right", 2e-3, 0.4))
    plain, remote = direct(output(*branches), FULL), direct(output(*branches, sense="right"), FULL)
    assert plain.output_voltage == 12.0
    load = 12.0 / 100.0 / 0.4
    assert remote.branch_currents[1] * load == pytest.approx(12.0)
    assert remote.output_voltage == pytest.approx(
        12.0 + remote.branch_currents[1] * (2e-3 + 1e-6) + 1e-6 * remote.current
    )
    ratio = remote.output_voltage / plain.output_voltage
    assert remote.branch_currents[0] == pytest.approx(plain.branch_currents[0] * ratio)


def test_copper_before_the_network_is_common() -> None:
    branches = (way("left"), way("right"))
    plain, behind = output(*branches), output(*branches, copper_resistance=1e-3, copper_inductance=10e-9)
    means = direct(behind, FULL)
    assert means.split_voltage == pytest.approx(12.0 - 1e-3 * means.current)
    drop = expect(behind, FULL, fed(behind))["voltage_drop", "left"].value
    own = expect(plain, FULL, fed(plain))["voltage_drop", "left"].value
    assert drop == pytest.approx(own + 1e-3 * means.current, rel=0.01)


def test_pieces_in_parallel_count() -> None:
    part = way("left", share=1.0, shunt=ShuntPart("R1", 1e-3, 2), connector=Connector("J1", 3e-3, 6))
    whole = output(part)
    found = expect(whole, FULL, fed(whole))
    root = found["branch_current_rms", "left"].value
    assert found["shunt_dissipation", "R1"].value == pytest.approx(1e-3 * (root / 2) ** 2)
    assert found["connector_current", "J1"].value == pytest.approx(root / 6, rel=1e-3)
    assert found["conductor_dissipation", "J1"].value == pytest.approx(root**2 * 1e-3, rel=1e-3)


def test_half_the_load_gives_half_the_current_and_the_same_ripple() -> None:
    whole = output(way("left"), way("right"))
    half = dataclasses.replace(FULL, load_fraction=0.5)
    full, light = expect(whole, FULL, fed(whole)), expect(whole, half, fed(whole, half))
    assert light["branch_current_average", "left"].value == pytest.approx(
        full["branch_current_average", "left"].value / 2, rel=3e-3
    )
    assert light["output_ripple", "left bank"].value == pytest.approx(
        full["output_ripple", "left bank"].value, rel=0.01
    )


# --- alternating currents


def test_copper_of_no_length_makes_one_bank_of_two() -> None:
    near = Branch("near", Conductor("W1", 1e-9), (Bank("C2", 1e-3, 5e-3),), 1.0)
    whole = output(near)
    merged = Output("main", (CAN, Bank("C2", 1e-3, 5e-3)), 12.0, 100.0)
    course = fed(whole)
    found = expect(whole, FULL, course)
    branches, orders = hand.branches_of(merged, FULL), train(course.course, 1)
    assert found["output_ripple", "near bank"].value == pytest.approx(
        swing_of(ripple(course.course, orders, branches)), rel=1e-3
    )
    assert found["capacitor_current_rms", "C2"].value == pytest.approx(
        branch_rms(course.course, orders, branches)[1], rel=1e-3
    )
    at_output = hand.branches_of(whole, FULL)
    assert branch_rms(course.course, orders, at_output)[0] == pytest.approx(
        branch_rms(course.course, orders, branches)[0], rel=1e-3
    )


def test_long_copper_leaves_the_ripple_to_the_nearer_bank() -> None:
    """Of 8 A through 9 mohm: at 250 kHz this can is all resistance."""
    far = dataclasses.replace(way("far", share=1.0), copper=Conductor("W1", 1e-3, 1e-3))
    whole = output(far)
    course = fed(whole)
    found = swing_of(ripple(course.course, train(course.course, 1), hand.branches_of(whole, FULL)))
    assert found == pytest.approx(8.0 * 9e-3, rel=1e-3)
    assert expect(whole, FULL, course)["output_ripple", "far bank"].value < 1e-3 * found


def test_a_filter_divides_as_its_choke_and_bank() -> None:
    """Far above resonance: Z_bank / (w L); a bank that is all resistance leaves R / (w L) of every harmonic."""
    inductance, resistance, period = 1e-6, 2e-3, 4e-6
    part = way(
        "left", share=1.0, filter_choke=Choke("L1", inductance, 1e-6), filter_banks=(Bank("C9", 1.0, resistance),)
    )
    whole = output(part)
    course = Fed(Course(np.linspace(0, period, 401), 100 + np.cos(np.linspace(0, 2 * math.pi, 401))))
    found = expect(whole, FULL, course)
    ratio = found["output_ripple", "left filter"].value / found["output_ripple", "left bank"].value
    assert ratio == pytest.approx(resistance / (2 * math.pi / period * inductance), rel=0.03)


def test_a_saturated_filter_choke_filters_with_what_is_left() -> None:
    straight = Choke("L1", 1e-6, 1e-3)
    bent = Choke("L1", 1e-6, 1e-3, 50.0, 0.25e-6)  # 100 A are beyond its knee
    ripples = []
    for choke in (straight, bent):
        whole = output(way("left", share=1.0, filter_choke=choke, filter_banks=(Bank("C9", 1e-3, 2e-3),)))
        ripples.append(expect(whole, FULL, fed(whole))["output_ripple", "left filter"].value)
    assert ripples[1] == pytest.approx(4 * ripples[0], rel=0.1)


def test_the_probe_reads_no_more_than_is_there() -> None:
    whole = output(way("left"), way("right", cable=Conductor("W9", 1e-3, 100e-9)))
    found = expect(whole, PROBED, fed(whole, PROBED))
    for name in ("left", "right"):
        read = found["output_ripple_probe", f"{name} connector"].value
        assert 0.5 < read / found["output_ripple", f"{name} connector"].value < 1.05
    largest = max(found["output_ripple_probe", f"{name} connector"].value for name in ("left", "right"))
    assert hand.probed_ripple(whole, PROBED, fed(whole, PROBED)) == pytest.approx(largest)


# --- responses


def test_a_way_is_a_load_behind_copper() -> None:
    load, beside = 0.2, Shunt(20e-3, 0.0, 1e-6)
    one, other = Load(1e-3, 30e-9, load, (beside,)), Way(1e-3, 30e-9, Node((Shunt(load), beside)))
    omega = np.geomspace(1e3, 1e9, 50)
    assert np.allclose(one.admittance(omega), other.admittance(omega), rtol=1e-12)
    assert (one.resistance, one.inductance) == (pytest.approx(other.resistance), pytest.approx(other.inductance))


def test_what_responses_come_to() -> None:
    """A bank's ESR behind copper at a bank with ESL: the copper takes L_bank / (L_bank + L) of the current."""
    bank, end = Shunt(5e-3, 4e-9, 1e-3), Node((Shunt(2e-3, 0.0, 1e-3),))
    lead = Way(1e-3, 12e-9, end)
    branches = [bank, lead]
    gain, slope = settled(current_response(branches, (), lead), 4e-6)
    assert (gain, slope) == (pytest.approx(0.25, rel=1e-6), pytest.approx(0.0, abs=1e-12))
    resistance, inductance = settled(voltage_response(branches, [lead]), 4e-6)
    assert (resistance, inductance) == (pytest.approx(0.25 * 2e-3, rel=1e-3), pytest.approx(0.0, abs=1e-15))
    resistance, inductance = settled(voltage_response(branches), 4e-6)
    assert (resistance, inductance) == (pytest.approx(high_frequency(branches)[0], rel=1e-3), pytest.approx(3e-9))
    resistance, inductance = settled(low_passed(voltage_response(branches), 20e6), 4e-6)
    assert (resistance, inductance) == (pytest.approx(3e-9 * 2 * math.pi * 20e6, rel=1e-3), pytest.approx(0, abs=1e-15))


def test_courses_by_responses_are_those_of_branches() -> None:
    course = triangle(100.0)
    branches, orders = [Shunt(8e-3, 4e-9, 5e-4), Shunt(3e-3, 0.0, 4e-5), Load(2e-3, 30e-9, 0.2)], train(course, 1)
    assert swing_of(course_of(course, orders, voltage_response(branches))) == pytest.approx(
        swing_of(ripple(course, orders, branches)), rel=1e-6
    )
    for index, expected in enumerate(branch_rms(course, orders, branches)[:2]):
        element = branches[index]
        assert isinstance(element, Shunt)
        assert rms_by(course, orders, current_response(branches, (), element)) == pytest.approx(expected, rel=1e-6)


def test_the_currents_at_a_node_add_up() -> None:
    course = triangle(100.0)
    end = Node((Shunt(5e-3, 0.0, 1e-3),), (Way(2e-3, 100e-9, Node((Shunt(0.2),))),))
    branches, lead = [Shunt(8e-3, 0.0, 5e-4), Way(1e-3, 10e-9, end)], Way(1e-3, 10e-9, end)
    orders = train(course, 1)
    into = course_of(course, orders, current_response(branches, (), lead))
    instants = np.linspace(0, 3.9e-6, 40)
    parts = [course_of(course, orders, current_response(branches, [lead], part)) for part in (*end.shunts, *end.ways)]
    assert np.allclose(into.at(instants), sum(part.at(instants) for part in parts), atol=1e-9)


def test_every_unknown_of_a_network_has_an_estimate() -> None:
    part = way(
        "left", cable=Conductor("W9", 1e-3, 1e-7), filter_choke=Choke("L1", 1e-6, 1e-3, 20.0, 5e-7),
        filter_banks=(Bank("C9", 1e-3, 2e-3),),
    )  # fmt: skip
    whole = output(part, way("right"), copper_resistance=1e-4, copper_inductance=5e-9)
    known = estimates(whole, PROBED, "a")
    unknowns = [state.unknown for state in output_states("xstage", whole, "a", PROBED) if state.unknown]
    own = [name for name in unknowns if not name.startswith("output voltage")]
    assert set(own) <= set(known)
    assert len(own) == 12
    assert all(scale > 0 for _, scale in known.values())
    assert known["network a0 choke"][0] == pytest.approx(1 + (direct(whole, PROBED).branch_currents[0] - 20) / 20 * 0.5)
    assert estimates(Output("main", (CAN,), 12.0, 100.0), PROBED, "a") == {}
