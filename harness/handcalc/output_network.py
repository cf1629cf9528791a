"""Output networks by hand: direct currents by Ohm's law, alternating ones by the admittance of every ladder, exact.

A converter hands over the course of the current it feeds into its output's own node, and nothing else. An output
without a network is answered too, so that converters need not tell the two apart.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from harness.handcalc import network
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.network import AnyBranch, Load, Node, Response, Way
from harness.handcalc.switching_gaps import Key, cans, widened
from harness.handcalc.switching_waveform import Course, peak_of, swing_of
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.output_network import Branch, Network
from netlists.stages.outputs import PROBE_BANDWIDTH, PROBE_CAPACITORS, Output
from netlists.stages.switching import SHORT, Choke, choke_state_at

OHM = "Ohm's law on the resistances of all branches"
LADDER = "harmonics of the current fed in times the admittance of the ladder seen from its node, exact"
DIRECT = Difference(-0.004, 0.004, "resistances alone here; the search meets its target to 0.2 %")
SHARED = Difference(-0.002, 0.002, "resistances alone here; the target cancels out of a ratio")
CURRENT_RMS = Difference(-0.006, 0.006, f"{DIRECT.reason}; {gaps.STRAIGHT}")
LOSS = Difference(-0.012, 0.012, f"twice that of the current: {CURRENT_RMS.reason}")
CHOKE_PEAK = Difference(-0.01, 0.01, CURRENT_RMS.reason)
RIPPLE = Difference(-0.03, 0.03, gaps.OUTPUT_RIPPLE.reason)
RIPPLE_ESL = Difference(-0.06, 0.06, gaps.OUTPUT_RIPPLE_ESL.reason)
EDGES = "edges pass the choke by the resistance that stands for its core's loss"
CURRENT_FLOOR, VOLTAGE_FLOOR, RIPPLE_FLOOR, POWER_FLOOR = 5e-3, 2e-4, 2e-4, 1e-4  # [A], [V], [V], [W]
# Of an equal share at full load: what a steady state held to 0.2 % of its scales leaves between banks that milliohms
# tie together, whatever the load. Seen: 0.02 A of a light 3 A where full load has 30 A.
HELD = 1e-3
LEAST_SCALE = 0.25  # of the equal share at full load: a current's scale in the search for the steady state


@dataclass(frozen=True, slots=True)
class Fed:
    """What a converter feeds into its output's own node.

    Parameters
    ----------
    course : all of it, direct part included [A]
    extra_slope : rise of the current beyond the course, at its begin, by an edge's overshoot [A/s]
    edge_slope : steepest rise the course leaves out, by edges that reach the output beside a choke [A/s]
    left_open : share of every ripple that the course leaves open;  reason : why
    """

    course: Course
    extra_slope: float = 0.0
    edge_slope: float = 0.0
    left_open: float = 0.0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Direct:
    """Means of an output [V], [A]: at its own node, where the network begins, of every branch in turn."""

    output_voltage: float
    split_voltage: float
    current: float
    branch_currents: tuple[float, ...] = ()


def direct(output: Output, condition: Condition) -> Direct:
    """Means of an output that is regulated where it is."""
    copper = output.copper_resistance or SHORT
    if output.network is None:
        current = output.voltage / (output.load_resistance(condition) + copper)
        return Direct(output.voltage, output.voltage - copper * current, current)
    loads = _loads(output, condition)
    each = [0.0 if load == math.inf else 1 / (b.resistance + load) for b, load in loads]
    split = 1 / (1 + copper * sum(each))
    regulated = 1.0
    for (branch, load), conductance in zip(loads, each, strict=True):
        if branch.name == output.network.sense:
            regulated = split * conductance * load
    level = output.voltage / regulated
    currents = tuple(level * split * conductance for conductance in each)
    return Direct(level, level * split, sum(currents), currents)


def _loads(output: Output, condition: Condition) -> list[tuple[Branch, float]]:
    """Every branch with the resistance at its end [ohm]; infinite where it has no load."""
    assert output.network is not None  # the caller has one
    whole = output.load_resistance(condition)
    return [(b, whole / b.load_share if b.load_share > 0 else math.inf) for b in output.network.branches]


def branches_of(output: Output, condition: Condition) -> list[AnyBranch]:
    """All that hangs on an output's own node: its banks, then copper with the load or the network behind it."""
    probes = _probes(condition)
    resistance = output.copper_resistance or SHORT
    inductance = (output.copper_inductance or 0.0) if output.copper_resistance is not None else 0.0
    banks = [network.branch_of(bank) for bank in output.banks]
    if output.network is None:
        return [*banks, Load(resistance, inductance, output.load_resistance(condition), probes)]
    currents = direct(output, condition).branch_currents
    ways = tuple(
        _ladder(branch, load, current, probes)[0]
        for (branch, load), current in zip(_loads(output, condition), currents, strict=True)
    )
    return [*banks, Way(resistance, inductance, Node((), ways))]


