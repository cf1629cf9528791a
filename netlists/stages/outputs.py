"""What stands between a converter's rectifiers or chokes and its load: banks, copper, load, probe.

    OUT_T - one branch a bank - 0
    OUT_T - copper - LOAD_T - load resistance, probe - 0

T is the output's tag within its bench, such as ``a``. The load is a resistance. Where an output_network carries it,
the network begins at LOAD_T, and each of its branches ends in a share of the load with a probe of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

from PySpice.Spice.Netlist import Circuit, Netlist, SubCircuit

from netlists import devices
from netlists.errors import OptionError
from netlists.parameters import check, parameter
from netlists.periodic import State
from netlists.point import Condition
from netlists.probe import Probe
from netlists.stages import switching
from netlists.stages.banks import Bank, bank_branch
from netlists.stages.output_network import Network, add_network, network_probes, network_states

# The public desktop guide's probe: 0.1 uF ceramic and 10 uF electrolytic; their ESR is common practice, no source.
PROBE_CAPACITORS = (("probe_film", 0.1e-6, 0.02), ("probe_can", 10e-6, 0.5))
PROBE_BANDWIDTH = 20e6  # its ripple is read up to here, a first-order low pass in this program [Hz]


@dataclass(frozen=True, slots=True)
class Output:
    """One regulated output: its banks, the copper to its load, its load at full."""

    name: str
    banks: tuple[Bank, ...]
    voltage: float = parameter("V", "regulated, mean at the bank", gt=0)
    load_current: float = parameter("A", "full load", gt=0)
    copper_resistance: float | None = parameter("ohm", "bank to load", gt=0, default=None)
    copper_inductance: float | None = parameter("H", "bank to load", gt=0, default=None)
    network: Network | None = None

    def __post_init__(self) -> None:
        check(self)
        if not self.banks and self.network is None:
            raise OptionError("Output.banks: needs at least one capacitor")

    def load_resistance(self, condition: Condition) -> float:
        """The resistance that draws the load's current at the output's voltage [ohm]."""
        return self.voltage / (self.load_current * condition.load_fraction)

    def loads(self, tag: str, condition: Condition) -> list[tuple[str, float]]:
        """Tag and resistance [ohm] of every part of the load; the tag ends the names of its node and its probe."""
        whole = self.load_resistance(condition)
        if self.network is None:
            return [(tag, whole)]
        return [(t, whole / branch.load_share) for t, branch in self.network.tags(tag) if branch.load_share > 0]

    def regulated_node(self, tag: str) -> str:
        """The node of the bench whose mean is held at the output's voltage."""
        return f"out_{tag}" if self.network is None else self.network.regulated_node(tag)


def output_branches(netlist: Netlist, output: Output, tag: str) -> None:
    """Banks and copper of an output, between the ports ``out_<tag>`` and ``load_<tag>``."""
    out, load = f"out_{tag}", f"load_{tag}"
    for index, part in enumerate(output.banks):
        bank_branch(netlist, f"output_{tag}{index}", out, part)
    if output.copper_inductance is not None and output.copper_resistance is not None:
        devices.resistor(netlist, f"copper_{tag}", out, f"in_copper_{tag}", output.copper_resistance)
        devices.inductance(netlist, f"copper_{tag}", f"in_copper_{tag}", load, output.copper_inductance)
    else:
        devices.resistor(netlist, f"copper_{tag}", out, load, output.copper_resistance or switching.SHORT)


def bus_bench(stage: SubCircuit, output: Output, tag: str, condition: Condition) -> Circuit:
    """A converter with one output between an ideal bus, ``vfeed``, and its load with the probe of the condition.

    The bus is a pulse source that never pulses, so that a study may have it found.
    """
    circuit = Circuit(stage.name)
    circuit.subcircuit(stage)
    devices.pulse(circuit, "feed", "feed")
    circuit.X("stage", stage.name, "feed", f"out_{tag}", f"load_{tag}")
    output_load(circuit, output, tag, condition)
    return circuit


def output_load(netlist: Netlist, output: Output, tag: str, condition: Condition) -> None:
    """The load of an output, the probe of the condition beside it, and the network before them, where there is one."""
    if output.network is not None:
        add_network(netlist, output.network, tag)
    node = "load" if output.network is None else "connector"
    for t, resistance in output.loads(tag, condition):
        devices.resistor(netlist, f"load_{t}", f"{node}_{t}", "0", resistance)
        if condition.probe != "none":
            for device, capacitance, esr in PROBE_CAPACITORS:
                devices.capacitor_with_esr(netlist, f"{device}_{t}", f"{node}_{t}", "0", capacitance, esr, 0.0)


def output_states(prefix: str, output: Output, tag: str, condition: Condition) -> list[State]:
    """Energy stores of an output: each bank an unknown of its own, so each capacitor of a probe."""
    names = [f"output_{tag}{place}" for place in range(len(output.banks))]
    found = switching.bank_states(prefix, names, output.banks, f"output voltage {tag}")
    if output.copper_inductance is not None:
        # with a network behind it, its current is no longer settled within a period
        unknown = "" if output.network is None else f"network {tag} copper"
        found.append(State(f"l.{prefix}.lcopper_{tag}", f"l.{prefix}.lcopper_{tag}#branch", unknown=unknown))
    if output.network is not None:
        found += network_states(output.network, tag)
    if condition.probe != "none":
        found += [
            State(f"c{device}_{t}", f"inner_{device}_{t}", unknown=f"probe {device} {t}")
            for t, _ in output.loads(tag, condition)
            for device, _, _ in PROBE_CAPACITORS
        ]
    return found


def output_probes(prefix: str, output: Output, tag: str) -> list[Probe]:
    """Voltages at bank and load, the current into each bank."""
    end = "at its load" if output.network is None else "where its network begins"
    found = [
        Probe(f"output_voltage_{tag}", f"out_{tag}", "V", f"{output.name}, at its bank", "voltage", "0"),
        Probe(f"load_voltage_{tag}", f"load_{tag}", "V", f"{output.name}, {end}", "voltage", "0"),
    ]
    for place, part in enumerate(output.banks):
        vector = f"v.{prefix}.vsense_output_{tag}{place}#branch"
        found.append(Probe(f"output_current_{tag}{place}", vector, "A", f"into all of {part.designator}", "current"))
    return found if output.network is None else found + network_probes(output.network, tag)
