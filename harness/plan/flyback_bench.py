"""A flyback at one point under one condition, put as a periodic steady state, and the layout of its signals."""

from __future__ import annotations

import dataclasses

from harness.contracts import Constraint, Control, Periodic
from harness.handcalc import flyback as hand
from harness.handcalc.flyback import Estimate
from harness.plan.study import LOWEST_INPUT
from harness.plan.switching_measures import (
    Layout,
    add_output,
    banks_layout,
    bus_layout,
    choke_layout,
    control_layout,
    edges_layout,
    empty_layout,
    lowest_input_layout,
    one_place_layout,
    place_layout,
    synchronous_layout,
)
from harness.plan.switching_situation import AT_LIMIT, FAST_SCALE, FREQUENCY_REACH, SMALLEST_DUTY
from harness.simulate.case import Case, periodic_case
from netlists.periodic import State
from netlists.point import Condition
from netlists.stages import flyback as stage
from netlists.stages.flyback_params import TAGS, Params, rails, turn_on_delay
from netlists.stages.switching import choke_state_at

SEARCH = "periodic_search_pulsed"
SYNCHRONOUS_STEPS = (400, 600)  # where edges are read from the currents
STEPS = (200, 600)  # time steps a period, search and final: its options refine the search's where it needs it
BUS_REACH = 3.0  # the search for the lowest bus may move it by this factor either way


def flyback_case(params: Params, condition: Condition) -> Case:
    """The case of a flyback whose duty is solved for."""
    analysis = flyback_analysis(params, condition)
    return periodic_case(stage.bench(params, condition), stage.probes(params), analysis, SEARCH)


def lowest_case(params: Params, condition: Condition) -> Case:
    """The case of a flyback at its largest duty, its bus solved for.

    Raises
    ------
    ArithmeticError : the hand calculation finds no such bus
    """
    at_end = dataclasses.replace(condition, line_voltage=hand.lowest_input(params, condition))
    analysis = flyback_analysis(params, at_end, bus_is_control=True)
    return periodic_case(stage.bench(params, at_end, bus_is_control=True), stage.probes(params), analysis, SEARCH)


def flyback_bench(params: Params, condition: Condition, study: str) -> tuple[Case, Layout]:
    """Case and layout of a study."""
    if study == LOWEST_INPUT:
        return lowest_case(params, condition), lowest_input_layout(params.secondaries[0].output.name)
    case = flyback_case(params, condition)
    assert isinstance(case.analysis, Periodic)
    return case, flyback_layout(params, condition, valley=len(case.analysis.controls) > 1)


def flyback_analysis(params: Params, condition: Condition, *, bus_is_control: bool = False) -> Periodic:
    """The steady state: duty, or at the largest duty the bus, holds the regulated rail; the frequency the idle time."""
    estimate = hand.estimate(params, condition, params.largest_duty if bus_is_control else None)
    gate = stage.gate(params, condition, estimate.duty, estimate.frequency)
    rectifiers = stage.synchronous_rectifiers(params, condition, estimate.duty, estimate.frequency)
    rail = params.secondaries[0].output
    controls = [Control("duty", estimate.duty, SMALLEST_DUTY, params.largest_duty)]
    if bus_is_control:
        bus = condition.line_voltage
        gate = gate.held_at(params.largest_duty)
        rectifiers = tuple(one.held_at(params.largest_duty) for one in rectifiers)
        controls = [Control("voltage", bus, bus / BUS_REACH, bus * BUS_REACH)]
    constraints = [Constraint("mean", stage.regulated_vector(params), rail.voltage)]
    if params.mode == "valley" and estimate.frequency < AT_LIMIT * params.switching_frequency:
        # at its highest frequency a valley-switched controller waits for a later valley: nothing to solve
        lowest, highest = estimate.frequency / FREQUENCY_REACH, params.switching_frequency / AT_LIMIT
        controls.append(Control("frequency", estimate.frequency, lowest, highest))
        constraints.append(Constraint("idle", stage.MAGNETISING, turn_on_delay(params)))
    states = stage.states(params, condition)
    fast = _fast(params, condition, estimate)
    pairs = [_estimated(params, state, estimate, fast) for state in states]
    return Periodic(
        estimate.frequency,
        tuple(controls),
        tuple(constraints),
        (gate, stage.FEED) if bus_is_control else (gate,),
        states,
        tuple(value for value, _ in pairs),
        tuple(scale for _, scale in pairs),
        *(SYNCHRONOUS_STEPS if rectifiers else STEPS),
        rectifiers=rectifiers,
        surrogate=stage.SURROGATE if rectifiers else "",
    ).steered(None)


