"""Workbooks (.xlsx) read and written as texts. The only user of openpyxl, which is an extra."""

from __future__ import annotations

import datetime
import importlib.util
import io
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from harness.capture.text import refuse
from netlists.errors import OptionError, SetupError, nearest
from netlists.quantity import shown

WORKBOOK = b"PK\x03\x04"
OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
LARGEST_UNPACKED = 200_000_000
MOST_ROWS = 100_001  # looked at; what may be used of them is the sheet's business
WIDEST = 60  # characters a column is drawn wide


def check_workbook(path: Path) -> None:
    """SetupError where openpyxl is not installed."""
    if importlib.util.find_spec("openpyxl") is None:
        raise SetupError(
            f"{path}: needs openpyxl, which is not here; install the extra: pip install 'bulkrail[spreadsheet]', "
            "or save it as CSV"
        )


def read_workbook(data: bytes, path: Path, wanted: str | None) -> Iterator[tuple[int, list[tuple[str, bool]]]]:
    """Row numbers from 1, and of each cell its text and whether it is a formula.

    Raises
    ------
    RecordError : no workbook, damaged, or one that unpacks to more than any list does
    OptionError : no sheet of that name, or several and none named;  SetupError : openpyxl is not installed
    """
    check_workbook(path)
    import openpyxl  # an extra, and slow to load

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(one.file_size for one in packed.infolist()) > LARGEST_UNPACKED:
                refuse(path.name, 0, f"unpacks to more than {LARGEST_UNPACKED // 1_000_000} MB; save it as CSV")
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
    except (zipfile.BadZipFile, KeyError, ValueError, OSError, EOFError, SyntaxError) as error:
        refuse(path.name, 0, f"is no workbook that can be read ({type(error).__name__}); save it as .xlsx or CSV")
    names = [sheet.title for sheet in book.worksheets]
    if wanted is None and len(names) != 1:
        raise OptionError(f"--sheet: {path.name} has {len(names)} sheets, say which; {nearest('', names)}")
    if wanted is not None and wanted not in names:
        raise OptionError(f"--sheet: {path.name} has no sheet {shown(wanted)}; {nearest(wanted, names)}")
    sheet = book[wanted or names[0]]
    try:
        for number, row in enumerate(sheet.iter_rows(max_row=MOST_ROWS), 1):
            yield number, [_text(cell) for cell in row]
    except (KeyError, ValueError, TypeError, SyntaxError) as error:
        refuse(path.name, 0, f"is no workbook that can be read ({type(error).__name__}); save it as .xlsx or CSV")


def _text(cell: Any) -> tuple[str, bool]:
    value = cell.value
    if value is None:
        return "", False
    if isinstance(value, datetime.datetime) and value.time() == datetime.time():
        value = value.date()
    if isinstance(value, float):
        return (str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)), False
    return str(value).strip().replace("\r\n", "\n").replace("_x000D_", ""), cell.data_type == "f"


def workbook_bytes(rows: Sequence[Sequence[str]], path: Path) -> bytes:
    """Rows as a workbook of texts with a heading that stays in sight; no cell is a formula.

    Raises
    ------
    SetupError : openpyxl is not installed
    """
    check_workbook(path)
    import openpyxl
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "parts"
    for number, row in enumerate(rows, 1):
        for place, text in enumerate(row, 1):
            if text:
                cell = sheet.cell(number, place)
                cell.value, cell.data_type = text, "s"  # in this order: else = begins a formula
                cell.number_format = "@"
                cell.quotePrefix = text.startswith(("=", "+", "-", "@"))
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for place, column in enumerate(zip(*rows, strict=True), 1):
        sheet.column_dimensions[get_column_letter(place)].width = min(WIDEST, max(map(len, column)) + 2)
    sheet.freeze_panes = "A2"
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()
