"""Parts a list has and a record lacks: of what kind they are, and their tables as a record writes them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from harness.partlist.listing import COUNTS, TEXTS, Cells
from harness.partlist.values import CellFault, Found, code_into, specs_of, text_fields
from harness.partlist.words import CAPACITOR, kind_of, kind_of_designator
from netlists.fields import marked_values
from netlists.quantity import QuantityError, shown

ORDER = ("kind", "role", "output", "branch", "known", "safety_class", "description", "parallel", "series", "marking")
WHICH_CAPACITOR = (
    "which kind of capacitor: say electrolytic, polymer, ceramic or film in a column, or by --kind C=ceramic_capacitor"
)


def kind_told(cell: str) -> str:
    """The kind a cell names, other where it names something no kind is for; empty where it is empty."""
    return kind_of(cell) or ("other" if cell else "")


class NewParts:
    """Collects rows of new parts.

    Parameters
    ----------
    kinds : letters of a designator -> kind, as a person says;  likeliest : as of ``outcome.Options``
    """

    def __init__(self, kinds: Mapping[str, str], *, likeliest: bool) -> None:
        self._kinds, self._likeliest = kinds, likeliest
        self._parts: dict[tuple[str, str], tuple[int, dict[str, Any]]] = {}
        self._kind: dict[str, tuple[str, str]] = {}
        self._stage: dict[str, str] = {}
        self.told: list[str] = []

    def knows(self, designator: str) -> bool:
        """Whether a row before this one was of the same part."""
        return designator in self._stage

    def kind(self, designator: str, cells: Cells) -> tuple[str, str]:
        """Kind of a new part, and why it has none; it is told by its first row."""
        if designator not in self._kind:
            self._kind[designator] = self._kind_of(designator, cells)
        return self._kind[designator]

    def _kind_of(self, designator: str, cells: Cells) -> tuple[str, str]:
        letters = re.match(r"[A-Za-z]*", designator)
        said = self._kinds.get(letters[0] if letters else "", "")
        kind = kind_of(cells.get("part", "")) or said
        by_letters = kind_of_designator(designator)
        if not kind and by_letters:
            kind = by_letters
            if kind != CAPACITOR:
                self.told.append(f"kind by the designator's letters: {letters and letters[0]} is a {kind}")
        if kind == CAPACITOR:
            others = (kind_of(cells.get(one, "")) for one in ("description", "value", "rating", "marking", "note"))
            kind = (
                said if said.endswith(CAPACITOR) else next((one for one in others if one.endswith(f"_{CAPACITOR}")), "")
            )
            return (kind, "") if kind else ("", WHICH_CAPACITOR)
        if not kind:
            return "", f"no kind of part is told by {shown(cells.get('part', ''))} or by the designator; --kind says it"
        return kind, ""

    def part(self, designator: str, stage: str, kind: str, line: int) -> dict[str, Any]:
        """The table of a new part, to be filled."""
        stage = self._stage.setdefault(designator, stage)
        return self._parts.setdefault((stage, designator), (line, {"kind": kind}))[1]

    def texts(self, designator: str, cells: Cells, found: Found, counts: Mapping[str, int | None]) -> None:
        """Texts and counts of a row; what no field holds goes into the note, and so does a code.

        Raises
        ------
        CellFault : a field that the kind does not have
        """
        part = self._parts[self._stage[designator], designator][1]
        kind = part["kind"]
        word = cells.get("part", "")
        notes = list(found.notes)
        for meaning, name in TEXTS.items():
            cell = cells.get(meaning, "")
            if meaning in ("note", "marking") or not cell:
                continue
            if name not in text_fields(kind):
                raise CellFault(f"{designator}: a {kind} has no {name}, found {shown(cell)}")
            part[name] = " ".join(cell.split())
        if word and "description" not in part and (kind == "other" or not kind_of(word)) and word != "other":
            part["description"] = " ".join(word.split())
        if "marking" in cells:
            notes += self._marking(designator, part, cells["marking"])
        if part.get("kind") == "other" and notes and "description" not in part:
            part["description"], notes = ", ".join(" ".join(one.split()) for one in notes), []
        if note := "; ".join(dict.fromkeys([*filter(None, [cells.get("note", "")]), *notes])):
            part["note"] = "; ".join(filter(None, [part.get("note", ""), note]))
        for meaning, name in COUNTS.items():
            pieces = counts[meaning]
            if pieces is not None and pieces != 1:
                part[name] = pieces
                if meaning == "quantity" and counts["series"] is None:
                    self.told.append("a quantity is taken as pieces in parallel; a column 'in series' says otherwise")

    def _marking(self, designator: str, part: dict[str, Any], cell: str) -> list[str]:
        """Keeps a marking as the record can; returns what goes into the note."""
        text = " ".join(cell.split())
        if "marking" not in text_fields(part["kind"]):
            return []  # read as a code, and noted there
        if part["kind"] == "other":
            part["marking"] = text
            return []
        try:
            values = marked_values(text)
        except QuantityError:
            found = Found()
            if not part.keys() & specs_of(part["kind"]).keys():
                code_into(found, part["kind"], text, likeliest=self._likeliest)
                self.told += found.told
            for name, value in found.fields.items():
                part.setdefault(name, {"value": value, "known": "marked"})
            return found.notes or [f"marked {text}"]
        for name, value in values.items():  # a column of values that says the same is no second statement
            given = part.get(name)
            if given is not None:
                spec = specs_of(part["kind"])[name]
                if spec.parse(given, "marked").nominal != spec.parse(value, "marked").nominal:
                    raise CellFault(f"{designator}: {name} is {shown(given['value'])} and its marking {shown(text)}")
                del part[name]
        part["marking"] = text
        return []

    def finished(self) -> Iterator[tuple[tuple[str, str], tuple[int, dict[str, Any]]]]:
        """Place, line and table of every part; one way of knowing for all its values is said once."""
        for place, (line, part) in self._parts.items():
            values = [name for name in part if name in specs_of(part["kind"])]
            known = {part[name].get("known") for name in values}
            if len(known) == 1 and known <= {"measured", "marked", "assumed"}:
                part["known"] = known.pop()
                for name in values:
                    table = {key: one for key, one in part[name].items() if key != "known"}
                    part[name] = table["value"] if set(table) == {"value"} else table
            elif "marking" in part:
                part["known"] = "marked"
            last = ("note", "evidence")
            order = (*ORDER, *values, *last)
            yield place, (line, {name: part[name] for name in order if name in part})
