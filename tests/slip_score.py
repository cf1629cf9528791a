"""How many slips of the corpus loading refuses or review catches, by kind, and how often it is wrong.

    PYTHONPATH=.:tests .venv/bin/python tests/slip_score.py              # the part rules were written with
    PYTHONPATH=.:tests .venv/bin/python tests/slip_score.py --held-back  # the part they were not
    PYTHONPATH=.:tests .venv/bin/python tests/slip_score.py --published  # slips on published supplies

A slip is caught where loading refuses the record, or a remark names a path of the slipped part: any remark does not do.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field
from functools import cache

from slip_boards import KINDS
from slip_corpus import Drawn, published, slips, touches, variations
from written_values import Board

from harness.judge.review import review
from netlists.errors import RecordError

WAYS = ("refused", "wrong", "doubtful", "note", "missed")  # refused at load; else the worst remark on the part


@dataclass
class Score:
    """Counts by kind of slip and by what became of it; of variations with a remark, and of all; what was missed."""

    by_kind: dict[str, Counter[str]] = field(default_factory=lambda: {kind: Counter() for kind in KINDS})
    alarms: Counter[str] = field(default_factory=Counter)
    variations: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)

    @property
    def total(self) -> Counter[str]:
        return sum(self.by_kind.values(), Counter())

    @property
    def drawn(self) -> int:
        return sum(self.total.values())

    @property
    def caught(self) -> int:
        return self.drawn - self.total["missed"]


def way_of(drawn: Drawn) -> str:
    """What becomes of one slip."""
    try:
        record = drawn.board.edited(drawn.slip.edits)
    except RecordError:
        return "refused"
    said = (one for one in review(record).remarks if (one.rule, one.paths[0]) not in before(drawn.board))
    found = {one.severity for one in said if any(touches(drawn.slip, path) for path in one.paths)}
    return next((way for way in WAYS[1:4] if way in found), "missed")


@cache
def before(board: Board) -> frozenset[tuple[str, str]]:
    """Rule and path of what review says of a record without a slip, which counts for nothing."""
    return frozenset((one.rule, one.paths[0]) for one in review(board.record).remarks)


def scored(held_back: bool, of: tuple[Board, ...] | None = None) -> Score:
    """One part of the corpus; of records that are given all of it, and no variations."""
    score = Score()
    for drawn in slips(of):
        if of or drawn.held_back == held_back:
            way = way_of(drawn)
            score.by_kind[drawn.slip.kind][way] += 1
            if way == "missed":
                score.missed.append(f"{drawn.slip.kind}: {drawn.board.file}: {drawn.slip.said}")
    for drawn in () if of else variations():
        if drawn.held_back == held_back:
            score.variations[drawn.slip.kind] += 1
            score.alarms[drawn.slip.kind] += bool(review(drawn.board.edited(drawn.slip.edits)).remarks)
    return score


def table(score: Score) -> str:
    """Markdown, a row a kind."""
    lines = [f"| slip | drawn | {' | '.join(WAYS)} |", f"|{'---|' * (len(WAYS) + 2)}"]
    for kind, counts in (*score.by_kind.items(), ("all", score.total)):
        cells = [str(counts[way] or "") for way in WAYS]
        lines.append(f"| {kind.replace('_', ' ')} | {sum(counts.values())} | {' | '.join(cells)} |")
    lines.append("")
    lines.append(f"caught {score.caught} of {score.drawn}, {score.caught / score.drawn:.1%}")
    lines += [f"false alarms, {kind}: {score.alarms[kind]} of {of}" for kind, of in score.variations.items()]
    return "\n".join(lines)


if __name__ == "__main__":
    found = scored("--held-back" in sys.argv[1:], published() if "--published" in sys.argv[1:] else None)
    print(table(found))
    print("\n".join(("", *found.missed)))
