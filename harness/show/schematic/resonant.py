"""Drawings of resonant converters: bridge, tank, each transformer with its rectifiers, output."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import schemdraw.elements as symbols

from harness.show.schematic.sheet import (
    BANK_PITCH,
    BANK_ROW,
    DEPTH,
    GREY,
    LEFT,
    NARROW,
    SIZE,
    SMALL,
    Sheet,
    bank_lines,
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
    side_by_side,
    snubber_branch,
    stray_loop,
    timing_line,
    upright_switch,
    wire,
    write,
    write_block,
)
from netlists.quantity import engineering
from netlists.stages import llc
from netlists.stages.banks import Bank

RETURN, CHAIN = 0.5, 1.7  # where the tank's return and its chain of primaries run down the left side
LEG, LEG_PITCH = 5.6, 5.2  # the bridge's first leg, and the second
PRIMARY, SECONDARY = 6.4, 7.8  # windings of a transformer
TALL = 5.0  # of its primary; the other end of its secondary lies as far below the first
TAP = 3.0  # below the first end, the centre of a tapped one
PITCH, ABOVE = 9.4, 2.0  # of transformers one below the other, and room above the first
STRAYS, FIRST_RECTIFIER = 9.4, 12.2
FIRST_BANK, BELOW = 4.6, 3.4  # of the resonant capacitors, and their line below the last primary's end
RETURN_ABOVE = 0.8  # the return turns to the left that far above the chain
OUT = 24.5  # the output's bus
DETOUR = 2.4  # of a snubber below the rectifier it lies across


def draw_llc(sheet: Sheet, params: llc.Params) -> tuple[str, float]:
    """The sheet of an LLC converter; returns its title and y of its lower edge."""
    low, high = (engineering(value, "Hz") for value in (params.lowest_frequency, params.highest_frequency))
    secondary = params.secondary.replace("_", "-")
    structure = f"{params.bridge} bridge, {secondary} secondary, {params.rectification} rectifiers"
    title = f"LLC converter: {structure}, {low} to {high}"
    heading(sheet, LEFT - 0.5, -0.8, title)
    write(sheet, LEFT - 0.5, -1.35, _timing(params), size=SMALL, colour=GREY)
    tapped = params.secondary == "centre_tapped"
    first = y = _bridge(sheet, params, -2.6)
    wire(sheet, (CHAIN, first + ABOVE), (CHAIN, first))
    for k in range(len(params.transformers)):
        y = first - k * PITCH
        if k:
            wire(sheet, (CHAIN, y + PITCH - TALL), (CHAIN, y))
        wire(sheet, (CHAIN, y), (2.4, y))
        _transformer(sheet, params, k, y)
    foot = y - TALL - BELOW
    wire(sheet, (CHAIN, y - TALL), (CHAIN, foot))
    y = _resonant(sheet, params, first + ABOVE + RETURN_ABOVE, foot)
    output, copper = params.output, (params.output.copper_resistance, params.output.copper_inductance)
    lines = output_lines(output.network, output.load_current, output.voltage)
    title_of_output = f"output {output.name}: {engineering(output.voltage, 'V')}"
    write(sheet, LEFT - 0.5, y - 0.3, title_of_output, size=SIZE + 1, room=OUT - 1.5)
    y -= 2.6
    bus = output_bus(sheet, OUT, first - (TAP if tapped else 0.0), y)
    y = output_row(sheet, output.banks, copper, lines, llc.TAG, y, bus)
    return title, footer(sheet, y, "place", "Not drawn: the cores' loss, beside each primary.")


def _timing(params: llc.Params) -> str:
    """What the bridge's and the rectifiers' gates are told."""
    text = f"dead time {engineering(params.dead_time, 's')}"
    if params.rectification == "synchronous":
        text += f"; {timing_line(params.turn_on_delay, params.turn_off_lead, params.least_on_time)}"
    return text


def _bridge(sheet: Sheet, params: llc.Params, y: float) -> float:
    """The source, the bridge's legs below the bus at ``y``, the series inductor; returns y of the first transformer."""
    foot, middle = y - 2 * DEPTH, y - DEPTH
    sheet.drawing.add(symbols.SourceV().at((LEFT, foot)).to((LEFT, y)))
    ground(sheet, LEFT, foot)
    write(sheet, LEFT + 0.7, middle - 0.1, "bus")
    tags = llc.legs(params)[::-1]  # the tank leaves the last one to the right, where nothing is in its way
    legs = [LEG + place * LEG_PITCH for place in range(len(tags))]
    wire(sheet, (LEFT, y), (legs[-1], y))
    for tag, x in zip(tags, legs, strict=True):
        upright_switch(sheet, params.switch, x, y, grounded=False)
        mark_node(sheet, x, middle, f"middle_{tag}")
        upright_switch(sheet, params.switch, x, middle)
    for x in legs[:-1]:
        mark_node(sheet, x, y)
    below = foot - 1.0
    if params.bridge == "full":
        wire(sheet, (legs[0], middle), (legs[0] - 2.2, middle), (legs[0] - 2.2, below), (RETURN, below))
    x = legs[-1] + 4.0
    wire(sheet, (legs[-1], middle), (x, middle))
    if params.series is not None:
        inline(sheet, symbols.Inductor(), x, x + 2.2, middle, choke_lines(params.series))
        x += 2.2
    below -= RETURN_ABOVE
    wire(sheet, (x, middle), (x + 0.6, middle), (x + 0.6, below), (CHAIN, below))
    return below - ABOVE


