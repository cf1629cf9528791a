"""What a record must say of bucks and correctors, and what becomes of it when it does not."""

from __future__ import annotations

import itertools
import random
import re
from pathlib import Path
from types import ModuleType

import pytest
from demonstration import KILN, assert_both_ends_give_parameters, assert_fault_is_said, changed_record
from record_mutations import fault_of_error, mutated_text

from netlists.catalog import STAGES
from netlists.errors import BulkrailError, OptionError, RecordError
from netlists.instances import Switching
from netlists.point import Point
from netlists.record import SupplyRecord, load_record
from netlists.stages import boost_pfc, buck, rectifier_bulk

TEXT = KILN.read_text(encoding="utf-8")


def record(folder: Path, *changes: tuple[str, str]) -> SupplyRecord:
    """The demonstration record with a corrector and two bucks, changed."""
    return changed_record(KILN, folder, *changes)


def test_two_bucks_that_share_an_input_give_equal_parameters(tmp_path: Path) -> None:
    kiln = record(tmp_path)
    (one, reads), (other, _) = (buck.params_from(kiln, name, Point()) for name in ("logic_5v", "logic_3v3"))
    assert one == other
    assert [rail.name for rail in one.rails] == ["logic_5v", "logic_3v3"]
    assert one.rails[1].phase_angle == 180.0
    assert "stages.logic_3v3.parts.L6.inductance" in reads
    assert "stages.logic_5v.parts.C39.esr" in reads
    assert not any("corrector" in path for path in reads)
    assert "stages.logic_5v.switching_frequency" in reads
    assert "stages.logic_3v3.switching_frequency" not in reads  # both switch with the input's owner


def test_a_corrector_takes_bulk_and_set_point_from_the_rectifier(tmp_path: Path) -> None:
    params, reads = boost_pfc.params_from(record(tmp_path), "corrector", Point())
    assert [bank.designator for bank in params.outputs] == ["C1"]
    assert params.bus_setpoint == 390.0
    assert params.rectifier_drop == pytest.approx(2 * 0.95)
    assert params.low.parallel == 1  # two pieces, two phases
    assert "stages.mains_rectifier.bus_setpoint" in reads
    assert "stages.mains_rectifier.parts.C1.loss_angle" in reads  # the ESR is inferred from it


def test_a_point_moves_a_value_and_nothing_else(tmp_path: Path) -> None:
    kiln = record(tmp_path)
    moved, _ = buck.params_from(kiln, "logic_5v", Point({"stages.logic_5v.loop_inductance": 8e-9}))
    plain, _ = buck.params_from(kiln, "logic_5v", Point())
    assert moved.rails[0].strays.loop_inductance == 8e-9
    assert moved.rails[1] == plain.rails[1]
    assert moved.inputs == plain.inputs


@pytest.mark.parametrize(("stage", "instance"), [(boost_pfc, "corrector"), (buck, "logic_5v"), (buck, "logic_3v3")])
def test_both_ends_of_every_range_give_parameters(tmp_path: Path, stage: ModuleType, instance: str) -> None:
    kiln = record(tmp_path)
    assert_both_ends_give_parameters(kiln, stage, instance)


def test_a_part_may_hold_a_role_and_be_referred_to(tmp_path: Path) -> None:
    kiln = record(tmp_path)
    rectifier, reads = rectifier_bulk.params_from(
        record(tmp_path, ('bypass = "diode"', 'bypass = "none"')), "mains_rectifier", Point()
    )
    choke = boost_pfc.params_from(kiln, "corrector", Point())[0].choke
    assert rectifier.boost_choke is not None
    assert (rectifier.boost_choke.inductance, rectifier.boost_choke.parallel) == (choke.inductance, 2)
    assert "stages.corrector.parts.L3.inductance" in reads


def test_a_snubber_is_that_of_one_phase(tmp_path: Path) -> None:
    snubber = (
        '[stages.corrector.parts.R5]\nkind = "resistor"\nrole = "snubber_resistor"\nknown = "marked"\nparallel = 4\n'
        'resistance = "22 5%"\n\n[stages.corrector.parts.C5]\nkind = "ceramic_capacitor"\n'
        'role = "snubber_capacitor"\nknown = "marked"\nparallel = 2\ncapacitance = "100p 5%"\n\n'
    )
    before = "[stages.corrector.parts.U1]"
    found = boost_pfc.params_from(record(tmp_path, (before, snubber + before)), "corrector", Point())[0].snubber
    assert found is not None
    assert found.resistance == pytest.approx(11.0)  # two of 22 ohm in parallel a phase
    assert found.capacitance == pytest.approx(100e-12)
    alone = snubber.split("[stages.corrector.parts.C5]")[0]
    with pytest.raises(RecordError, match="a snubber needs both"):
        record(tmp_path, (before, alone + before))


