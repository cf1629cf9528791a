"""Ripple of a voltage over whole periods."""

from __future__ import annotations

import numpy as np

from harness.contracts import FloatArray, Metric
from harness.postprocess.waveform import window


def ripple(name: str, subject: str, time: FloatArray, voltage: FloatArray, start: float, stop: float) -> Metric:
    """Peak-to-peak ripple in the window [V]; the instant is that of the trough."""
    stretch, part = window(time, voltage, start, stop)
    return Metric(name, subject, float(np.ptp(part)), "V", (start, stop), float(stretch[int(np.argmin(part))]))


def trough(name: str, subject: str, time: FloatArray, voltage: FloatArray, start: float, stop: float) -> Metric:
    """Lowest voltage in the window [V] and its instant."""
    stretch, part = window(time, voltage, start, stop)
    index = int(np.argmin(part))
    return Metric(name, subject, float(part[index]), "V", (start, stop), float(stretch[index]))


def drift(name: str, subject: str, time: FloatArray, voltage: FloatArray, period: float) -> Metric:
    """Change of the voltage over the last period [V]: zero where it has settled."""
    start, stop = float(time[-1]) - period, float(time[-1])
    change = float(np.interp(stop, time, voltage) - np.interp(start, time, voltage))
    return Metric(name, subject, change, "V", (start, stop))
