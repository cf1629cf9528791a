"""A list of parts from its file into a record's, and a record's parts into such a file: whole or not at all."""

from __future__ import annotations

import tomllib
from collections.abc import Collection
from datetime import date
from pathlib import Path

from harness.corrections import open_record, replace_record
from harness.partlist.cells import designators
from harness.partlist.columns import Columns, columns_of, headings_in
from harness.partlist.listing import rows_of, table_of
from harness.partlist.mapping import DECIMALS, ListMapping, mapping_text, read_mapping
from harness.partlist.merge import merge
from harness.partlist.outcome import Imported, Options
from harness.partlist.sheet import Sheet, csv_bytes, read_sheet
from harness.partlist.values import KINDS, CellFault
from harness.partlist.workbook import workbook_bytes
from harness.store.export import write_whole
from harness.store.files import locked
from harness.store.photos import PhotoError, is_photo, photo_path, small_photo
from netlists import corrections
from netlists.errors import OptionError, StoreError, nearest
from netlists.origins import told_where_given
from netlists.quantity import shown
from netlists.record import read_content, record_from
from netlists.starter import starter_text
from netlists.toml_rewrite import Rewriter

CSV, WORKBOOK = ".csv", ".xlsx"
PLACEHOLDER = "PLACEHOLDER_"  # before the designator of a starter's part that the list has another of


def import_parts(
    parts: Path,
    record: Path | None,
    said: ListMapping,
    *,
    kept: Path | None = None,
    keep: Path | None = None,
    why: str | None = None,
    dry_run: bool = False,
    today: str | None = None,
) -> Imported:
    """Lays a list of parts over a record: values of known parts are updated, new parts added to their stage.

    Parameters
    ----------
    record : None: the list's name with .toml; made from the starter where it does not exist
    kept, keep : a mapping to read, and where to write this one
    why : reason of the corrections, which then get a line of history each
    dry_run : nothing is written;  today : date of these lines, else the clock's

    Raises
    ------
    InputError : list, mapping or an option is wrong, or the record's reader refuses the result
    SetupError : a workbook, and the extra is not installed;  StoreError : a file cannot be written
    """
    if why is not None and (not why.strip() or not why.isprintable()):
        raise OptionError(f"--why: say in a line why values are corrected, found {shown(why)}")
    said = said if kept is None else said.over(read_mapping(kept))
    for letters, kind in said.kinds.items():
        if kind not in KINDS:
            raise OptionError(f"--kind: {letters}: unknown kind {shown(kind)}; {nearest(kind, KINDS)}")
    sheet = read_sheet(parts, said.sheet, headings_in)
    columns = columns_of(sheet, said.columns)
    if columns.of("designator") is None:
        names = ", ".join(columns.names[:12])
        raise OptionError(f"--column: no column of {sheet.file} looks like designators; say which, such as "
                          f"1=designator (columns: {names})")  # fmt: skip
    file = record if record is not None else parts.with_suffix(".toml")
    is_new = not file.exists()
    placeholders: list[str] = []
    if is_new:
        starter, placeholders = _starter(file, _named(sheet, columns))
        content, text, before = (
            starter.encode(),
            Rewriter(starter),
            record_from(*read_content(starter.encode(), file.name)),
        )
    else:
        content, text, before = open_record(file)
    options = Options(
        said.stage, said.new_stages, said.known, said.kinds, said.likeliest, DECIMALS.get(said.decimal or ""),
        lambda name: _photo_fault(file, name),
    )  # fmt: skip
    merged = merge(sheet, columns, before, text, options)
    if why is not None:
        for one in merged.corrections:
            corrections.add_history(
                text, tuple(one.path.split(".")), one, why.strip(), today or date.today().isoformat()
            )
    with told_where_given(merged.origins, f"with the parts of {sheet.file}"):
        changed, after = corrections.record_of(text, file.name)
    moved = corrections.moved_inferred(before, after, [one.path for one in merged.corrections])
    if not dry_run:
        if is_new:
            _write_new(file, changed)
        elif text.is_changed:
            replace_record(file, content, changed)
        if keep is not None:
            write_whole(keep, mapping_text(columns, said).encode())
    return Imported(
        file, sheet, columns, merged, moved, placeholders, is_new, is_new or text.is_changed, why is not None
    )


def _named(sheet: Sheet, columns: Columns) -> dict[str, str]:
    """Designators of a list, each with the stage its row names."""
    place, stage = columns.of("designator"), columns.of("stage")
    named: dict[str, str] = {}
    for _, row in columns.body(sheet):
        try:
            found = designators(row[place.place]) if place else []
        except CellFault:  # which merge tells with its line
            continue
        named |= dict.fromkeys(found, row[stage.place] if stage else "")
    return named


def _starter(file: Path, named: dict[str, str]) -> tuple[str, list[str]]:
    """The starter's text, its own parts out of the way of those the list has elsewhere."""
    if file.suffix.lower() != ".toml":
        raise OptionError(f"RECORD: must end in .toml, found {shown(file.name)}")
    text, renamed = starter_text(file.stem), []
    for stage, table in tomllib.loads(text)["stages"].items():
        for designator in table.get("parts", {}):
            if named.get(designator, stage) != stage:
                text = text.replace(f".parts.{designator}]", f".parts.{PLACEHOLDER}{designator}]")
                renamed.append(designator)
    return text, renamed


def _write_new(file: Path, content: bytes) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with locked(file.parent):
            if file.exists():
                raise StoreError(f"{file}: was written meanwhile and is kept; run the command again")
            write_whole(file, content)
    except OSError as error:
        raise StoreError(f"{file}: cannot be written: {error.strerror}") from error


def _photo_fault(record: Path, name: str) -> str:
    try:
        small_photo(record, name) if is_photo(name) else photo_path(record, name)
    except PhotoError as error:
        return str(error)
    return ""


def export_parts(
    record: Path, target: Path | None, *, decimal: str = "point", replace: bool = False
) -> tuple[Path, int]:
    """Writes a record's parts and values as a list that ``import_parts`` reads back; returns its file and rows.

    Parameters
    ----------
    target : CSV or workbook by its ending; None: the record's name with .csv, here
    decimal : of numbers; comma goes with semicolons between cells;  replace : a file that is there

    Raises
    ------
    InputError : the record is none, or the file exists;  SetupError, StoreError : it cannot be written
    """
    target = target if target is not None else Path(f"{record.stem}{CSV}")
    ending = target.suffix.lower()
    if ending not in (CSV, WORKBOOK):
        raise OptionError(f"--to: must end in {CSV} or {WORKBOOK}, found {shown(target.name)}")
    if target.exists() and not replace:
        raise OptionError(f"--to: {target} exists and is kept; give another name, or --replace")
    _, text, found = open_record(record)
    rows = rows_of(found, text)
    table = table_of(rows, DECIMALS[decimal])
    data = workbook_bytes(table, target) if ending == WORKBOOK else csv_bytes(table, ";" if decimal == "comma" else ",")
    write_whole(target, data)
    return target, len(rows)


def reading_of(column: Collection[str], kind: Collection[str], **said: str | bool | None) -> ListMapping:
    """What the options of ``bulkrail import`` say; OptionError for a kind without letters."""
    kinds = {}
    for text in kind:
        letters, equals, name = text.partition("=")
        if not equals or not letters.strip().isalpha():
            raise OptionError(f"--kind: must be LETTERS=KIND, such as C=ceramic_capacitor, found {shown(text)}")
        kinds[letters.strip()] = name.strip()
    return ListMapping(tuple(column), kinds, **said)  # type: ignore[arg-type]  # names and types are the command's
