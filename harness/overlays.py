"""Measured waveforms laid over stored runs: a record's captures, and files dropped on the viewer.

What was dropped stays in memory, is bounded, and is gone with the viewer: nothing here writes a file.
"""

from __future__ import annotations

import json
import secrets
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any, Literal, cast

from harness.capture.mapping import ColumnOptions, channels_of, stated_units
from harness.capture.table import Table, table_of, time_of
from harness.capture.text import read_rows
from harness.captures import TIME_BASE, Where, laid_over, trigger_of
from harness.contracts import Capture, Channel
from harness.judge.captured import Compared
from harness.show.viewer.asked import TraceName
from harness.show.viewer.folder import AbsentError, Folder
from harness.show.viewer.traces import Held
from harness.store import captures, runs, views
from netlists.errors import BulkrailError, OptionError, nearest, one_line
from netlists.probe import Probe
from netlists.quantity import read_option, shown
from netlists.record import load_record

MOST_FILES, MOST_LINES = 4, 16  # kept at once; the oldest goes first
ALIGNMENTS = ("correlation", "trigger")


@dataclass(frozen=True, slots=True)
class Dropped:
    """A file as it was read: its name for people, and its columns."""

    name: str
    table: Table


class Overlays:
    """What was laid over runs while the viewer is open. May be asked from several threads.

    Parameters
    ----------
    records : files whose captures may be laid over
    """

    def __init__(self, folder: Folder, records: Sequence[Path] = ()) -> None:
        self._folder = folder
        self._records = {load_record(file).name: file for file in records}
        self._files: OrderedDict[str, Dropped] = OrderedDict()
        self._lines: OrderedDict[tuple[str, str], Held] = OrderedDict()
        self._lock = Lock()

    def held(self, source: str, signal: str) -> Held:
        """A line by its source and signal; AbsentError where there is none."""
        with self._lock:
            found = self._lines.get((source, signal))
        if found is None:
            raise AbsentError(f"{source}: is no longer in memory; lay it over again")
        return found

    def read_file(self, name: str, data: bytes) -> dict[str, Any]:
        """Reads a text file of columns and keeps it; what is in it, for people to choose from.

        Raises
        ------
        RecordError : it is no such file, with the line
        """
        name = one_line(name)[:80] or "file"
        table = table_of(read_rows(data, name))
        source = f"file-{secrets.token_hex(8)}"
        with self._lock:
            self._files[source] = Dropped(name, table)
            while len(self._files) > MOST_FILES:
                self._files.popitem(last=False)
        columns = [
            {"name": one_line(column)[:80], "unit": one_line(unit)[:20]}
            for column, unit in zip(table.names, table.units, strict=True)
        ]
        return {"file": source, "name": name, "rows": len(table.rows.values), "columns": columns}

    def captures_for(self, digits: str) -> list[dict[str, Any]]:
        """Stored captures of the record and instance a run is of; one that cannot be read has a ``fault``."""
        about = self._provenance(digits)
        file = self._records.get(str(about.get("record")))
        if file is None:
            return []
        found: list[dict[str, Any]] = []
        for name in captures.names(file):
            try:
                capture = captures.read(file, name)
            except BulkrailError as error:
                found.append({"name": name, "fault": one_line(str(error))})
                continue
            if capture.instance == about.get("instance"):
                found.append(
                    {
                        "name": name, "record": capture.record, "signals": [one.signal for one in capture.channels],
                        "condition": one_line(capture.condition), "taken": capture.taken, "note": capture.note,
                    }
                )  # fmt: skip
        return found

    def _provenance(self, digits: str) -> Mapping[str, Any]:
        return runs.read_run(self._folder.run_file(digits), signals=(), verify=False).provenance

    def lay(self, trace: TraceName, said: Mapping[str, str]) -> dict[str, Any]:
        """Lays a capture, or a column of a dropped file, over a signal of a run; what both differ by.

        Parameters
        ----------
        said : ``capture`` (RECORD/NAME) or ``file``; ``align`` and ``at``; of a file ``column`` (number from 1) and,
            as ``bulkrail capture add`` has them, ``unit``, ``scale``, ``gain``, ``offset``, ``interval``, ``trigger``

        Raises
        ------
        AbsentError : no such run, capture or file
        InputError, StoreError : of what was said, or of the run
        """
        path = self._folder.run_file(trace.source)
        overview = views.overview(path)
        if overview is None or trace.signal not in overview.units or trace.part or overview.axis != "time":
            raise OptionError(f"trace: {trace} is no line over time that anything can be laid over")
        align = said.get("align", "correlation")
        if align not in ALIGNMENTS:
            raise OptionError(f"align: unknown {shown(align)}; {nearest(align, ALIGNMENTS)}")
        where = Where(align=cast(Literal["correlation", "trigger"], align), at=said.get("at") or None)
        if said.get("capture"):
            source, capture, channel = self._stored(said["capture"], trace.signal)
        else:
            source, capture, channel = self._of_file(said, trace, overview)
        rows = [one.row for one in self._folder.judged()[0].get(path.stem, ())]
        compared = laid_over(capture, channel, (path, rows, [*capture.assumed]), where)
        with self._lock:
            self._lines[source, trace.signal] = Held(channel.unit, *compared.measured)
            while len(self._lines) > MOST_LINES:
                self._lines.popitem(last=False)
        return _told(source, compared)

    def _stored(self, name: str, signal: str) -> tuple[str, Capture, Channel]:
        """A capture of a record that the viewer was told of."""
        record, _, own = name.partition("/")
        if record not in self._records:
            raise AbsentError(f"capture: {shown(record)} is no record of --record; {nearest(record, self._records)}")
        capture = captures.read(self._records[record], own)
        channel = next((one for one in capture.channels if one.signal == signal), None)
        if channel is None:
            known = nearest(signal, [one.signal for one in capture.channels])
            raise OptionError(f"capture: {own} has no {signal}; {known}")
        return f"file-{secrets.token_hex(8)}", capture, channel

    def _of_file(
        self, said: Mapping[str, str], trace: TraceName, overview: views.Overview
    ) -> tuple[str, Capture, Channel]:
        """A column of a dropped file, read as ``bulkrail capture add`` reads it."""
        with self._lock:
            dropped = self._files.get(said.get("file", ""))
        if dropped is None:
            raise AbsentError("file: is no longer in memory; drop it again")
        column, unit = said.get("column", ""), overview.units[trace.signal]

        def of_column(name: str) -> list[str]:
            return [f"{column}={said[name]}"] if said.get(name) else []

        gains, offsets = ([said[name]] if said.get(name) else [] for name in ("gain", "offset"))
        asked = ColumnOptions([f"{column}={trace.signal}"], of_column("unit"), of_column("scale"), gains, offsets)
        interval = read_option("interval", said["interval"], "s") if said.get("interval") else None
        if interval is not None and interval <= 0:
            raise OptionError(f"interval: must be more than 0 s, found {shown(said['interval'])}")
        time, place, told = time_of(
            dropped.table, column=None, interval=interval, units=stated_units(dropped.table, asked.units)
        )
        # of a stored run alone its units are known, so the probe is named after them
        probe = Probe(trace.signal, "", cast(Any, unit), overview.descriptions[trace.signal], "voltage")
        channels, assumed = channels_of(dropped.table, asked, {trace.signal: probe}, place)
        capture = Capture(
            name=dropped.name, record="", instance="", time=time, channels=channels,
            trigger=trigger_of(said.get("trigger") or None, time),
            time_base=TIME_BASE, study="", condition="", line_voltage=None, output_power=None, taken="", note="",
            source={}, added_utc="", assumed=(f"time {told}", *assumed),
        )  # fmt: skip
        return f"file-{secrets.token_hex(8)}", capture, channels[0]


def _told(source: str, compared: Compared) -> dict[str, Any]:
    """A line that was laid over, with all numbers of the comparison."""
    time, _ = compared.measured
    return {
        "name": f"{source}:{compared.channel.signal}", "signal": compared.channel.signal, "unit": compared.channel.unit,
        "title": one_line(compared.capture.name),
        "axis": {"name": "time", "unit": "s", "first": float(time[0]), "last": float(time[-1]), "samples": len(time)},
        "agrees": compared.exit_code == 0, **json.loads(compared.to_json()),
    }  # fmt: skip
