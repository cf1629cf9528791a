"""What a record must say of a flyback, and what becomes of it when it does not."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from demonstration import assert_both_ends_give_parameters, assert_fault_is_said
from flyback_record import TEXT, record
from record_mutations import fault_of_error, mutated_text

from netlists.errors import BulkrailError, OptionError, RecordError
from netlists.point import Point
from netlists.record import load_record
from netlists.stages import flyback


def test_parts_become_parameters(tmp_path: Path) -> None:
    params, reads = flyback.params_from(record(tmp_path), "converter", Point())
    main, logic = params.secondaries
    assert [bank.designator for bank in main.firsts] == ["C10"]
    assert [bank.designator for bank in main.output.banks] == ["C11"]
    assert main.choke is not None
    assert (logic.output.name, logic.rectifier.designator, logic.winding.ratio) == ("logic", "D3", 15.0)
    assert logic.snubber is not None
    assert main.snubber is None
    assert params.sense_resistance == pytest.approx(0.235)  # two of 0.47 ohm in parallel
    assert params.clamp.resistor_pieces == 2
    assert params.clamp.resistance == pytest.approx(33e3)
    assert params.primary.windings == (main.winding, logic.winding)
    assert "stages.converter.parts.T1b.ratio" in reads
    assert "nameplate.rails.logic.current" in reads
    assert "stages.converter.input_voltage" not in reads  # the plan reads the bus of its own question


def test_both_ends_of_every_range_give_parameters(tmp_path: Path) -> None:
    found = record(tmp_path)
    assert_both_ends_give_parameters(found, flyback, "converter")


def test_valley_mode_reads_its_delay_where_one_is_stated(tmp_path: Path) -> None:
    delay = 'mode = ["fixed_frequency", "valley"]\nturn_on_delay = { value = "400n", low = "300n", high = "500n", '
    found = record(tmp_path, ('mode = "fixed_frequency"', delay + 'known = "assumed" }'))
    valley, _ = flyback.params_from(found, "converter", Point(structure={"stages.converter.mode": "valley"}))
    fixed, _ = flyback.params_from(found, "converter", Point())
    assert (valley.mode, valley.turn_on_delay) == ("valley", 400e-9)
    assert (fixed.mode, fixed.turn_on_delay) == ("fixed_frequency", None)


def test_a_divider_at_the_second_bank(tmp_path: Path) -> None:
    found = record(tmp_path, ('regulated_at = "output_bank"', 'regulated_at = "second_bank"'))
    params, _ = flyback.params_from(found, "converter", Point())
    assert flyback.regulated_vector(params) == "out_a"
    plain, _ = flyback.params_from(record(tmp_path), "converter", Point())
    assert flyback.regulated_vector(plain) == "xstage.first_a"


def test_a_flyback_whose_parts_say_no_role_is_recorded_only(tmp_path: Path) -> None:
    start = TEXT.index("[stages.converter]")
    bare = '[stages.converter]\nkind = "flyback"\n\n[stages.converter.parts.T1]\nkind = "transformer"\n'
    found = record(tmp_path, (TEXT[start:], bare))
    assert not found.instance("converter").is_modelled()
    with pytest.raises(OptionError, match="recorded only"):
        flyback.params_from(found, "converter", Point())


@pytest.mark.parametrize(
    ("old", "new", "path", "says"),
    [
        ('rail = "main"', 'rail = "mains"', "stages.converter.rail", "must name a rail"),
        ('output = "logic"\nknown = "measured"', 'known = "measured"', "stages.converter.parts.T1b.output",
         "must name the rail T1b makes"),
        ('output = "logic"\nknown = "measured"', 'output = "main"\nknown = "measured"',
         "stages.converter.parts.T1b.output", "is made already"),
        ('role = "rectifier"\noutput = "logic"', 'role = "rectifier"\noutput = "logik"',
         "stages.converter.parts.D3.output", "no winding of converter makes"),
        ('role = "rectifier"\noutput = "logic"', 'role = "rectifier"', "stages.converter",
         "rail logic needs a part with role rectifier"),
        ('role = "post_choke"', 'role = ""', "stages.converter", "belong together"),
        ('role = "snubber_resistor"', 'role = ""', "stages.converter", "belong together"),
        ('role = "clamp_resistor"', 'role = ""', "stages.converter", "needs 1 part with role clamp_resistor"),
        ('mode = "fixed_frequency"', 'mode = "fixed_frequency"\nphases = 2', "stages.converter.phases", "must be 1"),
        ('largest_duty = { value = "75%", low = "70%", high = "80%", known = "assumed" }\n', "",
         "stages.converter.largest_duty", "simulating converter needs largest_duty"),
        ('mode = "fixed_frequency"', 'mode = ["valley", "valley"]', "stages.converter.mode", "each alternative once"),
        ('[nameplate.rails.logic]\nvoltage = "5"', "[nameplate.rails.logic]", "nameplate.rails.logic.voltage",
         "simulating converter needs voltage"),
        ('input_voltage_low = { value = "95"', 'input_voltage_low = { value = "395"',
         "stages.converter.input_voltage_low", "input_voltage_low"),
        ('role = "second_bank"', 'role = "output_bank"', "stages.converter", "belong together"),
    ],
)  # fmt: skip
def test_a_fault_is_one_finding_at_its_place(tmp_path: Path, old: str, new: str, path: str, says: str) -> None:
    assert_fault_is_said(lambda: record(tmp_path, (old, new)), path, says)


def test_a_leakage_beyond_the_inductance_is_a_finding_of_the_instance(tmp_path: Path) -> None:
    found = record(tmp_path, ('value = "2.8u"', 'value = "280u"'))
    with pytest.raises(RecordError, match=r"stages\.converter.*leakage_inductance: must be < primary_inductance"):
        flyback.params_from(found, "converter", Point())


def test_broken_flybacks_give_expected_errors_alone(tmp_path: Path) -> None:
    rng = random.Random(3)
    start = TEXT.index("[stages.converter]")
    file = tmp_path / "ferry-45.toml"
    for _ in range(100):
        file.write_bytes((TEXT[:start] + mutated_text(TEXT[start:], rng)).encode("utf-8", "surrogatepass"))
        fault = ""
        try:
            found = load_record(file)
            for name, instance in found.data.stages.items():
                if getattr(instance, "kind", "") == "flyback" and instance.is_modelled():
                    flyback.params_from(found, name, Point())
        except BulkrailError as error:
            fault = fault_of_error(error)
        assert not fault, fault
