"""What a person says of a list of parts beside its columns, and what it does to a record."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from harness.partlist.columns import Columns
from harness.partlist.sheet import Sheet
from netlists.corrections import Correction
from netlists.origins import Origins
from netlists.quantity import Quantity


@dataclass(frozen=True)
class Options:
    """What a person says beside the columns.

    Parameters
    ----------
    stage : of new parts whose row names none;  new_stages : stages that the record lacks are added, as kind other
    known : how values are known whose row does not say it
    kinds : letters of a designator -> kind;  likeliest : ambiguous codes are taken as their likeliest meaning
    photo_fault : what is wrong with a photo a row names, empty if nothing
    """

    stage: str | None = None
    new_stages: bool = False
    known: str | None = None
    kinds: Mapping[str, str] = field(default_factory=dict)
    likeliest: bool = False
    decimal: str | None = None
    photo_fault: Callable[[str], str] = lambda name: ""


@dataclass
class Merged:
    """What a list does to a record.

    Parameters
    ----------
    corrections : values and texts that change, each with its record path
    added : path of every new part -> its table;  stages : names of new stages
    unplaced : line, what stands there, why it has no place;  told : what was decided for a person
    absent : parts of the record that the list does not name
    """

    corrections: list[Correction] = field(default_factory=list)
    added: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    stages: list[str] = field(default_factory=list)
    unplaced: list[tuple[int, str, str]] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    absent: list[str] = field(default_factory=list)
    origins: Origins = field(default_factory=dict)


@dataclass(frozen=True)
class Imported:
    """What a list did, or would do, to a record.

    Parameters
    ----------
    moved : inferred values that came out otherwise: path, old, new;  is_new : the record was made from the starter
    placeholders : parts of the starter that were renamed;  with_history : every correction has a line of history
    """

    record: Path
    sheet: Sheet
    columns: Columns
    merged: Merged
    moved: Sequence[tuple[str, Quantity, Quantity]]
    placeholders: Sequence[str]
    is_new: bool
    is_changed: bool
    with_history: bool

    @property
    def exit_code(self) -> int:
        """1 where something of the list has no place in the record yet."""
        return 1 if self.merged.unplaced else 0