def test_alternatives_of_the_mode_need_the_delay_only_in_boundary(tmp_path: Path) -> None:
    delay = 'turn_on_delay = { value = "200n", low = "100n", high = "400n", known = "assumed" }'
    kiln = record(tmp_path, ('mode = "fixed_frequency"', f'mode = ["fixed_frequency", "boundary"]\n{delay}'))
    fixed, plain = boost_pfc.params_from(kiln, "corrector", Point())
    boundary, more = boost_pfc.params_from(kiln, "corrector", Point(structure={"stages.corrector.mode": "boundary"}))
    assert (fixed.mode, fixed.turn_on_delay) == ("fixed_frequency", 0.0)
    assert (boundary.mode, boundary.turn_on_delay) == ("boundary", 200e-9)
    assert more - plain == {"stages.corrector.turn_on_delay"}


def test_alternatives_of_rectification_are_each_a_structure(tmp_path: Path) -> None:
    kiln = record(
        tmp_path,
        ('"logic_5v"\nrectification = "synchronous"', '"logic_5v"\nrectification = ["synchronous", "diode"]'),
        ('[stages.logic_5v.parts.C38]', '[stages.logic_5v.parts.D20]\nkind = "diode"\nrole = "freewheel_diode"\n'
         'known = "marked"\nforward_voltage = "0.45"\nforward_test_current = "10"\nslope_resistance = "8m"\n'
         'junction_capacitance = "400p"\n\n[stages.logic_5v.parts.C38]'),
    )  # fmt: skip
    assert kiln.instance("logic_5v").structure_names() == ("rectification",)
    point = Point(structure={"stages.logic_5v.rectification": "diode"})
    rail = buck.params_from(kiln, "logic_5v", point)[0].rails[0]
    assert rail.rectification == "diode"
    assert rail.low is None
    assert rail.diode is not None
    both = buck.params_from(kiln, "logic_5v", Point())[0].rails[0]
    assert both.low is not None
    assert both.diode is not None


def test_a_buck_whose_parts_say_no_role_is_recorded_only(tmp_path: Path) -> None:
    start, stop = TEXT.index("[stages.logic_5v]"), TEXT.index("[stages.standby_5v]")
    bare = '[stages.logic_5v]\nkind = "buck"\n\n[stages.logic_5v.parts.L5]\nkind = "choke"\n\n'
    kiln = record(tmp_path, (TEXT[start:stop], bare))
    assert not kiln.instance("logic_5v").is_modelled()
    with pytest.raises(OptionError, match="recorded only"):
        buck.params_from(kiln, "logic_5v", Point())


def test_a_corrector_whose_parts_say_no_role_is_recorded_only(tmp_path: Path) -> None:
    start, stop = TEXT.index("[stages.corrector]"), TEXT.index("[stages.main_24v]")
    kiln = record(tmp_path, (TEXT[start:stop], re.sub('role = "[a-z_]+"\n', "", TEXT[start:stop])))
    with pytest.raises(OptionError, match="recorded only"):
        boost_pfc.params_from(kiln, "corrector", Point())


