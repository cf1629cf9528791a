"""Points, and inferred values that follow them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from record_mutations import demonstration

from netlists.errors import OptionError, RecordError
from netlists.point import Point, Reader
from netlists.record import SupplyRecord, load_record

TEXT, _ = demonstration()
C1 = "stages.mains_rectifier.parts.C1"
T1 = "stages.main_flyback.parts.T1"


def loaded(folder: Path, *changes: tuple[str, str]) -> SupplyRecord:
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "kiln.toml"
    path.write_text(text, encoding="utf-8")
    return load_record(path)


@pytest.fixture
def record(tmp_path: Path) -> SupplyRecord:
    return loaded(tmp_path)


def test_inferred_values_are_computed_at_load_with_a_range_from_the_corners(record: SupplyRecord) -> None:
    esr = record.quantities[f"{C1}.esr"]
    loss, capacitance = record.quantities[f"{C1}.loss_angle"], record.quantities[f"{C1}.capacitance"]
    omega = 2 * math.pi * 120
    assert esr.nominal == pytest.approx(loss.nominal / (omega * capacitance.nominal))
    assert esr.low == pytest.approx(loss.low / (omega * capacitance.high))
    assert esr.high == pytest.approx(loss.high / (omega * capacitance.low))
    assert record.quantities[f"{T1}.ratio"].low == pytest.approx(35 / 6)


@pytest.mark.parametrize("word", ["tolerance", "uncertainty"])
def test_a_tolerance_widens_an_inferred_range(tmp_path: Path, record: SupplyRecord, word: str) -> None:
    wide = loaded(tmp_path, ('formula = "turns_ratio"', f'{word} = "-10/+20%", formula = "turns_ratio"'))
    plain = record.quantities[f"{T1}.ratio"]
    found = wide.quantities[f"{T1}.ratio"]
    assert (found.nominal, found.low, found.high) == pytest.approx((plain.nominal, plain.low * 0.9, plain.high * 1.2))


def test_an_inferred_value_follows_its_sources_and_they_count_as_read(record: SupplyRecord) -> None:
    reader = Reader(record, Point({f"{C1}.capacitance": 300e-6}))
    assert reader.value(f"{C1}.esr") == pytest.approx(record.quantities[f"{C1}.esr"].nominal / 2)
    assert reader.reads == {f"{C1}.loss_angle", f"{C1}.capacitance", f"{C1}.loss_frequency"}


def test_a_chosen_inferred_value_stands_alone(record: SupplyRecord) -> None:
    reader = Reader(record, Point({f"{C1}.esr": 0.5, f"{C1}.capacitance": 300e-6}))
    assert reader.value(f"{C1}.esr") == 0.5
    assert reader.reads == {f"{C1}.esr"}


def test_inferred_of_inferred_reaches_the_leaves(tmp_path: Path) -> None:
    more = (
        f'[{T1.replace("T1", "T2")}]\nkind = "transformer"\nratio = {{ known = "inferred", formula = "turns_ratio", '
        f'of = {{ primary = "{T1}.ratio", secondary = "{T1}.secondary_turns" }} }}\n[stages.main_flyback.parts.D5]'
    )
    record = loaded(tmp_path, ("[stages.main_flyback.parts.D5]", more))
    path = f"{T1.replace('T1', 'T2')}.ratio"
    reader = Reader(record, Point({f"{T1}.primary_turns": 40.0}))
    assert reader.value(path) == pytest.approx(40 / 6 / 6)
    assert reader.reads == {f"{T1}.primary_turns", f"{T1}.secondary_turns"}
    assert record.quantities[path].nominal == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ([('formula = "turns_ratio"', 'formula = "rail_current"')], "formula rail_current gives A, this field takes 1"),
        ([('of = { primary = "', 'of = { first = "')], "of must name the arguments primary, secondary"),
        (
            [(f'secondary = "{T1}.secondary_turns"', f'secondary = "{T1}.leakage_inductance"')],
            f"of.secondary must be in 1, {T1}.leakage_inductance is in H",
        ),
        ([(f'secondary = "{T1}.secondary_turns"', 'secondary = "T1"')], 'of.secondary: no value at "T1"; allowed: '),
        (
            [
                (
                    'secondary_turns = { value = "6", low = "6", high = "6"',
                    'secondary_turns = { value = "6", low = "0", high = "6"',
                )
            ],
            'must be > 0, found "0"',
        ),
    ],
)
def test_faults_of_inferred_values(tmp_path: Path, changes: list[tuple[str, str]], message: str) -> None:
    with pytest.raises(RecordError) as caught:
        loaded(tmp_path, *changes)
    assert message in str(caught.value)


def test_a_circle_of_two(tmp_path: Path) -> None:
    """T2's ratio of T1's and the other way round: both ways round are told."""
    other = T1.replace("T1", "T2")
    more = (
        f'[{other}]\nkind = "transformer"\nratio = {{ known = "inferred", formula = "turns_ratio", '
        f'of = {{ primary = "{T1}.ratio", secondary = "{T1}.secondary_turns" }} }}\n[stages.main_flyback.parts.D5]'
    )
    with pytest.raises(RecordError) as caught:
        loaded(
            tmp_path,
            ("[stages.main_flyback.parts.D5]", more),
            (f'primary = "{T1}.primary_turns"', f'primary = "{other}.ratio"'),
        )
    first, second = caught.value.findings
    assert (
        first.message
        == f"inferred in a circle: {T1}.ratio <- {other}.ratio <- {T1}.ratio; measure or assume one of them"
    )
    assert second.field == f"{other}.ratio"


def test_a_formula_without_a_value_at_load_and_at_a_point(tmp_path: Path) -> None:
    """A source that may be 0 (the band's tolerance) divides by zero: told with the place, not raised as it is."""
    changes = (f'secondary = "{T1}.secondary_turns"', 'secondary = "nameplate.input_bands.wide.voltage_tolerance"')
    with pytest.raises(RecordError, match=r"ratio: turns_ratio gives no usable value: (float )?division by zero"):
        loaded(tmp_path, changes, ('voltage_tolerance = "10%"', 'voltage_tolerance = "0%"'))
    record = loaded(tmp_path, changes)
    reader = Reader(record, Point({"nameplate.input_bands.wide.voltage_tolerance": 0.0}))
    with pytest.raises(
        RecordError, match=r"turns_ratio gives no usable value at this point: (float )?division by zero"
    ):
        reader.value(f"{T1}.ratio")


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf, 1e30])
def test_a_chosen_value_obeys_the_fields_bounds(record: SupplyRecord, value: float) -> None:
    with pytest.raises(RecordError, match=rf"lantern|kiln.toml:\d+: {C1}.capacitance: chosen value must "):
        Reader(record, Point({f"{C1}.capacitance": value})).value(f"{C1}.capacitance")


