"""Drawing of a line rectifier with its bulk: line, limiter and rectifier above; boost path, bulk and load below."""

from __future__ import annotations

import schemdraw.elements as symbols

from harness.show.schematic.sheet import (
    BANK_PITCH,
    BANK_ROW,
    BANKS_A_ROW,
    LEFT,
    NARROW,
    WIDE,
    WIDTH,
    Sheet,
    bank_rows,
    beside,
    footer,
    ground,
    inline,
    load_branch,
    mark_node,
    pieces,
    wire,
    write_block,
)
from netlists.quantity import engineering
from netlists.stages.rectifier_bulk import BoostChoke, Junction, Params, Rectifier, Thermistor

HEIGHT = 3.4  # between the line's two conductors
REACH = 1.3  # of a bridge from its centre
STEP = 2.4  # a part of the line takes
LOAD_ROOM = 3.7  # of the load with its label, and before the first bank
BYPASS = 1.5  # of a relay or a bypass diode above what it bridges
FEEDS = {"bridge": "bridge", "half_wave": "half wave", "boosted": "bridge and boost path"}


def draw_rectifier(sheet: Sheet, params: Params) -> tuple[str, float]:
    """The whole stage from the mains to the converter's load; returns title and y of the lower edge."""
    top = -3.3 if params.relay is not None else -2.4
    title = f"rectifier with bulk: {FEEDS[params.feed]}"
    x = _line(sheet, params, top)
    if params.feed != "boosted" and len(params.bulk) == 1:  # all in one row
        end, level = _rectifier(sheet, params, x, top, "")
        below = _bulk_and_load(sheet, params, end, level)
        return title, footer(sheet, min(below, top - HEIGHT - 0.9), "place")
    _rectifier(sheet, params, x, top, "rectified" if params.feed == "boosted" else "bulk")
    x, y = LEFT, top - HEIGHT - 3.1
    if params.feed == "boosted":
        mark_node(sheet, LEFT, y, "rectified")
        x = LEFT + 2.0
        wire(sheet, (LEFT, y), (x, y))
        x = _boost_path(sheet, params, x, y)
    below = _bulk_and_load(sheet, params, x, y)
    return title, footer(sheet, below, "place", "A node of one name is one node.")


def _line(sheet: Sheet, params: Params, y: float) -> float:
    """The mains, its impedance, fuse, line choke and limiter on the upper conductor; returns x behind them."""
    middle = y - HEIGHT / 2
    sheet.drawing.add(symbols.SourceSin().at((LEFT, middle - 1.0)).to((LEFT, middle + 1.0)))
    wire(sheet, (LEFT, middle + 1.0), (LEFT, y), (LEFT + 0.6, y))
    wire(sheet, (LEFT, middle - 1.0), (LEFT, y - HEIGHT))
    beside(sheet, LEFT + 0.8, middle, ["line", "mains or dc"])
    x = LEFT + 0.6
    lines = ["line", engineering(params.line_resistance, "ohm")]
    inline(sheet, symbols.ResistorIEC(), x, x + STEP, y, lines, room=NARROW, stray=True)
    lines = ["line", engineering(params.line_inductance, "H")]
    inline(sheet, symbols.Inductor(), x + STEP, x + 2 * STEP, y, lines, room=NARROW, stray=True)
    x += 2 * STEP
    if params.fuse_resistance is not None:
        lines = ["fuse", engineering(params.fuse_resistance, "ohm")]
        inline(sheet, symbols.FuseIEC(), x, x + STEP, y, lines, room=NARROW)
        x += STEP
    if params.choke_inductance is not None:
        lines = ["line choke", f"leakage {engineering(params.choke_inductance, 'H')}"]
        if params.choke_resistance is not None:
            lines.append(engineering(params.choke_resistance, "ohm"))
        inline(sheet, symbols.Inductor(), x, x + STEP, y, lines, room=NARROW)
        x += STEP
    if params.thermistor is not None:
        x = _limiter(sheet, params.thermistor, params, x, y)
    return x


def _limiter(sheet: Sheet, part: Thermistor, params: Params, x: float, y: float) -> float:
    lines = ["thermistor", f"{engineering(part.resistance_25, 'ohm')} at 25 degC", f"B {part.b_value:g} K"]
    wire(sheet, (x, y), (x + 0.5, y))
    sheet.drawing.add(symbols.Thermistor().at((x + 0.5, y)).to((x + 0.5 + WIDE, y)))
    write_block(sheet, x + 0.5 + WIDE / 2, y - 1.75, lines, align="middle", room=WIDE + 0.6)
    if params.relay is not None:
        above = y + BYPASS
        wire(sheet, (x + 0.5, y), (x + 0.5, above))
        wire(sheet, (x + 0.5 + WIDE, y), (x + 0.5 + WIDE, above))
        sheet.drawing.add(symbols.Switch().at((x + 0.5, above)).to((x + 0.5 + WIDE, above)))
        closing = f"closes after {engineering(params.relay.closing_delay, 's')}"
        write_block(sheet, x + 0.5 + WIDE / 2, above + 0.6, ["relay", closing], align="middle", room=WIDE + 0.8)
    return x + 0.5 + WIDE


