"""What to measure next, as text for a terminal and as JSON."""

from __future__ import annotations

import dataclasses
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from harness.judge.next_values import Gain, NextValues, sentence, short, wilson
from harness.judge.screening import CONFIDENCE, LEAST_SHARE
from netlists.errors import one_line

MOST_REASONS = 3


def print_next(console: Console, found: NextValues) -> None:
    """Ranked readings as a table, one sentence each, and how they were found."""
    for left in found.left:
        console.print(Text(one_line(f"left out: {left.words}: {left.reason}")))
    if not found.verdicts:
        console.print(Text("no undecided verdict hangs on unread values: nothing to measure for a verdict"))
        return
    console.print(Text(f"{len(found.verdicts)} undecided verdicts hang on unread values:"))
    for number, verdict in enumerate(found.verdicts, 1):
        console.print(Text(f"  {number}  {verdict.words}"))
    settling = [gain for gain in found.gains if gain.can_settle]
    if settling:
        console.print(_table(found, settling))
    for gain in found.gains:
        console.print(Text(sentence(gain, found.verdicts)))
    for line in closing_lines(found):
        console.print(Text(line))


def _table(found: NextValues, gains: list[Gain]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    table.add_column("reading", overflow="fold")
    numbers = [str(number) for number, _ in enumerate(found.verdicts, 1)]
    for heading in ("effort", "settled", "95 %", "per effort", *numbers):
        table.add_column(heading, justify="right")
    for gain in gains:
        shares = [f"{share * 100:.0f} %" for share in gain.settles]
        interval = f"{gain.low:.2g} to {gain.high:.2g}"
        numbers = [f"{gain.effort:.3g}", f"{gain.fall:.2g}", interval, f"{gain.per_effort:.2g}"]
        table.add_row(short(gain.path), *numbers, *shares)
    return table


def closing_lines(found: NextValues) -> list[str]:
    """What no single reading settles, what was left out and why, and how far to trust all this."""
    lines = []
    stubborn = [
        verdict.words
        for index, verdict in enumerate(found.verdicts)
        if not any(gain.settles[index] for gain in found.gains)
    ]
    if stubborn:
        lines.append(f"settled by no single reading: {'; '.join(stubborn)}")
    count = len(found.verdicts)
    low, high = (end * count for end in wilson(sum(found.together) / count, found.together_of))
    lines.append(
        f"all {len(found.gains)} readings together would settle {sum(found.together):.2g} ({low:.2g} to {high:.2g}, "
        f"{found.together_of} samples): "
        + "; ".join(
            f"{verdict.words} {share * 100:.0f} %"
            for verdict, share in zip(found.verdicts, found.together, strict=True)
        )
    )
    if found.still:
        many = f"{found.trajectories} Morris trajectories a verdict"
        share = f"below {LEAST_SHARE * 100:.0f} % of the largest effect with {CONFIDENCE * 100:.0f} % confidence"
        lines.append(f"left out by screening ({many}; {share}): {', '.join(short(path) for path in found.still)}")
    lines.append(f"{found.accepted} of {found.drawn} joint samples used, seed {found.seed}{_why_not(found)}")
    lines.append(
        "by hand calculation, scaled to the simulations of the check; nothing was simulated; an imagined reading "
        "leaves all other inputs at their ends"
    )
    return lines


def _why_not(found: NextValues) -> str:
    """What ruled samples out: the measurements' names, most frequent first."""
    reasons = [one_line(reason.partition(": ")[0]) for reason in found.why_not]
    often = sorted(set(reasons), key=lambda reason: (-reasons.count(reason), reason))[:MOST_REASONS]
    return "".join(f"; {reasons.count(reason)} ruled out by {reason}" for reason in often)


def next_json(found: NextValues) -> dict[str, Any]:
    """The same as plain JSON types."""
    return {
        "verdicts": [
            {
                "instance": verdict.instance,
                "metric": verdict.metric,
                "subject": verdict.subject,
                "label": verdict.question.label,
                "structure": dict(verdict.structure),
            }
            for verdict in found.verdicts
        ],
        "left": [dataclasses.asdict(left) for left in found.left],
        "readings": [
            {
                **dataclasses.asdict(gain),
                "settles": list(gain.settles),
                "per_effort": gain.per_effort,
                "sentence": sentence(gain, found.verdicts),
            }
            for gain in found.gains
        ],
        "together": {"settles": list(found.together), "samples": found.together_of},
        "screened_out": list(found.still),
        "screening": {
            "method": "Morris",
            "trajectories": found.trajectories,
            "confidence": CONFIDENCE,
            "least_share": LEAST_SHARE,
        },
        "samples": {"drawn": found.drawn, "used": found.accepted, "seed": found.seed, "why_not": list(found.why_not)},
        "by": "hand calculation, scaled to the simulations of the check",
    }
