"""Broken records made from the demonstration record, and what of the program a record file goes through first.

``front_half`` is used for the command line's tests too: what leaves it must be a ``BulkrailError`` or nothing.
"""

from __future__ import annotations

import copy
import itertools
import random
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

from netlists.decktext import deck_lines
from netlists.errors import BulkrailError
from netlists.instances import RectifierBulk
from netlists.point import Condition, Point
from netlists.record import load_record
from netlists.stages.rectifier_bulk import Scenario, bench, params_from, probes

DEMONSTRATION = Path(__file__).parents[2] / "netlists" / "records" / "lantern-65.toml"
LONGEST_FINDING = 400
# Every character str.splitlines breaks at, and NUL, escape, delete, byte order mark, right-to-left override.
SEPARATORS = ("\n", "\r", "\x0b", "\x0c", "\x1c", "\x1d", "\x1e", "\x85", "\u2028", "\u2029")
CONTROLS = (*SEPARATORS, "\x00", "\x1b", "\x7f", "\ufeff", "\u202e")

NASTY_TOKENS = (
    '"0"', '"-1"', '"-470u"', '"nan"', '"inf"', '"1e999"', '"1e-999"', "nan", "-inf", "1e308", "-0.0", "0", "-5",
    "1e3", "0x" + "f" * 300, "9" * 5000, "true", "1979-05-27", "1979-05-27T07:32:00Z", "07:32:00", "[]", "[1, 2]",
    '["a"]', "{}", '{ value = "1" }', '{ known = "inferred" }',
    '{ known = "inferred", formula = "turns_ratio", of = { a = "b" } }', '""', '" "', '"x"', '"4k7"', '"1M"', '"1 M"',
    '"4,7"', '"٣"', '"470u\\n.include x"', '"\\u2028*#shell"', '"\\u0000"', '"\\u001b[2J"', "'''\n'''", '"""\na\n"""',
    "[" * 40 + "]" * 40, "{ a = " * 30 + "1" + " }" * 30, '"' + "x" * 3000 + '"',
    '"stages.main_flyback.parts.T1.ratio"', '"mains_rectifier"', '"stages.mains_rectifier.parts.C1"', '"marked"',
    '"inferred"', '"-20/+50%"', '"200%"', '"5"', "1", "2", "1000", "1001", "a.b.c", "]", "[[", "=", "#", '"', "'",
    '"""', "\\", "€", "\ufeff", "stages", "kind", "value", "known", '"resistor"', '"bulk"', '"rectifier"', '"diode"',
    '["bridge", "half_wave"]', '"half_wave"', '"resistance"', "parallel = 7", "series = 3", 'load_resistance = "100"',
)  # fmt: skip

NASTY_VALUES: tuple[Any, ...] = (
    0, -1, 1, 2, 1.5, -0.0, float("nan"), float("inf"), -float("inf"), 1e308, 5e-324, 10**30, 1 << 20_000, True, False,
    date(1979, 5, 27), "", " ", "0", "-1", "nan", "inf", "1e999", "1e-999", "-470u", "4k7", "R47", "1M", "1m", "1 M",
    "4,7", "٣", "x" * 3000, "marked", "measured", "assumed", "inferred", "bulk", "rectifier", "fuse", "resistor",
    "diode", "mains_rectifier", "main_flyback", "inlet_filter", "lamp_output", "stages.mains_rectifier.parts.C1",
    "stages.inlet_filter.parts.F1", "stages.main_flyback.parts.T1.ratio", "half_wave", "resistance", "100", "5%",
    "200%", [], ["a"], [1], [[[[1]]]], {}, {"value": "1"}, {"value": 1, "known": "marked"},
    {"value": "1", "tolerance": "20%"},
    {"known": "inferred", "formula": "turns_ratio", "of": {"primary": "x", "secondary": "y"}},
    *(f"a{control}.include x" for control in CONTROLS),
)  # fmt: skip


def front_half(path: Path) -> None:
    """Loads a record and builds the deck of each stage that can be simulated, in every alternative of structure."""
    record = load_record(path)
    for name, stage in record.data.stages.items():
        if isinstance(stage, RectifierBulk):
            fields = stage.structure_names()
            for chosen in itertools.product(*(stage.choices(field) for field in fields)):
                structure = {f"stages.{name}.{field}": choice for field, choice in zip(fields, chosen, strict=True)}
                params, _ = params_from(record, name, Point(structure=structure))
                circuit = bench(params, Condition(230.0, 50.0, 65.0, 25.0), Scenario(0.1, 1e-5))
                deck_lines(circuit, "method=gear", [probe.vector for probe in probes(params)], 1e-5, 0.1)


