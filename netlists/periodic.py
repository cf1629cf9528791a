"""What a switching stage says of its own periodic steady state: when its gates act, which of its states matter.

Plain data in SI units, made by a stage beside its circuit, read by the solver; names are those of the deck.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

LEAST_CLEARANCE = 0.01  # of the period: an on-time's middle nearer to an edge is no place to cut
TIED = 5e-9  # an edge so near to its latest instant stands there [s]
LEAST_PLATEAU = 1e-3  # of the period: what a pulse and its pause keep at least, whatever a control asks for


@dataclass(frozen=True, slots=True)
class Edge:
    """An instant of the period: ``fraction`` of it, ``per_duty`` times the duty of it, and ``seconds`` on top."""

    fraction: float
    per_duty: float = 0.0
    seconds: float = 0.0

    def at(self, period: float, duty: float) -> float:
        """The instant [s], within [0, period)."""
        return (self.fraction * period + self.per_duty * duty * period + self.seconds) % period

    def held_at(self, duty: float) -> Edge:
        """The same instant at a duty that no control moves."""
        return Edge(self.fraction + self.per_duty * duty, 0.0, self.seconds)


@dataclass(frozen=True, slots=True)
class Gate:
    """A pulse source that drives one place.

    Parameters
    ----------
    source : its device in the deck, such as ``v.xstage.vgate_high0``
    on, off : where its ramps begin
    ramp : duration of each of its ramps [s]
    control : which control is its duty; a gate whose edges have no ``per_duty`` is moved by none
    """

    source: str
    on: Edge
    off: Edge
    ramp: float
    control: int = 0

    def is_on(self, period: float, duty: float) -> bool:
        """Whether the place conducts at t = 0."""
        return self.on.at(period, duty) > self.off.at(period, duty)

    def pulse(self, period: float, duty: float) -> tuple[float, ...]:
        """Arguments of PULSE: two levels, delay, rise, fall, width [s], period [s].

        A gate that is on at t = 0 is written as a pause, since a negative delay shifts edges by about 15 ns in ngspice.
        """
        least = LEAST_PLATEAU * period
        on, off = self.on.at(period, duty), self.off.at(period, duty)
        first, last, low, high = (on, off, 0.0, 1.0) if on < off else (off, on, 1.0, 0.0)
        first = min(max(first, least), period - 3 * least - 2 * self.ramp)  # no ramp lies across the period's end
        last = min(max(last, first + self.ramp + least), period - self.ramp - least)
        return (low, high, first, self.ramp, self.ramp, last - first - self.ramp, period)

    def held_at(self, duty: float) -> Gate:
        """The same gate at a duty that no control moves."""
        return replace(self, on=self.on.held_at(duty), off=self.off.held_at(duty))

    def moved(self, on: float, off: float) -> Gate:
        """The same gate with its edges moved [s]."""
        shifted = [replace(edge, seconds=edge.seconds + by) for edge, by in ((self.on, on), (self.off, off))]
        return replace(self, on=shifted[0], off=shifted[1])


@dataclass(frozen=True, slots=True)
class Rectifier:
    """A synchronous rectifier, whose edges follow its own current.

    Parameters
    ----------
    gate : its gate with both edges at the instant that causes its conduction, such as the square wave's edge; their
        seconds are its ramps' alone
    device : vector of the current of its channel and body diode;  through : the same with its own capacitance
    device_sign, through_sign : of these currents while it conducts
    delay : from the body diode's conduction to the channel's turn-on [s]
    lead : from the channel's turn-off to the current's zero [s]
    least : on-times shorter than this are left out [s]
    group : rectifiers of one group are equal and keep the same edges
    latest : when it must be off at the latest, whatever its current does, at its knee; None: only its current decides
    is_timed : it turns on the delay after the instant that causes its conduction, whatever its body diode does
    is_straight : its current falls straight, so its zero is where that fall leads: what rings once the channel is off
        is none of its controller's
    """

    gate: Gate
    device: str
    through: str
    device_sign: int
    through_sign: int
    delay: float
    lead: float
    least: float
    group: int
    latest: Edge | None = None
    is_timed: bool = False
    is_straight: bool = False

    def origin(self, period: float, duty: float) -> float:
        """The instant that causes its conduction, from which its edges are counted [s]."""
        return (self.gate.on.fraction + self.gate.on.per_duty * duty) * period

    def room(self, period: float, duty: float) -> float:
        """From its origin until it must be off at the latest [s]; infinite where only its current decides."""
        if self.latest is None:
            return math.inf
        bare = replace(self.latest, seconds=-self.origin(period, duty))
        return bare.at(period, duty) + self.latest.seconds

    def gated(self, on: float, off: float, period: float, duty: float) -> Gate | Level:
        """Its gate with given edges, counted from its origin [s]; without a gate where they are equal.

        An edge at the latest instant, or beyond it, stays there whatever duty a search tries.
        """
        if off <= on:
            return Level(self.gate.source, value=0.0)
        moved = self.gate.moved(on, off)
        if self.latest is None or off < self.room(period, duty) - TIED:
            return moved
        seconds = self.latest.seconds + self.gate.off.seconds
        return replace(moved, off=replace(self.latest, seconds=seconds))

    def held_at(self, duty: float) -> Rectifier:
        """The same at a duty that no control moves."""
        latest = None if self.latest is None else self.latest.held_at(duty)
        return replace(self, gate=self.gate.held_at(duty), latest=latest)


@dataclass(frozen=True, slots=True)
class Level:
    """A pulse source that never pulses: a direct voltage, that of a control of kind ``voltage`` or a fixed one.

    Parameters
    ----------
    control : which control it is;  value : a fixed one instead [V]
    """

    source: str
    control: int = 0
    value: float | None = None

    def pulse(self, period: float, voltage: float) -> tuple[float, ...]:
        """Arguments of PULSE as those of a gate."""
        level = voltage if self.value is None else self.value
        width = 0.25 * period
        return (level, level, width, LEAST_PLATEAU * period, LEAST_PLATEAU * period, width, period)


@dataclass(frozen=True, slots=True)
class State:
    """An energy store of the deck.

    Parameters
    ----------
    device : such as ``l.xstage.lchoke0``
    plus, minus : vectors whose difference is its current or voltage; ``minus`` empty for none
    unknown : name of the unknown of the steady state it belongs to; empty: it is fast and follows the others. The
        first state of a name leads, the others of that name move along with it
    place : of a fast state, what it lies across, such as ``high a0``, so that it can start near its value
    """

    device: str
    plus: str
    minus: str = ""
    unknown: str = ""
    place: str = ""


def quiet_instant(edges: tuple[float, ...], period: float, needed: float = 0.0) -> float:
    """Where to cut the period so that fast states have settled: the middle of the on-time furthest from all edges.

    In an on-time even a discontinuous choke carries current and no node rings freely. Where every on-time is too short
    or too crowded, the middle of the longest stretch without an edge serves.

    Parameters
    ----------
    edges : on and off instants of each leg in turn [s], of any period
    needed : clearance the gates' ramps and dead times ask for [s]: one across the cut would not be the same in all legs
    """
    instants = sorted(edge % period for edge in edges)
    middles = [(on + 0.5 * ((off - on) % period)) % period for on, off in zip(edges[::2], edges[1::2], strict=True)]

    def clearance(instant: float) -> float:
        away = [abs(instant - edge) for edge in instants]
        return min(min(gap, period - gap) for gap in away)

    best = max(middles, key=lambda middle: round(clearance(middle) / period, 9))
    if clearance(best) >= max(LEAST_CLEARANCE * period, needed):
        return best
    gaps = [
        (after - before, before) for before, after in zip(instants, [*instants[1:], instants[0] + period], strict=True)
    ]
    longest, start = max(gaps, key=lambda gap: (round(gap[0] / period, 9), -gap[1]))
    return math.fmod(start + 0.5 * longest, period)
