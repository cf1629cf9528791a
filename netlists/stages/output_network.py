"""What stands between a converter's output and its loads on a high-current board: branches of copper, banks and cable.

Nodes of the subcircuit (ports in capitals); t is the output's tag with the branch's number, such as a0::

    LOAD_A - copper, shunt - bank_t - filter choke - filter_t - cable, connector - CONNECTOR_T
                               |                        |
                         one branch a bank      one branch a filter bank

Shunt, filter choke with its banks, cable and connector are each optional. Each branch's load and probe stand at its
connector. A cable's values are of both conductors, a connector has as many contacts going as returning. Left out:
coupling of conductors, the rise of their resistance with frequency and temperature.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from PySpice.Spice.Netlist import Netlist, SubCircuit

from netlists import devices
from netlists.errors import OptionError, RecordError
from netlists.instances import AT_THE_BANK, OutputNetwork
from netlists.parameters import check, count, parameter
from netlists.periodic import State
from netlists.point import Point, Reader
from netlists.probe import Probe
from netlists.record import SupplyRecord
from netlists.stages import switching
from netlists.stages.banks import Bank, bank_branch
from netlists.stages.switching import Choke
from netlists.stages.switching_record import Parts

KIND = "output_network"
MOST_BRANCHES = 8
SHARE_TOLERANCE = 1e-6  # of the load: what shares may miss 1 by


@dataclass(frozen=True, slots=True)
class Conductor:
    """Copper, bus bar or cable: identical pieces in parallel, values of one piece, coupling of pieces left out."""

    designator: str
    resistance: float = parameter("ohm", "one piece; of a cable both conductors together", gt=0)
    inductance: float | None = parameter("H", "one piece; of a cable both conductors together", gt=0, default=None)
    parallel: int = count("pieces in parallel")

    def __post_init__(self) -> None:
        check(self)

    @property
    def whole_resistance(self) -> float:
        """All pieces together [ohm]."""
        return self.resistance / self.parallel

    @property
    def whole_inductance(self) -> float:
        """All pieces together [H]; 0 where none is modelled."""
        return (self.inductance or 0.0) / self.parallel


@dataclass(frozen=True, slots=True)
class Shunt:
    """Identical shunts in parallel, values of one piece."""

    designator: str
    resistance: float = parameter("ohm", "one piece", gt=0)
    parallel: int = count("pieces in parallel")

    def __post_init__(self) -> None:
        check(self)

    @property
    def whole_resistance(self) -> float:
        """All pieces together [ohm]."""
        return self.resistance / self.parallel


@dataclass(frozen=True, slots=True)
class Connector:
    """A connector: ``parallel`` contacts carry the current there, as many carry it back."""

    designator: str
    contact_resistance: float = parameter("ohm", "one mated contact", gt=0)
    parallel: int = count("contacts in parallel, of one conductor")

    def __post_init__(self) -> None:
        check(self)

    @property
    def whole_resistance(self) -> float:
        """Going and returning contacts together [ohm]."""
        return 2 * self.contact_resistance / self.parallel


@dataclass(frozen=True, slots=True)
class Branch:
    """One branch from the converter's output to its share of the load."""

    name: str
    copper: Conductor
    banks: tuple[Bank, ...]
    load_share: float = parameter("1", "of the output's load; 0: a bank without load of its own", ge=0, le=1)
    shunt: Shunt | None = None
    filter_choke: Choke | None = None
    filter_banks: tuple[Bank, ...] = ()
    cable: Conductor | None = None
    connector: Connector | None = None

    def __post_init__(self) -> None:
        check(self)
        if not self.banks:
            raise OptionError(f"Branch.banks: {self.name} needs at least one capacitor")
        if (self.filter_choke is None) != (not self.filter_banks):
            raise OptionError(f"Branch.filter_choke: {self.name} needs both a filter choke and a bank behind it")
        if self.load_share == 0 and (self.cable is not None or self.connector is not None):
            raise OptionError(f"Branch.cable: {self.name} has no load, so no cable or connector either")

    @property
    def begin(self) -> tuple[float, float]:
        """From the converter's output to the branch's bank, shunt included [ohm], [H]."""
        shunt = 0.0 if self.shunt is None else self.shunt.whole_resistance
        return self.copper.whole_resistance + shunt, self.copper.whole_inductance

    @property
    def end(self) -> tuple[float, float]:
        """From the branch's last bank to where its load is connected [ohm], [H]."""
        pieces = [part.whole_resistance for part in (self.cable, self.connector) if part is not None]
        return sum(pieces) or switching.SHORT, 0.0 if self.cable is None else self.cable.whole_inductance

    @property
    def resistance(self) -> float:
        """From the converter's output to where the load is connected [ohm]."""
        choke = 0.0 if self.filter_choke is None else self.filter_choke.winding_resistance
        return self.begin[0] + choke + self.end[0]


