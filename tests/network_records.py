"""A small record of our own invention: a buck whose load stands behind two branches of copper, all values exact."""

from __future__ import annotations

from pathlib import Path

from netlists.record import SupplyRecord, load_record

CONVERTER = """
schema = 1
name = "lamp-driver"
title = "24 V to 12 V, 20 A, two harnesses"

[nameplate]
ambient = { value = "25", known = "marked" }

[nameplate.input_bands.battery]
supply = "dc"
voltage_low = "24"
voltage_high = "24"
output_power = "240"

[nameplate.rails.lamps]
voltage = "12"
current = "20"

[stages.main]
kind = "buck"
rail = "lamps"
known = "marked"
switching_frequency = "250k"
input_voltage = "24"
feed_resistance = "5m"
feed_inductance = "200n"
dead_time_rising = "25n"
dead_time_falling = "25n"
loop_inductance = "5n"
loop_quality = "5"
switching_time = "8n"

[stages.main.parts.L1]
kind = "choke"
role = "output_choke"
known = "marked"
inductance = "4.7u"
winding_resistance = "4m"

[stages.main.parts.Q1]
kind = "mosfet"
role = "high_side"
known = "marked"
on_resistance = "4m"
output_capacitance = "700p"

[stages.main.parts.Q2]
kind = "mosfet"
role = "low_side"
known = "marked"
on_resistance = "3m"
output_capacitance = "900p"

[stages.main.parts.C1]
kind = "ceramic_capacitor"
role = "input_bank"
known = "marked"
parallel = 6
capacitance = "4u7"
esr = "4m"

[stages.main.parts.C2]
kind = "ceramic_capacitor"
role = "output_bank"
known = "marked"
parallel = 4
capacitance = "10u"
esr = "3m"
"""

NETWORK = """
[stages.bus]
kind = "output_network"
fed_by = "main"

[stages.bus.branches.left]
load_share = { value = "60%", known = "marked" }

[stages.bus.branches.right]
load_share = { value = "40%", known = "marked" }

[stages.bus.parts.W1]
kind = "conductor"
role = "copper"
branch = "left"
known = "marked"
resistance = "0.5m"
inductance = "8n"

[stages.bus.parts.R1]
kind = "shunt"
role = "shunt"
branch = "left"
known = "marked"
parallel = 2
resistance = "1m"
power_rating = "3"

[stages.bus.parts.C10]
kind = "polymer_capacitor"
role = "bank"
branch = "left"
known = "marked"
parallel = 2
marking = "470u 16V"
esr = "9m"
ripple_current_rating = "4"

[stages.bus.parts.W2]
kind = "conductor"
role = "cable"
branch = "left"
known = "marked"
parallel = 2
resistance = "5m"
inductance = "500n"

[stages.bus.parts.J1]
kind = "connector"
role = "connector"
branch = "left"
known = "marked"
parallel = 3
contact_resistance = "2m"
current_rating = "7"

[stages.bus.parts.W3]
kind = "conductor"
role = "copper"
branch = "right"
known = "marked"
resistance = "0.9m"
inductance = "15n"

[stages.bus.parts.C11]
kind = "polymer_capacitor"
role = "bank"
branch = "right"
known = "marked"
marking = "470u 16V"
esr = "9m"

[stages.bus.parts.L2]
kind = "choke"
role = "filter_choke"
branch = "right"
known = "marked"
inductance = "0.33u"
winding_resistance = "1m"

[stages.bus.parts.C12]
kind = "electrolytic_capacitor"
role = "filter_bank"
branch = "right"
known = "marked"
marking = "1000u 16V 20%"
esr = "25m"

[stages.bus.parts.J2]
kind = "connector"
role = "connector"
branch = "right"
known = "marked"
parallel = 2
contact_resistance = "2m"
current_rating = "7"
"""
TEXT = CONVERTER + NETWORK


def lamp_driver(folder: Path, *changes: tuple[str, str], text: str = TEXT) -> SupplyRecord:
    """The record with texts replaced, each at its first place; each must be there."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    file = folder / "lamp-driver.toml"
    file.write_text(text, encoding="utf-8")
    return load_record(file)
