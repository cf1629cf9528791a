"""How far a right simulation of a switching stage may lie from its hand calculation, and why; declared beforehand.

With it the metrics that both stages have alike.
"""

from __future__ import annotations

import math

from harness.handcalc.expectation import Difference, Expectation
from netlists.stages.banks import Bank

Key = tuple[str, str]  # metric, subject

COURSE = "volt-second balance of straight pieces with all drops (method of Erickson, Maksimovic, ch. 2, 3; from memory)"
TRIANGLES = "exact mean, RMS and swing of straight pieces; edges by own state equations of the cell"
CELL = "own state equations of the commutation cell: loop, both output capacitances, gate law, constant choke current"
IMPEDANCE = "harmonics of the straight-pieced current times the impedance of all branches side by side, exact"

STRAIGHT = "resistances and drops at their mean current make the current's pieces straight here"
DUTY = Difference(-0.007, 0.007, f"{STRAIGHT}; ringing that outlasts one edge meets the next")
FREQUENCY = Difference(-0.02, 0.02, "the choke's ring before the turn-on is stepped, its edges in no time, here")
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
BUS_RIPPLE = Difference(
    -0.08,
    0.05,
    "the edges' extremes are taken to meet the ripple's own; the loop's ringing and other phases spread them",
)
BUS_RIPPLE_ESL = Difference(
    -0.12, 0.10, "the bank's inductance turns the edge's slope into a spike, at the ripple's extreme here"
)
MOST_BLUR = 0.5  # a small capacitor beside a large one sees more ringing than ripple; nobody calculates that by hand
DRAWN = Difference(-0.03, 0.03, "edges in no time, no ringing of the loop")
PLATEAU = Difference(-0.01, 0.01, "mean while it blocks here, median where it is measured")
VOLTAGE_PEAK = Difference(-0.05, 0.05, "constant choke current; diodes conduct along a straight line, in no time")
RING = "the choke's ring decides from which voltage and current the turn-on begins"
CURRENT_SPIKE = Difference(-0.08, 0.08, "charging of the cell's capacitances at an edge, diodes along a straight line")
CANCELLED = Difference(-0.03, 0.03, "sum of equal phases; what is left of a cancellation is as exact as the duty")


def widened(difference: Difference, share: float, reason: str) -> Difference:
    """A difference made wider by a share to either side for one more reason."""
    if share <= 0:
        return difference
    return Difference(difference.low - share, difference.high + share, f"{difference.reason}; {reason}")


def ringing_square(voltage: float, capacitance: float, inductance: float, quality: float) -> float:
    """Time-integral of the square of a loop's ringing current [A2s], which edges in no time leave out.

    Half of C V^2 rings down in a resonance of quality Q: with i^2 L / 2 half of the energy on average, the integral is
    E Q sqrt(C / L), E = C V^2 / 2. An upper bound where the edge is slow against the ringing.
    """
    return 0.5 * capacitance * voltage**2 * quality * math.sqrt(capacitance / inductance)


def blurred(difference: Difference, edges: float, square: float, root: float) -> Difference:
    """A difference of an RMS or a swing, widened by what its edges in no time leave out.

    Parameters
    ----------
    edges : switching time over the shortest stretch between edges
    square : mean square of the ringing [A2];  root : the RMS it adds to [A]
    """
    ringing = min(math.sqrt(1 + square / max(root, 1e-9) ** 2) - 1, MOST_BLUR)
    reason = f"{difference.reason}; edges take up to {edges:.1%} of the pulse, ringing adds up to {ringing:.1%}"
    return Difference(difference.low - edges, difference.high + edges + ringing, reason)


def voltages(
    kind: str, subject: str, plateau: float, peak: float, share: float = 0.0, reason: str = ""
) -> dict[Key, Expectation]:
    gap = widened(VOLTAGE_PEAK, share, reason)
    return {
        (f"{kind}_voltage_plateau", subject): Expectation(plateau, "V", COURSE, PLATEAU),
        (f"{kind}_voltage_peak", subject): Expectation(max(peak, plateau), "V", CELL, gap),
    }


def currents(
    kind: str,
    subject: str,
    whole: tuple[float, float, float],
    pieces: int,
    blur: tuple[float, float] = (0.0, 0.0),
    ring: float = 0.0,
    *,
    beside: bool = False,
) -> dict[Key, Expectation]:
    """Average, RMS and peak of one piece of a place.

    Parameters
    ----------
    blur : ``edges`` and ``square`` of ``blurred``, of the whole place
    ring : share of the peak that the choke's ring leaves open
    beside : a diode that only fills the dead times of a switch
    """
    average, root, top = (value / pieces for value in whole)
    filling = Difference(-0.5, 0.5, "channel and diode share at the dead times' ends, where the gate's ramp lies")
    return {
        (f"{kind}_current_average", subject): Expectation(
            average, "A", TRIANGLES, filling if beside else blurred(AVERAGE, blur[0], 0.0, 1.0), floor=0.01
        ),
        (f"{kind}_current_rms", subject): Expectation(
            root, "A", TRIANGLES, filling if beside else blurred(RMS, *blur, whole[1]), floor=0.01
        ),
        (f"{kind}_current_peak", subject): Expectation(
            top, "A", CELL, widened(CURRENT_SPIKE, ring, RING), floor=0.01
        ),
    }  # fmt: skip


def cans(
    banks: tuple[Bank, ...], currents: list[float], blur: tuple[float, float] = (0.0, 0.0)
) -> dict[Key, Expectation]:
    """Current of one can of every bank, from that of the whole bank [A RMS]; ``blur`` as in ``currents``."""
    return {
        ("capacitor_current_rms", bank.designator): Expectation(
            current / bank.parallel, "A", IMPEDANCE, blurred(CAPACITOR_RMS, *blur, current), 5e-3
        )
        for bank, current in zip(banks, currents, strict=False)
    }


INTERVALS = Difference(0.0, 9.0, "a ring may let the body diode conduct once more")
ALONE = Difference(0.0, 0.0, "straight pieces and tanks have one operation; a ring can add another")


def counted(designator: str, source: str) -> dict[Key, Expectation]:
    """Conduction intervals of a synchronous rectifier a period, and operations its edges and currents fit in."""
    return {
        ("conduction_intervals", designator): Expectation(1.0, "1", source, INTERVALS),
        ("rectifier_branches", designator): Expectation(1.0, "1", source, ALONE),
    }