def _rectifier(sheet: Sheet, params: Params, x: float, y: float, node: str) -> tuple[float, float]:
    """A bridge between the conductors, or one diode on the upper one; the node it feeds, to its right."""
    bottom, middle = y - HEIGHT, y - HEIGHT / 2
    if params.feed == "half_wave":
        start, end = x + 0.4, x + 0.4 + STEP
        inline(sheet, symbols.Diode(), start, end, y, _diode_lines("rectifier", params.rectifier), room=WIDE)
        wire(sheet, (x, y), (start, y))
        wire(sheet, (LEFT, bottom), (end, bottom))
        ground(sheet, end, bottom)
        level = y
    else:
        centre, end = x + 2.2, x + 2.2 + REACH
        corners = ((centre, middle + REACH), (end, middle), (centre, middle - REACH), (centre - REACH, middle))
        north, east, south, west = corners
        for cathode, anode in ((east, north), (east, south), (north, west), (south, west)):
            sheet.drawing.add(symbols.Diode().scale(0.7).at(anode).to(cathode))
        wire(sheet, (x, y), (centre, y), north)
        wire(sheet, south, (centre, bottom), (LEFT, bottom))
        wire(sheet, west, (west[0] - 0.4, middle))
        ground(sheet, west[0] - 0.4, middle)
        write_block(sheet, centre + 0.5, y - 0.1, _diode_lines("rectifier", params.rectifier), align="start", room=4.4)
        level = middle
    wire(sheet, (end, level), (end + 0.8, level))
    mark_node(sheet, end + 0.8, level, node)
    return end + 0.8, level


def _diode_lines(name: str, part: Rectifier | Junction) -> list[str]:
    return [
        pieces(name, part.parallel, part.forward_voltage, "V"),
        f"at {engineering(part.forward_test_current, 'A')}, + {engineering(part.slope_resistance, 'ohm')}",
    ]


def _boost_path(sheet: Sheet, params: Params, x: float, y: float) -> float:
    """Choke and boost diode of the corrector that does not switch yet, and what bypasses them; returns x behind."""
    end = x + 8.0
    if params.boost_choke is not None and params.boost_diode is not None:
        inline(sheet, symbols.Inductor(), x + 0.8, x + 3.6, y, _choke_lines(params.boost_choke), room=3.2)
        inline(sheet, symbols.Diode(), x + 4.6, x + 7.2, y, _diode_lines("boost diode", params.boost_diode), room=3.2)
        wire(sheet, (x, y), (x + 0.8, y))
        wire(sheet, (x + 3.6, y), (x + 4.6, y))
        wire(sheet, (x + 7.2, y), (end, y))
    if params.bypass_diode is not None:
        below = y - BYPASS
        for side in (x, end):
            wire(sheet, (side, y), (side, below))
        wire(sheet, (x, below), (x + 2.6, below))
        sheet.drawing.add(symbols.Diode().at((x + 2.6, below)).to((x + 5.4, below)))
        wire(sheet, (x + 5.4, below), (end, below))
        write_block(
            sheet, x + 4.0, below - 1.15, _diode_lines("bypass diode", params.bypass_diode), align="middle", room=5.0
        )
    mark_node(sheet, end, y)
    wire(sheet, (end, y), (end + 0.6, y))
    return end + 0.6


def _choke_lines(part: BoostChoke) -> list[str]:
    beyond, knee = engineering(part.saturated_inductance, "H"), engineering(part.saturation_current, "A")
    return [pieces("boost choke", part.parallel, part.inductance, "H"), f"{beyond} above {knee}"]


def _bulk_and_load(sheet: Sheet, params: Params, x: float, y: float) -> float:
    """Banks and what draws from them; returns y below."""
    mark_node(sheet, x, y, "bulk")
    load = ["load", "converter", f"efficiency {params.converter_efficiency:.3g}"]
    if params.load == "resistance" and params.load_resistance is not None:
        load = ["load", engineering(params.load_resistance, "ohm")]
    room = min(max(1, int((WIDTH - x - LOAD_ROOM) / BANK_PITCH)), BANKS_A_ROW - 1)  # beside the load
    below = bank_rows(sheet, params.bulk[:room], x, y)
    end = x + 0.8 + BANK_PITCH * len(params.bulk[:room])
    mark_node(sheet, end - BANK_PITCH, y)
    wire(sheet, (end - BANK_PITCH, y), (end - 0.5, y))
    load_branch(sheet, end, y, load)
    for start in range(room, len(params.bulk), room + 1):
        wire(sheet, (x, below + BANK_ROW), (x, below))
        below = bank_rows(sheet, params.bulk[start : start + room + 1], x, below)
    return below
