"""How the rails of a flyback share the ampere-turns its core gives up, and what each makes of its current.

While no switch conducts all windings see one voltage a turn. A rail's rectifying path is a straight line, so the
currents follow from the ampere-turns piece by piece, and the voltage of a rail that follows is the one at which what it
takes is what its load draws. A post filter is a choke with what lies behind it, exact by its impedance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from harness.contracts import FloatArray
from harness.handcalc import network
from harness.handcalc.flyback_synchronous import line_of
from harness.handcalc.network import Branch, Load, Transfer
from harness.handcalc.switching_waveform import Course, mean_of
from netlists.point import Condition
from netlists.stages.flyback_params import (
    Params,
    Secondary,
)
from netlists.stages.outputs import PROBE_CAPACITORS
from netlists.stages.switching import SHORT

LONG = 0.01  # of the period: shorter pieces are left as they are
POINTS = 24  # of a straight piece of the ampere-turns, where rails share them
MET = 1e-6  # relative, of a rail's voltage that is looked for


@dataclass(frozen=True, slots=True)
class Path:
    """A rail's rectifying path as a straight line: ideal ratio, voltage where it begins [V], resistance [ohm]."""

    ratio: float
    threshold: float
    resistance: float


@dataclass(frozen=True, slots=True)
class Ladder:
    """A post choke [ohm, H], and what stands behind it side by side: the second bank, copper with load and probe."""

    choke_resistance: float
    inductance: float
    behind: tuple[network.AnyBranch, ...]

    def at_second(self, omega: FloatArray) -> network.ComplexArray:
        """Impedance of what stands behind the choke [ohm]."""
        return np.asarray(1 / np.sum([one.admittance(omega) for one in self.behind], axis=0))

    def admittance(self, omega: FloatArray) -> network.ComplexArray:
        """Of all of it [S]."""
        return np.asarray(1 / (self.choke_resistance + 1j * omega * self.inductance + self.at_second(omega)))

    @property
    def resistance(self) -> float:
        """At very high frequency [ohm]."""
        return self.choke_resistance + network.high_frequency(self.behind)[0]


def direct_resistance(one: Secondary, condition: Condition) -> float:
    """From a rail's first bank to the end of its load [ohm]."""
    choke = one.choke.winding_resistance if one.choke is not None else 0.0
    return choke + (one.output.copper_resistance or SHORT) + one.output.load_resistance(condition)


def regulated_current(params: Params, condition: Condition) -> float:
    """Load current of the regulated rail [A]."""
    one = params.secondaries[0]
    choke = one.choke.winding_resistance if one.choke is not None and params.at_second_bank else 0.0
    return one.output.voltage / (direct_resistance(one, condition) - choke)


def first_voltage(params: Params, condition: Condition) -> float:
    """Mean voltage of the regulated rail's first bank [V]."""
    return regulated_current(params, condition) * direct_resistance(params.secondaries[0], condition)


def load_of(one: Secondary, condition: Condition) -> Load:
    """Copper, load and probe of a rail."""
    probes = () if condition.probe == "none" else tuple(Branch(esr, 0.0, c) for _, c, esr in PROBE_CAPACITORS)
    inductance = one.output.copper_inductance if one.output.copper_resistance is not None else None
    resistance = one.output.load_resistance(condition)
    return Load(one.output.copper_resistance or SHORT, inductance or 0.0, resistance, probes)


def branches_of(one: Secondary, condition: Condition) -> tuple[list[network.AnyBranch], Ladder | None]:
    """What hangs on a rail's rectifier, the banks there first; and the post filter among it."""
    load = load_of(one, condition)
    if one.choke is None:
        return [*(network.branch_of(bank) for bank in one.output.banks), load], None
    behind: tuple[network.AnyBranch, ...] = (*(network.branch_of(bank) for bank in one.output.banks), load)
    ladder = Ladder(one.choke.winding_resistance, one.choke.inductance, behind)
    return [*(network.branch_of(bank) for bank in one.firsts), ladder], ladder


