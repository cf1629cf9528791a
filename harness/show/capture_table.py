"""Captures as people read them: what was stored, which there are, and how one differs from a run. Computes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from harness.contracts import Capture, Channel
from harness.judge.captured import Compared, FigureRow, Overlaid
from harness.stored import SHORT
from netlists.errors import one_line
from netlists.quantity import engineering

CAUTION = (
    "Caution: probes on a mains supply must be isolated and rated for it; the bulk stays charged long after the plug "
    "is out."
)
COUNTED = {"inputs": "the record's ranges", "solver": "time steps only"}
# heading and width of each column, then the side
LIST_COLUMNS = (("name", 16), ("instance", 16), ("signals", 24), ("condition", 18), ("taken", 10), ("samples", 8))
FIGURE_COLUMNS = (
    ("number", 13, "left"), ("measured", 10, "right"), ("predicted", 10, "right"), ("difference", 13, "right"),
    ("relative", 9, "right"), ("uncertainty", 27, "right"), ("", 8, "left"),
)  # fmt: skip


def print_added(console: Console, capture: Capture, path: Path, time_told: str) -> None:
    """What was stored and as what it was understood, so that a wrong reading of the file is seen."""
    console.print(Text(f"capture: {path}"), soft_wrap=True)
    _say(console, f"{_samples(capture)}; {capture.instance} of {capture.record}")
    _say(console, f"time: {one_line(time_told)}; good to {capture.time_base * 1e6:.4g} ppm; trigger at "
                  f"{engineering(capture.trigger, 's')}")  # fmt: skip
    for channel in capture.channels:
        ends = f"{engineering(float(channel.values.min()), channel.unit)} to "
        ends += engineering(float(channel.values.max()), channel.unit)
        _say(console, f"{channel.signal}: column {channel.column}, {ends}, good to {_good_to(channel)}")
    for line in capture.assumed:
        _say(console, f"assumed: {line}")
    _say(console, CAUTION)


def print_captures(console: Console, record_file: Path, found: Sequence[Capture], faults: Sequence[str]) -> None:
    """A line for each capture, its uncertainty and source below, then what cannot be read."""
    if not found and not faults:
        _say(console, f"{record_file}: no capture is stored beside it; bulkrail capture add makes one")
    if found:
        table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
        for heading, width in LIST_COLUMNS:
            table.add_column(heading, width=width, overflow="fold")
        for one in found:
            signals = ", ".join(channel.signal for channel in one.channels)
            where = one.condition or one.study or _line(one) or "-"
            cells = (one.name, one.instance, signals, where, one.taken or "-", str(len(one.time)))
            table.add_row(*(Text(one_line(cell)) for cell in cells))
        console.print(table)
    for one in found:
        good = "; ".join(f"{channel.signal} good to {_good_to(channel)}" for channel in one.channels)
        _say(console, f"{one.name}: {good}")
        _say(console, f"    {_samples(one)}; of {one.source['file']}, SHA-256 {one.source['sha256'][:SHORT]}, added "
                      f"{one.added_utc[:10]}{'; ' + one.note if one.note else ''}")  # fmt: skip
    for line in faults:
        _say(console, line)


def _good_to(channel: Channel) -> str:
    return f"{channel.gain * 100:.3g} % and {engineering(channel.offset, channel.unit)}"


def _samples(capture: Capture) -> str:
    length = engineering(float(capture.time[-1] - capture.time[0]), "s")
    return f"{len(capture.time)} samples over {length}"


def _line(capture: Capture) -> str:
    parts = (
        f"{capture.line_voltage:g} V" if capture.line_voltage is not None else "",
        f"{capture.output_power:g} W" if capture.output_power is not None else "",
    )
    return ", ".join(filter(None, parts))


def print_compared(console: Console, compared: Compared) -> None:
    """How a capture lies over a run, each number of both, and what remains."""
    channel, found = compared.channel, compared.found
    heading = f"{compared.capture.name}: {channel.signal} of {compared.capture.instance}, {compared.study}"
    _say(console, f"{heading}, {compared.condition}", style="italic cyan")
    for note in compared.notes:
        _say(console, note)
    at = compared.alignment
    lag = f"{engineering(at.lag, 's')} +/- {engineering(compared.lag_uncertainty, 's')}"
    _say(console, f"aligned by {compared.method}: {lag} added to its time")
    _say(console, f"concordance {at.concordance:.4f}, correlation {at.correlation:.4f} (1: the same, the same course)")
    _say(console, f"window {engineering(found.start, 's')} to {engineering(found.stop, 's')} of the run; measured good "
                  f"to {_good_to(channel)}, noise {engineering(found.noise, channel.unit)} RMS")  # fmt: skip
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for name, width, side in FIGURE_COLUMNS:
        table.add_column(name, width=width, justify="right" if side == "right" else "left", overflow="fold")
    for row in found.rows:
        table.add_row(*(Text(cell) for cell in _cells(row)))
    console.print(table)
    _say(console, f"remaining: RMS {engineering(found.left.rms, channel.unit)} ({_share(found.left.rms, found)} of the "
                  f"run's span), largest {engineering(found.left.largest, channel.unit)} "
                  f"({_share(found.left.largest, found)}) at {engineering(found.left.at, 's')}")  # fmt: skip
    for word, told in COUNTED.items():
        names = [row.name for row in found.rows if row.counted == word]
        if names:
            _say(console, f"uncertainty of the prediction is {told}: {', '.join(names)}")
    differing = [row.name for row in found.rows if not row.consistent]
    agree = "all numbers agree within their uncertainty"
    if not compared.is_trusted:
        agree += ", at an alignment that is not to be trusted"
    _say(console, f"beyond their uncertainty: {', '.join(differing)}" if differing else agree)
    _say(console, CAUTION)


def _cells(row: FigureRow) -> tuple[str, ...]:
    relative = f"{row.difference / row.measured * 100:+.1f} %" if row.measured else "-"
    below, above = (engineering(end, row.unit) for end in row.uncertainty)
    return (
        row.name, engineering(row.measured, row.unit), engineering(row.predicted, row.unit),
        engineering(row.difference, row.unit), relative, below if below == above else f"-{below}/+{above}",
        "agrees" if row.consistent else "differs",
    )  # fmt: skip


def _share(value: float, found: Overlaid) -> str:
    return f"{value / found.left.span * 100:.2g} %" if found.left.span else "no share"


def _say(console: Console, line: str, style: str = "") -> None:
    console.print(Text(line, style=style), highlight=False)
