"""Which column of a parts list is what: by its heading, else by what stands in it, or as a person says."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from harness.capture.table import column_place
from harness.capture.units import split_name
from harness.partlist.sheet import Sheet
from harness.partlist.words import is_kind, is_known_word, is_rating, is_value
from netlists.errors import OptionError, nearest
from netlists.quantity import shown

LEFT_OUT = "-"
SEARCHED = 40  # first rows among which the headings stand
FEWEST_HEADINGS = 2
DESIGNATORS = re.compile(r"[A-Z]{1,4}[0-9]{1,4}[A-Za-z]?(?:[\s,;+-]+[A-Z]{0,4}[0-9]{1,4}[A-Za-z]?)*")
MOSTLY = 0.6  # share of the cells in a column that must look like something

# What a column can be -> heading of an export, then other headings people give it, as ``plain`` writes them. All of
# them are common practice, no source.
MEANINGS: dict[str, tuple[str, ...]] = {
    "stage": ("stage", "section", "block", "circuit", "sub circuit", "stufe", "baugruppe", "etage"),
    "designator": (
        "designator", "designators", "ref", "refs", "ref des", "refdes", "reference", "references", "part ref",
        "reference designator", "position", "name", "bezeichner", "bauteil", "kennzeichen", "referenz", "repere",
        "referencia", "id", "label",
    ),
    "part": (
        "part", "kind", "type", "part type", "component", "component type", "category", "what", "class", "art", "typ",
        "bauart", "bauteilart", "composant", "tipo",
    ),
    "role": ("role", "function", "does", "purpose", "funktion", "rolle"),
    "quantity": (
        "quantity", "qty", "pcs", "pieces", "count", "number of", "in parallel", "parallel", "anzahl", "menge",
        "stuck", "stueck", "quantite", "cantidad",
    ),
    "series": ("in series", "series count", "in reihe"),
    "marking": (
        "marking", "code", "print", "printed", "imprint", "text", "sleeve", "marked as", "aufdruck", "beschriftung",
        "marquage",
    ),
    "description": ("description", "desc", "details", "beschreibung", "designation"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "bemerkung", "notiz", "kommentar"),
    "photo": ("photos", "photo", "picture", "pictures", "image", "evidence", "foto", "bild"),
    "field": ("value of", "quantity of", "property", "parameter", "wert von"),
    "value": ("value", "val", "values", "nominal", "wert", "nennwert", "valeur", "valor"),
    "rating": (
        "rating", "ratings", "rated", "voltage rating", "rated voltage", "voltage", "power", "power rating",
        "current rating", "limit", "max", "spannung", "belastbarkeit", "nennspannung",
    ),
    "low": ("low", "min", "minimum", "from", "lowest"),
    "high": ("high", "maximum", "highest", "to"),
    "tolerance": ("tolerance", "tol", "uncertainty", "accuracy", "toleranz", "unsicherheit"),
    "known": (
        "how read", "how known", "known", "read by", "read how", "source", "method", "how", "wie gelesen", "woher",
        "quelle",
    ),
    "date": ("date", "read on", "measured on", "datum", "when"),
    "value_note": ("value note", "note of value"),
    "value_photo": ("value photo", "photo of value"),
    "formula": ("formula", "formel"),
    "of": ("formula of", "arguments"),
    "output": ("output", "rail", "ausgang"),
    "branch": ("branch",),
    "safety_class": ("safety class", "safety"),
}  # fmt: skip
# Headings of columns that people number rows by or keep prices in: known, and left out
IDLE = frozenset(
    {"no", "nr", "pos", "item", "line", "row", "index", "price", "cost", "supplier", "link", "url", "done"}
)
BY_CONTENT: tuple[tuple[str, Callable[[str], bool]], ...] = (
    ("designator", lambda cell: DESIGNATORS.fullmatch(cell) is not None),
    ("known", is_known_word),
    ("part", is_kind),
    ("rating", is_rating),
    ("value", is_value),
)
_WORDS = {word: meaning for meaning, words in MEANINGS.items() for word in words}


@dataclass(frozen=True, slots=True)
class Column:
    """A column and what it was taken for; ``how`` says why, ``unit`` is that of its heading."""

    place: int
    name: str
    meaning: str
    how: str
    unit: str = ""


@dataclass(frozen=True)
class Columns:
    """What the columns of a sheet are, and where its rows of parts begin.

    Parameters
    ----------
    head : row of the headings, None where there is none;  left_out : columns that nothing is taken from
    """

    taken: tuple[Column, ...]
    left_out: tuple[Column, ...]
    head: int | None
    names: tuple[str, ...] = field(default=())

    def body(self, sheet: Sheet) -> list[tuple[int, tuple[str, ...]]]:
        """Line and cells of every row below the headings."""
        first = 0 if self.head is None else self.head + 1
        return list(zip(sheet.lines[first:], sheet.rows[first:], strict=True))

    def of(self, meaning: str) -> Column | None:
        """The column of a meaning."""
        return next((column for column in self.taken if column.meaning == meaning), None)


def plain(heading: str) -> str:
    """A heading without its unit, accents, case and punctuation.

    >>> plain("Ref.-Des."), plain("Stück"), plain("Value [uF]")
    ('ref des', 'stuck', 'value')
    """
    name, _ = split_name(heading.split("\n")[0])
    bare = "".join(c for c in unicodedata.normalize("NFKD", name.casefold()) if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^a-z0-9]+", " ", bare).split())


def headings_in(cells: Sequence[str]) -> int:
    """How many cells of a row are headings of a parts list."""
    return len({_WORDS[word] for cell in cells if len(cell) < 60 and (word := plain(cell)) in _WORDS})


def columns_of(sheet: Sheet, said: Sequence[str]) -> Columns:
    """What each column is.

    Parameters
    ----------
    said : ``COLUMN=MEANING`` of a person, a column by its heading or its number from 1; ``COLUMN=-`` leaves it out

    Raises
    ------
    OptionError : no such column or meaning, or two columns for one meaning, or none of designators
    """
    counts = [headings_in(row) for row in sheet.rows[:SEARCHED]]
    head = counts.index(max(counts)) if max(counts) >= FEWEST_HEADINGS else None
    width = len(sheet.rows[0])
    names = tuple(
        cell.replace("\n", " ") or f"column {place}" for place, cell in enumerate(sheet.rows[head], 1)
    ) if head is not None else tuple(f"column {place}" for place in range(1, width + 1))  # fmt: skip
    if head is None and said:  # headings of which none is known: the first row, where a person names them
        first = tuple(cell or f"column {place}" for place, cell in enumerate(sheet.rows[0], 1))
        if any(text.rpartition("=")[0].strip().casefold() in map(str.casefold, first) for text in said):
            head, names = 0, first
    found = _said(sheet, names, said)
    body = sheet.rows[(-1 if head is None else head) + 1 :]
    filled = [any(row[place] for row in body) for place in range(width)]
    if head is not None:
        for place, name in enumerate(names):
            if place not in found and filled[place] and (meaning := _WORDS.get(plain(name))):
                found[place] = Column(place, name, meaning, "by its heading", _unit(name))
    _refuse_twice(sheet, found)
    for meaning, looks in BY_CONTENT:
        if any(column.meaning == meaning for column in found.values()):
            continue
        for place in range(width):
            cells = [row[place] for row in body if row[place]]
            alike = sum(map(looks, cells))
            if place not in found and plain(names[place]) not in IDLE and cells and alike >= MOSTLY * len(cells):
                how = f"by its content: {alike} of {len(cells)} cells"
                found[place] = Column(place, names[place], meaning, how, _unit(names[place]))
                break
    taken = tuple(found[place] for place in sorted(found) if found[place].meaning != LEFT_OUT)
    left = tuple(
        Column(place, names[place], LEFT_OUT, "left out") for place in range(width)
        if filled[place] and (place not in found or found[place].meaning == LEFT_OUT)
    )  # fmt: skip
    return Columns(taken, left, head, names)


def _unit(name: str) -> str:
    return split_name(name)[1]


def _said(sheet: Sheet, names: Sequence[str], said: Sequence[str]) -> dict[int, Column]:
    found: dict[int, Column] = {}
    for text in said:
        column, equals, meaning = text.rpartition("=")
        if not equals:
            raise OptionError(f"--column: must be COLUMN=MEANING, such as Ref=designator, found {shown(text)}")
        place = column_place("--column", column, names, sheet.file)
        word = meaning.strip().casefold()
        word = word if word in MEANINGS or word == LEFT_OUT else _WORDS.get(plain(word), word)
        if word not in MEANINGS and word != LEFT_OUT:
            raise OptionError(f"--column: unknown meaning {shown(meaning)}; {nearest(word, [*MEANINGS, LEFT_OUT])}")
        if place in found:
            raise OptionError(f"--column: {shown(names[place])} is given twice")
        found[place] = Column(place, names[place], word, "as you said", _unit(names[place]))
    return found


def _refuse_twice(sheet: Sheet, found: dict[int, Column]) -> None:
    for column in list(found.values()):
        alike = [one for one in found.values() if one.meaning == column.meaning != LEFT_OUT]
        said = [one for one in alike if one.how == "as you said"]
        if len(alike) > 1 and len(said) != 1:
            which = ", ".join(f"{shown(one.name)} (column {one.place + 1})" for one in alike)
            remedy = f"say which, {alike[0].place + 1}={column.meaning}, or leave one out, {alike[-1].place + 1}=-"
            raise OptionError(f"--column: {len(alike)} columns of {sheet.file} are {column.meaning}: {which}; {remedy}")
        if len(alike) > 1:  # a person's word beats a heading
            for one in alike:
                if one.how != "as you said":
                    found[one.place] = Column(one.place, one.name, LEFT_OUT, "left out")
