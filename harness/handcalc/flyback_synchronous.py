"""Synchronous rectifiers of a flyback by hand: what lies on their path, and when.

The body diode conducts until the channel turns on, and again from its turn-off; between them the channel does, each
along a straight line of its own. While the body diode of one rail conducts, rails with diodes take more of the current.
"""

from __future__ import annotations

from harness.handcalc.switching_waveform import body_tangent, diode_tangent_of
from netlists.stages.flyback_params import Params, Secondary
from netlists.stages.switching import Diode, Switch

SMALLEST_CURRENT = 1e-3  # a diode's straight line touches its curve at no less [A]


def is_gated(params: Params, lasting: float) -> bool:
    """Whether a conduction of so long [s] leaves an on-time that the controller does not leave out."""
    return lasting - params.rectifier_delay - params.rectifier_lead >= max(params.rectifier_least_on, 1e-9)


def line_of(part: Diode | Switch, current: float, *, alone: bool) -> tuple[float, float]:
    """Threshold [V] and resistance [ohm] of a rectifying place: diode or body diode, or unless ``alone`` the channel.

    ``current`` : at which the straight line touches the diode's curve [A]
    """
    if isinstance(part, Switch) and not alone:
        return 0.0, part.on_resistance / part.parallel
    current = max(current, SMALLEST_CURRENT)
    return body_tangent(part, current) if isinstance(part, Switch) else diode_tangent_of(part, current)


def gated_span(params: Params, one: Secondary, begin: float, lasting: float, takeover: float) -> tuple[float, float]:
    """From and until when the channel of a rail conducts [s]; equal where it never does.

    Parameters
    ----------
    begin, lasting : of its rectifier's conduction [s];  takeover : last of it, after the switch's turn-on [s]
    """
    if one.synchronous is None or not is_gated(params, lasting):
        return 0.0, 0.0
    return begin + params.rectifier_delay, begin + lasting - takeover - max(params.rectifier_lead, 0.0)
