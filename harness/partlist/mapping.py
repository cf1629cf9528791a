"""What a person said of a parts list, kept in a small file beside it and read again for the next list of that form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from harness.partlist.columns import LEFT_OUT, MEANINGS, Columns
from netlists.errors import RecordError
from netlists.quantity import KNOWN
from netlists.record import read_toml
from netlists.toml_checker import Checker
from netlists.toml_rewrite import toml_key, toml_value

SCHEMA = 1
DECIMALS = {"point": ".", "comma": ","}
TEXTS = ("stage", "known", "decimal", "sheet")
FLAGS = ("likeliest", "new_stages")


@dataclass(frozen=True)
class ListMapping:
    """What the columns are and how the cells are meant.

    Parameters
    ----------
    columns : ``COLUMN=MEANING``;  kinds : letters of a designator -> kind
    decimal : point or comma; the others as of ``merge.Options``
    """

    columns: tuple[str, ...] = ()
    kinds: Mapping[str, str] = field(default_factory=dict)
    stage: str | None = None
    known: str | None = None
    decimal: str | None = None
    sheet: str | None = None
    likeliest: bool = False
    new_stages: bool = False

    def over(self, other: ListMapping) -> ListMapping:
        """This said on top of another: what is not said here stays."""
        said = {name: getattr(self, name) for name in (*TEXTS, *FLAGS) if getattr(self, name)}
        names = {text.rpartition("=")[0].casefold() for text in self.columns}
        kept = tuple(text for text in other.columns if text.rpartition("=")[0].casefold() not in names)
        return replace(other, columns=kept + self.columns, kinds={**other.kinds, **self.kinds}, **said)


def read_mapping(path: Path) -> ListMapping:
    """A kept mapping; RecordError with its faults."""
    raw, file, lines = read_toml(path)
    checker = Checker(file, lines)
    top = checker.table((), raw, ("schema", "columns", "kinds", *TEXTS, *FLAGS))
    columns = checker.table(("columns",), top.get("columns", {}), None)
    for name, meaning in columns.items():
        checker.choice(("columns", name), meaning, [*MEANINGS, LEFT_OUT], "meaning")
    kinds = checker.table(("kinds",), top.get("kinds", {}), None)
    texts: dict[str, Any] = {name: checker.text((), top, name) or None for name in TEXTS}
    for name, allowed in (("known", KNOWN), ("decimal", DECIMALS)):
        if texts[name] is not None:
            checker.choice((name,), texts[name], allowed, name)
    for name in FLAGS:
        if not isinstance(top.get(name, False), bool):
            checker.fault((name,), "must be true or false")
    if checker.findings:
        raise RecordError(checker.findings)
    said = tuple(f"{name}={meaning}" for name, meaning in columns.items())
    return ListMapping(said, dict(kinds), **texts, **{name: top.get(name, False) for name in FLAGS})


def mapping_text(columns: Columns, said: ListMapping) -> str:
    """A mapping to keep: every column as it was taken, and what was said beside."""
    lines = ["# How a list of parts is read: bulkrail import PARTS --mapping THIS", f"schema = {SCHEMA}"]
    lines += [f"{name} = {toml_value(getattr(said, name))}" for name in (*TEXTS, *FLAGS) if getattr(said, name)]
    lines += ["", "[columns]"]
    named: Sequence[tuple[str, str]] = [(column.name, column.meaning) for column in (*columns.taken, *columns.left_out)]
    lines += [f"{toml_key(name)} = {toml_value(meaning)}" for name, meaning in dict(named).items()]
    if said.kinds:
        lines += ["", "[kinds]", *(f"{toml_key(name)} = {toml_value(kind)}" for name, kind in said.kinds.items())]
    return "\n".join(lines) + "\n"
