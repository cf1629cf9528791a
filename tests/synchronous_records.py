"""Records of our own invention: a flyback with a synchronous rectifier, a buck whose low side emulates a diode."""

from __future__ import annotations

import re
from pathlib import Path

from netlists.record import SupplyRecord, load_record

FLYBACK = """\
schema = 1
name = "buoy-20"
title = "20 W charger of a tide gauge: one flyback, 5 V by a synchronous rectifier"

[nameplate]
ambient = { value = "25", low = "0", high = "40", known = "assumed" }

[nameplate.input_bands.wide]
voltage_low = "100"
voltage_high = "240"
voltage_tolerance = "10%"
frequency_low = "50"
frequency_high = "60"
output_power = "20"

[nameplate.rails.main]
voltage = "5"
current = "4"

[stages.converter]
kind = "flyback"
mode = "fixed_frequency"
rectification = "synchronous"
rail = "main"
input_voltage = { value = "310", low = "300", high = "325", known = "assumed" }
input_voltage_low = { value = "110", low = "100", high = "120", known = "assumed" }
input_voltage_high = { value = "373", low = "370", high = "375", known = "assumed" }
switching_frequency = { value = "65k", known = "marked" }
largest_duty = { value = "75%", known = "marked" }
loop_inductance = { value = "25n", known = "marked" }
loop_quality = { value = "5", known = "marked" }
switching_time = { value = "20n", known = "marked" }
rectifier_delay = { value = "70n", low = "50n", high = "100n", known = "assumed" }
rectifier_lead = { value = "60n", low = "40n", high = "90n", known = "assumed" }
rectifier_least_on = { value = "500n", known = "marked" }

[stages.converter.parts.Q1]
kind = "mosfet"
role = "primary_switch"
known = "marked"
on_resistance = "1.4"
output_capacitance = "40p"
drain_source_rating = "650"
drain_current_rating = "5"

[stages.converter.parts.T1]
kind = "transformer"
role = "transformer"
known = "marked"
primary_inductance = "680u"
leakage_inductance = "9u"
ratio = "15"
primary_resistance = "0.8"
secondary_resistance = "6m"
saturation_current = { value = "1.6", low = "1.5", high = "1.8", known = "assumed" }

[stages.converter.parts.D1]
kind = "diode"
role = "clamp_diode"
known = "marked"
forward_voltage = "1.3"
forward_test_current = "1"
slope_resistance = "0.2"
junction_capacitance = "15p"

[stages.converter.parts.R5]
kind = "resistor"
role = "clamp_resistor"
known = "marked"
resistance = "100k"
power_rating = "2"

[stages.converter.parts.C9]
kind = "ceramic_capacitor"
role = "clamp_capacitor"
known = "marked"
capacitance = "1n"
voltage_rating = "1000"

[stages.converter.parts.Q2]
kind = "mosfet"
role = "rectifier"
known = "marked"
parallel = 2
on_resistance = { value = "11m", low = "9m", high = "15m", known = "assumed" }
output_capacitance = "350p"
drain_source_rating = "60"
drain_current_rating = "20"

[stages.converter.parts.C10]
kind = "electrolytic_capacitor"
role = "output_bank"
known = "marked"
parallel = 2
capacitance = "1200u"
esr = { value = "18m", low = "12m", high = "30m", known = "assumed" }
ripple_current_rating = "2.6"
"""

BUCK = """\
schema = 1
name = "sluice-5"
title = "5 V rail of a sluice's controller: one buck from 24 V whose low side emulates a diode"

[nameplate]
ambient = { value = "25", low = "0", high = "40", known = "assumed" }

[nameplate.input_bands.rail]
supply = "dc"
voltage_low = "24"
voltage_high = "24"
voltage_tolerance = "5%"
output_power = "30"

[nameplate.rails.logic]
voltage = "5"
current = "6"

[stages.logic]
kind = "buck"
rail = "logic"
rectification = "synchronous"
light_load = "diode_emulation"
input_voltage = { value = "24", low = "23", high = "25", known = "assumed" }
switching_frequency = { value = "250k", known = "marked" }
dead_time_rising = { value = "30n", known = "marked" }
dead_time_falling = { value = "30n", known = "marked" }
rectifier_lead = { value = "50n", low = "30n", high = "80n", known = "assumed" }
rectifier_least_on = { value = "100n", known = "marked" }
loop_inductance = { value = "5n", known = "marked" }
loop_quality = { value = "5", known = "marked" }
switching_time = { value = "8n", known = "marked" }
feed_resistance = { value = "5m", known = "marked" }
feed_inductance = { value = "100n", known = "marked" }

[stages.logic.parts.Q1]
kind = "mosfet"
role = "high_side"
known = "marked"
on_resistance = "8m"
output_capacitance = "250p"
drain_source_rating = "40"

[stages.logic.parts.Q2]
kind = "mosfet"
role = "low_side"
known = "marked"
on_resistance = "5m"
output_capacitance = "350p"
drain_source_rating = "40"

[stages.logic.parts.L1]
kind = "choke"
role = "output_choke"
known = "marked"
inductance = "6.8u"
winding_resistance = "9m"

[stages.logic.parts.C1]
kind = "ceramic_capacitor"
role = "input_bank"
known = "marked"
parallel = 2
capacitance = "10u"
esr = "4m"

[stages.logic.parts.C2]
kind = "polymer_capacitor"
role = "output_bank"
known = "marked"
capacitance = "330u"
esr = "10m"
"""


def without_ranges(text: str) -> str:
    """A record of known values alone: adverse is nominal, so a check simulates each question once."""
    assumed = r'\{ value = ("[^"]+"), low = "[^"]+", high = "[^"]+", known = "assumed" \}'
    return re.sub(assumed, r'{ value = \1, known = "marked" }', text)


def record(folder: Path, text: str, *changes: tuple[str, str]) -> SupplyRecord:
    """A record with texts replaced, each at its first place; each must be there."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    file = folder / "record.toml"
    file.write_text(text, encoding="utf-8")
    return load_record(file)
