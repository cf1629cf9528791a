"""Published supplies, written down as they are printed: review says of them what is so, and nothing else.

Sources stand in the files of ``tests/references/review``; no rule was made with them at hand.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.judge.review import review
from netlists.record import load_record

FOLDER = Path(__file__).parents[1] / "references" / "review"
# what the documents indeed do not print: a discharge resistor, a varistor, anything that limits the inrush
LACKING = {"x_discharge", "missing_varistor", "missing_inrush_limiter"}


@pytest.mark.parametrize(
    ("file", "rules"), [("flyback_60w.toml", LACKING), ("llc_240w.toml", set()), ("bucks_300w.toml", set())]
)
def test_a_published_supply(file: str, rules: set[str]) -> None:
    found = review(load_record(FOLDER / file)).remarks
    assert {one.rule for one in found} == rules, [one.says for one in found]
