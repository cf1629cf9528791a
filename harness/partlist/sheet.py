"""A spreadsheet's bytes as rows of texts: CSV by content, or a workbook. Knows nothing of parts.

A cell that a spreadsheet would take for a formula is written with an apostrophe before it, and read back without.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.capture.text import decoded, read_bytes, refuse
from harness.partlist.workbook import OLD_WORKBOOK, WORKBOOK, read_workbook

LARGEST_BYTES = 20_000_000
MOST_ROWS = 20_000  # a record of 1 MB holds fewer parts
MOST_COLUMNS = 200
SAMPLED = 200
DELIMITERS = ("\t", ";", ",", "|")
_FORMULA = re.compile(r"=\s*[-+A-Za-z0-9(\"'@.]")
_FORCED_TEXT = re.compile(r'="([^"]*)"')  # how spreadsheets keep 0603 a text
_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?")
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n")


class Formula(str):
    """A cell that holds a formula and not what it came to."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows of a spreadsheet that hold anything.

    Parameters
    ----------
    rows : cells of each, stripped, all of one length;  lines : line or row number of each in the file
    delimiter : of the text, empty for a workbook
    """

    file: str
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    delimiter: str


def read_sheet(path: Path, wanted: str | None, head: Callable[[Sequence[str]], int]) -> Sheet:
    """Rows of a file.

    Parameters
    ----------
    wanted : sheet of a workbook; None: its only one
    head : how many cells of a row are known headings, by which the delimiter of a text is told

    Raises
    ------
    RecordError : cannot be read, is no text and no workbook, too large, a quote that is never closed
    OptionError : a sheet that is not there;  SetupError : a workbook, and the extra is not installed
    """
    data = read_bytes(path, LARGEST_BYTES, "; a record holds some thousand parts")
    if data.startswith(OLD_WORKBOOK):
        refuse(path.name, 0, "is an old workbook; save it as .xlsx or CSV")
    if data.startswith(WORKBOOK):
        found = ((number, [_of_workbook(cell) for cell in row]) for number, row in read_workbook(data, path, wanted))
        return _sheet(path.name, found, "")
    text = decoded(data, path.name)
    delimiter = _delimiter(text, head)
    return _sheet(path.name, _parsed(text, delimiter, path.name), delimiter)


def _of_workbook(cell: tuple[str, bool]) -> str:
    return Formula(cell[0]) if cell[1] else cell[0]


def _sheet(file: str, found: Iterable[tuple[int, Sequence[str]]], delimiter: str) -> Sheet:
    rows: list[Sequence[str]] = []
    lines: list[int] = []
    for line, cells in found:
        if not any(cells):
            continue
        rows.append(cells)
        lines.append(line)
        if len(rows) > MOST_ROWS:
            refuse(file, 0, f"must have at most {MOST_ROWS} rows; a record holds some thousand parts")
        if len(cells) > MOST_COLUMNS and any(cells[MOST_COLUMNS:]):
            refuse(file, line, f"must have at most {MOST_COLUMNS} columns, found {len(cells)}")
    if not rows:
        refuse(file, 0, "is empty")
    width = min(MOST_COLUMNS, max(map(len, rows)))
    padded = tuple(tuple([*cells, *[""] * width][:width]) for cells in rows)
    return Sheet(file, padded, tuple(lines), delimiter)


def _parsed(text: str, delimiter: str, file: str) -> Iterable[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        for cells in reader:
            yield line, [_of_text(cell) for cell in cells]
            line = reader.line_num + 1
    except csv.Error as error:
        refuse(file, line, f"cannot be parted into cells: {error}; close the quote, or double one inside a cell")


def _of_text(cell: str) -> str:
    """A cell without what protected it; a formula stays one."""
    text = cell.strip(" \ufeff\N{NO-BREAK SPACE}").replace("\r\n", "\n").replace("\r", "\n")
    if forced := _FORCED_TEXT.fullmatch(text):
        return forced[1].strip()
    if text.startswith("'") and text[1:].startswith((*_DANGEROUS, "'")):
        return text[1:]
    return Formula(text) if _FORMULA.match(text) else text


def protected(text: str) -> str:
    """A cell's text that no spreadsheet takes for a formula; ``_of_text`` reads it back as it was.

    >>> protected("=2+3"), protected("-20/+50%"), protected("-5"), protected("4R7")
    ("'=2+3", "'-20/+50%", '-5', '4R7')
    """
    is_safe = not text.startswith((*_DANGEROUS, "'")) or _NUMBER.fullmatch(text)
    return text if is_safe else f"'{text}"


def _delimiter(text: str, head: Callable[[Sequence[str]], int]) -> str:
    """The delimiter in which most cells of a row are known headings, then in which most rows have equally many."""
    best, best_score = ",", (0, 0, 0)
    for delimiter in DELIMITERS:
        rows: list[list[str]] = []
        try:
            for cells in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter):
                rows.append([cell.strip() for cell in cells])
                if len(rows) == SAMPLED:
                    break
        except csv.Error:
            continue
        widths = Counter(len(cells) for cells in rows if len(cells) > 1)
        if widths:
            width, count = max(widths.items(), key=lambda pair: (pair[1], pair[0]))
            score = (max(map(head, rows)), count, width)
            if score > best_score:
                best, best_score = delimiter, score
    return best


def csv_bytes(rows: Iterable[Sequence[str]], delimiter: str) -> bytes:
    """Rows as CSV with a byte order mark, without which spreadsheets take UTF-8 for something else."""
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=delimiter, lineterminator="\r\n")
    writer.writerows([protected(cell) for cell in row] for row in rows)
    return stream.getvalue().encode("utf-8-sig")
