"""Circuit drawings of the switching stages, as simulated, from their parameters alone. Computes nothing.

A sheet reads from top to bottom: what feeds the stage with its input banks, then for each rail its phases one below the
other, then its output banks and load. Symbols and wires are schemdraw's; texts are written here, since a label of a
record may hold any character and every one of them has to stay clear of its neighbours. Coordinates are in drawing
units of ``UNIT`` pixels, y upwards, the top of the sheet at 0.
"""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import schemdraw.elements as symbols
from schemdraw import Drawing

from harness.store import files
from netlists.errors import OptionError
from netlists.quantity import engineering
from netlists.stages import boost_pfc, buck
from netlists.stages.banks import Bank
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
class _Sheet:
    """A drawing that grows: symbols in ``drawing``, texts beside it."""

    drawing: Drawing
    texts: list[ET.Element] = field(default_factory=list)


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
    sheet = _Sheet(Drawing(canvas="svg", show=False, inches_per_unit=UNIT / 72, lw=LINE_WIDTH))
    title, bottom = DRAWINGS[kind](sheet, params)
    files.replace_whole(file, _svg(sheet, title, bottom))


def _svg(sheet: _Sheet, title: str, bottom: float) -> bytes:
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


def _text(
    sheet: _Sheet, x: float, y: float, line: str, *, size: float = SIZE, align: Align = "start",
    room: float | None = None, colour: str = "black",
) -> None:  # fmt: skip
    """One line of text on its baseline, smaller where it would not fit into its room."""
    if room is not None:
        size = min(size, room * UNIT / (LETTER * max(len(line), 1)))
    place = {"x": f"{x * UNIT:.1f}", "y": f"{-y * UNIT:.1f}", "font-size": f"{size:.3g}", "text-anchor": align}
    element = ET.Element("text", place | {"fill": colour})
    element.text = line
    sheet.texts.append(element)


def _block(
    sheet: _Sheet, x: float, lowest: float, lines: Sequence[str], *, align: Align, room: float, colour: str = "black"
) -> None:
    """Lines of text, the last one's baseline at ``lowest``; the first line is the designator's and larger."""
    for above, line in enumerate(reversed(lines)):
        size = SIZE if above == len(lines) - 1 else SMALL
        _text(
            sheet, x, lowest + above * SIZE * LINE_HEIGHT / UNIT, line, size=size, align=align, room=room, colour=colour
        )


def _wire(sheet: _Sheet, *points: tuple[float, float]) -> None:
    for start, stop in itertools.pairwise(points):
        if start != stop:
            sheet.drawing.add(symbols.Line().at(start).to(stop))


def _node(sheet: _Sheet, x: float, y: float, name: str = "") -> None:
    """A junction, its node's name to the right above the line."""
    sheet.drawing.add(symbols.Dot(radius=0.07).at((x, y)))
    if name:
        _text(sheet, x + 0.15, y + 0.15, name, size=SMALL, room=1.75, colour=GREY)


def _inline(
    sheet: _Sheet, symbol: Any, left: float, right: float, y: float, lines: Sequence[str], *,
    room: float = WIDE, stray: bool = False,
) -> None:  # fmt: skip
    """A symbol on a horizontal line, its label above; strays are grey and smaller."""
    colour = GREY if stray else "black"
    if stray:
        symbol = symbol.color(GREY).scale(0.8)
    sheet.drawing.add(symbol.at((left, y)).to((right, y)))
    _block(sheet, (left + right) / 2, y + 0.42, lines, align="middle", room=room, colour=colour)


def _branch(sheet: _Sheet, symbol: Any, x: float, y: float, lines: Sequence[str], room: float = WIDE) -> None:
    """A symbol from a line down to ground, its label to the right."""
    sheet.drawing.add(symbol.at((x, y)).to((x, y - DEPTH)))
    _beside(sheet, x + 0.4, y - DEPTH / 2, lines, room)
    _ground(sheet, x, y - DEPTH)


def _beside(sheet: _Sheet, x: float, middle: float, lines: Sequence[str], room: float = WIDE) -> None:
    """A label to the right of a vertical symbol, level with its middle."""
    lowest = middle - (SIZE * LINE_HEIGHT * (len(lines) - 1) + 0.7 * SIZE) / 2 / UNIT
    _block(sheet, x, lowest, lines, align="start", room=room)


def _ground(sheet: _Sheet, x: float, y: float) -> None:
    sheet.drawing.add(symbols.Ground(lead=False).at((x, y)))


def _pieces(designator: str, count: int, value: float, unit: str) -> str:
    """``Q11 2 x 4.2 mohm``: the value of one piece."""
    return f"{designator} {f'{count} x ' if count > 1 else ''}{engineering(value, unit)}"


