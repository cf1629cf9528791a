"""What a record must say of an output network, what becomes of it, and what it leaves alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import KILN
from network_records import CONVERTER, TEXT, lamp_driver

from harness.plan.plan import simulated_instances
from netlists.errors import OptionError, RecordError
from netlists.point import Condition, Point
from netlists.record import load_record
from netlists.stages import buck, output_network
from netlists.stages.banks import Bank
from netlists.stages.output_network import Branch, Conductor, Connector, Network

FULL = Condition(24.0, 0.0, 240.0, 25.0, supply="dc", probe="desktop guide")


def test_a_converter_takes_its_network_with_it(tmp_path: Path) -> None:
    record = lamp_driver(tmp_path)
    params, reads = buck.params_from(record, "main", Point())
    alone, own = output_network.params_from(record, "bus", Point())
    network = params.rails[0].network
    assert network == alone
    assert own < reads
    assert {"stages.bus.parts.W1.resistance", "stages.bus.branches.left.load_share", "stages.bus.sense"} <= own
    assert simulated_instances(record) == ["main", "bus"]


def test_values_are_those_of_the_parts_as_found(tmp_path: Path) -> None:
    left, right = output_network.params_from(lamp_driver(tmp_path), "bus", Point())[0].branches
    assert left.shunt is not None
    assert left.cable is not None
    assert left.connector is not None
    assert left.shunt.whole_resistance == pytest.approx(0.5e-3)  # two of 1 mohm
    assert left.begin == (pytest.approx(1.0e-3), pytest.approx(8e-9))
    assert left.connector.whole_resistance == pytest.approx(2 * 2e-3 / 3)  # there and back, three contacts each
    assert left.end == (pytest.approx(2.5e-3 + 4e-3 / 3), pytest.approx(250e-9))
    assert right.filter_choke is not None
    assert [bank.designator for bank in (*right.banks, *right.filter_banks)] == ["C11", "C12"]
    assert right.resistance == pytest.approx(0.9e-3 + 1e-3 + 2e-3)
    assert (left.load_share, right.load_share) == (pytest.approx(0.6), pytest.approx(0.4))


def test_shares_are_equal_where_none_is_stated_and_add_up_at_every_point(tmp_path: Path) -> None:
    equal = lamp_driver(
        tmp_path, ('load_share = { value = "60%", known = "marked" }', ""),
        ('load_share = { value = "40%", known = "marked" }', ""),
    )  # fmt: skip
    assert [b.load_share for b in output_network.params_from(equal, "bus", Point())[0].branches] == [0.5, 0.5]
    wide = '{ value = "60%", low = "40%", high = "80%", known = "assumed" }'
    ranged = lamp_driver(tmp_path, ('{ value = "60%", known = "marked" }', wide))
    point = Point({"stages.bus.branches.left.load_share": 0.8})
    moved = output_network.params_from(ranged, "bus", point)[0].branches
    assert [b.load_share for b in moved] == [pytest.approx(0.8 / 1.2), pytest.approx(0.4 / 1.2)]


def test_where_the_converter_senses_is_a_structure_choice(tmp_path: Path) -> None:
    record = lamp_driver(tmp_path, ('fed_by = "main"', 'fed_by = "main"\nsense = ["bank", "left"]'))
    plain = buck.params_from(record, "main", Point())[0].rails[0].output
    point = Point(structure={"stages.bus.sense": "left"})
    remote = buck.params_from(record, "main", point)[0].rails[0].output
    assert plain.regulated_node("a") == "out_a"
    assert remote.regulated_node("a") == "connector_a0"


def test_a_network_serves_as_the_only_bank(tmp_path: Path) -> None:
    bare = lamp_driver(tmp_path, ('role = "output_bank"\n', ""))
    assert buck.params_from(bare, "main", Point())[0].rails[0].outputs == ()
    with pytest.raises(RecordError, match="needs a part with role output_bank, or an output_network"):
        lamp_driver(tmp_path, ('role = "output_bank"\n', ""), text=CONVERTER)


def test_a_network_whose_parts_say_no_role_is_recorded_only(tmp_path: Path) -> None:
    bare = '\n[stages.bus]\nkind = "output_network"\nfed_by = "main"\n\n[stages.bus.parts.J1]\nkind = "other"\n'
    record = lamp_driver(tmp_path, text=CONVERTER + bare)
    assert simulated_instances(record) == ["main"]
    assert buck.params_from(record, "main", Point())[0].rails[0].network is None
    with pytest.raises(OptionError, match="recorded only"):
        output_network.params_from(record, "bus", Point())


LEFT, RIGHT = "stages.bus.branches.left", "stages.bus.branches.right"


@pytest.mark.parametrize(
    ("old", "new", "path", "says"),
    [
        ('fed_by = "main"', "", "stages.bus.fed_by", "must be a converter that is simulated and has an output"),
        ('fed_by = "main"', 'fed_by = "lamps"', "stages.bus.fed_by", "no instance"),
        ('fed_by = "main"', 'fed_by = "main"\nrail = "lamp"', "stages.bus.rail", "must be a rail of main"),
        ('role = "bank"\nbranch = "right"', 'branch = "right"', RIGHT, "needs a part with role bank"),
        ('role = "copper"\nbranch = "right"', 'branch = "right"', RIGHT, "needs a part with role copper"),
        ('role = "shunt"\nbranch = "left"', 'role = "shunt"\nbranch = "lift"', "stages.bus.parts.R1.branch",
         'must name a branch of bus, found "lift"; allowed: left, right; nearest: left'),
        ('role = "shunt"\nbranch = "left"', 'role = "shunt"', "stages.bus.parts.R1.branch", "found none"),
        ('value = "60%"', 'value = "50%"', "stages.bus.branches", "must add up to 100 %, found 90 %"),
        ('load_share = { value = "60%", known = "marked" }', "", f"{LEFT}.load_share", "for all branches or none"),
        ('{ value = "60%", known = "marked" }', '{ value = "60%", low = "0", high = "90%", known = "assumed" }',
         f"{LEFT}.load_share", "must stay above 0"),
        ('role = "filter_bank"', 'role = ""', RIGHT, "needs both a filter_choke and a filter_bank"),
        ('fed_by = "main"', 'fed_by = "main"\nsense = "middle"', "stages.bus.sense",
         'must be bank or a branch with a load, found "middle"'),
        ('fed_by = "main"', 'fed_by = "main"\nsense = ["left", "left"]', "stages.bus.sense", "each alternative once"),
        ('role = "copper"\nbranch = "right"', 'role = "copper"\nbranch = "left"', LEFT,
         "takes one part with role copper, found W1, W3"),
        ('branches.left]', 'branches.lamps]', "stages.bus.branches.lamps", "needs another name: a rail has it"),
        ('inductance = "15n"', "", "stages.bus.parts.W3.inductance", "simulating bus needs inductance"),
        ('kind = "shunt"\nrole = "shunt"', 'kind = "resistor"\nrole = "shunt"', "stages.bus.parts.R1.kind",
         "role shunt takes shunt, found resistor"),
        ('role = "output_choke"', 'role = "output_choke"\nbranch = "left"', "stages.main.parts.L1.branch",
         "only parts of an output_network stand in a branch"),
        ('branches.left]', 'branches.left]\nshare = "1"', f"{LEFT}.share", "unknown field; allowed: known, load_share"),
    ],
)  # fmt: skip
def test_a_fault_is_one_finding_at_its_place(tmp_path: Path, old: str, new: str, path: str, says: str) -> None:
    with pytest.raises(RecordError) as caught:
        lamp_driver(tmp_path, (old, new))
    texts = str(caught.value).splitlines()
    assert any(f" {path}: " in text and says in text for text in texts), texts


def test_a_corrector_feeds_no_network(tmp_path: Path) -> None:
    """It has no output but the bulk, which is the rectifier's."""
    text = KILN.read_text(encoding="utf-8") + TEXT[TEXT.index("\n[stages.bus]") :].replace("C1", "C9").replace(
        '"main"', '"corrector"'
    ).replace("parts.L2]", "parts.L92]").replace("parts.R1]", "parts.R91]").replace("parts.J2]", "parts.J92]")
    file = tmp_path / "kiln-900.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match=r'bus.fed_by: must be a converter .*, found "corrector"; allowed: logic_3v3'):
        load_record(file)


