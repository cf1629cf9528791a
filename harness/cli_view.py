"""The command ``bulkrail view``. As in ``cli.py``, heavy imports wait until it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

view_app = App(name="view", help="Open the stored runs of a results folder in the browser, on this machine alone.")


@view_app.default
def view(
    results: Annotated[Path, Parameter(help="results folder of bulkrail check")] = Path("results"),
    /,
    *,
    record: Annotated[
        list[Path] | None, Parameter(help="record file whose captures can be laid over its runs; several", negative=())
    ] = None,
    port: Annotated[int | None, Parameter(help="so that addresses stay good for the next start; else any free")] = None,
    browser: Annotated[bool, Parameter(help="open it in the browser; else only its address is printed")] = True,
) -> int:
    """Serves until Ctrl-C; ends 0, or 2 where there is nothing to serve or no port."""
    from harness.view import serve

    def say(line: str) -> None:
        print(line, flush=True)  # whoever reads a pipe waits for the address

    serve(results, port, say, browser=browser, records=record or ())
    return 0