@dataclass(frozen=True, slots=True)
class Network:
    """All branches of one output.

    Parameters
    ----------
    sense : branch whose connector the converter regulates; ``bank``: it regulates its own output
    """

    name: str
    branches: tuple[Branch, ...]
    sense: str = AT_THE_BANK

    def __post_init__(self) -> None:
        names = [branch.name for branch in self.branches]
        if not 1 <= len(names) <= MOST_BRANCHES:
            raise OptionError(f"Network.branches: must be 1 to {MOST_BRANCHES}, found {len(names)}")
        if len(set(names)) < len(names):
            raise OptionError("Network.branches: two have one name")
        total = sum(branch.load_share for branch in self.branches)
        if abs(total - 1) > SHARE_TOLERANCE:
            raise OptionError(f"Branch.load_share: shares of all branches must add up to 1, found {total:g}")
        if self.sense != AT_THE_BANK and self.sense not in [b.name for b in self.branches if b.load_share > 0]:
            raise OptionError(f"Network.sense: must be {AT_THE_BANK} or a branch with a load, found {self.sense}")

    def tags(self, tag: str) -> list[tuple[str, Branch]]:
        """Every branch with the tag its nodes and signals end in, such as ``a0``."""
        return [(f"{tag}{index}", branch) for index, branch in enumerate(self.branches)]

    def regulated_node(self, tag: str) -> str:
        """The node of the bench whose mean the converter holds."""
        return next((f"connector_{t}" for t, branch in self.tags(tag) if branch.name == self.sense), f"out_{tag}")


def prefix_of(tag: str) -> str:
    """The subcircuit's instance in the bench."""
    return f"xnetwork_{tag}"


def connectors(network: Network, tag: str) -> list[str]:
    """Node of every branch's connector."""
    return [f"connector_{t}" for t, _ in network.tags(tag)]


def add_network(bench: Netlist, network: Network, tag: str) -> None:
    """The network in a bench, between the node ``load_<tag>`` and its connectors."""
    circuit = SubCircuit(f"network_{tag}", f"load_{tag}", *connectors(network, tag))
    for t, branch in network.tags(tag):
        _branch(circuit, branch, f"load_{tag}", t)
    bench.subcircuit(circuit)
    bench.X(f"network_{tag}", f"network_{tag}", f"load_{tag}", *connectors(network, tag))


def _branch(netlist: Netlist, branch: Branch, root: str, t: str) -> None:
    at, bank = f"sensed_branch_{t}", f"bank_{t}"
    devices.current_sense(netlist, f"sense_branch_{t}", root, at)
    if branch.shunt is not None:
        devices.resistor(netlist, f"shunt_{t}", at, f"behind_shunt_{t}", branch.shunt.whole_resistance)
        at = f"behind_shunt_{t}"
    _conductor(netlist, f"copper_{t}", at, bank, branch.copper)
    for index, part in enumerate(branch.banks):
        bank_branch(netlist, f"bank_{t}_{index}", bank, part)
    last = bank
    if branch.filter_choke is not None:
        last = f"filter_{t}"
        switching.choke(netlist, f"filter_{t}", bank, last, branch.filter_choke)
        for index, part in enumerate(branch.filter_banks):
            bank_branch(netlist, f"filter_{t}_{index}", last, part)
    _to_the_load(netlist, branch, last, t)


def _to_the_load(netlist: Netlist, branch: Branch, last: str, t: str) -> None:
    at, connector = f"sensed_load_{t}", f"connector_{t}"
    devices.current_sense(netlist, f"sense_load_{t}", last, at)
    if branch.cable is not None:
        behind = connector if branch.connector is None else f"behind_cable_{t}"
        _conductor(netlist, f"cable_{t}", at, behind, branch.cable)
        at = behind
    if branch.connector is not None:
        devices.resistor(netlist, f"connector_{t}", at, connector, branch.connector.whole_resistance)
    elif branch.cable is None:
        devices.resistor(netlist, f"connector_{t}", at, connector, switching.SHORT)


def _conductor(netlist: Netlist, device: str, begin: str, end: str, part: Conductor) -> None:
    if part.inductance is None:
        devices.resistor(netlist, device, begin, end, part.whole_resistance)
        return
    devices.resistor(netlist, device, begin, f"in_{device}", part.whole_resistance)
    devices.inductance(netlist, device, f"in_{device}", end, part.whole_inductance)


