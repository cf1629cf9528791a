"""The command ``bulkrail fit``. As in ``cli.py``, heavy imports wait until the command needs them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from harness.cli_laying import Align, At, ConditionLabel, Edge, Level, Signal, Start, Stop, Study
from netlists.errors import OptionError

PICTURES = (".png", ".svg")


def fit(
    record: Annotated[Path, Parameter(help="record file (TOML)")],
    capture: Annotated[str, Parameter(help="name of a stored capture, see bulkrail capture")],
    /,
    *,
    values: Annotated[
        list[str] | None,
        Parameter(help="up to three assumed values, such as RT1.b_value", negative=(), consume_multiple=True),
    ] = None,
    results: Annotated[Path, Parameter(help="results folder; what it holds is not simulated again")] = Path("results"),
    hold: Annotated[
        bool, Parameter(help="keep all other open inputs as recorded: quicker, intervals too narrow", negative=())
    ] = False,
    signal: Signal = None,
    study: Study = None,
    condition: ConditionLabel = None,
    angle: Annotated[str | None, Parameter(help="switch-on angle, such as 90deg; fitted too if not given")] = None,
    ambient: Annotated[str | None, Parameter(help="air at the bench, such as 23degC; else as recorded")] = None,
    frequency: Annotated[str | None, Parameter(help="of the line at the bench; else the question's")] = None,
    structure: Annotated[
        list[str] | None, Parameter(help="FIELD=CHOICE, where the record has alternatives", negative=())
    ] = None,
    align: Annotated[Align, Parameter(help="how its time is laid on the run's at first")] = "correlation",
    level: Level = None,
    edge: Edge = "rising",
    at: At = None,
    start: Start = None,
    stop: Stop = None,
    plot: Annotated[Path | None, Parameter(help="draw fit and residuals as PNG or SVG")] = None,
    json: Annotated[Path | None, Parameter(help="write all numbers as JSON; its folder is made")] = None,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
) -> int:
    """Fits; ends 1 where a value asked for is not offered."""
    if plot is not None and plot.suffix.lower() not in PICTURES:
        raise OptionError(f"--plot: must end in {' or '.join(PICTURES)}, found {plot.name}")
    from harness.captures import Where
    from harness.fitting.fit import Wanted, fit_file
    from harness.fitting.question import Stated
    from harness.show.fit_table import print_fitted
    from harness.show.progress import progress
    from harness.show.terminal import console

    where = Where(signal, None, study, condition, align, level, edge, at, start, stop)
    wanted = Wanted(values or (), where, Stated(angle, ambient, frequency), structure or (), hold)
    with progress() as on_progress:
        found, lines = fit_file(record, capture, results, wanted, workers=workers, on_progress=on_progress)
    print_fitted(console(), found, record, lines)
    if plot is not None:
        from harness.show.fit_plot import draw_fit

        draw_fit(found, plot)
        print(f"plot: {plot}")
    if json is not None:
        from harness.store.export import write_whole

        write_whole(json, found.to_json(lines).encode())
        print(f"fit: {json}")
    return found.exit_code
