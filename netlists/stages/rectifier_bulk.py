"""Line, thermistor and relay, rectifier, bulk capacitors.

Nodes of the subcircuit (ports in capitals)::

    LINE - fuse and line choke - behind_filter - thermistor (relay beside it) - rectifier_in
    rectifier_in, NEUTRAL - bridge of four diodes, or one diode (half_wave) - POSITIVE
    POSITIVE - one branch a bulk part: sense, ESR, capacitance - 0 (the negative side of the bulk is ground)

Left out: X and Y capacitors and the common-mode path (their spike is no inrush), reverse recovery, heating of the
diodes, saturation of the line choke, leakage of the capacitors, frequency dependence of ESR, gradients in the
thermistor. The source is a sine behind R and L: a distorted, flat-topped line charges the bulk to less.
Breaks where: the capacitor's ESR at -25 degC is 5 to 10 times the recorded one; the converter's own ripple current
flows in the bulk too and is not in this stage.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from PySpice.Spice.Netlist import Circuit, SubCircuit

from netlists import devices
from netlists.errors import OptionError, RecordError
from netlists.formulas import SMALLEST_SATURATION_CURRENT, diode_saturation_current
from netlists.instances import RectifierBulk
from netlists.parameters import check, count, parameter
from netlists.point import Condition, Point, Reader
from netlists.probe import Probe
from netlists.record import SupplyRecord

KIND = "rectifier_bulk"
SILICON_EMISSION = 1.8  # emission coefficient of a mains rectifier diode; common practice, no source
FASTEST_STEP = 1e-9


@dataclass(frozen=True, slots=True)
class Thermistor:
    resistance_25: float = parameter("ohm", "zero-power resistance at 25 degC", gt=0)
    b_value: float = parameter("K", "B-value", gt=0)
    dissipation_constant: float = parameter("W/K", "in still air", gt=0)
    time_constant: float = parameter("s", "thermal", gt=0)

    def __post_init__(self) -> None:
        check(self)


@dataclass(frozen=True, slots=True)
class Relay:
    contact_resistance: float = parameter("ohm", "closed", gt=0)
    closing_delay: float = parameter("s", "after the line returns", gt=0)

    def __post_init__(self) -> None:
        check(self)


@dataclass(frozen=True, slots=True)
class Rectifier:
    """``package`` bridge: values of one of four diodes, ``parallel`` packages; single: ``parallel`` diodes a place."""

    package: Literal["bridge", "single"]
    forward_voltage: float = parameter("V", "one diode at the test current", gt=0)
    forward_test_current: float = parameter("A", "", gt=0)
    slope_resistance: float = parameter("ohm", "ohmic part of one diode", gt=0)
    emission_coefficient: float = parameter("1", "of the junction", gt=0, default=SILICON_EMISSION)
    parallel: int = count("packages or diodes in parallel")

    def __post_init__(self) -> None:
        check(self)
        ohmic = self.slope_resistance * self.forward_test_current
        if ohmic >= self.forward_voltage:
            raise OptionError(
                "Rectifier.slope_resistance: must be < forward_voltage / forward_test_current, "
                f"found {self.slope_resistance:g} ohm"
            )
        saturation = diode_saturation_current(
            self.forward_voltage, self.forward_test_current, self.slope_resistance, self.emission_coefficient
        )
        if saturation < SMALLEST_SATURATION_CURRENT:
            raise OptionError(
                f"Rectifier.forward_voltage: {self.forward_voltage:g} V at {self.forward_test_current:g} A is more "
                f"than one junction drops: it needs a saturation current of {saturation:.1g} A, "
                f"the simulator has none below {SMALLEST_SATURATION_CURRENT:g} A"
            )


@dataclass(frozen=True, slots=True)
class Bank:
    """Identical cans: ``series`` of them in a string, ``parallel`` strings."""

    designator: str
    capacitance: float = parameter("F", "one can", gt=0)
    esr: float = parameter("ohm", "one can at 120 Hz", gt=0)
    parallel: int = count("strings in parallel")
    series: int = count("cans in a string")

    def __post_init__(self) -> None:
        check(self)


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one; lumping is left to those who use them."""

    feed: Literal["bridge", "half_wave"]
    rectifier: Rectifier
    bulk: tuple[Bank, ...]
    load: Literal["constant_power", "resistance"]
    line_resistance: float = parameter("ohm", "mains, both conductors", gt=0)
    line_inductance: float = parameter("H", "mains, both conductors", gt=0)
    load_resistance: float | None = parameter("ohm", "where load is a resistance", gt=0, default=None)
    converter_efficiency: float = parameter("1", "output power over power from the bulk", gt=0, le=1, default=1.0)
    holdup_end_voltage: float = parameter("V", "lowest bulk voltage that still regulates", gt=0, default=1.0)
    undervoltage_cutoff: float = parameter("V", "converter stops", gt=0, default=1.0)
    undervoltage_restart: float = parameter("V", "converter starts", gt=0, default=2.0)
    fuse_resistance: float | None = parameter("ohm", "cold", gt=0, default=None)
    choke_resistance: float | None = parameter("ohm", "both windings of all line chokes", gt=0, default=None)
    choke_inductance: float | None = parameter("H", "leakage of all line chokes", gt=0, default=None)
    thermistor: Thermistor | None = None
    relay: Relay | None = None

    def __post_init__(self) -> None:
        check(self)
        if not self.bulk:
            raise OptionError("Params.bulk: needs at least one capacitor")
        if self.relay is not None and self.thermistor is None:
            raise OptionError("Params.relay: a relay needs a thermistor to bypass")
        if self.load == "resistance" and self.load_resistance is None:
            raise OptionError("Params.load_resistance: needed where load is a resistance")
        if self.undervoltage_restart <= self.undervoltage_cutoff:
            raise OptionError("Params.undervoltage_restart: must be > undervoltage_cutoff")


