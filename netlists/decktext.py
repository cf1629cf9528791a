"""The only way text becomes a deck: our own printer of numbers and names, and a full-match check of every line.

ngspice executes commands hidden in decks, so nothing from a file reaches a deck but numbers this module printed and
names the program made (see DEVELOPERS.md, security). The check knows every form of line the stages write; a line of
any other form is refused, also where the form would be legal to ngspice.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from PySpice.Spice.Netlist import Circuit

from netlists.errors import DeckError
from netlists.quantity import shown

RESERVED_NAMES = frozenset({"time", "temper", "gnd", "ground", "hertz", "all", "error"})
LONGEST_LINE = 2000

_NAME = r"[a-z][a-z0-9_]{0,62}"
_NUMBER = r"[+-]?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]{1,3})?"
_NODE = rf"(?:0|{_NAME})"
_EXPRESSION = r"[a-z0-9_.,()+*/-]*[a-z0-9)]"
_POSITIVE = re.compile(rf"([rlc]){_NAME} {_NODE} {_NODE} ({_NUMBER})(?: ic={_NUMBER})?")
_ELEMENTS = tuple(
    re.compile(pattern)
    for pattern in (
        rf"v{_NAME} {_NODE} {_NODE} {_NUMBER}",
        rf"v{_NAME} {_NODE} {_NODE} pwl\((?:{_NUMBER} {_NUMBER} ?)+\)",
        rf"v{_NAME} {_NODE} {_NODE} pulse\({_NUMBER}(?: {_NUMBER}){{6}}\)",
        rf"b{_NAME} {_NODE} {_NODE} [iv]={_EXPRESSION}",
        rf"d{_NAME} {_NODE} {_NODE} {_NAME}(?: m={_NUMBER})?",
        rf"s{_NAME} {_NODE} {_NODE} {_NODE} {_NODE} {_NAME}",
        rf"e{_NAME} {_NODE} {_NODE} {_NODE} {_NODE} {_NUMBER}",
        rf"f{_NAME} {_NODE} {_NODE} v{_NAME} {_NUMBER}",
        rf"x{_NAME}(?: {_NODE})+ {_NAME}",
    )
)
_DOT_LINES = tuple(
    re.compile(pattern)
    for pattern in (
        rf"\.subckt {_NAME}(?: {_NODE})+",
        rf"\.ends {_NAME}",
        r"\.save(?: [a-z][a-z0-9_.#]*)+",
        rf"\.tran {_NUMBER} {_NUMBER} 0 {_NUMBER} uic",
    )
)
_MODEL = re.compile(rf"\.model {_NAME} ([a-z]+) \(((?:[a-z]+={_NUMBER} ?)+)\)")
_OPTIONS = re.compile(rf"\.options((?: [a-z0-9]+=(?:{_NUMBER}|gear|trap))+)")
_LONG_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]*)?e\+?[0-9]{3}|[0-9]{300,}")
MODEL_KEYS = {"d": {"is", "n", "rs", "cjo", "vj", "m", "bv"}, "sw": {"vt", "vh", "ron", "roff"}}
OPTION_KEYS = {"method", "maxord", "reltol", "abstol", "vntol", "chgtol", "trtol", "itl4"}
FUNCTIONS = {"v", "i", "min", "max", "exp", "sin", "abs"}


def number(value: float, low: float = -1e12, high: float = 1e12) -> str:
    """A float as deck text, to full precision.

    Raises
    ------
    DeckError : not finite or outside [low, high]
    """
    try:
        value = float(value)
    except (OverflowError, TypeError, ValueError):
        raise DeckError(f"number for a deck must lie in [{low:g}, {high:g}], found {shown(value)}") from None
    if not (math.isfinite(value) and low <= value <= high):
        raise DeckError(f"number for a deck must lie in [{low:g}, {high:g}], found {value}")
    return repr(value)  # the shortest text that reads back as the same float


def positive(value: float) -> str:
    """A strictly positive float as deck text: resistances, inductances, capacitances."""
    return number(value, 1e-18, 1e12)


def name(text: str) -> str:
    """A node, device or model name; DeckError unless it is one the program could have made."""
    if not re.fullmatch(_NAME, text) or text in RESERVED_NAMES:
        raise DeckError(f"name for a deck must match {_NAME} and not be reserved, found {shown(text)}")
    return text


def node(text: str) -> str:
    """A node: ground, written 0, or a name."""
    return text if text == "0" else name(text)


def deck_lines(circuit: Circuit, options: str, saved: Sequence[str], step: float, stop: float) -> tuple[str, ...]:
    """The checked lines of a deck, without title and ``.end``, for a transient from given initial conditions.

    Parameters
    ----------
    circuit : whose every value is a string of this module's printer
    options : text of an option set, such as ``method=gear reltol=0.001``
    saved : vectors to keep, such as ``bulk`` or ``v.xstage.vsense#branch``
    step : largest time step [s];  stop : end time [s]
    """
    body = [line.strip().lower() for line in str(circuit).splitlines() if line.strip()]
    lines = [
        *body[1:],  # PySpice's title line goes; the run's own title is put in at load
        f".options {options}",
        f".save {' '.join(saved)}",
        f".{transient(step, stop)}",
    ]
    check_lines(lines)
    return tuple(lines)


def transient(step: float, stop: float) -> str:
    """A transient analysis from given initial conditions, as a command; with a dot before it, a line of a deck.

    Parameters
    ----------
    step : largest time step [s];  stop : end time [s]
    """
    return f"tran {positive(step)} {positive(stop)} 0 {positive(step)} uic"


def check_lines(lines: Sequence[str]) -> None:
    """Raises DeckError for the first line that has none of the known forms."""
    analyses = 0
    for line in lines:
        analyses += line.startswith(".tran")
        fault = _fault(line) or ("second analysis; the last one wins in silence" if analyses > 1 else "")
        if fault:
            raise DeckError(f"deck line {shown(line)}: {fault}")


def _fault(line: str) -> str:
    if len(line) > LONGEST_LINE:
        return f"longer than {LONGEST_LINE} characters"
    if RESERVED_NAMES.intersection(line.split(" ")):
        return f"reserved name, one of {', '.join(sorted(RESERVED_NAMES))}"
    if any(math.isinf(float(text)) for text in _LONG_NUMBER.findall(line)):
        return "number beyond the floats"
    if line.startswith("."):
        return _dot_fault(line)
    if match := _POSITIVE.fullmatch(line):
        return "" if float(match.group(2)) > 0 else "must be > 0"
    if not any(pattern.fullmatch(line) for pattern in _ELEMENTS):
        return "no known form of element"
    if line.startswith("b"):
        called = set(re.findall(r"([a-z][a-z0-9_]*)\(", line.split("=", 1)[1]))
        unknown = called - FUNCTIONS
        return f"unknown function {min(unknown)}" if unknown else ""
    return ""


def _dot_fault(line: str) -> str:
    if match := _MODEL.fullmatch(line):
        kind, keys = match.group(1), set(re.findall(r"([a-z]+)=", match.group(2)))
        if kind not in MODEL_KEYS:
            return f"unknown model type {kind}"
        unknown = keys - MODEL_KEYS[kind]
        return f"unknown model parameter {min(unknown)}" if unknown else ""
    if match := _OPTIONS.fullmatch(line):
        unknown = set(re.findall(r"([a-z0-9]+)=", match.group(1))) - OPTION_KEYS
        return f"unknown option {min(unknown)}" if unknown else ""
    return "" if any(pattern.fullmatch(line) for pattern in _DOT_LINES) else "no known form of dot command"
