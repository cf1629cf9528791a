"""Peak voltages of the kiln-900's 5 V switches over what nobody reads off a board: stray inductance and dead time.

Copy this file and change record, axes and metrics.
"""

from __future__ import annotations

from typing import Any

import sweeping

from harness.batch import Axis, Batch

RAIL = "stages.logic_5v"


def batch(quick: bool, **options: Any) -> Batch:
    """Peak and plateau of both places of the leg."""
    metrics = ["switch_voltage_peak", "switch_voltage_plateau"]
    stray = Axis(f"{RAIL}.loop_inductance", start="3n", stop="8n", count=2 if quick else 6)
    dead = Axis(f"{RAIL}.dead_time_rising", ["25n"] if quick else [])
    return Batch(sweeping.KILN, "logic_5v", metrics, [stray, dead], name="stress", **options)


if __name__ == "__main__":
    sweeping.main(batch)