def fault_of_error(error: BulkrailError) -> str:
    """What is wrong with an expected error's text; empty where it is fit for a person and a log."""
    for finding in str(error).split("\n"):
        if not finding.strip():
            return "empty finding"
        if not finding.isprintable():
            return f"not printable: {finding!r}"
        if len(finding) >= LONGEST_FINDING:
            return f"{len(finding)} characters: {finding}"
    return ""


def mutated_text(text: str, rng: random.Random) -> str:
    """One to four changes of lines and characters; often no TOML any more."""
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        lines = text.split("\n")
        at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
        match rng.randrange(7):
            case 0:
                del lines[at]
            case 1:
                lines.insert(other, lines[at])
            case 2:
                lines[at], lines[other] = lines[other], lines[at]
            case 3:
                lines[at] = _changed_character(lines[at], rng)
            case 4 if "=" in lines[at]:
                lines[at] = lines[at].split("=", 1)[0] + "= " + rng.choice(NASTY_TOKENS)
            case 5:
                words = lines[at].split(" ")
                words[rng.randrange(len(words))] = rng.choice(NASTY_TOKENS)
                lines[at] = " ".join(words)
            case _:
                lines.insert(
                    at, f"{rng.choice(('x', 'value', 'parallel', 'role', 'note', 'kind'))} = {rng.choice(NASTY_TOKENS)}"
                )
        text = "\n".join(lines)
    return text


def _changed_character(line: str, rng: random.Random) -> str:
    at = rng.randrange(len(line) + 1)
    new = rng.choice((*CONTROLS, *"0123456789\"'[]{}=.,#-_ abkMuµΩ%\\"))
    return line[:at] + rng.choice(("", new)) + line[at + rng.randrange(2) :]


def mutated_data(raw: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """One to three changes of the structure: values replaced, keys removed, renamed or copied elsewhere."""
    raw = copy.deepcopy(raw)
    for _ in range(rng.choice((1, 1, 2, 3))):
        tables = list(_tables(raw))
        table = rng.choice(tables)
        if not table:
            continue
        key = rng.choice(list(table))
        match rng.randrange(6):
            case 0:
                del table[key]
            case 1:
                table[rng.choice(("C1", "x", "kind", "known", "value", "a\n.b", "q" * 300, key + "_"))] = table.pop(key)
            case 2:
                rng.choice(tables)[key] = copy.deepcopy(table[key])
            case 3:
                other = rng.choice(tables)
                if other:
                    table[key] = copy.deepcopy(other[rng.choice(list(other))])
            case _:
                table[key] = rng.choice(NASTY_VALUES)
    return raw


def _tables(value: Any) -> Any:
    if isinstance(value, dict):
        yield value
        for item in value.values():
            yield from _tables(item)


def to_toml(table: dict[str, Any]) -> str:
    """TOML with a header a table, so that findings have lines; tomlkit writes the same in five times the time."""
    return "\n".join(_toml_lines(table, ()))


def _toml_lines(table: dict[str, Any], place: tuple[str, ...]) -> Any:
    for key, value in table.items():
        if not (isinstance(value, dict) and len(place) < 4):
            yield f"{_toml_text(key)} = {_toml_value(value)}"
    for key, value in table.items():
        if isinstance(value, dict) and len(place) < 4:
            yield f"[{'.'.join(_toml_text(part) for part in (*place, key))}]"
            yield from _toml_lines(value, (*place, key))


def _toml_value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml_text(key)} = {_toml_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml_value, value)) + "]"
    if isinstance(value, str):
        return _toml_text(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return hex(value) if value > 1 << 60 else str(value)
    return value.isoformat() if isinstance(value, date) else repr(value)


def _toml_text(text: str) -> str:
    return (
        '"'
        + "".join(c if c.isascii() and c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in text)
        + '"'
    )


def demonstration() -> tuple[str, dict[str, Any]]:
    """Text and parsed content of the demonstration record."""
    text = DEMONSTRATION.read_text(encoding="utf-8")
    return text, tomllib.loads(text)
