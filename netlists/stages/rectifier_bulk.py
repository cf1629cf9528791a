"""Line, thermistor and relay, rectifier, bulk capacitors.

Nodes of the subcircuit (ports in capitals)::

    LINE - fuse and line choke - behind_filter - thermistor (relay beside it) - rectifier_in
    rectifier_in, NEUTRAL - bridge of four diodes, or one diode (half_wave) - POSITIVE
    boosted: bridge - rectified_out - bypass diode, and beside it choke and boost diode - POSITIVE
    POSITIVE - one branch a bulk part: sense, ESR, capacitance - 0 (the negative side of the bulk is ground)

Left out: X and Y capacitors and the common-mode path (their spike is no inrush), reverse recovery, heating of the
diodes, saturation of the line choke, leakage of the capacitors, frequency dependence of ESR, gradients in the
thermistor. The source is a sine behind R and L: a distorted, flat-topped line charges the bulk to less.
Breaks where: the capacitor's ESR at -25 degC is 5 to 10 times the recorded one; the converter's own ripple current
flows in the bulk too and is not in this stage.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, cast

from PySpice.Spice.Netlist import Circuit, Netlist, SubCircuit

from netlists import devices
from netlists.errors import OptionError, RecordError
from netlists.formulas import SILICON_EMISSION
from netlists.instances import RectifierBulk
from netlists.parameters import check, count, parameter
from netlists.point import Condition, Point, Reader
from netlists.probe import Probe
from netlists.record import SupplyRecord
from netlists.stages.banks import Bank, bank_branch

KIND = "rectifier_bulk"
Feed = Literal["bridge", "half_wave", "boosted"]
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
        devices.check_junction(
            "Rectifier",
            self.forward_voltage,
            self.forward_test_current,
            self.slope_resistance,
            self.emission_coefficient,
        )


@dataclass(frozen=True, slots=True)
class Junction:
    """A diode of the boost path: around the choke (bypass), or behind it, one a phase."""

    forward_voltage: float = parameter("V", "at the test current", gt=0)
    forward_test_current: float = parameter("A", "", gt=0)
    slope_resistance: float = parameter("ohm", "ohmic part", gt=0)
    parallel: int = count("diodes in parallel, or phases")

    def __post_init__(self) -> None:
        check(self)
        devices.check_junction("Junction", self.forward_voltage, self.forward_test_current, self.slope_resistance)


@dataclass(frozen=True, slots=True)
class BoostChoke:
    """Phases in parallel; each by flux linkage: full inductance to the saturation current, then what is left."""

    inductance: float = parameter("H", "one phase, at no current", gt=0)
    saturation_current: float = parameter("A", "one phase", gt=0)
    saturated_inductance: float = parameter("H", "one phase, far beyond saturation", gt=0)
    winding_resistance: float = parameter("ohm", "one phase", gt=0)
    parallel: int = count("phases")

    def __post_init__(self) -> None:
        check(self)
        if self.saturated_inductance > self.inductance:
            raise OptionError("BoostChoke.saturated_inductance: must be <= inductance")


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one; lumping is left to those who use them."""

    feed: Literal["bridge", "half_wave", "boosted"]
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
    x_capacitance: float | None = parameter("F", "all X capacitors across the line", gt=0, default=None)
    bus_setpoint: float | None = parameter("V", "regulated bulk voltage, boosted feed", gt=0, default=None)
    thermistor: Thermistor | None = None
    relay: Relay | None = None
    bypass_diode: Junction | None = None
    boost_choke: BoostChoke | None = None
    boost_diode: Junction | None = None

    def __post_init__(self) -> None:
        check(self)
        if not self.bulk:
            raise OptionError("Params.bulk: needs at least one capacitor")
        if self.relay is not None and self.thermistor is None:
            raise OptionError("Params.relay: a relay needs a thermistor to bypass")
        if self.load == "resistance" and self.load_resistance is None:
            raise OptionError("Params.load_resistance: needed where load is a resistance")
        if self.feed == "boosted":
            if self.bus_setpoint is None:
                raise OptionError("Params.bus_setpoint: needed where feed is boosted")
            if self.bypass_diode is None and (self.boost_choke is None or self.boost_diode is None):
                raise OptionError("Params.bypass_diode: without it a boosted feed needs boost_choke and boost_diode")
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
    regulating : the boost corrector runs and holds the bulk; False: the line alone feeds it
    """

    stop: float
    max_step: float
    bulk_start: float = 0.0
    load_on_at: float | None = 0.0
    line_lost_at: float | None = None
    relay_closes_at: float | None = None
    regulating: bool = False


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


REGULATED_PROBES = (
    Probe("bulk_voltage", "bulk", "V", "across the bulk", "voltage", "0"),
    Probe(
        "source_current", "vsource#branch", "A", "average of the boost corrector's output over its switching", "current"
    ),
    Probe("load_current", "vload#branch", "A", "drawn from the bulk by the converter", "current"),
)
RELAY_PROBE = Probe("contact_current", "v.xstage.vsense_contact#branch", "A", "through the relay's contact", "current")


def probes(params: Params, *, regulating: bool = False) -> tuple[Probe, ...]:
    """What can be measured, with the boost corrector regulating or not; one current a bulk part in both."""
    prefix = "" if regulating else "v.xstage."
    banks = tuple(
        Probe(f"bulk_current_{index}", f"{prefix}vsense_bank{index}#branch", "A",
              f"into all of {bank.designator}", "current")
        for index, bank in enumerate(params.bulk)
    )  # fmt: skip
    if regulating:
        return REGULATED_PROBES + banks
    thermistor = THERMISTOR_PROBES if params.thermistor is not None else ()
    relay = (RELAY_PROBE,) if params.relay is not None else ()
    return PROBES + thermistor + relay + banks


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

    def pieces(role: str) -> int:
        return record.parts_in_role(instance, role)[0][2].parallel

    rectifier_part = record.parts_in_role(instance, "rectifier")[0][2]
    diode = one("rectifier", "forward_voltage", "forward_test_current", "slope_resistance")
    thermistor = one("inrush_limiter", "resistance_25", "b_value", "dissipation_constant", "time_constant")
    relay = one("bypass_relay", "contact_resistance", "closing_delay")
    fuse = one("fuse", "cold_resistance")
    chokes = values("line_choke", "winding_resistance", "leakage_inductance")
    junction = ("forward_voltage", "forward_test_current", "slope_resistance")
    feed = reader.structure(instance, "feed")
    boosted: dict[str, Any] = {}
    if feed == "boosted":
        boosted["bus_setpoint"] = reader.value(f"stages.{instance}.bus_setpoint")
        if reader.structure(instance, "bypass") == "diode":
            around = one("bypass_diode", *junction)
            boosted["bypass_diode"] = Junction(**around, parallel=pieces("bypass_diode")) if around else None
        choke = one("boost_choke", "inductance", "saturation_current", "saturated_inductance", "winding_resistance")
        behind = one("boost_diode", *junction)
        if choke and behind:
            boosted["boost_choke"] = BoostChoke(**choke, parallel=pieces("boost_choke"))
            boosted["boost_diode"] = Junction(**behind, parallel=pieces("boost_diode"))
    x_capacitors = zip(record.parts_in_role(instance, "x_capacitor"), values("x_capacitor", "capacitance"), strict=True)
    cans = zip(record.parts_in_role(instance, "bulk"), values("bulk", "capacitance", "esr"), strict=True)
    own = f"stages.{instance}"
    load: dict[str, Any] = (
        {"load_resistance": reader.value(f"{own}.load_resistance")}
        if stage.load == "resistance"
        else {key: reader.value(f"{own}.{key}") for key in ("undervoltage_cutoff", "undervoltage_restart")}
    )
    try:
        params = Params(
            feed=cast(Feed, feed),
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
            x_capacitance=sum(part.parallel * value["capacitance"] for (_, _, part), value in x_capacitors) or None,
            thermistor=Thermistor(**thermistor) if thermistor else None,
            relay=Relay(**relay) if relay else None,
            **boosted,
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
    _banks(circuit, params, "positive", scenario.bulk_start)
    return circuit


def _banks(circuit: Netlist, params: Params, positive: str, start: float) -> None:
    for index, bank in enumerate(params.bulk):
        bank_branch(circuit, f"bank{index}", positive, bank, start)


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
        devices.current_sense(circuit, "sense_contact", node, "into_contact")
        devices.relay_contact(
            circuit, "into_contact", "behind_thermistor", params.relay.contact_resistance, scenario.relay_closes_at
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
    behind = "rectified_out" if params.feed == "boosted" else "positive"
    devices.current_sense(circuit, "sense_rectified", "rectified", behind)
    if params.feed != "half_wave":
        devices.diode(circuit, "lower_line", "0", "rectifier_in", "junction", parallel)
        devices.diode(circuit, "upper_neutral", "neutral", "rectified", "junction", parallel)
        devices.diode(circuit, "lower_neutral", "0", "neutral", "junction", parallel)
    else:
        devices.current_sense(circuit, "return", "0", "neutral")
    if params.feed == "boosted":
        _boost_path(circuit, params)


def _boost_path(circuit: SubCircuit, params: Params) -> None:
    """From the bridge to the bulk while the corrector's switch is off: around the choke, and through it."""

    def junction(device: str, anode: str, diode: Junction) -> None:
        devices.diode_model(
            circuit, f"{device}_junction", diode.forward_voltage, diode.forward_test_current, diode.slope_resistance,
            SILICON_EMISSION,
        )  # fmt: skip
        devices.diode(circuit, device, anode, "positive", f"{device}_junction", diode.parallel)

    if params.bypass_diode is not None:
        junction("bypass", "rectified_out", params.bypass_diode)
    if params.boost_choke is not None and params.boost_diode is not None:
        choke = params.boost_choke
        devices.resistor(circuit, "winding", "rectified_out", "into_choke", choke.winding_resistance / choke.parallel)
        devices.saturating_choke(
            circuit, "boost", "into_choke", "choke_out", choke.inductance / choke.parallel,
            choke.saturation_current * choke.parallel, choke.saturated_inductance / choke.parallel,
        )  # fmt: skip
        junction("boost", "choke_out", params.boost_diode)


