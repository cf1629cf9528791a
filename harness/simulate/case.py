"""A case: everything that decides what a simulation returns, and its identity."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from PySpice.Spice.Netlist import Circuit

from harness.contracts import Analysis, FloatArray, Periodic, Transient
from netlists.decktext import check_lines, deck_lines, number, transient
from netlists.errors import DeckError
from netlists.probe import Probe

Numbers = Sequence[float] | FloatArray

# Raised whenever the same deck would give other numbers or other signal names.
SOLVER_VERSION = "3"

# ngspice allocates stop / max_step points of every vector before it starts: 8 GB for .tran 1n 1. A long line-side run
# has 1e5, a switching one 2e6; 5e6 points of 12 signals take 0.5 GB there and as much again here.
MOST_STEPS = 5_000_000
FINAL_PERIODS = 2  # of a found steady state; its figures are taken from the last


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
        "method=trap reltol=0.0001 abstol=0.0001 vntol=0.001 chgtol=1e-11 itl4=50",
        "shooting needs a smooth map, so reltol is tight; the absolute tolerances let ringing that has died down go, "
        "which otherwise takes 9 of 10 time steps",
    ),
    "periodic_search_pulsed": OptionSet(
        "method=trap reltol=0.0001 abstol=0.0001 vntol=0.001 chgtol=1e-11 trtol=2 itl4=50",
        "the same where a clamp's charge comes in a pulse of a few steps: with trtol at 7 it jumped by 1e-3 from run "
        "to run and was 2 % off, with 2 it scatters by 5e-5; more steps did not help",
    ),
    "periodic_final": OptionSet(
        "method=trap reltol=0.0001 abstol=1e-05 vntol=0.0001 chgtol=1e-12 trtol=1 itl4=50",
        "final figures of a steady state: switch peaks to 3 %",
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
    """A time-domain case of a bench circuit.

    Raises
    ------
    DeckError : a line has no known form, or the run would have more than ``MOST_STEPS`` steps
    """
    check_steps(analysis)
    lines = deck_lines(
        circuit, OPTION_SETS[option_set].text, [probe.vector for probe in probes], analysis.max_step, analysis.stop
    )
    return Case(lines, tuple(probes), analysis, option_set)


def periodic_case(
    circuit: Circuit, probes: Sequence[Probe], analysis: Periodic, option_set: str = "periodic_search"
) -> Case:
    """A case of a periodic steady state; its deck starts at the estimates, for one period.

    Parameters
    ----------
    option_set : of the search

    Raises
    ------
    DeckError : a line has no known form, or a state or gate is no device of the deck
    """
    period = 1 / analysis.frequency
    saved = list(dict.fromkeys([*(probe.vector for probe in probes), *analysis.vectors]))
    lines = deck_lines(circuit, OPTION_SETS[option_set].text, saved, period / analysis.steps_search, period)
    controls = [control.estimate for control in analysis.controls]
    return Case(_solved(lines, analysis, analysis.estimates, controls), tuple(probes), analysis, option_set)


def in_finer_steps(case: Case, times: int) -> Case:
    """The same case in time steps of a fraction of the length, for what its steps do to it.

    Raises
    ------
    DeckError : it then has more than ``MOST_STEPS`` steps
    """
    analysis = case.analysis
    finer: Analysis
    if isinstance(analysis, Transient):
        shorter = dataclasses.replace(analysis, max_step=analysis.max_step / times)
        check_steps(shorter)
        finer, line = shorter, transient(shorter.max_step, shorter.stop)
    elif isinstance(analysis, Periodic):
        search, final = analysis.steps_search * times, analysis.steps_final * times
        finer = dataclasses.replace(analysis, steps_search=search, steps_final=final)
        period = 1 / analysis.frequency
        line = transient(period / search, period)
    else:
        raise DeckError("a small-signal case has no time steps")
    lines = tuple(f".{line}" if one.startswith(".tran ") else one for one in case.lines)
    check_lines(lines)
    return dataclasses.replace(case, lines=lines, analysis=finer)


def final_lines(case: Case, state: Numbers, controls: Numbers, steps: int) -> tuple[str, ...]:
    """The deck of a found steady state: state and controls written in, the final options, ``FINAL_PERIODS`` periods."""
    analysis = case.analysis
    assert isinstance(analysis, Periodic)
    period = 1 / analysis.frequency_at(controls)
    changed = []
    for line in _solved(case.lines, analysis, state, controls):
        if line.startswith(".options "):
            changed.append(f".options {OPTION_SETS['periodic_final'].text}")
        elif line.startswith(".tran "):
            changed.append(f".{transient(period / steps, FINAL_PERIODS * period)}")
        else:
            changed.append(line)
    check_lines(changed)
    return tuple(changed)


def _solved(lines: Sequence[str], analysis: Periodic, state: Numbers, controls: Numbers) -> tuple[str, ...]:
    """Deck lines with initial conditions and pulses of a state and controls."""
    period = 1 / analysis.frequency_at(controls)
    endings = {
        store.device.rsplit(".", 1)[-1]: f"ic={number(value)}"
        for store, value in zip(analysis.states, state, strict=True)
    }
    for gate in analysis.gates:
        arguments = " ".join(number(value) for value in gate.pulse(period, controls[gate.control]))
        endings[gate.source.rsplit(".", 1)[-1]] = f"pulse({arguments})"
    changed, found = [], set()
    for line in lines:
        device = line.split(" ", 1)[0]
        if device not in endings:
            changed.append(line)
            continue
        if device in found:
            raise DeckError(f"device {device} stands twice in a deck whose states are solved for")
        found.add(device)
        changed.append(re.sub(r"(ic=\S+|pulse\(.*\))$", endings[device], line))
        if not changed[-1].endswith(endings[device]):
            raise DeckError(f"device {device} has neither an initial condition nor a pulse")
    if missing := set(endings) - found:
        raise DeckError(f"the deck has no device {min(missing)}")
    return tuple(changed)


def check_steps(analysis: Transient) -> None:
    """DeckError where an analysis has no positive times or more than ``MOST_STEPS`` steps."""
    for what, seconds in (("end time", analysis.stop), ("largest step", analysis.max_step)):
        if not (math.isfinite(seconds) and seconds > 0):
            raise DeckError(f"{what} of a run must be > 0 s, found {seconds:g} s")
    steps = analysis.stop / analysis.max_step
    if steps > MOST_STEPS:
        raise DeckError(
            f"a run of {analysis.stop:g} s in steps of {analysis.max_step:g} s has {steps:.3g} of them, "
            f"at most {MOST_STEPS:g} fit into memory: run it shorter or in larger steps"
        )
