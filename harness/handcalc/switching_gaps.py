"""How far a right simulation of a switching stage may lie from its hand calculation, and why; declared beforehand.

With it the metrics that both stages have alike.
"""

from __future__ import annotations

from harness.handcalc.expectation import Difference, Expectation
from netlists.stages.switching import Bank

Key = tuple[str, str]  # metric, subject

COURSE = "volt-second balance of straight pieces with all drops (method of Erickson, Maksimovic, ch. 2, 3; from memory)"
TRIANGLES = "exact mean, RMS and swing of straight pieces; edges by own state equations of the cell"
CELL = "own state equations of the commutation cell: loop, both output capacitances, gate law, constant choke current"
IMPEDANCE = "harmonics of the straight-pieced current times the impedance of all branches side by side, exact"

STRAIGHT = "resistances and drops at their mean current make the current's pieces straight here"
DUTY = Difference(-0.007, 0.007, f"{STRAIGHT}; ringing that outlasts one edge meets the next")
FREQUENCY = Difference(-0.02, 0.02, "the choke's ring before the turn-on is undamped, its edges in no time, here")
CHOKE_PEAK = Difference(-0.01, 0.01, STRAIGHT)
CHOKE_RIPPLE = Difference(-0.02, 0.02, f"{STRAIGHT}; edges are taken in no time at their middle")
CHOKE_RMS = Difference(-0.007, 0.007, STRAIGHT)
AVERAGE = Difference(-0.01, 0.01, "edges are solved with a constant choke current")
RMS = Difference(-0.01, 0.015, "of the ringing only the first swings are counted")
CAPACITOR_RMS = Difference(-0.015, 0.02, "edges in no time: neither their duration nor the loop's ringing counts")
OUTPUT_RIPPLE = Difference(-0.03, 0.03, f"{STRAIGHT}; an edge in no time stands for a smooth one")
OUTPUT_RIPPLE_ESL = Difference(
    -0.06, 0.06, "the banks' inductance shows the middle's ringing, its first swing alone here"
)
PROBED_RIPPLE = Difference(-0.05, 0.05, "edges in no time before a low pass whose period is no longer than they are")
INPUT_RIPPLE = Difference(-0.03, 0.03, "edges in no time; the bank's jump by its resistance carries their ringing")
INPUT_RIPPLE_ESL = Difference(
    -0.08, 0.08, "the bank's inductance turns the edge's slope into a spike; other phases stand still"
)
DRAWN = Difference(-0.02, 0.02, STRAIGHT)
DRAWN_SPIKE = Difference(
    -0.08, 0.08, "its highest value is the charging of capacitances at the turn-on, other phases at rest"
)
PLATEAU = Difference(-0.01, 0.01, "mean of the blocking time; where on it is read is open")
VOLTAGE_PEAK = Difference(-0.05, 0.05, "constant choke current; diodes conduct along a straight line, in no time")
CURRENT_PEAK = Difference(-0.03, 0.03, STRAIGHT)
CURRENT_SPIKE = Difference(-0.08, 0.08, "charging of the cell's capacitances at an edge, diodes along a straight line")
CANCELLED = Difference(-0.03, 0.03, "sum of equal phases; what is left of a cancellation is as exact as the duty")


def widened(difference: Difference, share: float, reason: str) -> Difference:
    """A difference made wider by a share to either side for one more reason."""
    if share <= 0:
        return difference
    return Difference(difference.low - share, difference.high + share, f"{difference.reason}; {reason}")


def voltages(
    kind: str, subject: str, plateau: float, peak: float, share: float = 0.0, reason: str = ""
) -> dict[Key, Expectation]:
    gap = widened(VOLTAGE_PEAK, share, reason)
    return {
        (f"{kind}_voltage_plateau", subject): Expectation(plateau, "V", COURSE, PLATEAU),
        (f"{kind}_voltage_peak", subject): Expectation(max(peak, plateau), "V", CELL, gap),
    }


def currents(
    kind: str, subject: str, whole: tuple[float, float, float], pieces: int, *, beside: bool = False
) -> dict[Key, Expectation]:
    """Average, RMS and peak of one piece of a place; ``beside``: a diode that only fills the dead times of a switch."""
    average, root, top = (value / pieces for value in whole)
    filling = Difference(-0.5, 0.5, "channel and diode share at the dead times' ends, where the gate's ramp lies")
    return {
        (f"{kind}_current_average", subject): Expectation(
            average, "A", TRIANGLES, filling if beside else AVERAGE, floor=0.01
        ),
        (f"{kind}_current_rms", subject): Expectation(
            root, "A", TRIANGLES, filling if beside else RMS, floor=0.01
        ),
        (f"{kind}_current_peak", subject): Expectation(
            top, "A", CELL, CURRENT_SPIKE, floor=0.01
        ),
    }  # fmt: skip


def cans(banks: tuple[Bank, ...], currents: list[float]) -> dict[Key, Expectation]:
    """Current of one can of every bank, from that of the whole bank [A RMS]."""
    return {
        ("capacitor_current_rms", bank.designator): Expectation(
            current / bank.parallel, "A", IMPEDANCE, CAPACITOR_RMS, 5e-3
        )
        for bank, current in zip(banks, currents, strict=False)
    }