def bench(params: Params, condition: Condition, scenario: Scenario) -> Circuit:
    """The stage between its line and its load; where a boost corrector regulates, the bulk between it and the load."""
    circuit = Circuit(KIND)
    if scenario.regulating:
        return _regulated_bench(circuit, params, condition, scenario)
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


SPIKE_PROBES = (
    Probe("line_current", "vspike#branch", "A", "into the X capacitors", "current"),
    Probe("capacitor_voltage", "across", "V", "across the X capacitors", "voltage", "0"),
)


def spike_bench(params: Params, condition: Condition) -> Circuit:
    """The line closed on the X capacitors alone, at ``switch_on_angle``: over long before inrush through the bridge."""
    circuit = Circuit("x_capacitor")
    devices.sine_mains(
        circuit, "source", "neutral", condition.line_voltage, condition.line_frequency, condition.switch_on_angle, None
    )
    devices.resistor(circuit, "line", "source", "behind_line", params.line_resistance)
    devices.series_choke(circuit, "line", "behind_line", "line", params.line_inductance)
    devices.current_sense(circuit, "spike", "line", "across")
    devices.capacitor(circuit, "x", "across", "neutral", params.x_capacitance or 0.0)
    return circuit


def _regulated_bench(circuit: Circuit, params: Params, condition: Condition, scenario: Scenario) -> Circuit:
    """Bulk and load behind a boost corrector averaged over its switching: it draws a sine in phase with the line.

    Its power is the load's and what the ESR loses at the ripple's current, so the bulk keeps its mean; a real
    corrector's voltage loop is slow against the line and adds nothing within a period. The line crosses zero at t = 0.
    """
    power = condition.output_power / params.converter_efficiency
    setpoint = params.bus_setpoint or 1.0
    conductance = sum(bank.parallel / (bank.esr * bank.series) for bank in params.bulk)
    lost_in_esr = 0.5 * (power / setpoint) ** 2 / conductance
    devices.averaged_corrector(
        circuit, "bulk", power + lost_in_esr, condition.line_frequency, 0.5 * setpoint, scenario.line_lost_at
    )
    _banks(circuit, params, "bulk", scenario.bulk_start)
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
