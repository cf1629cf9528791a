"""What the current fed into an output makes there: ripple at the bank and through a probe, each can's current."""

from __future__ import annotations

from harness.handcalc import network
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.network import AnyBranch, Branch, Load
from harness.handcalc.switching_gaps import Key
from harness.handcalc.switching_waveform import Course, swing_of
from netlists.point import Condition
from netlists.stages.outputs import PROBE_BANDWIDTH, PROBE_CAPACITORS, Output
from netlists.stages.switching import SHORT


def branches_of(output: Output, condition: Condition) -> tuple[list[AnyBranch], Load]:
    """Every branch on an output's node, the load's last, and that load."""
    probes = () if condition.probe == "none" else tuple(Branch(esr, 0.0, c) for _, c, esr in PROBE_CAPACITORS)
    inductance = output.copper_inductance if output.copper_resistance is not None else None
    load = Load(output.copper_resistance or SHORT, inductance or 0.0, output.load_resistance(condition), probes)
    return [*(network.branch_of(bank) for bank in output.banks), load], load


def output_metrics(
    output: Output, condition: Condition, fed: Course, ripple: Difference, can: Difference
) -> dict[Key, Expectation]:
    """Ripple and cans of an output fed by a current [A] whose course is known.

    Parameters
    ----------
    ripple, can : how far a simulation may lie from each
    """
    branches, load = branches_of(output, condition)
    orders = network.train(fed, 1)
    voltage = network.ripple(fed, orders, branches)
    found = {("output_ripple", output.name): Expectation(swing_of(voltage), "V", gaps.IMPEDANCE, ripple, 2e-4)}
    if condition.probe != "none":
        transfer = network.probe_transfer(branches, load, fed.period, PROBE_BANDWIDTH)
        read = swing_of(network.ripple(fed, orders, branches, transfer))
        found["output_ripple_probe", output.name] = Expectation(read, "V", gaps.IMPEDANCE, ripple, 2e-4)
    for bank, current in zip(output.banks, network.branch_rms(fed, orders, branches), strict=False):
        key = ("capacitor_current_rms", bank.designator)
        found[key] = Expectation(current / bank.parallel, "A", gaps.IMPEDANCE, can, 5e-3)
    return found
