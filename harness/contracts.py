"""The frozen data that rooms of the harness hand to each other. Imports nothing else of the harness.

A room that produces a Run or a Metric and a room that stores it may not import each other; both import this.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from netlists.periodic import Gate, Level, Rectifier, State
from netlists.probe import Probe

FloatArray = NDArray[np.float64]

Status = Literal["ok", "failed", "timed_out"]


class NotModelledError(ArithmeticError):
    """A hand calculation finds an operation that no model here has, such as bursts; it says which."""


@dataclass(frozen=True, slots=True)
class Transient:
    """A time-domain analysis from given initial conditions (``uic``).

    Parameters
    ----------
    stop : end time [s]
    max_step : largest time step [s]; always given, else ngspice chooses it from the end time
    """

    stop: float
    max_step: float


@dataclass(frozen=True, slots=True)
class Control:
    """What the solver may turn: a gate's duty, the switching frequency, or what feeds the stage.

    Parameters
    ----------
    kind : ``duty`` [1], ``frequency`` [Hz] or ``voltage`` [V] of a ``Level``;  estimate : the hand calculation's
    low, high : what the supply can set; a target not met between them is out of its reach
    """

    kind: Literal["duty", "frequency", "voltage"]
    estimate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Constraint:
    """What a control must bring about.

    Parameters
    ----------
    kind : ``mean`` of a voltage over a period [V], or ``idle`` time from the choke's current zero to the gate's next
        turn-on [s], negative where the current has not reached zero
    vector : the voltage, or the choke's current
    gate : index of the gate an idle time ends at
    """

    kind: Literal["mean", "idle"]
    vector: str
    target: float
    gate: int = 0


@dataclass(frozen=True, slots=True)
class Periodic:
    """A periodic steady state, found from outside the deck. Estimates and scales come from the hand calculation.

    Parameters
    ----------
    frequency : of switching [Hz]; where a control is the frequency, its estimate
    controls, constraints : as many of one as of the other
    states : every energy store of the deck;  estimates, scales : one each [V or A]
    steps_search, steps_final : time steps in a period, at least, while searching and for the final figures
    parts : equal parts of the period after which the circuit is the same again but for the names of its phases
    order : state -> the state whose value it takes on after a part; empty where ``parts`` is 1
    rectifiers : synchronous ones whose edges are solved for;  surrogate : source that lets them conduct by themselves
    """

    frequency: float
    controls: tuple[Control, ...]
    constraints: tuple[Constraint, ...]
    gates: tuple[Gate | Level, ...]
    states: tuple[State, ...]
    estimates: tuple[float, ...]
    scales: tuple[float, ...]
    steps_search: int = 200
    steps_final: int = 200
    parts: int = 1
    order: tuple[int, ...] = ()
    rectifiers: tuple[Rectifier, ...] = ()
    surrogate: str = ""

    def steered(
        self, edges: Sequence[tuple[float, float]] | None, controls: Sequence[float] | FloatArray = ()
    ) -> Periodic:
        """The analysis with its rectifiers gated at given edges, counted from the instants that cause them.

        Parameters
        ----------
        edges : on and off [s] of each rectifier; equal ones keep it off. None: channels conduct by themselves
        controls : at which they were found; none: the estimates
        """
        if not self.rectifiers:
            return self
        own = {self.surrogate, *(one.gate.source for one in self.rectifiers)}
        gates: list[Gate | Level] = [gate for gate in self.gates if gate.source not in own]
        gates.append(Level(self.surrogate, value=1.0 if edges is None else 0.0))
        values = controls if len(controls) else [control.estimate for control in self.controls]
        period = 1 / self.frequency_at(values)
        for one, (on, off) in zip(self.rectifiers, edges or [(0.0, 0.0)] * len(self.rectifiers), strict=True):
            gates.append(one.gated(on, off, period, values[one.gate.control]))
        return replace(self, gates=tuple(gates))

    @property
    def vectors(self) -> list[str]:
        """Every vector that states and constraints are read from, each once."""
        found = [vector for state in self.states for vector in (state.plus, state.minus) if vector]
        found += [vector for one in self.rectifiers for vector in (one.device, one.through)]
        return list(dict.fromkeys(found + [constraint.vector for constraint in self.constraints]))

    def frequency_at(self, controls: Sequence[float] | FloatArray) -> float:
        """The switching frequency at some values of the controls [Hz]."""
        for control, value in zip(self.controls, controls, strict=True):
            if control.kind == "frequency":
                return float(value)
        return self.frequency


@dataclass(frozen=True, slots=True)
class SmallSignal:
    """A small-signal frequency sweep [Hz]."""

    low: float
    high: float
    points_per_decade: int


Analysis = Transient | Periodic | SmallSignal


@dataclass(frozen=True, slots=True)
class Axis:
    """The axis all signals of a run share: time [s] or frequency [Hz]; shape (n,), never decreasing."""

    name: Literal["time", "frequency"]
    unit: Literal["s", "Hz"]
    values: FloatArray


@dataclass(frozen=True, slots=True)
class Signal:
    """One waveform; ``values`` has the shape of its axis and may be complex (small-signal runs).

    Parameters
    ----------
    quantity : ``voltage``, ``current``, ``temperature`` or ``logic``
    reference_node : the node a voltage is measured against, empty for others
    """

    name: str
    unit: str
    description: str
    quantity: str
    reference_node: str
    values: NDArray[Any]


def signals_of(probes: Sequence[Probe], vectors: Mapping[str, FloatArray]) -> dict[str, Signal]:
    """Signal name -> signal, from the simulator's vectors."""
    return {
        probe.name: Signal(
            probe.name, probe.unit, probe.doc, probe.quantity, probe.reference_node, vectors[probe.vector]
        )
        for probe in probes
    }


