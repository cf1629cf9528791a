"""The command ``bulkrail review``. As in ``cli.py``, heavy imports wait until a command needs them."""

from __future__ import annotations

from datetime import date
from json import dumps
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from netlists.errors import OptionError

review_app = App(name="review", help="Read a record as an experienced colleague would, before anything is simulated.")


@review_app.default
def review(
    record: Annotated[Path, Parameter(help="record file (TOML)")],
    /,
    *,
    limits: Annotated[Path | None, Parameter(help="limits file; else RECORD's own .limits.toml, if any")] = None,
    json: Annotated[bool, Parameter(help="print JSON instead", negative=())] = False,
    accept: Annotated[
        bool,
        Parameter(help="print the TOML that accepts each remark, for the limits file; give each a reason", negative=()),
    ] = False,
    propose: Annotated[
        bool, Parameter(help="print TOML for values not read yet, inferred from those that are", negative=())
    ] = False,
) -> int:
    """Reviews; ends 1 where something is wrong or doubtful and nobody accepted it, 2 for bad input."""
    if json + accept + propose > 1:
        raise OptionError("review: --json, --accept and --propose print something else each; give one of them")
    if propose:
        return _propose(record)
    from harness.reviewing import review_file
    from harness.show.review_table import acceptances_text, open_rows, print_review
    from harness.show.terminal import console

    found = review_file(record, limits)
    if json:
        console().out(dumps(found.plain(), indent=2, allow_nan=False), highlight=False)
    elif accept:
        console().out(acceptances_text(open_rows(found.plain()), date.today().isoformat()), highlight=False, end="")
    else:
        print_review(console(), found.plain())
    return found.exit_code


def _propose(record: Path) -> int:
    from harness.reviewing import proposals_of
    from harness.show.proposal_text import proposals_text
    from harness.show.terminal import console

    console().out(proposals_text(proposals_of(record)), highlight=False, end="")
    return 0
