"""The kiln-900's LLC converter over its bus and load: frequency, primary current, soft switching.

Copy this file and change record, axes and metrics. Where the controller would burst there is no steady state, and the
row says so.
"""

from __future__ import annotations

from typing import Any

import sweeping

from harness.batch import Axis, Batch

BUS = "stages.main_24v.input_voltage"


def batch(quick: bool, **options: Any) -> Batch:
    """Seen at the nominal input's question, whose bus is the axis."""
    metrics = ["switching_frequency", "primary_current_rms", "soft_switching_margin", "output_ripple"]
    bus = Axis(BUS, start="384 V" if quick else "340 V", stop="396 V" if quick else "410 V", count=2 if quick else 8)
    load = Axis("condition.load", [1.0] if quick else [0.25, 0.5, 0.75, 1.0])
    return Batch(sweeping.KILN, "main_24v", metrics, [load, bus], name="llc", **options)


if __name__ == "__main__":
    sweeping.main(batch)
