"""Proposals for unread values: from what is known, several at once, loaded as they are printed, near the truth."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from demonstration import DRUM, KILN, LANTERN

from netlists.errors import RecordError
from netlists.proposals import Proposal, Proposed, propose, toml_line
from netlists.record import load_record, read_toml

FLYBACK, FORWARD = "stages.main_flyback", "stages.main_24v"
TANK = f"{FORWARD}.parts.T1"


def without(source: Path, folder: Path, *lines: tuple[str, str]) -> Path:
    """A demonstration with lines of some tables taken out, by table and beginning."""
    table, kept = "", []
    for line in source.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            table = line.strip("[]")
        if not any(table == where and line.startswith(f"{start} =") for where, start in lines):
            kept.append(line)
    file = folder / source.name
    file.write_text("\n".join(kept) + "\n", encoding="utf-8")
    return file


def proposed(file: Path) -> Proposed:
    return propose(*read_toml(file))


def pasted(file: Path, found: Proposed) -> None:
    """Writes every proposal's line below the header of its table, as a person would."""
    text = file.read_text(encoding="utf-8")
    for one in found.proposals:
        table = one.path.rsplit(".", 1)[0]
        assert text.count(f"[{table}]\n") == 1
        text = text.replace(f"[{table}]\n", f"[{table}]\n{toml_line(one)}\n")
    file.write_text(text, encoding="utf-8")


CASES = [
    (LANTERN, [(f"{FLYBACK}.parts.T1", "primary_inductance"), (f"{FLYBACK}.parts.T1", "primary_turns"),
               (f"{FLYBACK}.parts.T1", "ratio"), ("stages.mains_rectifier.parts.C1", "esr")],
     {"esr_from_loss_angle", "flyback_ratio", "flyback_inductance"}),
    (DRUM, [(f"{FORWARD}.parts.T1", "primary_turns"), (f"{FORWARD}.parts.T1", "ratio"),
            (f"{FORWARD}.parts.L3", "inductance"), ("stages.corrector.parts.L2", "inductance")],
     {"forward_ratio", "forward_choke", "boost_choke"}),
    (KILN, [("stages.logic_5v.parts.L5", "inductance"), ("stages.logic_3v3.parts.L6", "inductance"),
            (TANK, "primary_turns"), (TANK, "ratio"), (TANK, "primary_inductance")],
     {"buck_choke", "full_bridge_ratio", "tank_magnetising"}),
]  # fmt: skip


@pytest.mark.parametrize(("source", "gone", "formulas"), CASES, ids=["flyback", "forward and boost", "buck and llc"])
def test_what_is_unread_is_proposed_loads_as_printed_and_holds_the_true_value(
    source: Path, gone: list[tuple[str, str]], formulas: set[str], tmp_path: Path
) -> None:
    truth = load_record(source).quantities
    file = without(source, tmp_path, *gone)
    with pytest.raises(RecordError, match="missing; simulating"):
        load_record(file)
    found = proposed(file)
    assert {one.formula for one in found.proposals} == formulas
    assert found.unread == ()
    for one in found.proposals:
        assert one.quantity.low <= truth[one.path].nominal <= one.quantity.high, one.path
        assert one.quantity.known == "inferred"
    pasted(file, found)
    loaded = load_record(file).quantities
    for one in found.proposals:
        assert loaded[one.path].nominal == one.quantity.nominal
        assert (loaded[one.path].low, loaded[one.path].high) == (one.quantity.low, one.quantity.high)


def test_proposals_rest_on_each_other(tmp_path: Path) -> None:
    """The inductance of a flyback is proposed by a ratio that is itself proposed, so both move together."""
    file = without(LANTERN, tmp_path, *CASES[0][1])
    found = {one.path: one for one in proposed(file).proposals}
    inductance, ratio = found[f"{FLYBACK}.parts.T1.primary_inductance"], found[f"{FLYBACK}.parts.T1.ratio"]
    assert inductance.of["ratio"] == ratio.path
    text, written = file.read_text(encoding="utf-8"), 'value = "66%", low = "63%", high = "70%"'
    assert written in text
    file.write_text(text.replace(written, 'value = "50%", low = "48%", high = "52%"'), encoding="utf-8")
    again = {one.path: one for one in proposed(file).proposals}
    assert again[ratio.path].quantity.nominal < ratio.quantity.nominal
    assert again[inductance.path].quantity.nominal < inductance.quantity.nominal


