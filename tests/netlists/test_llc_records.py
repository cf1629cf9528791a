"""What a record must say of an LLC converter: each fault is one line at its place that says what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import KILN, changed_record

from netlists.errors import RecordError
from netlists.point import Point
from netlists.stages import llc

NAME = "main_24v"
STAGE, PARTS = f"stages.{NAME}", f"stages.{NAME}.parts"
TIMING = {
    "rectifier_delay": 'rectifier_delay = { value = "80n", low = "50n", high = "150n", known = "assumed" }\n',
    "rectifier_lead": 'rectifier_lead = { value = "60n", low = "20n", high = "120n", known = "assumed" }\n',
    "rectifier_least_on": 'rectifier_least_on = { value = "300n", low = "200n", high = "500n", known = "assumed" }\n',
}
SPLIT = f"""[{PARTS}.C11]
kind = "film_capacitor"
role = "split_capacitor"
known = "marked"
capacitance = "33n 5%"
esr = {{ value = "8m", low = "4m", high = "16m", known = "assumed" }}

[{PARTS}.T1]"""
DIODE = f"""[{PARTS}.D20]
kind = "diode"
role = "rectifier"
known = "marked"
parallel = 4
forward_voltage = "0.7"
forward_test_current = "20"
slope_resistance = "5m"
junction_capacitance = "600p"

[{PARTS}.C20]"""
TWO_OF = ('[stages.main_24v.parts.Q7]', f"""[{PARTS}.Q8]
kind = "mosfet"
role = "rectifier"
known = "marked"
parallel = 2
on_resistance = "2m"
output_capacitance = "900p"

[stages.main_24v.parts.Q7]""")  # fmt: skip


def faults(folder: Path, *changes: tuple[str, str]) -> list[str]:
    """Lines of the record's faults, the demonstration changed: those of reading it, else those of its parameters."""
    with pytest.raises(RecordError) as caught:
        llc.params_from(changed_record(KILN, folder, *changes), NAME, Point())
    return str(caught.value).splitlines()


HALF_A_SNUBBER = f"""[{PARTS}.R9]
kind = "resistor"
role = "snubber_resistor"
known = "marked"
parallel = 2
resistance = "10"

[{PARTS}.T1]"""
FOUR = 'parallel = 4\ndescription = "synchronous'

