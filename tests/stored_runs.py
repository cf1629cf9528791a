"""Small stored runs, made without a simulator, for tests of whatever looks at a results folder."""

from __future__ import annotations

import hashlib
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from harness.contracts import Axis, Metric, Run, Signal
from harness.plan import rectifier_bulk as planned
from harness.store import runs

LINE_LOST_AT, END_VOLTAGE = 0.04, 250.0  # s, V
RECIPE = planned.recipe_of(
    partial(planned.MEASURES["measure_holdup"], line_lost_at=LINE_LOST_AT, end_voltage=END_VOLTAGE)
)
VERSION = planned.postprocess_version(RECIPE)
FALL = 1000.0  # of the bulk once the line is lost [V/s]
HOLDUP = (325.0 - END_VOLTAGE) / FALL


def run_id(text: str) -> str:
    """An id as good as any."""
    return hashlib.sha256(text.encode()).hexdigest()


def a_run(text: str = "one", *, samples: int = 4000, stop: float = 0.2, **changed: Any) -> Run:
    """A hold-up without ripple: the bulk at 325 V, then falling in a straight line; uneven steps."""
    steps = np.random.default_rng(samples).uniform(0.5, 1.5, samples)
    time = np.cumsum(steps) * stop / np.sum(steps)
    bulk = 325.0 - FALL * np.maximum(0.0, time - LINE_LOST_AT)
    line = np.where(time < LINE_LOST_AT, np.sin(2 * np.pi * 50 * time), 0.0)
    signals = {
        "bulk_voltage": Signal("bulk_voltage", "V", "across the bulk", "voltage", "0", bulk),
        "line_voltage": Signal("line_voltage", "V", "of the line", "voltage", "neutral", 325 * line),
        "line_current": Signal("line_current", "A", "into the supply", "current", "", 2 * line),
        "thermistor_temperature": Signal("thermistor_temperature", "degC", "", "temperature", "", 25 + 100 * time),
    }
    return Run(
        **{"case_id": run_id(text), "status": "ok", "axis": Axis("time", "s", time), "signals": signals} | changed
    )


def failed_run(
    text: str = "bad", status: Any = "failed", log: tuple[str, ...] = ("timestep: too small", "more")
) -> Run:
    """A run that left its log."""
    return Run(run_id(text), status, None, {}, log=log)


def stored(results: Path, run: Run | None = None, *, version: str = VERSION, **provenance: Any) -> Path:
    """A run put into a results folder with its metric as the program would write it; where it lies."""
    run = run or a_run()
    about = {
        "record": "kiln-900", "instance": "front_rectifier", "study": "holdup",
        "condition": "115 V 60 Hz, 900 W, 30 degC", "measure": RECIPE,
        "option_set": "event_final", "attempt": 1, "ngspice_version": "39",
    }  # fmt: skip
    metric = Metric("holdup_time", "bulk", HOLDUP, "s", (LINE_LOST_AT, LINE_LOST_AT + HOLDUP), LINE_LOST_AT + HOLDUP)
    metrics = (metric,) if run.status == "ok" else ()
    given = {key: value for key, value in {**about, **provenance}.items() if value is not None}
    return runs.write_run(results, run, metrics, postprocess_version=version, provenance=given, parameters={})
