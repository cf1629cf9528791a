"""Small runs of every sort, made without a simulator."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from harness.contracts import Axis, Metric, Run, Signal

METRICS = (
    Metric("inrush_peak", "BR1", 41.5, "A", (0.0, 0.02), 0.0051),
    Metric("ripple", "bulk Ω µ", 7.25, "V", (0.1, 0.12)),
)
PARAMETERS = {"bulk.capacitance": (470e-6, "F"), "ambient": (25.0, "°C")}
PROVENANCE = {"worker": "w1", "attempt": 2, "record": "kiln-900", "instance": "bulk", "deck": "* title\nR1 a 0 1Ω\n"}


def run_id(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def a_run(
    text: str = "one", samples: int = 2000, status: Any = "ok", values: Any = None, log: tuple[str, ...] = ("ok µ\n",)
) -> Run:
    """A run of two signals on uneven time steps [s], shape (samples,)."""
    random = np.random.default_rng(samples)
    time = np.cumsum(random.uniform(0.5e-8, 1.5e-8, samples))
    bulk = 325.0 + 7.0 * np.sin(2 * np.pi * 100.0 * time) + 1e-3 * random.normal(size=samples)
    signals = {
        "v(bulk)": Signal("v(bulk)", "V", "bulk capacitor, µ", "voltage", "0", bulk if values is None else values),
        "i(BR1)": Signal("i(BR1)", "A", "bridge", "current", "", random.normal(size=samples)),
    }
    return Run(run_id(text), status, Axis("time", "s", time), signals, {"duty": 0.1 + 0.2}, log)
