"""The 240 W half-bridge LLC of a published design manual: frequencies predicted from its printed tank, and fitted.

Source: NXP Semiconductors, design reference manual DRM172, Rev. 1, 10/2020 (read). What it does not print is assumed
here with a range, each said so. ``python tests/references/llc/published_llc.py``, with the project's root in
PYTHONPATH, writes the table of errors into README.md beside it, misses included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

from harness.handcalc import llc as hand
from harness.plan import llc_bench
from harness.plan.switching_measures import measure_steady
from harness.simulate import periodic
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.llc import Params
from netlists.stages.outputs import Output
from netlists.stages.switching import Strays, Switch
from netlists.stages.transformer import Transformer, Winding

# Printed.
RAIL, CURRENT, POWER = 12.0, 20.0, 240.0
RESONANT = Bank("C20", 10e-9, 10e-3, parallel=2)  # 2 x 10 nF to each rail; ESR assumed, 5 to 30 mohm
LEAKAGE, MAGNETISING, TURNS = 52e-6, 208e-6, 32.0 / 2.0
LEG_RESISTANCE, SHUNT = 5e-3, 1e-3
LOWEST, HIGHEST = 70e3, 250e3
# Measured: bus [V] and output current [A] -> frequency [Hz]; those at 10 A were read off a graph to 0.5 kHz.
MEASURED = {(380.0, 20.0): 141.8e3, (330.0, 20.0): 111.9e3, (380.0, 10.0): 166.4e3, (330.0, 10.0): 117.3e3}
RIPPLE = 0.182  # peak to peak at 380 V, 20 A [V]

# Assumed: nominal, and the range it may lie in. Common practice, no source.
ASSUMED = {
    "bridge_on": (0.2, 0.1, 0.4),  # ohm, a 600 V switch of this size
    "bridge_capacitance": (120e-12, 60e-12, 250e-12),
    "dead_time": (300e-9, 200e-9, 500e-9),
    "primary_resistance": (0.1, 0.05, 0.2),  # 32 turns on an ETD44
    "rectifier_on": (2e-3, 1e-3, 4e-3),  # one of two in a leg
    "rectifier_capacitance": (1.2e-9, 0.6e-9, 2e-9),  # the same
    "electrolytic_esr": (16e-3, 10e-3, 25e-3),  # one of 6 x 2700 uF 16 V, low impedance, at 100 kHz and 20 degC
    "ceramic_capacitance": (8e-6, 5e-6, 12e-6),  # one of 3 x 15 uF, under 12 V
    "ceramic_esr": (3e-3, 2e-3, 6e-3),
}


@dataclass(frozen=True)
class Tank:
    """What the fit moves: inductances seen from the primary, and the ideal ratio behind them."""

    series: float
    magnetising: float
    ratio: float


# The printed tank read in two ways. As the manual's own gain formula takes it, the turns ratio stands behind 52 and 208
# uH. As a transformer whose primary measures 260 uH with the secondaries open and 52 uH with them shorted, its ideal
# ratio is the turns ratio times the coupling.
AS_DRAWN = Tank(LEAKAGE, MAGNETISING, TURNS)
AS_MEASURED = Tank(LEAKAGE, MAGNETISING, TURNS * math.sqrt(MAGNETISING / (MAGNETISING + LEAKAGE)))


def assumed(name: str, end: int = 0) -> float:
    """An assumed value: nominal, or its low (1) or high (2) end."""
    return ASSUMED[name][end]


def params_of(tank: Tank, esr: float | None = None) -> Params:
    """The converter with a tank; ``esr`` of one electrolytic [ohm]."""
    whole = tank.series + tank.magnetising
    winding = Winding(tank.ratio / math.sqrt(tank.magnetising / whole), LEG_RESISTANCE)
    electrolytic = assumed("electrolytic_esr") if esr is None else esr
    banks = (
        Bank("C30", 2700e-6, electrolytic, parallel=6),
        Bank("C36", assumed("ceramic_capacitance"), assumed("ceramic_esr"), parallel=3),
    )
    return Params(
        bridge="half",
        secondary="centre_tapped",
        rectification="synchronous",
        switch=Switch("Q1", assumed("bridge_on"), assumed("bridge_capacitance")),
        resonant=(RESONANT,),
        split=(replace(RESONANT, designator="C22"),),
        transformers=(Transformer("T1", (winding,), whole, tank.series, assumed("primary_resistance")),),
        output=Output("rail", banks, RAIL, CURRENT, SHUNT),
        strays=Strays(5e-9, 4.0, 15e-9),
        lowest_frequency=LOWEST,
        highest_frequency=HIGHEST,
        dead_time=assumed("dead_time"),
        synchronous=Switch("Q3", assumed("rectifier_on"), assumed("rectifier_capacitance"), parallel=2),
        turn_on_delay=100e-9,
        turn_off_lead=60e-9,
        least_on_time=300e-9,
    )


def condition_of(bus: float, current: float) -> Condition:
    return Condition(bus, 0.0, RAIL * current, 25.0, supply="dc", load_fraction=current / CURRENT)


def by_hand(tank: Tank, point: tuple[float, float]) -> float:
    """Frequency at a bus and an output current [Hz]; ArithmeticError where it is out of the controller's reach."""
    return hand.solve(params_of(tank), condition_of(*point)).frequency


