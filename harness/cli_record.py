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
    app.command(correct, help="Put one value of a record right, with a line of history, and say what that moves.")


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
