"""The output of a converter as a record has it: rail, banks, copper, and the network between it and its loads."""

from __future__ import annotations

from netlists.instances import OutputNetwork
from netlists.point import Reader
from netlists.record import SupplyRecord
from netlists.stages.output_network import Network, read_network
from netlists.stages.outputs import Output
from netlists.stages.switching_record import Parts


def output_of(record: SupplyRecord, instance: str, reader: Reader, rail: str | None = None) -> Output:
    """The output of a converter, read through a reader that may read more than it.

    Parameters
    ----------
    instance : of a kind that has ``rail``, ``copper_resistance``, ``copper_inductance`` and parts of role output_bank
    rail : of a converter that makes several; None: the one it regulates. The stage's copper is that rail's alone

    Raises
    ------
    RecordError : a value it needs is missing, or its values are possible each but not together
    """
    own = getattr(record.instance(instance), "rail", None) or instance
    name = rail or own
    parts = Parts(record, instance, reader, 1)
    designators = [designator for designator, _, part in parts.in_role("output_bank") if (part.output or own) == name]
    copper = ("copper_resistance", "copper_inductance") if name == own else ()
    current = parts.optional_value("output_current") if name == own else None
    if current is None:
        current = reader.value(f"nameplate.rails.{name}.current")
    return Output(
        name,
        tuple(bank for bank in parts.banks("output_bank") if bank.designator in designators),
        reader.value(f"nameplate.rails.{name}.voltage"),
        current,
        **{field: value for field in copper if (value := parts.optional_value(field)) is not None},
        network=network_of(record, instance, reader, name),
    )


def network_of(record: SupplyRecord, instance: str, reader: Reader, rail: str) -> Network | None:
    """The network that carries a rail of a converter; None where none is recorded with roles."""
    own = getattr(record.instance(instance), "rail", None) or instance
    for name, stage in record.data.stages.items():
        behind = isinstance(stage, OutputNetwork) and stage.is_modelled() and stage.fed_by == instance
        if behind and (getattr(stage, "rail", None) or own) == rail:
            return read_network(record, name, reader)
    return None
