"""Drawings of buck and boost stages: input with its banks, for each rail its phases, output banks and load."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import schemdraw.elements as symbols

from harness.show.schematic.sheet import (
    ABOVE_LEG,
    BANK_ROW,
    DEPTH,
    LEFT,
    LEG_ROW,
    NARROW,
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
    load_branch,
    mark_node,
    output_bus,
    output_lines,
    output_row,
    side_by_side,
    snubber_branch,
    stray_loop,
    switch_lines,
    upright_switch,
    wire,
    write_block,
)
from netlists.quantity import engineering
from netlists.stages import boost_pfc, buck
from netlists.stages.switching import Choke


def _feed(
    sheet: Sheet, y: float, source: Sequence[str], resistance: float, inductance: float | None, choke: Choke | None
) -> float:
    """The source and what lies between it and the input node; returns that node's x."""
    sheet.drawing.add(symbols.SourceV().at((LEFT, y - DEPTH)).to((LEFT, y)))
    ground(sheet, LEFT, y - DEPTH)
    beside(sheet, LEFT + 0.7, y - DEPTH / 2, source)
    wire(sheet, (LEFT, y), (1.6, y))
    lines = ["feed", engineering(resistance, "ohm")]
    inline(sheet, symbols.ResistorIEC(), 1.6, 3.9, y, lines, room=NARROW, stray=True)
    spine = 3.9
    if inductance is not None:
        lines = ["feed", engineering(inductance, "H")]
        inline(sheet, symbols.Inductor(), 3.9, 6.2, y, lines, room=NARROW, stray=True)
        spine = 6.2
    if choke is not None:
        inline(sheet, symbols.Inductor(), spine + 0.6, spine + 2.8, y, choke_lines(choke))
        wire(sheet, (spine, y), (spine + 0.6, y))
        spine += 2.8
    wire(sheet, (spine, y), (spine + 0.7, y))
    mark_node(sheet, spine + 0.7, y, "input")
    return spine + 0.7


def _input_bus(sheet: Sheet, spine: float, level: float) -> None:
    """From the last row of input banks under them back to the left, where the phases begin."""
    wire(sheet, (spine, level + BANK_ROW), (spine, level), (LEFT, level))


def _buck_leg(sheet: Sheet, rail: buck.Rail, tag: str, y: float) -> float:
    """One phase from the input bus to its choke; returns x of the output bus."""
    mark_node(sheet, LEFT, y)
    wire(sheet, (LEFT, y), (1.3, y))
    stray_loop(sheet, rail.strays, 1.3, y)
    place = sheet.drawing.add(symbols.NMos2(diode=True).at((4.6, y)).theta(0))
    source, middle = next(iter(place.source)), 7.4
    wire(sheet, (1.3 + NARROW, y), (4.6, y))
    write_block(sheet, (4.6 + source) / 2, y + 0.55, switch_lines(rail.high), align="middle", room=WIDE)
    mark_node(sheet, middle, y, f"middle_{tag}")
    branches: list[Callable[[float], None]] = []
    low, diode, snubber = rail.low, rail.diode, rail.snubber
    if rail.rectification == "synchronous" and low is not None:
        branches.append(lambda x: upright_switch(sheet, low, x, y))
    if diode is not None:
        branches.append(lambda x: branch(sheet, symbols.Schottky().reverse(), x, y, diode_lines(diode)))
    if snubber is not None:
        branches.append(lambda x: snubber_branch(sheet, snubber, x, y))
    last = side_by_side(sheet, branches, middle, y)
    wire(sheet, (source, y), (last + 2.3, y))
    inline(sheet, symbols.Inductor(), last + 2.3, last + 4.5, y, choke_lines(rail.choke))
    wire(sheet, (last + 4.5, y), (last + 4.9, y))
    return last + 4.9


def _rail_heading(rail: buck.Rail, tag: str) -> str:
    text = f"rail {tag}, {rail.name}: {engineering(rail.voltage, 'V')}, {_phases(rail.phases)}, {rail.rectification}"
    if rail.emulates_diode:
        text += f", low side off {engineering(rail.turn_off_lead, 's')} before current zero"
    return text if rail.phase_angle == 0 else f"{text}, {engineering(rail.phase_angle, 'deg')} behind the first rail"


def _phases(count: int) -> str:
    return "1 phase" if count == 1 else f"{count} interleaved phases"