def _switch_lines(part: Switch) -> list[str]:
    return [
        _pieces(part.designator, part.parallel, part.on_resistance, "ohm"),
        f"Coss {engineering(part.output_capacitance, 'F')}",
    ]


def _diode_lines(part: Diode) -> list[str]:
    return [
        _pieces(part.designator, part.parallel, part.forward_voltage, "V"),
        f"at {engineering(part.forward_test_current, 'A')}",
        f"Cj {engineering(part.junction_capacitance, 'F')}",
    ]


def _choke_lines(part: Choke) -> list[str]:
    lines = [f"{part.designator} {engineering(part.inductance, 'H')}", engineering(part.winding_resistance, "ohm")]
    if part.saturation_current is not None and part.saturated_inductance is not None:
        beyond, knee = engineering(part.saturated_inductance, "H"), engineering(part.saturation_current, "A")
        lines.append(f"{beyond} above {knee}")
    return lines


def _bank_lines(part: Bank) -> list[str]:
    lines = [_pieces(part.designator, part.parallel, part.capacitance, "F")]
    if part.series > 1:
        lines.append(f"strings of {part.series}")
    lines.append(f"ESR {engineering(part.esr, 'ohm')}")
    return lines if part.esl is None else [*lines, f"ESL {engineering(part.esl, 'H')}"]


def _loop(sheet: _Sheet, strays: Strays, left: float, y: float) -> None:
    lines = [f"loop {engineering(strays.loop_inductance, 'H')}", f"Q {strays.loop_quality:g}"]
    _inline(sheet, symbols.Inductor(), left, left + NARROW, y, lines, room=NARROW, stray=True)


def _low_switch(sheet: _Sheet, part: Switch, x: float, y: float) -> None:
    """A switch between the middle of a leg and ground."""
    place = sheet.drawing.add(symbols.NMos(diode=True).at((x, y - 0.2)).theta(0))
    _wire(sheet, (x, y), (x, y - 0.2))
    _wire(sheet, tuple(place.source), (x, y - DEPTH))
    _ground(sheet, x, y - DEPTH)
    _beside(sheet, x + 0.5, y - DEPTH / 2, _switch_lines(part))


def _snubber(sheet: _Sheet, part: Snubber, x: float, y: float) -> None:
    half = y - DEPTH / 2
    sheet.drawing.add(symbols.ResistorIEC().scale(0.75).at((x, y)).to((x, half)))
    sheet.drawing.add(symbols.Capacitor().at((x, half)).to((x, y - DEPTH)))
    _ground(sheet, x, y - DEPTH)
    _beside(sheet, x + 0.4, y - DEPTH / 4, ["snubber", engineering(part.resistance, "ohm")])
    _beside(sheet, x + 0.4, y - 3 * DEPTH / 4, [engineering(part.capacitance, "F")])


