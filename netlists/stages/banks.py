"""Capacitors as found: identical pieces in series and parallel, and the branch they make together."""

from __future__ import annotations

from dataclasses import dataclass

from PySpice.Spice.Netlist import Netlist

from netlists import devices
from netlists.parameters import check, count, parameter


@dataclass(frozen=True, slots=True)
class Bank:
    """Identical capacitors: ``series`` of them in a string, ``parallel`` strings; values of one piece."""

    designator: str
    capacitance: float = parameter("F", "one piece", gt=0)
    esr: float = parameter("ohm", "one piece at the frequency it works at", gt=0)
    parallel: int = count("strings in parallel")
    series: int = count("pieces in a string")
    esl: float | None = parameter("H", "one piece", gt=0, default=None)

    def __post_init__(self) -> None:
        check(self)


def bank_branch(netlist: Netlist, device: str, plus: str, part: Bank, start: float = 0.0) -> None:
    """All pieces of a bank as one branch to ground, charged to ``start`` [V]."""
    devices.capacitor_with_esr(
        netlist, device, plus, "0", part.capacitance * part.parallel / part.series,
        part.esr * part.series / part.parallel, start,
        None if part.esl is None else part.esl * part.series / part.parallel,
    )  # fmt: skip
