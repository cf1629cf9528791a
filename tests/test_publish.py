"""``bulkrail report`` and ``bulkrail recheck`` from file to file: what is written, what no longer holds, errata."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from demonstration import LANTERN, Checked
from test_cli import bulkrail

from harness.judge.published import read_published
from harness.publish import recheck_report, write_report
from netlists.errors import OptionError, RecordError, SetupError

RECTIFIER = "mains_rectifier"


def copied(folder: Path, *changes: tuple[str, str]) -> Path:
    """The demonstration record with its limits file in a folder of its own, texts replaced."""
    folder.mkdir(exist_ok=True)
    text = LANTERN.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / LANTERN.name).write_text(text, encoding="utf-8")
    shutil.copy(LANTERN.with_name("lantern-65.limits.toml"), folder)
    return folder / LANTERN.name


@pytest.fixture
def results(checked: Checked, tmp_path: Path) -> Path:
    """A results folder with the check's runs and a copy of its assessment."""
    folder = tmp_path / "results"
    shutil.copytree(checked.results / "assessments", folder / "assessments")
    (folder / "runs").symlink_to(checked.results / "runs")
    return folder


@pytest.fixture
def stored(checked: Checked, monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The assessment that stands in for one made anew; a test may change it."""
    content = checked.json

    class Stand:
        def to_json(self) -> str:
            return json.dumps(content)

    monkeypatch.setattr("harness.publish.assess_record", lambda *_, **__: Stand())
    return content


def test_an_untouched_report_holds(reported: Path, stored: dict[str, Any], tmp_path: Path) -> None:
    found = recheck_report(reported, LANTERN, tmp_path)
    assert (found.exit_code, found.lapses, found.differences) == (0, (), ())
    assert found.held == len(stored["metrics"])


def test_the_whole_way_by_the_command_line(checked: Checked, stored: dict[str, Any], tmp_path: Path) -> None:
    """One stage's report, the record corrected, what no longer holds, the report with errata, which holds again.

    Only ratings are corrected, so nothing is simulated. A margin is 1 - adverse / limit: of the bulk's 372 V it was
    7.0 % to 400 V and is -6.3 % to 350 V.
    """
    file = copied(tmp_path / "bench")
    common = ("--results", str(checked.results))
    stored["metrics"] = [row for row in stored["metrics"] if row["instance"] == RECTIFIER]
    write_report(file, tmp_path / "old", checked.results, instance=RECTIFIER, pdf=False)
    report = tmp_path / "old" / "lantern-65.html"
    copied(tmp_path / "bench", ('marking = "150u 400V', 'marking = "150u 350V'))
    moved = bulkrail("recheck", str(report), str(file), *common, "--json", str(tmp_path / "moved.json"))
    assert (moved.returncode, moved.stderr) == (1, "")
    assert moved.stdout.isascii()
    assert "1 of 24 published metrics no longer hold" in moved.stdout
    assert "verdict within -> over" in moved.stdout
    assert "voltage_rating: 400 V marked -> 350 V marked" in moved.stdout
    (lapse,) = json.loads((tmp_path / "moved.json").read_text())["metrics"]
    assert (lapse["metric"], lapse["subject"]) == ("bulk_voltage_peak", "C1")
    assert lapse["what"] == ["limit", "margin", "verdict"]
    assert lapse["before"]["margin"] == pytest.approx(1 - lapse["before"]["adverse"] / 400)
    assert lapse["after"]["margin"] == pytest.approx(1 - lapse["after"]["adverse"] / 350)
    row = next(row for row in stored["metrics"] if row["metric"] == "bulk_voltage_peak")
    row |= {"limit_adverse": 350.0, "margin": 1 - row["adverse"]["value"] / 350, "verdict": "over"}
    write_report(file, tmp_path / "new", checked.results, instance=RECTIFIER, pdf=False, corrects=report)
    corrected = tmp_path / "new" / "lantern-65.html"
    published, _ = read_published(corrected)
    (erratum,) = published.errata
    assert erratum["corrects"] == read_published(report)[1]
    (told,) = erratum["metrics"]
    assert [told[key] for key in ("metric", "subject", "what")] == ["bulk_voltage_peak", "C1", lapse["what"]]
    assert told["after"]["margin"] == pytest.approx(lapse["after"]["margin"])
    assert "this report corrects an earlier one" in corrected.read_text(encoding="utf-8")
    assert "this report corrects an earlier one" not in report.read_text(encoding="utf-8")


def test_errata_are_kept_from_one_correction_to_the_next(
    reported: Path, stored: dict[str, Any], results: Path, tmp_path: Path
) -> None:
    first, second = stored["metrics"][0], stored["metrics"][1]
    report = reported
    for number, row in enumerate((first, second)):
        row["value"] *= 1.5
        file = copied(tmp_path / f"bench{number}", ("30", f"3{number + 1}"))  # another text, so it is judged anew
        write_report(file, tmp_path / f"{number}", results, pdf=False, corrects=report)
        report = tmp_path / f"{number}" / "lantern-65.html"
    published, _ = read_published(report)
    assert [[row["metric"] for row in one["metrics"]] for one in published.errata] == [
        [first["metric"]], [second["metric"]],
    ]  # fmt: skip
    assert published.errata[0]["differences"]
    assert report.read_text(encoding="utf-8").count("the earlier report was of") == 2
    assert recheck_report(report, file, tmp_path).exit_code == 0


def test_the_record_is_sought_beside_the_report(
    reported: Path, stored: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OptionError, match="neither beside the report nor here"):
        recheck_report(reported, None, tmp_path)
    copied(tmp_path)
    assert recheck_report(reported, None, tmp_path).exit_code == 0


def test_another_record_s_report_is_refused(reported: Path, stored: dict[str, Any], tmp_path: Path) -> None:
    file = copied(tmp_path / "bench", ('name = "lantern-65"', 'name = "lantern-66"'))
    with pytest.raises(OptionError, match="report is of"):
        recheck_report(reported, file, tmp_path)
    with pytest.raises(OptionError, match="report is of"):
        write_report(file, tmp_path, tmp_path, corrects=reported)


def test_an_edited_report_ends_2_in_a_line(reported: Path, tmp_path: Path) -> None:
    file = tmp_path / "edited.html"
    file.write_text(reported.read_text(encoding="utf-8").replace("no safety", "a safety"), encoding="utf-8")
    done = bulkrail("recheck", str(file), str(LANTERN))
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert "changed after it was published" in done.stderr
    done = bulkrail("report", str(LANTERN), "--out", str(tmp_path), "--corrects", str(file))
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)


def test_a_published_record_this_program_cannot_read_is_compared_by_its_assessment(
    reported: Path, stored: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise RecordError([])

    monkeypatch.setattr("harness.publish._unpacked", refuse)
    stored["parts"][0]["quantities"]["current_rating"]["value"] = 4.0
    (found,) = recheck_report(reported, LANTERN, tmp_path).differences
    assert (found.place, list(found.fields)) == ("stages.inlet_filter.parts.F1", ["current_rating"])


def test_without_chromium_the_page_is_written_all_the_same(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    options = ("report", str(LANTERN), "--out", str(tmp_path), "--results", str(results))
    done = bulkrail(*options)
    page, reason = done.stdout.splitlines()
    assert (done.returncode, done.stderr, page) == (0, "", f"report: {tmp_path / 'lantern-65.html'}")
    assert "needs Chromium (apt-get install chromium)" in reason
    done = bulkrail(*options, "--pdf")
    assert (done.returncode, done.stdout, done.stderr) == (2, "", f"{reason}\n")


@pytest.mark.parametrize("script", ["#!/bin/sh\nexec sleep 60\n", "#!/bin/sh\necho no screen >&2\nexit 1\n"])
def test_a_browser_that_hangs_or_fails_is_one_line(
    reported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str
) -> None:
    from harness.show.report import pdf

    browser = tmp_path / "chromium"
    browser.write_text(script)
    browser.chmod(0o755)
    monkeypatch.setattr(pdf, "find_chromium", lambda: str(browser))
    monkeypatch.setattr(pdf, "TIME_LIMIT", 0.5)
    with pytest.raises(SetupError, match=r"took longer than 0.5 s|printed nothing: no screen"):
        pdf.write_pdf(reported, tmp_path / "out.pdf")
    assert not (tmp_path / "out.pdf").exists()


def test_a_stored_ranking_of_readings_is_in_the_report(checked: Checked, results: Path, tmp_path: Path) -> None:
    """The answer ``bulkrail next`` left about this very record; about another it is left out."""
    (results / "readings").mkdir()
    told = checked.json
    reading = {
        "path": "stages.mains_rectifier.parts.C1.loss_angle", "effort": 1.0, "fall": 1.8, "low": 1.2, "high": 2.4,
        "can_settle": True, "per_effort": 1.8, "sentence": "Measure C1.loss_angle to 5 % with an LCR bridge.",
    }  # fmt: skip
    answer = {
        "verdicts": [{}, {}, {}, {}], "readings": [reading], "by": "hand calculation",
        "samples": {"used": 33, "drawn": 128, "seed": 1},
    }  # fmt: skip
    content = {
        "record_sha256": told["provenance"]["record_sha256"], "limits_sha256": told["limits"]["sha256"],
        "program_version": told["provenance"]["program_version"],
        "solver_version": told["provenance"]["solver_version"], "instance": None, "answer": answer,
    }  # fmt: skip
    for digest, is_there in ((content["record_sha256"], True), ("0" * 64, False)):
        stored = results / "readings" / "lantern-65.json"
        stored.write_text(json.dumps({**content, "record_sha256": digest}))
        write_report(LANTERN, tmp_path, results, pdf=False)
        page = (tmp_path / "lantern-65.html").read_text(encoding="utf-8")
        assert ("C1 loss angle (mains_rectifier)" in page) is is_there
        assert ("Not ranked for this report" in page) is not is_there
