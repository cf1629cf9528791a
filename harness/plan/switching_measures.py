"""Which signals of a switching stage belong to which part, and how its runs are measured."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from harness.contracts import Metric
from harness.handcalc import buck as buck_hand
from harness.postprocess.switching import measure_steady as measure_steady
from netlists.periodic import Rectifier
from netlists.point import Condition
from netlists.stages import boost_pfc, buck, outputs
from netlists.stages.banks import Bank
from netlists.stages.output_network import Network
from netlists.stages.switching import Choke, Diode, Switch

POSTPROCESS_VERSION = "4"  # raised with every change of what a measure gives, names included
MEASURES = {"measure_steady": measure_steady}

Layout = dict[str, Any]
# What a layout lists; a stored one of an older version may lack the later ones.
LISTS = (
    "controls", "places", "chokes", "banks", "outputs", "inputs", "resonant", "transformers", "commutations",
    "rectifiers", "networks", "clamps", "cores", "levels", "resets",
)  # fmt: skip


def buck_layout(params: buck.Params, condition: Condition) -> Layout:
    """The layout of all rails of a bench and of their input: equal cases of two instances are run and measured once."""
    layout = empty_layout()
    emulated = _emulated_layout(params, condition)
    for index, rail in enumerate(params.rails):
        tag = buck.TAGS[index]
        legs = [name for name, of, _ in buck.legs(params) if of == index]
        synchronous = rail.rectification == "synchronous" and rail.low is not None
        lower = (["low_current"] if synchronous else []) + (["free_current"] if rail.diode else [])
        lows = [[f"{name}_{leg}" for name in lower] for leg in legs]
        highs = [[f"high_current_{leg}"] for leg in legs]
        layout["controls"].append(control_layout("duty_cycle", rail.name, f"control.{index}.duty", "1"))
        layout["places"].append(place_layout("switch", rail.high.designator, legs, "high", lows, rail.high.parallel))
        if synchronous and rail.low is not None:
            layout["places"].append(
                place_layout("switch", rail.low.designator, legs, "low", highs, rail.low.parallel, sign=-1)
            )
        if rail.diode is not None:
            place = place_layout("diode", rail.diode.designator, legs, "free", highs, rail.diode.parallel)
            place["voltages"] = [f"low_voltage_{leg}" for leg in legs]
            layout["places"].append(place)
        ends = [[f"low_voltage_{leg}", f"output_voltage_{tag}"] for leg in legs]
        layout["chokes"].append(choke_layout(rail.choke, legs, ends))
        layout["banks"] += banks_layout(rail.outputs, f"output_current_{tag}")
        add_output(layout, rail.output, tag, condition)
        if rail.emulates_diode and rail.low is not None:
            item = synchronous_layout(rail.low, rail.output, emulated[index])
            layout["rectifiers"].append(item | {"timed": True})
    interleaved = [
        {"subject": rail.name, "currents": [f"choke_current_{leg}" for leg, of, _ in buck.legs(params) if of == index]}
        for index, rail in enumerate(params.rails)
        if rail.phases > 1
    ]
    layout["banks"] += banks_layout(params.inputs, "input_current_")
    drawn = [[1, "feed_current"], *([-1, f"input_current_{place}"] for place in range(len(params.inputs)))]
    layout["inputs"] = [{"subject": "input", "voltage": "input_voltage", "drawn": drawn, "interleaved": interleaved}]
    return layout


def _emulated_layout(params: buck.Params, condition: Condition) -> dict[int, list[Layout]]:
    """Index of a rail -> its low places that emulate diodes."""
    found: dict[int, list[Layout]] = {}
    if any(rail.emulates_diode for rail in params.rails):
        for one in buck.emulated(params, buck_hand.estimate(params, condition).duties):
            leg = one.gate.source.rpartition("_")[2]
            place = {"current": f"low_current_{leg}", "voltage": f"low_voltage_{leg}"}
            found.setdefault(one.group, []).append(place | edges_layout(one))
    return found


def probed(signal: str) -> Layout:
    """A signal read through the public desktop guide's probe."""
    return {"signal": signal, "bandwidth": outputs.PROBE_BANDWIDTH}


