"""Input bands of the label, with the tolerance of the mains around them."""

from __future__ import annotations

from netlists.record import InputBand

MAINS_TOLERANCE = 0.10  # where the record states none; IEC 62368-1 B.2.3, from memory


def band_ends(band: InputBand) -> tuple[float, float]:
    """Lowest and highest line voltage of a band [V], mains tolerance included; a dc band has none of its own."""
    tolerance = MAINS_TOLERANCE if band.supply == "mains" else 0.0
    if band.voltage_tolerance is not None:
        tolerance = band.voltage_tolerance.nominal
    return band.voltage_low.nominal * (1 - tolerance), band.voltage_high.nominal * (1 + tolerance)
