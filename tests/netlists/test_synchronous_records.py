"""What a record must say of a synchronous flyback and of diode emulation, and what becomes of it when it does not."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import assert_both_ends_give_parameters, assert_fault_is_said
from synchronous_records import BUCK, FLYBACK, record

from netlists.errors import OptionError
from netlists.point import Point
from netlists.stages import buck, flyback
from netlists.stages.switching import Diode, Switch

DIODE = """
[stages.converter.parts.D2]
kind = "diode"
role = "rectifier"
known = "marked"
forward_voltage = "0.5"
forward_test_current = "5"
slope_resistance = "10m"
junction_capacitance = "300p"
"""
LEAD = 'rectifier_lead = { value = "60n", low = "40n", high = "90n", known = "assumed" }\n'
BUCK_LEAD = 'rectifier_lead = { value = "50n", low = "30n", high = "80n", known = "assumed" }\n'
FURTHER = ('role = "rectifier"', 'role = "rectifier"\noutput = "other"')


def test_a_flyback_s_switch_and_timing_are_read(tmp_path: Path) -> None:
    found = record(tmp_path, FLYBACK)
    params, reads = flyback.params_from(found, "converter", Point())
    assert params.secondaries[0].synchronous == Switch("Q2", 11e-3, 350e-12, parallel=2)
    assert (params.rectifier_delay, params.rectifier_lead, params.rectifier_least_on) == (70e-9, 60e-9, 500e-9)
    assert "stages.converter.rectifier_lead" in reads
    assert_both_ends_give_parameters(found, flyback, "converter")


def test_alternatives_of_a_flyback_s_rectifier_take_each_its_part(tmp_path: Path) -> None:
    found = record(
        tmp_path, FLYBACK + DIODE, ('rectification = "synchronous"', 'rectification = ["diode", "synchronous"]')
    )
    path = "stages.converter.rectification"
    for choice, kind in (("diode", Diode), ("synchronous", Switch)):
        params, reads = flyback.params_from(found, "converter", Point(structure={path: choice}))
        assert isinstance(params.secondaries[0].rectifier, kind)
        assert ("stages.converter.rectifier_delay" in reads) == (choice == "synchronous")


def test_a_buck_s_emulation_is_read(tmp_path: Path) -> None:
    found = record(tmp_path, BUCK)
    params, _ = buck.params_from(found, "logic", Point())
    (rail,) = params.rails
    assert rail.emulates_diode
    assert (rail.turn_off_lead, rail.least_on_time) == (50e-9, 100e-9)
    assert_both_ends_give_parameters(found, buck, "logic")
    forced = record(tmp_path, BUCK, ('light_load = "diode_emulation"', 'light_load = "forced_continuous"'))
    assert not buck.params_from(forced, "logic", Point())[0].rails[0].emulates_diode
    plain = record(tmp_path, BUCK, ('light_load = "diode_emulation"\n', ""))
    assert not buck.params_from(plain, "logic", Point())[0].rails[0].emulates_diode


@pytest.mark.parametrize(
    ("text", "change", "path", "says"),
    [
        (FLYBACK, (LEAD, ""), "converter.rectifier_lead", "rectifier_lead"),
        (FLYBACK, ("rectification = \"synchronous\"", "rectification = \"diode\""), "stages.converter",
         "a diode, found none"),
        (FLYBACK, ("output_capacitance = \"350p\"\n", ""), "Q2.output_capacitance", "output_capacitance"),
        (FLYBACK, FURTHER, "Q2.output", "other"),
        (BUCK, (BUCK_LEAD, ""), "logic.rectifier_lead", "rectifier_lead"),
        (BUCK, ('rectification = "synchronous"', 'rectification = ["synchronous", "diode"]'), "logic.light_load",
         "only where rectification is synchronous"),
    ],
)  # fmt: skip
def test_what_is_missing_is_said(tmp_path: Path, text: str, change: tuple[str, str], path: str, says: str) -> None:
    assert_fault_is_said(lambda: record(tmp_path, text, change), path, says)


def test_a_second_synchronous_rail_is_refused(tmp_path: Path) -> None:
    params, _ = flyback.params_from(record(tmp_path, FLYBACK), "converter", Point())
    (lead,) = params.secondaries
    with pytest.raises(OptionError, match="on the regulated rail alone"):
        type(params)(
            **{
                **{name: getattr(params, name) for name in params.__slots__},
                "secondaries": (lead, lead),
                "primary": type(params.primary)("T1", (lead.winding, lead.winding), 680e-6, 9e-6, 0.8),
            }
        )
