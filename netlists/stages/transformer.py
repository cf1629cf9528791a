"""A transformer as found, and its netlist: leakage in series, magnetising inductance, ideal windings behind it.

Nodes; w is a winding of the secondary side, its start and end given by the stage::

    PLUS - primary resistance - leakage - magnetised - (magnetising inductance beside ideal windings) - MINUS
    winding w: end - ideal voltage, v(magnetised) / ratio - sensed - winding resistance - START

Two windings on one core have three numbers: both inductances and their coupling. What is measured is the primary's
inductance L with the secondaries open and its leakage Lk with them shorted. Equivalent at its terminals, with all
leakage on the primary side: Lk in series, L - Lk magnetising, and an ideal ratio of n sqrt(1 - Lk / L) for a turns
ratio n. Assumes that the inductances of both sides are as their turns squared, as on a common path of flux. Left out:
leakage between secondaries, winding capacitance, core loss, saturation (the flux is reported instead).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from PySpice.Spice.Netlist import Netlist

from netlists import devices
from netlists.decktext import name, node, number
from netlists.errors import OptionError
from netlists.parameters import check, parameter
from netlists.periodic import State


@dataclass(frozen=True, slots=True)
class Winding:
    """One winding of the secondary side; a half of it where it is tapped."""

    ratio: float = parameter("1", "primary turns over turns of this winding, of one half where tapped", gt=0)
    resistance: float = parameter("ohm", "of this winding, of one half where tapped", gt=0)

    def __post_init__(self) -> None:
        check(self)


@dataclass(frozen=True, slots=True)
class Transformer:
    """Inductances are seen from the primary."""

    designator: str
    windings: tuple[Winding, ...]
    primary_inductance: float = parameter("H", "with the secondaries open", gt=0)
    leakage_inductance: float = parameter("H", "with the secondaries shorted", gt=0)
    primary_resistance: float = parameter("ohm", "", gt=0)

    def __post_init__(self) -> None:
        check(self)
        if not self.windings:
            raise OptionError("Transformer.windings: needs at least one")
        if self.leakage_inductance >= self.primary_inductance:
            raise OptionError(
                f"Transformer.leakage_inductance: must be < primary_inductance of {self.primary_inductance:g} H, "
                f"found {self.leakage_inductance:g} H"
            )

    @property
    def magnetising_inductance(self) -> float:
        """Of the equivalent with all leakage on the primary side [H]."""
        return self.primary_inductance - self.leakage_inductance

    @property
    def coupling(self) -> float:
        """Coupling coefficient of primary and secondary."""
        return math.sqrt(1 - self.leakage_inductance / self.primary_inductance)

    def ideal_ratio(self, winding: Winding) -> float:
        """Ratio of the equivalent's ideal winding."""
        return winding.ratio * self.coupling


def transformer(netlist: Netlist, tag: str, plus: str, minus: str, part: Transformer) -> None:
    """The primary with its leakage and magnetising inductance; windings are added by ``winding``.

    Its current is that of ``sense_primary_<tag>``, the magnetising one that of the inductance ``magnetising_<tag>``.
    """
    devices.current_sense(netlist, f"sense_primary_{tag}", plus, f"sensed_primary_{tag}")
    devices.resistor(netlist, f"primary_{tag}", f"sensed_primary_{tag}", f"wound_{tag}", part.primary_resistance)
    devices.inductance(netlist, f"leakage_{tag}", f"wound_{tag}", f"magnetised_{tag}", part.leakage_inductance)
    devices.inductance(netlist, f"magnetising_{tag}", f"magnetised_{tag}", minus, part.magnetising_inductance)


def winding(
    netlist: Netlist, device: str, tag: str, start: str, end: str, minus: str, part: Transformer, which: Winding
) -> None:
    """An ideal winding with its resistance: v(start, end) follows the primary's, dot at its start.

    Parameters
    ----------
    device : of its own name;  tag : of the transformer;  minus : the primary's end, as given to ``transformer``

    Its current, out of its start, is that of ``sense_<device>``.
    """
    ratio = part.ideal_ratio(which)
    induced, sensed = f"induced_{device}", f"sensed_{device}"
    netlist.VCVS(name(device), node(induced), node(end), f"magnetised_{tag}", node(minus), number(1 / ratio))
    devices.current_sense(netlist, f"sense_{device}", induced, sensed)
    devices.resistor(netlist, device, sensed, start, which.resistance)
    netlist.CCCS(name(device), f"magnetised_{tag}", node(minus), f"vsense_{device}", number(1 / ratio))


def leakage_state(prefix: str, tag: str, unknown: str = "") -> State:
    """The leakage inductance's current: the primary's."""
    device = f"l.{prefix}.lleakage_{tag}"
    return State(device, f"{device}#branch", unknown=unknown, place=f"leakage {tag}")


def magnetising_state(prefix: str, tag: str) -> State:
    """The magnetising current, an unknown of its own."""
    device = f"l.{prefix}.lmagnetising_{tag}"
    return State(device, f"{device}#branch", unknown=f"magnetising {tag}")
