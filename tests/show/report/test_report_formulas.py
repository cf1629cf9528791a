"""Formulas of the hand calculations: every one that a demonstration record needs is there, explained and typeset."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest
from demonstration import DRUM, KILN, LANTERN, Checked

from harness.handcalc.formula_table import FORMULAS, SYMBOLS, Formula, formula_of
from harness.plan.plan import PLANS, every_metric
from harness.show.report.formulas import mathml, typeset
from netlists.record import load_record

ALL = [one for formulas in FORMULAS.values() for one in formulas]


@pytest.mark.parametrize("file", [LANTERN, KILN, DRUM], ids=lambda file: file.stem)
def test_every_metric_of_a_demonstration_record_s_stages_has_a_formula(file) -> None:
    """Whatever a hand calculation says of its source; a metric of two methods has a formula for each."""
    kinds = {stage.kind for stage in load_record(file).data.stages.values()} & set(PLANS)
    assert kinds
    for kind in kinds:
        for metric in PLANS[kind].METRICS:
            sources = {one.source for one in FORMULAS[str(metric)]}
            assert any(formula_of(str(metric), kind, source) for source in sources), (kind, metric)


def test_every_row_with_a_hand_value_refers_to_its_formula(checked: Checked) -> None:
    record = load_record(LANTERN)
    for instance in ("mains_rectifier", "main_flyback"):
        rows = [row for row in checked.json["metrics"] if row["instance"] == instance]
        methods, marks = typeset(rows, record.data.stages[instance].kind)
        numbers = [reading.mark for method in methods for reading in method.readings]
        assert sorted(numbers) == list(range(1, len(numbers) + 1))
        for row in rows:
            if row["hand"] is not None:
                assert marks[row["metric"], row["hand_source"]] in numbers, row["metric"]


def test_the_table_knows_no_metric_that_no_study_has() -> None:
    assert set(FORMULAS) == {str(metric) for metric in every_metric()}


@pytest.mark.parametrize("one", ALL, ids=lambda one: one.tex[:40])
def test_a_formula_is_typeset_whole_and_its_symbols_are_explained(one: Formula) -> None:
    for tex in filter(None, (one.tex, one.solves)):
        markup = str(mathml(tex))
        assert "\\" not in markup  # a command the typesetter does not know stays as it was
        assert ET.fromstring(markup).tag.endswith("math")
    words = set(one.symbols.split())
    assert words <= set(SYMBOLS), words - set(SYMBOLS)
    plain = re.sub(r"\\[a-zA-Z]+", " ", one.tex + one.solves)
    for symbol in words - {symbol for symbol in words if "\\" in symbol}:
        assert symbol[0] in plain, f"{symbol} is explained and not there"


def test_every_symbol_is_used() -> None:
    assert set(SYMBOLS) == {symbol for one in ALL for symbol in one.symbols.split()}


@pytest.mark.parametrize(
    ("metric", "kind", "source", "has"),
    [
        ("duty_cycle", "buck", "volt-second", "V_{in}-V_{on}-V_{out}"),
        ("duty_cycle", "boost_pfc", "volt-second", "V_{out}+V_{off}-V_{in}"),
        ("bulk_ripple", "rectifier_bulk", "sine in phase with the line: P / (w C V)", r"\frac{P}{\omega\,C\,V}"),
        ("bulk_ripple", "rectifier_bulk", "conduction and blocking pieces", r"\max_t v_C"),
        ("capacitor_current_rms", "llc", "ideal tank in the time domain", r"\sum C"),
    ],
)
def test_the_formula_is_that_of_the_stage_and_the_method(metric: str, kind: str, source: str, has: str) -> None:
    found = formula_of(metric, kind, source)
    assert found is not None
    assert has in found.tex


def test_an_unknown_metric_has_none() -> None:
    assert formula_of("colour", "buck", "") is None
