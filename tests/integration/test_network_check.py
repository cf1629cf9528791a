"""The main job on a buck whose load stands behind an output network, and limits of a network in simulation."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from network_records import TEXT, lamp_driver
from steady import settled

from harness.check import check_record
from harness.judge.assess import Assessment
from harness.plan import output_network as plan
from harness.plan.plan import PLANS, Plan
from harness.plan.switching_measures import buck_layout, measure_steady
from netlists.instances import Buck, Isolated
from netlists.point import Condition, Point
from netlists.stages import buck
from netlists.stages.banks import Bank
from netlists.stages.output_network import Branch, Conductor, Network

FULL = Condition(24.0, 0.0, 240.0, 25.0, supply="dc")


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    folder = tmp_path_factory.mktemp("network")
    lamp_driver(folder, ('marking = "1000u 16V 20%"', 'marking = "1000u 16V"'))
    limits = '[rails.lamps]\nripple = "40 mV"\nsource = "our own"\n'
    (folder / "lamp-driver.limits.toml").write_text(f"schema = 1\n{limits}", encoding="utf-8")
    return check_record(folder / "lamp-driver.toml", folder / "results", plots=False)[0]


def rows(found: Assessment, instance: str = "bus") -> list[Any]:
    return [row for row in found.metrics if row["instance"] == instance]


def test_every_row_agrees_with_its_hand_calculation(found: Assessment) -> None:
    assert [row["metric"] for row in found.metrics if row["agreement"] != "agrees"] == []
    assert {row["metric"] for row in rows(found)} == set(plan.METRICS)
    assert found.coverage["instances"] == {"main": "simulated", "bus": "simulated"}
    assert found.coverage["parts"]["recorded_only"] == []


def test_nothing_is_simulated_twice(found: Assessment) -> None:
    """Full load, the guide's probe, light load: the converter's three cases serve both."""
    assert found.provenance["simulations_started"] == 3
    assert {row["run_id"] for row in rows(found)} == {row["run_id"] for row in rows(found, "main")}


def test_each_instance_reports_its_own(found: Assessment) -> None:
    own = {row["subject"] for row in rows(found)}
    assert {"left", "right", "left bank", "right filter", "right connector", "R1", "J1", "W2", "C12", "L2"} <= own
    assert not own & {row["subject"] for row in rows(found, "main")}


def test_ratings_and_rail_limits_hold(found: Assessment) -> None:
    judged = {(row["metric"], row["subject"]): row for row in rows(found) if row["limit"] is not None}
    assert judged["shunt_dissipation", "R1"]["limit"] == 3.0
    assert judged["connector_current", "J2"]["limit"] == 7.0
    assert judged["capacitor_current_rms", "C10"]["limit"] == 4.0
    assert judged["output_ripple_probe", "left connector"]["limit"] == 0.04
    assert all(row["verdict"] == "within" for row in judged.values())
    (rail,) = (row for row in rows(found, "main") if row["metric"] == "output_ripple_probe")
    assert rail["subject"] == "lamps"
    worst = max(row["value"] for row in rows(found) if row["metric"] == "output_ripple_probe")
    assert rail["value"] == worst


def test_rests_on_the_values_of_both(found: Assessment) -> None:
    for row in (*rows(found)[:3], *rows(found, "main")[:3]):
        assert "stages.bus.parts.W3.resistance" in row["rests_on"]
        assert "stages.main.parts.L1.inductance" in row["rests_on"]


def measured(params: buck.Params, condition: Condition = FULL) -> dict[tuple[str, str], float]:
    run, _ = settled("buck", params, condition)
    layout = buck_layout(params, condition)
    return {(metric.name, metric.subject): metric.value for metric in measure_steady(run, layout=layout)}


def changed(tmp_path: Path, **changes: Any) -> buck.Params:
    params = buck.params_from(lamp_driver(tmp_path), "main", Point())[0]
    return dataclasses.replace(params, rails=(dataclasses.replace(params.rails[0], **changes),))


def test_copper_of_no_length_makes_one_bank_of_two(tmp_path: Path) -> None:
    own, far = Bank("C2", 100e-6, 3e-3), Bank("C10", 470e-6, 9e-3)
    near = Network("bus", (Branch("near", Conductor("W1", 1e-6), (far,), 1.0),))
    split = measured(changed(tmp_path, outputs=(own,), network=near))
    merged = measured(changed(tmp_path, outputs=(own, far), network=None))
    for key in (("output_ripple", "lamps"), ("capacitor_current_rms", "C2"), ("capacitor_current_rms", "C10")):
        assert split[key] == pytest.approx(merged[key], rel=3e-3), key
    assert split["output_ripple", "near bank"] == pytest.approx(merged["output_ripple", "lamps"], rel=3e-3)


def test_equal_branches_share_equally_and_one_is_sensed(tmp_path: Path) -> None:
    branches = tuple(
        Branch(name, Conductor("W1", 1e-3, 10e-9), (Bank("C10", 470e-6, 9e-3),), 0.5, cable=Conductor("W2", 4e-3, 2e-7))
        for name in ("left", "right")
    )
    found = measured(changed(tmp_path, outputs=(), network=Network("bus", branches, "right")))
    assert found["branch_current_share", "left"] == pytest.approx(1.0, rel=1e-4)
    assert found["branch_current_average", "right"] == pytest.approx(10.0, rel=3e-3)  # 12 V at its load of 1.2 ohm
    assert found["voltage_drop", "right"] == pytest.approx(50e-3, rel=3e-3)


def test_alternatives_of_the_converter_are_said(tmp_path: Path) -> None:
    assert len(plan.not_modelled(lamp_driver(tmp_path), "bus")) == 2
    diode = (
        '[stages.main.parts.D1]\nkind = "diode"\nrole = "freewheel_diode"\nknown = "marked"\nforward_voltage = "0.5"\n'
        'forward_test_current = "10"\nslope_resistance = "5m"\njunction_capacitance = "400p"\n\n'
    )
    both = lamp_driver(
        tmp_path, ('rail = "lamps"', 'rail = "lamps"\nrectification = ["synchronous", "diode"]'),
        ("[stages.main.parts.C1]", f"{diode}[stages.main.parts.C1]"),
    )  # fmt: skip
    assert plan.not_modelled(both, "bus")[-1][0] == "alternatives of main"


NOT_YET = {"flyback"}  # its pulses into a network have no hand calculation; a record that asks for it is told so


def test_every_converter_with_an_output_can_be_asked() -> None:
    """A kind that a record may put before a network, and that has a plan, must be known to the network's plan."""
    classes = [Buck, *Isolated.__subclasses__()]
    kinds = {kind for one in classes for kind in one.model_fields["kind"].annotation.__args__}
    assert kinds & set(PLANS) - NOT_YET == set(plan.CONVERTERS)


def test_a_claim_about_a_network_is_asked_of_it(tmp_path: Path) -> None:
    claim = '\n[claims.drop]\nmetric = "voltage_drop"\nat_most = "100 mV"\nload_fraction = "50%"\nsource = "ours"\n'
    answers = [a for a in Plan(lamp_driver(tmp_path, text=TEXT + claim), ["main", "bus"]).answers if a.question.claim]
    assert [(answer.instance, answer.subject) for answer in answers] == [("bus", "left"), ("bus", "right")]
    assert {answer.corners["nominal"].situation.condition.load_fraction for answer in answers} == {0.5}
