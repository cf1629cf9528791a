"""A record with one flyback of our own invention: universal mains, a post filter, one further rail."""

from __future__ import annotations

from pathlib import Path

from netlists.record import SupplyRecord, load_record

TEXT = """\
schema = 1
name = "ferry-45"
title = "45 W charger of a ferry's ticket machine: one flyback, 12 V behind a post filter, 5 V beside it"

[nameplate]
ambient = { value = "25", low = "0", high = "40", known = "assumed" }

[nameplate.input_bands.wide]
voltage_low = "100"
voltage_high = "240"
voltage_tolerance = "10%"
frequency_low = "50"
frequency_high = "60"
output_power = "45"

[nameplate.rails.main]
voltage = "12"
current = "3"

[nameplate.rails.logic]
voltage = "5"
current = "1.5"

[stages.converter]
kind = "flyback"
mode = "fixed_frequency"
rail = "main"
regulated_at = "output_bank"
input_voltage = { value = "310", low = "300", high = "325", known = "assumed" }
input_voltage_low = { value = "95", low = "85", high = "105", known = "assumed" }
input_voltage_high = { value = "373", low = "370", high = "375", known = "assumed" }
switching_frequency = { value = "100k", low = "94k", high = "106k", known = "assumed" }
largest_duty = { value = "75%", low = "70%", high = "80%", known = "assumed" }
loop_inductance = { value = "25n", low = "15n", high = "40n", known = "assumed" }
loop_quality = { value = "5", low = "3", high = "8", known = "assumed" }
switching_time = { value = "20n", low = "12n", high = "35n", known = "assumed" }

[stages.converter.parts.Q1]
kind = "mosfet"
role = "primary_switch"
known = "assumed"
on_resistance = { value = "0.65", low = "0.5", high = "0.8" }
output_capacitance = { value = "60p", low = "45p", high = "90p" }
drain_source_rating = { value = "650", known = "marked" }
drain_current_rating = { value = "7", known = "marked" }

[stages.converter.parts.R4]
kind = "resistor"
role = "sense_resistor"
known = "marked"
parallel = 2
resistance = "0.47 1%"

[stages.converter.parts.C8]
kind = "ceramic_capacitor"
role = "drain_capacitor"
known = "marked"
capacitance = "47p 10%"

[stages.converter.parts.T1]
kind = "transformer"
role = "transformer"
known = "measured"
primary_inductance = { value = "180u", uncertainty = "5%", date = "2026-11-02" }
leakage_inductance = { value = "2.8u", uncertainty = "10%", date = "2026-11-02" }
ratio = { value = "6.5", uncertainty = "1%", date = "2026-11-02" }
primary_resistance = { value = "0.2", low = "0.15", high = "0.35", known = "assumed" }
secondary_resistance = { value = "8m", low = "5m", high = "15m", known = "assumed" }
saturation_current = { value = "4.2", low = "3.8", high = "4.8", known = "assumed" }

[stages.converter.parts.T1b]
kind = "winding"
role = "further_winding"
output = "logic"
known = "measured"
ratio = { value = "15", uncertainty = "1%", date = "2026-11-02" }
resistance = { value = "5m", low = "3m", high = "10m", known = "assumed" }

[stages.converter.parts.D1]
kind = "diode"
role = "clamp_diode"
known = "assumed"
forward_voltage = { value = "1.3", low = "1.1", high = "1.5" }
forward_test_current = { value = "1", known = "marked" }
slope_resistance = { value = "0.2", low = "0.1", high = "0.3" }
junction_capacitance = { value = "15p", low = "8p", high = "25p" }
reverse_voltage_rating = { value = "1000", known = "marked" }
average_current_rating = { value = "1", known = "marked" }

[stages.converter.parts.R5]
kind = "resistor"
role = "clamp_resistor"
known = "marked"
series = 2
resistance = "33k 5%"
power_rating = "2"

[stages.converter.parts.C9]
kind = "ceramic_capacitor"
role = "clamp_capacitor"
known = "marked"
capacitance = "2.2n 10%"
voltage_rating = "1000"

[stages.converter.parts.D2]
kind = "diode"
role = "rectifier"
known = "assumed"
forward_voltage = { value = "0.78", low = "0.7", high = "0.85" }
forward_test_current = { value = "10", known = "marked" }
slope_resistance = { value = "12m", low = "8m", high = "20m" }
junction_capacitance = { value = "250p", low = "180p", high = "350p" }
reverse_voltage_rating = { value = "150", known = "marked" }
average_current_rating = { value = "20", known = "marked" }

[stages.converter.parts.C10]
kind = "electrolytic_capacitor"
role = "output_bank"
known = "marked"
parallel = 2
capacitance = "1000u 20%"
voltage_rating = "16"
esr = { value = "22m", low = "15m", high = "35m", known = "assumed" }
ripple_current_rating = "1.8"

[stages.converter.parts.L2]
kind = "choke"
role = "post_choke"
known = "assumed"
inductance = { value = "2.2u", low = "1.8u", high = "2.8u" }
winding_resistance = { value = "5m", low = "3m", high = "9m" }
current_rating = { value = "6", low = "5", high = "7" }

[stages.converter.parts.C11]
kind = "electrolytic_capacitor"
role = "second_bank"
known = "marked"
capacitance = "470u 20%"
voltage_rating = "16"
esr = { value = "45m", low = "30m", high = "70m", known = "assumed" }

[stages.converter.parts.D3]
kind = "diode"
role = "rectifier"
output = "logic"
known = "assumed"
forward_voltage = { value = "0.45", low = "0.4", high = "0.5" }
forward_test_current = { value = "5", known = "marked" }
slope_resistance = { value = "14m", low = "10m", high = "20m" }
junction_capacitance = { value = "300p", low = "200p", high = "400p" }
reverse_voltage_rating = { value = "60", known = "marked" }
average_current_rating = { value = "10", known = "marked" }

[stages.converter.parts.R6]
kind = "resistor"
role = "snubber_resistor"
output = "logic"
known = "marked"
resistance = "22 5%"

[stages.converter.parts.C12]
kind = "ceramic_capacitor"
role = "snubber_capacitor"
output = "logic"
known = "marked"
capacitance = "470p 10%"

[stages.converter.parts.C13]
kind = "electrolytic_capacitor"
role = "output_bank"
output = "logic"
known = "marked"
capacitance = "1000u 20%"
voltage_rating = "10"
esr = { value = "25m", low = "16m", high = "40m", known = "assumed" }
"""


def record(folder: Path, *changes: tuple[str, str]) -> SupplyRecord:
    """The record with texts replaced, each at its first place; each must be there."""
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    file = folder / "ferry-45.toml"
    file.write_text(text, encoding="utf-8")
    return load_record(file)
