"""What the gate decided, as JUnit XML against its schema and as Markdown; texts that would break either stay texts."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
import xmlschema
from demonstration import LANTERN, Checked

from harness.judge.baseline import baseline_of
from harness.judge.gate import Evidence, Failure, Gated, decide, keyed
from harness.judge.limits_file import load_limits
from harness.merge_gate import gather
from harness.show.gate_junit import junit_text
from harness.show.gate_plot import draw_margins
from harness.show.gate_summary import margin_before, markdown_text, worst_margins
from netlists.record import load_record

SCHEMA = Path(__file__).with_name("junit.xsd")
BASELINES = Path(__file__).parents[2] / "results" / "baseline"
WORST = "main_flyback/switch_voltage_peak/Q1/high input, full load"


@pytest.fixture(scope="module")
def gated(checked: Checked) -> Gated:
    """The demonstration with its waivers and its committed baseline."""
    record, limits = load_record(LANTERN), LANTERN.with_suffix(".limits.toml")
    evidence = gather(record, LANTERN, load_limits(limits, record), checked.results, BASELINES)
    return Gated(record.name, record.data.title, str(LANTERN), evidence, decide(evidence))


def hostile(gated: Gated) -> Gated:
    """The same with a failure whose texts hold what XML and Markdown give a meaning to, and what XML forbids."""
    text = 'a|b <c> & "d" `e`\x00\x1b[31m\n# f ]]> \ud800'
    return replace(gated, failures=(Failure(text, "over", text), Failure(WORST, "worse", text)))


def lost(gated: Gated) -> Gated:
    evidence = replace(gated.evidence, state=None, lost="gone", baseline=None, baseline_fault="gone")
    return replace(gated, record="other", evidence=evidence, failures=decide(evidence))


def test_junit_is_valid_and_counts_a_case_a_row(gated: Gated) -> None:
    schema = xmlschema.XMLSchema(SCHEMA)
    for found in ([gated], [hostile(gated)], [gated, lost(gated)]):
        schema.validate(junit_text(found))
    (suite,) = ElementTree.fromstring(junit_text([gated]))
    assert (suite.get("tests"), suite.get("failures"), suite.get("skipped")) == ("278", "0", "132")
    cases = {case.get("name"): case for case in suite}
    assert cases.keys() == gated.rows.keys()
    assert len(list(cases[WORST])) == 0
    (skipped,) = cases["mains_rectifier/inrush_peak/line/claim inrush"]
    assert str(skipped.get("message")).startswith("undecided, waived by inrush_claim: within or over")


def test_junit_names_each_failure_and_its_kind(gated: Gated) -> None:
    failing, other = ElementTree.fromstring(junit_text([hostile(gated), lost(gated)]))
    assert (failing.get("failures"), other.get("failures")) == ("2", "2")
    case = next(case for case in failing if case.get("name") == WORST)
    (failure,) = case
    assert (failure.tag, failure.get("type")) == ("failure", "worse")
    assert [case.get("name") for case in other] == ["assessment", "baseline"]


def test_the_schema_refuses_what_is_no_such_file() -> None:
    schema = xmlschema.XMLSchema(SCHEMA)
    counts = 'tests="1" failures="0" errors="0"'
    good = (
        f'<testsuites {counts}><testsuite name="a" {counts}><testcase name="b" classname="c"/></testsuite></testsuites>'
    )
    assert schema.is_valid(good)
    for bad in (good.replace('name="b" ', ""), good.replace("testcase", "case"), good.replace('tests="1" ', "")):
        assert not schema.is_valid(bad)


def test_markdown_lists_worst_margins_first_and_changes(gated: Gated) -> None:
    same = baseline_of("lantern-65", gated.evidence.state["provenance"], {}, dict(gated.rows))  # type: ignore[index]
    gated = replace(gated, evidence=replace(gated.evidence, baseline=same))  # the committed one, but for rounding
    text = markdown_text([gated], "gate.png")
    assert text.startswith("## Gate passes\n")
    assert "No row changed." in text
    assert text.count("![") == 1
    margins = [row["margin"] for _, row in worst_margins(gated)]
    assert margins == sorted(margins)
    first = next(line for line in text.splitlines() if line.startswith("| mains\\_rectifier"))
    assert "holdup\\_time" in first
    assert "-18.0% | -18.0% | undecided, waived |" in first
    assert "No safety certificate" in text


def test_markdown_tells_what_moved_what_is_new_and_what_is_gone(gated: Gated) -> None:
    rows = dict(gated.rows)
    gone, new = WORST, "mains_rectifier/inrush_i2t/F1/highest line"
    accepted = baseline_of("lantern-65", gated.evidence.state["provenance"], {}, rows)  # type: ignore[index]
    metrics = {key: dict(row) for key, row in accepted.metrics.items() if key != new}
    metrics[WORST]["worst"] *= 0.95
    metrics["away"] = metrics[gone]
    moved = replace(gated, evidence=replace(gated.evidence, baseline=replace(accepted, metrics=metrics)))
    text = markdown_text([moved], "")
    assert re.search(r"659\.\d V to 69[34]\.\d V, worse", text)
    assert "| away | gone |" in text
    assert "| mains\\_rectifier/inrush\\_i2t/F1/highest line | new |" in text
    assert "![" not in text
    # 700 V is the rating; 659.1 V leaves 1 - 659.1/700
    assert margin_before(moved, WORST) == pytest.approx(1 - 0.95 * rows[WORST]["adverse"]["value"] / 700)


def test_markdown_keeps_texts_in_their_cells(gated: Gated) -> None:
    lines = markdown_text([hostile(gated)], "").splitlines()
    (line,) = [line for line in lines if line.startswith("| a")]
    assert line.startswith('| a\\|b \\<c\\> & "d" \\`e\\`\\\\x00')
    assert not any(line.startswith("# f") for line in lines)


def test_the_plot_is_drawn_where_there_are_margins(gated: Gated, tmp_path: Path) -> None:
    assert draw_margins([gated, lost(gated)], tmp_path / "gate.png")
    assert (tmp_path / "gate.png").read_bytes().startswith(b"\x89PNG")
    assert not draw_margins([lost(gated)], tmp_path / "none.png")
    assert not (tmp_path / "none.png").exists()


def test_rows_of_the_baseline_are_those_of_the_assessment(gated: Gated) -> None:
    evidence: Evidence = gated.evidence
    assert evidence.baseline is not None
    assert evidence.state is not None
    assert evidence.baseline.metrics.keys() == keyed(evidence.state["metrics"]).keys()
