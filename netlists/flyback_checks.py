"""What only the whole record can tell of a flyback: its rails, and the parts each of them needs."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import Flyback
from netlists.quantity import shown
from netlists.rail_checks import rail_faults
from netlists.record_model import SupplyRecord, unread

KINDS = {"synchronous": ("mosfet", "diode"), "diode": ("diode",)}  # what may rectify a rail
ONE_A_RAIL = ("post_choke", "snubber_resistor", "snubber_capacitor")
OF_A_RAIL = ("rectifier", *ONE_A_RAIL, "output_bank", "second_bank")


def flyback_faults(record: SupplyRecord, name: str, stage: Flyback) -> Iterator[Finding]:
    """Faults of one flyback beyond those of every converter with a transformer."""
    rails = record.data.nameplate.rails
    if stage.rail is None or stage.rail not in rails:  # said with the converter's own faults
        return
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
    yield from _synchronous_faults(record, name, stage)
    for rail in made:
        yield from _rail_faults(record, name, stage, rail)


def _stray_outputs(record: SupplyRecord, name: str, made: list[str]) -> Iterator[Finding]:
    for role in OF_A_RAIL:
        for _, path, part in record.parts_in_role(name, role):
            if part.output and part.output not in made:
                message = f"no winding of {name} makes {shown(part.output)}; {nearest(part.output, made)}"
                yield record.finding(f"{path}.output", message)


def _synchronous_faults(record: SupplyRecord, name: str, stage: Flyback) -> Iterator[Finding]:
    """What synchronous rectifiers need, and what each kind of rectifier does."""
    held = record.parts_in_role(name, "rectifier")
    for _, path, part in held:
        for field_name in stage.RECTIFIER_NEEDS[part.kind]:  # type: ignore[attr-defined]
            if f"{path}.{field_name}" not in record.quantities:
                yield record.finding(f"{path}.{field_name}", unread(name, field_name))
    if "synchronous" not in stage.choices("rectification"):
        return
    if all(getattr(part, "kind", "") != "mosfet" for _, _, part in held):
        message = "synchronous needs a mosfet with role rectifier, found none"
        yield record.finding(f"stages.{name}.rectification", message)
    for field_name in stage.SYNCHRONOUS_NEEDS:
        if getattr(stage, field_name) is None:
            yield record.finding(f"stages.{name}.{field_name}", unread(name, field_name))


def _rectifier_faults(record: SupplyRecord, name: str, stage: Flyback, rail: str) -> Iterator[Finding]:
    """A rail has one rectifier of a kind, and one for each alternative of structure."""
    place = f"stages.{name}"
    served = ("", rail) if rail == stage.rail else (rail,)
    kinds = [getattr(p, "kind", "") for _, _, p in record.parts_in_role(name, "rectifier") if p.output in served]
    for kind in KINDS["synchronous"]:
        if kinds.count(kind) > 1:
            yield record.finding(place, f"rail {rail} takes one {kind} with role rectifier, found {kinds.count(kind)}")
    for choice in stage.choices("rectification"):
        if not set(kinds) & set(KINDS[choice]):
            needed = " or ".join(KINDS[choice])
            yield record.finding(place, f"rail {rail} needs a part with role rectifier, a {needed}, found none")


def _rail_faults(record: SupplyRecord, name: str, stage: Flyback, rail: str) -> Iterator[Finding]:
    place = f"stages.{name}"
    if rail != stage.rail:
        yield from rail_faults(record, name, rail)
    served = ("", rail) if rail == stage.rail else (rail,)
    counts = {role: sum(part.output in served for _, _, part in record.parts_in_role(name, role)) for role in OF_A_RAIL}
    yield from _rectifier_faults(record, name, stage, rail)
    if not counts["output_bank"]:
        yield record.finding(place, f"rail {rail} needs a part with role output_bank, found none")
    for role in ONE_A_RAIL:
        if counts[role] > 1:
            yield record.finding(place, f"rail {rail} takes one part with role {role}, found {counts[role]}")
    for one, other in (("post_choke", "second_bank"), ("snubber_resistor", "snubber_capacitor")):
        if bool(counts[one]) != bool(counts[other]):
            yield record.finding(place, f"rail {rail}: a {one} and a {other} belong together, found one alone")
    if rail == stage.rail and stage.regulated_at == "second_bank" and not counts["second_bank"]:
        yield record.finding(f"{place}.regulated_at", f"rail {rail} has no second_bank")
