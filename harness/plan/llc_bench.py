"""An LLC converter at a point under a condition: its steady state with estimates, and which signal is which part's."""

from __future__ import annotations

from typing import Any

from harness.contracts import Constraint, Control, Periodic
from harness.handcalc import llc as hand
from harness.handcalc import output_network as network_hand
from harness.handcalc.llc import Estimate
from harness.plan.study import LOWEST_INPUT
from harness.plan.switching_measures import (
    Layout,
    add_output,
    banks_layout,
    bus_layout,
    control_layout,
    edges_layout,
    empty_layout,
    lowest_input_layout,
    place_layout,
    synchronous_layout,
)
from harness.simulate.case import Case, periodic_case
from netlists.periodic import Level, Rectifier, State
from netlists.point import Condition
from netlists.stages import llc

STEPS = (250, 400)  # time steps a period: search and final
REACH = 1.5  # a search may move the frequency by this factor beyond what the controller can set
VOLTAGE_REACH = 1.6  # and the lowest bus by this factor either way


def case(params: llc.Params, condition: Condition, study: str, start: Estimate | None = None) -> tuple[Case, Layout]:
    """The case of a study, and how it is measured.

    Raises
    ------
    ArithmeticError : the hand calculation finds no operation there, so that a search has no start
    """
    lowest = study == LOWEST_INPUT
    analysis = analysis_of(params, condition, lowest=lowest, start=start)
    circuit = llc.bench(params, condition)
    found = periodic_case(circuit, llc.probes(params), analysis)
    return found, lowest_input_layout(params.output.name) if lowest else layout(params, condition)


def analysis_of(
    params: llc.Params, condition: Condition, *, lowest: bool = False, start: Estimate | None = None
) -> Periodic:
    """The steady state whose frequency holds the output, or whose bus does at the frequency of the largest gain."""
    start = start or hand.estimate(params, condition, lowest=lowest)
    states = llc.states(params, condition)
    network = network_hand.estimates(params.output, condition, llc.TAG)
    pairs = [network.get(state.unknown) or _estimated(params, state, start) for state in states]
    rectifiers = _rectifiers(params)
    if lowest:
        control = Control("voltage", start.bus, start.bus / VOLTAGE_REACH, start.bus * VOLTAGE_REACH)
        feed = Level("vfeed")
    else:
        control = Control(
            "frequency", start.frequency, params.lowest_frequency / REACH, params.highest_frequency * REACH
        )
        feed = Level("vfeed", value=condition.line_voltage)
    return Periodic(
        start.frequency,
        (control,),
        (Constraint("mean", params.output.regulated_node(llc.TAG), params.output.voltage),),
        (feed, *llc.bridge_gates(params, condition.line_voltage)),
        states,
        tuple(value for value, _ in pairs),
        tuple(scale for _, scale in pairs),
        *STEPS,
        rectifiers=rectifiers,
        surrogate=llc.SURROGATE if rectifiers else "",
    ).steered(None)


def _rectifiers(params: llc.Params) -> tuple[Rectifier, ...]:
    if params.rectification == "diode":
        return ()
    return tuple(
        Rectifier(
            llc.rectifier_gate(params, place),
            f"v.{llc.PREFIX}.vsense_rectifier_{place.tag}#branch",
            f"v.{llc.PREFIX}.vsense_{place.winding}#branch",
            -1,
            place.sign,
            params.turn_on_delay,
            params.turn_off_lead,
            params.least_on_time,
            0,
        )
        for place in llc.places(params)
    )


