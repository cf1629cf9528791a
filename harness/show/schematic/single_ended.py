"""Drawings of a flyback and of a two-switch forward converter: primary on the left, outputs on the right."""

from __future__ import annotations

from collections.abc import Sequence

import schemdraw.elements as symbols

from harness.show.schematic.sheet import (
    DEPTH,
    GREY,
    LEFT,
    NARROW,
    SIZE,
    SMALL,
    SPINE,
    WIDE,
    Sheet,
    bank_rows,
    beside,
    branch,
    choke_lines,
    diode_lines,
    footer,
    ground,
    heading,
    inline,
    lying_switch,
    mark_node,
    output_bus,
    output_lines,
    output_row,
    pieces,
    snubber_branch,
    stray_loop,
    timing_line,
    upright_switch,
    wire,
    write,
    write_block,
)
from netlists.quantity import engineering
from netlists.stages import two_switch_forward
from netlists.stages.flyback_params import Clamp, Params, Secondary, rails
from netlists.stages.outputs import Output
from netlists.stages.switching import Diode, Snubber, Switch
from netlists.stages.transformer import Transformer, Winding

PRIMARY, SECONDARY = 11.0, 12.4  # windings
TALL, SHORT = 6.2, 3.0  # of the primary, of a secondary
RECTIFIER, RECTIFIED = 14.5, 17.2  # a rectifier lies between the two
OUT = 25.4  # the bus of an output behind a post filter
DETOUR = 1.1  # of a snubber below the rectifier it lies across
NODE = 3.6  # of the line to the primary, left of it


def draw_flyback(sheet: Sheet, params: Params) -> tuple[str, float]:
    """The sheet of a flyback; returns its title and y of its lower edge."""
    set_to = "at most" if params.mode == "valley" else "at"
    mode = params.mode.replace("_", " ")
    title = f"Flyback: {mode}, {set_to} {engineering(params.switching_frequency, 'Hz')}"
    heading(sheet, LEFT - 0.5, -0.8, title)
    remark = f"duty at most {params.largest_duty:.3g}; leakage's ring Q {params.strays.loop_quality:g}"
    if params.secondaries[0].synchronous is not None:
        told = timing_line(params.rectifier_delay, params.rectifier_lead, params.rectifier_least_on)
        remark += f"; {told}"
    write(sheet, LEFT - 0.5, -1.35, remark, size=SMALL, colour=GREY)
    top = -3.4
    drain, below = top - TALL, top - TALL - 2 * DEPTH - 1.2
    _source(sheet, top)
    _clamp(sheet, params.clamp, top, drain)
    wire(sheet, (LEFT, top), (PRIMARY - NODE, top))
    _primary(sheet, params.primary, top, "input")
    stray_loop(sheet, params.strays, 5.6, drain)
    wire(sheet, (5.2, drain), (5.6, drain))
    wire(sheet, (5.6 + NARROW, drain), (PRIMARY, drain))
    mark_node(sheet, PRIMARY, drain, "drain")
    _low_side(sheet, params, drain)
    y = below
    for index, (tag, one) in enumerate(rails(params)):
        level = top if index == 0 else y - 1.2
        y = _rail(sheet, params, one, tag, level, below if index == 0 else level - SHORT - 1.6)
    return title, footer(sheet, y, "place", "Not drawn: the core's loss, and what damps the leakage.")


def _source(sheet: Sheet, top: float) -> None:
    sheet.drawing.add(symbols.SourceV().at((LEFT, top - DEPTH)).to((LEFT, top)))
    ground(sheet, LEFT, top - DEPTH)
    write(sheet, LEFT - 0.4, top + 0.4, "bus", size=SMALL)


def _clamp(sheet: Sheet, part: Clamp, top: float, drain: float) -> None:
    """The clamp's capacitor and resistor below the bus, its diode from the drain up to them."""
    level = top - DEPTH
    capacitor = [pieces(part.capacitor, part.capacitors_parallel, part.capacitance, "F")]
    resistor = [pieces(part.resistor, part.resistors_parallel, part.resistance, "ohm")]
    capacitor += [f"strings of {part.capacitors_series}"] if part.capacitors_series > 1 else []
    resistor += [f"strings of {part.resistors_series}"] if part.resistors_series > 1 else []
    for x, symbol, lines in ((2.8, symbols.Capacitor(), capacitor), (5.2, symbols.ResistorIEC(), resistor)):
        sheet.drawing.add(symbol.at((x, top)).to((x, level)))
        beside(sheet, x + 0.4, level + DEPTH / 2, lines, room=1.75 if x < 5 else 2.6)
        mark_node(sheet, x, top)
    wire(sheet, (2.8, level), (5.2, level))
    mark_node(sheet, 5.2, level, "clamped")
    sheet.drawing.add(symbols.Diode().at((5.2, drain)).to((5.2, level)))
    beside(sheet, 5.6, (level + drain) / 2, diode_lines(part.diode), room=2.2)