def _estimated(params: Params, state: State, estimate: Estimate, fast: dict[str, float]) -> tuple[float, float]:
    """Estimate and scale of a state by the unknown it belongs to, or by the place a fast one lies across."""
    what, *rest = state.unknown.split(" ") if state.unknown else ("",)
    if what == "magnetising":
        return (estimate.primary if "leakage" in state.device else estimate.magnetising), estimate.scale
    if what == "clamp":
        return estimate.clamp, estimate.clamp
    if what in ("first", "output", "probe"):
        index = TAGS.index(rest[1])
        level = estimate.firsts[index] if what == "first" else estimate.outputs[index]
        return level, level
    if what == "choke":
        index = TAGS.index(rest[0].removeprefix("post_"))
        part = params.secondaries[index].choke
        assert part is not None  # only a rail with one has such a state
        value = choke_state_at(part, estimate.chokes[index])
        return value, value
    return fast.get(state.place, 0.0), FAST_SCALE


def _fast(params: Params, condition: Condition, estimate: Estimate) -> dict[str, float]:
    """Values of the fast states by their place while the switch is on: switch without voltage, all diodes blocked."""
    found = {"clamp": -(condition.line_voltage + estimate.clamp)}
    for index, (tag, one) in enumerate(rails(params)):
        reverse = estimate.firsts[index] + estimate.winding / params.primary.ideal_ratio(one.winding)
        found |= {f"rectifier {tag}": -reverse, f"channel {tag}": reverse}
    return found


def flyback_layout(params: Params, condition: Condition, *, valley: bool) -> Layout:
    """Which signals belong to which part; ``valley``: its frequency is a control too."""
    made = rails(params)
    rectified = [f"rectifier_current_{tag}" for tag, _ in made]
    main, clamp = params.secondaries[0].output.name, params.clamp
    layout = empty_layout()
    layout["controls"] = [control_layout("duty_cycle", main, "control.0.duty", "1")]
    if params.mode == "valley":
        solution = "control.1.frequency" if valley else "frequency"
        layout["controls"].append(control_layout("switching_frequency", main, solution, "Hz"))
    layout["places"] = [
        one_place_layout(params.switch, "switch", rectified),
        {
            **one_place_layout(clamp.diode, "clamp", ["switch_current"]),
            "voltages": ["clamp_diode_voltage"],
        },
    ]
    layout["clamps"] = [
        {
            "capacitor": clamp.capacitor,
            "resistor": clamp.resistor,
            "voltage": "clamp_voltage",
            "resistance": clamp.resistance * clamp.resistors_series / clamp.resistors_parallel,
            "pieces": clamp.resistor_pieces,
        }
    ]
    layout["cores"] = [
        {"designator": params.primary.designator, "current": "magnetising_current", "voltage": "magnetising_voltage"}
    ]
    layout["inputs"] = [bus_layout()]
    for index, (tag, one) in enumerate(made):
        part, sign = one.rectifier, 1 if one.synchronous is None else -1
        kind = "diode" if one.synchronous is None else "switch"
        place = place_layout(kind, part.designator, [tag], "rectifier", [["switch_current"]], part.parallel, sign)
        layout["places"].append(place)
        if one.choke is not None:
            ends = [[f"first_voltage_{tag}", f"output_voltage_{tag}"]]
            layout["chokes"].append(choke_layout(one.choke, [f"post_{tag}"], ends))
        layout["banks"] += banks_layout(one.firsts, f"first_current_{tag}")
        layout["banks"] += banks_layout(one.output.banks, f"output_current_{tag}")
        add_output(layout, one.output, tag, condition)
        if index > 0:
            followed = {"metric": "output_voltage", "subject": one.output.name, "signal": f"output_voltage_{tag}"}
            layout["levels"].append(followed)
    layout["rectifiers"] = _edges_layout(params, condition)
    return layout


def _edges_layout(params: Params, condition: Condition) -> list[Layout]:
    """The synchronous rectifier, where there is one; its edges are counted from the switch's turn-off."""
    estimate = hand.estimate(params, condition)
    tag, rail = rails(params)[0]
    place = {"current": f"rectifier_current_{tag}", "voltage": f"rectifier_voltage_{tag}"}
    made = stage.synchronous_rectifiers(params, condition, estimate.duty, estimate.frequency)
    return [synchronous_layout(rail.rectifier, rail.output, [place | edges_layout(one)]) for one in made]
