"""What a picture of one stored run shows: which signals, over which window. Reads only the chunks it needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.contracts import FloatArray, Metric
from harness.store import views
from harness.stored import SHORT, Measured
from netlists.errors import OptionError, StoreError, nearest
from netlists.quantity import engineering, read_option, shown


@dataclass(frozen=True, slots=True)
class Trace:
    """One signal over the window and a sample beyond each end: time [s] and values, both of shape (samples,)."""

    name: str
    unit: str
    time: FloatArray
    values: FloatArray


@dataclass(frozen=True, slots=True)
class Stretch:
    """Signals of a run from ``start`` to ``stop`` [s], with the metrics taken at an instant between.

    Parameters
    ----------
    first, last : ends of the whole run [s]
    """

    run: Measured
    start: float
    stop: float
    first: float
    last: float
    traces: tuple[Trace, ...]
    metrics: tuple[Metric, ...]


def read_stretch(
    run: Measured,
    *,
    signals: Sequence[str] | None = None,
    usual: Sequence[str] = (),
    start: str | None = None,
    stop: str | None = None,
) -> Stretch:
    """Reads what is to be drawn.

    Parameters
    ----------
    signals : names wanted; None: those of ``usual`` that the run has, or all where it has none of them
    start, stop : texts such as ``10 ms``; None: the run's own ends. What lies beyond the run is cut off

    Raises
    ------
    OptionError : an unknown signal, or a window that is empty, reversed or outside the run
    StoreError : the run kept no waveforms, or its file cannot be read
    """
    path, short = run.stored.path, run.run_id[:SHORT]
    found = views.overview(path)
    if found is None:
        raise StoreError(f"run {short}: kept no waveforms ({run.stored.run.status}), nothing to draw")
    if found.axis != "time":
        raise StoreError(f"run {short}: is over {found.axis}, plot draws runs over time")
    names = _names(signals, usual, tuple(found.units), short)
    begin, end = _window(start, stop, found)
    traces = []
    for name in names:
        time, values = views.read_window(path, name, begin, end, beyond=1)
        traces.append(Trace(name, found.units[name], time, np.asarray(values, dtype=np.float64)))
    metrics = tuple(metric for metric in run.metrics if metric.at is not None and begin <= metric.at <= end)
    return Stretch(run, begin, end, found.first, found.last, tuple(traces), metrics)


def _names(signals: Sequence[str] | None, usual: Sequence[str], known: Sequence[str], short: str) -> list[str]:
    if signals is None:
        return [name for name in usual if name in known] or list(known)
    wanted = list(dict.fromkeys(name.strip() for name in signals if name.strip()))
    if not wanted:
        raise OptionError(f"--signals: must name at least one; {nearest('', known)}")
    for name in wanted:
        if name not in known:
            raise OptionError(f"--signals: run {short} has no signal {shown(name)}; {nearest(name, known)}")
    return wanted


def _window(start: str | None, stop: str | None, run: views.Overview) -> tuple[float, float]:
    begin = run.first if start is None else read_option("--from", start, "s")
    end = run.last if stop is None else read_option("--to", stop, "s")
    covered = f"the run covers {engineering(run.first, 's')} to {engineering(run.last, 's')}"
    if start is not None and begin >= run.last:
        raise OptionError(f"--from: {engineering(begin, 's')} is not before the run's end; {covered}")
    if stop is not None and end <= run.first:
        raise OptionError(f"--to: {engineering(end, 's')} is not after the run's start; {covered}")
    if begin >= end:
        found = f"found {engineering(begin, 's')} and {engineering(end, 's')}"
        raise OptionError(f"--from, --to: the window must end after it starts, {found}; {covered}")
    return max(begin, run.first), min(end, run.last)
