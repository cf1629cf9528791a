"""What the line delivers when it is switched on."""

from __future__ import annotations

from harness.contracts import FloatArray, Metric
from harness.postprocess.stress import peak
from harness.postprocess.waveform import integral_of_square, window


def inrush_peak(subject: str, time: FloatArray, line_current: FloatArray, stop: float) -> Metric:
    """Largest line current from switching on to ``stop`` [s], in A."""
    return peak("inrush_peak", subject, "A", time, line_current, float(time[0]), stop)


def inrush_i2t(subject: str, time: FloatArray, line_current: FloatArray, stop: float) -> Metric:
    """Integral of the squared line current from switching on to ``stop`` [s], in A2s.

    All charging half cycles count, so it is at least the I2t of the first one that ratings for one half sine state.
    """
    start = float(time[0])
    return Metric(
        "inrush_i2t", subject, integral_of_square(*window(time, line_current, start, stop)), "A2s", (start, stop)
    )
