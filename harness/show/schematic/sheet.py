"""What all circuit drawings share: the sheet, texts and wires on it, symbols of parts with their values.

Coordinates are in drawing units of ``UNIT`` pixels, y upwards, the top of the sheet at 0. Symbols and wires are
schemdraw's; texts are written here, since a label of a record may hold any character and every one of them has to stay
clear of its neighbours.
"""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import schemdraw.elements as symbols
from schemdraw import Drawing

from netlists.quantity import engineering
from netlists.stages.banks import Bank
from netlists.stages.output_network import Network
from netlists.stages.switching import Choke, Diode, Snubber, Strays, Switch

UNIT = 34.0  # of a drawing unit [px]
WIDTH = 26.5  # of every sheet: 901 px
LINE_WIDTH = 1.3  # [px]
FONT, SIZE, SMALL = "Arial, Helvetica, sans-serif", 11.5, 10.0  # sizes [px]
LETTER = 0.6  # advance over size: DejaVu Sans, the widest usual sans-serif, gave up to 0.59 in labels of 14 letters up
LINE_HEIGHT = 1.2  # over size
GREY = "#666666"  # strays, node names, remarks

DEPTH = 2.2  # of a branch from its line to ground
LEFT = 1.0  # the input bus
BANK_PITCH, BANKS_A_ROW, BANK_ROW = 3.8, 4, 3.2
BRANCH_PITCH = 4.0  # of what lies side by side between a leg's middle and ground
LEG_ROW, ABOVE_LEG = 4.1, 1.9
SPINE = 17.2  # of an output: banks to its left, copper and load to its right
WIDE, NARROW = 2.9, 2.2  # room of a label
Align = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A drawing that grows: symbols in ``drawing``, texts beside it."""

    drawing: Drawing
    texts: list[ET.Element] = field(default_factory=list)


def new_sheet() -> Sheet:
    """An empty one."""
    return Sheet(Drawing(canvas="svg", show=False, inches_per_unit=UNIT / 72, lw=LINE_WIDTH))


def svg_text(sheet: Sheet, title: str, bottom: float) -> bytes:
    """The sheet down to ``bottom`` as an SVG text on white."""
    svg = sheet.drawing.draw(show=False).getsvg()
    width, height = f"{WIDTH * UNIT:.0f}", f"{-bottom * UNIT:.0f}"
    for key, value in (("width", width), ("height", height), ("viewBox", f"0 0 {width} {height}")):
        svg.set(key, value)
    named = ET.Element("title")
    named.text = title
    svg.insert(0, named)
    svg.insert(1, ET.Element("rect", {"width": width, "height": height, "fill": "white"}))
    group = ET.SubElement(svg, "g", {"font-family": FONT})
    group.extend(sheet.texts)
    return bytes(ET.tostring(svg, encoding="utf-8")) + b"\n"


def write(
    sheet: Sheet, x: float, y: float, line: str, *, size: float = SIZE, align: Align = "start",
    room: float | None = None, colour: str = "black",
) -> None:  # fmt: skip
    """One line of text on its baseline, smaller where it would not fit into its room."""
    if room is not None:
        size = min(size, room * UNIT / (LETTER * max(len(line), 1)))
    place = {"x": f"{x * UNIT:.1f}", "y": f"{-y * UNIT:.1f}", "font-size": f"{size:.3g}", "text-anchor": align}
    element = ET.Element("text", place | {"fill": colour})
    element.text = line
    sheet.texts.append(element)


def write_block(
    sheet: Sheet, x: float, lowest: float, lines: Sequence[str], *, align: Align, room: float, colour: str = "black"
) -> None:
    """Lines of text, the last one's baseline at ``lowest``; the first line is the designator's and larger."""
    for above, line in enumerate(reversed(lines)):
        size = SIZE if above == len(lines) - 1 else SMALL
        write(
            sheet, x, lowest + above * SIZE * LINE_HEIGHT / UNIT, line, size=size, align=align, room=room, colour=colour
        )


def wire(sheet: Sheet, *points: tuple[float, float]) -> None:
    for start, stop in itertools.pairwise(points):
        if start != stop:
            sheet.drawing.add(symbols.Line().at(start).to(stop))


def mark_node(sheet: Sheet, x: float, y: float, name: str = "") -> None:
    """A junction, its node's name to the right above the line."""
    sheet.drawing.add(symbols.Dot(radius=0.07).at((x, y)))
    if name:
        write(sheet, x + 0.15, y + 0.15, name, size=SMALL, room=1.75, colour=GREY)


def inline(
    sheet: Sheet, symbol: Any, left: float, right: float, y: float, lines: Sequence[str], *,
    room: float = WIDE, stray: bool = False,
) -> None:  # fmt: skip
    """A symbol on a horizontal line, its label above; strays are grey and smaller."""
    colour = GREY if stray else "black"
    if stray:
        symbol = symbol.color(GREY).scale(0.8)
    sheet.drawing.add(symbol.at((left, y)).to((right, y)))
    write_block(sheet, (left + right) / 2, y + 0.42, lines, align="middle", room=room, colour=colour)


