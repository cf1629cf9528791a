"""A flyback's parts as found, what follows from them at its nodes, and how they are read from a record.

The circuit they stand in is that of ``flyback``.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Literal

from netlists.errors import OptionError, RecordError
from netlists.instances import Flyback
from netlists.parameters import check, count, parameter
from netlists.point import Point, Reader
from netlists.record import SupplyRecord
from netlists.stages import switching
from netlists.stages.banks import Bank
from netlists.stages.output_record import output_of
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Snubber, Strays, Switch
from netlists.stages.switching_record import Parts
from netlists.stages.transformer import Transformer, Winding

KIND = "flyback"
TAGS = ("a", "b", "c", "d")  # rails, the regulated one first
Mode = Literal["fixed_frequency", "valley"]


@dataclass(frozen=True, slots=True)
class Clamp:
    """What takes the leakage's energy: a diode into a capacitor that a resistor discharges; values of one piece."""

    diode: Diode
    capacitor: str
    resistor: str
    capacitance: float = parameter("F", "one piece", gt=0)
    resistance: float = parameter("ohm", "one piece", gt=0)
    capacitors_parallel: int = count("strings in parallel")
    capacitors_series: int = count("pieces in a string")
    resistors_parallel: int = count("strings in parallel")
    resistors_series: int = count("pieces in a string")

    def __post_init__(self) -> None:
        check(self)

    @property
    def resistor_pieces(self) -> int:
        """They share the dissipation evenly."""
        return self.resistors_parallel * self.resistors_series


@dataclass(frozen=True, slots=True)
class Secondary:
    """One rail, its rectifier a diode or a synchronous switch.

    With a post filter ``firsts`` is the bank at the rectifier and the output's banks are the second.
    """

    output: Output
    winding: Winding
    rectifier: Diode | Switch
    firsts: tuple[Bank, ...] = ()
    choke: Choke | None = None
    snubber: Snubber | None = None

    def __post_init__(self) -> None:
        if bool(self.firsts) != bool(self.choke):
            raise OptionError("Secondary.choke: a post filter needs both a first bank and a choke")
        if not self.output.banks:
            raise OptionError("Secondary.output: needs at least one capacitor")

    @property
    def synchronous(self) -> Switch | None:
        """The rectifier where it is a switch."""
        return self.rectifier if isinstance(self.rectifier, Switch) else None


@dataclass(frozen=True, slots=True)
class Params:
    """The parts as found, one by one; the regulated rail first. The bus is the condition's."""

    mode: Mode
    switch: Switch
    primary: Transformer
    clamp: Clamp
    secondaries: tuple[Secondary, ...]
    strays: Strays
    switching_frequency: float = parameter("Hz", "fixed, or the highest a valley-switched controller sets", gt=0)
    largest_duty: float = parameter("1", "the controller allows", gt=0, le=1)
    turn_on_delay: float | None = parameter("s", "from the secondary's current zero; valley only", gt=0, default=None)
    sense_resistance: float | None = parameter("ohm", "all pieces together", gt=0, default=None)
    drain_capacitance: float | None = parameter("F", "beside the switch, all pieces together", gt=0, default=None)
    at_second_bank: bool = False  # the divider hangs there
    rectifier_delay: float = parameter("s", "synchronous: body diode conducts to channel on", ge=0, default=0.0)
    rectifier_lead: float = parameter(
        "s", "synchronous: channel off to current zero, or to the switch's turn-on", default=0.0
    )
    rectifier_least_on: float = parameter("s", "shorter than this a rectifier stays off", ge=0, default=0.0)

    def __post_init__(self) -> None:
        check(self)
        if not 1 <= len(self.secondaries) <= len(TAGS):
            raise OptionError(f"Params.secondaries: must be 1 to {len(TAGS)}, found {len(self.secondaries)}")
        if len(self.primary.windings) != len(self.secondaries):
            raise OptionError("Params.primary: needs one winding a secondary")
        if any(one.synchronous for one in self.secondaries[1:]):
            raise OptionError("Params.secondaries: a synchronous rectifier has a model on the regulated rail alone")
        if self.at_second_bank and not self.secondaries[0].firsts:
            raise OptionError("Params.at_second_bank: the regulated rail has no post filter")


def rails(params: Params) -> list[tuple[str, Secondary]]:
    """Tag and secondary of every rail."""
    return list(zip(TAGS, params.secondaries, strict=False))


def switch_capacitance(params: Params) -> float:
    """What lies across the switch itself [F]."""
    return params.switch.output_capacitance * params.switch.parallel + (params.drain_capacitance or 0.0)


def rectifier_capacitance(params: Params) -> float:
    """Capacitance of all rectifiers as seen by the primary [F]: over the square of the ideal ratio."""
    return sum(
        switching.place_capacitance(one.rectifier) / params.primary.ideal_ratio(one.winding) ** 2
        for one in params.secondaries
    )


def drain_capacitance(params: Params) -> float:
    """All that rings with the magnetising inductance while nothing conducts [F]."""
    clamp = params.clamp.diode.junction_capacitance * params.clamp.diode.parallel
    snubbers = sum(
        one.snubber.capacitance / params.primary.ideal_ratio(one.winding) ** 2
        for one in params.secondaries
        if one.snubber is not None
    )
    return switch_capacitance(params) + clamp + rectifier_capacitance(params) + snubbers


