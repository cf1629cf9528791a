"""``bulkrail diff`` on records and stored assessments: what is simulated anew, what is printed, what ends it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from demonstration import DRUM, KILN, LANTERN, Checked
from test_cli import bulkrail

from harness.compare import compare_files
from harness.plan.plan import PLANS, kind_of, structures
from harness.simulate.worker import simulator_version
from netlists.errors import InputError
from netlists.point import Point
from netlists.record import SupplyRecord
from netlists.substitution import load_swapped, read_swaps

C1 = "stages.mains_rectifier.parts.C1"
STATE = "lantern-65.json"


def state(checked: Checked, folder: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    """A copy of the stored assessment with a change."""
    content = checked.json
    change(content)
    file = folder / "changed.json"
    file.write_text(json.dumps(content), encoding="utf-8")
    return file


def test_another_rating_changes_margin_and_verdict_and_simulates_nothing(checked: Checked, tmp_path: Path) -> None:
    before = LANTERN.read_bytes()
    json_file = tmp_path / "deep" / "diff.json"
    done = bulkrail(
        "diff", str(LANTERN), "--swap", f"{C1}.voltage_rating=350",
        "--swap", "stages.main_flyback.parts.Q1.drain_source_rating=800",
        "--instance", "mains_rectifier", "--out", str(checked.results), "--json", str(json_file),
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (1, "")
    assert LANTERN.read_bytes() == before
    assert max(map(len, done.stdout.splitlines())) <= 100
    assert "…" not in done.stdout
    for text in ("voltage_rating: 400 V marked -> 350 V marked", "kept of the old part", "verdicts: 1 worse"):
        assert text in done.stdout
    found = json.loads(json_file.read_text(encoding="utf-8"))
    assert found["first"]["simulations_started"] == found["second"]["simulations_started"] == 0
    changed = [row for row in found["rows"] if not row["is_same"]]
    assert [row["metric"] for row in changed] == ["bulk_voltage_peak"]
    (row,) = changed
    old, new = row["before"], row["after"]
    assert (old["verdict"], new["verdict"], row["verdict_change"]) == ("within", "over", "worse")
    assert (old["value"], old["adverse"], old["run_id"]) == (new["value"], new["adverse"], new["run_id"])
    # a margin is the distance to the limit as a share of it
    assert new["margin"] == pytest.approx(1 - new["adverse"] / 350)
    assert old["margin"] == pytest.approx(1 - old["adverse"] / 400)
    # the crest of 264 V less the bridge's drops bounds the bulk whatever its capacitance
    assert 350 < new["adverse"] < 264 * 2**0.5


def test_each_of_two_records_is_judged_by_the_limits_file_beside_it(
    checked: Checked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What judges is put in the place of the simulations, which the other tests run."""
    text = LANTERN.read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_text(text.replace("150u 400V 20% 105C", "150u 450V 20% 105C"), encoding="utf-8")
    asked: list[tuple[str, str, Path]] = []

    def assess_instead(record: SupplyRecord, file: Path, limits: Any, out: Path, **options: Any) -> Any:
        asked.append((file.name, limits.file, out))
        return checked.assessment

    monkeypatch.setattr("harness.compare.assess_record", assess_instead)
    found = compare_files(LANTERN, other, tmp_path / "results")
    assert asked == [
        ("lantern-65.toml", "lantern-65.limits.toml", tmp_path / "results"),
        ("other.toml", "", tmp_path / "results"),
    ]
    places = {one.place: one for one in found.differences}
    assert places[C1].fields.keys() == {"marking", "voltage_rating"}
    assert places["limits.policies.fuse"].change == "removed"
    assert (found.exit_code, len(found.rows)) == (0, len(checked.json["metrics"]))
    other.write_text(text.replace('metric = "inrush_peak"', 'metric = "inrush_peek"'), encoding="utf-8")
    with pytest.raises(InputError, match="nearest: inrush_peak"):  # before the first is simulated
        compare_files(LANTERN, other, tmp_path / "results")
    assert len(asked) == 2


def asked_first(record: SupplyRecord, instance: str) -> set[str]:
    """Identities of the cases that a check of an instance asks for first, at nominal; what follows hangs on these."""
    planner, version = PLANS[kind_of(record, instance)], simulator_version()
    found = set()
    for structure in structures(record, instance):
        for question in planner.questions(record, instance):
            situation, _ = planner.situation(record, instance, Point({}, structure), question)
            study = planner.STUDIES[question.study](situation)
            found |= {request.case.identity(version) for request in study.ask()}
    return found


def test_another_5_v_rail_capacitor_asks_for_no_simulation_of_another_converter() -> None:
    """The bucks share their input and so one deck: both are asked anew, and nothing else is."""
    swap = "stages.logic_5v.parts.C40.capacitance=680u 20%"
    old, new = load_swapped(KILN, read_swaps([swap], None))
    for instance in ("mains_rectifier", "corrector", "main_24v", "logic_5v", "logic_3v3"):
        first, second = asked_first(old, instance), asked_first(new, instance)
        assert first
        if instance.startswith("logic"):
            assert first.isdisjoint(second)
        else:
            assert first == second


