"""What people write into the cells of a parts list: kinds of part, how a value is known, numbers of any decimal sign.

Words are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from netlists.errors import OptionError
from netlists.quantity import KNOWN, shown

CAPACITOR = "capacitor"  # a kind that is not told yet
# Word -> kind, asked in this order: the first that a cell holds
KIND_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("other", ("zener", "tvs", "suppressor", "controller", "driver", "optocoupler", "opto", "ic", "fan", "socket",
               "bjt", "led", "switch", "heatsink", "heat sink", "jack", "fuse holder", "jumper", "other")),
    ("common_mode_choke", ("common mode choke", "common mode", "cm choke", "cmc", "line filter choke")),
    ("thermistor", ("thermistor", "ntc", "inrush limiter", "heissleiter")),
    ("varistor", ("varistor", "mov", "vdr")),
    ("fuse", ("fuse", "sicherung", "fusible")),
    ("relay", ("relay", "relais")),
    ("bridge_rectifier", ("bridge rectifier", "rectifier bridge", "bridge", "gleichrichter")),
    ("diode", ("diode", "schottky", "rectifier")),
    ("mosfet", ("mosfet", "fet")),
    ("polymer_capacitor", ("polymer capacitor", "polymer", "solid capacitor")),
    ("electrolytic_capacitor", ("electrolytic capacitor", "electrolytic", "elko", "elco", "alu", "aluminium",
                                "aluminum", "e cap", "ecap", "electrolytique")),
    ("ceramic_capacitor", ("ceramic capacitor", "ceramic", "mlcc", "keramik", "x7r", "x5r", "c0g", "np0", "y5v")),
    ("film_capacitor", ("film capacitor", "film", "folie", "mkp", "mkt", "polypropylene", "polyester", "x cap", "y cap",
                        "safety capacitor", "x1", "x2", "y1", "y2")),
    ("shunt", ("shunt", "current sense")),
    ("choke", ("choke", "inductor", "inductance", "coil", "drossel", "spule")),
    ("transformer", ("transformer", "trafo", "transfo", "ubertrager")),
    ("winding", ("winding",)),
    ("connector", ("connector", "terminal", "stecker", "klemme")),
    ("conductor", ("conductor", "bus bar", "busbar", "cable", "track", "kabel")),
    ("resistor", ("resistor", "res", "widerstand", "resistance", "wirewound")),
    (CAPACITOR, ("capacitor", "cap", "kondensator", "condensateur", "condensador")),
)  # fmt: skip
# Letters of a designator -> kind; IEEE 315 has most of them (from memory), the others are common practice
LETTERS: dict[str, str] = {
    "R": "resistor", "C": CAPACITOR, "CX": "film_capacitor", "CY": "film_capacitor", "L": "choke", "D": "diode",
    "BD": "bridge_rectifier", "BR": "bridge_rectifier", "DB": "bridge_rectifier", "Q": "mosfet", "F": "fuse",
    "FU": "fuse", "RV": "varistor", "VR": "varistor", "MOV": "varistor", "VDR": "varistor", "RT": "thermistor",
    "NTC": "thermistor", "TH": "thermistor", "K": "relay", "RL": "relay", "RLY": "relay", "T": "transformer",
    "TR": "transformer", "TX": "transformer", "RS": "resistor", "U": "other", "IC": "other", "J": "other",
    "CN": "other", "P": "other", "X": "other", "S": "other", "SW": "other", "ZD": "other", "M": "other", "H": "other",
    "OC": "other", "Z": "other",
}  # fmt: skip
KNOWN_WORDS: dict[str, tuple[str, ...]] = {
    "measured": ("measured", "meas", "lcr", "bridge", "multimeter", "meter", "scope", "dmm", "gemessen", "mesure"),
    "marked": ("marked", "print", "printed", "read", "label", "code", "data sheet", "datasheet", "sleeve", "aufdruck",
               "abgelesen", "lu", "visual"),
    "inferred": ("inferred", "calculated", "computed", "derived", "berechnet"),
    "assumed": ("assumed", "guess", "guessed", "estimate", "estimated", "typical", "unknown", "geschatzt", "angenommen",
                "estime"),
}  # fmt: skip
NOTHING = frozenset({"-", "--", "–", "—", "?", "n/a", "na", "none", "n.a.", "nil", "tbd", "/"})
_RATING = re.compile(r"[0-9.,/]+ ?[kmuµ]?(?:V|W|A|VAC|VDC|Vac|Vdc|°C|C|J)(?:[ ,/;].*)?")
_VALUE = re.compile(r"[0-9.,]+ ?(?:[pnuµμmkKMG]?(?:F|H|Ω|\u2126|[oO]hms?|R)?|[pnuµμmkKMGR][0-9]+)(?:[ ,/;].*)?")
_GROUPS = re.compile(r"(?<![0-9])([0-9]{1,3})((?:[ \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}'’][0-9]{3})+)(?![0-9])")
_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)*|(?<![0-9])[.,][0-9]+")


def plain_words(text: str) -> str:
    """Words of a cell in small letters without accents, one blank between them."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^a-z0-9]+", " ", bare).split())


