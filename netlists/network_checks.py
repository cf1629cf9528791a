"""What only the whole record can tell of output networks: what feeds them, which branch each part stands in, shares."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import AT_THE_BANK, Buck, Isolated, OutputNetwork, StageInstance
from netlists.quantity import shown
from netlists.record_model import SupplyRecord, unread

WITH_OUTPUT = (Buck, Isolated)  # kinds of converter that a network may stand behind
SHARES_MISS = 1e-6  # what stated shares of the load may miss 1 by
ONCE = ("copper", "shunt", "filter_choke", "cable", "connector")  # roles that one part of a branch holds at most


def branch_faults(record: SupplyRecord, name: str, stage: StageInstance) -> Iterator[Finding]:
    """Parts that name a branch in a stage that has none."""
    if isinstance(stage, OutputNetwork):
        return
    for designator, part in stage.parts.items():
        if part.branch:
            message = f"only parts of an output_network stand in a branch, found {shown(part.branch)}"
            yield record.finding(f"stages.{name}.parts.{designator}.branch", message)


def network_faults(record: SupplyRecord, name: str, stage: OutputNetwork) -> Iterator[Finding]:
    """Faults of one network whose parts say their roles."""
    yield from _feeding_faults(record, name, stage)
    if not stage.branches:
        example = f"[stages.{name}.branches.left]"
        yield record.finding(f"stages.{name}.branches", f"missing; name every branch, such as {example}")
        return
    for role in stage.refers:
        yield record.finding(f"stages.{name}.refers.{role}", "parts of an output_network are its own, in a branch")
    yield from _name_faults(record, name, stage)
    for designator, part in stage.parts.items():
        if part.role and part.branch not in stage.branches:
            found = shown(part.branch) if part.branch else "none"
            message = f"must name a branch of {name}, found {found}; {nearest(part.branch, stage.branches)}"
            yield record.finding(f"stages.{name}.parts.{designator}.branch", message)
    for branch in stage.branches:
        yield from _branch_part_faults(record, name, stage, branch)
    yield from _share_faults(record, name, stage)
    yield from _sense_faults(record, name, stage)


def _feeding_faults(record: SupplyRecord, name: str, stage: OutputNetwork) -> Iterator[Finding]:
    place, stages = f"stages.{name}.fed_by", record.data.stages
    feeding = stages.get(stage.fed_by or "")
    fitting = [other for other, one in stages.items() if isinstance(one, WITH_OUTPUT) and one.is_modelled()]
    if not isinstance(feeding, WITH_OUTPUT) or not feeding.is_modelled():
        found = "none" if stage.fed_by is None else shown(stage.fed_by)
        message = f"must be a converter that is simulated and has an output, found {found}"
        yield record.finding(place, f"{message}; {nearest(stage.fed_by or '', fitting)}")
        return
    rails = dict.fromkeys([feeding.rail or "", *(part.output for part in feeding.parts.values() if part.output)])
    if stage.rail is not None and stage.rail not in rails:
        message = f"must be a rail of {stage.fed_by}, found {shown(stage.rail)}; {nearest(stage.rail, rails)}"
        yield record.finding(f"stages.{name}.rail", message)
    carried = stage.rail or feeding.rail
    for other, one in stages.items():
        if other == name:
            break
        beside = isinstance(one, OutputNetwork) and one.is_modelled() and one.fed_by == stage.fed_by
        if beside and (getattr(one, "rail", None) or feeding.rail) == carried:
            message = f"stages.{other} carries rail {carried} already; ways that part are branches of one network"
            yield record.finding(place, message)


def _name_faults(record: SupplyRecord, name: str, stage: OutputNetwork) -> Iterator[Finding]:
    """Metrics are told apart by the branch's name, so it must be the only one of a record."""
    taken = {AT_THE_BANK: "it stands for the converter's own output", "input": "it stands for a converter's input"}
    taken |= dict.fromkeys(record.data.nameplate.rails, "a rail has it")
    for other, one in record.data.stages.items():
        if other == name:
            break
        if isinstance(one, OutputNetwork):
            taken |= dict.fromkeys(one.branches, f"a branch of stages.{other} has it")
    for branch in stage.branches:
        if branch in taken:
            yield record.finding(f"stages.{name}.branches.{branch}", f"needs another name: {taken[branch]}")


def _branch_part_faults(record: SupplyRecord, name: str, stage: OutputNetwork, branch: str) -> Iterator[Finding]:
    place = f"stages.{name}.branches.{branch}"
    holders: dict[str, list[str]] = {role: [] for role in stage.ROLES}
    for designator, part in stage.parts.items():
        if part.branch == branch and part.role in holders:
            holders[part.role].append(designator)
    for role in ONCE:
        if len(holders[role]) > 1:
            found = ", ".join(holders[role])
            yield record.finding(place, f"takes one part with role {role}, found {found}; equal ones are parallel")
    for role in ("copper", "bank"):
        if not holders[role]:
            yield record.finding(place, f"needs a part with role {role} ({stage.ROLES[role].doc}), found none")
    if bool(holders["filter_choke"]) != bool(holders["filter_bank"]):
        yield record.finding(place, "a filter needs both a filter_choke and a filter_bank")
    share = stage.branches[branch].load_share
    if share is not None and share.nominal == 0 and (holders["cable"] or holders["connector"]):
        found = ", ".join(holders["cable"] + holders["connector"])
        yield record.finding(place, f"has no share of the load, so no cable or connector either, found {found}")


def _share_faults(record: SupplyRecord, name: str, stage: OutputNetwork) -> Iterator[Finding]:
    shares = {branch: one.load_share for branch, one in stage.branches.items()}
    stated = [share for share in shares.values() if share is not None]
    if not stated:
        return
    for branch, share in shares.items():
        path = f"stages.{name}.branches.{branch}.load_share"
        if share is None:
            yield record.finding(path, f"{unread(name, 'load_share')}; shares are stated for all branches or none")
        elif share.low == 0 < share.high:
            yield record.finding(path, "must stay above 0 in all of its range, or be 0 exactly")
    total = sum(share.nominal for share in stated)
    if len(stated) == len(shares) and abs(total - 1) > SHARES_MISS:
        message = f"shares of the load must add up to 100 %, found {100 * total:.6g} %"
        yield record.finding(f"stages.{name}.branches", message)


def _sense_faults(record: SupplyRecord, name: str, stage: OutputNetwork) -> Iterator[Finding]:
    loaded = [branch for branch, one in stage.branches.items() if one.load_share is None or one.load_share.nominal > 0]
    known = [AT_THE_BANK, *loaded]
    for choice in stage.choices("sense"):
        if choice not in known:
            message = f"must be {AT_THE_BANK} or a branch with a load, found {shown(choice)}; {nearest(choice, known)}"
            yield record.finding(f"stages.{name}.sense", message)
    if len(set(stage.choices("sense"))) < len(stage.choices("sense")):
        yield record.finding(f"stages.{name}.sense", "must name each alternative once")