def _primary(sheet: Sheet, part: Transformer, top: float, node: str) -> None:
    """Leakage and primary from the line at ``top`` down; the core beside it."""
    lines = [f"{part.designator} {engineering(part.leakage_inductance, 'H')}", "leakage",
             engineering(part.primary_resistance, "ohm")]  # fmt: skip
    mark_node(sheet, PRIMARY - NODE, top, node)
    inline(sheet, symbols.Inductor(), PRIMARY - 2.2, PRIMARY, top, lines, room=NARROW)
    wire(sheet, (PRIMARY - NODE, top), (PRIMARY - 2.2, top))
    sheet.drawing.add(symbols.Inductor().at((PRIMARY, top)).to((PRIMARY, top - TALL)))
    sheet.drawing.add(symbols.Dot(radius=0.06).at((PRIMARY - 0.25, top - TALL / 2 + 0.75)))
    for x in (0.5 * (PRIMARY + SECONDARY) + offset for offset in (-0.07, 0.07)):
        wire(sheet, (x, top - 0.4), (x, top - TALL + 0.4))
    lines = [f"{part.designator} {engineering(part.magnetising_inductance, 'H')}", "magnetising"]
    write_block(sheet, PRIMARY - 0.6, top - TALL / 2 - 0.4, lines, align="end", room=2.3)


def _secondary(sheet: Sheet, part: Transformer, winding: Winding, y: float, *, flipped: bool, first: bool) -> None:
    """A secondary from the line at ``y`` down to ground; ``flipped``: its dot is at the other end."""
    sheet.drawing.add(symbols.Inductor().at((SECONDARY, y - SHORT)).to((SECONDARY, y)))
    dot = y - SHORT / 2 + (-0.95 if flipped else 0.95)
    sheet.drawing.add(symbols.Dot(radius=0.06).at((SECONDARY + 0.3, dot)))
    ground(sheet, SECONDARY, y - SHORT)
    lines = [f"{part.ideal_ratio(winding):.4g} : 1", engineering(winding.resistance, "ohm")]
    beside(sheet, SECONDARY + 0.5, y - SHORT / 2, lines if first else [*lines, f"on {part.designator}"], room=1.7)
    wire(sheet, (SECONDARY, y), (RECTIFIER, y))


def _low_side(sheet: Sheet, params: Params, drain: float) -> None:
    """The switch with its sense resistor, and what lies beside the switch."""
    if params.drain_capacitance is not None:
        mark_node(sheet, PRIMARY - 2.6, drain)
        lines = ["at the drain", engineering(params.drain_capacitance, "F")]
        branch(sheet, symbols.Capacitor(), PRIMARY - 2.6, drain, lines, room=1.9)
    is_sensed = params.sense_resistance is not None
    upright_switch(sheet, params.switch, PRIMARY, drain, grounded=not is_sensed)
    if params.sense_resistance is not None:
        lines = ["sense", engineering(params.sense_resistance, "ohm")]
        branch(sheet, symbols.ResistorIEC(), PRIMARY, drain - DEPTH, lines)


def _rail(sheet: Sheet, params: Params, one: Secondary, tag: str, y: float, below: float) -> float:
    """A rail from its winding to its load, whose banks lie at ``below``; returns y under it."""
    _secondary(sheet, params.primary, one.winding, y, flipped=True, first=tag == "a")
    _rectifier(sheet, one.rectifier, one.snubber, y)
    _name(sheet, one.output, y)
    bus = output_bus(sheet, RECTIFIED, y, below)
    if one.choke is None:
        return _output(sheet, one.output, tag, below, bus)
    mark_node(sheet, SPINE, below, f"first_{tag}")
    lower = bank_rows(sheet, one.firsts, SPINE, below, left=bus)
    inline(sheet, symbols.Inductor(), SPINE + 2.2, SPINE + 4.6, below, choke_lines(one.choke))
    wire(sheet, (SPINE, below), (SPINE + 2.2, below))
    wire(sheet, (SPINE + 4.6, below), (OUT, below))
    lower -= 1.4
    return _output(sheet, one.output, tag, lower, output_bus(sheet, OUT, below, lower))


def _name(sheet: Sheet, output: Output, y: float) -> None:
    line = f"output {output.name}: {engineering(output.voltage, 'V')}"
    write(sheet, RECTIFIED + 0.6, y - 0.1, line, size=SIZE + 1, room=8.0)


def _rectifier(sheet: Sheet, part: Diode | Switch, snubber: Snubber | None, y: float) -> None:
    """A rectifier from a winding to the output's side, its snubber below it."""
    right = RECTIFIED - 0.3
    if isinstance(part, Switch):
        right = lying_switch(sheet, part, RECTIFIER + 0.3, y)
    else:
        inline(sheet, symbols.Diode(), RECTIFIER + 0.3, right, y, diode_lines(part))
    wire(sheet, (RECTIFIER, y), (RECTIFIER + 0.3, y))
    wire(sheet, (right, y), (RECTIFIED, y))
    if snubber is None:
        return
    left, level = RECTIFIER + 0.2, y - DETOUR
    middle = 0.5 * (left + RECTIFIED)
    mark_node(sheet, left, y)
    wire(sheet, (left, y), (left, level))
    mark_node(sheet, RECTIFIED, level)
    inline(sheet, symbols.ResistorIEC().scale(0.75), left, middle, level, [])
    inline(sheet, symbols.Capacitor(), middle, RECTIFIED, level, [])
    lines = [f"snubber {engineering(snubber.resistance, 'ohm')}", engineering(snubber.capacitance, "F")]
    write_block(sheet, middle, level - 1.15, lines, align="middle", room=2.2)


