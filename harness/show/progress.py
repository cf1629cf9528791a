"""A progress bar on stderr; silent where stderr is no terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text


class RateColumn(ProgressColumn):
    """Cases a second over the last ones."""

    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        return Text("" if speed is None else f"{speed:.3g} a second")


@contextmanager
def progress() -> Iterator[Callable[[int, int], None]]:
    """A function to be called with the number of cases finished and known so far."""
    console = Console(stderr=True)
    columns = (
        TextColumn("simulating"), BarColumn(), MofNCompleteColumn(), TextColumn("cases,"), RateColumn(),
        TimeElapsedColumn(), TextColumn("gone,"), TimeRemainingColumn(), TextColumn("left"),
    )  # fmt: skip
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("cases", total=None)
        yield lambda finished, known: bar.update(task, completed=finished, total=known)