def _estimated(params: llc.Params, state: State, start: Estimate) -> tuple[float, float]:
    """Estimate and scale of a state, in the middle of the positive half period."""
    output, bus = start.output, start.bus
    blocked = output * (2 if params.secondary == "centre_tapped" else 1)
    what, _, rest = state.unknown.partition(" ")
    if what == "tank":
        return start.tank, start.peaks[0]
    if what == "magnetising":
        return start.magnetising[int(rest)], start.peaks[0]
    if what == "resonant":
        to_bus = state.device.rsplit(".", 1)[-1].startswith("csplit")
        return start.resonant[1 if to_bus else 0], max(start.peaks[1], 0.05 * bus)
    if what in ("output", "probe"):
        return output, output
    where, _, tag = state.place.partition(" ")
    fast = {
        "high a": 0.0, "low a": bus, "high b": bus, "low b": 0.0,
        "p rectifier": 0.0, "n rectifier": blocked, "p rectifier reversed": 0.0, "n rectifier reversed": -blocked,
    }  # fmt: skip
    if where == "loop":
        carried = {"p": -1.0, "n": 0.0, "w": 1.0}[tag[0]]
        return carried * start.winding[int(tag[1:])], 1.0
    return fast.get(state.place, 0.0), 1.0


def layout(params: llc.Params, condition: Condition) -> Layout:
    """Which signals belong to which part."""
    found = empty_layout()
    found["controls"] = [control_layout("switching_frequency", params.output.name, "control.0.frequency", "Hz")]
    found["places"] = [_bridge_layout(params), _rectifier_layout(params)]
    for tag, banks in (("resonant", params.resonant), ("split", params.split)):
        found["banks"] += banks_layout(banks, f"{tag}_current_")
        found["resonant"] += [
            {"designator": bank.designator, "voltage": "resonant_voltage", "series": bank.series} for bank in banks
        ]
    found["banks"] += banks_layout(params.output.banks, f"output_current_{llc.TAG}")
    add_output(found, params.output, llc.TAG, condition)
    found["transformers"] = [
        {
            "designator": part.designator,
            "primary": "tank_current",
            "magnetising": f"magnetising_current_{k}",
            "inductance": part.magnetising_inductance,
        }
        for k, part in enumerate(params.transformers)
    ]
    found["inputs"] = [bus_layout()]
    found["commutations"] = [_commutation(params, condition)]
    found["rectifiers"] = _edges_layout(params)
    return found


def _bridge_layout(params: llc.Params) -> Layout:
    legs = llc.legs(params)
    tags = [f"{place}_{{}}_{leg}" for leg in legs for place in ("high", "low")]
    others = [[f"{'low' if place == 'high' else 'high'}_current_{leg}"] for leg in legs for place in ("high", "low")]
    return {
        "kind": "switch",
        "designator": params.switch.designator,
        "voltages": [tag.format("voltage") for tag in tags],
        "currents": [tag.format("current") for tag in tags],
        "others": others,
        "pieces": params.switch.parallel,
        "sign": 1,
    }


def _rectifier_layout(params: llc.Params) -> Layout:
    places = llc.places(params)
    part = params.synchronous if params.rectification == "synchronous" else params.diode
    assert part is not None  # checked by Params
    others = [
        [f"rectifier_current_{other.tag}" for other in places if other.half != place.half and _same(other, place)]
        for place in places
    ]
    kind, sign = ("switch", -1) if params.rectification == "synchronous" else ("diode", 1)
    tags = [place.tag for place in places]
    return place_layout(kind, part.designator, tags, "rectifier", others, part.parallel, sign)


def _same(one: llc.Place, other: llc.Place) -> bool:
    """Whether two places serve the same transformer."""
    return one.winding[1:] == other.winding[1:]


def _commutation(params: llc.Params, condition: Condition) -> dict[str, Any]:
    """Each leg's turn-off edges: from where the tank's current has a dead time to move the middle."""
    part = params.switch
    return {
        "designator": part.designator,
        "current": "tank_current",
        "dead_time": params.dead_time,
        "charge": 2 * part.output_capacitance * part.parallel * condition.line_voltage,
        "edges": [[llc.FALL, 1], [llc.RISE, -1]],
    }


def _edges_layout(params: llc.Params) -> list[Layout]:
    if params.rectification == "diode" or params.synchronous is None:
        return []
    return [
        synchronous_layout(
            params.synchronous,
            params.output,
            [
                {"current": f"rectifier_current_{place.tag}", "voltage": f"rectifier_voltage_{place.tag}"}
                | edges_layout(one)
                for place, one in zip(llc.places(params), _rectifiers(params), strict=True)
            ],
        )
    ]
