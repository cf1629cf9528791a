"""A case: everything that decides what a simulation returns, and its identity."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass

from PySpice.Spice.Netlist import Circuit

from harness.contracts import Analysis, Transient
from netlists.decktext import deck_lines
from netlists.probe import Probe

# Raised whenever the same deck would give other numbers or other signal names.
SOLVER_VERSION = "1"


@dataclass(frozen=True, slots=True)
class OptionSet:
    """Options of ngspice under a name, with the reason for them."""

    text: str
    reason: str


OPTION_SETS: dict[str, OptionSet] = {
    "event_survey": OptionSet(
        "method=gear maxord=2 reltol=0.001 abstol=1e-06 vntol=0.0001 itl4=50",
        "line-side events in a wide search: 36 of 36 prototype variants converged, peaks within about 1 %",
    ),
    "event_final": OptionSet(
        "method=gear maxord=2 reltol=0.0001 abstol=1e-06 vntol=0.0001 trtol=1 itl4=50",
        "line-side events a verdict rests on: gear, since the trapezoidal rule rings where a rectifier turns off",
    ),
    "periodic_search": OptionSet(
        "method=trap reltol=0.0001 itl4=50", "shooting needs a smooth map: looser tolerances stall the search"
    ),
    "periodic_final": OptionSet(
        "method=trap reltol=0.0001 trtol=1 itl4=50", "final figures of a steady state: switch peaks to 3 %"
    ),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One simulation to run.

    Parameters
    ----------
    lines : checked deck lines without title and ``.end``
    probes : the signals to keep
    analysis : what is run
    option_set : name in ``OPTION_SETS``
    """

    lines: tuple[str, ...]
    probes: tuple[Probe, ...]
    analysis: Analysis
    option_set: str

    def identity(self, ngspice_version: str) -> str:
        """SHA-256, as 64 hexadecimal digits, of deck, analysis, option set, ngspice and solver version.

        Title, worker, attempt and the program's version are not in it: they do not change the result.
        """
        analysis = {"kind": type(self.analysis).__name__, **dataclasses.asdict(self.analysis)}
        content = json.dumps(
            [list(self.lines), analysis, self.option_set, ngspice_version, SOLVER_VERSION], sort_keys=True
        )
        return hashlib.sha256(content.encode()).hexdigest()


def transient_case(circuit: Circuit, probes: Sequence[Probe], analysis: Transient, option_set: str) -> Case:
    """A time-domain case of a bench circuit; DeckError where a line has no known form."""
    lines = deck_lines(
        circuit, OPTION_SETS[option_set].text, [probe.vector for probe in probes], analysis.max_step, analysis.stop
    )
    return Case(lines, tuple(probes), analysis, option_set)
