"""The console all commands print to. Nothing a record says is taken for mark-up."""

from __future__ import annotations

import sys

from rich.console import Console

NARROWEST = 100  # columns the tables need; a terminal that has more is not filled for its own sake


def console() -> Console:
    """As wide as the terminal; where the output goes elsewhere, as wide as the tables need."""
    return Console(width=None if sys.stdout.isatty() else NARROWEST, markup=False, emoji=False)
