"""A record with other numbers of identical pieces: what a sweep over lost or added parts runs on."""

from __future__ import annotations

import dataclasses
import itertools
import re
from collections.abc import Mapping

from netlists.errors import MOST_FINDINGS, OptionError, RecordError
from netlists.quantity import shown
from netlists.record_checks import whole_record_faults
from netlists.record_model import SupplyRecord

MOST = {"parallel": 1000, "series": 100}  # as ``fields.Part``
_PATH = re.compile(r"stages\.(\w+)\.parts\.(\w+)\.(parallel|series)")


def count_paths(record: SupplyRecord, instance: str) -> dict[str, int]:
    """Path of every count that the model of an instance makes use of -> what is recorded."""
    found: dict[str, int] = {}
    for role, rule in record.instance(instance).ROLES.items():
        for _, path, part in record.parts_in_role(instance, role):
            found |= {f"{path}.{name}": getattr(part, name) for name in rule.counts}
    return found


def with_counts(record: SupplyRecord, counts: Mapping[str, int]) -> SupplyRecord:
    """The record with some counts changed.

    Raises
    ------
    OptionError : no count at a path, or not within its bounds
    RecordError : the record as a whole forbids it, such as a full bridge of three switches
    """
    stages = dict(record.data.stages)
    for path, number in counts.items():
        match = _PATH.fullmatch(path)
        name, designator, field = match.groups() if match else ("", "", "")
        if name not in stages or designator not in stages[name].parts:
            raise OptionError(f"no count at {shown(path)}")
        stage, most = stages[name], MOST[field]
        if not 1 <= number <= most:
            raise OptionError(f"{path}: must be 1 to {most}, found {number}")
        part = stage.parts[designator].model_copy(update={field: number})
        stages[name] = stage.model_copy(update={"parts": {**stage.parts, designator: part}})
    changed = dataclasses.replace(record, data=record.data.model_copy(update={"stages": stages}))
    findings = list(itertools.islice(whole_record_faults(changed), MOST_FINDINGS))
    if findings:
        raise RecordError(findings)
    return changed
