"""Ideal buck and boost stages as linear equations, one set for each combination of what conducts.

The unknowns are z: the choke currents, the output capacitors' voltages, the feed's current and its capacitor's voltage
where there is a feed, and a 1 for the sources.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Topology = Literal["buck", "boost"]
Mode = Literal["on", "free", "idle"]


@dataclass(frozen=True)
class Capacitor:
    """One branch: capacitance [F] in series with its ESR [ohm], which may be 0 for one branch of an output."""

    capacitance: float
    esr: float = 0.0


@dataclass(frozen=True)
class Feed:
    """What a stage stands behind where its input is not stiff: R [ohm] and L [H] in series, then a capacitor."""

    resistance: float
    inductance: float
    capacitor: Capacitor


@dataclass(frozen=True)
class Circuit:
    """An ideal stage of ``phases`` equal phases, evenly spaced; values of one phase. SI units.

    Parameters
    ----------
    load_resistance : across the output;  capacitors : across the output, none is allowed
    switch_resistance : of the switch that the duty is of, closed
    free_resistance, free_drop : of what conducts while it is open
    synchronous : that conducts both ways; otherwise it is a diode and ends at no current
    """

    input_voltage: float
    frequency: float
    inductance: float
    load_resistance: float
    capacitors: tuple[Capacitor, ...] = ()
    phases: int = 1
    winding_resistance: float = 0.0
    switch_resistance: float = 0.0
    free_resistance: float = 0.0
    free_drop: float = 0.0
    synchronous: bool = False
    feed: Feed | None = None

    def __post_init__(self) -> None:
        if sum(part.esr == 0 for part in self.capacitors) > 1:
            raise ValueError("two output capacitors without ESR are one; give it as one")
        if self.phases > 1 and not self.winding_resistance + self.switch_resistance + self.free_resistance > 0:
            raise ValueError("phases without any resistance share their current in any way; give them some")

    @property
    def period(self) -> float:
        return 1 / self.frequency


@dataclass(frozen=True)
class Linear:
    """A stage with every phase in one mode: z' = matrix z, and each signal's row on z."""

    matrix: Array
    rows: dict[str, Array]


def linear(topology: Topology, circuit: Circuit, modes: tuple[Mode, ...]) -> Linear:
    """Kirchhoff's laws of a stage; z is the choke currents, output capacitors, feed current and capacitor, 1."""
    count, branches = circuit.phases, len(circuit.capacitors)
    unit = np.eye(count + branches + (2 if circuit.feed else 0) + 1)
    one, chokes = unit[-1], unit[:count]
    on, free = (chokes * np.array([[mode == wanted] for mode in modes]) for wanted in ("on", "free"))
    drawn, delivered = (np.sum(group, axis=0) for group in ((on, chokes) if topology == "buck" else (chokes, free)))
    out, into = _output(circuit, delivered, unit[count : count + branches])
    matrix = np.zeros_like(unit)
    source = circuit.input_voltage * one
    supply, fed, stored = source, drawn, 0 * one
    if circuit.feed:
        fed, part = unit[count + branches], circuit.feed.capacitor
        stored = fed - drawn
        supply = unit[count + branches + 1] + part.esr * stored
        matrix[count + branches] = (source - supply - circuit.feed.resistance * fed) / circuit.feed.inductance
        matrix[count + branches + 1] = stored / part.capacitance
    for phase, mode in enumerate(modes):
        across = _across(topology, circuit, mode, chokes[phase], (supply, out, one))
        matrix[phase] = across / circuit.inductance
    for branch, part in enumerate(circuit.capacitors):
        matrix[count + branch] = into[branch] / part.capacitance
    rows = {"output_voltage": out, "input_voltage": supply, "input_current": fed, "input_capacitor_current": stored}
    for name, group in (("choke", chokes), ("switch", on), ("diode", free), ("capacitor", into)):
        rows |= {f"{name}_current_{index}": row for index, row in enumerate(group)}
    return Linear(matrix, rows)


def _output(circuit: Circuit, delivered: Array, voltages: Array) -> tuple[Array, list[Array]]:
    """Rows of the output voltage and of each branch's current, of what is delivered and the capacitors' voltages."""
    bare = [branch for branch, part in enumerate(circuit.capacitors) if part.esr == 0]
    conductances = [0.0 if part.esr == 0 else 1 / part.esr for part in circuit.capacitors]
    if bare:
        out = voltages[bare[0]]
    else:
        pulled = delivered + sum(g * v for g, v in zip(conductances, voltages, strict=True))
        out = pulled / (1 / circuit.load_resistance + sum(conductances))
    into = [g * (out - v) for g, v in zip(conductances, voltages, strict=True)]
    if bare:
        into[bare[0]] = delivered - out / circuit.load_resistance - sum(into)
    return out, into


def _across(topology: Topology, circuit: Circuit, mode: Mode, choke: Array, nodes: tuple[Array, Array, Array]) -> Array:
    """Row of the voltage across a choke's inductance."""
    supply, out, one = nodes
    if mode == "idle":
        return 0 * one
    if mode == "on":
        lost = (circuit.winding_resistance + circuit.switch_resistance) * choke
        return supply - lost - (out if topology == "buck" else 0 * one)
    lost = (circuit.winding_resistance + circuit.free_resistance) * choke + circuit.free_drop * one
    return (supply if topology == "boost" else 0 * one) - lost - out
