"""Parts swapped for others: what stays, what goes, and where a fault is said to be."""

from __future__ import annotations

from pathlib import Path

import pytest
from demonstration import KILN, LANTERN

from netlists.errors import InputError
from netlists.record import SupplyRecord
from netlists.substitution import LONGEST_SWAP, load_swapped, read_swaps, swapped_part

C40 = "stages.logic_5v.parts.C40"
C1 = "stages.mains_rectifier.parts.C1"
FAMILY = f"""
schema = 1
[{C40}]
kind = "electrolytic_capacitor"
known = "marked"
marking = "1000u 10V 20% 105C"
esr = {{ value = "22m", low = "15m", high = "35m", known = "assumed" }}
ripple_current_rating = "1.4"
"""


def swapped(source: Path, *texts: str, file: Path | None = None) -> SupplyRecord:
    return load_swapped(source, read_swaps(texts, file))[1]


def test_one_value_is_swapped_and_what_is_inferred_from_it_follows() -> None:
    before = LANTERN.read_bytes()
    original, record = load_swapped(LANTERN, read_swaps([f"{C1}.capacitance=180u 20%"], None))
    old, new = (one.quantities[f"{C1}.esr"] for one in (original, record))
    assert record.quantities[f"{C1}.capacitance"].low == pytest.approx(144e-6)
    assert new.nominal / old.nominal == pytest.approx(150 / 180)  # ESR from loss angle: tan delta / (2 pi f C)
    assert LANTERN.read_bytes() == before
    same = {path for path in original.quantities if path not in (f"{C1}.esr", f"{C1}.capacitance")}
    assert all(original.quantities[path] == record.quantities[path] for path in same)


def test_a_marking_is_taken_apart_and_replaced() -> None:
    record = swapped(LANTERN, f"{C1}.voltage_rating=450")
    assert record.quantities[f"{C1}.voltage_rating"].nominal == 450
    assert record.quantities[f"{C1}.capacitance"].high == pytest.approx(180e-6)  # 150u 20% of the old marking
    assert record.quantities[f"{C1}.temperature_rating"].nominal == 105
    assert swapped(LANTERN, f"{C1}.marking=180u 450V 10%").quantities[f"{C1}.capacitance"].high == pytest.approx(198e-6)
    plain = {"kind": "ceramic_capacitor", "capacitance": "10u", "esr": "3m"}
    assert swapped_part(plain, {"marking": "22u 20%"}) == {"kind": plain["kind"], "esr": "3m", "marking": "22u 20%"}


@pytest.mark.parametrize("quoted", ["2", '"2"'])
def test_counts_are_numbers_and_quotes_may_be_lost(quoted: str) -> None:
    path = "stages.logic_5v.parts.C41"
    record = swapped(KILN, f"{path}.parallel=2", f"{path}.esr={{ value = {quoted}, low = 1, high = 3 }}")
    assert record.data.stages["logic_5v"].parts["C41"].parallel == 2
    assert record.quantities[f"{path}.esr"].nominal == 2


def test_another_kind_is_another_part_in_the_old_ones_place(tmp_path: Path) -> None:
    file = tmp_path / "shelf.toml"
    file.write_text(FAMILY, encoding="utf-8")
    record = swapped(KILN, f"{C40}.parallel=3", file=file)
    part = record.data.stages["logic_5v"].parts["C40"]
    assert (part.kind, part.role, part.parallel) == ("electrolytic_capacitor", "output_bank", 3)  # type: ignore[union-attr]
    assert record.quantities[f"{C40}.ripple_current_rating"].note == ""  # nothing of the old part is left
    old = load_swapped(KILN, read_swaps([], file))[1].data.stages["logic_5v"].parts["C40"]
    assert old.parallel == 2  # a count of the board's places stays


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        ([f"{C40}.capacitance=-680u"], f'--swap: {C40}.capacitance: must be > 0 F, found "-680u"'),
        ([f"{C40}.kind=electrolytic_capacitor", f"{C40}.marking=1m 10V 20%"], f"--swap: {C40}.esr: missing"),
        ([f"{C40}.kind=capacitor"], f'--swap: {C40}: unknown kind "capacitor"'),
        ([f"{C40}.loss_angle=0.1"], "unknown field; allowed"),
        ([f"{C40}.esr=5m", f"{C40}.esr=6m"], "is swapped twice"),
        ([f"{C40}.description=a\x1bb"], "without control characters"),
        (["stages.logic_5v.parts.C44.esr=5m"], '--swap: stages.logic_5v.parts.C44: no part "C44" in kiln-900.toml'),
        (["stages.logic_5.parts.C40.esr=5m"], "nearest: logic_5v"),
        ([f"{C40}.esr"], '--swap: must be such as stages.mains_rectifier.parts.C1.capacitance="180u 20%"'),
        ([f"{C40}.esr="], "--swap: must be such as"),
        (["stages.logic_5v.loop_inductance=5n"], "--swap: must be such as"),
        ([f"{C40}.esr={{ value = 5"], "--swap: not a value of TOML"),
        ([f"{C40}.esr={'[' * 1500}"], "--swap: not a value of TOML"),
        ([f"{C40}.esr={'9' * LONGEST_SWAP}"], "--swap: must be such as"),
        (
            ["stages.logic_5v.parts.Q11.role=low_side"],
            "stages.logic_5v: with the parts swapped: needs 1 part with role",
        ),
    ],
    ids=lambda value: "" if isinstance(value, list) else value[-30:],
)
def test_what_no_record_may_say_is_refused_and_placed_at_the_option(texts: list[str], says: str) -> None:
    with pytest.raises(InputError) as caught:
        swapped(KILN, *texts)
    assert says in str(caught.value)
    assert all(line.isprintable() for line in str(caught.value).splitlines())


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('marking = "1000u 10V 20% 105C"', 'marking = "1000u 10X"', "shelf.toml:6: stages.logic_5v.parts.C40.marking"),
        ("ripple_current_rating", "ripple_curent_rating", "shelf.toml:8: stages.logic_5v.parts.C40.ripple_curent"),
        (f"[{C40}]", "[stages.logic_5v.parts.C44]", 'shelf.toml:4: stages.logic_5v.parts.C44: no part "C44"'),
        (f"[{C40}]", "[parts.C40]", "shelf.toml: parts: unknown field"),
        ("schema = 1", "schema = 2", "shelf.toml:2: schema: schema 2 is not known"),
    ],
)
def test_a_fault_of_the_file_has_its_line(old: str, new: str, says: str, tmp_path: Path) -> None:
    file = tmp_path / "shelf.toml"
    file.write_text(FAMILY.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        swapped(KILN, file=file)
    assert says in str(caught.value)
