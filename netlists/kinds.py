"""The kinds of part a record may hold, and what can be read off each. Every value may be missing: not read yet."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from netlists.fields import MarkedCapacitor, Part, quantity
from netlists.quantity import Quantity


class Resistor(Part):
    kind: Literal["resistor"]
    resistance: Quantity | None = quantity("ohm", "one piece", gt=0)
    power_rating: Quantity | None = quantity("W", "one piece, at 70 degC", gt=0)


class Shunt(Part):
    kind: Literal["shunt"]
    resistance: Quantity | None = quantity("ohm", "one piece", gt=0)
    power_rating: Quantity | None = quantity("W", "one piece", gt=0)


class Conductor(Part):
    """Copper of a board, a bus bar, or a cable, whose values are then of both conductors together."""

    kind: Literal["conductor"]
    resistance: Quantity | None = quantity("ohm", "one piece, at the temperature it works at", gt=0)
    inductance: Quantity | None = quantity("H", "one piece", gt=0)


class Connector(Part):
    """``parallel`` contacts carry the current there, as many carry it back."""

    kind: Literal["connector"]
    contact_resistance: Quantity | None = quantity("ohm", "one mated contact", gt=0)
    current_rating: Quantity | None = quantity("A", "one contact, RMS, all of them loaded", gt=0)


class Thermistor(Part):
    kind: Literal["thermistor"]
    resistance_25: Quantity | None = quantity("ohm", "zero-power resistance at 25 degC", gt=0)
    b_value: Quantity | None = quantity("K", "B-value", gt=0, le=10_000)
    dissipation_constant: Quantity | None = quantity("W/K", "in still air", gt=0)
    time_constant: Quantity | None = quantity("s", "thermal, in still air", gt=0)
    current_rating: Quantity | None = quantity("A", "largest steady RMS current", gt=0)
    energy_rating: Quantity | None = quantity("J", "largest energy of one inrush", gt=0)


class Varistor(Part):
    kind: Literal["varistor"]
    voltage_rating: Quantity | None = quantity("V", "largest continuous RMS voltage", gt=0)
    voltage_at_1ma: Quantity | None = quantity("V", "varistor voltage at 1 mA", gt=0)
    energy_rating: Quantity | None = quantity("J", "one pulse", gt=0)


class Fuse(Part):
    kind: Literal["fuse"]
    current_rating: Quantity | None = quantity("A", "rated current", gt=0)
    voltage_rating: Quantity | None = quantity("V", "rated RMS voltage", gt=0)
    cold_resistance: Quantity | None = quantity("ohm", "", gt=0)
    melting_i2t: Quantity | None = quantity("A2s", "pre-arcing, short pulses", gt=0)


class Relay(Part):
    kind: Literal["relay"]
    contact_resistance: Quantity | None = quantity("ohm", "closed contact", gt=0)
    closing_delay: Quantity | None = quantity("s", "from the line's return to the contact closing", gt=0)
    current_rating: Quantity | None = quantity("A", "contact, continuous RMS", gt=0)
    making_current_rating: Quantity | None = quantity("A", "contact, peak at closing", gt=0)


class BridgeRectifier(Part):
    """Four diodes in one package; forward values are of one diode, current ratings of the package."""

    kind: Literal["bridge_rectifier"]
    forward_voltage: Quantity | None = quantity("V", "one diode, at the test current", gt=0, lt=10)
    forward_test_current: Quantity | None = quantity("A", "current the forward voltage is stated at", gt=0)
    slope_resistance: Quantity | None = quantity("ohm", "ohmic part of one diode's slope", gt=0)
    reverse_voltage_rating: Quantity | None = quantity("V", "repetitive peak, one diode", gt=0)
    average_current_rating: Quantity | None = quantity("A", "direct current out of the package", gt=0)
    surge_current_rating: Quantity | None = quantity("A", "non-repetitive peak, one half sine", gt=0)
    i2t_rating: Quantity | None = quantity("A2s", "one half sine", gt=0)


class Diode(Part):
    kind: Literal["diode"]
    forward_voltage: Quantity | None = quantity("V", "at the test current", gt=0, lt=10)
    forward_test_current: Quantity | None = quantity("A", "current the forward voltage is stated at", gt=0)
    slope_resistance: Quantity | None = quantity("ohm", "ohmic part of the slope", gt=0)
    reverse_voltage_rating: Quantity | None = quantity("V", "repetitive peak", gt=0)
    average_current_rating: Quantity | None = quantity("A", "average forward current", gt=0)
    surge_current_rating: Quantity | None = quantity("A", "non-repetitive peak, one half sine", gt=0)
    i2t_rating: Quantity | None = quantity("A2s", "one half sine", gt=0)
    junction_capacitance: Quantity | None = quantity("F", "one piece, charge equivalent at the blocked voltage", gt=0)


class Mosfet(Part):
    kind: Literal["mosfet"]
    on_resistance: Quantity | None = quantity("ohm", "one piece at 25 degC", gt=0)
    drain_source_rating: Quantity | None = quantity("V", "", gt=0)
    drain_current_rating: Quantity | None = quantity("A", "continuous", gt=0)
    output_capacitance: Quantity | None = quantity("F", "one piece, charge equivalent at the blocked voltage", gt=0)
    body_diode_voltage: Quantity | None = quantity("V", "source to drain at 10 A", gt=0, lt=10)


class ElectrolyticCapacitor(MarkedCapacitor):
    kind: Literal["electrolytic_capacitor"]
    capacitance: Quantity | None = quantity("F", "one can, as marked", gt=0)
    esr: Quantity | None = quantity("ohm", "one can at 120 Hz; never marked", gt=0)
    loss_angle: Quantity | None = quantity("1", "tan delta at the loss frequency", gt=0, lt=10)
    loss_frequency: Quantity | None = quantity("Hz", "frequency of the loss angle, 120 Hz as a rule", gt=0)
    voltage_rating: Quantity | None = quantity("V", "", gt=0)
    temperature_rating: Quantity | None = quantity("degC", "", gt=0)
    esl: Quantity | None = quantity("H", "one can", gt=0)
    ripple_current_rating: Quantity | None = quantity("A", "one can, RMS at 120 Hz and rated temperature", gt=0)


class PolymerCapacitor(MarkedCapacitor):
    kind: Literal["polymer_capacitor"]
    capacitance: Quantity | None = quantity("F", "one can, as marked", gt=0)
    esr: Quantity | None = quantity("ohm", "one can at 100 kHz", gt=0)
    voltage_rating: Quantity | None = quantity("V", "", gt=0)
    temperature_rating: Quantity | None = quantity("degC", "", gt=0)
    esl: Quantity | None = quantity("H", "one can", gt=0)
    ripple_current_rating: Quantity | None = quantity("A", "one can, RMS at 100 kHz", gt=0)


class CeramicCapacitor(MarkedCapacitor):
    kind: Literal["ceramic_capacitor"]
    capacitance: Quantity | None = quantity("F", "one piece, at the voltage it works at", gt=0)
    esr: Quantity | None = quantity("ohm", "one piece at the switching frequency", gt=0)
    esl: Quantity | None = quantity("H", "one piece", gt=0)
    voltage_rating: Quantity | None = quantity("V", "", gt=0)
    temperature_rating: Quantity | None = quantity("degC", "", gt=0)
    ripple_current_rating: Quantity | None = quantity("A", "one piece, RMS at the switching frequency", gt=0)


class FilmCapacitor(MarkedCapacitor):
    """Film and suppression capacitors; ``safety_class`` is X1, X2, Y1 or Y2 where printed (IEC 60384-14)."""

    kind: Literal["film_capacitor"]
    safety_class: Literal["", "X1", "X2", "Y1", "Y2"] = ""
    capacitance: Quantity | None = quantity("F", "one piece", gt=0)
    esr: Quantity | None = quantity("ohm", "one piece at the switching frequency", gt=0)
    esl: Quantity | None = quantity("H", "one piece", gt=0)
    voltage_rating: Quantity | None = quantity("V", "", gt=0)
    temperature_rating: Quantity | None = quantity("degC", "", gt=0)
    ripple_current_rating: Quantity | None = quantity("A", "one piece, RMS at the switching frequency", gt=0)


class Choke(Part):
    kind: Literal["choke"]
    inductance: Quantity | None = quantity("H", "one piece, at no current", gt=0)
    winding_resistance: Quantity | None = quantity("ohm", "", gt=0)
    saturation_current: Quantity | None = quantity("A", "where the inductance starts to fall", gt=0)
    saturated_inductance: Quantity | None = quantity("H", "what is left of it far beyond saturation", gt=0)
    current_rating: Quantity | None = quantity("A", "RMS, by its heating", gt=0)


class CommonModeChoke(Part):
    kind: Literal["common_mode_choke"]
    inductance: Quantity | None = quantity("H", "one winding", gt=0)
    leakage_inductance: Quantity | None = quantity("H", "both windings in series, opposed", gt=0)
    winding_resistance: Quantity | None = quantity("ohm", "one winding", gt=0)
    current_rating: Quantity | None = quantity("A", "RMS", gt=0)


class Transformer(Part):
    """Its secondary is the first, or one half of it where it is tapped; further ones are parts of kind ``winding``."""

    kind: Literal["transformer"]
    primary_inductance: Quantity | None = quantity("H", "of the primary, secondaries open", gt=0)
    leakage_inductance: Quantity | None = quantity("H", "of the primary, secondaries shorted", gt=0)
    primary_turns: Quantity | None = quantity("1", "", gt=0)
    secondary_turns: Quantity | None = quantity("1", "of one half where it is tapped", gt=0)
    ratio: Quantity | None = quantity("1", "primary over secondary turns", gt=0)
    primary_resistance: Quantity | None = quantity("ohm", "at the switching frequency", gt=0)
    secondary_resistance: Quantity | None = quantity("ohm", "at the switching frequency; of one half", gt=0)
    saturation_current: Quantity | None = quantity("A", "magnetising current where the core saturates", gt=0)


class Winding(Part):
    """A further secondary of a transformer recorded apart, such as that of a second output."""

    kind: Literal["winding"]
    ratio: Quantity | None = quantity("1", "primary turns over turns of this winding", gt=0)
    turns: Quantity | None = quantity("1", "", gt=0)
    resistance: Quantity | None = quantity("ohm", "at the switching frequency", gt=0)


class Other(Part):
    """Recorded and published as 'no model': fans, drivers, controllers, sockets, optocouplers are normal findings."""

    kind: Literal["other"]
    marking: str = ""


AnyPart = Annotated[
    Resistor | Shunt | Thermistor | Varistor | Fuse | Relay | BridgeRectifier | Diode | Mosfet | ElectrolyticCapacitor
    | PolymerCapacitor | CeramicCapacitor | FilmCapacitor | Choke | CommonModeChoke | Transformer
    | Winding | Conductor | Connector | Other,
    Field(discriminator="kind"),
]  # fmt: skip
