"""Circuit drawings: equal parameters, equal bytes; every part is in them, no text lies on another or on a stroke."""

from __future__ import annotations

import dataclasses
import itertools
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest
from demonstration import DRUM, KILN, LANTERN
from integration.forward_designs import drawn_forward
from integration.llc_designs import drawn_llc
from integration.switching_designs import BOOSTS, BUCKS, FLYBACKS, drawn_flyback, emulating, synchronous
from matplotlib.font_manager import findfont
from matplotlib.ft2font import FT2Font

from harness.show.schematic import draw, draw_stage
from netlists.errors import OptionError, StoreError
from netlists.point import Point
from netlists.record import load_record
from netlists.stages import boost_pfc, buck, flyback_params, llc, rectifier_bulk, two_switch_forward
from netlists.stages.banks import Bank
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Snubber, Switch
from netlists.stages.transformer import Transformer, Winding

DRAWINGS = Path(__file__).resolve().parents[2] / "results" / "pictures"
CAPACITORS = tuple(Bank(f"C1{n}", 470e-6, 18e-3, parallel=12, series=2, esl=3e-9) for n in range(6))
FULL_RAIL = dataclasses.replace(
    BUCKS[1].rails[0], name='a&b <"c"> $d$', phases=4, high=Switch("Q11", 4.25e-3, 600e-12, parallel=2),
    low=Switch("Q12", 3.15e-3, 900e-12, parallel=2), diode=Diode("D11", 0.45, 10.0, 8e-3, 400e-12, parallel=2),
    outputs=CAPACITORS, copper_resistance=3.25e-3, copper_inductance=42.5e-9,
)  # fmt: skip
FULL = dataclasses.replace(  # all that a buck can have, twice
    BUCKS[1], input_voltage=24.0, inputs=CAPACITORS,
    rails=(FULL_RAIL, dataclasses.replace(FULL_RAIL, phase_angle=45.0)),
    input_choke=Choke("L19", 1e-6, 4e-3, 30.0, 0.25e-6),
)  # fmt: skip
TRANSFORMERS = tuple(
    Transformer(f"T{k}", (Winding(16.25, 0.65e-3),), 212.5e-6, 42.75e-6, 62.5e-3) for k in (31, 32, 33, 34)
)
LLC_FULL = dataclasses.replace(  # all that an LLC can have
    drawn_llc(0)[0], bridge="half", secondary="bridge", rectification="synchronous", transformers=TRANSFORMERS,
    switch=Switch("Q31", 122.5e-3, 182.5e-12, parallel=2), series=Choke("L31", 42.75e-6, 62.5e-3, 10.5, 21.5e-6),
    resonant=CAPACITORS[:4], split=CAPACITORS[2:], snubber=Snubber(10.25, 1.25e-9), diode=None,
    synchronous=Switch("Q37", 2.15e-3, 912.5e-12, parallel=4),
    output=Output('a&b <"c"> $d$', CAPACITORS, 24.25, 37.5, 0.425e-3, 22.5e-9),
)  # fmt: skip
LLC_DIODES = dataclasses.replace(
    LLC_FULL, bridge="full", rectification="diode", split=(), series=None, synchronous=None,
    diode=Diode("D37", 0.85, 12.5, 8.25e-3, 412.5e-12, parallel=2),
)  # fmt: skip
LLC_TAPPED = dataclasses.replace(LLC_DIODES, secondary="centre_tapped", resonant=CAPACITORS[:1])
LLCS = (LLC_FULL, LLC_DIODES, LLC_TAPPED, *(drawn_llc(seed)[0] for seed in (1, 2)))
SATURATING = dataclasses.replace(  # its label reaches to the node's name
    BUCKS[0], rails=(dataclasses.replace(BUCKS[0].rails[0], choke=Choke("L15", 4.75e-6, 6e-3, 20.5, 0.85e-6)),)
)
STAGES = [("buck", params) for params in (*BUCKS, FULL, SATURATING)]
STAGES += [("boost_pfc", params) for params in BOOSTS] + [("llc", params) for params in LLCS]
STAGES += [("buck", emulating(params)) for params in BUCKS]
STAGES += [("flyback", synchronous(params)) for params in FLYBACKS]
STAGES += [("flyback", params) for params in (*FLYBACKS, *(drawn_flyback(seed)[0] for seed in range(6)))]
STAGES += [("two_switch_forward", drawn_forward(seed)[0]) for seed in range(4)]
LANTERN_FLYBACK = flyback_params.params_from(load_record(LANTERN), "main_flyback", Point())[0]
STAGES += [
    ("flyback", LANTERN_FLYBACK),
    ("two_switch_forward", two_switch_forward.params_from(load_record(DRUM), "main_24v", Point())[0]),
]
LINE_SIDES = [
    rectifier_bulk.params_from(load_record(file), "mains_rectifier", Point())[0] for file in (LANTERN, KILN, DRUM)
]
LINE_SIDES += [
    dataclasses.replace(LINE_SIDES[0], feed="half_wave"),
    dataclasses.replace(LINE_SIDES[1], bulk=CAPACITORS),
]
LINE_SIDES += [dataclasses.replace(LINE_SIDES[0], bulk=CAPACITORS, load="resistance", load_resistance=1234.5)]
STAGES += [("rectifier_bulk", params) for params in LINE_SIDES]
NAMES = [f"{kind}{n}" for n, (kind, _) in enumerate(STAGES)]
WIDEST = FT2Font(findfont("DejaVu Sans"))  # of the usual sans-serifs; comes with matplotlib
WIDEST.set_size(100, 72)
Box = tuple[float, float, float, float]  # left, top, right, bottom [px]


