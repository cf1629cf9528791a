"""What only the whole record can tell of converters with a transformer: rail, bus, counts, what a structure needs."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding
from netlists.flyback_checks import flyback_faults
from netlists.instances import Flyback, Isolated, Llc, TwoSwitchForward
from netlists.quantity import engineering
from netlists.rail_checks import copper_faults, rail_faults
from netlists.record_model import SupplyRecord, unread

LARGEST_FORWARD_DUTY = 0.5


def isolated_faults(record: SupplyRecord, name: str, stage: Isolated) -> Iterator[Finding]:
    """Faults of one converter."""
    yield from rail_faults(record, name, stage.rail)
    yield from copper_faults(record, name, stage)
    for low, high in (("input_voltage_low", "input_voltage"), ("input_voltage", "input_voltage_high")):
        ends = getattr(stage, low), getattr(stage, high)
        if None not in ends and ends[0].nominal > ends[1].nominal:
            message = "must rise from input_voltage_low over input_voltage to input_voltage_high"
            found = f"{ends[0].nominal:g} V > {ends[1].nominal:g} V"
            yield record.finding(f"stages.{name}.{low}", f"{message}, found {found}")
    if stage.phases != 1:
        message = f"must be 1: interleaved converters with a transformer have no model, found {stage.phases}"
        yield record.finding(f"stages.{name}.phases", message)
    if isinstance(stage, Llc):
        yield from _llc_faults(record, name, stage)
    if isinstance(stage, TwoSwitchForward):
        yield from _forward_faults(record, name, stage)
    if isinstance(stage, Flyback):
        yield from flyback_faults(record, name, stage)


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


def _forward_faults(record: SupplyRecord, name: str, stage: TwoSwitchForward) -> Iterator[Finding]:
    """The clamp diodes reset the core with the bus, which takes as long as the on-time did."""
    if stage.largest_duty is not None and stage.largest_duty.high > LARGEST_FORWARD_DUTY:
        message = (
            f"must be <= {LARGEST_FORWARD_DUTY:g} in all of its range: the core is reset in the rest of the period, "
            f"found {stage.largest_duty.high:g}"
        )
        yield record.finding(f"stages.{name}.largest_duty", message)
