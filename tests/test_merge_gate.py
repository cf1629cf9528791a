"""``bulkrail gate`` over files: what is stored is damaged, edited or gone, and the keys that fail are exactly those."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from demonstration import DRUM, LANTERN, Checked
from gated import failing
from test_cli import bulkrail

from harness.judge.gate import Gated, keyed
from harness.merge_gate import gate_files, gate_json, write_reports
from harness.store.runs import run_path
from netlists.errors import InputError

BASELINES = Path(__file__).parents[1] / "results" / "baseline"
HOT = "mains_rectifier/hot_restart_surge_peak/BD1/highest line"
STATE = Path("assessments") / "lantern-65.json"


class Desk:
    """A copy of record, limits file, baseline and results that a test may spoil; runs are links until replaced."""

    def __init__(self, folder: Path, checked: Checked) -> None:
        self.folder, self.results, self.baselines = folder, folder / "results", folder / "baseline"
        shutil.copytree(checked.results / "runs", self.results / "runs", copy_function=os.link)
        (self.results / "assessments").mkdir()
        shutil.copy(checked.results / STATE, self.results / STATE)
        self.baselines.mkdir()
        shutil.copy(BASELINES / "lantern-65.json", self.baselines)
        self.record = Path(shutil.copy(LANTERN, folder))
        self.limits = Path(shutil.copy(LANTERN.with_suffix(".limits.toml"), folder))
        self.baseline = self.baselines / "lantern-65.json"

    def gate(self, **options: Any) -> Gated:
        (found,) = gate_files([self.record], self.results, baselines=self.baselines, stored=True, **options)
        return found

    def edit(self, file: Path, old: str, new: str) -> None:
        text = file.read_text(encoding="utf-8")
        assert old in text, old
        file.write_text(text.replace(old, new, 1), encoding="utf-8")

    def spoil(self, run_id: str, change: Callable[[bytes], bytes]) -> None:
        """Replaces a run's file; the link's other end keeps its bytes."""
        path = run_path(self.results, run_id)
        data = change(path.read_bytes())
        path.unlink()
        path.write_bytes(data)


@pytest.fixture
def desk(tmp_path: Path, checked: Checked) -> Desk:
    return Desk(tmp_path, checked)


def resting_on(checked: Checked, run_id: str) -> set[str]:
    """Keys of the rows that take a number from a run."""
    rows = keyed(checked.json["metrics"])
    return {
        key for key, row in rows.items()
        if run_id in (row["run_id"], row["adverse"]["run_id"], row["rescued"]["run_id"])
    }  # fmt: skip


def test_the_demonstration_passes_and_its_files_are_written(desk: Desk) -> None:
    found = desk.gate()
    assert failing(found.failures) == set()
    content = json.loads(gate_json([found]))
    assert (content["passes"], content["records"][0]["record"]) == (True, "lantern-65")
    waived = {one["waiver"] for one in content["records"][0]["failures"]}
    assert waived == {waiver.name for waiver in found.evidence.waivers.waivers}


def flipped(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]


@pytest.mark.parametrize("change", [flipped, lambda data: data[: len(data) // 2], lambda data: b""],
                         ids=["flipped-bit", "half-written", "empty"])  # fmt: skip
def test_a_damaged_run_fails_every_row_that_rests_on_it_and_no_other(
    desk: Desk, checked: Checked, change: Callable[[bytes], bytes]
) -> None:
    run_id = str(checked.row("hot_restart_surge_peak", "highest line")["adverse"]["run_id"])
    desk.spoil(run_id, change)
    found = desk.gate()
    expected = resting_on(checked, run_id)
    assert HOT in expected
    assert failing(found.failures) == expected
    assert {one.kind for one in found.failures if not one.waiver} == {"damaged"}


def test_a_run_that_is_gone_fails_the_rows_that_rest_on_it(desk: Desk, checked: Checked) -> None:
    run_id = str(checked.row("bulk_ripple", "lowest line")["run_id"])
    run_path(desk.results, run_id).unlink()
    assert failing(desk.gate().failures) == resting_on(checked, run_id)


def state_with(change: Callable[[dict[str, Any]], None]) -> Callable[[Desk], None]:
    def apply(desk: Desk) -> None:
        content = json.loads((desk.results / STATE).read_text(encoding="utf-8"))
        change(content)
        (desk.results / STATE).write_text(json.dumps(content), encoding="utf-8")

    return apply


def waiver_edit(old: str, new: str) -> Callable[[Desk], None]:
    return lambda desk: desk.edit(desk.limits, old, new)


def row_line(desk: Desk, key: str) -> str:
    found = re.search(rf'^"{re.escape(key)}" = .*\n', desk.limits.read_text(encoding="utf-8"), re.MULTILINE)
    assert found
    return found.group()


def unwaive_hot_restart(desk: Desk) -> None:
    text = desk.limits.read_text(encoding="utf-8")
    desk.limits.write_text(re.sub(r"(?s)\[waivers\.hot_restart\].*?(?=\[waivers\.(?!hot))", "", text), encoding="utf-8")


def lower_waived_worst(desk: Desk) -> None:
    line = row_line(desk, HOT)
    desk.edit(desk.limits, line, re.sub(r"\[[\d.]+", "[160.0", line))


def waive_what_is_not_there(desk: Desk) -> None:
    line = row_line(desk, HOT)
    desk.edit(desk.limits, line, line + line.replace("BD1", "BD9"))


PEAK = "main_flyback/switch_voltage_peak/Q1/high input, full load"


def worst_in_baseline(value: float) -> Callable[[Desk], None]:
    def apply(desk: Desk) -> None:
        content = json.loads(desk.baseline.read_text(encoding="utf-8"))
        content["metrics"][PEAK]["worst"] = value
        desk.baseline.write_text(json.dumps(content), encoding="utf-8")

    return apply


def known_in_baseline(desk: Desk) -> None:
    content = json.loads(desk.baseline.read_text(encoding="utf-8"))
    # read with a date, but no photo of the reading is named; so it was a guess before, and nothing shows it is more
    content["known"]["stages.mains_rectifier.parts.RT1.resistance_25"] = "assumed"
    # this one has both
    content["known"]["stages.inlet_filter.parts.L1.leakage_inductance"] = "assumed"
    desk.baseline.write_text(json.dumps(content), encoding="utf-8")


def baseline_text(text: str) -> Callable[[Desk], None]:
    return lambda desk: desk.baseline.write_text(text, encoding="utf-8") and None


MUTATIONS: dict[str, tuple[Callable[[Desk], None], set[str]]] = {
    "no assessment": (lambda desk: (desk.results / STATE).unlink(), {"assessment"}),
    "half an assessment": (
        lambda desk: os.truncate(desk.results / STATE, (desk.results / STATE).stat().st_size // 2), {"assessment"}
    ),
    "empty assessment": (state_with(lambda c: c.update(metrics=[])), {"assessment"}),
    "assessment of another record": (state_with(lambda c: c.update(record="drum-350")), {"assessment"}),
    "NaN in the assessment": (
        lambda desk: desk.edit(desk.results / STATE, '"margin": 0.', '"margin": NaN, "was": 0.'), {"assessment"}
    ),
    "record edited since": (
        lambda desk: desk.edit(desk.record, 'value = "88%"', 'value = "87%"'), {"assessment"}
    ),
    "limits edited since": (lambda desk: desk.edit(desk.limits, '"50%"', '"60%"'), {"assessment"}),
    "another solver": (state_with(lambda c: c["provenance"].update(solver_version="1")), {"assessment", "baseline"}),
    "another ngspice": (state_with(lambda c: c["provenance"].update(ngspice_version="41")), {"assessment", "baseline"}),
    "verdict edited": (
        state_with(lambda c: next(r for r in c["metrics"] if r["verdict"] == "undecided").update(verdict="within")),
        {HOT, f"waivers/hot_restart/{HOT}"},
    ),
    "a row struck": (
        state_with(lambda c: c.update(metrics=[r for r in c["metrics"] if r["metric"] != "inrush_i2t"])),
        {"mains_rectifier/inrush_i2t/F1/highest line"},
    ),
    "no baseline": (lambda desk: desk.baseline.unlink(), {"baseline"}),
    "empty baseline": (baseline_text(""), {"baseline"}),
    "baseline that is none": (baseline_text("[1]"), {"baseline"}),
    "worse than the baseline": (worst_in_baseline(670.0), {PEAK}),
    "a little worse than the baseline": (worst_in_baseline(690.0), set()),
    "known raised": (known_in_baseline, {"known/stages.mains_rectifier.parts.RT1.resistance_25"}),
    "waiver taken out": (unwaive_hot_restart, {HOT}),
    "waiver for less": (lower_waived_worst, {HOT}),
    "waiver for nothing": (
        waive_what_is_not_there, {"waivers/hot_restart/mains_rectifier/hot_restart_surge_peak/BD9/highest line"}
    ),
    "waiver for an inductance that was less wide": (
        waiver_edit('"stages.mains_rectifier.undervoltage_restart" = [80.0, 90.0]',
                    '"stages.mains_rectifier.undervoltage_restart" = [80.0, 89.0]'), None
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", MUTATIONS)
def test_each_mutation_fails_exactly_the_keys_it_is_about(desk: Desk, checked: Checked, name: str) -> None:
    change, expected = MUTATIONS[name]
    change(desk)
    found = desk.gate()
    if expected is None:
        expected = {
            key for key, row in keyed(checked.json["metrics"]).items()
            if row["verdict"] != "within" and "stages.mains_rectifier.undervoltage_restart" in row["rests_on"]
        }  # fmt: skip
        assert expected
    assert failing(found.failures) == expected
    assert found.passes == (not expected)


def test_a_baseline_is_accepted_where_nothing_else_fails_and_written_the_same_twice(desk: Desk) -> None:
    worst_in_baseline(670.0)(desk)
    accepted = desk.gate(accept=True)
    assert accepted.passes
    written = desk.baseline.read_bytes()
    worst_in_baseline(670.0)(desk)
    assert desk.gate(accept=True).passes
    assert desk.baseline.read_bytes() == written
    # the committed one, but for what another processor or mathematics library rounds, most in the phase of a ring
    ours, committed = (json.loads(text)["metrics"] for text in (written, (BASELINES / "lantern-65.json").read_bytes()))
    assert ours.keys() == committed.keys()
    for key, row in ours.items():
        assert row["worst"] == pytest.approx(committed[key]["worst"], rel=0.01, abs=1e-9), key
        assert {**row, "worst": 0} == {**committed[key], "worst": 0}
    lines = written.decode().splitlines()
    keys = [line.split('":')[0] for line in lines if line.startswith('  "mai')]
    assert keys == sorted(keys)


@pytest.mark.parametrize("name", ["waiver taken out", "known raised", "record edited since", "empty assessment"])
def test_acceptance_is_refused_where_something_else_fails(desk: Desk, name: str) -> None:
    MUTATIONS[name][0](desk)
    before = desk.baseline.read_bytes()
    found = desk.gate(accept=True)
    assert not found.passes
    assert found.accepted[0].startswith("not accepted: ")
    assert desk.baseline.read_bytes() == before


REFUSED = [
    ('reason = "a restart', 'reason = " " #', "waivers.hot_restart.reason: missing"),
    ('date = "2026-11-25"', 'date = "2999-01-01"', "must not lie in the future"),
    ('date = "2026-11-25"', "", "must be the day it was decided"),
    ('verdict = "undecided"', 'verdict = "stale"', "unknown verdict to waive"),
    ("[171.602, 150.0]", "[nan, 150.0]", "must be the worst case"),
    ("[171.602, 150.0]", "true", "must be the worst case"),
    ("[waived_ranges]", '[waived_ranges]\n"x" = [2, 1]', "must be [low, high]"),
    (f'"{HOT}" = [171.602, 150.0]', "", "name each row that is waived"),
    (f'"{HOT}" =', f'"mains_rectifier/inrush_peak/line/claim inrush" = 1.0\n"{HOT}" =', "already; keep one"),
]


@pytest.mark.parametrize(("old", "new", "says"), REFUSED, ids=range(len(REFUSED)))
def test_a_waiver_that_says_too_little_is_refused_in_a_line(desk: Desk, old: str, new: str, says: str) -> None:
    desk.edit(desk.limits, old, new)
    with pytest.raises(InputError, match=r"^[^\n]+$") as caught:
        desk.gate()
    assert says in str(caught.value)


def test_a_waiver_is_offered_that_passes_once_it_has_a_reason(desk: Desk) -> None:
    unwaive_hot_restart(desk)
    file = desk.folder / "offered.toml"
    write_reports([desk.gate()], waivers=file)
    offered = file.read_text(encoding="utf-8")
    assert offered.startswith("# within or over, depending on values not read yet\n[waivers.undecided_1]\n")
    block = offered.partition("[waived_ranges]")[0]
    desk.edit(desk.limits, "[waived_ranges]", f"{block}\n[waived_ranges]")
    with pytest.raises(InputError, match="reason: missing"):
        desk.gate()
    desk.edit(desk.limits, 'reason = ""', 'reason = "looked at"')
    assert desk.gate().passes


def test_without_stored_the_record_is_checked_and_what_was_stored_before_is_not_believed(
    desk: Desk, checked: Checked, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What judges is put in the place of the hand calculations, which other tests run."""
    state_with(lambda c: c.update(metrics=[]))(desk)
    asked = []

    def assess_instead(*given: Any, **options: Any) -> Any:
        assert not (desk.results / STATE).exists()
        asked.append(given[1])
        return checked.assessment

    monkeypatch.setattr("harness.merge_gate.assess_record", assess_instead)
    (found,) = gate_files([desk.record], desk.results, baselines=desk.baselines)
    assert (asked, found.passes) == ([desk.record], True)


