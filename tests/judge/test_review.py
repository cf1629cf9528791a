"""Every rule of review trips on a slip in a demonstration, names it, and is silent where there is none."""

from __future__ import annotations

import contextlib
import math
import random
from typing import Any

import pytest
from review_cases import BULK, CASES, INLET, Case, L
from slip_corpus import boards
from written_values import GONE, Board

from harness.judge.review import RULES, Remark, review
from harness.judge.review_accepted import Acceptance
from netlists.errors import RecordError
from netlists.formulas import leakage_current
from netlists.quantity import PLAUSIBLE

BOARDS: dict[str, Board] = {board.file: board for board in boards()}


def remarks(file: str, written: dict[str, Any]) -> list[Remark]:
    """What is said of a record after some places were written anew."""
    return list(review(BOARDS[file].edited((tuple(path.split(".")), value) for path, value in written.items())).remarks)


@pytest.mark.parametrize("file", sorted(BOARDS))
def test_the_demonstrations_are_clean(file: str) -> None:
    found = review(BOARDS[file].record)
    assert found.remarks == ()
    assert found.exit_code == 0


@pytest.mark.parametrize("case", CASES, ids=[f"{case[0]}-{index}" for index, case in enumerate(CASES)])
def test_a_rule_trips_on_a_slip(case: Case) -> None:
    rule, file, written, severity, path, text = case
    found = [one for one in remarks(file, written) if one.rule == rule]
    if severity == "clean":
        assert found == []
        return
    about = [one for one in found if one.paths[0] == path and text in f"{one.says} | {one.likely}"]
    assert about, [(one.paths[0], one.says, one.likely) for one in found]
    assert about[0].severity == severity
    assert about[0].line > 0
    assert about[0].source


def test_every_rule_has_a_name_of_its_own_a_source_and_a_case() -> None:
    names = [rule.name for rule in RULES]
    assert len(names) == len(set(names))
    assert set(names) == {case[0] for case in CASES}
    assert all(rule.source and rule.about for rule in RULES)


def test_the_leakage_a_remark_names_is_that_of_the_formula() -> None:
    """2 pi 60 Hz 330 nF 264 V is 32.8 mA, nine times the 3.5 mA of IEC 60950-1 and 62368-1 (from memory)."""
    said = next(one.says for one in remarks(L, {INLET + ".CX1.safety_class": "Y2"}) if "leaks" in one.says)
    assert "leaks 32.8 mA at 264 V 60 Hz" in said
    assert leakage_current(330e-9, 264.0, 60.0) == pytest.approx(32.8e-3, abs=5e-5)


def test_remarks_come_worst_first_and_each_is_said_once() -> None:
    found = remarks(L, {BULK + ".marking": "150m 400V 20% 105C", INLET + ".RV1": GONE})
    order = [("wrong", "doubtful", "note").index(one.severity) for one in found]
    assert order == sorted(order)
    assert len({(one.rule, one.paths[0], one.says) for one in found}) == len(found)
    assert {one.severity for one in found} == {"wrong", "note"}


def test_notes_alone_end_clean() -> None:
    found = review(BOARDS[L].edited([(tuple(f"{INLET}.RV1".split(".")), GONE)]))
    assert [one.severity for one in found.remarks] == ["note"]
    assert found.exit_code == 0


def test_an_acceptance_holds_while_its_values_do() -> None:
    written = {INLET + ".CX1.safety_class": "Y2"}
    first = next(one for one in remarks(L, written) if one.rule == "y_capacitor_size")
    accepted = Acceptance(
        "as_found", first.rule, first.paths[0], dict(first.values), "two photos show it", "2026-11-20"
    )
    edits = [(tuple(path.split(".")), value) for path, value in written.items()]
    record = BOARDS[L].edited(edits)
    again = next(one for one in review(record, (accepted,)).remarks if one.rule == first.rule)
    assert (again.accepted, again.lapsed) == (accepted, "")
    larger = BOARDS[L].edited([*edits, (tuple(f"{INLET}.CX1.capacitance".split(".")), "470n 10%")])
    lapsed = next(one for one in review(larger, (accepted,)).remarks if one.rule == first.rule)
    assert lapsed.accepted is None
    assert "was 3.3e-07; it is 4.7e-07" in lapsed.lapsed
    assert review(BOARDS[L].record, (accepted,)).idle == ("as_found",)


def test_plain_keys_are_fixed() -> None:
    """Written down in DEVELOPERS.md; later work adds keys and changes none."""
    plain = review(BOARDS[L].edited([(tuple(f"{INLET}.RV1".split(".")), GONE)])).plain()
    assert set(plain) == {"schema", "record", "title", "file", "open", "accepted", "remarks", "idle_acceptances"}
    keys = "rule severity paths line says likely source values accepted lapsed"
    assert set(plain["remarks"][0]) == set(keys.split())


def test_no_legal_record_breaks_a_rule() -> None:
    """Several slips at once, and values anywhere within what a reader lets pass."""
    chance, read = random.Random(385), 0
    for _ in range(600):
        board = chance.choice(list(BOARDS.values()))
        edits = []
        for entry in chance.sample(board.entries, 4):
            low, high = PLAUSIBLE.get(entry.unit, (1e-3, 1e3))
            edits.append(entry.with_value(math.exp(chance.uniform(math.log(low), math.log(high)))))
        with contextlib.suppress(RecordError):
            found = review(board.edited(edits)).plain()
            assert all(one["says"] and one["paths"] for one in found["remarks"])
            read += 1
    assert read > 100
