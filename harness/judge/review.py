"""A record of parts read without simulating: what an experienced colleague would catch, as a pure function of it.

What the reader refuses stays refused there; this is about what is legal and hardly so. Each remark names its rule,
numbers, source and the paths it is about; a person may accept one with a reason (``review_accepted``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.judge import (
    review_chokes,
    review_converters,
    review_label,
    review_parts,
    review_ratings,
    review_safety,
    review_values,
)
from harness.judge.review_accepted import Acceptance, holds
from harness.judge.review_facts import Facts
from harness.judge.review_rule import SEVERITIES, Rule, Said, Severity
from netlists.record_model import SupplyRecord
from netlists.toml_lines import line_of

RULES: tuple[Rule, ...] = (
    *review_label.RULES, *review_safety.RULES, *review_parts.RULES, *review_ratings.RULES, *review_converters.RULES,
    *review_chokes.RULES, *review_values.RULES,
)  # fmt: skip
JSON_SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing a rule has to say of a record.

    Parameters
    ----------
    rule, severity, says, likely, source : as of ``Rule`` and ``Said``
    paths : of the record, the one it is about first;  line : of that in the file, 0 where none
    values : path -> nominal value [SI] or count it rests on, which an acceptance remembers
    accepted : the acceptance that answers it, else None
    lapsed : why an acceptance of this rule and path no longer holds; empty where there is none
    """

    rule: str
    severity: Severity
    paths: tuple[str, ...]
    line: int
    says: str
    likely: str
    source: str
    values: Mapping[str, float]
    accepted: Acceptance | None = None
    lapsed: str = ""

    def plain(self) -> dict[str, Any]:
        """The same as plain JSON types."""
        told = {
            name: getattr(self, name) for name in ("rule", "severity", "line", "says", "likely", "source", "lapsed")
        }
        accepted = self.accepted
        answer = None if accepted is None else {name: getattr(accepted, name) for name in ("name", "reason", "date")}
        return {**told, "paths": list(self.paths), "values": dict(self.values), "accepted": answer}


@dataclass(frozen=True, slots=True)
class Review:
    """All remarks on a record, the worst first, and acceptances that answer none."""

    record: str
    title: str
    file: str
    remarks: tuple[Remark, ...]
    idle: tuple[str, ...] = ()

    @property
    def open(self) -> tuple[Remark, ...]:
        """Remarks nobody has accepted."""
        return tuple(one for one in self.remarks if one.accepted is None)

    @property
    def exit_code(self) -> int:
        """1 where something wrong or doubtful is not accepted; notes alone end 0."""
        return 1 if any(one.severity != "note" for one in self.open) else 0

    def plain(self) -> dict[str, Any]:
        """The same as plain JSON types."""
        counts = {one: sum(remark.severity == one for remark in self.open) for one in SEVERITIES}
        return {
            "schema": JSON_SCHEMA, "record": self.record, "title": self.title, "file": self.file, "open": counts,
            "accepted": len(self.remarks) - len(self.open), "remarks": [one.plain() for one in self.remarks],
            "idle_acceptances": list(self.idle),
        }  # fmt: skip


def review(record: SupplyRecord, accepted: tuple[Acceptance, ...] = ()) -> Review:
    """What every rule has to say of a record; remarks in the order of severity, then of the file's lines."""
    facts = Facts(record)
    found = [_remark(record, rule, said, accepted) for rule in RULES for said in _said(facts, rule)]
    found.sort(key=lambda one: (SEVERITIES.index(one.severity), one.line, one.rule, one.paths))
    names = {one.accepted.name for one in found if one.accepted is not None} | {
        acceptance.name for acceptance in accepted for one in found if acceptance.answers(one.rule, one.paths[0])
    }
    idle = tuple(one.name for one in accepted if one.name not in names)
    return Review(record.name, record.data.title, record.file, tuple(found), idle)


def _said(facts: Facts, rule: Rule) -> Iterator[Said]:
    """What a rule says, each thing once: several places may come to the same."""
    seen = set()
    for said in rule.check(facts):
        if (said.paths[0], said.says) not in seen:
            seen.add((said.paths[0], said.says))
            yield said


def _remark(record: SupplyRecord, rule: Rule, said: Said, accepted: tuple[Acceptance, ...]) -> Remark:
    paths = tuple(dict.fromkeys(said.paths))
    values = {path: value for path in paths if (value := _value(record, path)) is not None}
    about = [one for one in accepted if one.answers(rule.name, paths[0])]
    standing = next((one for one in about if not holds(one, values)), None)
    lapsed = holds(about[0], values) if about and standing is None else ""
    line = _line(record, tuple(paths[0].split(".")))
    return Remark(rule.name, said.severity, paths, line, said.says, said.likely, rule.source, values, standing, lapsed)


def _line(record: SupplyRecord, path: tuple[str, ...]) -> int:
    """Line of a path; of a value that a marking gives the line of that."""
    marking = (*path[:-1], "marking")
    return line_of(record.lines, marking if path not in record.lines and marking in record.lines else path)


def _value(record: SupplyRecord, path: str) -> float | None:
    """Nominal value at a path; of a part how many pieces it is."""
    quantity = record.quantities.get(path)
    if quantity is not None:
        return quantity.nominal
    words = path.split(".")
    if len(words) == 4 and words[2] == "parts" and words[3] in record.data.stages[words[1]].parts:
        part = record.data.stages[words[1]].parts[words[3]]
        return float(part.parallel * part.series)
    return None