def _probes(condition: Condition) -> tuple[network.Branch, ...]:
    return () if condition.probe == "none" else tuple(network.Branch(esr, 0.0, c) for _, c, esr in PROBE_CAPACITORS)


def _ladder(branch: Branch, load: float, current: float, probes: tuple[network.Branch, ...]) -> list[Way]:
    """A branch as ways one behind the other, each the only way on from the node before it."""
    node: Node | None = None
    found: list[Way] = []
    if load < math.inf:
        found.insert(0, Way(*branch.end, Node((network.Branch(load), *probes))))
    if branch.filter_choke is not None:
        node = _node(branch.filter_banks, found)
        found.insert(0, Way(branch.filter_choke.winding_resistance, inductance_at(branch.filter_choke, current), node))
    found.insert(0, Way(*branch.begin, _node(branch.banks, found)))
    return found


def _node(banks: Sequence[Bank], behind: Sequence[Way]) -> Node:
    return Node(tuple(network.branch_of(bank) for bank in banks), tuple(behind[:1]))


def inductance_at(choke: Choke, current: float) -> float:
    """Inductance a ripple meets around a direct current [H]: what is left beyond the knee of a choke that saturates."""
    knee, beyond = choke.saturation_current, choke.saturated_inductance
    return choke.inductance if knee is None or beyond is None or abs(current) <= knee else beyond


def probed_ripple(output: Output, condition: Condition, fed: Fed) -> float:
    """Ripple at the load through the guide's probe [V], of a network the largest of all connectors."""
    branches, orders = branches_of(output, condition), network.train(fed.course, 1)
    if output.network is None:
        load = branches[-1]
        assert isinstance(load, Load)
        transfer = network.probe_transfer(branches, load, fed.course.period, PROBE_BANDWIDTH)
        return swing_of(network.ripple(fed.course, orders, branches, transfer))
    found = _Ladders(output, condition, fed)
    return max(found.probed(index) for index, (_, load) in enumerate(_loads(output, condition)) if load < math.inf)


class _Ladders:
    """All branches of a network under the current fed in."""

    def __init__(self, output: Output, condition: Condition, fed: Fed) -> None:
        self.fed = fed
        self.orders = network.train(fed.course, 1)
        self.at_output = branches_of(output, condition)
        first = self.at_output[-1]
        assert isinstance(first, Way)  # of an output with a network
        self.first = first
        self.means = direct(output, condition)
        self.floor = max(CURRENT_FLOOR, HELD * output.load_current / len(self.means.branch_currents))
        probes = _probes(condition)
        pairs = zip(_loads(output, condition), self.means.branch_currents, strict=True)
        self.ladders = [_ladder(branch, load, current, probes) for (branch, load), current in pairs]

    def path(self, index: int, ways: int) -> list[Way]:
        """From the output's own node along some ways of a branch."""
        return [self.first, *self.ladders[index][:ways]]

    def voltage(self, index: int, ways: int) -> Response:
        return network.voltage_response(self.at_output, self.path(index, ways))

    def current(self, index: int, way: int) -> Response:
        """Of a way of a branch, counted from 0."""
        return network.current_response(self.at_output, self.path(index, way), self.ladders[index][way])

    def alternating(self, response: Response) -> float:
        """RMS of the alternating part [A]."""
        return network.rms_by(self.fed.course, self.orders, response)

    def rms(self, index: int, way: int) -> float:
        """RMS of a way's current, direct part included [A]."""
        return math.hypot(self.means.branch_currents[index], self.alternating(self.current(index, way)))

    def course(self, response: Response) -> Course:
        return network.course_of(self.fed.course, self.orders, response)

    def probed(self, index: int) -> float:
        """Ripple at a branch's connector through the guide's probe [V]."""
        read = network.low_passed(self.voltage(index, len(self.ladders[index])), PROBE_BANDWIDTH)
        return swing_of(self.course(read))

    def can_currents(self, index: int, ways: int) -> list[float]:
        """RMS of the alternating current of every bank at the node some ways along a branch [A]."""
        path = self.path(index, ways)
        return [self.alternating(network.current_response(self.at_output, path, bank)) for bank in path[-1].end.shunts]


