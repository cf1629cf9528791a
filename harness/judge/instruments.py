"""What an unread value would be measured with, and how well: the record's own statement, or the bench's usual one."""

from __future__ import annotations

from dataclasses import dataclass

from netlists.quantity import Quantity
from netlists.record import SupplyRecord

DEVIATION = ".deviation"  # of an inferred value from its formula: measured as that value itself


@dataclass(frozen=True, slots=True)
class Instrument:
    """How a value is measured: ``share`` of the value and ``absolute`` in its unit are left on either side."""

    share: float
    absolute: float
    words: str


# Common practice on a bench, no source: what a careful reading with an ordinary instrument leaves. By the field's name
# where that says more than its unit.
BY_FIELD: dict[str, Instrument] = {
    "loss_angle": Instrument(0.05, 0.0, "an LCR bridge at 120 Hz"),
    "esr": Instrument(0.05, 0.0, "an LCR bridge, four wires"),
    "converter_efficiency": Instrument(0.01, 0.0, "a power meter on either side"),
    "b_value": Instrument(0.02, 0.0, "a multimeter at two temperatures"),
    "primary_turns": Instrument(0.0, 0.0, "counting"),
    "secondary_turns": Instrument(0.0, 0.0, "counting"),
    "forward_voltage": Instrument(0.02, 0.0, "a bench supply at the test current"),
    "slope_resistance": Instrument(0.1, 0.0, "a bench supply at two currents"),
    "on_resistance": Instrument(0.05, 0.0, "a bench supply, four wires"),
    "largest_duty": Instrument(0.01, 0.0, "an oscilloscope"),
    "output_capacitance": Instrument(0.1, 0.0, "an LCR bridge under bias"),
    "junction_capacitance": Instrument(0.1, 0.0, "an LCR bridge under bias"),
    "time_constant": Instrument(0.1, 0.0, "a thermocouple and a watch"),
    "switching_time": Instrument(0.1, 0.0, "an oscilloscope"),
    "resistance_25": Instrument(0.02, 0.0, "a multimeter"),
}
BY_PATH: dict[str, Instrument] = {  # the mains is live: no bridge and no ohmmeter goes there
    "line.resistance": Instrument(0.1, 0.0, "a loop impedance tester"),
    "line.inductance": Instrument(0.1, 0.0, "a loop impedance tester"),
}
BY_UNIT: dict[str, Instrument] = {
    "F": Instrument(0.05, 0.0, "an LCR bridge"),
    "H": Instrument(0.05, 0.0, "an LCR bridge"),
    "ohm": Instrument(0.05, 0.0, "a four-wire ohmmeter"),
    "V": Instrument(0.01, 0.0, "a multimeter"),
    "A": Instrument(0.02, 0.0, "a current probe"),
    "W": Instrument(0.02, 0.0, "a power meter"),
    "s": Instrument(0.05, 0.0, "an oscilloscope"),
    "Hz": Instrument(0.01, 0.0, "an oscilloscope"),
    "degC": Instrument(0.0, 2.0, "a thermocouple"),
    "K": Instrument(0.0, 2.0, "a thermocouple"),
    "W/K": Instrument(0.1, 0.0, "a heater and a thermocouple"),
    "K/W": Instrument(0.1, 0.0, "a heater and a thermocouple"),
}
UNKNOWN = Instrument(0.1, 0.0, "what is at hand")


def usual(path: str, unit: str) -> Instrument:
    """The bench's usual instrument for a value at a record path."""
    if path in BY_PATH:
        return BY_PATH[path]
    return BY_FIELD.get(path.removesuffix(DEVIATION).rsplit(".", 1)[1], BY_UNIT.get(unit, UNKNOWN))


def measured_range(record: SupplyRecord, path: str, value: float) -> tuple[float, float]:
    """What is left of an input's range once it was measured as a value: never wider than what is recorded already."""
    quantity = record.quantities[path]
    below, above = _deviations(record, path, value)
    low, high = max(quantity.low, value - below), min(quantity.high, value + above)
    return min(low, value), max(high, value)


def _deviations(record: SupplyRecord, path: str, value: float) -> tuple[float, float]:
    """How far below and above a reading the true value may lie, in the input's unit."""
    quantity, unit, read = _measured(record, path, value)
    if quantity.instrument is not None:
        below, above = (abs(end) * read for end in quantity.instrument)
        return below, above
    instrument = usual(path, unit)
    either = instrument.share * read + (0.0 if path.endswith(DEVIATION) else instrument.absolute)
    return either, either


def _measured(record: SupplyRecord, path: str, value: float) -> tuple[Quantity, str, float]:
    """Quantity that is read, its unit, and the size its relative deviations refer to."""
    quantity = record.quantities[path]
    if path.endswith(DEVIATION):  # an inferred value read to 5 % leaves 5 % of itself
        return quantity, record.quantities[path.removesuffix(DEVIATION)].unit, 1 + value
    return quantity, quantity.unit, abs(value)


def told(record: SupplyRecord, path: str) -> str:
    """How well and with what, as words: ``to 5 % with an LCR bridge``."""
    quantity = record.quantities[path]
    unit = _measured(record, path, quantity.nominal)[1]
    instrument = usual(path, unit)
    if quantity.instrument is not None:
        low, high = (abs(end) * 100 for end in quantity.instrument)
        return f"to {low:.3g} %" if low == high else f"to -{low:.3g}/+{high:.3g} %"
    if instrument.share == 0 and instrument.absolute == 0:
        return f"exactly by {instrument.words}"
    parts = [f"{instrument.share * 100:.3g} %"] if instrument.share else []
    parts += [f"{instrument.absolute:.3g} {unit}"] if instrument.absolute else []
    return f"to {' and '.join(parts)} with {instrument.words}"