def llc(folder: Path, *gone: str) -> Proposed:
    """The published half bridge with one resonant piece and a measured frequency, some of its lines left out."""
    source = Path(__file__).parents[1] / "references" / "review" / "llc_240w.toml"
    text = source.read_text(encoding="utf-8")
    text = re.sub(r"\[stages\.main\.parts\.C21\].*?\n\n", "", text, flags=re.DOTALL)
    text = text.replace('parallel = 2\ncapacitance = "10n"', 'capacitance = "40n"')
    text = text.replace(
        'rail = "output"', 'rail = "output"\nswitching_frequency = { value = "110k 2%", known = "measured" }'
    )
    for start in gone:
        text, count = re.subn(rf"^{start} = .*\n", "", text, count=1, flags=re.MULTILINE)
        assert count == 1, start
    file = folder / "llc.toml"
    file.write_text(text, encoding="utf-8")
    return proposed(file)


def by_field(found: Proposed) -> dict[str, Proposal]:
    return {one.path.rsplit(".", 1)[1]: one for one in found.proposals}


def test_a_tank_is_proposed_from_frequency_and_capacitance(tmp_path: Path) -> None:
    """NXP DRM172: 52 uH, 40 nF, 208 uH magnetising, 32 : 2 turns; by hand 1 / (2 pi sqrt(L C)) = 110.4 kHz."""
    found = llc(tmp_path, "leakage_inductance", "primary_inductance", "primary_turns", "ratio", "dead_time")
    named = by_field(found)
    assert found.unread == ()
    assert named["leakage_inductance"].quantity.nominal == pytest.approx(52e-6, rel=0.02)
    assert named["ratio"].quantity.nominal == pytest.approx(380 / 24)
    primary = named["primary_inductance"].quantity
    assert primary.low <= 260e-6 <= primary.high
    assert named["dead_time"].formula == "dead_time"


def test_a_capacitor_is_proposed_from_frequency_and_leakage_and_an_inductance_from_the_dead_time(
    tmp_path: Path,
) -> None:
    assert by_field(llc(tmp_path, "capacitance"))["capacitance"].quantity.nominal == pytest.approx(40e-9, rel=0.02)
    without_tank = by_field(llc(tmp_path, "leakage_inductance", "primary_inductance", "capacitance"))
    assert without_tank["primary_inductance"].formula == "magnetising_for_dead_time"


def test_what_no_formula_gives_is_named(tmp_path: Path) -> None:
    found = proposed(without(LANTERN, tmp_path, ("stages.mains_rectifier.parts.RT1", "b_value")))
    assert found.proposals == ()
    assert found.unread == ("stages.mains_rectifier.parts.RT1.b_value",)


def test_an_offer_without_a_usable_value_is_left_out(tmp_path: Path) -> None:
    """A corrector whose lowest line has its crest above the bus has no choke by that formula."""
    file = without(DRUM, tmp_path, ("stages.corrector.parts.L2", "inductance"))
    text = file.read_text(encoding="utf-8").replace('voltage_low = "100"', 'voltage_low = "300"')
    file.write_text(text.replace('voltage_high = "240"', 'voltage_high = "400"'), encoding="utf-8")
    found = proposed(file)
    assert found.proposals == ()
    assert found.unread == ("stages.corrector.parts.L2.inductance",)


def test_nothing_is_proposed_where_all_is_read() -> None:
    for file in (LANTERN, DRUM, KILN):
        assert proposed(file).proposals == ()


def test_any_other_fault_is_still_refused(tmp_path: Path) -> None:
    file = without(LANTERN, tmp_path, *CASES[0][1])
    file.write_text(file.read_text(encoding="utf-8").replace('fed_by = "mains_rectifier"', 'fed_by = "mains"', 1))
    with pytest.raises(RecordError, match="no instance") as caught:
        proposed(file)
    assert "missing; simulating" not in str(caught.value)
