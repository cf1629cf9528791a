"""``bulkrail review`` as a user meets it: remarks, acceptances, JSON, proposals, exit codes; what a check keeps."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from demonstration import LANTERN, Checked
from test_cli import bulkrail

from harness.judge.limits_file import load_limits
from harness.judge.review import RULES
from netlists.errors import RecordError
from netlists.record import load_record

SLIPPED = ("150u 400V 20% 105C", "150m 400V 20% 105C")


@pytest.fixture
def slipped(tmp_path: Path) -> Path:
    """The demonstration with one prefix slipped."""
    file = tmp_path / "mine.toml"
    text = LANTERN.read_text(encoding="utf-8")
    assert SLIPPED[0] in text
    file.write_text(text.replace(*SLIPPED), encoding="utf-8")
    return file


def test_a_clean_record_ends_0() -> None:
    done = bulkrail("review", str(LANTERN))
    assert (done.returncode, done.stderr) == (0, "")
    assert "review: 0 wrong, 0 doubtful, 0 notes, 0 accepted" in done.stdout
    assert "Caution" in done.stdout


def test_remarks_name_line_numbers_rule_source_and_what_is_likely(slipped: Path) -> None:
    done = bulkrail("review", str(slipped))
    assert (done.returncode, done.stderr) == (1, "")
    assert max(map(len, done.stdout.splitlines())) <= 100
    line = LANTERN.read_text(encoding="utf-8").splitlines().index(f'marking = "{SLIPPED[0]}"') + 1
    said = " ".join(done.stdout.split())
    assert f"at mine.toml:{line}: stages.mains_rectifier.parts.C1.capacitance" in said  # the marking's line
    assert "likely: C1.capacitance 150 uF, if the prefix is one step too large" in said
    assert said.count("likely: C1.capacitance 150 uF") == 1  # what one correction answers is told together
    assert "so too: " in said
    assert "rule: claim_against_parts (energy balance" in said


def test_json_has_all_of_it(slipped: Path) -> None:
    done = bulkrail("review", str(slipped), "--json")
    assert done.returncode == 1
    found = json.loads(done.stdout)
    assert found["record"] == "lantern-65"
    assert found["open"]["wrong"] == len([one for one in found["remarks"] if one["severity"] == "wrong"]) > 0
    assert {one["rule"] for one in found["remarks"]} <= {rule.name for rule in RULES}


def test_acceptances_are_offered_need_a_reason_and_are_then_listed(slipped: Path) -> None:
    offered = bulkrail("review", str(slipped), "--accept")
    assert offered.returncode == 1
    limits = slipped.with_name("mine.limits.toml")
    limits.write_text("schema = 1\n" + offered.stdout, encoding="utf-8")
    refused = bulkrail("review", str(slipped))
    assert refused.returncode == 2
    assert "reason: missing; say why it is so" in refused.stderr
    limits.write_text(
        "schema = 1\n" + offered.stdout.replace('reason = ""', 'reason = "an odd bank"'), encoding="utf-8"
    )
    done = bulkrail("review", str(slipped))
    assert done.returncode == 0
    said = " ".join(done.stdout.split())
    assert re.search(r"accepted \(\d{4}-\d\d-\d\d, usual_size_\d+\): capacitance of C1.*: an odd bank", said)
    assert "review: 0 wrong, 0 doubtful, 0 notes" in said


def test_a_correction_leaves_acceptances_idle_and_says_so(slipped: Path, tmp_path: Path) -> None:
    offered = bulkrail("review", str(slipped), "--accept").stdout.replace('reason = ""', 'reason = "an odd bank"')
    limits = tmp_path / "accepted.toml"
    limits.write_text("schema = 1\n" + offered, encoding="utf-8")
    done = bulkrail("review", str(LANTERN), "--limits", str(limits))
    assert done.returncode == 0
    assert done.stdout.count("answers no remark any more") == offered.count("[accepted.")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('rule = "usual_sise"', 'accepted.can.rule: unknown rule of bulkrail review "usual_sise"; allowed:'),
        ('path = ""', "accepted.can.path: missing; the path of the record that the remark is about"),
        ('date = "2999-01-01"', "accepted.can.date: must not lie in the future, found 2999-01-01"),
        ('date = "soon"', 'accepted.can.date: must be the day it was decided, such as 2026-10-20, found "soon"'),
        ('values = { "a.b" = "150u" }', 'accepted.can.values.a.b: must be the value it had, in SI, found "150u"'),
        ('because = "so"', "accepted.can.because: unknown field; allowed: date, path, reason, rule, values"),
    ],
    ids=["rule", "path", "future", "date", "value", "field"],
)
def test_a_wrong_acceptance_is_refused(text: str, said: str, tmp_path: Path) -> None:
    whole = {"rule": 'rule = "usual_size"', "path": 'path = "stages.x"', "reason": 'reason = "so"',
             "date": 'date = "2026-11-20"', "values": "values = {}"}  # fmt: skip
    whole[text.split(" ")[0]] = text
    file = tmp_path / "some.limits.toml"
    file.write_text("schema = 1\n[accepted.can]\n" + "\n".join(whole.values()) + "\n", encoding="utf-8")
    with pytest.raises(RecordError) as caught:
        load_limits(file, load_record(LANTERN))
    (line,) = str(caught.value).splitlines()
    assert said in line


def test_acceptances_are_no_rules_of_verdicts(tmp_path: Path) -> None:
    """The gate tells by ``rules_sha256`` whether verdicts are of other rules; an acceptance makes none."""
    file = tmp_path / "some.limits.toml"
    record, digests = load_record(LANTERN), []
    for more in ("", '[accepted.can]\nrule = "usual_size"\npath = "stages.x"\nreason = "so"\ndate = "2026-11-20"\n'):
        file.write_text("schema = 1\n" + more, encoding="utf-8")
        digests.append(load_limits(file, record).rules_sha256)
    assert digests[0] == digests[1]


def test_a_record_that_does_not_load_is_refused_with_its_findings(tmp_path: Path) -> None:
    file = tmp_path / "broken.toml"
    text = LANTERN.read_text(encoding="utf-8").replace('average_current_rating = "4"', 'average_curent_rating = "4"')
    file.write_text(text.replace('b_value = { value = "2800"', 'b_value = { value = "-2800"'), encoding="utf-8")
    done = bulkrail("review", str(file))
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 2
    assert "nearest: average_current_rating" in done.stderr
    assert bulkrail("review", str(tmp_path / "nowhere.toml")).returncode == 2


def test_proposals_are_printed_to_be_pasted(tmp_path: Path) -> None:
    file = tmp_path / "unread.toml"
    text = re.sub(r"^primary_inductance = .*\n", "", LANTERN.read_text(encoding="utf-8"), flags=re.MULTILINE)
    file.write_text(text, encoding="utf-8")
    before = file.read_bytes()
    assert bulkrail("review", str(file)).returncode == 2  # a check needs it
    done = bulkrail("review", str(file), "--propose")
    assert (done.returncode, done.stderr) == (0, "")
    assert file.read_bytes() == before
    assert "# into [stages.main_flyback.parts.T1]" in done.stdout
    line = next(one for one in done.stdout.splitlines() if one.startswith("primary_inductance = "))
    assert 'formula = "flyback_inductance"' in line
    header = "[stages.main_flyback.parts.T1]\n"
    file.write_text(text.replace(header, f"{header}{line}\n"), encoding="utf-8")
    assert bulkrail("review", str(file)).returncode in (0, 1)
    nothing = bulkrail("review", str(LANTERN), "--propose")
    assert (nothing.returncode, nothing.stdout) == (0, "# lantern-65: nothing is unread that a formula could give\n")


def test_a_check_keeps_the_review(checked: Checked) -> None:
    found = checked.json["review"]
    assert (found["record"], found["remarks"]) == ("lantern-65", [])
    assert set(found["open"]) == {"wrong", "doubtful", "note"}


def test_a_report_shows_the_review(reported: Path) -> None:
    text = reported.read_text(encoding="utf-8")
    assert "Read before anything was simulated" in text
    assert "0 wrong, 0 doubtful, 0 notes, 0 accepted" in text