def add_output(layout: Layout, output: outputs.Output, tag: str, condition: Condition) -> None:
    """Ripple of an output at its own node and at its load, and all that is measured of a network behind it."""
    node = "load" if output.network is None else "connector"
    probe = None
    if condition.probe != "none":
        first, *others = [f"{node}_voltage_{t}" for t, _ in output.loads(tag, condition)]
        probe = probed(first) | ({"others": others} if others else {})
    layout["outputs"].append({"subject": output.name, "bank": f"output_voltage_{tag}", "probe": probe})
    if output.network is not None:
        is_probed = condition.probe != "none"
        layout.setdefault("networks", []).append(_network(output.network, tag, probed=is_probed))
        for t, branch in output.network.tags(tag):
            layout["banks"] += banks_layout(branch.banks, f"bank_current_{t}_")
            layout["banks"] += banks_layout(branch.filter_banks, f"filter_current_{t}_")
            if branch.filter_choke is not None:
                ends = [[f"bank_voltage_{t}", f"filter_voltage_{t}"]]
                layout["chokes"].append(choke_layout(branch.filter_choke, [f"filter_{t}"], ends))


def _network(network: Network, tag: str, *, probed: bool) -> Layout:
    """Branches, what they lose, their connectors and their nodes."""
    found: Layout = {"branches": [], "losses": [], "connectors": [], "nodes": []}
    for t, branch in network.tags(tag):
        current, behind = f"branch_current_{t}", f"connector_current_{t}"
        ends = [f"output_voltage_{tag}", f"connector_voltage_{t}"]
        found["branches"].append({"subject": branch.name, "current": current, "ends": ends})
        for part, signal in ((branch.copper, current), (branch.cable, behind), (branch.connector, behind)):
            if part is not None:
                found["losses"].append(_loss("conductor_dissipation", part.designator, signal, part.whole_resistance))
        if branch.shunt is not None:
            each = branch.shunt.whole_resistance / branch.shunt.parallel
            found["losses"].append(_loss("shunt_dissipation", branch.shunt.designator, current, each))
        if branch.connector is not None:
            contacts = {"designator": branch.connector.designator, "parallel": branch.connector.parallel}
            found["connectors"].append({**contacts, "current": behind})
        places = ["bank"] + (["filter"] if branch.filter_choke else []) + (["connector"] if branch.load_share else [])
        for place in places:
            bandwidth = outputs.PROBE_BANDWIDTH if probed and place == "connector" else None
            subject = f"{branch.name} {place}"
            found["nodes"].append({"subject": subject, "voltage": f"{place}_voltage_{t}", "bandwidth": bandwidth})
    return found


def _loss(metric: str, designator: str, current: str, resistance: float) -> Layout:
    return {"metric": metric, "designator": designator, "current": current, "resistance": resistance}


def boost_layout(params: boost_pfc.Params, *, boundary: bool) -> Layout:
    """The layout of a corrector; ``boundary``: its frequency is a control too."""
    layout = empty_layout()
    legs = boost_pfc.tags(params)
    lows, frees = [[f"low_current_{leg}"] for leg in legs], [[f"free_current_{leg}"] for leg in legs]
    layout["controls"].append(control_layout("duty_cycle", "pfc", "control.0.duty", "1"))
    if params.mode == "boundary":
        solution = "control.1.frequency" if boundary else "frequency"
        layout["controls"].append(control_layout("switching_frequency", "pfc", solution, "Hz"))
    layout["places"] = [
        place_layout("switch", params.low.designator, legs, "low", frees, params.low.parallel),
        place_layout("diode", params.high.designator, legs, "free", lows, params.high.parallel),
    ]
    layout["chokes"] = [choke_layout(params.choke, legs, [["input_voltage", f"low_voltage_{leg}"] for leg in legs])]
    layout["banks"] = banks_layout(params.outputs, "output_current_") + banks_layout(params.inputs, "input_current_")
    layout["outputs"] = [{"subject": "bus", "bank": "bus_voltage", "probe": None}]
    currents = [f"choke_current_{leg}" for leg in legs]
    layout["inputs"] = [
        {
            "subject": "input",
            "voltage": "input_voltage" if params.inputs else "",
            "drawn": [[1, name] for name in currents],
            "interleaved": [{"subject": "pfc", "currents": currents}] if params.phases > 1 else [],
        }
    ]
    return layout