@pytest.mark.parametrize(
    ("old", "new", "path", "says"),
    [
        ('rail = "logic_5v"', 'rail = "logic_6v"', "stages.logic_5v.rail", "must name a rail"),
        ("phases = 2", "phases = 3", "stages.corrector.parts.Q1.parallel", "must be a multiple of the 3 phases"),
        ("phases = 2", "phases = 1", "stages.corrector.parts.L3.parallel", "must be 1, one a phase"),
        ("phases = 2", "phases = 6", "stages.corrector.phases", "must be <= 4, found 6"),
        ('fed_by = "mains_rectifier"\nmode', 'fed_by = "inlet_filter"\nmode', "stages.corrector.fed_by",
         "must be a rectifier_bulk whose feed is boosted"),
        ('mode = "fixed_frequency"', 'mode = "boundary"', "stages.corrector.turn_on_delay", "missing"),
        ('shares_input_with = "logic_5v"', 'shares_input_with = "corrector"', "stages.logic_3v3.shares_input_with",
         "must name another buck"),
        ('shares_input_with = "logic_5v"\n', "", "stages.logic_3v3", "needs a part with role input_bank"),
        ('rail = "logic_3v3"', 'rail = "logic_5v"', "stages.logic_3v3.rail", "stages.logic_5v makes it already"),
        ('fed_by = "main_24v"\nrail = "logic_3v3"', 'fed_by = "corrector"\nrail = "logic_3v3"',
         "stages.logic_3v3.fed_by", "must be that of logic_5v, whose input it shares"),
        ('role = "input_bank"\nknown = "marked"\nmarking', 'role = "output_choke"\nknown = "marked"\nmarking',
         "stages.logic_5v.parts.C38.kind", "role output_choke takes choke, found polymer_capacitor"),
        ('mode = "fixed_frequency"', 'mode = ["fixed_frequency", "fixed_frequency"]', "stages.corrector.mode",
         "each alternative once"),
        ('role = "low_side"', 'role = ""', "stages.logic_5v.rectification", "needs a part with role low_side"),
        ('loop_quality = { value = "5", low = "3", high = "8", known = "assumed" }\n', "",
         "stages.corrector.loop_quality", "simulating corrector needs loop_quality"),
        ('output_capacitance = { value = "220p", low = "150p", high = "320p", known = "assumed" }\n', "",
         "stages.corrector.parts.Q1.output_capacitance", "simulating corrector needs output_capacitance"),
        ('high = "185"', 'high = "485"', "stages.logic_3v3.phase_angle", "<= 360"),
    ],
)  # fmt: skip
def test_a_fault_is_one_finding_at_its_place(tmp_path: Path, old: str, new: str, path: str, says: str) -> None:
    assert_fault_is_said(lambda: record(tmp_path, (old, new)), path, says)


def test_rails_without_a_common_period_are_refused(tmp_path: Path) -> None:
    start = TEXT.index("[stages.logic_3v3]")
    changed = TEXT[start:].replace('value = "300k"', 'value = "350k"', 1)
    file = tmp_path / "kiln.toml"
    file.write_text(TEXT[:start] + changed, encoding="utf-8")
    with pytest.raises(RecordError, match="without a common period"):
        load_record(file)


def test_an_output_above_its_input_is_a_finding_of_the_instance(tmp_path: Path) -> None:
    kiln = record(
        tmp_path, ('input_voltage = { value = "24", low = "23.3"', 'input_voltage = { value = "4.9", low = "4"')
    )
    with pytest.raises(RecordError, match=r"stages\.logic_5v.*must be < its input"):
        buck.params_from(kiln, "logic_5v", Point())


def test_a_missing_value_is_said_at_the_line_of_its_part(tmp_path: Path) -> None:
    gone = 'on_resistance = { value = "75m", low = "60m", high = "99m", known = "assumed" }\n'
    line = TEXT[: TEXT.index("[stages.corrector.parts.Q1]")].count("\n") + 1
    with pytest.raises(RecordError) as caught:
        record(tmp_path, (gone, ""))
    assert str(caught.value).startswith(f"kiln-900.toml:{line}: stages.corrector.parts.Q1.on_resistance: missing")


@pytest.mark.parametrize("seed", [1, 2])
def test_broken_switching_stages_give_expected_errors_alone(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    start, stop = TEXT.index("[stages.corrector]"), TEXT.index("[stages.standby_5v]")
    file = tmp_path / "kiln.toml"
    for _ in range(100):
        text = TEXT[:start] + mutated_text(TEXT[start:stop], rng) + TEXT[stop:]
        file.write_bytes(text.encode("utf-8", "surrogatepass"))
        fault = ""
        try:
            every_structure(load_record(file))
        except BulkrailError as error:
            fault = fault_of_error(error)
        assert not fault, text


def every_structure(kiln: SupplyRecord) -> None:
    """Parameters of every switching stage that says its roles, in every alternative."""
    for name, instance in kiln.data.stages.items():
        if isinstance(instance, Switching) and instance.is_modelled():
            stage = STAGES[getattr(instance, "kind", "")]
            fields = instance.structure_names()
            for chosen in itertools.product(*(instance.choices(field) for field in fields)):
                structure = {f"stages.{name}.{field}": choice for field, choice in zip(fields, chosen, strict=True)}
                stage.params_from(kiln, name, Point(structure=structure))