def _banks(sheet: _Sheet, parts: Sequence[Bank], spine: float, y: float, *, left: float | None = None) -> float:
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
        _wire(sheet, (min(ends), level), (max(ends), level))
        for x, part in zip(places, row, strict=True):
            _branch(sheet, symbols.Capacitor(), x, level, _bank_lines(part), room=BANK_PITCH - 0.9)
            if min(ends) < x < max(ends):
                _node(sheet, x, level)
        if left is not None and not start and min(ends) < left < spine:
            _node(sheet, left, level)
        if start:
            _wire(sheet, (spine, level + BANK_ROW), (spine, level))
            if left is None or start + BANKS_A_ROW < len(parts):  # an output's spine ends in a corner
                _node(sheet, spine, level)
    return y - -(-len(parts) // BANKS_A_ROW) * BANK_ROW


def _feed(
    sheet: _Sheet, y: float, source: Sequence[str], resistance: float, inductance: float | None, choke: Choke | None
) -> float:
    """The source and what lies between it and the input node; returns that node's x."""
    sheet.drawing.add(symbols.SourceV().at((LEFT, y - DEPTH)).to((LEFT, y)))
    _ground(sheet, LEFT, y - DEPTH)
    _beside(sheet, LEFT + 0.7, y - DEPTH / 2, source)
    _wire(sheet, (LEFT, y), (1.6, y))
    lines = ["feed", engineering(resistance, "ohm")]
    _inline(sheet, symbols.ResistorIEC(), 1.6, 3.9, y, lines, room=NARROW, stray=True)
    spine = 3.9
    if inductance is not None:
        lines = ["feed", engineering(inductance, "H")]
        _inline(sheet, symbols.Inductor(), 3.9, 6.2, y, lines, room=NARROW, stray=True)
        spine = 6.2
    if choke is not None:
        _inline(sheet, symbols.Inductor(), spine + 0.6, spine + 2.8, y, _choke_lines(choke))
        _wire(sheet, (spine, y), (spine + 0.6, y))
        spine += 2.8
    _wire(sheet, (spine, y), (spine + 0.7, y))
    _node(sheet, spine + 0.7, y, "input")
    return spine + 0.7


def _input_bus(sheet: _Sheet, spine: float, level: float) -> None:
    """From the last row of input banks under them back to the left, where the phases begin."""
    _wire(sheet, (spine, level + BANK_ROW), (spine, level), (LEFT, level))


def _side_by_side(sheet: _Sheet, branches: Sequence[Callable[[float], None]], x: float, y: float) -> float:
    """Branches from the line at ``y`` to ground, the first one at ``x``; returns the last one's x."""
    for index, branch in enumerate(branches):
        branch(x + index * BRANCH_PITCH)
        if index:
            _node(sheet, x + index * BRANCH_PITCH, y)
    return x + (len(branches) - 1) * BRANCH_PITCH


def _buck_leg(sheet: _Sheet, rail: buck.Rail, tag: str, y: float) -> float:
    """One phase from the input bus to its choke; returns x of the output bus."""
    _node(sheet, LEFT, y)
    _wire(sheet, (LEFT, y), (1.3, y))
    _loop(sheet, rail.strays, 1.3, y)
    place = sheet.drawing.add(symbols.NMos2(diode=True).at((4.6, y)).theta(0))
    source, middle = next(iter(place.source)), 7.4
    _wire(sheet, (1.3 + NARROW, y), (4.6, y))
    _block(sheet, (4.6 + source) / 2, y + 0.55, _switch_lines(rail.high), align="middle", room=WIDE)
    _node(sheet, middle, y, f"middle_{tag}")
    branches: list[Callable[[float], None]] = []
    low, diode, snubber = rail.low, rail.diode, rail.snubber
    if rail.rectification == "synchronous" and low is not None:
        branches.append(lambda x: _low_switch(sheet, low, x, y))
    if diode is not None:
        branches.append(lambda x: _branch(sheet, symbols.Schottky().reverse(), x, y, _diode_lines(diode)))
    if snubber is not None:
        branches.append(lambda x: _snubber(sheet, snubber, x, y))
    last = _side_by_side(sheet, branches, middle, y)
    _wire(sheet, (source, y), (last + 2.3, y))
    _inline(sheet, symbols.Inductor(), last + 2.3, last + 4.5, y, _choke_lines(rail.choke))
    _wire(sheet, (last + 4.5, y), (last + 4.9, y))
    return last + 4.9


def _rail_heading(rail: buck.Rail, tag: str) -> str:
    text = f"rail {tag}, {rail.name}: {engineering(rail.voltage, 'V')}, {_phases(rail.phases)}, {rail.rectification}"
    return text if rail.phase_angle == 0 else f"{text}, {engineering(rail.phase_angle, 'deg')} behind the first rail"


def _phases(count: int) -> str:
    return "1 phase" if count == 1 else f"{count} interleaved phases"


def _heading(sheet: _Sheet, x: float, y: float, line: str) -> None:
    _text(sheet, x, y, line, size=SIZE + 1, room=WIDTH - x - 0.5)


def _output_bus(sheet: _Sheet, x: float, top: float, y: float) -> float:
    """From the first phase down to the line of the output banks; returns x where it comes to that line."""
    if x <= SPINE:
        _wire(sheet, (x, top), (x, y))
    else:  # it would come down among copper and load
        _wire(sheet, (x, top), (x, y + 1.4), (SPINE, y + 1.4), (SPINE, y))
    return min(x, SPINE)


def _load(sheet: _Sheet, x: float, y: float, lines: Sequence[str]) -> None:
    _wire(sheet, (x - 0.5, y), (x, y))
    _branch(sheet, symbols.ResistorIEC(), x, y, lines)


def _buck_output(sheet: _Sheet, rail: buck.Rail, tag: str, y: float, bus: float) -> float:
    """Banks, copper and load of a rail whose phases come down at ``bus``; returns y below them."""
    _node(sheet, SPINE, y, f"out_{tag}")
    below = _banks(sheet, rail.outputs, SPINE, y, left=bus)
    x = SPINE + 1.6
    _wire(sheet, (SPINE, y), (x, y))
    if rail.copper_resistance is not None:
        lines = ["copper", engineering(rail.copper_resistance, "ohm")]
        _inline(sheet, symbols.ResistorIEC(), x, x + 1.7, y, lines, room=1.6, stray=True)
        x += 1.7
        if rail.copper_inductance is not None:
            lines = ["copper", engineering(rail.copper_inductance, "H")]
            _inline(sheet, symbols.Inductor(), x, x + 1.7, y, lines, room=1.6, stray=True)
            x += 1.7
    _node(sheet, x + 0.1, y, f"load_{tag}")
    _wire(sheet, (x, y), (x + 1, y))
    _load(sheet, x + 1.5, y, ["load", engineering(rail.load_current, "A"), engineering(rail.voltage, "V")])
    return below


def _buck(sheet: _Sheet, params: buck.Params) -> tuple[str, float]:
    """The sheet of a buck; returns its title and y of its lower edge."""
    title = f"Buck: {engineering(params.input_voltage, 'V')} in, {engineering(params.switching_frequency, 'Hz')}"
    _heading(sheet, LEFT - 0.5, -0.8, title)
    y = -2.9
    source = ["feeding rail", engineering(params.input_voltage, "V")]
    spine = _feed(sheet, y, source, params.feed_resistance, params.feed_inductance, params.input_choke)
    level = _banks(sheet, params.inputs, spine, y)
    _input_bus(sheet, spine, level)
    bus, y = level, level
    for index, rail in enumerate(params.rails):
        tag = buck.TAGS[index]
        _heading(sheet, LEFT + 0.4, y - 0.8, _rail_heading(rail, tag))
        first = y = y - 0.8 - ABOVE_LEG
        for phase in range(rail.phases):
            y = first - phase * LEG_ROW
            out = _buck_leg(sheet, rail, f"{tag}{phase}", y)
            if phase:
                _node(sheet, out, y)
        _wire(sheet, (LEFT, bus), (LEFT, y))
        bus = y
        y -= LEG_ROW
        y = _buck_output(sheet, rail, tag, y, _output_bus(sheet, out, first, y))
    return title, _footer(sheet, y)


def _boost_leg(sheet: _Sheet, params: boost_pfc.Params, tag: str, y: float) -> float:
    """One phase from the input bus to its diode; returns x of the bus."""
    _node(sheet, LEFT, y)
    _wire(sheet, (LEFT, y), (1.6, y))
    _inline(sheet, symbols.Inductor(), 1.6, 3.8, y, _choke_lines(params.choke))
    _node(sheet, 5.0, y, f"middle_{tag}")
    snubber = params.snubber
    branches: list[Callable[[float], None]] = [lambda x: _low_switch(sheet, params.low, x, y)]
    if snubber is not None:
        branches.append(lambda x: _snubber(sheet, snubber, x, y))
    last = _side_by_side(sheet, branches, 5.0, y)
    _wire(sheet, (3.8, y), (last + 2.1, y))
    _inline(sheet, symbols.Diode(), last + 2.1, last + 4.1, y, _diode_lines(params.high))
    _loop(sheet, params.strays, last + 4.7, y)
    _wire(sheet, (last + 4.1, y), (last + 4.7, y))
    _wire(sheet, (last + 4.7 + NARROW, y), (last + 7.3, y))
    return last + 7.3


def _boost_pfc(sheet: _Sheet, params: boost_pfc.Params) -> tuple[str, float]:
    """The sheet of a boost corrector; returns its title and y of its lower edge."""
    frequency = engineering(params.switching_frequency, "Hz")
    mode = f"boundary mode, at most {frequency}" if params.mode == "boundary" else f"fixed frequency {frequency}"
    bus = engineering(params.bus_setpoint, "V")
    title = f"Boost power-factor corrector: bus {bus}, {_phases(params.phases)}, {mode}"
    _heading(sheet, LEFT - 0.5, -0.8, title)
    y = -2.9
    drop = [f"less {engineering(params.rectifier_drop, 'V')}", "of its bridge"] if params.rectifier_drop else []
    # without an input bank the rectified line is simulated as stiff behind its resistance
    inductance = params.feed_inductance if params.inputs else None
    spine = _feed(sheet, y, ["rectified line", *drop], params.feed_resistance, inductance, None)
    level = _banks(sheet, params.inputs, spine, y) if params.inputs else y - BANK_ROW
    _input_bus(sheet, spine, level)
    first = level - ABOVE_LEG
    for phase in range(params.phases):
        y = first - phase * LEG_ROW
        out = _boost_leg(sheet, params, str(phase), y)
        if phase:
            _node(sheet, out, y)
    _wire(sheet, (LEFT, level), (LEFT, y))
    y -= LEG_ROW
    left = _output_bus(sheet, out, first, y)
    _node(sheet, SPINE, y, "bus")
    _wire(sheet, (SPINE, y), (SPINE + 2, y))
    _load(sheet, SPINE + 2.5, y, ["load", f"at {bus}"])
    return title, _footer(sheet, _banks(sheet, params.outputs, SPINE, y, left=left))


def _footer(sheet: _Sheet, y: float) -> float:
    text = "Values of one piece; 2 x: pieces in parallel, of a switch or diode in one phase. Grey: strays, nodes."
    _text(sheet, LEFT - 0.5, y - 0.3, text, size=SMALL, colour=GREY)
    return y - 0.8


DRAWINGS: Mapping[str, Callable[[_Sheet, Any], tuple[str, float]]] = {buck.KIND: _buck, boost_pfc.KIND: _boost_pfc}
