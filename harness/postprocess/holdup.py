"""How long the bulk carries the load after the line is lost."""

from __future__ import annotations

import numpy as np

from harness.contracts import FloatArray, Metric
from harness.postprocess.waveform import crossing_below

CUT_OUT = 0.01  # of the load's current when the line is lost: below, the undervoltage lock-out has opened


def holdup_time(
    subject: str,
    time: FloatArray,
    bulk_voltage: FloatArray,
    line_lost_at: float,
    end_voltage: float,
    load_current: FloatArray | None = None,
) -> Metric | None:
    """From the loss of the line [s] to the bulk at ``end_voltage`` [V], or to where the load cuts out before.

    None where neither comes about. The bulk voltage is that across the capacitors with their ESR, as the converter sees
    it; when the load cuts out it rises by what the ESR carried, and its lowest sample may lie above the cut-off.

    Parameters
    ----------
    load_current : of the converter, shape (n,) [A]; None: it is not looked at
    """
    ends = [crossing_below(time, bulk_voltage, end_voltage, line_lost_at)]
    if load_current is not None:
        carried = float(np.interp(line_lost_at, time, load_current))
        ends.append(crossing_below(time, load_current, CUT_OUT * carried, line_lost_at))
    found = [end for end in ends if end is not None]
    if not found:
        return None
    return Metric("holdup_time", subject, min(found) - line_lost_at, "s", (line_lost_at, min(found)), min(found))
