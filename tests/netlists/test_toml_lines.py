"""Line numbers of keys: without them a finding would name a field and leave the search to the reader."""

from __future__ import annotations

import random
import tomllib
from typing import Any

import pytest
from record_mutations import demonstration, mutated_text

from netlists.toml_lines import find_lines, line_of

TEXT, RAW = demonstration()


def leaves(value: Any, place: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    if isinstance(value, dict):
        return [leaf for key, item in value.items() for leaf in leaves(item, (*place, key))]
    if isinstance(value, list):
        return [leaf for index, item in enumerate(value) for leaf in leaves(item, (*place, str(index)))]
    return [place]


@pytest.mark.parametrize("place", leaves(RAW), ids=".".join)
def test_the_line_of_every_leaf_of_the_demonstration_record_holds_its_key(place: tuple[str, ...]) -> None:
    key = [part for part in place if not part.isdigit()][-1]
    assert key in TEXT.split("\n")[find_lines(TEXT)[place] - 1]


HARD = '''# [x] = 1
a."b = [c]".'d' = 1 # = [z]
"q\\u0041" = "v = [1]"
m = """
[not.a.table]
x = 1
\\"""
""""
k = \'\'\'
y = 2 \'\'\'
arr = [ # ] c
  "a]", # [b]
  { x = 1, y = { z = "}" } },
  [1,
   2],
]
[ t . "u.v" ] # ]
w = 1979-05-27T07:32:00Z
[[ar]]
n = 1
[ar.sub]
o = 1
[[ ar ]]
n = 2
[[ar.deep]]
p = "="
'''


@pytest.mark.parametrize(
    ("place", "line"),
    [
        (("a",), 2),
        (("a", "b = [c]"), 2),
        (("a", "b = [c]", "d"), 2),
        (("qA",), 3),
        (("m",), 4),
        (("k",), 9),
        (("arr",), 11),
        (("arr", "0"), 12),
        (("arr", "1", "y", "z"), 13),
        (("arr", "2"), 14),
        (("arr", "2", "1"), 15),
        (("t", "u.v"), 17),
        (("t", "u.v", "w"), 18),
        (("ar",), 19),
        (("ar", "0"), 19),
        (("ar", "0", "n"), 20),
        (("ar", "0", "sub", "o"), 22),
        (("ar", "1"), 23),
        (("ar", "1", "n"), 24),
        (("ar", "1", "deep", "0", "p"), 26),
    ],
)
def test_hard_forms(place: tuple[str, ...], line: int) -> None:
    tomllib.loads(HARD)  # or the test would ask for lines of what is no TOML
    assert find_lines(HARD)[place] == line


def test_nothing_inside_texts_and_comments_is_taken_for_a_key() -> None:
    lines = find_lines(HARD)
    assert ("not", "a", "table") not in lines
    assert not {place[0] for place in lines} - {"a", "qA", "m", "k", "arr", "t", "ar"}


def test_line_of_falls_back_to_the_nearest_ancestor() -> None:
    lines = find_lines("x = 1\n[a]\nb = 1\n")
    assert line_of(lines, ("a", "b", "c", "d")) == 3
    assert line_of(lines, ("a", "z")) == 2
    assert line_of(lines, ("nowhere",)) == 0
    assert line_of(lines, ()) == 0


def test_every_leaf_of_a_changed_record_has_its_line() -> None:
    """Over random changes that leave TOML: each leaf is listed, and its line holds its key."""
    rng, checked = random.Random(5), 0
    for _ in range(300):
        text = mutated_text(TEXT, rng)
        try:
            raw = tomllib.loads(text)
        except ValueError:
            find_lines(text)  # no TOML: only that it ends, without an error
            continue
        lines, rows = find_lines(text), text.split("\n")
        for place in leaves(raw):
            if place in lines and place[-1].isprintable() and not place[-1].isdigit():
                checked += 1
                assert place[-1] in rows[lines[place] - 1], place
            else:
                assert place in lines, place
    assert checked > 20_000


@pytest.mark.parametrize(
    "text", ["a", "a =", "a = [", "a = {b", '"', "[", "[[a", "= 1", "a = ]", '"""', "a = 'x\n", "[" * 9999]
)
def test_what_is_no_toml_gives_the_lines_up_to_its_fault(text: str) -> None:
    assert find_lines("first = 1\n" + text)[("first",)] == 1
