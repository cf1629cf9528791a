"""Hold-up of the kiln-900 supply over load, age of its bulk capacitors, and the corrector's set-point.

Copy this file and change record, axes and metrics. ``--quick`` asks lantern-65 once instead, which has no corrector.
"""

from __future__ import annotations

from typing import Any

import sweeping

from harness.batch import Ageing, Axis, Batch

END_OF_LIFE = Ageing(capacitance=0.8, esr=2.0)  # common practice, no source


def batch(quick: bool, **options: Any) -> Batch:
    """Hold-up from the line's worst instant of loss."""
    axes = [Axis("condition.load", [1.0] if quick else [0.5, 1.0]), Axis("ageing", [1] if quick else [0, 0.5, 1])]
    if quick:
        axes.append(Axis("condition.line", ["115 V"]))
        return Batch(
            sweeping.LANTERN, "mains_rectifier", ["holdup_time"], axes, ageing=END_OF_LIFE, name="holdup", **options
        )
    axes.append(Axis("stages.mains_rectifier.bus_setpoint"))
    return Batch(
        sweeping.KILN, "mains_rectifier", ["holdup_time"], axes, question="high_line: lowest line", ageing=END_OF_LIFE,
        name="holdup", **options,
    )  # fmt: skip


if __name__ == "__main__":
    sweeping.main(batch)