def branch(sheet: Sheet, symbol: Any, x: float, y: float, lines: Sequence[str], room: float = WIDE) -> None:
    """A symbol from a line down to ground, its label to the right."""
    sheet.drawing.add(symbol.at((x, y)).to((x, y - DEPTH)))
    beside(sheet, x + 0.4, y - DEPTH / 2, lines, room)
    ground(sheet, x, y - DEPTH)


def beside(sheet: Sheet, x: float, middle: float, lines: Sequence[str], room: float = WIDE) -> None:
    """A label to the right of a vertical symbol, level with its middle."""
    lowest = middle - (SIZE * LINE_HEIGHT * (len(lines) - 1) + 0.7 * SIZE) / 2 / UNIT
    write_block(sheet, x, lowest, lines, align="start", room=room)


def ground(sheet: Sheet, x: float, y: float) -> None:
    sheet.drawing.add(symbols.Ground(lead=False).at((x, y)))


def pieces(designator: str, count: int, value: float, unit: str) -> str:
    """``Q11 2 x 4.2 mohm``: the value of one piece."""
    return f"{designator} {f'{count} x ' if count > 1 else ''}{engineering(value, unit)}"


def switch_lines(part: Switch) -> list[str]:
    return [
        pieces(part.designator, part.parallel, part.on_resistance, "ohm"),
        f"Coss {engineering(part.output_capacitance, 'F')}",
    ]


def diode_lines(part: Diode) -> list[str]:
    return [
        pieces(part.designator, part.parallel, part.forward_voltage, "V"),
        f"at {engineering(part.forward_test_current, 'A')}",
        f"Cj {engineering(part.junction_capacitance, 'F')}",
    ]


def choke_lines(part: Choke) -> list[str]:
    lines = [f"{part.designator} {engineering(part.inductance, 'H')}", engineering(part.winding_resistance, "ohm")]
    if part.saturation_current is not None and part.saturated_inductance is not None:
        beyond, knee = engineering(part.saturated_inductance, "H"), engineering(part.saturation_current, "A")
        lines.append(f"{beyond} above {knee}")
    return lines


def bank_lines(part: Bank) -> list[str]:
    lines = [pieces(part.designator, part.parallel, part.capacitance, "F")]
    if part.series > 1:
        lines.append(f"strings of {part.series}")
    lines.append(f"ESR {engineering(part.esr, 'ohm')}")
    return lines if part.esl is None else [*lines, f"ESL {engineering(part.esl, 'H')}"]


def stray_loop(sheet: Sheet, strays: Strays, left: float, y: float) -> None:
    lines = [f"loop {engineering(strays.loop_inductance, 'H')}", f"Q {strays.loop_quality:g}"]
    inline(sheet, symbols.Inductor(), left, left + NARROW, y, lines, room=NARROW, stray=True)


def upright_switch(sheet: Sheet, part: Switch, x: float, y: float, *, grounded: bool = True) -> None:
    """A switch from a line down to ground, or to the middle of its leg, its label to the right."""
    place = sheet.drawing.add(symbols.NMos(diode=True).at((x, y - 0.2)).theta(0))
    wire(sheet, (x, y), (x, y - 0.2))
    wire(sheet, tuple(place.source), (x, y - DEPTH))
    if grounded:
        ground(sheet, x, y - DEPTH)
    beside(sheet, x + 0.5, y - DEPTH / 2, switch_lines(part))


def lying_switch(sheet: Sheet, part: Switch, x: float, y: float) -> float:
    """A synchronous rectifier on a horizontal line, its source at ``x``, its label above; returns x of its drain."""
    place = sheet.drawing.add(symbols.NMos2(diode=True).reverse().at((x, y)).theta(0))
    right = float(max(next(iter(place.source)), next(iter(place.drain))))
    write_block(sheet, (x + right) / 2, y + 0.55, switch_lines(part), align="middle", room=WIDE)
    return right


def timing_line(delay: float, lead: float, least: float) -> str:
    """What the gates of synchronous rectifiers are told [s]."""
    on, off, shortest = (engineering(value, "s") for value in (delay, lead, least))
    return f"rectifiers: on {on} after the body diode, off {off} before current zero, for {shortest} at least"


def snubber_branch(sheet: Sheet, part: Snubber, x: float, y: float) -> None:
    half = y - DEPTH / 2
    sheet.drawing.add(symbols.ResistorIEC().scale(0.75).at((x, y)).to((x, half)))
    sheet.drawing.add(symbols.Capacitor().at((x, half)).to((x, y - DEPTH)))
    ground(sheet, x, y - DEPTH)
    beside(sheet, x + 0.4, y - DEPTH / 4, ["snubber", engineering(part.resistance, "ohm")])
    beside(sheet, x + 0.4, y - 3 * DEPTH / 4, [engineering(part.capacitance, "F")])


