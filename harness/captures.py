"""Captures from file to file: stored beside a record, listed, and laid over the stored run they are of.

Simulates nothing. The run is looked up in the assessment of ``bulkrail check``, so that a condition's label and the
inputs' swings are at hand; ``--run`` names another.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Literal

from harness.capture.mapping import ColumnOptions, channels_of, stated_units
from harness.capture.table import table_of, time_of
from harness.capture.text import read_bytes, read_rows
from harness.contracts import Capture, Channel, FloatArray
from harness.judge.captured import LEAST_CONCORDANCE, LEAST_CORRELATION, Compared, Method, lag_uncertainty, overlaid
from harness.judge.state_file import read_state, state_path
from harness.plan.signals import check_instance, questions_of, signals_of
from harness.postprocess.alignment import Alignment, align_by_correlation, align_by_edge, aligned_at
from harness.store import captures, runs, views
from harness.stored import SHORT, find_run
from netlists.errors import OptionError, StoreError, nearest, one_line
from netlists.quantity import engineering, read_option, shown
from netlists.record import SupplyRecord, load_record

TIME_BASE = 1e-4  # where none is said: common practice, no source, of a crystal with its ageing; loggers are worse
LONGEST_NOTE = 500
FEWEST_SAMPLES = 8
SAME_CONDITION = 0.02  # of a line voltage or power: one condition


@dataclass(frozen=True, slots=True)
class About:
    """What a person says of a capture beside its columns; texts as written, empty or None where not said."""

    instance: str
    name: str | None = None
    study: str = ""
    condition: str = ""
    line: str | None = None
    power: str | None = None
    taken: str = ""
    note: str = ""
    time: str | None = None
    interval: str | None = None
    trigger: str | None = None
    time_base: str | None = None


@dataclass(frozen=True, slots=True)
class Where:
    """How a capture is laid over a run: options of ``capture compare`` as written."""

    signal: str | None = None
    run: str | None = None
    study: str | None = None
    condition: str | None = None
    align: Method = "correlation"
    level: str | None = None
    edge: Literal["rising", "falling"] = "rising"
    at: str | None = None
    start: str | None = None
    stop: str | None = None


def add_capture(
    record_file: Path, csv: Path, about: About, columns: ColumnOptions, *, replace: bool = False
) -> tuple[Capture, Path, str]:
    """Reads a file and stores it as a capture; the capture, where it lies, and how time was told.

    Raises
    ------
    RecordError : the record, or the file's content, with line
    OptionError : an option that does not fit them
    StoreError : it cannot be written
    """
    record = load_record(record_file)
    check_instance(record, about.instance)
    _check_condition(record, about.instance, about.study, about.condition)
    data = read_bytes(csv)
    changed = datetime.fromtimestamp(csv.stat().st_mtime, UTC)
    table = table_of(read_rows(data, csv.name))
    interval = option_value("--interval", about.interval, "s")
    if interval is not None and interval <= 0:
        raise OptionError(f"--interval: must be more than 0 s, found {shown(about.interval)}")
    units = stated_units(table, columns.units)
    time, place, told = time_of(table, column=about.time, interval=interval, units=units)
    channels, assumed = channels_of(table, columns, signals_of(record, about.instance), place)
    if about.time_base is None:
        assumed += (f"time base: good to {TIME_BASE * 1e6:g} ppm, as is usual; --time-base says another",)
    capture = Capture(
        name=about.name or _name_of(csv), record=record.name, instance=about.instance, time=time, channels=channels,
        trigger=trigger_of(about.trigger, time), time_base=_time_base(about.time_base), study=about.study,
        condition=about.condition, line_voltage=option_value("--line", about.line, "V"),
        output_power=option_value("--power", about.power, "W"), taken=_date(about.taken), note=_note(about.note),
        source={
            "file": csv.name, "sha256": hashlib.sha256(data).hexdigest(),
            "modified_utc": changed.isoformat(timespec="seconds"),
        },
        added_utc=datetime.now(UTC).isoformat(timespec="seconds"), assumed=assumed,
    )  # fmt: skip
    return capture, captures.write(record_file, capture, replace=replace), told


def stored_captures(record_file: Path) -> tuple[list[Capture], list[str]]:
    """All captures of a record, and a line for each that cannot be read."""
    load_record(record_file)
    found, faults = [], []
    for name in captures.names(record_file):
        try:
            found.append(captures.read(record_file, name))
        except StoreError as error:
            faults.append(one_line(str(error)))
    return found, faults


def compare_capture(record_file: Path, name: str, results: Path, where: Where) -> Compared:
    """Lays a stored capture over the stored run that fits it.

    Raises
    ------
    OptionError : no such capture, signal or run, nothing to align by, or no overlap
    RecordError, StoreError : of record, assessment, capture or run
    """
    record = load_record(record_file)
    capture = captures.read(record_file, name)
    channel = channel_of(capture, where.signal)
    path, rows, notes = _run_of(record, capture, channel, results, where)
    return laid_over(capture, channel, (path, rows, notes), where)


def laid_over(
    capture: Capture, channel: Channel, run: tuple[Path, Sequence[Mapping[str, Any]], Sequence[str]], where: Where
) -> Compared:
    """Lays one channel of a capture over the signal of its name in a stored run.

    Parameters
    ----------
    run : its file, the rows of an assessment it gave, and notes on how it was chosen

    Raises
    ------
    OptionError : nothing to align by, or no overlap
    StoreError : of the run
    """
    path, rows, said = run
    stored = runs.read_run(path, signals=(channel.signal,))
    assert stored.run.axis is not None  # the signal was found
    reference = (stored.run.axis.values, stored.run.signals[channel.signal].values)
    study = str(stored.provenance.get("study", ""))
    alignment = aligned(capture, (capture.time, channel.values), channel.unit, reference, where)
    if alignment is None:
        raise OptionError(not_laid(channel, where))
    lag = lag_uncertainty(
        lambda changed: aligned(capture, changed, channel.unit, reference, where, alignment.lag),
        alignment.lag, channel, (capture.time, channel.values),
    )  # fmt: skip
    measured = (capture.time + alignment.lag, channel.values)
    notes = [*said, *_doubts(alignment)]
    if alignment.concordance < LEAST_CONCORDANCE and where.align == "correlation":
        turned = align_by_correlation(reference, (capture.time, -channel.values))
        least = max(LEAST_CORRELATION, alignment.correlation)
        if turned is not None and turned.concordance >= LEAST_CONCORDANCE and turned.correlation > least:
            notes.append(f"Turned round it would agree by {turned.concordance:.2f}: see --scale of capture add")
    span = common_window(measured[0], reference[0], where)
    found = overlaid(channel, measured, reference, span, (capture.time_base, lag), study, rows)
    return Compared(
        capture, channel, stored.run.case_id, study, str(stored.provenance.get("condition", "")), alignment,
        where.align, measured, reference, found, tuple(notes), lag,
    )  # fmt: skip


def _doubts(alignment: Alignment) -> list[str]:
    """What a reader must know of an alignment that is none, or of a factor that was forgotten."""
    course = f"(correlation {alignment.correlation:.2f}; 1 is the same)"
    if alignment.correlation <= -LEAST_CORRELATION:
        return [f"Caution: the capture runs the other way {course}: its probe hangs the other way round (--scale)"]
    if alignment.correlation < LEAST_CORRELATION:
        return [f"Caution: another course {course}: another signal or condition, or noise; do not trust the alignment"]
    if alignment.concordance < LEAST_CONCORDANCE:
        return [f"Caution: one course {course}, another size or level: look at probe factor, coupling and offset"]
    return []


# --- what is said of a capture


def _check_condition(record: SupplyRecord, instance: str, study: str, condition: str) -> None:
    asked = questions_of(record, instance)
    studies, labels = {one.study for one in asked}, {one.label for one in asked if study in ("", one.study)}
    if study and study not in studies:
        raise OptionError(f"--study: unknown {shown(study)}; {nearest(study, studies)}")
    if condition and condition not in labels:
        raise OptionError(f"--condition: unknown {shown(condition)}; {nearest(condition, labels)}")


def _name_of(csv: Path) -> str:
    """A capture's name made of its file's."""
    return re.sub(r"[^a-z0-9_-]+", "-", csv.stem.lower()).strip("-_")[:60] or "capture"


def trigger_of(text: str | None, time: FloatArray) -> float:
    """Instant of the trigger: as said, else 0 where the axis holds it, as instruments have it, else its begin."""
    found = option_value("--trigger", text, "s")
    if found is None:
        return 0.0 if time[0] <= 0 <= time[-1] else float(time[0])
    if not time[0] <= found <= time[-1]:
        ends = f"{engineering(float(time[0]), 's')} to {engineering(float(time[-1]), 's')}"
        raise OptionError(f"--trigger: must lie in the file's time, {ends}, found {shown(text)}")
    return found


def _time_base(text: str | None) -> float:
    if text is None:
        return TIME_BASE
    number, per, rest = text.partition("ppm")
    value = option_value("--time-base", number if per and not rest.strip() else text, "1")
    assert value is not None
    share = value * 1e-6 if per else value
    if not 0 <= share <= 0.1:
        raise OptionError(f"--time-base: must be 0 to 10 %, found {shown(text)}")
    return share


def _date(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError as error:
        raise OptionError(f"--taken: must be a date such as 2026-11-25, found {shown(text)}") from error


def _note(text: str) -> str:
    if len(text) > LONGEST_NOTE:
        raise OptionError(f"--note: must be at most {LONGEST_NOTE} characters, found {len(text)}")
    return one_line(text)


def option_value(option: str, text: str | None, unit: str) -> float | None:
    return None if text is None else read_option(option, text, unit)


# --- the run it is laid over


def channel_of(capture: Capture, signal: str | None) -> Channel:
    by_name = {one.signal: one for one in capture.channels}
    if signal is None:
        if len(by_name) > 1:
            raise OptionError(f"--signal: {capture.name} has several, say which: {', '.join(by_name)}")
        return capture.channels[0]
    if signal not in by_name:
        raise OptionError(f"--signal: {capture.name} has no {shown(signal)}; {nearest(signal, by_name)}")
    return by_name[signal]


def _run_of(
    record: SupplyRecord, capture: Capture, channel: Channel, results: Path, where: Where
) -> tuple[Path, list[Mapping[str, Any]], list[str]]:
    """File of the run, rows of the assessment it gave, and notes on how it was chosen."""
    state = _assessment(record, results)
    if where.run is not None:
        path = find_run(results, where.run)
        return path, [] if state is None else [row for row in state["metrics"] if row["run_id"] == path.stem], []
    if state is None:
        raise OptionError(
            f"--results: {results} holds no assessment of {record.name}; bulkrail check makes one, --run names a run"
        )
    rows = _fitting(capture, state["metrics"], where)
    labels = {(row["condition"]["study"], row["condition"]["label"]) for row in rows}
    if len(labels) > 1:
        named = "; ".join(sorted(f"{study}, {label}" for study, label in labels))
        raise OptionError(f"--condition: several fit {capture.name}: {named}; say --study, --condition or --run")
    fitting = {}
    for row in rows:
        path = runs.run_path(results, row["run_id"])
        if row["run_id"] not in fitting and path.exists() and channel.signal in views.signal_names(path):
            fitting[row["run_id"]] = path
    if not fitting:
        raise OptionError(
            f"--run: no stored run of {capture.instance} that fits {capture.name} has {channel.signal}; "
            f"check the record with --out {results}, or say --study, --condition or --run"
        )
    chosen, path = next(iter(fitting.items()))
    mine = [row for row in rows if row["run_id"] == chosen]
    all_of_run = [row for row in state["metrics"] if row["run_id"] == chosen]
    others = "" if len(fitting) == 1 else f"; others that fit: {', '.join(one[:SHORT] for one in list(fitting)[1:8])}"
    note = f"run {chosen[:SHORT]}, which gave {mine[0]['metric']} of {mine[0]['subject']}{others} (--run)"
    return path, all_of_run, [one_line(note)]


def _assessment(record: SupplyRecord, results: Path) -> Mapping[str, Any] | None:
    path = state_path(results, record.name)
    return read_state(path) if path.exists() else None


def _fitting(capture: Capture, metrics: Sequence[Mapping[str, Any]], where: Where) -> list[Mapping[str, Any]]:
    """Rows with a run whose condition is what was said of the capture, or what the options say instead."""
    study, label = where.study or capture.study, where.condition or capture.condition

    def is_near(said: float | None, value: float | None) -> bool:
        return said is None or (value is not None and abs(value - said) <= SAME_CONDITION * abs(said))

    return [
        row
        for row in metrics
        if row["instance"] == capture.instance
        and row["run_id"]
        and study in ("", row["condition"].get("study"))
        and label in ("", row["condition"]["label"])
        and is_near(None if label else capture.line_voltage, row["condition"].get("line_voltage"))
        and is_near(None if label else capture.output_power, row["condition"].get("output_power"))
    ]


def aligned(
    capture: Capture, measured: tuple[FloatArray, FloatArray], unit: str, reference: tuple[FloatArray, FloatArray],
    where: Where, near: float | None = None,
) -> Alignment | None:  # fmt: skip
    """A capture's waveform over the run's as the options say; None where nothing of it can be laid there.

    Parameters
    ----------
    near : a lag found before [s], for a waveform that was changed a little
    """
    if where.align == "trigger":
        return aligned_at(reference, measured, (option_value("--at", where.at, "s") or 0.0) - capture.trigger)
    if where.align == "level":
        level = option_value("--level", where.level, unit)
        if level is None:
            raise OptionError(f"--level: --align level needs one, such as --level 100{unit}")
        return align_by_edge(reference, measured, level, rising=where.edge == "rising")
    return align_by_correlation(reference, measured, near)


def not_laid(channel: Channel, where: Where) -> str:
    if where.align == "level":
        return f"--level: {where.level} is not crossed, {where.edge}, by {channel.signal} of both capture and run"
    return (
        "--align: nothing moves together in both, or one has too few samples at the other's steps; "
        "align by level or trigger"
    )


def common_window(measured: FloatArray, reference: FloatArray, where: Where) -> tuple[float, float]:
    """Where both are known, cut to what was asked for [s]."""
    start, stop = max(measured[0], reference[0]), min(measured[-1], reference[-1])
    asked = (option_value("--from", where.start, "s"), option_value("--to", where.stop, "s"))
    start = start if asked[0] is None else max(start, asked[0])
    stop = stop if asked[1] is None else min(stop, asked[1])
    inside = int(((measured >= start) & (measured <= stop)).sum())
    if inside < FEWEST_SAMPLES:
        ends = f"{engineering(float(reference[0]), 's')} to {engineering(float(reference[-1]), 's')}"
        raise OptionError(
            f"--align: {inside} samples of the capture lie on the run ({ends}) in the window; at least "
            f"{FEWEST_SAMPLES} are needed"
        )
    return float(start), float(stop)