@dataclass(frozen=True, slots=True)
class Scenario:
    """What happens in one run of the bench.

    Parameters
    ----------
    stop : end time [s];  max_step : largest time step [s]
    bulk_start : bulk voltage at t = 0 [V]
    load_on_at : instant the load may draw [s]; None: never
    line_lost_at : instant the line falls to 0 [s]; None: never
    relay_closes_at : None: the relay stays open; 0: closed from the start
    """

    stop: float
    max_step: float
    bulk_start: float = 0.0
    load_on_at: float | None = 0.0
    line_lost_at: float | None = None
    relay_closes_at: float | None = None


SLOW_STATES: tuple[str, ...] = ("bulk voltage", "thermistor temperature")

PROBES = (
    Probe("line_voltage", "line_to_neutral", "V", "behind the line impedance", "voltage", "neutral"),
    Probe("line_current", "v.xstage.vsense_line#branch", "A", "into the supply", "current"),
    Probe("bulk_voltage", "bulk", "V", "across the bulk", "voltage", "0"),
    Probe("rectified_current", "v.xstage.vsense_rectified#branch", "A", "out of the rectifier", "current"),
    Probe("diode_current", "v.xstage.vsense_diode#branch", "A", "one diode place, parallel diodes together", "current"),
    Probe("diode_reverse_voltage", "xstage.reverse", "V", "cathode against anode of that diode", "voltage"),
    Probe("load_current", "vload#branch", "A", "drawn from the bulk by the converter", "current"),
)
THERMISTOR_PROBES = (
    Probe("thermistor_current", "v.xstage.vsense_thermistor#branch", "A", "thermistor alone, not the relay", "current"),
    Probe("thermistor_temperature", "xstage.warm", "degC", "mean of the disc", "temperature"),
)