def simulated(tank: Tank, point: tuple[float, float], esr: float | None = None) -> tuple[float, float]:
    """Frequency [Hz] and output ripple [V] at a bus and an output current."""
    case, layout = llc_bench.case(params_of(tank, esr), condition_of(*point), "steady")
    run = periodic.settle(case, "published").run
    found = {metric.name: metric.value for metric in measure_steady(run, layout=layout)}
    return found["switching_frequency"], found["output_ripple"]


def fitted(points: tuple[tuple[float, float], ...], start: Tank = AS_MEASURED, unknowns: int = 3) -> Tank:
    """The tank whose frequencies at some points are the measured ones, least squares of the relative misses.

    Parameters
    ----------
    unknowns : of series inductance, magnetising inductance, ideal ratio in turn; the others stay at the start's
    """
    known = np.array([start.series, start.magnetising, start.ratio])

    def misses(logs: np.ndarray) -> np.ndarray:
        values = known.copy()
        values[:unknowns] *= np.exp(logs)
        tank = Tank(*values)
        return np.array([by_hand(tank, point) / MEASURED[point] - 1 for point in points])

    found = least_squares(misses, np.zeros(unknowns), diff_step=1e-3, x_scale=0.1, bounds=(-0.5, 0.5))
    values = known.copy()
    values[:unknowns] *= np.exp(found.x)
    return Tank(*values)


def left_out(point: tuple[float, float], **more: int) -> tuple[Tank, float]:
    """A tank fitted to the three other frequencies, and by how much it misses the one left out."""
    tank = fitted(tuple(one for one in MEASURED if one != point), **more)
    return tank, by_hand(tank, point) / MEASURED[point] - 1


def percent(value: float) -> str:
    return f"{100 * value:+.1f} %"


def row(*cells: str) -> str:
    return "| " + " | ".join(cells) + " |"


def heading(*cells: str) -> list[str]:
    return [row(*cells), "|" + "--|" * len(cells)]


POINTS = tuple(f"{bus:.0f} V, {current:.0f} A" for bus, current in MEASURED)


def blind_table() -> list[str]:
    """Both readings of the printed tank, by hand and simulated, against what was measured."""
    lines = heading("printed tank, not tuned", *POINTS)
    lines.append(row("measured", *(f"{value / 1e3:.1f} kHz" for value in MEASURED.values())))
    for name, tank in (("turns ratio behind the leakage", AS_DRAWN), ("turns ratio times coupling", AS_MEASURED)):
        for kind, frequency in (("by hand", by_hand), ("simulated", lambda t, p: simulated(t, p)[0])):
            misses = [percent(frequency(tank, point) / MEASURED[point] - 1) for point in MEASURED]
            lines.append(row(f"{name}, {kind}", *misses))
    return lines


def fit_table() -> tuple[list[str], Tank]:
    """Tanks fitted to all four frequencies and to three of them, what each misses, and the first."""
    lines = heading("fitted to", "series, uH", "magnetising, uH", "ideal ratio", *POINTS)
    for unknowns in (2, 3):
        for left in (None, *MEASURED):
            tank = fitted(tuple(one for one in MEASURED if one != left), unknowns=unknowns)
            misses = [
                percent(by_hand(tank, one) / MEASURED[one] - 1) + (" *" if one == left else "") for one in MEASURED
            ]
            name = f"{'all four' if left is None else 'three'}, {unknowns} unknowns"
            lines.append(
                row(name, f"{tank.series * 1e6:.1f}", f"{tank.magnetising * 1e6:.0f}", f"{tank.ratio:.2f}", *misses)
            )
    return lines, fitted(tuple(MEASURED))


def checked_table(tank: Tank) -> list[str]:
    """The tank fitted to all four, simulated: frequencies, and ripple over the range assumed for the ESR."""
    lines = heading("simulated, fitted tank", *POINTS)
    lines.append(row("frequency", *(percent(simulated(tank, one)[0] / MEASURED[one] - 1) for one in MEASURED)))
    lines.append("")
    lines += heading("ripple at 380 V, 20 A", "ESR of one electrolytic, assumed", "simulated", "of 182 mV measured")
    for end, name in enumerate(("nominal", "low", "high")):
        esr = assumed("electrolytic_esr", end)
        ripple = simulated(tank, (380.0, 20.0), esr)[1]
        lines.append(row(name, f"{esr * 1e3:.0f} mohm", f"{ripple * 1e3:.0f} mVpp", percent(ripple / RIPPLE - 1)))
    return lines


def main() -> None:
    """Writes the tables into README.md, between its marks."""
    file = Path(__file__).with_name("README.md")
    before, _, rest = file.read_text(encoding="utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    fits, tank = fit_table()
    tables = [*blind_table(), "", *fits, "", *checked_table(tank)]
    file.write_text(before + BEGIN + "\n" + "\n".join(tables) + "\n" + END + after, encoding="utf-8")


BEGIN, END = "<!-- tables of published_llc.py -->", "<!-- end of tables -->"

if __name__ == "__main__":
    main()
