"""What only the whole record can tell of a flyback: its rails, and the parts each of them needs."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import Flyback
from netlists.quantity import shown
from netlists.record_model import SupplyRecord, unread

ONE_A_RAIL = ("rectifier", "post_choke", "snubber_resistor", "snubber_capacitor")
OF_A_RAIL = (*ONE_A_RAIL, "output_bank", "second_bank")


def flyback_faults(record: SupplyRecord, name: str, stage: Flyback) -> Iterator[Finding]:
    """Faults of one flyback."""
    place, rails = f"stages.{name}", record.data.nameplate.rails
    if stage.phases != 1:
        yield record.finding(f"{place}.phases", f"must be 1: interleaved flybacks have no model, found {stage.phases}")
    if stage.rail is None or stage.rail not in rails:
        found = "none" if stage.rail is None else shown(stage.rail)
        message = f"must name a rail of the nameplate, found {found}; {nearest(stage.rail or '', rails)}"
        yield record.finding(f"{place}.rail", message)
        return
    if (stage.copper_resistance is None) != (stage.copper_inductance is None):
        yield record.finding(place, "copper_resistance and copper_inductance must be given both or neither")
    made = [stage.rail]
    for designator, path, part in record.parts_in_role(name, "further_winding"):
        if part.output not in rails:
            message = (
                f"must name the rail {designator} makes, found {shown(part.output)}; {nearest(part.output, rails)}"
            )
            yield record.finding(f"{path}.output", message)
        elif part.output in made:
            yield record.finding(f"{path}.output", f"rail {part.output} is made already; each winding makes its own")
        else:
            made.append(part.output)
    yield from _stray_outputs(record, name, made)
    for rail in made:
        yield from _rail_faults(record, name, stage, rail)
    for low, high in (("input_voltage_low", "input_voltage"), ("input_voltage", "input_voltage_high")):
        ends = getattr(stage, low), getattr(stage, high)
        if None not in ends and ends[0].nominal > ends[1].nominal:
            message = f"must be <= {high}, found {ends[0].nominal:g} > {ends[1].nominal:g}"
            yield record.finding(f"{place}.{low}", message)


def _stray_outputs(record: SupplyRecord, name: str, made: list[str]) -> Iterator[Finding]:
    for role in OF_A_RAIL:
        for _, path, part in record.parts_in_role(name, role):
            if part.output and part.output not in made:
                message = f"no winding of {name} makes {shown(part.output)}; {nearest(part.output, made)}"
                yield record.finding(f"{path}.output", message)


def _rail_faults(record: SupplyRecord, name: str, stage: Flyback, rail: str) -> Iterator[Finding]:
    place = f"stages.{name}"
    for field_name in ("voltage", "current"):
        if getattr(record.data.nameplate.rails[rail], field_name) is None:
            yield record.finding(f"nameplate.rails.{rail}.{field_name}", unread(name, field_name))
    served = ("", rail) if rail == stage.rail else (rail,)
    counts = {role: sum(part.output in served for _, _, part in record.parts_in_role(name, role)) for role in OF_A_RAIL}
    for role in ("rectifier", "output_bank"):
        if not counts[role]:
            yield record.finding(place, f"rail {rail} needs a part with role {role}, found none")
    for role in ONE_A_RAIL:
        if counts[role] > 1:
            yield record.finding(place, f"rail {rail} takes one part with role {role}, found {counts[role]}")
    for one, other in (("post_choke", "second_bank"), ("snubber_resistor", "snubber_capacitor")):
        if bool(counts[one]) != bool(counts[other]):
            yield record.finding(place, f"rail {rail}: a {one} and a {other} belong together, found one alone")
    if rail == stage.rail and stage.regulated_at == "second_bank" and not counts["second_bank"]:
        yield record.finding(f"{place}.regulated_at", f"rail {rail} has no second_bank")