def _buck_output(sheet: Sheet, rail: buck.Rail, tag: str, y: float, bus: float) -> float:
    """Banks, copper and load of a rail whose phases come down at ``bus``; returns y below them."""
    lines = output_lines(rail.network, rail.load_current, rail.voltage)
    return output_row(sheet, rail.outputs, (rail.copper_resistance, rail.copper_inductance), lines, tag, y, bus)


def draw_buck(sheet: Sheet, params: buck.Params) -> tuple[str, float]:
    """The sheet of a buck; returns its title and y of its lower edge."""
    title = f"Buck: {engineering(params.input_voltage, 'V')} in, {engineering(params.switching_frequency, 'Hz')}"
    heading(sheet, LEFT - 0.5, -0.8, title)
    y = -2.9
    source = ["feeding rail", engineering(params.input_voltage, "V")]
    spine = _feed(sheet, y, source, params.feed_resistance, params.feed_inductance, params.input_choke)
    level = bank_rows(sheet, params.inputs, spine, y)
    _input_bus(sheet, spine, level)
    bus, y = level, level
    for index, rail in enumerate(params.rails):
        tag = buck.TAGS[index]
        heading(sheet, LEFT + 0.4, y - 0.8, _rail_heading(rail, tag))
        first = y = y - 0.8 - ABOVE_LEG
        for phase in range(rail.phases):
            y = first - phase * LEG_ROW
            out = _buck_leg(sheet, rail, f"{tag}{phase}", y)
            if phase:
                mark_node(sheet, out, y)
        wire(sheet, (LEFT, bus), (LEFT, y))
        bus = y
        y -= LEG_ROW
        y = _buck_output(sheet, rail, tag, y, output_bus(sheet, out, first, y))
    return title, footer(sheet, y)


def _boost_leg(sheet: Sheet, params: boost_pfc.Params, tag: str, y: float) -> float:
    """One phase from the input bus to its diode; returns x of the bus."""
    mark_node(sheet, LEFT, y)
    wire(sheet, (LEFT, y), (1.6, y))
    inline(sheet, symbols.Inductor(), 1.6, 3.8, y, choke_lines(params.choke))
    mark_node(sheet, 5.0, y, f"middle_{tag}")
    snubber = params.snubber
    branches: list[Callable[[float], None]] = [lambda x: upright_switch(sheet, params.low, x, y)]
    if snubber is not None:
        branches.append(lambda x: snubber_branch(sheet, snubber, x, y))
    last = side_by_side(sheet, branches, 5.0, y)
    wire(sheet, (3.8, y), (last + 2.1, y))
    inline(sheet, symbols.Diode(), last + 2.1, last + 4.1, y, diode_lines(params.high))
    stray_loop(sheet, params.strays, last + 4.7, y)
    wire(sheet, (last + 4.1, y), (last + 4.7, y))
    wire(sheet, (last + 4.7 + NARROW, y), (last + 7.3, y))
    return last + 7.3


def draw_boost(sheet: Sheet, params: boost_pfc.Params) -> tuple[str, float]:
    """The sheet of a boost corrector; returns its title and y of its lower edge."""
    frequency = engineering(params.switching_frequency, "Hz")
    mode = f"boundary mode, at most {frequency}" if params.mode == "boundary" else f"fixed frequency {frequency}"
    bus = engineering(params.bus_setpoint, "V")
    title = f"Boost power-factor corrector: bus {bus}, {_phases(params.phases)}, {mode}"
    heading(sheet, LEFT - 0.5, -0.8, title)
    y = -2.9
    drop = [f"less {engineering(params.rectifier_drop, 'V')}", "of its bridge"] if params.rectifier_drop else []
    # without an input bank the rectified line is simulated as stiff behind its resistance
    inductance = params.feed_inductance if params.inputs else None
    spine = _feed(sheet, y, ["rectified line", *drop], params.feed_resistance, inductance, None)
    level = bank_rows(sheet, params.inputs, spine, y) if params.inputs else y - BANK_ROW
    _input_bus(sheet, spine, level)
    first = level - ABOVE_LEG
    for phase in range(params.phases):
        y = first - phase * LEG_ROW
        out = _boost_leg(sheet, params, str(phase), y)
        if phase:
            mark_node(sheet, out, y)
    wire(sheet, (LEFT, level), (LEFT, y))
    y -= LEG_ROW
    left = output_bus(sheet, out, first, y)
    mark_node(sheet, SPINE, y, "bus")
    wire(sheet, (SPINE, y), (SPINE + 2, y))
    load_branch(sheet, SPINE + 2.5, y, ["load", f"at {bus}"])
    return title, footer(sheet, bank_rows(sheet, params.outputs, SPINE, y, left=left))
