"""How much of a rating counts: the manufacturer's in full, the project's own fraction, or a published one.

A published fraction covers what its source names and nothing beside it; ``mark`` says how well the source is known.
Nothing here is read from a file: a policy of a file can only choose among these names or bring fractions of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Literal, get_args

from netlists.fields import Part, quantity_specs
from netlists.kinds import AnyPart

Mark = Literal["read", "read second-hand", "from memory"]

MANUFACTURER, PROJECT = "manufacturer", "project"
# Limits of a part that do not end in "_rating"; a temperature is never multiplied by a fraction.
OTHER_RATINGS = ("melting_i2t", "saturation_current")


@dataclass(frozen=True, slots=True)
class PublishedPolicy:
    """Fractions of ratings by kind of part and field, with their source."""

    fractions: Mapping[str, Mapping[str, float]]
    source: str
    mark: Mark


PUBLISHED: dict[str, PublishedPolicy] = {
    "ECSS-Q-ST-30-11C": PublishedPolicy(
        {
            "mosfet": {"drain_source_rating": 0.80, "drain_current_rating": 0.75},
            "diode": {"reverse_voltage_rating": 0.75, "average_current_rating": 0.75},
            # the source speaks of diodes; a bridge is four of them in one package
            "bridge_rectifier": {"reverse_voltage_rating": 0.75, "average_current_rating": 0.75},
        },
        "ECSS-Q-ST-30-11C, derating of electrical components; power and junction temperature are left out",
        "from memory",
    ),
    "IPC-9592": PublishedPolicy(
        {
            "electrolytic_capacitor": {"voltage_rating": 0.80, "ripple_current_rating": 0.70},
            "ceramic_capacitor": {"voltage_rating": 0.80},
        },
        "IPC-9592, requirements for power conversion devices; the 10 degC below the rated temperature are left out",
        "read second-hand",
    ),
}


@dataclass(frozen=True, slots=True)
class Policy:
    """What a limits file chose for one kind of part.

    Parameters
    ----------
    name : ``manufacturer``, ``project`` or a name of ``PUBLISHED``
    fractions : rating field -> fraction of it that counts; a field not named counts in full
    """

    name: str = MANUFACTURER
    fractions: Mapping[str, float] = field(default_factory=dict)
    reason: str = ""

    @property
    def mark(self) -> str:
        """How well a published source is known; empty for the others."""
        return PUBLISHED[self.name].mark if self.name in PUBLISHED else ""

    @property
    def source(self) -> str:
        """Where the fractions come from, as text."""
        own = {MANUFACTURER: "the ratings as recorded", PROJECT: "the project's own fractions"}
        return own.get(self.name) or PUBLISHED[self.name].source

    def words(self, rating: str) -> str:
        """What the policy makes of a rating, for the source of a limit: fraction and name."""
        if rating in self.fractions:
            name = "project policy" if self.name == PROJECT else f"{self.name}, {self.mark}"
            return f" x {self.fractions[rating] * 100:g} % ({name})"
        silent = "" if self.name == MANUFACTURER else f"; the {self.name} policy leaves it alone"
        return f" (manufacturer's rating{silent})"


@dataclass(frozen=True, slots=True)
class RailGuide:
    """Published limits of output rails, by the rail's nominal voltage [V]: ripple peak to peak [V], regulation."""

    limits: Mapping[float, tuple[float, float]]
    condition: str
    source: str
    mark: Mark


RAIL_GUIDES: dict[str, RailGuide] = {
    "desktop guide": RailGuide(
        {12.0: (0.120, 0.05), 5.0: (0.050, 0.05), 3.3: (0.050, 0.05)},
        "10 Hz to 20 MHz, 0.1 uF and 10 uF across the probe",
        "desktop supply design guide, Intel 336521 and 613768",
        "read",
    ),
}


@cache
def ratings_by_kind() -> dict[str, dict[str, str]]:
    """Kind of part -> rating field -> unit, for every kind that has a rating a fraction can be taken of."""
    models: tuple[type[Part], ...] = get_args(get_args(AnyPart)[0])
    found = {}
    for model in models:
        (kind,) = get_args(model.model_fields["kind"].annotation)
        ratings = {
            name: spec.unit
            for name, spec in quantity_specs(model).items()
            if (name.endswith("_rating") or name in OTHER_RATINGS) and spec.unit != "degC"
        }
        if ratings:
            found[str(kind)] = ratings
    return found