def probes(params: Params) -> tuple[Probe, ...]:
    """What can be measured on this stage: fixed probes, the thermistor's, and one current a bulk part."""
    banks = tuple(
        Probe(
            f"bulk_current_{index}",
            f"v.xstage.vsense_bank{index}#branch",
            "A",
            f"into all of {bank.designator}",
            "current",
        )
        for index, bank in enumerate(params.bulk)
    )
    return PROBES + (THERMISTOR_PROBES if params.thermistor is not None else ()) + banks


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Params, frozenset[str]]:
    """Parameters of an instance at a point, and the record paths they were read from."""
    stage = record.instance(instance)
    if not isinstance(stage, RectifierBulk):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    reader = Reader(record, point)

    def values(role: str, *fields: str) -> list[dict[str, float]]:
        holders = record.parts_in_role(instance, role)
        return [{field: reader.value(f"{path}.{field}") for field in fields} for _, path, _ in holders]

    def one(role: str, *fields: str) -> dict[str, float] | None:
        return next(iter(values(role, *fields)), None)

    rectifier_part = record.parts_in_role(instance, "rectifier")[0][2]
    diode = one("rectifier", "forward_voltage", "forward_test_current", "slope_resistance")
    thermistor = one("inrush_limiter", "resistance_25", "b_value", "dissipation_constant", "time_constant")
    relay = one("bypass_relay", "contact_resistance", "closing_delay")
    fuse = one("fuse", "cold_resistance")
    chokes = values("line_choke", "winding_resistance", "leakage_inductance")
    cans = zip(record.parts_in_role(instance, "bulk"), values("bulk", "capacitance", "esr"), strict=True)
    own = f"stages.{instance}"
    load: dict[str, float] = (
        {"load_resistance": reader.value(f"{own}.load_resistance")}
        if stage.load == "resistance"
        else {key: reader.value(f"{own}.{key}") for key in ("undervoltage_cutoff", "undervoltage_restart")}
    )
    try:
        params = Params(
            feed="half_wave" if reader.structure(instance, "feed") == "half_wave" else "bridge",
            line_resistance=reader.value("line.resistance"),
            line_inductance=reader.value("line.inductance"),
            rectifier=Rectifier(
                "bridge" if getattr(rectifier_part, "kind", "") == "bridge_rectifier" else "single",
                **(diode or {}),
                parallel=rectifier_part.parallel,
            ),
            bulk=tuple(
                Bank(designator, **can, parallel=part.parallel, series=part.series)
                for (designator, _, part), can in cans
            ),
            load=stage.load,
            converter_efficiency=reader.value(f"{own}.converter_efficiency"),
            holdup_end_voltage=reader.value(f"{own}.holdup_end_voltage"),
            **load,
            fuse_resistance=fuse["cold_resistance"] if fuse else None,
            choke_resistance=sum(2 * choke["winding_resistance"] for choke in chokes) or None,
            choke_inductance=sum(choke["leakage_inductance"] for choke in chokes) or None,
            thermistor=Thermistor(**thermistor) if thermistor else None,
            relay=Relay(**relay) if relay else None,
        )
    except OptionError as error:  # values that are possible each but not together
        raise RecordError([record.finding(own, str(error))]) from error
    return params, frozenset(reader.reads)


def stage(params: Params, condition: Condition, scenario: Scenario) -> SubCircuit:
    """The stage as a subcircuit with ports line, neutral, positive; ground is the bulk's negative side."""
    circuit = SubCircuit(KIND, "line", "neutral", "positive")
    node = _filter_elements(circuit, params)
    node = _inrush_limiter(circuit, params, condition, scenario, node)
    devices.current_sense(circuit, "sense_line", node, "rectifier_in")
    _diodes(circuit, params)
    for index, bank in enumerate(params.bulk):
        capacitance = bank.capacitance * bank.parallel / bank.series
        esr = bank.esr * bank.series / bank.parallel
        devices.capacitor_with_esr(circuit, f"bank{index}", "positive", "0", capacitance, esr, scenario.bulk_start)
    return circuit


