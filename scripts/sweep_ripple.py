"""Ripple of the kiln-900's 5 V rail as capacitors of its output are lost, one after the other, warm and cold.

Copy this file and change record, axes and metrics. At -25 degC a wet electrolytic has 5 to 10 times the ESR it has at
20 degC (common practice, no source); this rail's cans are polymer, whose ESR hardly moves: the factors show what would
be if somebody had replaced them by wet ones.
"""

from __future__ import annotations

from typing import Any

import sweeping

from harness.batch import Axis, Batch

CANS = "stages.logic_5v.parts.C40"


def batch(quick: bool, **options: Any) -> Batch:
    """Ripple at the bank, at the load through the desktop guide's probe, and what each can left has to carry."""
    axes = [Axis(f"{CANS}.parallel", [2, 1])]
    if quick:
        return Batch(sweeping.KILN, "logic_5v", ["output_ripple"], axes, name="ripple", **options)
    axes += [Axis(f"{CANS}.esr", factors=[1, 5, 10]), Axis("condition.load", [0.1, 0.5, 1.0])]
    metrics = ["output_ripple", "output_ripple_probe", "capacitor_current_rms"]
    return Batch(sweeping.KILN, "logic_5v", metrics, axes, name="ripple", **options)


if __name__ == "__main__":
    sweeping.main(batch)
