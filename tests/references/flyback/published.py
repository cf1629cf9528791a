"""A published 60 W flyback predicted from its parts as printed, beside what its makers measured.

Source: Infineon Technologies, application note AN_1806_PL83_1807_101936, V1.0 (read). Run this file to write the table
of README.md anew: ``PYTHONPATH=.:tests .venv/bin/python tests/references/flyback/published.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import steady

from harness.plan.flyback_bench import flyback_layout
from harness.postprocess.switching import measure_steady
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.flyback_params import Clamp, Params, Secondary
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Strays, Switch
from netlists.stages.transformer import Transformer, Winding

README = Path(__file__).with_name("README.md")
BEGIN, END = "<!-- table: published.py writes it -->", "<!-- end of table -->"
INDUCTANCE = 120e-6  # printed
LEAKAGES = (0.01, 0.015, 0.02)  # of it; not printed, assumed: low, nominal, high
BRIDGE_DROP = 2.0  # of both diodes; assumed [V]


@dataclass(frozen=True)
class Published:
    """A number of the application note at full load, and what is allowed between it and the prediction."""

    metric: str
    what: str
    line: float
    value: float
    unit: str
    bound: float


MEASURED = (
    Published("magnetising_current_peak", "peak primary current", 85.0, 3.34, "A", 0.05),
    Published("magnetising_current_peak", "peak primary current", 300.0, 3.34, "A", 0.05),
    Published("switch_voltage_peak", "drain peak", 85.0, 334.0, "V", 0.08),
    Published("switch_voltage_peak", "drain peak", 300.0, 664.0, "V", 0.08),
)


def params(leakage: float) -> Params:
    """The supply's converter. Printed unless a comment says assumed; ``leakage`` as a share of the inductance."""
    winding = Winding(24 / 4, 6e-3)  # assumed: litz of 120 x 38, some 30 cm
    output = Output("output", (Bank("C8", 470e-6, 40e-3),), 12.0, 5.0)  # assumed: ESR
    secondary = Secondary(
        output,
        winding,
        Diode("D8", 0.75, 15.0, 8e-3, 400e-12),  # assumed: a Schottky diode of 30 A, 200 V
        (Bank("C7", 1500e-6, 18e-3, parallel=2),),  # assumed: ESR
        Choke("L2", 2.2e-6, 5e-3),  # assumed: winding
    )
    clamp = Clamp(
        Diode("D6", 1.3, 1.0, 0.2, 15e-12),  # assumed: an ultrafast diode of 1 A
        "C6", "R6", 1.5e-9, 24e3, resistors_series=2,
    )  # fmt: skip
    return Params(
        "fixed_frequency",
        Switch("Q1", 0.6, 70e-12),  # assumed: output capacitance, 50 to 120 pF
        Transformer("T1", (winding,), INDUCTANCE, leakage * INDUCTANCE, 0.12),  # assumed: winding at 100 kHz
        clamp,
        (secondary,),
        Strays(25e-9, 5.0, 20e-9),  # assumed: nobody reads these off a board
        100e3,
        largest_duty=0.75,  # assumed; not reached
        sense_resistance=0.243,
        drain_capacitance=47e-12,
    )


def bus(line: float) -> float:
    """Crest of the line behind the bridge [V], where the drain peak is highest; the peak current hardly sees it."""
    return line * math.sqrt(2) - BRIDGE_DROP


def predicted(line: float, leakage: float) -> dict[str, float]:
    """Metric -> value at full load, simulated."""
    made = params(leakage)
    condition = Condition(bus(line), 0.0, 60.0, 25.0, supply="dc")
    run, _ = steady.settled("flyback", made, condition)
    layout = flyback_layout(made, condition, valley=False)
    return {
        metric.name: metric.value for metric in measure_steady(run, layout=layout) if metric.subject in ("T1", "Q1")
    }


def table() -> list[str]:
    """Rows of the table: published, predicted, error, and the prediction at both ends of the leakage assumed."""
    lines = [
        "| at full load | line | published | predicted | error | leakage 1 % / 2 % | bound |",
        "|--|--|--|--|--|--|--|",
    ]
    found = {(line, leakage): predicted(line, leakage) for line in (85.0, 300.0) for leakage in LEAKAGES}
    for one in MEASURED:
        low, nominal, high = (found[one.line, leakage][one.metric] for leakage in LEAKAGES)
        error = nominal / one.value - 1
        ends = f"{low:.4g} / {high:.4g} {one.unit} ({low / one.value - 1:+.1%} / {high / one.value - 1:+.1%})"
        miss = "" if abs(error) <= one.bound else ", missed"
        lines.append(
            f"| {one.what} | {one.line:g} V | {one.value:g} {one.unit} | {nominal:.4g} {one.unit} | {error:+.1%} "
            f"| {ends} | {one.bound:.0%}{miss} |"
        )
    return lines


def main() -> None:
    """Writes the table into README.md."""
    text = README.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    body = "\n".join(table())
    README.write_text(f"{before}{BEGIN}\n{body}\n{END}{after}", encoding="utf-8")
    print(body)


if __name__ == "__main__":
    main()
