"""Parameters of stages: declared once with unit, bound and meaning, checked when made."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any

from netlists.errors import OptionError

LARGEST_COUNT = 10**12  # beyond it a whole number may not even be printable


def parameter(
    unit: str,
    doc: str,
    *,
    gt: float | None = None,
    ge: float | None = None,
    le: float | None = None,
    default: Any = dataclasses.MISSING,
) -> Any:
    """A float field of a frozen parameter class."""
    return dataclasses.field(default=default, metadata={"unit": unit, "doc": doc, "gt": gt, "ge": ge, "le": le})


def count(doc: str) -> Any:
    """An integer field >= 1: identical pieces."""
    return dataclasses.field(default=1, metadata={"unit": "1", "doc": doc, "gt": None, "ge": 1, "le": 1000})


def check(owner: Any) -> None:
    """Raises OptionError for the first field out of its bounds; call from ``__post_init__``.

    >>> # Bank(capacitance=-1e-4, esr=0.1) raises 'Bank.capacitance: must be > 0 F, found -0.0001'
    """
    for field in dataclasses.fields(owner):
        value = getattr(owner, field.name)
        if "unit" not in field.metadata or value is None:
            continue
        rules = field.metadata
        unit = "" if rules["unit"] == "1" else f" {rules['unit']}"
        place = f"{type(owner).__name__}.{field.name}"
        if field.type in ("int", int) and not isinstance(value, int):
            raise OptionError(f"{place}: must be a whole number, found {value:g}")
        if isinstance(value, int) and abs(value) > LARGEST_COUNT:
            raise OptionError(f"{place}: must be <= {LARGEST_COUNT:g}{unit}, found a larger whole number")
        if not math.isfinite(value):
            raise OptionError(f"{place}: must be finite, found {value}")
        if rules["gt"] is not None and not value > rules["gt"]:
            raise OptionError(f"{place}: must be > {rules['gt']:g}{unit}, found {value:g}")
        if rules["ge"] is not None and not value >= rules["ge"]:
            raise OptionError(f"{place}: must be >= {rules['ge']:g}{unit}, found {value:g}")
        if rules["le"] is not None and not value <= rules["le"]:
            raise OptionError(f"{place}: must be <= {rules['le']:g}{unit}, found {value:g}")


def listed(owner: Any, prefix: str = "") -> Iterator[tuple[str, float, str]]:
    """Dotted name, value and unit of every number of a parameter object, nested ones included."""
    for field in dataclasses.fields(owner):
        value = getattr(owner, field.name)
        path = f"{prefix}{field.name}"
        if "unit" in field.metadata:
            if value is not None:
                yield path, float(value), field.metadata["unit"]
        elif dataclasses.is_dataclass(value):
            yield from listed(value, f"{path}.")
        elif isinstance(value, tuple):
            for index, item in enumerate(value):
                yield from listed(item, f"{path}.{index}.")