def kind_of(text: str) -> str:
    """The kind of part a cell names, ``capacitor`` where it names no kind of capacitor; empty where it names none.

    >>> kind_of("Elko 105C"), kind_of("film_capacitor"), kind_of("cap, MLCC"), kind_of("cap"), kind_of("0805")
    ('electrolytic_capacitor', 'film_capacitor', 'ceramic_capacitor', 'capacitor', '')
    """
    words = f" {plain_words(text)} "
    for kind, _ in KIND_WORDS:
        if words.strip() == kind.replace("_", " "):
            return kind
    return next((kind for kind, names in KIND_WORDS if any(f" {name} " in words for name in names)), "")


def kind_of_designator(designator: str) -> str:
    """The kind that a designator's letters stand for; empty where they are none of the usual."""
    letters = re.match(r"[A-Z]*", designator)
    return LETTERS.get(letters[0] if letters else "", "")


def known_of(text: str) -> str:
    """How a value is known, in a record's word; empty where the cell says none.

    >>> known_of("LCR bridge"), known_of("Marked"), known_of("??")
    ('measured', 'marked', '')
    """
    words = plain_words(text)
    if words in KNOWN:
        return words
    found = {known for known, names in KNOWN_WORDS.items() if any(f" {name} " in f" {words} " for name in names)}
    return found.pop() if len(found) == 1 else ""


def is_kind(cell: str) -> bool:
    """Whether a cell names a kind of part."""
    return len(cell) < 60 and kind_of(cell) != ""


def is_known_word(cell: str) -> bool:
    """Whether a cell says how a value is known."""
    return len(cell) < 60 and known_of(cell) != ""


def is_rating(cell: str) -> bool:
    """Whether a cell looks like a rated voltage, current, power or temperature."""
    return _RATING.fullmatch(cell) is not None


def is_value(cell: str) -> bool:
    """Whether a cell looks like a resistance, capacitance or inductance."""
    return _VALUE.fullmatch(cell) is not None and not cell.isdecimal()


def without_groups(text: str) -> str:
    """Blanks and apostrophes between groups of three digits left out: ``10 000`` is 10000."""
    return _GROUPS.sub(lambda match: match[1] + re.sub(r"[^0-9]", "", match[2]), text)


def decimal_sign(cells: Iterable[tuple[int, str]], delimiter: str, said: str | None) -> str:
    """The decimal sign of a list, point or comma, by all its numbers.

    Parameters
    ----------
    cells : line and text of every cell that holds a value;  said : what a person said, if anything

    Raises
    ------
    OptionError : the list has both, or nothing tells a comma from one between thousands
    """
    if said is not None:
        return said
    votes: dict[str, tuple[int, str]] = {}
    unclear: tuple[int, str] | None = None
    for line, cell in cells:
        for number in _NUMBER.findall(without_groups(cell)):
            sign = _decimal_in(number)
            if sign:
                votes.setdefault(sign, (line, cell))
            elif "," in number or (delimiter == ";" and "." in number):
                unclear = unclear or (line, cell)
    if len(votes) == 2:
        (line, cell), (other, text) = votes["."], votes[","]
        both = f"line {line} has {shown(cell)} and line {other} has {shown(text)}"
        raise OptionError(f"--decimal: {both}; write all with one decimal sign, or say point or comma")
    if unclear and not votes:
        either = f"line {unclear[0]}: {shown(unclear[1])} has thousands or decimals"
        raise OptionError(f"--decimal: {either}, which nothing in the list tells; say point or comma")
    return next(iter(votes), ".")


def _decimal_in(number: str) -> str:
    """The decimal sign a number must have; empty where it may have either."""
    signs = re.findall(r"[.,]", number)
    if not signs:
        return ""
    if len(set(signs)) == 2:
        return str(signs[-1])
    if len(signs) > 1:
        return "." if signs[0] == "," else ","
    whole, _, fraction = number.partition(signs[0])
    return signs[0] if len(fraction) != 3 or whole in ("", "0") else ""


def with_point(text: str, decimal: str) -> str:
    """A cell's numbers with a decimal point and nothing between thousands; text that is no such number stays.

    >>> with_point("1.250,5 uF", ","), with_point("1,250.5", "."), with_point("4,7k", ",")
    ('1250.5 uF', '1250.5', '4.7k')
    """

    def written(match: re.Match[str]) -> str:
        number = match[0]
        whole, _, fraction = number.rpartition(decimal) if decimal in number else (number, "", "")
        other = "," if decimal == "." else "."
        if (
            whole.count(decimal)
            or other in fraction
            or not re.fullmatch(rf"[0-9]{{0,3}}(?:\{other}[0-9]{{3}})*|[0-9]*", whole)
        ):
            return number
        return whole.replace(other, "") + (f".{fraction}" if fraction else "")

    return _NUMBER.sub(written, without_groups(text))
