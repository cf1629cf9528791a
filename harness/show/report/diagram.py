"""The block diagram of a supply: its stages by what feeds what, each with values of the record. Computes nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from markupsafe import Markup

from harness.show.report import texts
from netlists.record import SupplyRecord

BOX, LINE, PAD, GAP_X, GAP_Y = 190.0, 14.0, 10.0, 14.0, 30.0  # px
LETTER = 6.2  # advance of a letter
# Values of a stage worth a line in its box, in this order
TOLD = ("bus_setpoint", "input_voltage", "switching_frequency", "lowest_frequency", "converter_efficiency")
MOST_LINES = 3


def block_diagram(record: SupplyRecord, states: Mapping[str, str]) -> Markup:
    """Boxes from the line downwards; ``states`` says of each instance whether it was simulated."""
    levels = _levels(record)
    boxes = {name: _lines(record, name, states.get(name, "recorded only")) for level in levels for name in level}
    width = max(len(level) for level in levels) * (BOX + GAP_X) - GAP_X + 2
    places: dict[str, tuple[float, float, float]] = {}  # left, top, height
    y = LINE * 2 + GAP_Y
    for level in levels:
        height = max(len(boxes[name]) for name in level) * LINE + 2 * PAD
        left = (width - len(level) * (BOX + GAP_X) + GAP_X) / 2
        for place, name in enumerate(level):
            places[name] = (left + place * (BOX + GAP_X), y, height)
        y += height + GAP_Y
    pieces = [f'<text class="strong middle" x="{width / 2:g}" y="{LINE:g}">mains or dc supply</text>']
    for name in places:
        pieces += _box(places, boxes, record, name, states.get(name, "recorded only"), width / 2)
    said = "; ".join(f"{name} fed by {record.data.stages[name].fed_by or 'the line'}" for name in places)
    return Markup(
        f'<svg class="blocks" viewBox="0 0 {width:g} {y - GAP_Y + 2:g}" style="max-width:{width:g}px" role="img" '
        f'aria-labelledby="blocks-title"><title id="blocks-title">Block diagram: {escape(said)}</title>'
        f"{''.join(pieces)}</svg>"
    )


def _levels(record: SupplyRecord) -> list[list[str]]:
    """Instances by how many stages lie between them and the line."""
    depths: dict[str, int] = {}

    def depth(name: str) -> int:
        if name not in depths:
            above = record.data.stages[name].fed_by
            depths[name] = 0 if above is None else depth(above) + 1
        return depths[name]

    for name in record.data.stages:
        depth(name)
    return [[name for name in depths if depths[name] == level] for level in range(max(depths.values()) + 1)]


def _lines(record: SupplyRecord, name: str, state: str) -> Sequence[tuple[str, str]]:
    """Style and text of every line of a box."""
    stage = record.data.stages[name]
    found = [("strong", name), ("", texts.words(str(getattr(stage, "kind", "")))), ("", state)]
    prefix = f"stages.{name}."
    values = [
        f"{texts.words(field)} {texts.value(one.nominal, one.unit)}"
        for field in TOLD
        if (one := record.quantities.get(prefix + field)) is not None
    ]
    parts = len(stage.parts)
    found += [("", text) for text in values[:MOST_LINES]]
    return [*found, ("", f"{parts} part{'' if parts == 1 else 's'}")]


def _box(
    places: Mapping[str, tuple[float, float, float]], boxes: Mapping[str, Sequence[tuple[str, str]]],
    record: SupplyRecord, name: str, state: str, middle: float,
) -> list[str]:  # fmt: skip
    left, top, height = places[name]
    above: Any = record.data.stages[name].fed_by
    start = (middle, LINE + 6) if above is None else (
        places[above][0] + BOX / 2, places[above][1] + places[above][2]
    )  # fmt: skip
    x, half = left + BOX / 2, top - GAP_Y / 2
    pieces = [
        f'<path class="arrow" d="M{start[0]:g} {start[1]:g}V{half:g}H{x:g}V{top - 1:g}m-4 -7l4 7l4 -7"/>',
        f'<rect class="block {"simulated" if state == "simulated" else "recorded"}" x="{left + 1:g}" y="{top:g}" '
        f'width="{BOX - 2:g}" height="{height:g}" rx="4"/>',
    ]
    for number, (style, text) in enumerate(boxes[name]):
        squeeze = f' textLength="{BOX - 16:g}" lengthAdjust="spacingAndGlyphs"' if LETTER * len(text) > BOX - 16 else ""
        y = top + PAD + LINE * (number + 0.8)
        pieces.append(f'<text class="middle {style}" x="{x:g}" y="{y:g}"{squeeze}>{escape(text)}</text>')
    return pieces