def network_states(network: Network, tag: str) -> list[State]:
    """Energy stores of a network: currents of copper, chokes and cables and every bank are unknowns, ESLs are fast."""
    prefix, found = prefix_of(tag), []

    def inductor(device: str, unknown: str) -> State:
        return State(f"l.{prefix}.l{device}", f"l.{prefix}.l{device}#branch", unknown=unknown)

    for t, branch in network.tags(tag):
        if branch.copper.inductance is not None:
            found.append(inductor(f"copper_{t}", f"network {t} copper"))
        names = [f"bank_{t}_{index}" for index in range(len(branch.banks))]
        found += switching.bank_states(prefix, names, branch.banks, f"network {t} bank")
        if branch.filter_choke is not None:
            state = switching.choke_state(prefix, f"filter_{t}", branch.filter_choke)
            found.append(dataclasses.replace(state, unknown=f"network {t} choke"))
            names = [f"filter_{t}_{index}" for index in range(len(branch.filter_banks))]
            found += switching.bank_states(prefix, names, branch.filter_banks, f"network {t} filter")
        if branch.cable is not None and branch.cable.inductance is not None:
            found.append(inductor(f"cable_{t}", f"network {t} cable"))
    return found


def network_probes(network: Network, tag: str) -> list[Probe]:
    """Current of every branch, bank and connector, voltage of every node of a branch."""
    prefix, found = prefix_of(tag), []

    def sensed(name: str, device: str, doc: str) -> Probe:
        return Probe(name, f"v.{prefix}.vsense_{device}#branch", "A", doc, "current")

    for t, branch in network.tags(tag):
        found.append(sensed(f"branch_current_{t}", f"branch_{t}", f"into branch {branch.name}"))
        found.append(sensed(f"connector_current_{t}", f"load_{t}", f"out of branch {branch.name}, to its load"))
        nodes = [("bank", branch.banks)] + ([("filter", branch.filter_banks)] if branch.filter_choke else [])
        for place, banks in nodes:
            doc = f"branch {branch.name}, at its {place}"
            found.append(Probe(f"{place}_voltage_{t}", f"{prefix}.{place}_{t}", "V", doc, "voltage", "0"))
            found += [
                sensed(f"{place}_current_{t}_{index}", f"{place}_{t}_{index}", f"into all of {part.designator}")
                for index, part in enumerate(banks)
            ]
        if branch.filter_choke is not None:
            doc = f"{branch.filter_choke.designator} of branch {branch.name}"
            found.append(sensed(f"choke_current_filter_{t}", f"choke_filter_{t}", doc))
        doc = f"branch {branch.name}, at its connector"
        found.append(Probe(f"connector_voltage_{t}", f"connector_{t}", "V", doc, "voltage", "0"))
    return found


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Network, frozenset[str]]:
    """A network at a point, and the record paths read."""
    stage = record.instance(instance)
    if not isinstance(stage, OutputNetwork):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    if not stage.is_modelled():
        raise OptionError(f"stages.{instance}: recorded only, since none of its parts says its role")
    reader = Reader(record, point)
    return read_network(record, instance, reader), frozenset(reader.reads)


def read_network(record: SupplyRecord, instance: str, reader: Reader) -> Network:
    """A network through a reader that may read more than it.

    Raises
    ------
    RecordError : its values are possible each but not together
    """
    stage = record.instance(instance)
    assert isinstance(stage, OutputNetwork)  # the caller chose it so
    sense = reader.structure(instance, "sense")
    try:
        shares = _load_shares(stage, instance, reader)
        branches = tuple(_read_branch(record, instance, reader, name, share) for name, share in shares.items())
        return Network(instance, branches, sense)
    except OptionError as error:
        raise RecordError([record.finding(f"stages.{instance}", str(error))]) from error


def _load_shares(stage: OutputNetwork, instance: str, reader: Reader) -> dict[str, float]:
    """Share of every branch, as stated or equal; values moved within their ranges are made to add up to 1."""
    stated = {
        name: reader.value(f"stages.{instance}.branches.{name}.load_share")
        for name, branch in stage.branches.items()
        if branch.load_share is not None
    }
    if not stated:
        return dict.fromkeys(stage.branches, 1 / len(stage.branches))
    total = math.fsum(stated.values())
    return {name: share / total for name, share in stated.items()}


def _read_branch(record: SupplyRecord, instance: str, reader: Reader, name: str, share: float) -> Branch:
    parts = Parts(record, instance, reader, 1, branch=name)

    def one(role: str) -> tuple[str, str, int] | None:
        return next(((d, path, part.parallel) for d, path, part in parts.in_role(role)), None)

    def conductor(role: str) -> Conductor | None:
        if (found := one(role)) is None:
            return None
        designator, path, parallel = found
        return Conductor(designator, reader.value(f"{path}.resistance"), reader.value(f"{path}.inductance"), parallel)

    shunt, connector, copper = one("shunt"), one("connector"), conductor("copper")
    assert copper is not None  # every branch has copper, which was checked when the record was read
    return Branch(
        name, copper, parts.banks("bank"), share,
        shunt=shunt and Shunt(shunt[0], reader.value(f"{shunt[1]}.resistance"), shunt[2]),
        filter_choke=parts.choke("filter_choke"), filter_banks=parts.banks("filter_bank"), cable=conductor("cable"),
        connector=connector
        and Connector(connector[0], reader.value(f"{connector[1]}.contact_resistance"), connector[2]),
    )  # fmt: skip
