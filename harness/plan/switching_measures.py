"""Which signals of a switching stage belong to which part, and how its runs are measured."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from harness.contracts import Metric
from harness.postprocess.switching import measure_steady as measure_steady
from netlists.point import Condition
from netlists.stages import boost_pfc, buck, outputs
from netlists.stages.banks import Bank
from netlists.stages.switching import Choke

POSTPROCESS_VERSION = "3"  # raised with every change of what a measure gives, names included
MEASURES = {"measure_steady": measure_steady}

Layout = dict[str, Any]


def buck_layout(params: buck.Params, condition: Condition) -> Layout:
    """The layout of all rails of a bench and of their input: equal cases of two instances are run and measured once."""
    layout = _empty()
    for index, rail in enumerate(params.rails):
        tag = buck.TAGS[index]
        legs = [name for name, of, _ in buck.legs(params) if of == index]
        synchronous = rail.rectification == "synchronous" and rail.low is not None
        lower = (["low_current"] if synchronous else []) + (["free_current"] if rail.diode else [])
        lows = [[f"{name}_{leg}" for name in lower] for leg in legs]
        highs = [[f"high_current_{leg}"] for leg in legs]
        layout["controls"].append(_control("duty_cycle", rail.name, f"control.{index}.duty", "1"))
        layout["places"].append(_place("switch", rail.high.designator, legs, "high", lows, rail.high.parallel))
        if synchronous and rail.low is not None:
            layout["places"].append(
                _place("switch", rail.low.designator, legs, "low", highs, rail.low.parallel, sign=-1)
            )
        if rail.diode is not None:
            place = _place("diode", rail.diode.designator, legs, "free", highs, rail.diode.parallel)
            place["voltages"] = [f"low_voltage_{leg}" for leg in legs]
            layout["places"].append(place)
        ends = [[f"low_voltage_{leg}", f"output_voltage_{tag}"] for leg in legs]
        layout["chokes"].append(_choke(rail.choke, legs, ends))
        layout["banks"] += _banks(rail.outputs, f"output_current_{tag}")
        layout["outputs"].append(
            {
                "subject": rail.name,
                "bank": f"output_voltage_{tag}",
                "probe": probed(f"load_voltage_{tag}") if condition.probe != "none" else None,
            }
        )
    interleaved = [
        {"subject": rail.name, "currents": [f"choke_current_{leg}" for leg, of, _ in buck.legs(params) if of == index]}
        for index, rail in enumerate(params.rails)
        if rail.phases > 1
    ]
    layout["banks"] += _banks(params.inputs, "input_current_")
    drawn = [[1, "feed_current"], *([-1, f"input_current_{place}"] for place in range(len(params.inputs)))]
    layout["inputs"] = [{"subject": "input", "voltage": "input_voltage", "drawn": drawn, "interleaved": interleaved}]
    return layout


def probed(signal: str) -> Layout:
    """A signal read through the public desktop guide's probe."""
    return {"signal": signal, "bandwidth": outputs.PROBE_BANDWIDTH}


def boost_layout(params: boost_pfc.Params, *, boundary: bool) -> Layout:
    """The layout of a corrector; ``boundary``: its frequency is a control too."""
    layout = _empty()
    legs = boost_pfc.tags(params)
    lows, frees = [[f"low_current_{leg}"] for leg in legs], [[f"free_current_{leg}"] for leg in legs]
    layout["controls"].append(_control("duty_cycle", "pfc", "control.0.duty", "1"))
    if params.mode == "boundary":
        solution = "control.1.frequency" if boundary else "frequency"
        layout["controls"].append(_control("switching_frequency", "pfc", solution, "Hz"))
    layout["places"] = [
        _place("switch", params.low.designator, legs, "low", frees, params.low.parallel),
        _place("diode", params.high.designator, legs, "free", lows, params.high.parallel),
    ]
    layout["chokes"] = [_choke(params.choke, legs, [["input_voltage", f"low_voltage_{leg}"] for leg in legs])]
    layout["banks"] = _banks(params.outputs, "output_current_") + _banks(params.inputs, "input_current_")
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


def _empty() -> Layout:
    return {name: [] for name in ("controls", "places", "chokes", "banks", "outputs", "inputs")}


def _control(metric: str, subject: str, solution: str, unit: str) -> Layout:
    return {"metric": metric, "subject": subject, "solution": solution, "unit": unit}


def _place(
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


def _choke(part: Choke, legs: Sequence[str], ends: Sequence[Sequence[str]]) -> Layout:
    return {
        "designator": part.designator,
        "currents": [f"choke_current_{leg}" for leg in legs],
        "voltages": [list(pair) for pair in ends],
        "inductance": part.inductance,
        "winding_resistance": part.winding_resistance,
    }


def _banks(parts: Sequence[Bank], signal: str) -> list[Layout]:
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
