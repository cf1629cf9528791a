"""The published 60 W flyback: predictions within what was agreed beforehand, and the table in README.md as computed."""

from __future__ import annotations

import re
from functools import cache

import pytest
from published import LEAKAGES, MEASURED, README, Published, predicted


@cache
def nominal(line: float) -> dict[str, float]:
    return predicted(line, LEAKAGES[1])


@pytest.mark.parametrize("one", MEASURED, ids=lambda one: f"{one.what} {one.line:g} V")
def test_prediction(one: Published) -> None:
    found = nominal(one.line)[one.metric]
    assert found == pytest.approx(one.value, rel=one.bound)
    row = re.search(rf"\| {one.what} \| {one.line:g} V \| \S+ \S+ \| (\S+) ", README.read_text(encoding="utf-8"))
    assert row is not None
    assert float(row[1]) == pytest.approx(found, rel=0.005)  # ngspice and numpy of another build may differ so far
