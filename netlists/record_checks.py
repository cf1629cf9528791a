"""What only the whole record can tell: required values, owners, references, feeding, roles."""

from __future__ import annotations

import re
from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import Buck, Isolated, OutputNetwork, RectifierBulk, Role, StageInstance, Switching
from netlists.isolated_checks import isolated_faults
from netlists.network_checks import branch_faults, network_faults
from netlists.quantity import shown
from netlists.record_model import SupplyRecord, unread
from netlists.switching_checks import switching_faults


def whole_record_faults(record: SupplyRecord) -> Iterator[Finding]:
    yield from _required_faults(record)
    yield from _owner_faults(record)
    yield from _feeding_faults(record)
    yield from _rail_faults(record)
    for name, stage in record.data.stages.items():
        yield from _reference_faults(record, name, stage)
    for name, claim in record.data.claims.items():
        if (claim.at_least is None) == (claim.at_most is None):
            yield record.finding(f"claims.{name}", "must have either at_least or at_most")


def _required_faults(record: SupplyRecord) -> Iterator[Finding]:
    """Fields typed as always present but declared by ``quantity``, whose default is None."""
    for band_name, band in record.data.nameplate.input_bands.items():
        path = f"nameplate.input_bands.{band_name}"
        for name in ("voltage_low", "voltage_high", "output_power"):
            if getattr(band, name) is None:
                yield record.finding(f"{path}.{name}", "missing; it must be given")
        if band.supply == "mains" and (band.frequency_low is None or band.frequency_high is None):
            yield record.finding(path, "a mains band needs frequency_low and frequency_high")
        for low, high in (("voltage_low", "voltage_high"), ("frequency_low", "frequency_high")):
            ends = getattr(band, low), getattr(band, high)
            if None not in ends and ends[0].nominal > ends[1].nominal:
                yield record.finding(
                    f"{path}.{low}", f"must be <= {high}, found {ends[0].nominal:g} > {ends[1].nominal:g}"
                )


def _owner_faults(record: SupplyRecord) -> Iterator[Finding]:
    owners: dict[str, str] = {}
    for name, stage in record.data.stages.items():
        for designator in stage.parts:
            if designator in owners:
                yield record.finding(
                    f"stages.{name}.parts.{designator}",
                    f"designator {designator} is owned by stages.{owners[designator]} already; a part has one owner, "
                    f'refer to it by refers = {{ role = "stages.{owners[designator]}.parts.{designator}" }}',
                )
            owners.setdefault(designator, name)


def _feeding_faults(record: SupplyRecord) -> Iterator[Finding]:
    stages = record.data.stages
    for name, stage in stages.items():
        if stage.fed_by is not None and stage.fed_by not in stages:
            yield record.finding(
                f"stages.{name}.fed_by", f"no instance {shown(stage.fed_by)}; {nearest(stage.fed_by, stages)}"
            )
            continue
        chain, current = [name], stage.fed_by
        while current is not None and current in stages and current not in chain:
            chain.append(current)
            current = stages[current].fed_by
        if current == name:
            yield record.finding(f"stages.{name}.fed_by", f"feeds itself: {' <- '.join([*chain, name])}")


def _rail_faults(record: SupplyRecord) -> Iterator[Finding]:
    """A rail has one maker, which carries all its current; bucks on one input are fed by one instance."""
    makers: dict[str, str] = {}
    modelled = {name: stage for name, stage in record.data.stages.items() if stage.is_modelled()}
    bucks = {name: stage for name, stage in modelled.items() if isinstance(stage, Buck)}
    for name, stage in modelled.items():
        if isinstance(stage, Buck | Isolated) and stage.rail is not None:
            first = makers.setdefault(stage.rail, name)
            if first != name:
                message = f"stages.{first} makes it already; legs that make one rail are phases of one buck"
                yield record.finding(f"stages.{name}.rail", message)
    for name, stage in bucks.items():
        owner = bucks.get(stage.shares_input_with or "")
        if owner is not None and owner.fed_by != stage.fed_by:
            message = f"must be that of {stage.shares_input_with}, whose input it shares, found {shown(stage.fed_by)}"
            yield record.finding(f"stages.{name}.fed_by", message)


def _reference_faults(record: SupplyRecord, name: str, stage: StageInstance) -> Iterator[Finding]:
    yield from branch_faults(record, name, stage)
    broken = False
    for role, path in stage.refers.items():
        place = f"stages.{name}.refers.{role}"
        match = re.fullmatch(r"stages\.([a-z0-9_]+)\.parts\.([A-Za-z0-9_]+)", path)
        owner = record.data.stages.get(match.group(1)) if match else None
        if match is None or owner is None or match.group(2) not in owner.parts:
            known = [f"stages.{s}.parts.{d}" for s, other in record.data.stages.items() for d in other.parts]
            yield record.finding(place, f"no part {shown(path)}; {nearest(path, known)}")
            broken = True
        elif role not in stage.ROLES:
            yield record.finding(place, f"unknown role {shown(role)}; {nearest(role, stage.ROLES)}")
        elif owner is stage:
            message = f'{match.group(2)} is a part of this instance; give it role = "{role}" instead'
            yield record.finding(place, message)
    if not stage.ROLES or broken or not stage.is_modelled():
        return
    for designator, part in stage.parts.items():
        if part.role and part.role not in stage.ROLES:
            place = f"stages.{name}.parts.{designator}.role"
            yield record.finding(place, f"unknown role {shown(part.role)}; {nearest(part.role, stage.ROLES)}")
    for role, rule in stage.ROLES.items():
        yield from _role_faults(record, name, role, rule)
    if isinstance(stage, RectifierBulk):
        yield from _rectifier_bulk_faults(record, name, stage)
    if isinstance(stage, Switching):
        yield from switching_faults(record, name, stage)
    if isinstance(stage, Isolated):
        yield from isolated_faults(record, name, stage)
    if isinstance(stage, OutputNetwork):
        yield from network_faults(record, name, stage)