def test_two_networks_behind_one_rail_are_refused(tmp_path: Path) -> None:
    second = (
        '\n[stages.second]\nkind = "output_network"\nfed_by = "main"\n\n[stages.second.branches.left]\n\n'
        '[stages.second.parts.W9]\nkind = "conductor"\nrole = "copper"\nbranch = "left"\nknown = "marked"\n'
        'resistance = "1m"\ninductance = "5n"\n\n[stages.second.parts.C99]\nkind = "ceramic_capacitor"\nrole = "bank"\n'
        'branch = "left"\nknown = "marked"\ncapacitance = "1u"\nesr = "5m"\n'
    )
    with pytest.raises(RecordError) as caught:
        lamp_driver(tmp_path, text=TEXT + second)
    assert "stages.bus carries rail lamps already" in str(caught.value)
    assert "needs another name: a branch of stages.bus has it" in str(caught.value)


COPPER, CAN = Conductor("W1", 1e-3, 5e-9), Bank("C1", 1e-4, 1e-2)


@pytest.mark.parametrize(
    ("branches", "sense", "says"),
    [
        ((Branch("a1", COPPER, (CAN,), 0.7),), "bank", "must add up to 1, found 0.7"),
        ((Branch("a1", COPPER, (CAN,), 0.5), Branch("a1", COPPER, (CAN,), 0.5)), "bank", "two have one name"),
        ((Branch("a1", COPPER, (CAN,), 1.0), Branch("a2", COPPER, (CAN,), 0.0)), "a2", "with a load, found a2"),
        ((), "bank", "must be 1 to 8, found 0"),
    ],
)  # fmt: skip
def test_impossible_networks_are_refused(branches: tuple[Branch, ...], sense: str, says: str) -> None:
    with pytest.raises(OptionError, match=says):
        Network("bus", branches, sense)