def test_stored_assessments_are_compared_as_they_are(checked: Checked, tmp_path: Path) -> None:
    same = compare_files(checked.results / "assessments" / STATE, checked.results / "assessments" / STATE, tmp_path)
    assert (same.exit_code, same.differences) == (0, ())
    assert all(row["is_same"] for row in same.rows)
    assert len(same.rows) == len(checked.json["metrics"])

    def change(content: dict[str, Any]) -> None:
        content["record"] = "other"
        content["parts"][0]["quantities"]["current_rating"]["value"] = 4.0
        content["parts"].pop()
        content["metrics"][1] |= {"verdict": "over", "margin": -0.2}
        del content["metrics"][-1]
        del content["limits"], content["rail_limits"]  # keys of later work

    other = state(checked, tmp_path, change)
    done = bulkrail("diff", str(checked.results / "assessments" / STATE), str(other))
    assert (done.returncode, done.stderr) == (1, "")
    for text in (
        "name: lantern-65 -> other", "current_rating: 3.15 A marked -> 4 A", "part J2 of lamp_output: removed",
        "inrush_i2t of F1", "only in the first: main_flyback", "limits policies fuse: removed",
    ):  # fmt: skip
        assert text in done.stdout, text
    assert max(map(len, done.stdout.splitlines())) <= 100
    assert not list(tmp_path.glob("runs"))


FAULTS: list[tuple[str, Callable[[dict[str, Any]], None], str]] = [
    ("schema", lambda c: c.update(schema=2), "changed.json: schema: schema 2 is not known to this program"),
    ("no-assessment", lambda c: c.pop("metrics"), "changed.json: not an assessment"),
    ("no-verdict", lambda c: c["metrics"][3].pop("verdict"), "metrics.3.verdict: not as an assessment has it"),
    ("other-verdict", lambda c: c["metrics"][0].update(verdict="fine"), "metrics.0.verdict"),
    ("text-for-number", lambda c: c["metrics"][0].update(value="1"), "metrics.0.value"),
    ("parts", lambda c: c.update(parts=[{"designator": "C1"}]), "parts.0.instance"),
    ("not-finite", lambda c: c["metrics"][0].update(value=float("nan")), 'number "NaN" is not finite'),
]


@pytest.mark.parametrize(("change", "says"), [fault[1:] for fault in FAULTS], ids=[fault[0] for fault in FAULTS])
def test_what_is_no_assessment_is_refused_in_a_line(
    checked: Checked, change: Callable[[dict[str, Any]], None], says: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=r"^[^\n]+$") as caught:
        compare_files(checked.results / "assessments" / STATE, state(checked, tmp_path, change), tmp_path)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "[" * 100_000, "\x00", "1" * 10_000, "1" * 400, "1e999", '{"schema": 1, "metrics": 1}']
)
def test_a_file_without_sense_is_refused_in_a_line(text: str, tmp_path: Path) -> None:
    file = tmp_path / "odd.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"^[^\n]+$"):
        compare_files(file, file, tmp_path)


@pytest.mark.parametrize(
    ("arguments", "options", "says"),
    [
        ([LANTERN, None], {}, "give a second file, or what to swap"),
        ([LANTERN, DRUM], {"swaps": ["x=1"]}, "--swap and --with go with one record file"),
        ([Path("a.json"), None], {"swaps": ["x=1"]}, "--swap and --with go with one record file"),
        ([LANTERN, Path("a.json")], {}, "are a record and an assessment; check the record"),
        ([Path("a.txt"), Path("b.txt")], {}, 'must be a record (.toml) or an assessment (.json), found "a.txt"'),
        ([Path("a.json"), Path("b.json")], {"instance": "x"}, "--instance and --workers go with record files"),
        ([Path("a.json"), Path("b.json")], {}, "a.json: cannot be read: No such file or directory"),
        ([LANTERN, Path("nowhere.toml")], {}, "nowhere.toml: cannot be read"),
        ([LANTERN, DRUM], {"instance": "main_flyback"}, "--instance: no instance"),
        ([LANTERN, LANTERN], {"workers": 0}, "--workers: must be 1 to 256"),
    ],
)
def test_what_cannot_be_compared_is_said_in_a_line(
    arguments: list[Any], options: dict[str, Any], says: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=r"^[^\n]+$") as caught:
        compare_files(*arguments, tmp_path / "results", **options)
    assert says in str(caught.value)
    assert not (tmp_path / "results").exists()


def test_bad_input_ends_2(tmp_path: Path) -> None:
    done = bulkrail("diff", str(LANTERN), "--swap", f"{C1}.capacitance=lots", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.strip() == (f'--swap: {C1}.capacitance: must be a value in F such as "470u", found "lots"')
