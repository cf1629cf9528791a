"""Inrush of the kiln-900 supply over line, switch-on angle, temperature and the relay's closing time.

Copy this file and change record, axes and metrics. ``--quick`` takes two levels an axis and less of them.
"""

from __future__ import annotations

from typing import Any

import sweeping

from harness.batch import Axis, Batch

RELAY = "stages.mains_rectifier.parts.K1.closing_delay"


def batch(quick: bool, **options: Any) -> Batch:
    """The line's current cold at every angle, and its second peak where the relay closes over the thermistor."""
    if quick:
        axes = [Axis("condition.line", ["230 V"]), Axis("condition.angle", [0, 90])]
        return Batch(sweeping.KILN, "mains_rectifier", ["inrush_peak"], axes, name="inrush", **options)
    axes = [
        Axis("condition.line", ["200 V", "230 V", "264 V"]),
        Axis("condition.angle", start="0 deg", stop="165 deg", count=12),
        Axis("condition.ambient"),
        Axis(RELAY),
    ]
    metrics = ["inrush_peak", "inrush_i2t", "relay_closing_peak"]
    return Batch(
        sweeping.KILN, "mains_rectifier", metrics, axes, question="high_line: highest line", name="inrush",
        keep="failed_and_worst", **options,
    )  # fmt: skip


if __name__ == "__main__":
    sweeping.main(batch)