def _filter_elements(circuit: SubCircuit, params: Params) -> str:
    node = "line"
    for device, resistance in (("fuse", params.fuse_resistance), ("choke", params.choke_resistance)):
        if resistance is not None:
            devices.resistor(circuit, device, node, f"behind_{device}", resistance)
            node = f"behind_{device}"
    if params.choke_inductance is not None:
        devices.series_choke(circuit, "leakage", node, "behind_filter", params.choke_inductance)
        node = "behind_filter"
    return node


def _inrush_limiter(circuit: SubCircuit, params: Params, condition: Condition, scenario: Scenario, node: str) -> str:
    if params.thermistor is None:
        return node
    thermistor = params.thermistor
    start = condition.ambient if condition.thermistor_start is None else condition.thermistor_start
    devices.current_sense(circuit, "sense_thermistor", node, "into_thermistor")
    devices.ntc_thermistor(
        circuit, "into_thermistor", "behind_thermistor", "warm",
        r25=thermistor.resistance_25, b_value=thermistor.b_value, dissipation=thermistor.dissipation_constant,
        time_constant=thermistor.time_constant, ambient=condition.ambient, start=start,
    )  # fmt: skip
    if params.relay is not None:
        devices.relay_contact(
            circuit, node, "behind_thermistor", params.relay.contact_resistance, scenario.relay_closes_at
        )
    return "behind_thermistor"


def _diodes(circuit: SubCircuit, params: Params) -> None:
    rectifier = params.rectifier
    devices.diode_model(
        circuit, "junction", rectifier.forward_voltage, rectifier.forward_test_current, rectifier.slope_resistance,
        rectifier.emission_coefficient,
    )  # fmt: skip
    parallel = rectifier.parallel
    devices.current_sense(circuit, "sense_diode", "rectifier_in", "diode_in")
    devices.diode(circuit, "upper_line", "diode_in", "rectified", "junction", parallel)
    circuit.VCVS("reverse", "reverse", "0", "rectified", "diode_in", "1")
    devices.current_sense(circuit, "sense_rectified", "rectified", "positive")
    if params.feed == "bridge":
        devices.diode(circuit, "lower_line", "0", "rectifier_in", "junction", parallel)
        devices.diode(circuit, "upper_neutral", "neutral", "rectified", "junction", parallel)
        devices.diode(circuit, "lower_neutral", "0", "neutral", "junction", parallel)
    else:
        devices.current_sense(circuit, "return", "0", "neutral")


def bench(params: Params, condition: Condition, scenario: Scenario) -> Circuit:
    """The stage between its line and its load."""
    circuit = Circuit(KIND)
    circuit.subcircuit(stage(params, condition, scenario))
    if condition.supply == "dc":
        devices.direct_supply(circuit, "source", "neutral", condition.line_voltage, scenario.line_lost_at)
    else:
        devices.sine_mains(
            circuit, "source", "neutral", condition.line_voltage, condition.line_frequency, condition.switch_on_angle,
            scenario.line_lost_at,
        )  # fmt: skip
    devices.resistor(circuit, "line", "source", "behind_line", params.line_resistance)
    devices.series_choke(circuit, "line", "behind_line", "line", params.line_inductance)
    circuit.VCVS("line_to_neutral", "line_to_neutral", "0", "line", "neutral", "1")
    circuit.X("stage", KIND, "line", "neutral", "bulk")
    _load(circuit, params, condition, scenario)
    return circuit


def _load(circuit: Circuit, params: Params, condition: Condition, scenario: Scenario) -> None:
    on_at = scenario.stop * 2 if scenario.load_on_at is None else scenario.load_on_at
    if params.load == "resistance" and params.load_resistance is not None:
        devices.resistive_load(circuit, "bulk", params.load_resistance, on_at)
    else:
        devices.constant_power_load(
            circuit, "bulk",
            power=condition.output_power / params.converter_efficiency, cutoff=params.undervoltage_cutoff,
            restart=params.undervoltage_restart, on_at=on_at,
            starts_on=scenario.bulk_start > params.undervoltage_restart,
        )  # fmt: skip