def bank_rows(sheet: Sheet, parts: Sequence[Bank], spine: float, y: float, *, left: float | None = None) -> float:
    """Banks in rows of one node, to the right of its spine or, between it and a bus at ``left``, to its left.

    Returns
    -------
    y below the last row; the first row lies on the line at ``y``
    """
    for start in range(0, len(parts), BANKS_A_ROW):
        row, level = parts[start : start + BANKS_A_ROW], y - start // BANKS_A_ROW * BANK_ROW
        first = spine + 0.8 if left is None else spine - 3.6 - BANK_PITCH * (len(row) - 1)
        places = [first + BANK_PITCH * index for index in range(len(row))]
        ends = {places[0], places[-1], spine} | ({left} if left is not None and not start else set())
        wire(sheet, (min(ends), level), (max(ends), level))
        for x, part in zip(places, row, strict=True):
            branch(sheet, symbols.Capacitor(), x, level, bank_lines(part), room=BANK_PITCH - 0.9)
            if min(ends) < x < max(ends):
                mark_node(sheet, x, level)
        if left is not None and not start and min(ends) < left < spine:
            mark_node(sheet, left, level)
        if start:
            wire(sheet, (spine, level + BANK_ROW), (spine, level))
            if left is None or start + BANKS_A_ROW < len(parts):  # an output's spine ends in a corner
                mark_node(sheet, spine, level)
    return y - -(-len(parts) // BANKS_A_ROW) * BANK_ROW


def side_by_side(sheet: Sheet, branches: Sequence[Callable[[float], None]], x: float, y: float) -> float:
    """Branches from the line at ``y`` to ground, the first one at ``x``; returns the last one's x."""
    for index, draw in enumerate(branches):
        draw(x + index * BRANCH_PITCH)
        if index:
            mark_node(sheet, x + index * BRANCH_PITCH, y)
    return x + (len(branches) - 1) * BRANCH_PITCH


def heading(sheet: Sheet, x: float, y: float, line: str) -> None:
    write(sheet, x, y, line, size=SIZE + 1, room=WIDTH - x - 0.5)


def output_bus(sheet: Sheet, x: float, top: float, y: float) -> float:
    """From the first phase down to the line of the output banks; returns x where it comes to that line."""
    if x <= SPINE:
        wire(sheet, (x, top), (x, y))
    else:  # it would come down among copper and load
        wire(sheet, (x, top), (x, y + 1.4), (SPINE, y + 1.4), (SPINE, y))
    return min(x, SPINE)


def load_branch(sheet: Sheet, x: float, y: float, lines: Sequence[str]) -> None:
    wire(sheet, (x - 0.5, y), (x, y))
    branch(sheet, symbols.ResistorIEC(), x, y, lines)


def output_lines(network: Network | None, current: float, voltage: float) -> list[str]:
    """What stands beside the end of an output: its load, or the network that carries it [A, V]."""
    end = "load" if network is None else f"network {network.name}"
    return [end, engineering(current, "A"), engineering(voltage, "V")]


def output_row(
    sheet: Sheet, parts: Sequence[Bank], copper: tuple[float | None, float | None], lines: Sequence[str], tag: str,
    y: float, bus: float,
) -> float:  # fmt: skip
    """Banks, copper and load of an output whose bus comes down at ``bus``.

    Parameters
    ----------
    copper : its resistance [ohm] and inductance [H];  lines : of the load

    Returns
    -------
    y below them
    """
    mark_node(sheet, SPINE, y, f"out_{tag}")
    below = bank_rows(sheet, parts, SPINE, y, left=bus)
    x = SPINE + 1.6
    wire(sheet, (SPINE, y), (x, y))
    resistance, inductance = copper
    if resistance is not None:
        label = ["copper", engineering(resistance, "ohm")]
        inline(sheet, symbols.ResistorIEC(), x, x + 1.7, y, label, room=1.6, stray=True)
        x += 1.7
        if inductance is not None:
            label = ["copper", engineering(inductance, "H")]
            inline(sheet, symbols.Inductor(), x, x + 1.7, y, label, room=1.6, stray=True)
            x += 1.7
    mark_node(sheet, x + 0.1, y, f"load_{tag}")
    wire(sheet, (x, y), (x + 1, y))
    load_branch(sheet, x + 1.5, y, lines)
    return below


def footer(sheet: Sheet, y: float, place: str = "phase", more: str = "") -> float:
    """What the values are of; returns y below it.

    Parameters
    ----------
    more : a sentence of a kind of stage's own
    """
    line = f"Values of one piece; 2 x: pieces in parallel, of a switch or diode in one {place}. Grey: strays, nodes."
    write(sheet, LEFT - 0.5, y - 0.3, f"{line} {more}".strip(), size=SMALL, colour=GREY)
    return y - 0.8
