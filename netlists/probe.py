"""A probe: what is kept of a simulation, under a name of ours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Probe:
    """One vector of ngspice and what it means.

    Parameters
    ----------
    name : the signal's name in the run file
    vector : the simulator's name of it
    reference_node : node a voltage is measured against
    """

    name: str
    vector: str
    unit: Literal["V", "A", "degC"]
    doc: str
    quantity: Literal["voltage", "current", "temperature"]
    reference_node: str = ""
