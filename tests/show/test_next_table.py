"""What to measure next as text: the numbers it was given, nothing wider than a plain terminal, nothing hidden."""

from __future__ import annotations

import dataclasses
import io

from demonstration import LANTERN
from rich.console import Console

from harness.judge.limits import Limit
from harness.judge.next_values import Gain, NextValues
from harness.judge.open_verdicts import Left, OpenVerdict
from harness.plan.plan import Plan
from harness.show.next_table import next_json, print_next
from netlists.record import load_record

ANGLE = "stages.mains_rectifier.parts.C1.loss_angle"


def found() -> NextValues:
    question = dataclasses.replace(Plan(load_record(LANTERN), []).questions("mains_rectifier")[0], label="a label")
    limit = Limit(1.0, 1.0, "high", "test")
    peak, time = (
        OpenVerdict("mains_rectifier", {}, question, metric, "line", limit, {}, {})
        for metric in ("inrush_peak", "holdup_time")
    )
    gains = (
        Gain(ANGLE, 2.0, 0.75, 0.5, 1.25, (0.75, 0.0), 1.0, "to 5 %", True),
        Gain("line.resistance", 1.0, 0.0, 0.0, 0.25, (0.0, 0.0), 0.5, "to 10 %", True),
        Gain("nameplate.ambient", 1.0, 0.0, 0.0, 0.0, (0.0, 0.0), 0.1, "to 2 degC", False),
    )
    left = (Left("inrush_i2t of F1, another", "simulation and hand calculation disagree"),)
    why_not = ("measurement one: far off", "measurement one: still off", "no operation by hand: none")
    return NextValues(
        (peak, time), left, gains, ("line.inductance",), (1.0, 0.5), 16, 29, 32, why_not, trajectories=4, seed=9
    )


def printed(content: NextValues) -> list[str]:
    text = io.StringIO()
    print_next(Console(file=text, width=100), content)
    return text.getvalue().splitlines()


def test_every_number_is_printed() -> None:
    lines = printed(found())
    assert max(map(len, lines)) <= 100
    row = next(line.split() for line in lines if line.startswith("C1.loss_angle"))
    assert row == ["C1.loss_angle", "2", "0.75", "0.5", "to", "1.2", "0.38", "75", "%", "0", "%"]
    text = " ".join(" ".join(lines).split())
    for says in (
        "left out: inrush_i2t of F1, another: simulation and hand calculation disagree",
        "Measure C1.loss_angle to 5 %: of 2 undecided verdicts 0.75 (0.5 to 1.2) would be settled on average",
        "most often inrush_peak of line, a label (75 % of samples).",
        "Measuring line.resistance to 10 % settled none of 2 undecided verdicts by itself in any sample (0 to 0.25).",
        "Measuring nameplate.ambient to 2 degC would settle none of 2 undecided verdicts by itself",
        "settled by no single reading: holdup_time of line, a label",
        "all 3 readings together would settle 1.5",
        "left out by screening (4 Morris trajectories a verdict; below 3 %",
        "29 of 32 joint samples used, seed 9; 2 ruled out by measurement one; 1 ruled out by no operation by hand",
    ):
        assert says in text, says


def test_json_says_the_same() -> None:
    content = next_json(found())
    assert [reading["per_effort"] for reading in content["readings"]] == [0.375, 0.0, 0.0]
    assert content["samples"]["used"] == 29
    assert content["screening"]["trajectories"] == 4
    assert content["together"] == {"settles": [1.0, 0.5], "samples": 16}


def test_nothing_open_is_one_line() -> None:
    nothing = NextValues((), (), (), (), (), 0, 0, 0, (), 4, 1)
    assert printed(nothing) == ["no undecided verdict hangs on unread values: nothing to measure for a verdict"]
