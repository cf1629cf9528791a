"""What only the whole record can tell of buck and boost stages: values, counts, what feeds them, shared inputs."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import BoostPfc, Buck, Flyback, OutputNetwork, RectifierBulk, Switching
from netlists.quantity import shown
from netlists.rail_checks import copper_faults, rail_faults
from netlists.record_model import SupplyRecord, unread

EVEN_ROLES = (
    "high_side", "low_side", "freewheel_diode", "boost_switch", "boost_diode", "snubber_resistor", "snubber_capacitor",
)  # fmt: skip
CHOKE_ROLES = ("output_choke", "boost_choke")
OF_THE_INPUT = ("input_voltage", "feed_resistance", "feed_inductance")  # read from the input's owner where it is shared
MOST_PFC_PHASES = 4


def switching_faults(record: SupplyRecord, name: str, stage: Switching) -> Iterator[Finding]:
    """Faults of one stage of switching legs."""
    shares = isinstance(stage, Buck) and stage.shares_input_with is not None
    for field_name in stage.NEEDS:
        if getattr(stage, field_name) is None and not (shares and field_name in OF_THE_INPUT):
            yield record.finding(f"stages.{name}.{field_name}", unread(name, field_name))
    if "nameplate.ambient" not in record.quantities:
        yield record.finding("nameplate.ambient", unread(name, "ambient"))
    yield from _count_faults(record, name, stage)
    snubbers = [record.parts_in_role(name, role) for role in ("snubber_resistor", "snubber_capacitor")]
    if bool(snubbers[0]) != bool(snubbers[1]) and not isinstance(stage, Flyback):  # its rails have one each
        yield record.finding(f"stages.{name}", "a snubber needs both a snubber_resistor and a snubber_capacitor")
    for choice in stage.structure_names():
        if len(set(stage.choices(choice))) < len(stage.choices(choice)):
            yield record.finding(f"stages.{name}.{choice}", "must name each alternative once")
    if isinstance(stage, Buck):
        yield from _buck_faults(record, name, stage)
    if isinstance(stage, BoostPfc):
        yield from _boost_faults(record, name, stage)


def _count_faults(record: SupplyRecord, name: str, stage: Switching) -> Iterator[Finding]:
    """Counts are of all phases together, so they must spread evenly over them."""
    for role in EVEN_ROLES:
        for _, path, part in record.parts_in_role(name, role) if role in stage.ROLES else ():
            if part.parallel % stage.phases:
                message = f"must be a multiple of the {stage.phases} phases of {name}, found {part.parallel}"
                yield record.finding(f"{path}.parallel", message)
    for role in CHOKE_ROLES:
        for _, path, part in record.parts_in_role(name, role) if role in stage.ROLES else ():
            if part.parallel != stage.phases:
                message = f"must be {stage.phases}, one a phase of {name}, found {part.parallel}"
                yield record.finding(f"{path}.parallel", message)


def _buck_faults(record: SupplyRecord, name: str, stage: Buck) -> Iterator[Finding]:
    yield from rail_faults(record, name, stage.rail)
    needed = {"synchronous": ("low_side",), "diode": ("freewheel_diode",)}
    for choice in stage.choices("rectification"):
        for role in needed[choice]:
            if not record.parts_in_role(name, role):
                message = f"{choice} needs a part with role {role}, found none"
                yield record.finding(f"stages.{name}.rectification", message)
    if "synchronous" in stage.choices("rectification"):
        for field_name in ("dead_time_rising", "dead_time_falling"):
            if getattr(stage, field_name) is None:
                yield record.finding(f"stages.{name}.{field_name}", unread(name, field_name))
    if stage.light_load is not None:
        if stage.choices("rectification") != ("synchronous",):
            message = "only where rectification is synchronous and nothing else"
            yield record.finding(f"stages.{name}.light_load", message)
        for field_name in stage.EMULATION_NEEDS if "diode_emulation" in stage.choices("light_load") else ():
            if getattr(stage, field_name) is None:
                yield record.finding(f"stages.{name}.{field_name}", unread(name, field_name))
    if not record.parts_in_role(name, "output_bank") and not _has_network(record, name):
        message = "needs a part with role output_bank, or an output_network fed by it, found neither"
        yield record.finding(f"stages.{name}", message)
    yield from copper_faults(record, name, stage)
    yield from _shared_input_faults(record, name, stage)


def _has_network(record: SupplyRecord, name: str) -> bool:
    stages = record.data.stages.values()
    return any(isinstance(one, OutputNetwork) and one.is_modelled() and one.fed_by == name for one in stages)


def _shared_input_faults(record: SupplyRecord, name: str, stage: Buck) -> Iterator[Finding]:
    place = f"stages.{name}.shares_input_with"
    bank = record.parts_in_role(name, "input_bank")
    if stage.shares_input_with is None:
        if not bank:
            yield record.finding(f"stages.{name}", "needs a part with role input_bank, or shares_input_with")
        if stage.phase_angle is not None:
            yield record.finding(f"stages.{name}.phase_angle", "only where shares_input_with is given")
        return
    bucks = {other: one for other, one in record.data.stages.items() if isinstance(one, Buck) and other != name}
    owner = bucks.get(stage.shares_input_with)
    if owner is None or not owner.is_modelled():
        found = shown(stage.shares_input_with)
        yield record.finding(place, f"must name another buck, found {found}; {nearest(stage.shares_input_with, bucks)}")
        return
    if bank or record.parts_in_role(name, "input_choke"):
        yield record.finding(f"stages.{name}", f"the input's parts belong to {stage.shares_input_with} alone")
    if owner.shares_input_with is not None:
        yield record.finding(place, f"{stage.shares_input_with} itself shares the input of {owner.shares_input_with}")
    sharing = [other for other, one in bucks.items() if one.shares_input_with == stage.shares_input_with]
    if sharing:
        yield record.finding(place, f"two bucks may share an input, {', '.join([*sharing, name])} do besides its owner")
    frequencies = (owner.switching_frequency, stage.switching_frequency)
    if None not in frequencies and frequencies[0].nominal != frequencies[1].nominal:  # type: ignore[union-attr]
        message = (
            f"must be that of {stage.shares_input_with}: without a common period two rails are not modelled together"
        )
        yield record.finding(f"stages.{name}.switching_frequency", message)


def _boost_faults(record: SupplyRecord, name: str, stage: BoostPfc) -> Iterator[Finding]:
    feeding = record.data.stages.get(stage.fed_by or "")
    if not isinstance(feeding, RectifierBulk) or "boosted" not in feeding.choices("feed"):
        message = "must be a rectifier_bulk whose feed is boosted: the corrector charges its bulk"
        yield record.finding(f"stages.{name}.fed_by", message)
    if stage.phases > MOST_PFC_PHASES:
        yield record.finding(f"stages.{name}.phases", f"must be <= {MOST_PFC_PHASES}, found {stage.phases}")
    if "boundary" in stage.choices("mode") and stage.turn_on_delay is None:
        yield record.finding(f"stages.{name}.turn_on_delay", unread(name, "turn_on_delay"))
