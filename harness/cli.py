"""The command ``bulkrail``. Errors of the user's input become one line each and exit code 2.

Heavy imports (numpy, h5py, PySpice) wait until a command needs them, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter
from rich.console import Console

from netlists.errors import BulkrailError, InputError, SetupError, StoreError

NARROWEST = 100  # columns the tables need; a terminal that has more is not filled for its own sake

app = App(name="bulkrail", help="Defended numbers for opened mains power supplies, from a list of their parts.")


def main() -> None:
    """Runs the command line and exits: 0 all within, 1 over, undecided or failed, 2 bad input or set-up."""
    try:
        code = app(print_error=True, exit_on_error=True, result_action="return_value")
    except (InputError, SetupError, StoreError) as error:
        print(error, file=sys.stderr)
        code = 2
    except BulkrailError as error:
        print(error, file=sys.stderr)
        code = 1
    except KeyboardInterrupt:
        print("stopped; finished runs are kept, the same command goes on from them", file=sys.stderr)
        code = 130
    sys.exit(code or 0)


@app.command(help="Simulate a record's stages at their worst conditions and judge them.")
def check(
    record: Path,
    *,
    instance: str | None = None,
    out: Path = Path("results"),
    json: Path | None = None,
    plots: bool = True,
    workers: Annotated[int | None, Parameter(help="worker processes; one a processor if not given")] = None,
) -> int:
    """Checks a record.

    Parameters
    ----------
    record : the record file (TOML)
    instance : only this stage instance
    out : results folder: runs, assessment, plots
    json : where to write the assessment as JSON, beside OUT/assessments
    plots : draw PNG plots into OUT/plots
    """
    from harness.check import check_record
    from harness.show.progress import progress

    with progress() as on_progress:
        assessment, files = check_record(
            record, out, instance=instance, workers=workers, plots=plots, json_file=json, on_progress=on_progress
        )
    from harness.show.table import print_assessment

    width = None if sys.stdout.isatty() else NARROWEST
    print_assessment(assessment, Console(width=width), files)
    return assessment.exit_code


@app.command(help="Write a commented starter record to fill in.")
def new(name: str, *, folder: Path = Path()) -> int:
    """Writes NAME.toml.

    Parameters
    ----------
    name : lower-case name of the record, such as kiln-900
    folder : where the file goes
    """
    from netlists.starter import write_starter

    print(f"wrote {write_starter(name, folder)}; fill it in, then run: bulkrail check {name}.toml")
    return 0
