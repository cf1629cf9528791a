"""Units as instruments write them, and names with a unit in them. Knows no file."""

from __future__ import annotations

import re

PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
# spelling -> SI unit and factor
UNITS: dict[str, tuple[str, float]] = {
    prefix + unit: (unit, factor)
    for unit, prefixes in (("V", "unµμm k"), ("A", "nuµμm k"), ("s", "pnuµμm "), ("Hz", " kMG"))
    for prefix, factor in PREFIXES.items()
    if (prefix or " ") in prefixes
}
UNITS |= {
    "sec": ("s", 1.0), "second": ("s", 1.0), "seconds": ("s", 1.0), "msec": ("s", 1e-3), "usec": ("s", 1e-6),
    "min": ("s", 60.0), "h": ("s", 3600.0), "Volt": ("V", 1.0), "Volts": ("V", 1.0), "volt": ("V", 1.0),
    "volts": ("V", 1.0), "Amp": ("A", 1.0), "Amps": ("A", 1.0), "ampere": ("A", 1.0), "Ampere": ("A", 1.0),
    "degC": ("degC", 1.0), "°C": ("degC", 1.0), "C": ("degC", 1.0),
    "S/s": ("Hz", 1.0), "kS/s": ("Hz", 1e3), "MS/s": ("Hz", 1e6), "GS/s": ("Hz", 1e9), "1/s": ("Hz", 1.0),
}  # fmt: skip
SHOWN = ("s", "ms", "us", "ns", "V", "mV", "kV", "A", "mA", "degC")

_BRACKETED = re.compile(r"(.*?)\s*[\[({]\s*([^\])}]*?)\s*[\])}]")
_SLASHED = re.compile(r"(.*\S)\s*/\s*(\S+)")


def split_name(text: str) -> tuple[str, str]:
    """Name and unit of a header's cell; the unit is empty where none is written.

    >>> split_name("Bus voltage [mV]"), split_name("t / us"), split_name("voltage")
    (('Bus voltage', 'mV'), ('t', 'us'), ('voltage', ''))
    """
    if match := _BRACKETED.fullmatch(text.strip()):
        return match[1], match[2]
    match = _SLASHED.fullmatch(text.strip())
    if match and match[2] in UNITS:
        return match[1], match[2]
    return text.strip(), ""


def bare_unit(text: str) -> str:
    """A cell that is nothing but a known unit, in brackets or not; empty for all else."""
    name, unit = split_name(text)
    found = name or unit
    return found if found in UNITS and not (name and unit) else ""
