"""What only the whole record can tell of converters with a transformer: rail, bus, counts, what a structure needs."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import Isolated, Llc
from netlists.quantity import engineering, shown
from netlists.record_model import SupplyRecord, unread


def isolated_faults(record: SupplyRecord, name: str, stage: Isolated) -> Iterator[Finding]:
    """Faults of one converter."""
    rails = record.data.nameplate.rails
    if stage.rail is None or stage.rail not in rails:
        found = "none" if stage.rail is None else shown(stage.rail)
        yield record.finding(
            f"stages.{name}.rail",
            f"must name a rail of the nameplate, found {found}; {nearest(stage.rail or '', rails)}",
        )
    else:
        for field_name in ("voltage", "current"):
            if getattr(rails[stage.rail], field_name) is None:
                yield record.finding(f"nameplate.rails.{stage.rail}.{field_name}", unread(name, field_name))
    levels = [stage.input_voltage_low, stage.input_voltage, stage.input_voltage_high]
    known = [level.nominal for level in levels if level is not None]
    if known != sorted(known):
        message = "must rise from input_voltage_low over input_voltage to input_voltage_high"
        yield record.finding(f"stages.{name}.input_voltage", message)
    if stage.phases != 1:
        yield record.finding(f"stages.{name}.phases", f"must be 1 for a {stage.kind}, found {stage.phases}")  # type: ignore[attr-defined]
    if (stage.copper_resistance is None) != (stage.copper_inductance is None):
        yield record.finding(f"stages.{name}", "copper_resistance and copper_inductance must be given both or neither")
    if isinstance(stage, Llc):
        yield from _llc_faults(record, name, stage)


def _llc_faults(record: SupplyRecord, name: str, stage: Llc) -> Iterator[Finding]:
    low, high = stage.lowest_frequency, stage.highest_frequency
    if low is not None and high is not None and low.nominal >= high.nominal:
        allowed, found = (engineering(level.nominal, "Hz") for level in (high, low))
        message = f"must be < highest_frequency of {allowed}, found {found}"
        yield record.finding(f"stages.{name}.lowest_frequency", message)
    if "synchronous" in stage.choices("rectification"):
        for field_name in stage.SYNCHRONOUS_NEEDS:
            if getattr(stage, field_name) is None:
                yield record.finding(f"stages.{name}.{field_name}", unread(name, field_name))
    kinds = {"synchronous": ("mosfet", stage.SWITCH_NEEDS), "diode": ("diode", stage.DIODE_NEEDS)}
    held = record.parts_in_role(name, "rectifier")
    for choice in stage.choices("rectification"):
        kind, fields = kinds[choice]
        fitting = [one for one in held if getattr(one[2], "kind", "") == kind]
        if len(fitting) != 1:
            message = f"{choice} needs one {kind} with role rectifier, found {len(fitting)}"
            yield record.finding(f"stages.{name}.rectification", message)
        for _, path, _ in fitting:
            for field_name in fields:
                if f"{path}.{field_name}" not in record.quantities:
                    yield record.finding(f"{path}.{field_name}", unread(name, field_name))
    yield from _count_faults(record, name, stage)
    if record.parts_in_role(name, "split_capacitor") and "full" in stage.choices("bridge"):
        yield record.finding(f"stages.{name}.bridge", "a full bridge has no split_capacitor")


def _count_faults(record: SupplyRecord, name: str, stage: Llc) -> Iterator[Finding]:
    """Counts are of all places together, so they must spread evenly over them."""
    transformers = len(record.parts_in_role(name, "transformer"))
    sizes = {"bridge_switch": [4 if one == "full" else 2 for one in stage.choices("bridge")]}
    places = [transformers * (2 if one == "centre_tapped" else 4) for one in stage.choices("secondary")]
    sizes |= dict.fromkeys(("rectifier", "snubber_resistor", "snubber_capacitor"), places)
    for role, wanted in sizes.items():
        for _, path, part in record.parts_in_role(name, role):
            for places_of in wanted:
                if places_of and part.parallel % places_of:
                    message = f"must be a multiple of the {places_of} places of {name}, found {part.parallel}"
                    yield record.finding(f"{path}.parallel", message)