def expect(output: Output, condition: Condition, fed: Fed) -> dict[Key, Expectation]:
    """Every metric of the network behind an output; subjects are its branches, their nodes and designators."""
    assert output.network is not None  # the plan asks outputs with a network alone
    ladders = _Ladders(output, condition, fed)
    found: dict[Key, Expectation] = {}
    for index, branch in enumerate(output.network.branches):
        found |= _branch(ladders, output.network, index)
        found |= _losses(ladders, branch, index)
        found |= _cans(ladders, branch.banks, index, 1)
        if branch.filter_choke is not None:
            found |= _filter(ladders, branch.filter_choke, index)
            found |= _cans(ladders, branch.filter_banks, index, 2)
        found |= _ripples(ladders, branch, index, probed=condition.probe != "none")
    return found


def _branch(ladders: _Ladders, whole: Network, index: int) -> dict[Key, Expectation]:
    """Currents of a branch and its voltage drop."""
    means, branch = ladders.means, whole.branches[index]
    current = means.branch_currents[index]
    share = current * len(whole.branches) / means.current
    floor = ladders.floor
    drop = means.output_voltage - means.split_voltage + current * branch.resistance
    return {
        ("branch_current_average", branch.name): Expectation(current, "A", OHM, DIRECT, floor),
        ("branch_current_rms", branch.name): Expectation(ladders.rms(index, 0), "A", LADDER, CURRENT_RMS, floor),
        ("branch_current_share", branch.name): Expectation(
            share, "1", OHM, SHARED, floor * len(whole.branches) / means.current
        ),
        ("voltage_drop", branch.name): Expectation(drop, "V", OHM, DIRECT, VOLTAGE_FLOOR + floor * branch.resistance),
    }


def _losses(ladders: _Ladders, branch: Branch, index: int) -> dict[Key, Expectation]:
    """Dissipation of shunt, copper, cable and connector, and the current of one contact."""
    begin, end = ladders.rms(index, 0), 0.0
    if branch.load_share > 0:
        end = ladders.rms(index, len(ladders.ladders[index]) - 1)
    found = {}
    if branch.shunt is not None:
        loss = begin**2 * branch.shunt.whole_resistance / branch.shunt.parallel
        found["shunt_dissipation", branch.shunt.designator] = Expectation(loss, "W", LADDER, LOSS, POWER_FLOOR)
    for part, current in ((branch.copper, begin), (branch.cable, end), (branch.connector, end)):
        if part is not None:
            loss = current**2 * part.whole_resistance
            found["conductor_dissipation", part.designator] = Expectation(loss, "W", LADDER, LOSS, POWER_FLOOR)
    if branch.connector is not None:
        contact = end / branch.connector.parallel
        found["connector_current", branch.connector.designator] = Expectation(
            contact, "A", LADDER, CURRENT_RMS, ladders.floor / branch.connector.parallel
        )
    return found