def test_unknown_paths_and_alternatives_are_refused(record: SupplyRecord) -> None:
    with pytest.raises(OptionError, match=r'no value at "line.resistence"; allowed: .*; nearest: line.resistance'):
        Reader(record, Point({"line.resistence": 1.0}))
    with pytest.raises(OptionError, match=r'no structure at "feed"; allowed: .*, stages.mains_rectifier.feed'):
        Reader(record, Point(structure={"feed": "bridge"}))
    reader = Reader(record, Point(structure={"stages.mains_rectifier.feed": "half_wave"}))
    with pytest.raises(OptionError, match=r'feed: "half_wave" is not stated in the record; allowed: bridge'):
        reader.structure("mains_rectifier", "feed")
    with pytest.raises(RecordError, match=r"line.x: missing; it must be given"):
        reader.value("line.x")


def test_with_values_keeps_the_rest() -> None:
    point = Point({"a": 1.0, "b": 2.0}, {"s": "x"}).with_values({"b": 3.0})
    assert point == Point({"a": 1.0, "b": 3.0}, {"s": "x"})


def test_a_tolerance_around_an_inferred_value_is_an_open_input_of_its_own(tmp_path: Path) -> None:
    """It counts at the adverse ends beside the sources; without it, an ESR inferred within 50 % would pass as exact."""
    text = (Path(__file__).parents[2] / "netlists" / "records" / "lantern-65.toml").read_text(encoding="utf-8")
    old = 'esr = { known = "inferred", formula'
    assert old in text
    file = tmp_path / "wide.toml"
    file.write_text(text.replace(old, 'esr = { known = "inferred", tolerance = "-50/+40%", formula'), encoding="utf-8")
    record = load_record(file)
    esr = "stages.mains_rectifier.parts.C1.esr"
    exact = Reader(record, Point())
    nominal = exact.value(esr)
    assert f"{esr}.deviation" in exact.reads
    assert Reader(record, Point({f"{esr}.deviation": 0.4})).value(esr) == pytest.approx(1.4 * nominal)
    assert record.quantities[f"{esr}.deviation"].low == -0.5
    with pytest.raises(RecordError):
        Reader(record, Point({f"{esr}.deviation": -1.0})).value(esr)
