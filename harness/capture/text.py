"""A text file as rows of numbers below rows of text: delimiter, decimal sign and where the numbers begin, by content.

Refuses with one line and its number what would be read as something else. Knows nothing of units or signals.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import numpy as np

from harness.contracts import FloatArray
from netlists.errors import Finding, RecordError
from netlists.quantity import shown

MOST_BYTES = 100_000_000
MOST_ROWS = 2_000_000
LONGEST_LINE = 100_000  # characters
SAMPLED = 400  # lines that delimiter and decimal sign are told from, at either end and in the middle
FEWEST_ROWS = 8
MOST_CONTROLS = 8  # characters that are neither printed nor white space, in the first 4096 of a text
BINARY = "is no text but binary; export it as CSV"
STRAY_ROWS = 2  # rows of numbers that may stand among the text above the header

NUMBERS = {
    decimal: re.compile(rf"[+-]?(?:[0-9]+(?:{decimal}[0-9]*)?|{decimal}[0-9]+)(?:[eE][+-]?[0-9]{{1,3}})?")
    for decimal in (r"\.", ",")
}
_NO_WORD = re.compile(r"[^A-Za-z]*|(?i:[+-]?nan|[+-]?inf(?:inity)?|n/?a|none|null|overflow|ovf|err(?:or)?)")
_PARTED = re.compile(r"[\t;,|]")
_COMMENT = re.compile(r"\s*[#%]+\s?")


@dataclass(frozen=True, slots=True)
class Dialect:
    """How cells are parted and numbers written; delimiter empty: by white space."""

    delimiter: str
    decimal: str

    def cells(self, line: str) -> list[str]:
        """Cells of a line, trailing empty ones left out: many instruments end each line with a delimiter."""
        if not self.delimiter:
            found = line.split()
        elif '"' in line:
            found = [cell.strip() for cell in next(csv.reader([line], delimiter=self.delimiter), [])]
        else:
            found = [cell.strip() for cell in line.split(self.delimiter)]
        while found and not found[-1]:
            found.pop()
        return found

    def is_number(self, cell: str) -> bool:
        """Whether a cell is a finite number as written here."""
        return NUMBERS[r"\." if self.decimal == "." else ","].fullmatch(cell) is not None

    def is_word(self, cell: str) -> bool:
        """Whether a cell names something: neither a number, nor empty, nor a mark of one that is missing."""
        return not self.is_number(cell) and _NO_WORD.fullmatch(cell) is None

    def number(self, cell: str) -> float:
        """Its value."""
        return float(cell.replace(",", ".") if self.decimal == "," else cell)

    def is_row(self, line: str) -> int:
        """How many numbers a line is; 0 where anything else is in it."""
        cells = self.cells(line)
        return len(cells) if cells and all(map(self.is_number, cells)) else 0

    def head(self, line: str, width: int) -> list[str]:
        """Cells of a line above the numbers; where white space parts them, names may hold single blanks."""
        text = _COMMENT.sub("", line, count=1) if _COMMENT.match(line) else line
        if not self.delimiter:
            wide = re.split(r"\t+|\s{2,}", text.strip())
            return wide if len(wide) == width else text.split()
        return self.cells(text)


DIALECTS = tuple(Dialect(delimiter, decimal) for delimiter in ("\t", ";", ",", "|", "") for decimal in (".", ","))


@dataclass(frozen=True, slots=True)
class Rows:
    """What a file holds.

    Parameters
    ----------
    head : cells of each line above the numbers
    values : shape (rows, columns);  lines : line number of each row
    """

    file: str
    dialect: Dialect
    head: tuple[tuple[str, ...], ...]
    values: FloatArray
    lines: tuple[int, ...]


def refuse(file: str, line: int, message: str) -> NoReturn:
    """RecordError with one finding; line 0 for the whole file."""
    raise RecordError([Finding(file, line, "", message)])


def read_bytes(path: Path, most: int = MOST_BYTES, remedy: str = "; cut it to the event") -> bytes:
    """The file's bytes; RecordError where it cannot be read or is larger than any capture ought to be."""
    try:
        if path.is_file() and path.stat().st_size > most:
            refuse(path.name, 0, f"must be at most {most // 1_000_000} MB{remedy}")
        return path.read_bytes()
    except OSError as error:
        refuse(str(path), 0, f"cannot be read: {error.strerror}")


