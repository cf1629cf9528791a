"""What only the whole record can tell of a flyback: its rails, and the parts each of them needs."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import Flyback
from netlists.quantity import shown
from netlists.rail_checks import rail_faults
from netlists.record_model import SupplyRecord, unread

KINDS = {"synchronous": "mosfet", "diode": "diode"}  # what rectifies the regulated rail
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
    for _, path, part in record.parts_in_role(name, "rectifier"):
        kind = str(getattr(part, "kind", ""))
        if kind == "mosfet" and part.output not in ("", stage.rail):
            message = (
                f"rail {part.output} must have a diode: a synchronous rectifier has a model on the regulated rail "
                "alone, since two tie their rails together by milliohms"
            )
            yield record.finding(f"{path}.output", message)
        for field_name in stage.RECTIFIER_NEEDS.get(kind, ()):  # another kind is refused for itself
            if f"{path}.{field_name}" not in record.quantities:
                yield record.finding(f"{path}.{field_name}", unread(name, field_name))
    if "synchronous" in stage.choices("rectification"):
        for field_name in stage.SYNCHRONOUS_NEEDS:
            if getattr(stage, field_name) is None:
                yield record.finding(f"stages.{name}.{field_name}", unread(name, field_name))


def _rectifier_faults(record: SupplyRecord, name: str, stage: Flyback, rail: str) -> Iterator[Finding]:
    """A rail has one rectifier; the regulated one has one for each alternative of structure."""
    place = f"stages.{name}"
    is_own = rail == stage.rail
    served = ("", rail) if is_own else (rail,)
    kinds = [getattr(p, "kind", "") for _, _, p in record.parts_in_role(name, "rectifier") if p.output in served]
    for kind in dict.fromkeys(KINDS[choice] for choice in stage.choices("rectification")) if is_own else ("diode",):
        if kinds.count(kind) != 1:
            least = "needs a part" if not kinds.count(kind) else "takes one part"
            found = kinds.count(kind) or "none"
            yield record.finding(place, f"rail {rail} {least} with role rectifier, a {kind}, found {found}")


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