def designators(owner: Any) -> set[str]:
    """Designators of a parameter object and all it holds."""
    found = set()
    for field in dataclasses.fields(owner):
        value = getattr(owner, field.name)
        for item in value if isinstance(value, tuple) else (value,):
            if dataclasses.is_dataclass(item):
                found |= designators(item)
        if field.name == "designator":
            found.add(value)
    return found


def text_boxes(svg: ET.Element) -> dict[str, Box]:
    """Where each text lies, by its words and place."""
    found = {}
    for text in svg.iter("{http://www.w3.org/2000/svg}text"):
        x, y, size = (float(text.attrib[key]) for key in ("x", "y", "font-size"))
        width = size * sum(WIDEST.load_char(ord(letter)).linearHoriAdvance for letter in text.text or "") / 65536 / 100
        left = x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[text.attrib["text-anchor"]]
        found[f"{text.text} at {x:g}, {y:g}"] = (left, y - 0.75 * size, left + width, y + 0.2 * size)
    return found


def lines(svg: ET.Element) -> list[Box]:
    """Every stroke of the paths (wires and most symbols) as the box around it; all are upright, level or small."""
    found = []
    for path in svg.iter("{http://www.w3.org/2000/svg}path"):
        for part in path.attrib["d"].split("M")[1:]:
            if " a " in part:  # a turn of a choke
                x, y = map(float, re.findall(r"-?[\d.]+", part)[:2])
                width = float(re.findall(r"-?[\d.]+", part.split(" a ")[1])[0])
                found.append((x - 2 * width, y - 2 * width, x, y))
                continue
            points = [tuple(map(float, point)) for point in re.findall(r"(-?[\d.e-]+),(-?[\d.e-]+)", part)]
            for (x0, y0), (x1, y1) in itertools.pairwise(points):
                found.append((min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)))
    return found


def meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


@pytest.mark.parametrize(("kind", "params"), STAGES, ids=NAMES)
def test_nothing_lies_on_a_text(kind: str, params: Any, tmp_path: Path) -> None:
    draw_stage(kind, params, tmp_path / "drawing.svg")
    svg = ET.parse(tmp_path / "drawing.svg").getroot()
    boxes, strokes = text_boxes(svg), lines(svg)
    width, height = float(svg.attrib["width"]), float(svg.attrib["height"])
    assert width <= 902  # a README shows no more
    assert len(strokes) > 40
    for (one, box), (other, second) in itertools.combinations(boxes.items(), 2):
        assert not meet(box, second), f"{one} and {other}"
    for text, box in boxes.items():
        assert box[0] >= 0, text
        assert box[1] >= 0, text
        assert box[2] <= width, text
        assert box[3] <= height, text
        assert not [stroke for stroke in strokes if meet(box, stroke)], text


def test_a_name_may_hold_any_character(tmp_path: Path) -> None:
    draw_stage("buck", FULL, tmp_path / "drawing.svg")
    svg = ET.parse(tmp_path / "drawing.svg").getroot()
    assert any(text.startswith('rail a, a&b <"c"> $d$: 3.3 V') for text in text_boxes(svg))


@pytest.mark.parametrize(("kind", "params"), STAGES, ids=NAMES)
def test_every_part_is_drawn_and_equal_parameters_give_equal_bytes(kind: str, params: Any, tmp_path: Path) -> None:
    draw_stage(kind, params, tmp_path / "one.svg")
    draw_stage(kind, params, tmp_path / "other.svg")
    text = (tmp_path / "one.svg").read_text(encoding="utf-8")
    assert (tmp_path / "other.svg").read_text(encoding="utf-8") == text
    for designator in designators(params):
        assert f">{designator} " in text, designator


def test_one_more_phase_is_one_more_leg(tmp_path: Path) -> None:
    counts = []
    for phases in (1, 2, 3):
        draw_stage("boost_pfc", dataclasses.replace(BOOSTS[0], phases=phases), tmp_path / "drawing.svg")
        text = (tmp_path / "drawing.svg").read_text(encoding="utf-8")
        counts.append(text.count(">Q1 "))
        assert f">middle_{phases - 1}<" in text
    assert counts == [1, 2, 3]