def _transformer(sheet: Sheet, params: llc.Params, k: int, y: float) -> None:
    """One transformer with its rectifiers: primary from the chain at ``y``, secondary to the output's bus."""
    part = params.transformers[k]
    lines = [
        f"{part.designator} {engineering(part.leakage_inductance, 'H')}", "leakage",
        engineering(part.primary_resistance, "ohm"),
    ]  # fmt: skip
    inline(sheet, symbols.Inductor(), 2.4, 4.6, y, lines, room=NARROW)
    wire(sheet, (4.6, y), (PRIMARY, y))
    mark_node(sheet, 4.75, y, f"magnetised_{k}")
    _winding(sheet, PRIMARY, y, y - TALL, down=True)
    wire(sheet, (PRIMARY, y - TALL), (CHAIN, y - TALL))
    for x in (0.5 * (PRIMARY + SECONDARY) + offset for offset in (-0.07, 0.07)):
        wire(sheet, (x, y - 0.9), (x, y - TALL + 0.9))
    ratio = f"{part.ideal_ratio(part.windings[0]):.4g} : 1 ideal"
    resistance = engineering(part.windings[0].resistance, "ohm")
    tapped = params.secondary == "centre_tapped"
    lines = [f"{part.designator} {engineering(part.magnetising_inductance, 'H')}", "magnetising", ratio]
    write_block(sheet, PRIMARY - 0.6, y - TALL / 2 - 0.5, lines, align="end", room=3.6)
    if tapped:
        _winding(sheet, SECONDARY, y, y - TAP, down=False)
        _winding(sheet, SECONDARY, y - TAP, y - TALL, down=False)
        beside(sheet, SECONDARY + 0.4, y - TAP / 2, [resistance, "each half"])
        wire(sheet, (SECONDARY, y - TAP), (OUT, y - TAP))
        _end(sheet, params, y, (f"top_n{k}", True), high=False)
        _end(sheet, params, y - TALL, (f"top_p{k}", True), high=False)
    else:
        _winding(sheet, SECONDARY, y, y - TALL, down=False)
        beside(sheet, SECONDARY + 0.4, y - TALL / 2, [resistance])
        _end(sheet, params, y, (f"top_w{k}", True), high=True)
        _end(sheet, params, y - TALL, (f"end_w{k}", False), high=True)
        mark_node(sheet, OUT, y - TALL)
    if k:
        mark_node(sheet, OUT, y - (TAP if tapped else 0.0))


def _winding(sheet: Sheet, x: float, top: float, bottom: float, *, down: bool) -> None:
    """A winding between two levels, its turns to the right where drawn downwards, and a dot on the other side of it."""
    start, stop = (top, bottom) if down else (bottom, top)
    sheet.drawing.add(symbols.Inductor().at((x, start)).to((x, stop)))
    sheet.drawing.add(symbols.Dot(radius=0.06).at((x + (-0.25 if down else 0.25), (top + bottom) / 2 + 0.75)))


