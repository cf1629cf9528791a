"""Every fault libngspice was seen to have, entered below the deck check, and the good job that follows it.

One test a row of the two tables in DEVELOPERS.md ("Failures", "Silent wrong results").
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from simulate_decks import (
    CHECKED_REFERENCE,
    OPERATING_POINT_TRAN,
    RC,
    SAVE,
    SOURCE,
    STOP,
    TRAN,
    alter_missing_device,
    case_of,
    eat_memory,
    end_in_order,
    leave_a_setting,
    measure_nothing,
    request_of,
    run_behind_a_foreign_circuit,
    run_lines,
    run_reference,
    run_without_end,
)

from harness.contracts import Transient
from harness.plan import rectifier_bulk as planned
from harness.simulate.campaign import Campaign, Request
from harness.simulate.case import transient_case
from harness.simulate.executors import LocalPool
from netlists import decktext
from netlists.decktext import check_lines
from netlists.errors import DeckError, RecordError
from netlists.point import Point
from netlists.record import load_record
from netlists.stages import rectifier_bulk as stage
from netlists.stages.rectifier_bulk import Scenario


@dataclass(frozen=True)
class Fault:
    """A fault and its right outcome.

    Parameters
    ----------
    lines : deck lines, run unchecked; function : runs in the worker instead
    expected : how the error begins, a regular expression; empty where the result is right; None where ngspice says
        nothing and only the deck check stands before it
    kind : of the pool's answer
    refused : whether the deck check refuses the lines
    """

    name: str
    lines: tuple[str, ...] = ()
    function: Callable[[int], str] | None = None
    expected: str | None = ""
    kind: str = "failed"
    refused: bool = True
    vectors: tuple[str, ...] = ("b",)
    stop: float = STOP

    @property
    def task(self) -> tuple[str, Callable[..., Any], tuple[Any, ...]]:
        if self.function is not None:
            return (self.name, self.function, ())
        return (self.name, run_lines, (self.lines, self.vectors, self.stop))


def deck(*more: str, tran: str = TRAN) -> tuple[str, ...]:
    return (SOURCE, *RC, *more, SAVE, tran)


FAULTS = (
    Fault("failure-bad_netlist_line", deck("foo bar baz"), expected="load: "),
    Fault("failure-line_made_a_comment", deck("?$ bar baz"), expected="load: "),
    Fault("failure-unknown_subcircuit", deck("xq a b nosuch"), expected="load: .*nosuch", refused=False),
    Fault("failure-missing_end", function=run_without_end, expected="load: .*end statement is missing"),
    Fault("failure-unknown_model", deck("d1 b 0 nomodel"), expected="load: .*nomodel", refused=False),
    Fault("failure-duplicate_device", deck("r1 b 0 1000"), expected="load: .*already exists"),
    Fault("failure-singular_loop", deck("v2 a 0 2"), expected="singular: "),
    Fault("failure-no_convergence",
          deck("b2 0 c i=(v(c)<0.5)?1:-1", "r2 c 0 1e6", tran=OPERATING_POINT_TRAN),
          expected="(no_convergence|timestep): "),
    Fault("failure-timestep_too_small", (SOURCE, RC[0], "c1 b 0 1e-6 ic=1", "b1 b 0 i=100/v(b)", SAVE, TRAN),
          expected="timestep: .*reached"),
    Fault("failure-undefined_parameter", (SOURCE, "r1 a b {nosuch}", RC[1], SAVE, TRAN), expected="deck: .*nosuch"),
    Fault("failure-crash_of_the_process", deck(".model"), expected="the worker died twice", kind="died"),
    Fault("failure-exit_of_the_process", function=end_in_order, expected="the worker died twice", kind="died"),
    Fault("failure-endless_run", deck(".control", "while 1", "end", ".endc"), kind="timed_out",
          expected="killed after the time limit of 5 s"),
    Fault("failure-preallocation", (SOURCE, *RC, SAVE, ".tran 1e-09 1 0 1e-09 uic"), stop=1.0, expected="memory: ",
          refused=False),
    Fault("failure-memory", function=eat_memory, expected="out of memory"),
    Fault("failure-harmless_failed_meas", deck(".meas tran tq when v(b)=5")),
    Fault("failure-harmless_node_named_error", (SOURCE, "r1 a error 1000", "c1 error 0 1e-6 ic=0", ".save error", TRAN),
          vectors=("error",)),
    Fault("failure-harmless_note", ("v1 a 0 dc 1 pulse(0 1 0 1e-06 1e-06 1 2)", *RC, SAVE, TRAN)),
    Fault("silent-previous_circuit", function=run_behind_a_foreign_circuit, expected="stale: simulated 'foreign'"),
    Fault("silent-truncated_run", (SOURCE, *RC, SAVE, ".tran 1e-05 0.0005 0 1e-05 uic"), expected="truncated: ",
          refused=False),
    Fault("silent-missing_vector", (SOURCE, *RC, ".save b nosuch", TRAN), vectors=("b", "nosuch"),
          expected="missing_vector: .*nosuch", refused=False),
    Fault("silent-no_vector_kept", (SOURCE, *RC, ".save nosuch", TRAN), expected="(missing_vector|no_result|aborted): ",
          refused=False),
    Fault("silent-resistor_without_arguments", deck("r9 a"), expected="deck: .*resistance to low"),
    Fault("silent-resistance_zero", (SOURCE, "r1 a b 0", RC[1], SAVE, TRAN), expected=None),
    Fault("silent-source_without_value", ("v1 a 0", *RC, SAVE, TRAN), expected="deck: .*has no value"),
    Fault("silent-misspelt_option", deck(".options retlol=1e-3"), expected=None),
    Fault("silent-missing_ic_node", deck(".ic v(nosuch)=1"), expected="load: .*nosuch"),
    Fault("silent-unknown_model_parameter", deck("d1 b 0 dm", ".model dm d (is=1e-12 qqq=3)"), expected="load: .*qqq"),
    Fault("silent-floating_node_singular",
          (SOURCE, "r1 a 0 1000", "i1 0 b 0.5", "c1 b g 1e-6", SAVE, OPERATING_POINT_TRAN), expected="singular: "),
    Fault("silent-floating_node_5e11_volts",
          (SOURCE, "r1 a 0 1000", "i1 0 b 0.5", "d1 0 b dm", ".model dm d (is=1e-14)", SAVE, OPERATING_POINT_TRAN),
          expected="not_finite: b leaves all bounds"),
    Fault("silent-power_of_a_negative", ("v1 a 0 -4", "r1 a 0 1", "b1 b 0 v=v(a)^1.5", "r2 b 0 1", SAVE, TRAN),
          expected=None),
    Fault("silent-division_by_zero", ("v1 a 0 0", "r1 a 0 1", "b1 b 0 v=1/v(a)", "r2 b 0 1", SAVE, TRAN),
          expected="not_finite: ", refused=False),
    Fault("silent-coupling_above_one", deck("l1 a 0 1e-3", "l2 b 0 1e-3", "k1 l1 l2 1.5"), expected="deck: "),
    Fault("silent-interp_option", deck(".options interp"), expected="sticky: "),
    Fault("silent-two_analyses", (SOURCE, *RC, SAVE, TRAN, ".tran 1e-05 0.002 0 1e-05 uic"), expected="analyses: "),
    Fault("silent-other_analysis_beside", deck(".ac dec 10 1 1000"), expected="analyses: "),
    Fault("silent-setting_left_behind", function=leave_a_setting),
    Fault("silent-alter_of_a_missing_device", function=alter_missing_device, expected="alter: .*rnosuch"),
)  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS, ids=[fault.name for fault in FAULTS])
def test_fault_is_named_and_the_next_job_is_unharmed(fault: Fault, one_worker: LocalPool, reference: str) -> None:
    answers = {answer.key: answer for answer in one_worker.answers([fault.task, ("next", run_reference, ())])}
    after, answer = answers["next"], answers[fault.name]
    assert (after.kind, after.value) == ("ok", reference), after.error
    if fault.expected:
        assert answer.kind == fault.kind, answer
        assert re.match(fault.expected, answer.error), answer.error
        assert len(answer.error.splitlines()) == 1
    else:  # a right result, or one that only the deck check can tell from a right one
        assert answer.kind == "ok", answer.error
        assert fault.expected == "" or fault.refused


REFUSED = [fault for fault in FAULTS if fault.lines and fault.refused]


@pytest.mark.parametrize("fault", REFUSED, ids=[fault.name for fault in REFUSED])
def test_the_deck_check_refuses(fault: Fault) -> None:
    with pytest.raises(DeckError):
        check_lines(fault.lines)


def test_faults_as_cases_fail_alone(tmp_path: Path) -> None:
    """The same decks as cases of a campaign: each is refused or fails, the good case among them is not touched."""
    faults = [fault for fault in FAULTS if fault.lines and fault.name not in ("failure-harmless_failed_meas",)]
    requests = [request_of(case_of(fault.lines, fault.stop, fault.vectors[-1])) for fault in faults]
    good = request_of(case_of(CHECKED_REFERENCE))
    with Campaign(tmp_path, workers=1, time_limit=20.0) as campaign:
        outcomes = campaign.run([*requests, good])
    assert outcomes[-1].status == "ok", outcomes[-1].error
    for fault, outcome in zip(faults, outcomes, strict=False):
        assert outcome.status == "failed", fault.name
        assert outcome.metrics == ()
        assert len(outcome.error.splitlines()) == 1
        assert not fault.refused or outcome.error.startswith("deck: "), outcome.error


# --- through a record, where one can reach a row


def changed_record(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    """The demonstration record with texts replaced, each of which must be there."""
    text = (Path(decktext.__file__).parent / "records" / "lantern-65.toml").read_text()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    file = tmp_path / "record.toml"
    file.write_text(text)
    return file


def line_request(file: Path) -> Request:
    """The first question about running operation, as the plan would ask it, over one line period."""
    record = load_record(file)
    question = next(
        question for question in planned.questions(record, "mains_rectifier") if question.study == "line_ripple"
    )
    situation, _ = planned.situation(record, "mains_rectifier", Point(), question)
    scenario = Scenario(situation.period, situation.largest_step(situation.period), bulk_start=100.0)
    circuit = stage.bench(situation.params, situation.condition, scenario)
    analysis = Transient(scenario.stop, scenario.max_step)
    case = transient_case(circuit, stage.probes(situation.params), analysis, "event_survey")
    return Request(case, measure_nothing, "1")


LINE = 'resistance = { value = "0.4", low = "0.1", high = "0.6" }'


@pytest.mark.parametrize(
    ("row", "change"),
    [
        ("silent-resistance_zero", (LINE, 'resistance = { value = "0", low = "0", high = "0.6" }')),
        ("silent-unit_misread", (LINE, 'resistance = "0.4 farad"')),
        ("silent-not_a_number", (LINE, "resistance = nan")),
        ("failure-duplicate_device", ("[stages.mains_rectifier.parts.BD1]", "[stages.mains_rectifier.parts.RT1]")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_record_with_a_fault_is_refused(row: str, change: tuple[str, str], tmp_path: Path) -> None:
    with pytest.raises(RecordError):
        line_request(changed_record(tmp_path, change))


def test_record_that_asks_for_too_many_steps_is_refused(tmp_path: Path) -> None:
    """failure-preallocation: a line without inductance before tiny capacitors rings faster than a run can follow."""
    changes = (
        (
            'inductance = { value = "400u", low = "100u", high = "800u" }',
            'inductance = { value = "2p", low = "2p", high = "3p" }',
        ),
        ('value = "140u", uncertainty', 'value = "2p", uncertainty'),
        ('marking = "150u 400V 20% 105C"', 'marking = "10p 400V 20% 105C"'),
    )
    with pytest.raises(DeckError, match=r"of them, at most .* fit into memory"):
        line_request(changed_record(tmp_path, *changes))


def test_record_that_takes_too_long_times_out_and_the_next_is_unharmed(tmp_path: Path) -> None:
    """failure-endless_run: whatever a record's circuit costs, its case ends at the limit."""
    slow = line_request(changed_record(tmp_path))
    with Campaign(tmp_path, workers=1, time_limit=0.01) as campaign:
        (outcome,) = campaign.run([slow])
    assert (outcome.status, outcome.error) == ("timed_out", "killed after the time limit of 0.01 s")
    with Campaign(tmp_path, workers=1) as campaign:
        first, second = campaign.run([slow, request_of(case_of(CHECKED_REFERENCE))])
    assert (first.status, first.reused, second.status) == ("ok", False, "ok")


def test_record_whose_parts_bear_reserved_names_runs(tmp_path: Path) -> None:
    """failure-harmless_node_named_error: designators never become nodes."""
    plain = line_request(changed_record(tmp_path))
    named = line_request(changed_record(tmp_path, ("mains_rectifier.parts.RT1", "mains_rectifier.parts.Error")))
    assert named.case.lines == plain.case.lines
