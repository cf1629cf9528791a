"""Plausible buck, boost and flyback designs, and seeded records drawn around them, for the robustness campaign.

Every value is drawn log-uniform between half and twice that of a design; what is bounded by 1 (duty, efficiency) is
drawn as its distance from 1, counts and angles are drawn from their own lists. The ranges were committed before the
solver was tuned and stay as they are: a draw the solver fails is a failure, unless ``out_of_reach`` proves by a bound
of its own that no duty regulates it. All values are of our own invention.
"""

from __future__ import annotations

import dataclasses
import random
from typing import Any

from netlists.point import Condition
from netlists.stages import boost_pfc, buck
from netlists.stages import flyback_params as flyback
from netlists.stages.banks import Bank
from netlists.stages.flyback_params import Clamp, Secondary
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Snubber, Strays, Switch
from netlists.stages.transformer import Transformer, Winding

LOADS = (0.1, 0.25, 0.5, 1.0)
WHOLE = {"phase_angle"}  # drawn from a list
FRACTIONS = {"largest_duty", "converter_efficiency"}

LOGIC = buck.Rail(
    name="logic", rectification="synchronous", voltage=5.0, load_current=12.0, phases=1,
    high=Switch("Q1", 4.2e-3, 600e-12), low=Switch("Q2", 3e-3, 900e-12), choke=Choke("L1", 4.7e-6, 6e-3),
    outputs=(Bank("C1", 560e-6, 7e-3, parallel=2), Bank("C2", 22e-6, 3e-3, parallel=4)),
    strays=Strays(5e-9, 5.0, 8e-9), dead_time_rising=25e-9, dead_time_falling=25e-9,
)  # fmt: skip
CORE = dataclasses.replace(
    LOGIC, name="core", voltage=3.3, load_current=60.0, phases=3, choke=Choke("L1", 1e-6, 2.5e-3, 40.0, 0.4e-6),
    diode=Diode("D1", 0.45, 10.0, 8e-3, 400e-12), outputs=(Bank("C1", 1500e-6, 12e-3, parallel=3),),
    snubber=Snubber(2.2, 2.2e-9),
)  # fmt: skip
FAN = buck.Rail(
    name="fan", rectification="diode", voltage=12.0, load_current=1.5, phases=1,
    high=Switch("Q1", 60e-3, 120e-12), diode=Diode("D1", 0.5, 3.0, 30e-3, 180e-12), choke=Choke("L1", 47e-6, 80e-3),
    outputs=(Bank("C1", 220e-6, 60e-3),), strays=Strays(12e-9, 4.0, 12e-9),
    copper_resistance=3e-3, copper_inductance=40e-9,
)  # fmt: skip
BUCKS = (
    buck.Params((Bank("C8", 10e-6, 4e-3, parallel=4), Bank("C9", 220e-6, 20e-3)), (LOGIC,), 24.0, 300e3, 5e-3, 200e-9),
    buck.Params((Bank("C8", 22e-6, 3e-3, parallel=6),), (CORE,), 12.0, 500e3, 2e-3, 60e-9),
    buck.Params((Bank("C9", 330e-6, 40e-3), Bank("C8", 4.7e-6, 8e-3)), (FAN,), 24.0, 150e3, 20e-3, 500e-9),
    buck.Params(
        (Bank("C8", 10e-6, 4e-3, parallel=4),),
        (LOGIC, dataclasses.replace(LOGIC, name="second", voltage=3.3, load_current=10.0, phase_angle=180.0)),
        24.0, 300e3, 5e-3, 200e-9, input_choke=Choke("L9", 1e-6, 4e-3),
    ),
)  # fmt: skip
BOOSTS = (
    boost_pfc.Params(
        "fixed_frequency", Switch("Q1", 75e-3, 180e-12), Diode("D1", 1.5, 8.0, 60e-3, 45e-12),
        Choke("L1", 185e-6, 38e-3, 14.0, 60e-6), (Bank("C3", 1e-6, 8e-3),), (Bank("C1", 330e-6, 0.15, parallel=2),),
        Strays(18e-9, 5.0, 12e-9), 390.0, 0.94, 65e3, 30e-3, 60e-6, rectifier_drop=1.8, phases=2,
    ),
    boost_pfc.Params(
        "fixed_frequency", Switch("Q1", 60e-3, 250e-12), Diode("D1", 1.6, 10.0, 50e-3, 60e-12),
        Choke("L1", 427e-6, 77e-3),
        (), (Bank("C1", 330e-6, 0.18),), Strays(25e-9, 4.0, 15e-9), 400.0, 0.93, 125e3, 50e-3, 100e-6,
        rectifier_drop=1.9, snubber=Snubber(22.0, 150e-12),
    ),
    boost_pfc.Params(
        "boundary", Switch("Q1", 190e-3, 90e-12), Diode("D1", 1.3, 4.0, 60e-3, 20e-12), Choke("L1", 260e-6, 120e-3),
        (Bank("C3", 0.47e-6, 10e-3),), (Bank("C1", 82e-6, 0.5),), Strays(20e-9, 5.0, 15e-9), 390.0, 0.9, 120e3, 0.2,
        200e-6, rectifier_drop=1.8, turn_on_delay=300e-9,
    ),
    boost_pfc.Params(
        "fixed_frequency", Switch("Q1", 99e-3, 120e-12), Diode("D1", 1.5, 6.0, 80e-3, 30e-12),
        Choke("L1", 350e-6, 60e-3),
        (Bank("C3", 1.5e-6, 8e-3),), (Bank("C1", 470e-6, 0.2, parallel=2), Bank("C2", 0.1e-6, 20e-3, esl=10e-9)),
        Strays(15e-9, 6.0, 10e-9), 390.0, 0.95, 70e3, 30e-3, 80e-6, rectifier_drop=1.8, phases=4,
    ),
)  # fmt: skip
POWERS = (900.0, 300.0, 100.0, 1600.0)  # of each boost design


