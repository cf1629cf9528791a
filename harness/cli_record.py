"""The commands that rewrite a record. As in ``cli.py``, heavy imports wait until a command needs them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import App, Parameter

if TYPE_CHECKING:
    from rich.console import Console

RecordFile = Annotated[Path, Parameter(help="record file (TOML)")]
DryRun = Annotated[bool, Parameter(help="say what would change, and write nothing", negative=())]


def add_record_commands(app: App) -> None:
    """Puts them among the commands of ``bulkrail``."""
    app.command(
        import_, name="import", help="Read a list of parts (CSV, .xlsx) into a record: values updated, parts added."
    )
    app.command(export, help="Write a record's parts and values as a list that import reads back.")
    app.command(correct, help="Put one value of a record right, with a line of history, and say what that moves.")


def import_(
    parts: Annotated[Path, Parameter(help="list of parts: CSV, semicolons or tabs, or .xlsx")],
    record: Annotated[Path | None, Parameter(help="record file, made where there is none; else the list's name .toml")]
    = None,
    /,
    *,
    column: Annotated[
        list[str] | None,
        Parameter(help="COLUMN=MEANING, such as Ref=designator or 3=value; COLUMN=- leaves out", negative=()),
    ] = None,
    mapping: Annotated[Path | None, Parameter(help="mapping (TOML) that --keep wrote")] = None,
    keep: Annotated[Path | None, Parameter(help="write the mapping of columns, to be used again")] = None,
    stage: Annotated[str | None, Parameter(help="of new parts whose row names none")] = None,
    new_stages: Annotated[bool, Parameter(help="add stages the record lacks, kind other", negative=())] = False,
    known: Annotated[
        Literal["measured", "marked", "assumed"] | None, Parameter(help="how values are known that do not say so")
    ] = None,
    kind: Annotated[
        list[str] | None, Parameter(help="LETTERS=KIND of designators, such as C=ceramic_capacitor", negative=())
    ] = None,
    likeliest: Annotated[bool, Parameter(help="take an ambiguous code's likeliest meaning", negative=())] = False,
    decimal: Annotated[Literal["point", "comma"] | None, Parameter(help="sign of the list; else told by it")] = None,
    sheet: Annotated[str | None, Parameter(help="of a workbook with several")] = None,
    why: Annotated[str | None, Parameter(help="reason; gives each changed value a line of history")] = None,
    dry_run: DryRun = False,
) -> int:  # fmt: skip
    """Imports a list; ends 1 where a row has no place yet, 2 for bad input, and then nothing is written."""
    from harness.parts_list import import_parts, reading_of
    from harness.show.record_changes import print_imported

    said = reading_of(
        column or (), kind or (), stage=stage, new_stages=new_stages, known=known, likeliest=likeliest,
        decimal=decimal, sheet=sheet,
    )  # fmt: skip
    found = import_parts(parts, record, said, kept=mapping, keep=keep, why=why, dry_run=dry_run)
    print_imported(_console(), found, dry_run=dry_run)
    if keep is not None and not dry_run:
        print(f"mapping: {keep}")
    return found.exit_code


def export(
    record: RecordFile,
    *,
    to: Annotated[Path | None, Parameter(help="list to write, .csv or .xlsx; else the record's name with .csv")] = None,
    decimal: Annotated[
        Literal["point", "comma"], Parameter(help="sign of numbers; comma goes with semicolons")
    ] = "point",
    replace: Annotated[bool, Parameter(help="a list that is there", negative=())] = False,
) -> int:
    """Exports a record."""
    from harness.parts_list import export_parts

    target, rows = export_parts(record, to, decimal=decimal, replace=replace)
    print(f"list: {target} ({rows} rows); edit it, then: bulkrail import {target} {record} --dry-run")
    return 0


def correct(
    record: RecordFile,
    path: Annotated[str, Parameter(help="of the value, such as stages.mains_rectifier.parts.C1.esr")],
    value: Annotated[
        str, Parameter(help='as in a record: 4R7, "120u 20%" or a table { value = ... }', allow_leading_hyphen=True)
    ],
    /,
    *,
    why: Annotated[str, Parameter(help="reason, kept in the history")],
    known: Annotated[
        Literal["measured", "marked", "inferred", "assumed"] | None, Parameter(help="how it is known; else as before")
    ] = None,
    tolerance: Annotated[
        str | None, Parameter(help="or uncertainty, such as 5%", allow_leading_hyphen=True)
    ] = None,
    low: Annotated[str | None, Parameter(help="lower end of its range", allow_leading_hyphen=True)] = None,
    high: Annotated[str | None, Parameter(help="upper end of its range", allow_leading_hyphen=True)] = None,
    date: Annotated[str | None, Parameter(help="of the reading and the line of history; else today")] = None,
    evidence: Annotated[str | None, Parameter(help="photo or capture in the record's folder")] = None,
    note: Annotated[str | None, Parameter(help="kept beside the value")] = None,
    dry_run: DryRun = False,
) -> int:  # fmt: skip
    """Corrects a value; ends 0, or 2 for bad input, and then nothing is written."""
    from harness.corrections import Said, correct_record
    from harness.show.record_changes import print_corrected

    told = Said(known, tolerance, low, high, date, evidence, note)
    found = correct_record(record, path, value, why, told, dry_run=dry_run)
    print_corrected(_console(), record, found.correction, (found.before, found.after), found.moved, dry_run=dry_run)
    return 0


def _console() -> Console:
    from harness.show.terminal import console

    return console()
