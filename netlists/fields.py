"""How a model of the record declares its quantities: once, with unit, bound and meaning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any, Literal, cast

from pydantic import BaseModel, ConfigDict, Field, model_validator

from netlists.quantity import Quantity, QuantityError, QuantitySpec, read_marking, shown

_SPEC = "quantity_spec"

Text = str
KnownText = Literal["measured", "marked", "inferred", "assumed"]


def quantity(
    unit: str,
    doc: str,
    *,
    gt: float | None = None,
    ge: float | None = None,
    lt: float | None = None,
    le: float | None = None,
) -> Any:
    """A field that holds a ``Quantity | None``; None means 'not read yet'."""
    spec = QuantitySpec(unit, doc, gt=gt, ge=ge, lt=lt, le=le)
    return Field(default=None, description=doc, json_schema_extra=cast(Any, {_SPEC: spec}))


@cache
def quantity_specs(model: type[BaseModel]) -> dict[str, QuantitySpec]:
    """Name -> specification of every quantity a model may hold."""
    specs = {}
    for name, info in model.model_fields.items():
        extra = info.json_schema_extra
        if isinstance(extra, dict) and _SPEC in extra:
            specs[name] = cast(QuantitySpec, extra[_SPEC])
    return specs


@dataclass(frozen=True, slots=True)
class Refused:
    """Stands where a quantity could not be read; its text becomes the finding, since a validator of the whole table
    may raise for one field only and a person wants all findings at once."""

    message: str


class RecordModel(BaseModel):
    """Base of everything in a record: frozen, no unknown field, quantities parsed with their place in the error.

    A model with a field ``known`` applies it to its quantities written as plain texts or numbers.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, strict=True)

    @model_validator(mode="before")
    @classmethod
    def _parse_quantities(cls, raw: object) -> object:
        if not isinstance(raw, dict):
            return raw
        table = dict(raw)
        if isinstance(table.get("date"), date):  # a date without quotes is a date of TOML's; it is kept as written
            table["date"] = table["date"].isoformat()
        default_known = table.get("known", cls.model_fields["known"].default if "known" in cls.model_fields else None)
        for name, spec in quantity_specs(cls).items():
            if name in table and not isinstance(table[name], Quantity | Refused):
                try:
                    table[name] = spec.parse(table[name], default_known if isinstance(default_known, str) else None)
                except QuantityError as error:
                    table[name] = Refused(str(error))
        return table


class HistoryLine(RecordModel):
    """One correction: date, what it was, what it is and how that is known, why."""

    date: Text
    field: Text
    was: Text
    now: Text
    known: Literal["", "measured", "marked", "inferred", "assumed"] = ""
    why: Text


class Noted(RecordModel):
    """What any part or stage may carry beside its values."""

    note: Text = ""
    evidence: list[Text] = Field(default_factory=list, description="names of photo or capture files")
    history: list[HistoryLine] = Field(default_factory=list, description="what was corrected, when and why")


class Part(Noted):
    """Base of all part kinds. Counts say how many identical pieces stand in parallel and in series."""

    known: KnownText | None = Field(default=None, description="how plain values of this part are known")
    role: Text = Field(default="", description="what the part does in its stage, from the stage's list of roles")
    output: Text = Field(default="", description="the rail it serves, in a stage with several; empty: the stage's own")
    branch: Text = Field(default="", description="of an output_network: the branch it stands in")
    description: Text = ""
    parallel: int = Field(default=1, ge=1, le=1000)
    series: int = Field(default=1, ge=1, le=100)


def marked_values(marking: str) -> dict[str, dict[str, str]]:
    """Field -> quantity, as a record's table, of what a capacitor's marking gives.

    Raises
    ------
    QuantityError : the marking cannot be read
    """
    texts = read_marking(marking)
    names = {"capacitance": "value", "voltage_rating": "voltage", "temperature_rating": "temperature"}
    found = {name: {"value": texts[token], "known": "marked"} for name, token in names.items() if token in texts}
    if "tolerance" in texts:
        found["capacitance"]["tolerance"] = texts["tolerance"]
    return found


class MarkedCapacitor(Part):
    """A capacitor that may be recorded by its marking, ``marking = "470u 450V 20% 105C"``."""

    marking: Text = ""

    @model_validator(mode="before")
    @classmethod
    def _read_marking(cls, raw: object) -> object:
        if not isinstance(raw, dict) or not isinstance(raw.get("marking"), str):
            return raw
        table = dict(raw)
        try:
            read = marked_values(table["marking"])
        except QuantityError as error:
            return {**table, "marking": Refused(str(error))}
        for name, value in read.items():
            if name in table:
                message = f"is given by the marking {shown(table['marking'])} too; keep one of the two"
                table[name] = Refused(message)
            else:
                table[name] = value
        return table