FAULTS = {
    "rail unknown": (
        [('rail = "coils"', 'rail = "coil"')],
        f"{STAGE}.rail: must name a rail of the nameplate, found \"coil\"",
    ),
    "no rail": ([('rail = "coils"\noutput', "output")], f"{STAGE}.rail: must name a rail of the nameplate, found none"),
    "bridge switches": (
        [('parallel = 4\ndescription = "full bridge"', 'parallel = 6\ndescription = "full bridge"')],
        f"{PARTS}.Q3.parallel: must be a multiple of the 4 places of {NAME}, found 6",
    ),
    "rectifiers": (
        [(FOUR, FOUR.replace("4", "3"))],
        f"{PARTS}.Q7.parallel: must be a multiple of the 2 places of {NAME}, found 3",
    ),
    "rectifiers of a bridge": (
        [('secondary = "centre_tapped"', 'secondary = "bridge"'),
         (FOUR, FOUR.replace("4", "2"))],
        f"{PARTS}.Q7.parallel: must be a multiple of the 4 places of {NAME}, found 2",
    ),
    "mosfets called diodes": (
        [('secondary = "centre_tapped"\nrectification = "synchronous"',
          'secondary = "centre_tapped"\nrectification = "diode"')],
        f"{STAGE}.rectification: diode needs one diode with role rectifier, found 0",
    ),
    "diodes called synchronous": (
        [(f"[{PARTS}.C20]", DIODE), ('kind = "mosfet"\nrole = "rectifier"', 'kind = "mosfet"\nrole = ""')],
        f"{STAGE}.rectification: synchronous needs one mosfet with role rectifier, found 0",
    ),
    "two kinds of rectifier": (
        [TWO_OF],
        f"{STAGE}.rectification: synchronous needs one mosfet with role rectifier, found 2",
    ),
    "frequencies swapped": (
        [('value = "65k", low = "60k", high = "70k"', 'value = "240k", low = "230k", high = "260k"'),
         ('value = "250k", low = "220k", high = "300k"', 'value = "65k", low = "60k", high = "70k"')],
        f"{STAGE}.lowest_frequency: must be < highest_frequency of 65 kHz, found 240 kHz",
    ),
    "dead time too long": (
        [('value = "250n", low = "200n", high = "350n"', 'value = "2.5u", low = "2u", high = "3u"')],
        f"{STAGE}: Params.dead_time: must be < a quarter of the shortest period, 1 us, found 2.5 us",
    ),
    "split capacitors of a full bridge": (
        [(f"[{PARTS}.T1]", SPLIT)], f"{STAGE}.bridge: a full bridge has no split_capacitor",
    ),
    **{
        f"no {name}": ([(line, "")], f"{STAGE}.{name}: missing; simulating {NAME} needs {name}: give it")
        for name, line in TIMING.items()
    },
    "no dead time": (
        [('dead_time = { value = "250n", low = "200n", high = "350n", known = "assumed" }\n', "")],
        f"{STAGE}.dead_time: missing; simulating {NAME} needs dead_time: give it",
    ),
    "leakage above all": (
        [('leakage_inductance = { value = "42u", uncertainty = "5%"',
          'leakage_inductance = { value = "420u", uncertainty = "5%"')],
        f"{STAGE}: Transformer.leakage_inductance: must be < primary_inductance of 0.00021 H, found 0.00042 H",
    ),
    "buses out of order": (
        [('value = "410", low = "400", high = "420"', 'value = "310", low = "300", high = "320"')],
        f"{STAGE}.input_voltage: must rise from input_voltage_low over input_voltage to input_voltage_high",
    ),
    "copper by half": (
        [('copper_inductance = { value = "20n", low = "10n", high = "40n", known = "assumed" }\n', "")],
        f"{STAGE}: copper_resistance and copper_inductance must be given both or neither",
    ),
    "phases": (
        [(f'[{STAGE}]\nkind = "llc"', f'[{STAGE}]\nkind = "llc"\nphases = 2')],
        f"{STAGE}.phases: must be 1: interleaved converters with a transformer have no model, found 2",
    ),
    "half a snubber": (
        [(f"[{PARTS}.T1]", HALF_A_SNUBBER)],
        f"{STAGE}: a snubber needs both a snubber_resistor and a snubber_capacitor",
    ),
    "no transformer": (
        [('kind = "transformer"\nrole = "transformer"\nknown = "measured"\nprimary_inductance = { value = "210u"',
          'kind = "transformer"\nknown = "measured"\nprimary_inductance = { value = "210u"')],
        f"{STAGE}: needs 1 to 4 parts with role transformer",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_one_clear_line(tmp_path: Path, name: str) -> None:
    changes, says = FAULTS[name]
    lines = faults(tmp_path, *changes)
    assert len(lines) == 1, lines
    place, _, rest = lines[0].partition(": ")
    assert place.partition(":")[0] == KILN.name
    assert place.partition(":")[2].isdigit()
    assert rest.startswith(says), rest
    assert len(lines[0]) < 250


def test_alternatives_need_the_parts_of_each(tmp_path: Path) -> None:
    """Both kinds of rectifiers may be stated, each with its own part; then each structure has its own parameters."""
    both = [
        ('secondary = "centre_tapped"\nrectification = "synchronous"',
         'secondary = "centre_tapped"\nrectification = ["synchronous", "diode"]'),
    ]  # fmt: skip
    assert any("diode needs one diode" in line for line in faults(tmp_path, *both))
    kiln = changed_record(KILN, tmp_path, *both, (f"[{PARTS}.C20]", DIODE))
    synchronous, reads = llc.params_from(kiln, NAME, Point())
    diodes, others = llc.params_from(kiln, NAME, Point(structure={f"{STAGE}.rectification": "diode"}))
    assert synchronous.synchronous is not None
    assert synchronous.diode is None
    assert diodes.diode is not None
    assert diodes.diode.parallel == 2
    assert diodes.synchronous is None
    assert {f"{STAGE}.{name}" for name in TIMING} == {path for path in reads - others if "rectifier_" in path}


def test_a_half_bridge_takes_split_capacitors(tmp_path: Path) -> None:
    kiln = changed_record(KILN, tmp_path, ('bridge = "full"', 'bridge = "half"'), (f"[{PARTS}.T1]", SPLIT))
    params, _ = llc.params_from(kiln, NAME, Point())
    assert [bank.designator for bank in params.split] == ["C11"]
    assert params.switch.parallel == 2  # four pieces, two places