def test_two_rails_share_the_input_and_have_a_leg_for_each_phase(tmp_path: Path) -> None:
    counts = []
    for phases in (1, 2, 4):
        rails = (FULL_RAIL, dataclasses.replace(BUCKS[2].rails[0], phases=phases))
        draw_stage("buck", dataclasses.replace(FULL, rails=rails), tmp_path / "drawing.svg")
        text = (tmp_path / "drawing.svg").read_text(encoding="utf-8")
        counts.append((text.count(">Q11 "), text.count(">D1 "), text.count(">input<"), text.count(">load_b<")))
    assert counts == [(4, phases, 1, 1) for phases in (1, 2, 4)]


@pytest.mark.parametrize("secondary", ["centre_tapped", "bridge"])
@pytest.mark.parametrize("bridge", ["half", "full"])
def test_an_llc_has_its_places_and_one_block_a_transformer(bridge: str, secondary: str, tmp_path: Path) -> None:
    for count in (1, 2, 4):
        params = dataclasses.replace(
            LLC_FULL, bridge=bridge, secondary=secondary, split=LLC_FULL.split if bridge == "half" else (),
            transformers=TRANSFORMERS[:count],
        )  # fmt: skip
        draw_stage("llc", params, tmp_path / "drawing.svg")
        text = (tmp_path / "drawing.svg").read_text(encoding="utf-8")
        assert text.count(">Q31 ") == (2 if bridge == "half" else 4)
        assert text.count(">Q37 ") == len(llc.places(params)) == count * (2 if secondary == "centre_tapped" else 4)
        assert text.count(">snubber<") == len(llc.places(params))
        assert text.count(">leakage<") == text.count(">magnetising<") == count
        assert text.count(">loop ") == len(llc.windings(params))
        assert (">middle_b<" in text) == (bridge == "full")
        assert text.count(">bus<") == 1 + len(params.split)
        for name in ("foot", "out_a", "load_a", *(f"magnetised_{k}" for k in range(count))):
            assert text.count(f">{name}<") == 1, name


def test_a_rail_of_a_flyback_is_drawn_with_what_it_has(tmp_path: Path) -> None:
    """A post filter has a bank and a choke of its own; without a sense resistor the switch's source is ground."""
    draw_stage("flyback", LANTERN_FLYBACK, tmp_path / "drawing.svg")
    text = (tmp_path / "drawing.svg").read_text(encoding="utf-8")
    for name, count in (("first_a", 1), ("out_a", 1), ("load_a", 1), ("out_b", 0), ("sense", 1), ("clamped", 1)):
        assert text.count(f">{name}<") == count, name
    (rail,) = LANTERN_FLYBACK.secondaries
    bare = dataclasses.replace(rail, firsts=(), choke=None)
    params = dataclasses.replace(
        LANTERN_FLYBACK, secondaries=(bare,), at_second_bank=False, sense_resistance=None
    )  # fmt: skip
    draw_stage("flyback", params, tmp_path / "drawing.svg")
    text = (tmp_path / "drawing.svg").read_text(encoding="utf-8")
    assert ">first_a<" not in text
    assert ">sense<" not in text


def rounded(text: str) -> str:
    """Numbers to a tenth of a pixel: the last digits of a coordinate are the machine's."""
    return re.sub(r"-?[0-9]+\.[0-9]+", lambda match: f"{float(match.group()):.1f}", text)


def test_the_drawings_of_the_readme_are_those_of_the_record(tmp_path: Path) -> None:
    record = load_record(KILN)
    stages = [
        ("corrector", "boost_pfc", boost_pfc.params_from(record, "corrector", Point())[0]),
        ("logic_5v", "buck", buck.params_from(record, "logic_5v", Point())[0]),
        ("main_24v", "llc", llc.params_from(record, "main_24v", Point())[0]),
    ]
    drawings = draw(record.name, stages, tmp_path)
    drawings += draw("lantern-65", [("main_flyback", "flyback", LANTERN_FLYBACK)], tmp_path)
    for file in drawings:
        stored, drawn = ((folder / file.name).read_text(encoding="utf-8") for folder in (DRAWINGS, tmp_path))
        assert rounded(stored) == rounded(drawn), f"copy {file.name} anew from the plots of bulkrail check"


def test_a_kind_without_a_drawing_and_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="allowed: rectifier_bulk, buck, boost_pfc, llc, flyback, two_switch_forward"):
        draw_stage("output_network", BUCKS[0], tmp_path / "bulk.svg")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError):
        draw_stage("buck", BUCKS[0], tmp_path / "file" / "buck.svg")
    assert draw("kiln-900", [("bulk", "output_network", BUCKS[0])], tmp_path) == []
