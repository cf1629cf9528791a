"""Values not read yet, proposed from those that are: formulas of the catalogue, several at once, one by another.

A proposal is never applied: it is text for a person to paste, inferred with a wide range around it, and is computed at
load like any inferred value. What no formula gives stays unread, and is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from netlists.errors import RecordError
from netlists.formulas import INFERENCES
from netlists.instances import BoostPfc, Buck, Flyback, Llc, StageInstance, TwoSwitchForward
from netlists.quantity import Quantity
from netlists.record import record_as_far_as_read
from netlists.record_checks import whole_record_faults
from netlists.record_inference import with_inferred
from netlists.record_model import SupplyRecord, is_unread


@dataclass(frozen=True)
class Proposal:
    """One inferred value.

    Parameters
    ----------
    path : of the record;  formula, of : as a record has them;  tolerance : laid around it, as text
    quantity : with its numbers
    """

    path: str
    formula: str
    of: Mapping[str, str]
    tolerance: str
    quantity: Quantity


@dataclass(frozen=True)
class Proposed:
    """All proposals, and the paths that stay unread though a simulation needs them."""

    record: str
    proposals: tuple[Proposal, ...]
    unread: tuple[str, ...]


@dataclass(frozen=True)
class _Offer:
    path: str
    formula: str
    of: Mapping[str, str]
    tolerance: str = ""


# What a formula of usual proportions may be off; common practice, no source
CHOKE, TANK, FLYBACK = "-50/+100%", "-50/+100%", "-75/+100%"
LLC_RATIO, FORWARD_RATIO, FLYBACK_RATIO = "10%", "-40/+5%", "-50/+5%"
RESONANCE, DEAD_TIME = "30%", "-20/+200%"


def propose(raw: Mapping[str, Any], file: str, lines: Mapping[tuple[str, ...], int]) -> Proposed:
    """What could stand where nothing is read, of a record as ``read_toml`` gives it.

    Raises
    ------
    RecordError : for any fault of the record but values not read yet
    """
    record = record_as_far_as_read(raw, file, lines)
    chosen, filled = _taken(record)
    proposals = tuple(
        Proposal(path, one.formula, one.of, one.tolerance, filled.quantities[path]) for path, one in chosen.items()
    )
    left = [fault.field for fault in whole_record_faults(filled) if is_unread(fault) and fault.field not in chosen]
    return Proposed(record.name, proposals, tuple(dict.fromkeys(left)))


def _taken(record: SupplyRecord) -> tuple[dict[str, _Offer], SupplyRecord]:
    """Offers that give a usable value, and the record with them; one that gives none makes room for the next."""
    refused: set[tuple[str, str]] = set()
    while True:
        chosen: dict[str, _Offer] = {}
        usable = [offer for offer in _offers(record) if (offer.path, offer.formula) not in refused]
        while more := next((offer for offer in usable if _fits(record, chosen, offer)), None):
            chosen[more.path] = more
        try:
            return chosen, with_inferred(_with_offers(record, chosen))
        except RecordError as error:
            failed = {(one.field, chosen[one.field].formula) for one in error.findings if one.field in chosen}
            if not failed:
                raise
            refused |= failed


def _fits(record: SupplyRecord, chosen: Mapping[str, _Offer], offer: _Offer) -> bool:
    """Nothing stands at its path, and all it rests on does, read or proposed."""
    known = record.quantities.keys() | chosen.keys()
    return offer.path in record.specs and offer.path not in known and all(path in known for path in offer.of.values())


def _with_offers(record: SupplyRecord, chosen: Mapping[str, _Offer]) -> SupplyRecord:
    quantities = dict(record.quantities)
    for path, offer in chosen.items():
        table: dict[str, Any] = {"known": "inferred", "formula": offer.formula, "of": dict(offer.of)}
        quantities[path] = record.specs[path].parse(table | _tolerance(offer), None)
    kept = {path: q for path, q in quantities.items() if not path.endswith(".deviation")}
    return SupplyRecord(record.data, record.file, record.lines, kept, record.specs)


def _tolerance(offer: _Offer) -> dict[str, str]:
    return {"tolerance": offer.tolerance} if offer.tolerance else {}


def toml_line(proposal: Proposal) -> str:
    """The line to paste into the part's or stage's table."""
    of = ", ".join(f'{argument} = "{path}"' for argument, path in proposal.of.items())
    tolerance = f', tolerance = "{proposal.tolerance}"' if proposal.tolerance else ""
    name = proposal.path.rsplit(".", 1)[1]
    return f'{name} = {{ known = "inferred", formula = "{proposal.formula}", of = {{ {of} }}{tolerance} }}'


def meaning(proposal: Proposal) -> str:
    """The formula in one line."""
    return INFERENCES[proposal.formula].doc


# --- what each kind of stage offers, the surest first


def _offers(record: SupplyRecord) -> Iterator[_Offer]:
    yield from _of_the_label(record)
    for name, stage in record.data.stages.items():
        yield from _of_parts(name, stage)
        places = _Places(record, name, stage)
        if isinstance(stage, Llc):
            yield from _llc(places, stage)
        elif isinstance(stage, TwoSwitchForward | Flyback):
            yield from _single_ended(places)
        elif isinstance(stage, Buck):
            yield from _buck(places, stage)
        elif isinstance(stage, BoostPfc):
            yield from _boost(places, stage)


class _Places:
    """Paths of a stage, of its parts by role where one part holds it, and of its rail."""

    def __init__(self, record: SupplyRecord, name: str, stage: StageInstance) -> None:
        self.record, self.name = record, name
        self.stage = f"stages.{name}"
        self.rail = f"nameplate.rails.{getattr(stage, 'rail', '')}"
        self.roles = stage.ROLES

    def at(self, role: str, field: str) -> str:
        """Path of a field of the one part in a role, which is one piece; no path where there are several."""
        held = self.record.parts_in_role(self.name, role) if role in self.roles else []
        single = len(held) == 1 and held[0][2].parallel * held[0][2].series == 1
        return f"{held[0][1]}.{field}" if single else ""

    def at_any_count(self, role: str, field: str) -> str:
        """The same where identical pieces do not matter."""
        held = self.record.parts_in_role(self.name, role) if role in self.roles else []
        return f"{held[0][1]}.{field}" if len(held) == 1 else ""


def _of_the_label(record: SupplyRecord) -> Iterator[_Offer]:
    """The current of the only rail, by the power of the only band."""
    plate = record.data.nameplate
    if len(plate.rails) == len(plate.input_bands) == 1:
        rail, band = next(iter(plate.rails)), next(iter(plate.input_bands))
        of = {"power": f"nameplate.input_bands.{band}.output_power", "voltage": f"nameplate.rails.{rail}.voltage"}
        yield _Offer(f"nameplate.rails.{rail}.current", "rail_current", of)


def _of_parts(name: str, stage: StageInstance) -> Iterator[_Offer]:
    for designator, part in stage.parts.items():
        path = f"stages.{name}.parts.{designator}"
        if getattr(part, "kind", "") == "electrolytic_capacitor":
            fields = {"loss_angle": "loss_angle", "capacitance": "capacitance", "frequency": "loss_frequency"}
            of = {argument: f"{path}.{field}" for argument, field in fields.items()}
            yield _Offer(f"{path}.esr", "esr_from_loss_angle", of)
        if getattr(part, "kind", "") == "transformer":
            of = {"primary": f"{path}.primary_turns", "secondary": f"{path}.secondary_turns"}
            yield _Offer(f"{path}.ratio", "turns_ratio", of)


def _llc(places: _Places, stage: Llc) -> Iterator[_Offer]:
    """A frequency measured at full load and nominal bus, ``switching_frequency``, is near the resonance."""
    frequency, bus = f"{places.stage}.switching_frequency", f"{places.stage}.input_voltage"
    leakage, primary = (places.at("transformer", f"{one}_inductance") for one in ("leakage", "primary"))
    series = places.at("series_inductor", "inductance") or leakage
    capacitor = places.at("resonant_capacitor", "capacitance")
    split = bool(places.record.parts_in_role(places.name, "split_capacitor"))
    if len(stage.choices("bridge")) == 1:
        formula = f"{stage.choices('bridge')[0]}_bridge_ratio"
        of = {"v_bus": bus, "v_out": f"{places.rail}.voltage"}
        yield _Offer(places.at("transformer", "ratio"), formula, of, LLC_RATIO)
    if capacitor and not split:
        of = {"frequency": frequency, "capacitance": capacitor}
        yield _Offer(series, "resonant_inductance", of, RESONANCE)
        yield _Offer(capacitor, "resonant_capacitance", {"frequency": frequency, "inductance": series}, RESONANCE)
    yield _Offer(primary, "tank_magnetising", {"leakage": series}, TANK)
    switch = places.at_any_count("bridge_switch", "output_capacitance")
    at = {"capacitance": switch, "frequency": frequency}
    if stage.choices("bridge") == ("half",):
        yield _Offer(primary, "magnetising_for_dead_time", {"time": f"{places.stage}.dead_time", **at}, TANK)
        yield _Offer(f"{places.stage}.dead_time", "dead_time", {"inductance": primary, **at}, DEAD_TIME)


def _single_ended(places: _Places) -> Iterator[_Offer]:
    """Forward and flyback: the ratio by the lowest bus, then the inductances by it."""
    ratio, out = places.at("transformer", "ratio"), f"{places.rail}.voltage"
    low, duty = f"{places.stage}.input_voltage_low", f"{places.stage}.largest_duty"
    load = {"v_out": out, "current": f"{places.rail}.current", "frequency": f"{places.stage}.switching_frequency"}
    by_duty = {"v_low": low, "duty": duty, "v_out": out}
    if "forward_diode" in places.roles:
        yield _Offer(ratio, "forward_ratio", by_duty, FORWARD_RATIO)
        of = {"v_bus": f"{places.stage}.input_voltage", "ratio": ratio, **load}
        yield _Offer(places.at("output_choke", "inductance"), "forward_choke", of, CHOKE)
    else:
        yield _Offer(ratio, "flyback_ratio", by_duty, FLYBACK_RATIO)
        of = {"v_low": low, "ratio": ratio, **load}
        yield _Offer(places.at("transformer", "primary_inductance"), "flyback_inductance", of, FLYBACK)


def _buck(places: _Places, stage: Buck) -> Iterator[_Offer]:
    of = {
        "v_in": f"stages.{stage.shares_input_with or places.name}.input_voltage", "v_out": f"{places.rail}.voltage",
        "current": f"{places.rail}.current", "frequency": f"{places.stage}.switching_frequency",
    }  # fmt: skip
    if stage.phases == 1:
        yield _Offer(places.at("output_choke", "inductance"), "buck_choke", of, CHOKE)


def _boost(places: _Places, stage: BoostPfc) -> Iterator[_Offer]:
    """By the band that takes the most current: the one of the lowest voltage for its power."""
    bands = places.record.data.nameplate.input_bands
    worst = max(bands, key=lambda one: bands[one].output_power.nominal / bands[one].voltage_low.nominal)
    of = {
        "v_line": f"nameplate.input_bands.{worst}.voltage_low", "v_bus": f"stages.{stage.fed_by}.bus_setpoint",
        "power": f"nameplate.input_bands.{worst}.output_power", "frequency": f"{places.stage}.switching_frequency",
    }  # fmt: skip
    if stage.phases == 1:
        yield _Offer(places.at("boost_choke", "inductance"), "boost_choke", of, CHOKE)
