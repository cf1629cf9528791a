"""What the current fed into an output makes there: ripple at the bank and through a probe, each can's current."""

from __future__ import annotations

from harness.handcalc import network
from harness.handcalc import switching_gaps as gaps
from harness.handcalc.expectation import Difference, Expectation
from harness.handcalc.output_network import Fed, branches_of, probed_ripple
from harness.handcalc.switching_gaps import Key
from harness.handcalc.switching_waveform import Course, swing_of
from netlists.point import Condition
from netlists.stages.outputs import Output


def output_metrics(
    output: Output, condition: Condition, fed: Course, ripple: Difference, can: Difference
) -> dict[Key, Expectation]:
    """Ripple and cans of an output fed by a current [A] whose course is known.

    Parameters
    ----------
    ripple, can : how far a simulation may lie from each
    """
    branches, orders = branches_of(output, condition), network.train(fed, 1)
    voltage = network.ripple(fed, orders, branches)
    found = {("output_ripple", output.name): Expectation(swing_of(voltage), "V", gaps.IMPEDANCE, ripple, 2e-4)}
    if condition.probe != "none":
        read = probed_ripple(output, condition, Fed(fed))
        found["output_ripple_probe", output.name] = Expectation(read, "V", gaps.IMPEDANCE, ripple, 2e-4)
    for bank, current in zip(output.banks, network.branch_rms(fed, orders, branches), strict=False):
        key = ("capacitor_current_rms", bank.designator)
        found[key] = Expectation(current / bank.parallel, "A", gaps.IMPEDANCE, can, 5e-3)
    return found
