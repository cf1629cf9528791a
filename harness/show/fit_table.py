"""A fit as people read it: each value with its interval, what was moved and held beside it, what may be pasted."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Mapping
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from harness.judge.fitted import FittedCapture, FittedValue
from harness.show.capture_table import CAUTION
from harness.show.table import short_path
from harness.stored import SHORT
from netlists.errors import one_line
from netlists.quantity import engineering

COLUMNS = (
    ("value", 24, "left"), ("assumed", 12, "right"), ("range", 22, "right"), ("fitted", 12, "right"),
    ("95 % interval", 24, "right"),
)  # fmt: skip
TOGETHER = 0.9  # correlation of two values that is told
SEEN = 0.2  # of half an interval: what time steps do is told
Lines = Mapping[str, tuple[str, str]]  # path -> the record's table, and the line to paste there


def print_fitted(console: Console, found: FittedCapture, record_file: Path, lines: Lines) -> None:
    """All of a fit, and the lines that may be pasted last."""
    channel, capture = found.channel, found.capture
    heading = f"{capture.name}: {channel.signal} of {capture.instance}, {found.study}, {found.condition}"
    _say(console, heading, style="italic cyan")
    _say(console, f"{len(found.measured.time)} samples, {engineering(float(found.measured.time[0]), 's')} to "
                  f"{engineering(float(found.measured.time[-1]), 's')} of the run {found.run_id[:SHORT]}; "
                  f"{found.places} places, {found.simulated} cases simulated now")  # fmt: skip
    for note in found.notes:
        _say(console, note)
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
    for name, width, side in COLUMNS:
        table.add_column(name, width=width, justify="right" if side == "right" else "left", overflow="fold")
    for one in found.values:
        table.add_row(*(Text(cell) for cell in _cells(one, capture.instance)))
    console.print(table)
    _say_terms(console, found)
    _say_residuals(console, found)
    _say_others(console, found)
    _say_cautions(console, found)
    for line in found.why:
        _say(console, f"nothing is offered: {line}")
    for one in found.values:
        if one.why:
            _say(console, f"not offered: {short_path(one.input.path, capture.instance)} {one.why}")
    if lines:
        _say(console, f"to paste into {record_file}, nothing was written:")
    for table_name, line in lines.values():
        console.print(Text(f"[{table_name}]"), soft_wrap=True)
        console.print(Text(line), soft_wrap=True)
    _say(console, CAUTION)


def _say_terms(console: Console, found: FittedCapture) -> None:
    """The instrument's own terms, which were fitted too."""
    lag, gain, offset, base = found.terms
    off = found.term_deviations
    unit, good, share = found.channel.unit, found.reading, found.channel.gain
    _say(console, f"fitted too, the capture's own: lag {engineering(lag, 's')} +/- {engineering(2 * off[0], 's')} "
                  f"(free; begun by {found.aligned_by}), gain {gain * 100:+.2g} % (stated {share * 100:.3g} %), "
                  f"offset {engineering(offset, unit)} (stated {engineering(good.offset, unit)}), "
                  f"time base {base * 1e6:+.3g} ppm (stated {good.time_base * 1e6:.4g} ppm)")  # fmt: skip


def _say_residuals(console: Console, found: FittedCapture) -> None:
    unit, worth, noise = found.channel.unit, found.quality, found.reading.noise
    _say(console, f"residuals: {engineering(found.sigma, unit)} RMS, neighbours show {engineering(noise, unit)} "
                  f"of noise; left beside noise {engineering(worth.systematic, unit)} RMS, the capture is good to "
                  f"{engineering(worth.band, unit)}")  # fmt: skip
    widened = [one for one in found.values if one.widened > 1]
    if widened:
        names = ", ".join(
            f"{short_path(one.input.path, found.capture.instance)} {one.widened**0.5:.2g} times" for one in widened
        )
        _say(console, f"residuals are correlated, so the noise's part of the interval is widened: {names}")
    for line in dict.fromkeys(found.failures):
        _say(console, f"a place could not be simulated and was gone round: {one_line(line)}")


def _say_cautions(console: Console, found: FittedCapture) -> None:
    """What to know of values that are offered all the same."""
    names = [short_path(one.input.path, found.capture.instance) for one in found.values]
    for row, column in itertools.combinations(range(len(names)), 2):
        correlation = found.correlation[row][column]
        if abs(correlation) > TOGETHER:
            _say(console, f"{names[row]} and {names[column]} hang together (correlation {correlation:.2f}): take both "
                          "from this fit, or none")  # fmt: skip
    for name, one, moved in zip(names, found.values, found.steps, strict=True):
        half = (one.high - one.low) / 2
        if half and abs(moved) > SEEN * half:
            _say(console, f"halved time steps, which the last run has, moved {name} by "
                          f"{abs(moved) / half * 100:.0f} % of half its interval; as much again is in it")  # fmt: skip


def _say_others(console: Console, found: FittedCapture) -> None:
    """What else is open: moved within its range, or held, which the intervals do not know of."""
    instance = found.capture.instance
    others = [one for one in found.others if one.input.role == "other"]
    for one in found.others:
        if one.input.role == "angle":
            half = (one.high - one.low) / 2
            _say(console, f"switch-on angle, fitted too: {one.value:.4g} deg +/- {half:.2g} deg")
    if others:
        names = ", ".join(short_path(one.input.path, instance) for one in others)
        _say(console, f"moved too, within what the record leaves open of them: {names}")
    for paths, what in (
        (found.held, "held as recorded though open, no interval knows of them"),
        (found.still, "held as recorded, noise hides what they do"),
    ):
        if paths:
            _say(console, f"{what}: {', '.join(short_path(path, instance) for path in paths)}")
    _say(console, "taken as exact: line voltage, line frequency, output power and ambient of the condition")


def _cells(one: FittedValue, instance: str) -> tuple[str, ...]:
    given, unit = one.input, one.input.unit
    return (
        short_path(given.path, instance), engineering(given.nominal, unit),
        f"{engineering(given.low, unit)} to {engineering(given.high, unit)}", engineering(one.value, unit, 5),
        f"{engineering(one.low, unit, 5)} to {engineering(one.high, unit, 5)}",
    )  # fmt: skip


def _say(console: Console, line: str, style: str = "") -> None:
    for part in textwrap.wrap(line, console.width, break_long_words=False, break_on_hyphens=False) or [""]:
        console.print(Text(part, style=style), highlight=False)