@dataclass(frozen=True, slots=True)
class Run:
    """What one case left behind. ``signals`` is empty or partial where ``status`` is not ``ok``."""

    case_id: str
    status: Status
    axis: Axis | None
    signals: Mapping[str, Signal]
    solution: Mapping[str, float] = field(default_factory=dict)
    log: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Metric:
    """One number taken from waveforms.

    Parameters
    ----------
    name : for example ``inrush_peak``
    subject : what it is about: a designator, or a role such as ``bulk``
    value : SI value
    unit : SI unit as text, for example ``A`` or ``A2s``
    window : start and end of the stretch it was taken from [s]
    at : the instant it was taken at [s]; None for means and the like
    """

    name: str
    subject: str
    value: float
    unit: str
    window: tuple[float, float]
    at: float | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    """One signal of a capture, as measured.

    Parameters
    ----------
    signal : the probe it stands beside, for example ``bulk_voltage``;  unit : SI unit of that probe
    column : what its column was called in the file
    values : shape (n,), SI, any probe's factor taken out
    gain : amplitude may be off by this share either way;  offset : and by this much beside it [unit]; both >= 0
    """

    signal: str
    unit: str
    column: str
    values: FloatArray
    gain: float
    offset: float


@dataclass(frozen=True, slots=True)
class Capture:
    """Waveforms that an instrument took of one stage instance, under the names of that stage's probes.

    Parameters
    ----------
    time : shape (n,), strictly rising, steps may differ [s]
    trigger : instant of the event on that axis [s]
    time_base : share by which time may be off either way
    study, condition : what it can be laid over: a study, a condition's label; empty where not said
    line_voltage, output_power : what was measured under [V, W]; None where not said
    taken : date of the measurement (ISO 8601);  note : free text
    source : file, its SHA-256 and time of change: ``file``, ``sha256``, ``modified_utc``
    added_utc : ISO 8601
    assumed : what the file did not state and was taken to be, a line each
    """

    name: str
    record: str
    instance: str
    time: FloatArray
    channels: tuple[Channel, ...]
    trigger: float
    time_base: float
    study: str
    condition: str
    line_voltage: float | None
    output_power: float | None
    taken: str
    note: str
    source: Mapping[str, str]
    added_utc: str
    assumed: tuple[str, ...]
