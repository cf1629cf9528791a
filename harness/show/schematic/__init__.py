"""Circuit drawings of the stages, as simulated, from their parameters alone. Computes nothing.

A sheet reads from top to bottom: what feeds the stage, then its phases or bridge, tank and transformers, then output,
banks and load.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from harness.show.schematic.line_side import draw_rectifier
from harness.show.schematic.resonant import draw_llc
from harness.show.schematic.sheet import Sheet, new_sheet, svg_text
from harness.show.schematic.single_ended import draw_flyback, draw_forward
from harness.show.schematic.switching import draw_boost, draw_buck
from harness.store import files
from netlists.errors import OptionError
from netlists.stages import boost_pfc, buck, flyback_params, llc, rectifier_bulk, two_switch_forward

# Kind of stage -> what draws it on a sheet and returns its title and y of its lower edge.
DRAWINGS: Mapping[str, Callable[[Sheet, Any], tuple[str, float]]] = {
    rectifier_bulk.KIND: draw_rectifier,
    buck.KIND: draw_buck,
    boost_pfc.KIND: draw_boost,
    llc.KIND: draw_llc,
    flyback_params.KIND: draw_flyback,
    two_switch_forward.KIND: draw_forward,
}


def draw(record_name: str, stages: Sequence[tuple[str, str, Any]], folder: Path) -> list[Path]:
    """``<record>-<instance>-circuit.svg`` for every stage (instance, kind, parameters) whose kind has a drawing.

    Raises
    ------
    StoreError : a file or the folder cannot be written
    """
    written = []
    for instance, kind, params in stages:
        if kind in DRAWINGS:
            written.append(folder / f"{record_name}-{instance}-circuit.svg")
            draw_stage(kind, params, written[-1])
    return written


def draw_stage(kind: str, params: Any, file: Path) -> None:
    """Draws one stage into an SVG file, whole or not at all; equal parameters give equal bytes.

    Raises
    ------
    OptionError : the kind has no drawing
    StoreError : the file cannot be written
    """
    if kind not in DRAWINGS:
        raise OptionError(f"{kind}: has no circuit drawing; allowed: {', '.join(DRAWINGS)}")
    files.replace_whole(file, stage_svg(kind, params))


def stage_svg(kind: str, params: Any) -> bytes:
    """The drawing of one stage of a kind in ``DRAWINGS``."""
    sheet = new_sheet()
    title, bottom = DRAWINGS[kind](sheet, params)
    return svg_text(sheet, title, bottom)