def test_impossible_branches_are_refused() -> None:
    with pytest.raises(OptionError, match="needs at least one capacitor"):
        Branch("left", COPPER, (), 1.0)
    with pytest.raises(OptionError, match="needs both a filter choke and a bank"):
        Branch("left", COPPER, (CAN,), 1.0, filter_banks=(CAN,))
    with pytest.raises(OptionError, match="has no load, so no cable or connector"):
        Branch("left", COPPER, (CAN,), 0.0, connector=Connector("J1", 1e-3))


OUTPUT_OF_KILN = """
vsense_output_a0 out_a sensed_output_a0 0
resr_output_a0 sensed_output_a0 inner_output_a0 0.0035
coutput_a0 inner_output_a0 0 0.00112 ic=0.0
vsense_output_a1 out_a sensed_output_a1 0
resr_output_a1 sensed_output_a1 inner_output_a1 0.00075
coutput_a1 inner_output_a1 0 5.6e-05 ic=0.0
rcopper_a out_a load_a 1e-06
rload_a load_a 0 0.4166666666666667
vsense_probe_film_a load_a sensed_probe_film_a 0
resr_probe_film_a sensed_probe_film_a inner_probe_film_a 0.02
cprobe_film_a inner_probe_film_a 0 1e-07 ic=0.0
vsense_probe_can_a load_a sensed_probe_can_a 0
resr_probe_can_a sensed_probe_can_a inner_probe_can_a 0.5
cprobe_can_a inner_probe_can_a 0 1e-05 ic=0.0
"""


def test_an_output_without_a_network_is_the_deck_it_was() -> None:
    """Line for line as before there were networks, so that no stored run of a buck is lost."""
    params, _ = buck.params_from(load_record(KILN), "logic_5v", Point())
    lines = [line.strip().lower() for line in str(buck.bench(params, FULL)).splitlines()]
    wanted = OUTPUT_OF_KILN.split("\n")[1:-1]
    names = [line.split(" ")[0] for line in wanted]
    assert [line for line in lines if line.split(" ")[0] in names] == wanted
    about = ("output_a", "load_a", "copper_a", "probe_film_a", "probe_can_a", "network", "connector")
    others = [line for line in lines if any(name in line.split(" ")[0] for name in about) and line not in wanted]
    assert others == []
    nodes = {word for line in lines for word in line.split(" ") if word in ("load_a", "out_a")}
    assert nodes == {"load_a", "out_a"}


def test_a_network_stands_between_the_output_and_its_loads(tmp_path: Path) -> None:
    params, _ = buck.params_from(lamp_driver(tmp_path), "main", Point())
    lines = [line.strip().lower() for line in str(buck.bench(params, FULL)).splitlines()]
    assert "xnetwork_a load_a connector_a0 connector_a1 network_a" in lines
    assert [line for line in lines if line.startswith("rload")] == [
        "rload_a0 connector_a0 0 1.0", "rload_a1 connector_a1 0 1.4999999999999998",
    ]  # fmt: skip
    assert sum(line.startswith("cprobe") for line in lines) == 4
    states = buck.states(params, FULL)
    devices = {line.split(" ")[0] for line in lines if line}
    assert {state.device.rsplit(".", 1)[-1] for state in states} <= devices
    assert len(states) == sum(device[0] in "lc" for device in devices)