def path_of(
    params: Params, one: Secondary, voltage: float, load_current: float, conducted: float, *, alone: bool
) -> Path:
    """The path of a rail whose bank stands at a voltage [V], its diode's line touched at a current [A].

    The bank's resistance is part of it: what it drops at the load's current is none of the path's. ``alone`` : the body
    diode conducts instead of a channel.
    """
    threshold, slope = line_of(one.rectifier, conducted, alone=alone)
    banks = one.firsts or one.output.banks
    esr = 1 / sum(bank.parallel / (bank.esr * bank.series) for bank in banks)
    return Path(
        params.primary.ideal_ratio(one.winding), voltage + threshold - esr * load_current,
        one.winding.resistance + slope + esr,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Paths:
    """Every rail's path while its channel conducts, and while none does; a diode's is the same.

    Parameters
    ----------
    gated : from and until when each rail's channel conducts [s], equal where it never does
    """

    channel: list[Path]
    alone: list[Path]
    gated: list[tuple[float, float]]

    def over(self, total: Course) -> tuple[FloatArray, list[FloatArray]]:
        """As ``shared``, of a course of ampere-turns that has double corners where a channel begins or ends."""
        own = _sides(total.time)
        conducts = np.array([(begin < own) & (own < end) for begin, end in self.gated])
        reflected, currents = np.zeros(own.size), [np.zeros(own.size) for _ in self.alone]
        for which in np.unique(conducts, axis=1).T:
            chosen = np.all(conducts == which[:, None], axis=0)
            paths = [on if gated else off for on, off, gated in zip(self.channel, self.alone, which, strict=True)]
            reflected[chosen], some = shared(paths, total.value[chosen])
            for current, part in zip(currents, some, strict=True):
                current[chosen] = part
        return reflected, currents

    def at_turn_off(self, total: FloatArray, early: float) -> FloatArray:
        """Reflected voltage [V] as in ``shared`` soon after the turn-off, no channel conducting for a share of it."""
        alone = shared(self.alone, total)[0]
        return alone if early >= 1 else early * alone + (1 - early) * shared(self.channel, total)[0]


def _sides(time: FloatArray) -> FloatArray:
    """Instants that tell on which side of a double corner each point of a course lies [s]."""
    own = time.copy()
    double = np.flatnonzero(np.diff(time) == 0)
    own[double] = 0.5 * (time[double] + time[np.maximum(double - 1, 0)])
    own[double + 1] = 0.5 * (time[double + 1] + time[np.minimum(double + 2, time.size - 1)])
    return own


def cornered(course: Course, gated: Sequence[tuple[float, float]]) -> Course:
    """The same course with a double corner wherever a channel begins or ends to conduct."""
    instants = np.array([edge for span in gated if span[1] > span[0] for edge in span])
    for instant in instants[(instants > 0) & (instants < course.period)]:
        place = int(np.searchsorted(course.time, instant, side="right"))
        value = course.once(float(instant))
        course = Course(
            np.insert(course.time, place, [instant, instant]), np.insert(course.value, place, [value, value])
        )
    return course


def shared(paths: Sequence[Path], total: FloatArray) -> tuple[FloatArray, list[FloatArray]]:
    """Reflected voltage [V] and every rail's current [A] at ampere-turns over primary turns [A], shape (n,)."""
    begins = np.array([path.ratio * path.threshold for path in paths])
    conductances = np.array([1 / (path.resistance * path.ratio**2) for path in paths])
    corners = np.sort(begins)
    at_corners = np.sum(conductances * np.maximum(corners[:, None] - begins, 0.0), axis=1)
    more = max(float(np.max(total)) - float(at_corners[-1]), 0.0) + 1.0
    corners = np.append(corners, corners[-1] + more / float(np.sum(conductances)))
    at_corners = np.append(at_corners, at_corners[-1] + more)
    reflected = np.interp(total, at_corners, corners)
    currents = [np.maximum(reflected / path.ratio - path.threshold, 0.0) / path.resistance for path in paths]
    return reflected, currents


def subdivided(course: Course) -> Course:
    """The same course with more corners on its long straight pieces."""
    spans = np.diff(course.time)
    where, more = [], []
    for index in np.nonzero(spans > LONG * course.period)[0]:
        inner = course.time[index] + np.arange(1, POINTS) / POINTS * spans[index]
        where += [index + 1] * inner.size
        more.append(inner)
    added = np.concatenate([*more, np.zeros(0)])
    return Course(np.insert(course.time, where, added), np.insert(course.value, where, course.at(added)))


def followed(
    params: Params, condition: Condition, total: Course, voltages: Sequence[float],
    conducted: Sequence[float], gated: list[tuple[float, float]],
) -> tuple[list[float], Paths]:  # fmt: skip
    """First-bank voltages [V] at which every rail that follows takes what its load draws, and all paths there.

    Parameters
    ----------
    total : ampere-turns over primary turns [A];  voltages : of all rails so far, the regulated one's as it is [V]
    conducted : mean current of each rail while it conducts [A];  gated : as of ``Paths``
    """
    loads = [direct_resistance(one, condition) for one in params.secondaries]
    found = list(voltages)

    def paths() -> Paths:
        channel, alone = (
            [
                path_of(params, one, voltage, voltage / load, current, alone=alone)
                for one, voltage, load, current in zip(params.secondaries, found, loads, conducted, strict=True)
            ]
            for alone in (False, True)
        )
        return Paths(channel, alone, gated)

    at = paths()
    for index in range(1, len(found)):
        both = (at.channel, at.alone)
        rests = [replace(some[index], threshold=some[index].threshold - found[index]) for some in both]

        def missed(voltage: float, index: int = index, rests: list[Path] = rests) -> float:
            for some, rest in zip((at.channel, at.alone), rests, strict=True):
                some[index] = replace(rest, threshold=rest.threshold + voltage)
            return mean_of(Course(total.time, at.over(total)[1][index])) - voltage / loads[index]

        high = 4 * max(found[index], params.secondaries[index].output.voltage)
        while missed(high) > 0:
            high *= 2
        found[index] = float(brentq(missed, 0.0, high, rtol=MET))  # what a rail takes falls with its voltage
    return found, paths()


def second_transfer(ladder: Ladder, period: float) -> Transfer:
    """From the first bank's node to the second's."""
    omega = network.angular(period)
    return Transfer(np.asarray(ladder.at_second(omega) * ladder.admittance(omega)), 0.0)


def probe_transfer(
    one: Secondary, condition: Condition, branches: Sequence[network.AnyBranch], ladder: Ladder | None, period: float,
    bandwidth: float,
) -> Transfer:  # fmt: skip
    """From the first bank's node to the load, read through a first-order low pass of a bandwidth [Hz]."""
    load = load_of(one, condition)
    if ladder is None:
        return network.probe_transfer(branches, load, period, bandwidth)
    behind = network.probe_transfer(ladder.behind, load, period, bandwidth)
    return Transfer(np.asarray(behind.factor * second_transfer(ladder, period).factor), 0.0)


def _choke_orders(one: Secondary, condition: Condition, fed: Course) -> network.ComplexArray:
    """Harmonics of a post choke's current, orders 1 to ``ORDERS``."""
    branches, ladder = branches_of(one, condition)
    assert ladder is not None  # only a rail with a post filter is asked
    omega = network.angular(fed.period)
    total = np.sum([branch.admittance(omega) for branch in branches], axis=0)
    return np.asarray(network.train(fed, 1)[1:] * ladder.admittance(omega) / total)


def choke_ripple(one: Secondary, condition: Condition, fed: Course) -> Course:
    """Alternating current of a post choke [A]."""
    orders = np.zeros(network.GRID // 2 + 1, dtype=np.complex128)
    orders[1 : network.ORDERS + 1] = _choke_orders(one, condition, fed)
    values = np.fft.irfft(orders, network.GRID) * network.GRID
    return Course(np.linspace(0.0, fed.period, network.GRID + 1), np.append(values, values[0]))


def second_rms(one: Secondary, condition: Condition, fed: Course) -> list[float]:
    """RMS of every second bank's current [A]."""
    through, ladder = _choke_orders(one, condition, fed), branches_of(one, condition)[1]
    assert ladder is not None  # only a rail with a post filter is asked
    omega = network.angular(fed.period)
    at_second = through * ladder.at_second(omega)
    return [
        float(np.sqrt(2 * np.sum(np.abs(at_second * network.branch_of(bank).admittance(omega)) ** 2)))
        for bank in one.output.banks
    ]