def _end(sheet: Sheet, params: llc.Params, y: float, name: tuple[str, bool], *, high: bool) -> None:
    """One end of a winding: its strays, the rectifier to ground and, in a bridge, the one to the output.

    Parameters
    ----------
    name : of its node, and whether the strays lie before it
    """
    x = FIRST_RECTIFIER
    wire(sheet, (SECONDARY, y), (STRAYS, y))
    if name[1]:
        stray_loop(sheet, params.strays, STRAYS, y)
    else:
        wire(sheet, (STRAYS, y), (STRAYS + NARROW, y))
    wire(sheet, (STRAYS + NARROW, y), (x, y))
    mark_node(sheet, x, y, name[0])
    branches: list[Callable[[float], None]] = [lambda x: _low(sheet, params, x, y)]
    snubber = params.snubber
    if snubber is not None:
        branches.append(lambda x: snubber_branch(sheet, snubber, x, y))
    last = side_by_side(sheet, branches, x, y)
    wire(sheet, (x, y), (last, y))
    if high:
        _high(sheet, params, last + 3.2, y)
        wire(sheet, (last, y), (last + 3.2, y))


def _low(sheet: Sheet, params: llc.Params, x: float, y: float) -> None:
    """A rectifier between ground and a winding's end."""
    if params.rectification == "synchronous" and params.synchronous is not None:
        upright_switch(sheet, params.synchronous, x, y)
    elif params.diode is not None:
        branch(sheet, symbols.Diode().reverse(), x, y, diode_lines(params.diode))


def _high(sheet: Sheet, params: llc.Params, x: float, y: float) -> None:
    """A rectifier between a winding's end at ``x`` and the output's bus."""
    right = x + 2.2
    if params.rectification == "synchronous" and params.synchronous is not None:
        right = lying_switch(sheet, params.synchronous, x, y)
    elif params.diode is not None:
        inline(sheet, symbols.Diode(), x, right, y, diode_lines(params.diode))
    wire(sheet, (right, y), (OUT, y))
    if params.snubber is not None:
        middle, below = (x + right) / 2, y - DETOUR
        mark_node(sheet, x - 0.4, y)
        mark_node(sheet, right + 0.8, y)
        wire(sheet, (x - 0.4, y), (x - 0.4, below))
        wire(sheet, (right + 0.8, y), (right + 0.8, below))
        inline(
            sheet, symbols.ResistorIEC().scale(0.75), x - 0.4, middle + 0.2, below,
            ["snubber", engineering(params.snubber.resistance, "ohm")], room=1.7,
        )  # fmt: skip
        inline(
            sheet, symbols.Capacitor(), middle + 0.2, right + 0.8, below,
            [engineering(params.snubber.capacitance, "F")], room=1.7,
        )  # fmt: skip


def _resonant(sheet: Sheet, params: llc.Params, top: float, y: float) -> float:
    """Capacitors from the chain's foot at ``y``: to ground, or to the return that begins at ``top``, and to the bus.

    Returns
    -------
    y below them
    """
    wire(sheet, (CHAIN, y), (2.6, y))
    mark_node(sheet, 2.6, y, "foot")
    full = params.bridge == "full"
    last = _row(sheet, params.resonant, y, "return" if full else "ground")
    if full:
        wire(sheet, (RETURN, top), (RETURN, y - DEPTH), (last, y - DEPTH))
    if params.split:
        mark_node(sheet, CHAIN, y)
        wire(sheet, (CHAIN, y), (CHAIN, y - BANK_ROW), (2.6, y - BANK_ROW))
        y -= BANK_ROW
        _row(sheet, params.split, y, "bus")
    return y - BANK_ROW


def _row(sheet: Sheet, parts: Sequence[Bank], y: float, end: Literal["ground", "return", "bus"]) -> float:
    """Capacitors side by side below a line; returns the last one's x."""
    places = [FIRST_BANK + BANK_PITCH * index for index in range(len(parts))]
    wire(sheet, (2.6, y), (places[-1], y))
    for x, part in zip(places, parts, strict=True):
        sheet.drawing.add(symbols.Capacitor().at((x, y)).to((x, y - DEPTH)))
        beside(sheet, x + 0.4, y - DEPTH / 2, bank_lines(part), room=BANK_PITCH - 0.9)
        if x != places[-1]:
            mark_node(sheet, x, y)
        if end == "ground":
            ground(sheet, x, y - DEPTH)
        elif end == "bus":
            sheet.drawing.add(symbols.Dot(radius=0.07, open=True).at((x, y - DEPTH)))
            write(sheet, x + 0.2, y - DEPTH - 0.1, "bus", size=SMALL, colour=GREY)
        elif x != places[-1]:
            mark_node(sheet, x, y - DEPTH)
    return places[-1]