def test_command_line_ends_0_1_2_and_says_why(desk: Desk) -> None:
    command = ["gate", str(desk.record), "--stored", "--out", str(desk.results), "--baseline", str(desk.baselines)]
    done = bulkrail(*command)
    assert (done.returncode, done.stderr) == (0, "")
    assert "lantern-65 passes: 146 rows clear, 132 waived, 0 failing" in done.stdout
    unwaive_hot_restart(desk)
    done = bulkrail(*command, "--junit", str(desk.folder / "x" / "gate.xml"))
    assert done.returncode == 1
    assert f"FAILS  {HOT}: undecided: within or over" in done.stdout
    assert (desk.folder / "x" / "gate.xml").is_file()
    assert max(map(len, done.stdout.splitlines())) <= 100
    desk.limits.write_text("schema = 1\n[waivers.x]\n", encoding="utf-8")
    done = bulkrail(*command)
    assert done.returncode == 2
    assert "waivers.x.verdict" in done.stderr


def test_records_are_read_before_anything_is_simulated(desk: Desk, tmp_path: Path) -> None:
    for files, says in (([LANTERN, desk.record], "each record once"), ([], "at least one record"),
                        ([DRUM, tmp_path / "none.toml"], "cannot be read")):  # fmt: skip
        with pytest.raises(InputError, match=says):
            gate_files(files, tmp_path / "never", baselines=BASELINES)
    assert not (tmp_path / "never").exists()