def empty_layout() -> Layout:
    return {name: [] for name in LISTS}


def control_layout(metric: str, subject: str, solution: str, unit: str) -> Layout:
    return {"metric": metric, "subject": subject, "solution": solution, "unit": unit}


def place_layout(
    kind: str, designator: str, legs: Sequence[str], signal: str, others: Sequence[Sequence[str]], pieces: int,
    sign: int = 1,
) -> Layout:  # fmt: skip
    return {
        "kind": kind,
        "designator": designator,
        "voltages": [f"{signal}_voltage_{leg}" for leg in legs],
        "currents": [f"{signal}_current_{leg}" for leg in legs],
        "others": [list(names) for names in others],
        "pieces": pieces,
        "sign": sign,
    }


def one_place_layout(part: Switch | Diode, signal: str, others: Sequence[str]) -> Layout:
    """A place of which a stage has one; its signals bear no leg's tag."""
    kind = "switch" if isinstance(part, Switch) else "diode"
    found = place_layout(kind, part.designator, [], signal, [others], part.parallel)
    return {**found, "voltages": [f"{signal}_voltage"], "currents": [f"{signal}_current"]}


def bus_layout() -> Layout:
    """What a converter draws from a stiff bus."""
    return {"subject": "input", "voltage": "", "drawn": [[1, "feed_current"]], "interleaved": []}


def lowest_input_layout(rail: str) -> Layout:
    """The bus found is all that is asked."""
    found = empty_layout()
    found["controls"] = [control_layout("lowest_input_voltage", rail, "control.0.voltage", "V")]
    return found


def synchronous_layout(part: Switch | Diode, output: outputs.Output, places: Sequence[Layout]) -> Layout:
    """Synchronous rectifiers of one output, each place with its signals and ``edges_layout``."""
    return {
        "designator": part.designator,
        "pieces": part.parallel,
        "rail": output.name,
        "rail_current": output.load_current,
        "places": list(places),
    }


def edges_layout(one: Rectifier) -> Layout:
    """Where the edges of a synchronous rectifier are counted from: a share of the period, more of it by the duty."""
    on = one.gate.on
    found: Layout = {"gate": one.gate.source, "origin": on.fraction}
    if on.per_duty:
        found |= {"per_duty": on.per_duty, "duty": f"control.{one.gate.control}.duty"}
    return found


def choke_layout(part: Choke, legs: Sequence[str], ends: Sequence[Sequence[str]]) -> Layout:
    return {
        "designator": part.designator,
        "currents": [f"choke_current_{leg}" for leg in legs],
        "voltages": [list(pair) for pair in ends],
        "inductance": part.inductance,
        "winding_resistance": part.winding_resistance,
    }


def banks_layout(parts: Sequence[Bank], signal: str) -> list[Layout]:
    return [
        {"designator": part.designator, "current": f"{signal}{place}", "parallel": part.parallel}
        for place, part in enumerate(parts)
    ]


def recipe_of(kind: str, layout: Layout) -> dict[str, Any]:
    """How a run is measured, in plain JSON types, so that a stored run can be measured again."""
    return {"kind": kind, "name": "measure_steady", "numbers": {"layout": layout}}


def postprocess_version(recipe: Mapping[str, Any]) -> str:
    """Text that changes when the code or the layout of a recipe does: stored metrics of another one are stale."""
    return f"{POSTPROCESS_VERSION} {json.dumps(recipe, sort_keys=True)}"


def measure_of(recipe: Mapping[str, Any]) -> partial[tuple[Metric, ...]]:
    """The measure a stored recipe stands for; KeyError where this program has none of that name."""
    return partial(MEASURES[recipe["name"]], layout=recipe["numbers"]["layout"])
