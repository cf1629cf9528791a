"""A two-switch forward converter at a point under a condition: its steady state with estimates, and its layout."""

from __future__ import annotations

from harness.contracts import Constraint, Control, Periodic
from harness.handcalc import output_network as network_hand
from harness.handcalc import two_switch_forward as hand
from harness.handcalc.two_switch_forward import Estimate
from harness.plan.study import LOWEST_INPUT
from harness.plan.switching_measures import (
    Layout,
    add_output,
    banks_layout,
    bus_layout,
    choke_layout,
    control_layout,
    empty_layout,
    lowest_input_layout,
    one_place_layout,
)
from harness.plan.switching_situation import FAST_SCALE, IDLE_STEPS, SMALLEST_DUTY
from harness.simulate.case import Case, periodic_case
from netlists.periodic import Level, State
from netlists.point import Condition
from netlists.stages import two_switch_forward as forward
from netlists.stages.switching import choke_state_at

VOLTAGE_REACH = 1.5  # a search may move the lowest bus by this factor either way


def case(params: forward.Params, condition: Condition, study: str) -> tuple[Case, Layout]:
    """The case of a study, and how it is measured.

    Raises
    ------
    ArithmeticError : the hand calculation finds no operation there, so that a search has no start
    """
    lowest = study == LOWEST_INPUT
    analysis = analysis_of(params, condition, lowest=lowest)
    found = periodic_case(forward.bench(params, condition), forward.probes(params), analysis)
    return found, lowest_layout(params) if lowest else layout(params, condition)


def analysis_of(params: forward.Params, condition: Condition, *, lowest: bool = False) -> Periodic:
    """The steady state whose duty holds the output, or whose bus does at the largest duty."""
    start = hand.estimate(params, condition, lowest=lowest)
    states = forward.states(params, condition)
    network = network_hand.estimates(params.output, condition, forward.TAG)
    pairs = [network.get(state.unknown) or _estimated(params, state, start) for state in states]
    gates = forward.gates(params, condition.line_voltage)
    if lowest:
        control = Control("voltage", start.bus, start.bus / VOLTAGE_REACH, start.bus * VOLTAGE_REACH)
        gates = (gates[0].held_at(params.largest_duty), gates[1].held_at(params.largest_duty))
        bus = Level(forward.FEED)
    else:
        control = Control("duty", start.duty, SMALLEST_DUTY, params.largest_duty)
        bus = Level(forward.FEED, value=condition.line_voltage)
    return Periodic(
        params.switching_frequency,
        (control,),
        (Constraint("mean", params.output.regulated_node(forward.TAG), params.output.voltage),),
        (*gates, bus),
        states,
        tuple(value for value, _ in pairs),
        tuple(scale for _, scale in pairs),
        *IDLE_STEPS,
    )


def _estimated(params: forward.Params, state: State, start: Estimate) -> tuple[float, float]:
    """Estimate and scale of a state, in the middle of the on-time."""
    what = state.unknown.split(" ")[0]
    if what == "choke":
        return choke_state_at(params.choke, start.choke), choke_state_at(params.choke, start.choke_scale)
    if what == "magnetising":
        return start.magnetising, start.magnetising_scale
    if what in ("output", "probe"):
        return start.output, start.output
    fast = {
        "leakage": start.primary, "loop": start.primary, "clamp": -start.bus, "freewheel": -start.secondary,
        "snubber": start.secondary,
    }  # fmt: skip
    return fast.get(state.place.split(" ")[0], 0.0), FAST_SCALE


def lowest_layout(params: forward.Params) -> Layout:
    """The bus found, and what is left of the period behind the core's reset."""
    found = lowest_input_layout(params.output.name)
    found["resets"] = [_reset_layout(params)]
    return found


def layout(params: forward.Params, condition: Condition) -> Layout:
    """Which signals belong to which part."""
    found = empty_layout()
    output, tag = params.output, forward.TAG
    found["controls"] = [control_layout("duty_cycle", output.name, "control.0.duty", "1")]
    found["places"] = [
        one_place_layout(params.high, "high", ["clamp_high_current"]),
        one_place_layout(params.low, "low", ["clamp_low_current"]),
        one_place_layout(params.high_clamp, "clamp_high", ["low_current"]),
        one_place_layout(params.low_clamp, "clamp_low", ["high_current"]),
        one_place_layout(params.forward, "forward", ["freewheel_current"]),
        one_place_layout(params.freewheel, "freewheel", ["forward_current"]),
    ]
    ends = [["freewheel_voltage", f"output_voltage_{tag}"]]
    found["chokes"] = [choke_layout(params.choke, [forward.LEG], ends)]
    found["banks"] = banks_layout(output.banks, f"output_current_{tag}")
    add_output(found, output, tag, condition)
    found["inputs"] = [bus_layout()]
    found["transformers"] = [
        {
            "designator": params.transformer.designator,
            "primary": "primary_current",
            "magnetising": "magnetising_current",
            "inductance": params.transformer.magnetising_inductance,
        }
    ]
    found["resets"] = [_reset_layout(params)]
    return found


def _reset_layout(params: forward.Params) -> Layout:
    return {
        "designator": params.transformer.designator,
        "clamp": "clamp_low_current",
        "magnetising": "magnetising_current",
        "start": "clamp_low_voltage",
        "end": "low_voltage",
        "inductance": params.transformer.primary_inductance,
    }
