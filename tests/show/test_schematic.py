"""Circuit drawings: equal parameters give equal bytes, every part is in them, an unwritable folder is one line."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from integration.switching_designs import BOOSTS, BUCKS

from harness.show.schematic import draw, draw_stage
from netlists.errors import OptionError, StoreError
from netlists.point import Point
from netlists.record import load_record
from netlists.stages import boost_pfc, buck

KILN = Path(__file__).resolve().parents[2] / "netlists" / "records" / "kiln-900.toml"
DRAWINGS = Path(__file__).resolve().parents[2] / "results" / "pictures"
STAGES = [("buck", params) for params in BUCKS] + [("boost_pfc", params) for params in BOOSTS]


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


@pytest.mark.parametrize(("kind", "params"), STAGES, ids=[f"{kind}{n}" for n, (kind, _) in enumerate(STAGES)])
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


def test_the_drawings_of_the_readme_are_those_of_the_record(tmp_path: Path) -> None:
    record = load_record(KILN)
    stages = [
        ("corrector", "boost_pfc", boost_pfc.params_from(record, "corrector", Point())[0]),
        ("logic_5v", "buck", buck.params_from(record, "logic_5v", Point())[0]),
    ]
    for file in draw(record.name, stages, tmp_path):
        assert (DRAWINGS / file.name).read_bytes() == file.read_bytes(), (
            f"copy {file.name} anew from the plots of bulkrail check"
        )


def test_a_kind_without_a_drawing_and_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="allowed: buck, boost_pfc"):
        draw_stage("llc", BUCKS[0], tmp_path / "llc.svg")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError):
        draw_stage("buck", BUCKS[0], tmp_path / "file" / "buck.svg")
    assert draw("kiln-900", [("llc", "llc", BUCKS[0])], tmp_path) == []
