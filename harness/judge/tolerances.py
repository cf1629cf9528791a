"""How far a metric may move before it counts as worse: by what kind of number it is, each with its reason.

One table for the baseline, for waivers and for published reports. Equal runs of one ngspice give equal numbers; what
these tolerances let pass is what another processor, or a change that ought to change nothing, does to a number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.plan.plan import every_metric

Side = Literal["high", "low"]
ZERO_CELSIUS = 273.15  # K
SMALLEST = 1e-12  # SI: below it a number that was zero is still zero


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A relative tolerance and why it is no smaller."""

    relative: float
    reason: str


TOLERANCES: dict[str, Tolerance] = {
    "mean": Tolerance(0.003, "means, RMS and smooth peaks: time steps and interpolation between them"),
    "ripple": Tolerance(0.01, "a small difference of two large voltages or currents"),
    "ringing": Tolerance(0.03, "where a ring or an edge is met by the time steps: edge timing scatters peaks by 2 %"),
}
RIPPLE = frozenset(
    {
        "bulk_ripple", "output_ripple", "output_ripple_probe", "input_ripple", "input_ripple_current", "choke_ripple",
        "ripple_cancellation",
    }
)  # fmt: skip
RINGING = frozenset(
    {
        "switch_voltage_peak", "diode_voltage_peak", "switch_current_peak", "diode_current_peak", "body_diode_time",
        "body_diode_loss", "reverse_current_share", "soft_switching_margin", "x_capacitor_spike",
    }
)  # fmt: skip


def tolerance_of(metric: str) -> Tolerance:
    """The tolerance of a metric; an unknown one is held to the smallest."""
    return TOLERANCES["ringing" if metric in RINGING else "ripple" if metric in RIPPLE else "mean"]


def worse_side(metric: str, limit_side: Side | None) -> Side | None:
    """Which way is worse: towards the limit, or by the metric's own rule; None where neither tells."""
    rule = every_metric().get(metric)
    return limit_side or (rule.worse if rule else None)


def allowed(metric: str, unit: str, value: float) -> float:
    """How far a metric may move from a value, in its unit; temperatures in degC go by the absolute one."""
    size = abs(value + ZERO_CELSIUS if unit == "degC" else value)
    return tolerance_of(metric).relative * size + SMALLEST


def is_worse(metric: str, unit: str, side: Side | None, before: float, now: float) -> bool:
    """Whether a value is worse than it was by more than its tolerance; where no side is worse, either way is."""
    moved = abs(now - before) if side is None else (now - before if side == "high" else before - now)
    return not moved <= allowed(metric, unit, before)  # also where one is not a number
