"""Values rewritten in a TOML text: what is said, and that nothing else moves."""

from __future__ import annotations

import tomllib

import pytest
from demonstration import DRUM, KILN, LANTERN

from netlists.toml_rewrite import RewriteError, Rewriter, toml_value

HAND_MADE = """\
# above all
title = 'single quotes'   # behind it

[stages.a]   # a header with a word behind it
  kind   =   "other"
parts.R1 = { kind = "resistor", resistance = "4R7" , history = [] }
parts.R2.kind = "resistor"
parts.R2.resistance = { value = "1k",
   low = "900",  # a table of several lines is not TOML 1.0
   high = "1100" }

# of the next table
[stages.b]
kind = "other"
"""
HAND_MADE = HAND_MADE.replace(
    '{ value = "1k",\n   low = "900",  # a table of several lines is not TOML 1.0\n   high = "1100" }',
    '{value="1k",  low = "900",high = "1100"} # spaced by hand',
)


@pytest.mark.parametrize("file", [LANTERN, KILN, DRUM], ids=lambda file: file.stem)
def test_nothing_asked_changes_nothing(file: object) -> None:
    text = file.read_text(encoding="utf-8")  # type: ignore[attr-defined]
    assert Rewriter(text).text() == text


@pytest.mark.parametrize("newline", ["\n", "\r\n"], ids=["lf", "crlf"])
def test_values_are_replaced_and_added_where_they_belong(newline: str) -> None:
    text = Rewriter(HAND_MADE.replace("\n", newline))
    text.put(("title",), "double")
    text.put(("stages", "a", "parts", "R1", "resistance"), "5R6")
    text.put(("stages", "a", "parts", "R1", "note"), 'says "so"')
    text.put(("stages", "a", "parts", "R2", "resistance", "low"), "950")
    text.put(("stages", "a", "parts", "R2", "power_rating"), "1")
    text.put(("stages", "a", "note"), "n")
    found = text.text()
    assert found == (
        HAND_MADE.replace("'single quotes'", '"double"')
        .replace('"4R7" , history = []', '"5R6" , history = [], note = "says \\"so\\""')
        .replace('low = "900"', 'low = "950"')
        .replace('# spaced by hand\n', '# spaced by hand\nparts.R2.power_rating = "1"\n')
        .replace('kind   =   "other"\n', 'kind   =   "other"\n  note = "n"\n')
    ).replace("\n", newline)  # fmt: skip


def test_tables_and_items_stand_before_the_comment_of_the_next_table() -> None:
    text = Rewriter(HAND_MADE)
    text.table(("stages", "a", "parts", "R3"), {"kind": "resistor"})
    text.item(("stages", "a", "parts", "R1", "history"), {"why": "one line"})
    text.item(("stages", "a", "history"), {"why": "a header"})
    text.item(("stages", "a", "history"), {"why": "another"})
    found = text.text()
    assert 'history = [{ why = "one line" }]' in found
    above, below = found.split("# of the next table\n")
    assert below == '[stages.b]\nkind = "other"\n'
    assert above.endswith(
        '# spaced by hand\n\n[[stages.a.history]]\nwhy = "a header"\n\n[[stages.a.history]]\nwhy = "another"\n'
        '\n[stages.a.parts.R3]\nkind = "resistor"\n\n'
    )


def test_a_text_without_an_end_of_line_gets_one() -> None:
    text = Rewriter('a = 1\n[b]\nc = "x"')
    text.put(("b", "d"), "y")
    assert text.text() == 'a = 1\n[b]\nc = "x"\nd = "y"\n'


def test_one_key_is_split_or_dropped() -> None:
    text = Rewriter('[a]\n  m = "x" # of m\n  n = 1\n')
    text.split(("a", "m"), {"p": "1", "q": {"value": "2"}})
    text.drop(("a", "n"))
    assert text.text() == '[a]\n  p = "1"\n  q = { value = "2" } # of m\n'


def test_what_the_text_does_not_allow_is_refused() -> None:
    text = Rewriter('a = { b = "1" }\n')
    text.table(("a", "c"), {"d": "1"})  # a table of one line takes no header
    with pytest.raises(RewriteError, match="by hand"):
        text.text()
    text = Rewriter("[a.b]\nc = 1\n")
    with pytest.raises(RewriteError, match="header of its own"):
        text.put(("a", "b"), "x")
    text = Rewriter('a = { b = "1" }\n')
    with pytest.raises(RewriteError, match="out of its line"):
        text.drop(("a", "b"))


@pytest.mark.parametrize("value", ['a "b" \\ c\n\t\u00e9', -1.5e-9, 7, True, ["a", {"b": "c"}], {"odd key": "x"}])
def test_values_read_back(value: object) -> None:
    assert tomllib.loads(f"v = {toml_value(value)}")["v"] == value
