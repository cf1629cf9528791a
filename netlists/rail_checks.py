"""What the record must say of a rail that a stage makes, and of the copper to it."""

from __future__ import annotations

from collections.abc import Iterator

from netlists.errors import Finding, nearest
from netlists.instances import Buck, Isolated
from netlists.quantity import shown
from netlists.record_model import SupplyRecord, unread


def rail_faults(record: SupplyRecord, name: str, rail: str | None) -> Iterator[Finding]:
    """A rail must be one of the nameplate's, with voltage and current; ``name`` : of the instance that makes it."""
    rails = record.data.nameplate.rails
    if rail is None or rail not in rails:
        found = "none" if rail is None else shown(rail)
        message = f"must name a rail of the nameplate, found {found}; {nearest(rail or '', rails)}"
        yield record.finding(f"stages.{name}.rail", message)
        return
    for field_name in ("voltage", "current"):
        if getattr(rails[rail], field_name) is None:
            yield record.finding(f"nameplate.rails.{rail}.{field_name}", unread(name, field_name))


def copper_faults(record: SupplyRecord, name: str, stage: Buck | Isolated) -> Iterator[Finding]:
    """Copper has a resistance and an inductance."""
    if (stage.copper_resistance is None) != (stage.copper_inductance is None):
        yield record.finding(f"stages.{name}", "copper_resistance and copper_inductance must be given both or neither")
