"""What people misread and mistype when they record a supply, and a seeded program that does it to a record.

Written before the rules of review and not after them: the list says what really goes wrong at the bench (our own
experience of the trade, no source), not what a rule could catch. Some of it lies within what is plausible, where no
rule can tell it from a right value; such slips stay in the list and count as missed.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from written_values import Board, Edit, Entry

Number = tuple[str, str]  # number and prefix, as written
Chance = random.Random


@dataclass(frozen=True)
class Slip:
    """One slip: which paths it is on, what was done, and the edits that do it."""

    kind: str
    paths: tuple[str, ...]
    said: str
    edits: tuple[Edit, ...]


READ = ("marked", "measured")
LOOKALIKE = {"0": "8", "1": "7", "2": "7", "3": "8", "4": "9", "5": "6", "6": "8", "7": "1", "8": "3", "9": "4"}
PREFIXES = ("p", "n", "u", "m", "", "k", "M")
CODED = ("ceramic_capacitor", "film_capacitor", "resistor")


# --- one value, written wrongly


def _swapped(entry: Entry, chance: Chance) -> Number | None:
    pairs = [i for i in range(len(entry.number) - 1) if entry.number[i : i + 2].isdigit()]
    pairs = [i for i in pairs if entry.number[i] != entry.number[i + 1]]
    if entry.known not in READ or not pairs:
        return None
    i, n = chance.choice(pairs), entry.number
    return _nonzero(n[:i] + n[i + 1] + n[i] + n[i + 2 :], entry.prefix)


def _misread(entry: Entry, chance: Chance) -> Number | None:
    if entry.known not in READ:
        return None
    n, i = entry.number, chance.choice([i for i, one in enumerate(entry.number) if one.isdigit()])
    return _nonzero(n[:i] + LOOKALIKE[n[i]] + n[i + 1 :], entry.prefix)


def _nonzero(number: str, prefix: str) -> Number | None:
    return (number, prefix) if float(number) > 0 else None


def _prefix_moved(by: int) -> Callable[[Entry, Chance], Number | None]:
    def moved(entry: Entry, _: Chance) -> Number | None:
        index = PREFIXES.index(entry.prefix) + by if entry.prefix in PREFIXES else -1
        if entry.unit not in ("F", "H", "ohm", "s", "Hz") or not 0 <= index < len(PREFIXES):
            return None
        return entry.number, PREFIXES[index]

    return moved


def _mega_for_milli(entry: Entry, _: Chance) -> Number | None:
    return (entry.number, "M") if entry.prefix == "m" else None


def _point_lost(entry: Entry, _: Chance) -> Number | None:
    if entry.known not in READ and not entry.path.startswith("stages."):
        return None
    return (entry.number.replace(".", "").lstrip("0"), entry.prefix) if "." in entry.number else None


def _zero_dropped(entry: Entry, _: Chance) -> Number | None:
    fits = entry.known in READ and re.fullmatch(r"[1-9]\d*0", entry.number)
    return (entry.number[:-1], entry.prefix) if fits else None


def _zero_added(entry: Entry, _: Chance) -> Number | None:
    return (f"{entry.number}0", entry.prefix) if entry.known in READ and "." not in entry.number else None


def _code(entry: Entry) -> tuple[str, int] | None:
    """Two digits and the count of zeros of a three-digit code, in pF or ohm."""
    if entry.kind not in CODED or entry.unit not in ("F", "ohm") or entry.field not in ("capacitance", "resistance"):
        return None
    mantissa, exponent = f"{entry.value / (1e-12 if entry.unit == 'F' else 1):.6e}".split("e")
    tens = float(mantissa) * 10
    zeros = int(exponent) - 1
    return (f"{round(tens)}", zeros) if abs(tens - round(tens)) < 1e-6 and 0 <= zeros <= 7 else None


def _code_literal(entry: Entry, _: Chance) -> Number | None:
    code = _code(entry)
    return None if code is None else (f"{code[0]}{code[1]}", "p" if entry.unit == "F" else "")


def _code_miscounted(entry: Entry, chance: Chance) -> Number | None:
    code = _code(entry)
    if code is None:
        return None
    zeros = code[1] + chance.choice((-1, 1))
    return (f"{int(code[0]) * 10.0**zeros:g}", "p" if entry.unit == "F" else "")


def _letter_misread(entry: Entry, chance: Chance) -> Number | None:
    if entry.kind not in CODED:
        return None
    others = {"F": {"p": "n", "n": "pu", "u": "n"}, "ohm": {"": "k", "k": ("", "M"), "M": "k"}}
    letters = others.get(entry.unit, {}).get(entry.prefix)
    return (entry.number, chance.choice(letters)) if letters else None


def _leads_included(entry: Entry, _: Chance) -> Number | None:
    fits = entry.unit == "ohm" and entry.value < 0.1 and entry.field.endswith("resistance")
    return (f"{entry.value + 0.2:.4g}", "") if fits else None


def _hot_for_cold(entry: Entry, _: Chance) -> Number | None:
    factor = {"resistance_25": 0.08, "cold_resistance": 2.5}.get(entry.field)
    return None if factor is None else (f"{entry.value * factor:.4g}", "")


def _peak_for_rms(entry: Entry, _: Chance) -> Number | None:
    fields = ("voltage_low", "voltage_high", "ripple_current_rating", "line_voltage")
    at_line = entry.kind in ("film_capacitor", "varistor") and entry.field == "voltage_rating"
    of_band = entry.field == "current" and "input_bands" in entry.path
    return (f"{entry.value * math.sqrt(2):.3g}", "") if entry.field in fields or at_line or of_band else None


def _rms_for_peak(entry: Entry, _: Chance) -> Number | None:
    fields = ("bus_setpoint", "input_voltage", "holdup_end_voltage", "saturation_current")
    return (f"{entry.value / math.sqrt(2):.3g}", "") if entry.field in fields else None


def _temperature(entry: Entry, _: Chance) -> Number | None:
    return ("85", "") if entry.field == "temperature_rating" and entry.number == "105" else None


def _frequency(factor: float) -> Callable[[Entry, Chance], Number | None]:
    def changed(entry: Entry, _: Chance) -> Number | None:
        is_switching = entry.unit == "Hz" and entry.path.startswith("stages.") and entry.field != "loss_frequency"
        return (f"{float(entry.number) * factor:g}", entry.prefix) if is_switching else None

    return changed


def _fahrenheit(entry: Entry, _: Chance) -> Number | None:
    return (f"{entry.value * 1.8 + 32:.3g}", "") if entry.unit == "degC" else None


def _loss_for_efficiency(entry: Entry, _: Chance) -> Number | None:
    return (f"{100 - float(entry.number):.3g}", "") if entry.field == "converter_efficiency" else None


def _date_code(entry: Entry, chance: Chance) -> Number | None:
    fits = entry.field in ("capacitance", "resistance") and entry.known == "marked"
    return (f"{chance.randint(18, 25)}{chance.randint(1, 52):02d}", entry.prefix) if fits else None


def _whole_winding(entry: Entry, chance: Chance) -> Number | None:
    if entry.field not in ("primary_turns", "secondary_turns"):
        return None
    return f"{float(entry.number) * chance.choice((2, 0.5)):g}", ""


def _bank_for_can(board: Board, entry: Entry) -> float | None:
    pieces = _table(board, entry).get("parallel", 1)
    return pieces if entry.field == "capacitance" and pieces > 1 else None


def _esr_of_bank(board: Board, entry: Entry) -> float | None:
    pieces = _table(board, entry).get("parallel", 1)
    return 1 / pieces if entry.field in ("esr", "on_resistance") and pieces > 1 else None


def _string_for_one(board: Board, entry: Entry) -> float | None:
    pieces = _table(board, entry).get("series", 1)
    return pieces if entry.field == "resistance" and pieces > 1 else None


def _table(board: Board, entry: Entry) -> dict[str, Any]:
    words = entry.path.split(".")
    return board.raw["stages"][words[1]]["parts"][words[3]] if "parts" in words else {}


ON_A_VALUE: dict[str, tuple[str, Callable[[Entry, Chance], Number | None]]] = {
    "digit_swapped": ("470 written as 740", _swapped),
    "digit_misread": ("worn print: 3 read as 8, 1 as 7", _misread),
    "prefix_up": ("mF for uF, k for nothing", _prefix_moved(1)),
    "prefix_down": ("nF for uF, uH for mH", _prefix_moved(-1)),
    "mega_for_milli": ("M for m", _mega_for_milli),
    "point_lost": ("4.7 written as 47", _point_lost),
    "zero_dropped": ("330 written as 33", _zero_dropped),
    "zero_added": ("33 written as 330", _zero_added),
    "code_read_literally": ("334 taken for 334 pF, 105 for 105 ohm", _code_literal),
    "code_zeros_miscounted": ("473 taken for 4.7 nF", _code_miscounted),
    "letter_misread": ("4R7 as 4K7, 2n2 as 2u2 or 2p2", _letter_misread),
    "leads_included": ("milliohms measured without zeroing the leads", _leads_included),
    "hot_for_cold": ("thermistor or fuse measured warm", _hot_for_cold),
    "peak_for_rms": ("the crest where an RMS value belongs", _peak_for_rms),
    "rms_for_peak": ("an RMS value where a direct or peak one belongs", _rms_for_peak),
    "temperature_85_for_105": ("sleeve of another series", _temperature),
    "frequency_doubled": ("two gates or two phases counted as one", _frequency(2)),
    "frequency_halved": ("every second pulse missed", _frequency(0.5)),
    "fahrenheit": ("degF for degC", _fahrenheit),
    "loss_for_efficiency": ("12 % loss written as efficiency", _loss_for_efficiency),
    "date_code_for_value": ("week code taken for the value", _date_code),
    "winding_halved_or_doubled": ("half a winding counted, or both halves", _whole_winding),
}
BY_A_COUNT: dict[str, tuple[str, Callable[[Board, Entry], float | None]]] = {
    "bank_for_can": ("capacitance of the bank given for each can", _bank_for_can),
    "esr_of_bank": ("resistance of the bank given for each piece", _esr_of_bank),
    "string_for_one": ("resistance of the string given for each piece", _string_for_one),
}
