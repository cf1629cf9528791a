"""What a record must say of bucks and correctors, and what becomes of it when it does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from netlists.errors import RecordError
from netlists.point import Point
from netlists.record import SupplyRecord, load_record
from netlists.stages import boost_pfc, buck

KILN = Path(__file__).resolve().parents[2] / "netlists" / "records" / "kiln-900.toml"
TEXT = KILN.read_text(encoding="utf-8")


def record(folder: Path, *changes: tuple[str, str]) -> SupplyRecord:
    """The demonstration record with texts replaced, each at its first place; each must be there."""
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    file = folder / "kiln.toml"
    file.write_text(text, encoding="utf-8")
    return load_record(file)


def test_two_bucks_that_share_an_input_give_equal_parameters(tmp_path: Path) -> None:
    kiln = record(tmp_path)
    (one, reads), (other, _) = (buck.params_from(kiln, name, Point()) for name in ("logic_5v", "logic_3v3"))
    assert one == other
    assert [rail.name for rail in one.rails] == ["logic_5v", "logic_3v3"]
    assert one.rails[1].phase_angle == 180.0
    assert "stages.logic_3v3.parts.L6.inductance" in reads
    assert "stages.logic_5v.parts.C39.esr" in reads
    assert not any("corrector" in path for path in reads)


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


def test_alternatives_of_rectification_are_each_a_structure(tmp_path: Path) -> None:
    kiln = record(
        tmp_path,
        ('rectification = "synchronous"', 'rectification = ["synchronous", "diode"]'),
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
        ('role = "low_side"', 'role = ""', "stages.logic_5v.rectification", "needs a part with role low_side"),
        ('loop_quality = { value = "5", low = "3", high = "8", known = "assumed" }\n', "",
         "stages.corrector.loop_quality", "simulating corrector needs loop_quality"),
        ('output_capacitance = { value = "220p", low = "150p", high = "320p", known = "assumed" }\n', "",
         "stages.corrector.parts.Q1.output_capacitance", "simulating corrector needs output_capacitance"),
        ('high = "185"', 'high = "485"', "stages.logic_3v3.phase_angle", "<= 360"),
    ],
)  # fmt: skip
def test_a_fault_is_one_finding_at_its_place(tmp_path: Path, old: str, new: str, path: str, says: str) -> None:
    with pytest.raises(RecordError) as caught:
        record(tmp_path, (old, new))
    texts = str(caught.value).splitlines()
    assert any(path in text and says in text for text in texts), texts


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