def turn_on_delay(params: Params) -> float:
    """From the secondary's current zero to the turn-on in valley mode [s]: as stated, or half a period of the ring."""
    if params.turn_on_delay is not None:
        return params.turn_on_delay
    return math.pi * math.sqrt(params.primary.magnetising_inductance * drain_capacitance(params))


def core_resistance(params: Params) -> float:
    """Resistance beside the magnetising inductance for the core's loss [ohm], by the quality of the drain's ring."""
    return switching.IDLE_QUALITY * math.sqrt(params.primary.magnetising_inductance / drain_capacitance(params))


def leakage_damping(params: Params) -> float:
    """Resistance beside the leakage [ohm]: the stated quality of its ringing with the rectifiers' junctions."""
    return params.strays.loop_quality * math.sqrt(params.primary.leakage_inductance / rectifier_capacitance(params))


def full_power(params: Params) -> float:
    """Power of all rails at full load [W]."""
    return sum(one.output.voltage * one.output.load_current for one in params.secondaries)


def params_from(record: SupplyRecord, instance: str, point: Point) -> tuple[Params, frozenset[str]]:
    """Parameters of an instance at a point, and the record paths read."""
    found = record.instance(instance)
    if not isinstance(found, Flyback):
        raise OptionError(f"stages.{instance}: is no {KIND}")
    if not found.is_modelled():
        raise OptionError(f"stages.{instance}: recorded only, since none of its parts says its role")
    reader = Reader(record, point)
    own = Parts(record, instance, reader, 1)
    switch = own.switch("primary_switch")
    assert switch is not None  # roles were checked when the record was read
    valley = reader.structure(instance, "mode") == "valley"
    synchronous = reader.structure(instance, "rectification") == "synchronous"
    sense = own.total("sense_resistor", "resistance", adds_in_series=True)
    drain = own.total("drain_capacitor", "capacitance", adds_in_series=False)
    try:
        (wound,) = own.transformers("transformer")
        windings = (*wound.windings, *own.windings("further_winding"))
        secondaries = tuple(
            _rail(record, instance, reader, (rail, winding), synchronous=synchronous)
            for rail, winding in zip(rail_names(record, instance), windings, strict=True)
        )
        params = Params(
            mode="valley" if valley else "fixed_frequency",
            switch=switch,
            primary=dataclasses.replace(wound, windings=tuple(one.winding for one in secondaries)),
            clamp=_clamp_of(own, reader),
            secondaries=secondaries,
            strays=own.strays(),
            switching_frequency=own.stage_value("switching_frequency"),
            largest_duty=own.stage_value("largest_duty"),
            turn_on_delay=own.optional_value("turn_on_delay") if valley else None,
            sense_resistance=sense[1] if sense else None,
            drain_capacitance=drain[1] if drain else None,
            at_second_bank=found.regulated_at == "second_bank",
            **{field: own.stage_value(field) for field in (found.SYNCHRONOUS_NEEDS if synchronous else ())},
        )
    except OptionError as error:  # values that are possible each but not together
        raise RecordError([record.finding(f"stages.{instance}", str(error))]) from error
    return params, frozenset(reader.reads)


def rail_names(record: SupplyRecord, instance: str) -> list[str]:
    """The regulated rail, then every further one in the order of its winding."""
    own = str(getattr(record.instance(instance), "rail", ""))
    return [own, *(part.output for _, _, part in record.parts_in_role(instance, "further_winding"))]


def _clamp_of(own: Parts, reader: Reader) -> Clamp:
    diode = own.diode("clamp_diode")
    assert diode is not None  # roles were checked when the record was read
    capacitor, c_path, c_part = own.in_role("clamp_capacitor")[0]
    resistor, r_path, r_part = own.in_role("clamp_resistor")[0]
    return Clamp(
        diode, capacitor, resistor, reader.value(f"{c_path}.capacitance"), reader.value(f"{r_path}.resistance"),
        c_part.parallel, c_part.series, r_part.parallel, r_part.series,
    )  # fmt: skip


def _rail(
    record: SupplyRecord, instance: str, reader: Reader, wound: tuple[str, Winding], *, synchronous: bool
) -> Secondary:
    """A rail and its winding; ``synchronous`` : the regulated one has a switch as its rectifier."""
    rail, winding = wound
    is_own = rail == getattr(record.instance(instance), "rail", None)
    parts = Parts(record, instance, reader, 1, rails=("", rail) if is_own else (rail,))
    rectifier = parts.switch("rectifier") if synchronous and is_own else parts.diode("rectifier")
    assert rectifier is not None  # checked when the record was read
    output, seconds = output_of(record, instance, reader, rail), parts.banks("second_bank")
    resistance = parts.total("snubber_resistor", "resistance", adds_in_series=True)
    capacitance = parts.total("snubber_capacitor", "capacitance", adds_in_series=False)
    return Secondary(
        dataclasses.replace(output, banks=seconds or output.banks, network=None),  # no network behind a flyback yet
        winding, rectifier,
        output.banks if seconds else (), parts.choke("post_choke"),
        Snubber(resistance[1], capacitance[1]) if resistance and capacitance else None,
    )  # fmt: skip
