"""When synchronous rectifiers turn on and off: found outside the deck from the currents of a period.

A rectifier turns on a delay after its body diode began to conduct, and off a lead before its current is zero. Fixed
edges would be wrong physics, comparators in the deck break shooting; so a steady state is found with channels that
conduct by themselves, edges are taken from its currents, and steady states are found anew until the edges stay.

The current's zero is that of device and own capacitance together: the device's alone runs away at light load by exactly
the lead, since the capacitance takes over as soon as the gate is off.

Where a switch's turn-on forces the current over, no zero tells of it beforehand: a rectifier is off by its ``latest``
instant, as one is whose controller knows of that turn-on. Edges are counted from their origin, which may move with the
duty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.contracts import FloatArray, Periodic
from netlists.periodic import Rectifier

Edges = list[tuple[float, float]]

CONDUCTS = 0.005  # of its peak: a device with less current does not conduct
EARLY = 6e-9  # where conduction begins that close to the turn-on, or within its ramp, the gate itself began it [s]
LATER = 0.04  # of the period: how much later such a gate is tried
LARGEST_GROWTH = 0.1  # of the period: an interval may shrink at once but grows in steps
KEPT = 3.0  # how many times less charge the interval found before may carry and still be the main one
STAYED, NOISE = 4e-9, 9e-9  # edges that move less have been found; later the time steps' own scatter will do [s]
RING = 0.02  # of the period: at light load the ring of idle rectifiers decides within which of its swings they begin
PATIENCE, NEARER = 3, 0.7  # rounds after which edges that come no nearer than by this become unknowns of their own
NOISY_AFTER, RINGING_AFTER = 5, 9  # rounds
MOST_ROUNDS = 16
DAMPED_AFTER, DAMPING = 5, 0.5
ONE_INTERVAL = 0.9  # of all charge: the others are blips of a ring
LEAST_CHARGE = 0.02  # of the largest interval's: one with less is none that a rectifier could begin or end with
APART = 0.05  # of the period: edges of two solutions that lie no further apart belong to one
STRAIGHT = 0.2  # of an on-time, its last: the stretch a straight current is read from
NARROW_ON, NARROW_OFF = 0.1, 0.02  # of the period: where a half period has two intervals, start narrow


@dataclass(frozen=True, slots=True)
class Conduction:
    """The interval in which a device carries most of its charge: begin, and the current's zero after it [s].

    Both are counted within [0, period) and from there on; ``count`` is the number of intervals in the period, ``share``
    what the main one carries of all their charge, ``span`` from the begin of the first to the end of the last that
    carry charge worth counting.
    """

    begin: float
    zero: float
    count: int
    share: float
    span: tuple[float, float]


def conduction(
    time: FloatArray, device: FloatArray, through: FloatArray, period: float, near: float | None = None,
    lead: float = 0.0,
) -> Conduction | None:  # fmt: skip
    """The main conduction interval of one period; None where the device never conducts.

    Parameters
    ----------
    time : [s], from 0 to the period;  device, through : currents, positive while it conducts [A], shape (n,)
    near : middle of the interval found before [s]: one around it stays the main one
    lead : of the turn-off before the current's zero [s]: a diode beside may carry it meanwhile
    """
    peak = float(np.max(device))
    if peak <= 0:
        return None
    threshold = CONDUCTS * peak
    twice = np.concatenate((time, time[1:] + period))
    current = np.concatenate((device, device[1:]))
    charge = np.concatenate(([0.0], np.cumsum(0.5 * (current[1:] + current[:-1]) * np.diff(twice))))
    conducts = current > threshold
    edges = np.flatnonzero(conducts[1:] != conducts[:-1])
    if not edges.size:
        return None
    rising = conducts[edges + 1]
    share = (threshold - current[edges]) / (current[edges + 1] - current[edges])
    instants = twice[edges] + share * (twice[edges + 1] - twice[edges])
    at = np.interp(instants, twice, charge)
    best, most, total = None, 0.0, 0.0
    intervals: list[tuple[float, float, float]] = []
    for index in range(len(edges) - 1):
        if not rising[index] or instants[index] >= period:
            continue
        carried = float(at[index + 1] - at[index])
        intervals.append((float(instants[index]), float(instants[index + 1]), carried))
        total += carried
        if near is not None and (near - instants[index]) % period <= instants[index + 1] - instants[index]:
            carried *= KEPT
        if carried > most:
            best, most = index, carried
    if best is None:
        return None
    begin, end = float(instants[best]), float(instants[best + 1])
    window = 0.02 * period, max(0.05 * period, 1.5 * lead)
    zero = _zero(twice, np.concatenate((through, through[1:])), begin, end, window)
    least = LEAST_CHARGE * max(carried for _, _, carried in intervals)
    worth = [(first, last) for first, last, carried in intervals if carried >= least]
    return Conduction(begin, zero, len(intervals), float(at[best + 1] - at[best]) / total, _span(worth, period))


def _span(intervals: Sequence[tuple[float, float]], period: float) -> tuple[float, float]:
    """From the begin of the first interval to the end of the last [s], the longest pause of the period outside."""
    pauses = [
        intervals[(index + 1) % len(intervals)][0] - end + (period if index + 1 == len(intervals) else 0.0)
        for index, (_, end) in enumerate(intervals)
    ]
    last = pauses.index(max(pauses))
    begin = intervals[(last + 1) % len(intervals)][0]
    return begin, begin + (intervals[last][1] - begin) % period


def _zero(time: FloatArray, through: FloatArray, begin: float, end: float, window: tuple[float, float]) -> float:
    """The first fall of a current through zero near the end of a conduction; that end itself where there is none.

    ``window`` : how long before and after that end it may lie [s]
    """
    before, after = window
    falls = np.flatnonzero((through[:-1] > 0) & (through[1:] <= 0))
    for index in falls:
        share = through[index] / (through[index] - through[index + 1])
        instant = float(time[index] + share * (time[index + 1] - time[index]))
        if max(begin, end - before) <= instant <= end + after:
            return instant
    return end


def duty_of(one: Rectifier, controls: Sequence[float] | FloatArray) -> float:
    """The control its origin moves with; of no meaning, and 0, where none is given."""
    return float(controls[one.gate.control]) if len(controls) else 0.0


def observed(
    analysis: Periodic, time: FloatArray, signals: dict[str, FloatArray], period: float, now: Edges | None,
    controls: Sequence[float] | FloatArray = (),
) -> list[Conduction | None]:  # fmt: skip
    """Conduction of every rectifier over one period; ``now`` and ``controls`` as in ``wanted``."""
    found = []
    for index, one in enumerate(analysis.rectifiers):
        near = None
        if now is not None and now[index][1] > now[index][0]:
            near = one.origin(period, duty_of(one, controls)) + 0.5 * sum(now[index])
        device, through = one.device_sign * signals[one.device], one.through_sign * signals[one.through]
        seen = conduction(time, device, through, period, near, one.lead)
        if seen is not None and near is not None and one.is_straight:
            on, off = (edge + one.origin(period, duty_of(one, controls)) for edge in (now or [])[index])
            seen = _led_on(seen, time, through, (on, off + one.gate.off.seconds), period)
        found.append(seen)
    return found


def _led_on(
    seen: Conduction, time: FloatArray, through: FloatArray, gated: tuple[float, float], period: float
) -> Conduction:
    """The same with its zero where a straight current leads that is cut at the gate's end.

    Parameters
    ----------
    gated : from the gate's on until its fall begins [s]; the last of it is taken, over which ringing has died down
    """
    on, off = gated
    off = seen.begin + (off - seen.begin) % period
    span = np.linspace(off - STRAIGHT * (gated[1] - on), off, 40)
    current = np.interp(span % period, time, through)
    slope, offset = np.polyfit(span - off, current, 1)
    return seen if slope >= 0 else replace(seen, zero=off - float(offset / slope))


def wanted(
    rectifiers: Sequence[Rectifier],
    found: Sequence[Conduction | None],
    now: Edges | None,
    period: float,
    *,
    controls: Sequence[float] | FloatArray = (),
    careful: bool = True,
) -> Edges:
    """Edges that conduction asks for, those of a group alike; equal ones where a rectifier stays off.

    Parameters
    ----------
    now : edges the conduction was found with; None: channels conducted by themselves
    controls : at which it was found; an origin may move with one
    careful : as the next edges to try; else the bare difference that Newton's method works on
    """
    asked: Edges = []
    for index, (one, interval) in enumerate(zip(rectifiers, found, strict=True)):
        if interval is None:
            asked.append((0.0, 0.0))
            continue
        duty = duty_of(one, controls)
        begin = (interval.begin - one.origin(period, duty) + 0.25 * period) % period - 0.25 * period
        width = interval.zero - interval.begin
        on = one.delay if one.is_timed else begin + one.delay
        off = min(begin + width - one.lead, one.room(period, duty))
        if not careful:
            asked.append((on, off))
            continue
        if now is not None and now[index][1] > now[index][0]:
            on, off = _nearer(one, begin, (on, off), now[index], period)
        elif now is None and interval.share < ONE_INTERVAL:
            later = 0.0 if one.is_timed else min(NARROW_ON * period, 0.25 * width)
            on, off = on + later, off - min(NARROW_OFF * period, 0.1 * width)
        asked.append((on, off))
    return _grouped(rectifiers, asked)


def spanning(
    rectifiers: Sequence[Rectifier], found: Sequence[Conduction | None], period: float,
    controls: Sequence[float] | FloatArray = (),
) -> Edges | None:  # fmt: skip
    """Edges of gates that stay on over all of a rectifier's intervals; None where none has more than one.

    A gate that stays on lets the current swing back and go on: with it a conduction in one piece can be as consistent
    as one in several without.

    Parameters
    ----------
    found : conduction of channels that conduct by themselves
    """
    several = [one is not None and one.span[1] - one.span[0] > one.zero - one.begin + APART * period for one in found]
    if not any(several):
        return None
    whole = [one and replace(one, begin=one.span[0], zero=one.span[1], share=1.0) for one in found]
    return wanted(rectifiers, whole, None, period, controls=controls)


def _nearer(
    one: Rectifier, begin: float, asked: tuple[float, float], now: tuple[float, float], period: float
) -> tuple[float, float]:
    """Edges to try next: later where the gate itself began the conduction, an interval that grows no faster than so."""
    on, off = asked
    early = max(EARLY, min(one.gate.ramp, 0.8 * one.delay))
    if not one.is_timed and one.delay > 2 * EARLY and abs(begin - now[0]) < early:
        on = now[0] + (one.delay if one.is_straight else max(one.delay, LATER * period))
    return max(on, now[0] - LARGEST_GROWTH * period), min(off, now[1] + LARGEST_GROWTH * period)


def _grouped(rectifiers: Sequence[Rectifier], asked: Edges) -> Edges:
    """The mean of each group; off where that leaves less than the least on-time."""
    means = {}
    for group in {one.group for one in rectifiers}:
        of = [edges for one, edges in zip(rectifiers, asked, strict=True) if one.group == group]
        on, off = (float(np.mean([edges[side] for edges in of])) for side in (0, 1))
        means[group] = (on, off) if all(e[1] > e[0] for e in of) else (0.0, 0.0)
    return [
        means[one.group] if means[one.group][1] - means[one.group][0] >= max(one.least, 1e-9) else (0.0, 0.0)
        for one in rectifiers
    ]


def groups_of(rectifiers: Sequence[Rectifier]) -> list[int]:
    """The groups whose edges are unknowns, each once."""
    return list(dict.fromkeys(one.group for one in rectifiers))


def packed(rectifiers: Sequence[Rectifier], edges: Edges, period: float) -> list[float]:
    """Edges of every group as unknowns: on and off, from a period before its origin [s], so that none is near 0."""
    first = {one.group: pair for one, pair in reversed(list(zip(rectifiers, edges, strict=True)))}
    return [period + edge for group in groups_of(rectifiers) for edge in first[group]]


def unpacked(rectifiers: Sequence[Rectifier], unknowns: Sequence[float] | FloatArray, period: float) -> Edges:
    """The edges that unknowns stand for."""
    place = {group: 2 * index for index, group in enumerate(groups_of(rectifiers))}
    return [
        (float(unknowns[place[one.group]]) - period, float(unknowns[place[one.group] + 1]) - period)
        for one in rectifiers
    ]


def damped(now: Edges, asked: Edges, turn: int) -> Edges:
    """The next edges to try; after some rounds only a share of the way, but all of it where gating begins or ceases."""
    share = 1.0 if turn < DAMPED_AFTER else DAMPING
    return [
        (a + share * (on - a), b + share * (off - b)) if b > a and off > on else (on, off)
        for (a, b), (on, off) in zip(now, asked, strict=True)
    ]


def tolerance(turn: int, period: float) -> float:
    """By how much edges may still move after some rounds and count as found [s]."""
    if turn < NOISY_AFTER:
        return STAYED
    return NOISE if turn < RINGING_AFTER else RING * period


def runs_on(before: Edges | None, now: Edges, asked: Edges) -> bool:
    """Whether edges move on in one direction and come no nearer, rather than scatter.

    Parameters
    ----------
    before : the edges of the round before
    """
    if before is None or moved(now, asked) == float("inf"):
        return False
    steps = [(b - a, d - c) for (a, c), (b, d) in zip(now, asked, strict=True)]
    last = [(a - b, c - d) for (a, c), (b, d) in zip(now, before, strict=True)]
    largest = max(range(2 * len(steps)), key=lambda index: abs(steps[index // 2][index % 2]))
    new, old = steps[largest // 2][largest % 2], last[largest // 2][largest % 2]
    return new * old > 0 and abs(new) > NEARER * abs(old)


def moved(now: Edges, asked: Edges) -> float:
    """The largest change of an edge [s]; infinite where a rectifier begins or ceases to be gated."""
    changes = [0.0]
    for (a, b), (on, off) in zip(now, asked, strict=True):
        if (b > a) != (off > on):
            return float("inf")
        if b > a:
            changes += [abs(on - a), abs(off - b)]
    return max(changes)