def emulating(params: buck.Params) -> buck.Params:
    """A buck whose synchronous rails emulate diodes, with a controller's usual lead."""
    timing = {"light_load": "diode_emulation", "turn_off_lead": 40e-9, "least_on_time": 80e-9}
    rails = (
        dataclasses.replace(rail, **timing) if rail.rectification == "synchronous" else rail for rail in params.rails
    )
    return dataclasses.replace(params, rails=tuple(rails))


def flyback_of(
    mode: flyback.Mode,
    switch: Switch,
    core: tuple[float, float, float],
    clamp: Clamp,
    secondaries: tuple[Secondary, ...],
    frequency: float,
    **more: Any,
) -> flyback.Params:
    """A flyback; ``core`` is its primary's inductance, leakage and resistance."""
    windings = tuple(one.winding for one in secondaries)
    primary = Transformer("T1", windings, *core)
    return flyback.Params(
        mode, switch, primary, clamp, secondaries, Strays(25e-9, 5.0, 20e-9), frequency,
        **({"largest_duty": 0.8} | more),
    )  # fmt: skip


CLAMP = Clamp(Diode("D1", 1.3, 1.0, 0.2, 15e-12), "C1", "R1", 1.5e-9, 24e3, resistors_series=2)
FLYBACKS = (
    flyback_of(  # universal mains, 60 W, discontinuous
        "fixed_frequency", Switch("Q1", 0.6, 70e-12), (120e-6, 1.8e-6, 0.12), CLAMP,
        (
            Secondary(
                Output("main", (Bank("C4", 470e-6, 40e-3),), 12.0, 5.0), Winding(6.0, 6e-3),
                Diode("D2", 0.75, 15.0, 8e-3, 400e-12), (Bank("C3", 1500e-6, 18e-3, parallel=2),),
                Choke("L2", 2.2e-6, 5e-3),
            ),
        ),
        100e3, sense_resistance=0.243, drain_capacitance=47e-12,
    ),
    flyback_of(  # bus-fed standby, 5 V, continuous
        "fixed_frequency", Switch("Q1", 3.0, 35e-12), (2.8e-3, 60e-6, 3.5),
        dataclasses.replace(CLAMP, capacitance=1e-9, resistance=47e3),
        (
            Secondary(
                Output("standby", (Bank("C3", 1000e-6, 25e-3, parallel=2), Bank("C4", 10e-6, 4e-3)), 5.0, 2.5),
                Winding(18.0, 8e-3), Diode("D2", 0.5, 5.0, 15e-3, 350e-12), snubber=Snubber(22.0, 470e-12),
            ),
        ),
        65e3,
    ),
    flyback_of(  # universal mains, valley-switched, two rails
        "valley", Switch("Q1", 0.9, 60e-12), (450e-6, 7e-6, 0.5),
        dataclasses.replace(CLAMP, capacitance=2.2e-9, resistance=68e3, resistors_series=1),
        (
            Secondary(
                Output("main", (Bank("C3", 1000e-6, 22e-3, parallel=2),), 12.0, 2.5), Winding(7.0, 9e-3),
                Diode("D2", 0.8, 10.0, 12e-3, 250e-12),
            ),
            Secondary(
                Output("logic", (Bank("C5", 1000e-6, 25e-3),), 5.0, 1.5), Winding(16.0, 6e-3),
                Diode("D3", 0.45, 5.0, 12e-3, 300e-12),
            ),
        ),
        140e3, drain_capacitance=47e-12,
    ),
    flyback_of(  # bus-fed, 100 W, continuous, a post filter on one of two rails
        "fixed_frequency", Switch("Q1", 0.38, 90e-12, parallel=1), (900e-6, 9e-6, 0.3),
        dataclasses.replace(CLAMP, capacitance=4.7e-9, resistance=33e3, resistors_series=1, resistors_parallel=2),
        (
            Secondary(
                Output("coils", (Bank("C4", 220e-6, 60e-3),), 24.0, 3.5, 3e-3, 50e-9), Winding(5.0, 12e-3),
                Diode("D2", 0.85, 10.0, 12e-3, 120e-12), (Bank("C3", 680e-6, 28e-3, parallel=2),),
                Choke("L2", 4.7e-6, 8e-3),
            ),
            Secondary(
                Output("logic", (Bank("C5", 470e-6, 40e-3),), 12.0, 1.0), Winding(9.6, 15e-3),
                Diode("D3", 0.75, 3.0, 25e-3, 100e-12),
            ),
        ),
        70e3,
    ),
)  # fmt: skip