def read_rows(data: bytes, file: str) -> Rows:
    """Rows of a file's bytes; ``file`` begins each fault's line.

    Raises
    ------
    RecordError : not text, no numbers, a gap or something that is no number among them, rows of unequal length
    """
    lines = decoded(data, file).splitlines()
    filled = [number for number, line in enumerate(lines) if line.strip()]
    if not filled:
        refuse(file, 0, "is empty")
    for number in filled:
        if len(lines[number]) > LONGEST_LINE:
            refuse(file, number + 1, f"must be at most {LONGEST_LINE} characters long")
    dialect, width = _dialect([lines[number] for number in filled], file)
    begin = _begin(lines, filled, dialect, width)
    head = tuple(tuple(dialect.head(lines[number], width)) for number in filled[:begin])
    body = filled[begin:]
    if len(body) > MOST_ROWS:
        refuse(file, 0, f"must have at most {MOST_ROWS} rows, found {len(body)}; cut it to the event")
    values = _plain_rows([lines[number] for number in body], dialect, width)
    if values is None:
        values = np.array([_row(lines[number], number + 1, dialect, width, file) for number in body])
    if len(values) < FEWEST_ROWS:
        refuse(file, 0, f"must have at least {FEWEST_ROWS} rows of numbers, found {len(values)}")
    return Rows(file, dialect, head, values, tuple(number + 1 for number in body))


def decoded(data: bytes, file: str) -> str:
    """A file's text: UTF-8, UTF-16 with its mark, or else Windows-1252; RecordError where it is none."""
    text = _text_of(data, file)
    if sum(not (char.isprintable() or char in "\t\r\n\f\ufeff") for char in text[:4096]) > MOST_CONTROLS:
        refuse(file, 0, BINARY)
    return text


def _text_of(data: bytes, file: str) -> str:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    elif b"\0" in data:
        refuse(file, 0, BINARY)
    else:
        encoding = "utf-8-sig"
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        if encoding == "utf-16":
            refuse(file, 0, "is no text: broken UTF-16")
    return data.decode("cp1252", errors="replace")  # in which µ and ° are single bytes


def _dialect(lines: Sequence[str], file: str) -> tuple[Dialect, int]:
    """The dialect in which most lines are rows of numbers, and how many numbers a row has."""
    third = SAMPLED // 4
    middle = len(lines) // 2
    sample = lines if len(lines) <= SAMPLED else [
        *lines[:third], *lines[middle - third : middle + third], *lines[-third:]
    ]  # fmt: skip
    best, best_score = (DIALECTS[0], 0), (0, False, 0)
    for dialect in DIALECTS:
        widths = [dialect.is_row(line) for line in sample]
        counts = Counter(width for width in widths if width)
        if not counts:
            continue
        width, count = max(counts.items(), key=lambda pair: (pair[1], pair[0]))
        above = sample[max(0, widths.index(width) - 1)]
        is_named = len(dialect.head(above, width)) == width and (width > 1 or not _PARTED.search(above))
        score = (count, is_named, width)
        if score > best_score:
            best, best_score = (dialect, width), score
    if not best_score[0]:
        refuse(file, 0, "holds no row of numbers; cells are parted by tab, semicolon, comma or blanks, decimal . or ,")
    return best


def _begin(lines: Sequence[str], filled: Sequence[int], dialect: Dialect, width: int) -> int:
    """Index in ``filled`` of the first row of numbers that no further header follows."""
    rows: int | None = None
    for index, number in enumerate(filled):
        if rows is None:
            if dialect.is_row(lines[number]) == width:
                rows = index
        elif index - rows > STRAY_ROWS:
            break
        elif all(map(dialect.is_word, dialect.head(lines[number], width))):
            rows = None  # all words: those numbers stood above the header
    return len(filled) if rows is None else rows


def _plain_rows(body: Sequence[str], dialect: Dialect, width: int) -> FloatArray | None:
    """All rows at once, which is ten times faster; None where a line is anything but numbers and delimiters."""
    number = NUMBERS[r"\." if dialect.decimal == "." else ","].pattern
    gap = rf" *{re.escape(dialect.delimiter)} *" if dialect.delimiter else r"[ \t]+"
    line_of = re.compile(rf"[ ]*{gap.join([number] * width)}[ ]*")
    if not body or not all(map(line_of.fullmatch, body)):
        return None
    text = "\n".join(body)
    text = text.replace(",", ".") if dialect.decimal == "," else text
    found = np.loadtxt(io.StringIO(text), delimiter=dialect.delimiter or None, ndmin=2, comments=None)
    return found if np.all(np.isfinite(found)) else None


def _row(line: str, number: int, dialect: Dialect, width: int, file: str) -> list[float]:
    cells = dialect.cells(line)
    for place, cell in enumerate(cells[:width]):
        if not cell:
            refuse(file, number, f"column {place + 1} is empty; a gap is not filled, cut the file there")
        if not dialect.is_number(cell):
            refuse(file, number, f"column {place + 1} must be a finite number, found {shown(cell)}")
    if len(cells) != width:
        refuse(file, number, f"must have {width} numbers as most rows have, found {len(cells)}")
    values = [dialect.number(cell) for cell in cells]
    if not all(map(math.isfinite, values)):
        refuse(file, number, "a number is too large to be told")
    return values
