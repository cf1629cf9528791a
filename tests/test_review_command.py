"""``bulkrail review`` as a user meets it: remarks, acceptances, JSON, proposals, exit codes; what a check keeps."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from demonstration import LANTERN, Checked
from test_cli import bulkrail

from harness.cli import app, run_and_exit
from harness.judge.limits_file import load_limits
from harness.judge.review import RULES
from netlists.errors import RecordError
from netlists.record import load_record


class Ended(NamedTuple):
    """What a command ended with and printed."""

    code: int
    out: str
    err: str


Command = Callable[..., Ended]
SLIPPED = ("150u 400V 20% 105C", "150m 400V 20% 105C")


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Command:
    """``bulkrail review`` in this process, which spares the start of another."""

    def run(*arguments: str) -> Ended:
        with pytest.raises(SystemExit) as ended:
            run_and_exit(lambda: app(["review", *arguments], result_action="return_value"))
        told = capsys.readouterr()
        return Ended(int(ended.value.code or 0), told.out, told.err)

    return run


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


def test_remarks_name_line_numbers_rule_source_and_what_is_likely(command: Command, slipped: Path) -> None:
    done = command(str(slipped))
    assert (done.code, done.err) == (1, "")
    assert max(map(len, done.out.splitlines())) <= 100
    line = LANTERN.read_text(encoding="utf-8").splitlines().index(f'marking = "{SLIPPED[0]}"') + 1
    said = " ".join(done.out.split())
    assert f"at mine.toml:{line}: stages.mains_rectifier.parts.C1.capacitance" in said  # the marking's line
    assert "likely: C1.capacitance 150 uF, if the prefix is one step too large" in said
    assert said.count("likely: C1.capacitance 150 uF") == 1  # what one correction answers is told together
    assert "so too, line " in said
    assert "(claim_against_parts: energy balance" in said
    assert "rule: capacitor_figures (common practice, no source)" in said


def test_the_readme_shows_what_is_printed_and_an_acceptance_that_counts(command: Command, tmp_path: Path) -> None:
    text = (LANTERN.parents[2] / "README.md").read_text(encoding="utf-8")
    file = tmp_path / "my-lantern.toml"
    slipped_text = LANTERN.read_text(encoding="utf-8").replace(*SLIPPED).replace('"1M 5%"', '"10M 5%"')
    file.write_text(slipped_text, encoding="utf-8")
    shown = text.split("$ bulkrail review my-lantern.toml\n")[1].split("\n```")[0]
    printed = command(str(file)).out
    assert shown.splitlines() == [line.rstrip() for line in printed.splitlines()]
    table = text[text.index("  [accepted.long_discharge]") :].split("\n  ```")[0]
    file.with_name("my-lantern.limits.toml").write_text(f"schema = 1\n{table}\n", encoding="utf-8")
    assert "7 wrong, 0 doubtful, 0 notes, 1 accepted" in command(str(file)).out


def test_json_has_all_of_it(command: Command, slipped: Path) -> None:
    done = command(str(slipped), "--json")
    assert done.code == 1
    found = json.loads(done.out)
    assert found["record"] == "lantern-65"
    assert found["open"]["wrong"] == len([one for one in found["remarks"] if one["severity"] == "wrong"]) > 0
    assert {one["rule"] for one in found["remarks"]} <= {rule.name for rule in RULES}


def test_acceptances_are_offered_need_a_reason_and_are_then_listed(command: Command, slipped: Path) -> None:
    offered = command(str(slipped), "--accept")
    assert offered.code == 1
    limits = slipped.with_name("mine.limits.toml")
    limits.write_text("schema = 1\n" + offered.out, encoding="utf-8")
    refused = command(str(slipped))
    assert refused.code == 2
    assert "reason: missing; say why it is so" in refused.err
    limits.write_text("schema = 1\n" + offered.out.replace('reason = ""', 'reason = "an odd bank"'), encoding="utf-8")
    done = command(str(slipped))
    assert done.code == 0
    said = " ".join(done.out.split())
    assert re.search(r"accepted \(\d{4}-\d\d-\d\d, usual_size_\d+\): capacitance of C1.*: an odd bank", said)
    assert "review: 0 wrong, 0 doubtful, 0 notes" in said


def test_a_correction_leaves_acceptances_idle_and_says_so(command: Command, slipped: Path, tmp_path: Path) -> None:
    offered = command(str(slipped), "--accept").out.replace('reason = ""', 'reason = "an odd bank"')
    limits = tmp_path / "accepted.toml"
    limits.write_text("schema = 1\n" + offered, encoding="utf-8")
    done = command(str(LANTERN), "--limits", str(limits))
    assert done.code == 0
    assert done.out.count("answers no remark any more") == offered.count("[accepted.")


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


def test_a_record_that_does_not_load_is_refused_with_its_findings(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "broken.toml"
    text = LANTERN.read_text(encoding="utf-8").replace('average_current_rating = "4"', 'average_curent_rating = "4"')
    file.write_text(text.replace('b_value = { value = "2800"', 'b_value = { value = "-2800"'), encoding="utf-8")
    done = command(str(file))
    assert done.code == 2
    assert done.out == ""
    assert len(done.err.strip().splitlines()) == 2
    assert "nearest: average_current_rating" in done.err
    assert command(str(tmp_path / "nowhere.toml")).code == 2


def test_proposals_are_printed_to_be_pasted(command: Command, tmp_path: Path) -> None:
    file = tmp_path / "unread.toml"
    text = re.sub(r"^primary_inductance = .*\n", "", LANTERN.read_text(encoding="utf-8"), flags=re.MULTILINE)
    file.write_text(text, encoding="utf-8")
    before = file.read_bytes()
    assert command(str(file)).code == 2  # a check needs it
    done = command(str(file), "--propose")
    assert (done.code, done.err) == (0, "")
    assert file.read_bytes() == before
    assert "# into [stages.main_flyback.parts.T1]" in done.out
    line = next(one for one in done.out.splitlines() if one.startswith("primary_inductance = "))
    assert 'formula = "flyback_inductance"' in line
    header = "[stages.main_flyback.parts.T1]\n"
    file.write_text(text.replace(header, f"{header}{line}\n"), encoding="utf-8")
    assert command(str(file)).code in (0, 1)
    nothing = command(str(LANTERN), "--propose")
    assert (nothing.code, nothing.out) == (0, "# lantern-65: nothing is unread that a formula could give\n")


def test_one_way_of_printing_at_a_time(command: Command) -> None:
    done = command(str(LANTERN), "--json", "--accept")
    assert (done.code, done.out) == (2, "")
    assert done.err == "review: --json, --accept and --propose print something else each; give one of them\n"


def test_a_check_keeps_the_review(checked: Checked) -> None:
    found = checked.json["review"]
    assert (found["record"], found["remarks"]) == ("lantern-65", [])
    assert set(found["open"]) == {"wrong", "doubtful", "note"}


def test_a_report_shows_the_review(reported: Path) -> None:
    text = reported.read_text(encoding="utf-8")
    assert "Read before anything was simulated" in text
    assert "0 wrong, 0 doubtful, 0 notes, 0 accepted" in text
