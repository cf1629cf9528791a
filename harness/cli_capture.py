"""The commands ``bulkrail capture``. As in ``cli.py``, heavy imports wait until a command needs them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

if TYPE_CHECKING:
    from rich.console import Console

from harness.cli_laying import Align, At, ConditionLabel, Edge, Level, Signal, Start, Stop, Study
from netlists.errors import OptionError

capture_app = App(
    name="capture", help="Store what an instrument measured beside a record, and lay it over what was simulated."
)

Record = Annotated[Path, Parameter(help="record file (TOML)")]


@capture_app.command(help="Read a CSV file of an oscilloscope or logger and store it beside the record.")
def add(
    record: Record,
    file: Annotated[Path, Parameter(help="text file of columns: CSV, semicolons, tabs or blanks")],
    /,
    *,
    instance: Annotated[str, Parameter(help="stage instance it was measured at")],
    column: Annotated[
        list[str], Parameter(help="COLUMN=SIGNAL, a column's name or number from 1; several", negative=())
    ],
    gain: Annotated[list[str], Parameter(help="amplitude may be off by 3%, or COLUMN=3%", negative=())],
    offset: Annotated[list[str] | None, Parameter(help="and by 0.2V beside it, or COLUMN=0.2V", negative=())] = None,
    time: Annotated[str | None, Parameter(help="column of time; else told by its name or unit")] = None,
    interval: Annotated[str | None, Parameter(help="sample interval, such as 1us, in place of a column")] = None,
    unit: Annotated[list[str] | None, Parameter(help="COLUMN=mV, in place of the file's own; several", negative=())]
    = None,
    scale: Annotated[list[str] | None, Parameter(help="COLUMN=10, a probe's factor; several", negative=())] = None,
    trigger: Annotated[
        str | None, Parameter(help="instant of the event in the file's time; else 0", allow_leading_hyphen=True)
    ] = None,
    time_base: Annotated[str | None, Parameter(help="time may be off by 50ppm or 0.1%")] = None,
    name: Annotated[str | None, Parameter(help="of the capture; else of the file")] = None,
    study: Annotated[str, Parameter(help="it is of, such as inrush")] = "",
    condition: Annotated[str, Parameter(help="label of the condition, as check prints it")] = "",
    line: Annotated[str | None, Parameter(help="line voltage it was taken at")] = None,
    power: Annotated[str | None, Parameter(help="output power it was taken at")] = None,
    taken: Annotated[str, Parameter(help="date, such as 2026-11-25")] = "",
    note: Annotated[str, Parameter(help="instrument, probe, circumstances")] = "",
    replace: Annotated[bool, Parameter(help="a stored capture of that name", negative=())] = False,
) -> int:  # fmt: skip
    """Stores a capture; ends 0, or 2 for bad input."""
    from harness.capture.mapping import ColumnOptions
    from harness.captures import About, add_capture
    from harness.show.capture_table import print_added

    columns = ColumnOptions(column, unit or (), scale or (), gain, offset or ())
    about = About(
        instance, name, study, condition, line, power, taken, note, time, interval, trigger, time_base
    )  # fmt: skip
    capture, path, told = add_capture(record, file, about, columns, replace=replace)
    print_added(_console(), capture, path, told)
    return 0


@capture_app.command(name="list", help="List a record's captures with their uncertainty and source.")
def list_(record: Record, /) -> int:
    """Lists captures; ends 1 where one cannot be read."""
    from harness.captures import stored_captures
    from harness.show.capture_table import print_captures

    found, faults = stored_captures(record)
    print_captures(_console(), record, found, faults)
    return 1 if faults else 0


@capture_app.command(help="Lay a capture over the stored run it fits and say the difference in numbers.")
def compare(
    record: Record,
    name: Annotated[str, Parameter(help="of the capture")],
    /,
    *,
    results: Annotated[Path, Parameter(help="results folder of bulkrail check")] = Path("results"),
    signal: Signal = None,
    run: Annotated[str | None, Parameter(help="first digits of a run's id, in place of the one that fits")] = None,
    study: Study = None,
    condition: ConditionLabel = None,
    align: Annotated[Align, Parameter(help="how its time is laid on the run's")] = "correlation",
    level: Level = None,
    edge: Edge = "rising",
    at: At = None,
    start: Start = None,
    stop: Stop = None,
    plot: Annotated[Path | None, Parameter(help="draw both as PNG")] = None,
    json: Annotated[Path | None, Parameter(help="write all numbers as JSON; its folder is made")] = None,
) -> int:
    """Compares; ends 1 where a number differs by more than its uncertainty."""
    if plot is not None and plot.suffix.lower() != ".png":
        raise OptionError(f"--plot: must end in .png, found {plot.name}")
    from harness.captures import Where, compare_capture
    from harness.show.capture_table import print_compared

    where = Where(signal, run, study, condition, align, level, edge, at, start, stop)
    compared = compare_capture(record, name, results, where)
    print_compared(_console(), compared)
    if plot is not None:
        from harness.show.capture_plot import draw_overlay

        draw_overlay(compared, plot)
        print(f"plot: {plot}")
    if json is not None:
        from harness.store.export import write_whole

        write_whole(json, compared.to_json().encode())
        print(f"comparison: {json}")
    return compared.exit_code


def _console() -> Console:
    from harness.show.terminal import console

    return console()
