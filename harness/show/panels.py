"""What a picture of a study shows: panels with their signals, where a metric's mark may sit, colours. Tables alone."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

Panels = Sequence[tuple[str, tuple[str, ...]]]  # title and the signals drawn under it, all of one unit

# Of a two-switch forward converter.
FORWARD_VOLTAGES = ("high_voltage", "forward_voltage", "freewheel_voltage")
FORWARD_CURRENTS = ("primary_current", "clamp_low_current", "forward_current")
# Of a flyback; its regulated rail is a.
FLYBACK_VOLTAGES = ("switch_voltage", "rectifier_voltage_a")
FLYBACK_CURRENTS = ("magnetising_current", "switch_current", "rectifier_current_a")
# A buck's phases are a0, a1 (first rail), b0 (second), a corrector's 0, 1; the first of each is drawn.
STEADY_PANELS: Panels = (
    ("voltage [V]", ("high_voltage_a0", "low_voltage_a0", "high_voltage_b0", "low_voltage_b0", "low_voltage_0",
                     "free_voltage_0", *FORWARD_VOLTAGES, *FLYBACK_VOLTAGES)),
    ("current [A]", ("choke_current_a0", "high_current_a0", "choke_current_b0", "high_current_b0", "choke_current_0",
                     "low_current_0", "free_current_0", *FORWARD_CURRENTS, *FLYBACK_CURRENTS)),
    ("output [V]", ("output_voltage_a", "load_voltage_a", "output_voltage_b", "load_voltage_b", "bus_voltage")),
)  # fmt: skip
# Rectifier places of an LLC converter that are drawn: of two transformers, of a bridge those at ground.
DRAWN_PLACES = tuple(f"{half}{k}{end}" for k in (0, 1) for half in "pn" for end in ("", "_low"))
LLC_PANELS: Panels = (
    ("tank [A]", ("tank_current", "magnetising_current_0", "magnetising_current_1")),
    ("resonant\ncapacitors [V]", ("resonant_voltage",)),
    ("middle of\nthe bridge [V]", ("low_voltage_a", "low_voltage_b")),
    ("rectifiers [A]", tuple(f"rectifier_current_{place}" for place in DRAWN_PLACES)),
    ("rectifiers [V]", tuple(f"rectifier_voltage_{place}" for place in DRAWN_PLACES)),
    ("output [V]", ("output_voltage_a", "load_voltage_a")),
)
# A signal that only one kind of stage has -> the panels of that kind's steady states.
STEADY_BY_SIGNAL: Mapping[str, Panels] = {"tank_current": LLC_PANELS}
STEADY = ("steady", "lowest_input", "worst_instant")  # studies of steady states
PANELS: Mapping[str, Panels] = {
    "inrush": (("line current [A]", ("line_current",)), ("bulk voltage [V]", ("bulk_voltage",))),
    "hot_restart": (("line current [A]", ("line_current",)), ("bulk voltage [V]", ("bulk_voltage",))),
    "held_relay": (("current [A]", ("line_current", "contact_current")), ("bulk voltage [V]", ("bulk_voltage",))),
    "relay_closing": (("current [A]", ("line_current", "contact_current")), ("bulk voltage [V]", ("bulk_voltage",))),
    "relay_late": (("current [A]", ("line_current", "contact_current")), ("bulk voltage [V]", ("bulk_voltage",))),
    "relay_stuck": (("bulk voltage [V]", ("bulk_voltage",)), ("current [A]", ("line_current", "rectified_current"))),
    "x_capacitor": (("line current [A]", ("line_current",)), ("capacitor voltage [V]", ("capacitor_voltage",))),
    "line_ripple": (
        ("bulk voltage [V]", ("bulk_voltage",)),
        ("current [A]", ("line_current", "rectified_current", "source_current", "load_current")),
    ),
    "holdup": (("voltage [V]", ("bulk_voltage", "line_voltage")), ("line current [A]", ("line_current",))),
}
# Of a row about a node of an output network, instead of the study's panels: every signal whose name begins so.
NETWORK_NODE = re.compile(r" (bank|filter|connector)$")
NETWORK_PANELS: Panels = (
    ("current [A]", ("branch_current_", "connector_current_")),
    ("output [V]", ("output_voltage_", "bank_voltage_", "filter_voltage_", "connector_voltage_")),
)
NETWORK_COLOURS = ("#1f4e6b", "#8a3b12", "#c46f2a", "#b8860b", "#6a4c93", "#2f7f78", "#b0476a", "#9a9a9a")
BRIDGE = tuple(f"{place}_{{}}_{leg}" for leg in "ab" for place in ("low", "high"))
RECTIFIERS = tuple(f"rectifier_{{}}_{half}{k}{end}" for k in range(4) for half in "pn" for end in ("", "_low", "_high"))
RECTIFIER_VOLTAGES = tuple(name.format("voltage") for name in RECTIFIERS)
RECTIFIER_CURRENTS = tuple(name.format("current") for name in RECTIFIERS)
# The signals a metric's mark may sit on, of which the one that has its value is taken; metrics that are means or
# integrals have no instant and no mark.
MARKED: Mapping[str, str | tuple[str, ...]] = {
    "inrush_peak": "line_current",
    "hot_restart_peak": "line_current",
    "held_relay_peak": "line_current",
    "held_relay_contact_peak": "contact_current",
    "relay_closing_peak": "line_current",
    "relay_closing_contact": "contact_current",
    "relay_late_peak": "line_current",
    "relay_late_contact": "contact_current",
    "x_capacitor_spike": "line_current",
    "bulk_voltage_peak": "bulk_voltage",
    "bulk_ripple": "bulk_voltage",
    "bulk_voltage_trough": "bulk_voltage",
    "rectifier_current_peak": "rectified_current",
    "holdup_time": "bulk_voltage",
    "switch_voltage_peak": (
        "high_voltage_a0", "high_voltage_b0", "low_voltage_a0", "low_voltage_b0", "low_voltage_0",
        *(name.format("voltage") for name in BRIDGE), "high_voltage", "switch_voltage", "rectifier_voltage_a",
        *RECTIFIER_VOLTAGES,
    ),
    "diode_voltage_peak": (
        "low_voltage_a0", "low_voltage_b0", "free_voltage_0", "forward_voltage", "freewheel_voltage",
        "rectifier_voltage_a", *RECTIFIER_VOLTAGES,
    ),
    # a place of an LLC's bridge carries what the tank does
    "switch_current_peak": (
        "high_current_a0", "high_current_b0", "low_current_0", *(name.format("current") for name in BRIDGE),
        "tank_current", "switch_current", "rectifier_current_a", *RECTIFIER_CURRENTS,
    ),
    "diode_current_peak": ("free_current_0", "rectifier_current_a", *RECTIFIER_CURRENTS),
    "choke_current_peak": ("choke_current_a0", "choke_current_b0", "choke_current_0"),
    "output_ripple": ("output_voltage_a", "output_voltage_b", "bus_voltage"),
    "primary_current_peak": ("tank_current", "primary_current"),
    "magnetising_current_peak": ("magnetising_current", *(f"magnetising_current_{k}" for k in range(4))),
    "resonant_capacitor_voltage_peak": "resonant_voltage",
}  # fmt: skip
COLOURS: Mapping[str, str] = {
    "high_voltage": "#1f4e6b",
    "forward_voltage": "#b8860b",
    "freewheel_voltage": "#8a3b12",
    "primary_current": "#6a4c93",
    "clamp_low_current": "#2f7f78",
    "forward_current": "#b8860b",
    "switch_voltage": "#1f4e6b",
    "rectifier_voltage_a": "#8a3b12",
    "magnetising_current": "#1f4e6b",
    "switch_current": "#b8860b",
    "rectifier_current_a": "#8a3b12",
    "high_voltage_a0": "#1f4e6b",
    "low_voltage_a0": "#8a3b12",
    "high_voltage_b0": "#2f7f78",
    "low_voltage_b0": "#b0476a",
    "low_voltage_0": "#1f4e6b",
    "free_voltage_0": "#8a3b12",
    "choke_current_a0": "#1f4e6b",
    "high_current_a0": "#b8860b",
    "choke_current_b0": "#2f7f78",
    "high_current_b0": "#b0476a",
    "choke_current_0": "#1f4e6b",
    "low_current_0": "#b8860b",
    "free_current_0": "#8a3b12",
    "output_voltage_a": "#5b7c2f",
    "load_voltage_a": "#9a9a9a",
    "output_voltage_b": "#6a4c93",
    "load_voltage_b": "#3b3b3b",
    "bus_voltage": "#5b7c2f",
    "line_current": "#8a3b12",
    "rectified_current": "#b8860b",
    "load_current": "#5b7c2f",
    "bulk_voltage": "#1f4e6b",
    "line_voltage": "#9a9a9a",
    "source_current": "#b8860b",
    "contact_current": "#6a4c93",
    "capacitor_voltage": "#1f4e6b",
    "tank_current": "#1f4e6b",
    "magnetising_current_0": "#b8860b",
    "magnetising_current_1": "#b0476a",
    "resonant_voltage": "#6a4c93",
    "low_voltage_a": "#8a3b12",
    "low_voltage_b": "#2f7f78",
    **{
        f"rectifier_{what}_{half}{k}{end}": colour
        for what in ("current", "voltage")
        for end in ("", "_low")
        for (k, half), colour in zip(
            ((0, "p"), (0, "n"), (1, "p"), (1, "n")), ("#1f4e6b", "#8a3b12", "#2f7f78", "#b0476a"), strict=True
        )
    },
}


def usual_signals(study: str) -> list[str]:
    """Signals of a study's panels, of every kind of stage; none for an unknown study."""
    sets = [*STEADY_BY_SIGNAL.values(), STEADY_PANELS] if study in STEADY else [PANELS.get(study, ())]
    return list(dict.fromkeys(name for panels in sets for _, names in panels for name in names))


def own_panel(signal: str) -> str:
    """Title of the panel a signal shares with no other of its unit but those under it; empty where it has none."""
    if any(signal in names for _, names in STEADY_PANELS):
        return ""
    sets = STEADY_BY_SIGNAL.values()
    return next((title for panels in sets for title, names in panels if signal in names), "")


def panels_of(study: str, kept: Collection[str]) -> Panels:
    """The panels of a study with those signals that a run has kept; none for an unknown study."""
    panels = PANELS.get(study, ())
    if study in STEADY:
        panels = next((found for signal, found in STEADY_BY_SIGNAL.items() if signal in kept), STEADY_PANELS)
    chosen = [(title, tuple(name for name in names if name in kept)) for title, names in panels]
    return [(title, names) for title, names in chosen if names]  # a regulated bus has no line current of its own


def is_network_node(subject: str) -> bool:
    """Whether a metric's subject is a node of an output network."""
    return NETWORK_NODE.search(subject) is not None


def network_panels(kept: Collection[str]) -> Panels:
    """Panels of an output network, with every signal of it that a run has kept."""
    chosen = [(title, tuple(name for name in kept if name.startswith(begins))) for title, begins in NETWORK_PANELS]
    return [(title, names) for title, names in chosen if names]