def _output(sheet: Sheet, output: Output, tag: str, y: float, bus: float) -> float:
    lines = output_lines(output.network, output.load_current, output.voltage)
    return output_row(sheet, output.banks, (output.copper_resistance, output.copper_inductance), lines, tag, y, bus)


def draw_forward(sheet: Sheet, params: two_switch_forward.Params) -> tuple[str, float]:
    """The sheet of a two-switch forward converter; returns its title and y of its lower edge."""
    title = f"Two-switch forward: {engineering(params.switching_frequency, 'Hz')}"
    heading(sheet, LEFT - 0.5, -0.8, title)
    remark = f"duty at most {params.largest_duty:.3g}; leakage's ring Q {params.leakage_quality:g}"
    write(sheet, LEFT - 0.5, -1.35, remark, size=SMALL, colour=GREY)
    bus, top = -3.0, -3.0 - DEPTH - 1.5
    end = top - TALL
    _source(sheet, bus)
    stray_loop(sheet, params.strays, LEFT + 0.6, bus)
    wire(sheet, (LEFT, bus), (LEFT + 0.6, bus))
    leg, clamps = 6.2, 4.1
    wire(sheet, (LEFT + 0.6 + NARROW, bus), (leg, bus))
    upright_switch(sheet, params.high, leg, bus, grounded=False)
    wire(sheet, (leg, bus - DEPTH), (leg, top), (PRIMARY - NODE, top))
    mark_node(sheet, leg, top)
    _primary(sheet, params.transformer, top, "winding_start")
    _clamp_diodes(sheet, params, (clamps, leg), (bus, top, end))
    upright_switch(sheet, params.low, PRIMARY, end)
    mark_node(sheet, PRIMARY, end, "winding_end")
    _secondary(sheet, params.transformer, params.winding, top, flipped=False, first=True)
    _rectifier(sheet, params.forward, None, top)
    _name(sheet, params.output, top + 2.4)
    y = _choke_side(sheet, params, top, end - DEPTH - 1.8)
    return title, footer(sheet, y, "place", "Not drawn: the core's loss, and what damps the leakage.")


def _clamp_diodes(
    sheet: Sheet, params: two_switch_forward.Params, places: Sequence[float], levels: Sequence[float]
) -> None:
    """From ground to the winding's start, and from its end to the bus behind the loop.

    Parameters
    ----------
    places : x of the high diode and of the low one;  levels : y of the bus, of the winding's start and of its end
    """
    (high, low), (bus, top, end) = places, levels
    mark_node(sheet, high, bus, "top")
    wire(sheet, (high, bus), (high, end + 0.6 + DEPTH))
    sheet.drawing.add(symbols.Diode().at((high, end + 0.6)).to((high, end + 0.6 + DEPTH)))
    beside(sheet, high + 0.4, end + 0.6 + DEPTH / 2, diode_lines(params.high_clamp), room=1.55)
    wire(sheet, (high, end + 0.6), (high, end), (PRIMARY, end))
    # the low one hangs below the winding's start
    wire(sheet, (low, top), (low, end + 0.6 + DEPTH))
    sheet.drawing.add(symbols.Diode().at((low, end + 0.6)).to((low, end + 0.6 + DEPTH)))
    ground(sheet, low, end + 0.6)
    beside(sheet, low + 0.4, end + 0.6 + DEPTH / 2, diode_lines(params.low_clamp), room=2.2)


def _choke_side(sheet: Sheet, params: two_switch_forward.Params, y: float, below: float) -> float:
    """Freewheel diode, its snubber and the choke from the rectified node at ``y``; returns y under the output."""
    mark_node(sheet, RECTIFIED, y, "rectified")
    branch(sheet, symbols.Diode().reverse(), RECTIFIED, y, diode_lines(params.freewheel), room=1.9)
    x = RECTIFIED
    if params.snubber is not None:
        x += 2.8
        mark_node(sheet, x, y)
        snubber_branch(sheet, params.snubber, x, y)
    left = RECTIFIED + 4.6
    wire(sheet, (RECTIFIED, y), (left, y))
    inline(sheet, symbols.Inductor(), left, left + 2.4, y, choke_lines(params.choke), room=WIDE)
    wire(sheet, (left + 2.4, y), (OUT, y))
    return _output(sheet, params.output, two_switch_forward.TAG, below, output_bus(sheet, OUT, y, below))