def drawn(owner: Any, source: random.Random) -> Any:
    """A parameter object with every number of it, and of what it holds, drawn anew around its own."""
    changes: dict[str, Any] = {}
    for field in dataclasses.fields(owner):
        value = getattr(owner, field.name)
        if dataclasses.is_dataclass(value):
            changes[field.name] = drawn(value, source)
        elif isinstance(value, tuple):
            changes[field.name] = tuple(drawn(item, source) for item in value)
        elif "unit" in field.metadata and isinstance(value, float) and value > 0:
            factor = 2 ** source.uniform(-1, 1)
            if field.name in WHOLE:
                changes[field.name] = source.choice((0.0, 90.0, 120.0, 180.0))
            elif field.name in FRACTIONS:
                changes[field.name] = 1 - (1 - value) * factor
            else:
                changes[field.name] = value * factor
    if "saturated_inductance" in changes:
        changes["saturated_inductance"] = min(changes["saturated_inductance"], changes["inductance"])
    return dataclasses.replace(owner, **changes)


def drawn_buck(seed: int) -> tuple[buck.Params, Condition]:
    """Buck record number ``seed``.

    Raises
    ------
    OptionError : the draw lies outside what a record may hold, an output above its input among them
    """
    source = random.Random(f"buck {seed}")
    params = drawn(BUCKS[seed % len(BUCKS)], source)
    condition = Condition(
        params.input_voltage, 0.0, sum(rail.voltage * rail.load_current for rail in params.rails), 25.0, supply="dc",
        load_fraction=source.choice(LOADS),
    )  # fmt: skip
    return params, condition