def _cans(ladders: _Ladders, banks: tuple[Bank, ...], index: int, ways: int) -> dict[Key, Expectation]:
    """Current of one can of every bank at a node of a branch."""
    fed, pieces = ladders.fed, {bank.designator: bank.parallel for bank in banks}
    return {
        key: dataclasses.replace(
            one, difference=widened(one.difference, fed.left_open, fed.reason),
            floor=max(one.floor, ladders.floor / pieces[key[1]]),
        )
        for key, one in cans(banks, ladders.can_currents(index, ways)).items()
    }  # fmt: skip


def _filter(ladders: _Ladders, choke: Choke, index: int) -> dict[Key, Expectation]:
    """Currents of a branch's filter choke."""
    mean = ladders.means.branch_currents[index]
    swing = peak_of(ladders.course(ladders.current(index, 1)))
    unsaturated = mean + swing * inductance_at(choke, mean) / choke.inductance
    values = {
        "choke_current_peak": (mean + swing, CHOKE_PEAK),
        "choke_current_rms": (ladders.rms(index, 1), CURRENT_RMS),
        "saturation_current_needed": (unsaturated, CHOKE_PEAK),
    }
    return {
        (metric, choke.designator): Expectation(value, "A", LADDER, gap, ladders.floor)
        for metric, (value, gap) in values.items()
    }


def _ripples(ladders: _Ladders, branch: Branch, index: int, *, probed: bool) -> dict[Key, Expectation]:
    """Ripple at every node of a branch, and through the probe at its connector."""
    places = ["bank"] + (["filter"] if branch.filter_choke else []) + (["connector"] if branch.load_share > 0 else [])
    fed = ladders.fed
    found = {}
    for ways, place in enumerate(places, start=1):
        response = ladders.voltage(index, ways)
        inductive = network.settled(response, fed.course.period)[1]
        voltage = ladders.course(response)
        risen = voltage.once(0.0) + fed.extra_slope * inductive
        swing = max(peak_of(voltage), risen) - float(np.min(voltage.value))
        is_inductive = inductive * swing_of(fed.course) / fed.course.period > 1e-3 * swing
        gap = widened(RIPPLE_ESL if is_inductive else RIPPLE, fed.left_open, fed.reason)
        gap = widened(gap, 2 * fed.edge_slope * inductive / swing if is_inductive else 0.0, EDGES)
        found["output_ripple", f"{branch.name} {place}"] = Expectation(swing, "V", LADDER, gap, RIPPLE_FLOOR)
    if probed and branch.load_share > 0:
        gap = widened(gaps.PROBED_RIPPLE, fed.left_open, fed.reason)
        found["output_ripple_probe", f"{branch.name} connector"] = Expectation(
            ladders.probed(index), "V", LADDER, gap, RIPPLE_FLOOR
        )
    return found


def estimates(output: Output, condition: Condition, tag: str) -> dict[str, tuple[float, float]]:
    """Unknown of the network behind an output -> where its search begins, and its scale; empty without a network."""
    if output.network is None:
        return {}
    means = direct(output, condition)
    level = output.voltage
    least = LEAST_SCALE * output.load_current / len(output.network.branches)
    found = {f"network {tag} copper": (means.current, max(means.current, least))}
    for (t, branch), current in zip(output.network.tags(tag), means.branch_currents, strict=True):
        at_bank = means.split_voltage - current * branch.begin[0]
        found[f"network {t} copper"] = found[f"network {t} cable"] = (current, max(current, least))
        for place in range(len(branch.banks)):
            found[f"network {t} bank {place}"] = (at_bank, level)
        last = at_bank
        if branch.filter_choke is not None:
            last = at_bank - current * branch.filter_choke.winding_resistance
            start, scale = (choke_state_at(branch.filter_choke, value) for value in (current, max(current, least)))
            found[f"network {t} choke"] = (start, scale)
        for place in range(len(branch.filter_banks)):
            found[f"network {t} filter {place}"] = (last, level)
        for device, _, _ in PROBE_CAPACITORS:
            found[f"probe {device} {t}"] = (last - current * branch.end[0], level)
    return found
