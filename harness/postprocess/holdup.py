"""How long the bulk carries the load after the line is lost."""

from __future__ import annotations

from harness.contracts import FloatArray, Metric
from harness.postprocess.waveform import crossing_below


def holdup_time(
    subject: str, time: FloatArray, bulk_voltage: FloatArray, line_lost_at: float, end_voltage: float
) -> Metric | None:
    """From the loss of the line [s] to the bulk at ``end_voltage`` [V]; None where it never falls that far.

    The bulk voltage is that across the capacitors with their ESR, as the converter sees it.
    """
    ended = crossing_below(time, bulk_voltage, end_voltage, line_lost_at)
    if ended is None:
        return None
    return Metric("holdup_time", subject, ended - line_lost_at, "s", (line_lost_at, ended), ended)