def drawn_emulating_buck(seed: int) -> tuple[buck.Params, Condition]:
    """Buck record number ``seed`` of the synchronous designs in diode emulation, half of them at a tenth of their load.

    Raises
    ------
    OptionError : as ``drawn_buck``
    """
    source = random.Random(f"emulating buck {seed}")
    params = drawn(emulating((BUCKS[0], BUCKS[1], BUCKS[3])[seed % 3]), source)
    power = sum(rail.voltage * rail.load_current for rail in params.rails)
    load = source.choice((0.05, 0.1, 0.25, 1.0))
    return params, Condition(params.input_voltage, 0.0, power, 25.0, supply="dc", load_fraction=load)


def drawn_boost(seed: int) -> tuple[boost_pfc.Params, Condition]:
    """Boost record number ``seed``, at an instant between 20 degrees and the crest."""
    source = random.Random(f"boost {seed}")
    design = seed % len(BOOSTS)
    params = drawn(BOOSTS[design], source)
    condition = Condition(
        source.choice((90.0, 115.0, 230.0, 264.0)), 50.0,
        POWERS[design] * 2 ** source.uniform(-1, 1) * source.choice(LOADS), 25.0,
        line_angle=source.uniform(20.0, 90.0),
    )  # fmt: skip
    return params, condition


def drawn_flyback(seed: int) -> tuple[flyback.Params, Condition]:
    """Flyback record number ``seed``, at a bus between 90 and 400 V.

    Raises
    ------
    OptionError : the draw lies outside what a record may hold
    """
    source = random.Random(f"flyback {seed}")
    params = drawn(FLYBACKS[seed % len(FLYBACKS)], source)
    windings = tuple(one.winding for one in params.secondaries)
    params = dataclasses.replace(params, primary=dataclasses.replace(params.primary, windings=windings))
    condition = Condition(
        90.0 * (400.0 / 90.0) ** source.random(), 0.0, 0.0, 25.0, supply="dc", load_fraction=source.choice(LOADS)
    )
    power = flyback.full_power(params) * condition.load_fraction
    return params, dataclasses.replace(condition, output_power=power)


def synchronous(params: flyback.Params) -> flyback.Params:
    """A flyback with a switch instead of its regulated rail's diode: 60 mV at full load, usual delays."""
    lead, *others = params.secondaries
    lead = dataclasses.replace(lead, rectifier=Switch("Q2", 0.06 / lead.output.load_current, 500e-12))
    return dataclasses.replace(
        params, secondaries=(lead, *others), rectifier_delay=70e-9, rectifier_lead=50e-9, rectifier_least_on=400e-9
    )


def drawn_synchronous_flyback(seed: int) -> tuple[flyback.Params, Condition]:
    """The same draw as ``drawn_flyback`` with a synchronous rectifier."""
    source = random.Random(f"synchronous flyback {seed}")
    params, condition = drawn_flyback(seed)
    params = synchronous(params)
    lead, *others = params.secondaries
    secondaries = (dataclasses.replace(lead, rectifier=drawn(lead.rectifier, source)), *others)
    timing = {
        name: getattr(params, name) * 2 ** source.uniform(-1, 1)
        for name in ("rectifier_delay", "rectifier_lead", "rectifier_least_on")
    }
    return dataclasses.replace(params, secondaries=secondaries, **timing), condition


def flyback_out_of_reach(params: flyback.Params, condition: Condition) -> bool:
    """Whether no duty up to the largest regulates even a lossless flyback.

    Up to a duty D a reflected voltage above Vin D / (1 - D) leaves it discontinuous, so it gives (Vin D)^2 / (2 L f) at
    most; one that runs at the boundary would need D = Vr / (Vin + Vr) or next to it.
    """
    supply, most = condition.line_voltage, params.largest_duty
    lead = params.secondaries[0]
    reflected = params.primary.ideal_ratio(lead.winding) * lead.output.voltage
    if reflected <= supply * most / (1 - most):
        return False
    available = (supply * most) ** 2 / (2 * params.primary.primary_inductance * params.switching_frequency)
    return params.mode == "valley" or condition.output_power > available