def _role_faults(record: SupplyRecord, instance: str, role: str, rule: Role) -> Iterator[Finding]:
    holders = record.parts_in_role(instance, role)
    if not rule.least <= len(holders) <= rule.most:
        wanted = str(rule.least) if rule.least == rule.most else f"{rule.least} to {rule.most}"
        found = ", ".join(designator for designator, _, _ in holders) or "none"
        parts = "part" if rule.most == 1 else "parts"
        message = f"needs {wanted} {parts} with role {role} ({rule.doc}), found {found}"
        yield record.finding(f"stages.{instance}", message)
    for _, path, part in holders:
        kind = getattr(part, "kind", "")
        if kind not in rule.kinds:
            yield record.finding(f"{path}.kind", f"role {role} takes {' or '.join(rule.kinds)}, found {kind}")
            continue
        for counted in ("parallel", "series"):
            pieces = getattr(part, counted)
            if pieces != 1 and counted not in rule.counts:
                yield record.finding(
                    f"{path}.{counted}", f"must be 1 for role {role}: the model takes one piece, found {pieces}"
                )
        for field_name in rule.needs:
            if f"{path}.{field_name}" not in record.quantities:
                yield record.finding(f"{path}.{field_name}", unread(instance, field_name))


def _rectifier_bulk_faults(record: SupplyRecord, name: str, stage: RectifierBulk) -> Iterator[Finding]:
    if len(set(stage.choices("feed"))) < len(stage.choices("feed")):
        yield record.finding(f"stages.{name}.feed", "must name each alternative once")
    needed = ["load_resistance"] if stage.load == "resistance" else ["undervoltage_cutoff", "undervoltage_restart"]
    for field_name in (*needed, "converter_efficiency", "holdup_end_voltage"):
        if getattr(stage, field_name) is None:
            yield record.finding(f"stages.{name}.{field_name}", unread(name, field_name))
    for field_name in ("resistance", "inductance"):
        if f"line.{field_name}" not in record.quantities:
            yield record.finding(f"line.{field_name}", unread(name, field_name))
    if "nameplate.ambient" not in record.quantities:
        yield record.finding("nameplate.ambient", unread(name, "ambient"))
    if "boosted" in stage.choices("feed"):
        yield from _boosted_faults(record, name, stage)
    if record.parts_in_role(name, "bypass_relay") and not record.parts_in_role(name, "inrush_limiter"):
        yield record.finding(f"stages.{name}", "a bypass_relay needs an inrush_limiter to bypass")
    if stage.load == "constant_power" and stage.undervoltage_cutoff and stage.undervoltage_restart:
        if stage.undervoltage_restart.low <= stage.undervoltage_cutoff.high:
            yield record.finding(
                f"stages.{name}.undervoltage_restart",
                "must stay above undervoltage_cutoff in all of both ranges, found "
                f"{stage.undervoltage_restart.low:g} V <= {stage.undervoltage_cutoff.high:g} V",
            )
        if stage.holdup_end_voltage and stage.holdup_end_voltage.low < stage.undervoltage_cutoff.high:
            yield record.finding(
                f"stages.{name}.holdup_end_voltage",
                "must not lie below undervoltage_cutoff anywhere in both ranges, found "
                f"{stage.holdup_end_voltage.low:g} V < {stage.undervoltage_cutoff.high:g} V",
            )


def _boosted_faults(record: SupplyRecord, name: str, stage: RectifierBulk) -> Iterator[Finding]:
    if stage.bus_setpoint is None:
        yield record.finding(f"stages.{name}.bus_setpoint", unread(name, "bus_setpoint"))
    elif stage.holdup_end_voltage and stage.holdup_end_voltage.high >= stage.bus_setpoint.low:
        yield record.finding(
            f"stages.{name}.bus_setpoint",
            "must stay above holdup_end_voltage in all of both ranges, found "
            f"{stage.bus_setpoint.low:g} V <= {stage.holdup_end_voltage.high:g} V",
        )
    if stage.load != "constant_power":
        yield record.finding(f"stages.{name}.load", 'must be "constant_power" where feed is boosted')
    wanted = {"diode": ("bypass_diode",), "none": ("boost_choke", "boost_diode")}
    for choice in stage.choices("bypass"):
        for role in wanted[choice]:
            if not record.parts_in_role(name, role):
                yield record.finding(f"stages.{name}.bypass", f"{choice} needs a part with role {role}, found none")
