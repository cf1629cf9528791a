"""Random two-switch forward converters for the robustness campaign: ranges committed before anything was tuned to them.

A design is drawn as a designer would choose it (bus, output, frequency, duty at the nominal bus, ripple of the choke,
magnetising current, leakage); parts follow common practice; then its bus and load move. All values are of our own
invention. A draw the solver fails is a failure: every bus drawn is one at which the duty stays below its largest.
"""

from __future__ import annotations

import math
import random

from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Snubber, Strays, Switch
from netlists.stages.transformer import Transformer, Winding
from netlists.stages.two_switch_forward import Params

POWERS = (100.0, 800.0)  # [W]
VOLTAGES = (5.0, 12.0, 24.0, 48.0)  # [V]
FREQUENCIES = (60e3, 150e3)  # [Hz]
BUSES = (280.0, 400.0)  # nominal [V]
DUTIES = (0.24, 0.38)  # at the nominal bus
MOST_DUTY = 0.44  # at the bus drawn; the largest is 0.45 to 0.5
BUS_MOVES = (0.7, 1.12)  # of the nominal bus
LOADS = (1.0, 0.5, 0.25, 0.1)
CHOKE_RIPPLES = (0.15, 0.6)  # peak to peak over the full load's current, at the nominal bus
MAGNETISING = (0.04, 0.2)  # peak of the magnetising current over the load's seen from the primary
LEAKAGES = (0.002, 0.012)  # of the primary's inductance
MOST_PIECE_CURRENT = 20.0  # of one diode [A]


def log_uniform(source: random.Random, low: float, high: float) -> float:
    return math.exp(source.uniform(math.log(low), math.log(high)))


def drawn_forward(seed: int) -> tuple[Params, Condition]:
    """Forward converter number ``seed``, and a bus and a load it works at."""
    source = random.Random(f"forward {seed}")
    power, voltage = log_uniform(source, *POWERS), source.choice(VOLTAGES)
    current = power / voltage
    frequency, bus, duty = source.uniform(*FREQUENCIES), source.uniform(*BUSES), source.uniform(*DUTIES)
    schottky = voltage <= 12
    forward_voltage = source.uniform(0.45, 0.75) if schottky else source.uniform(0.85, 1.3)
    ratio = duty * bus / (voltage + forward_voltage)
    seen = current / ratio
    inductance = bus * duty / frequency / (seen * source.uniform(*MAGNETISING))
    leakage = inductance * log_uniform(source, *LEAKAGES)
    copper = source.uniform(0.002, 0.01)  # of the power, lost in each winding
    transformer = Transformer(
        "T1", (Winding(ratio, copper * voltage / current / duty),), inductance, leakage, copper * bus / seen
    )
    return _params(source, transformer, (bus, duty, frequency), (voltage, current, forward_voltage))


def _params(
    source: random.Random,
    transformer: Transformer,
    drive: tuple[float, float, float],
    output: tuple[float, float, float],
) -> tuple[Params, Condition]:
    """Parts around a transformer; drive: bus [V], duty, frequency [Hz]; output: [V], [A], its diodes' drop [V]."""
    bus, duty, frequency = drive
    voltage, current, forward_voltage = output
    ratio = transformer.windings[0].ratio
    seen = current / ratio
    pieces = max(1, math.ceil(current / MOST_PIECE_CURRENT))
    each = current / pieces

    def rectifier(designator: str) -> Diode:
        slope = source.uniform(0.1, 0.3) * forward_voltage / each
        capacitance = each * (20e-12 if voltage <= 12 else 6e-12) * 2 ** source.uniform(-1, 1)
        return Diode(designator, forward_voltage, each, slope, capacitance, pieces)

    def switch(designator: str, resistance: float, capacitance: float) -> Switch:
        return Switch(designator, resistance * source.uniform(0.8, 1.25), capacitance * source.uniform(0.8, 1.25))

    loss = source.uniform(0.004, 0.015)  # of the power, in each switch
    on_resistance = loss * bus / seen
    output_capacitance = log_uniform(source, 40e-12, 250e-12) * max(seen / 2, 0.5)
    clamps = [
        Diode(name, source.uniform(0.9, 1.4), 1.0, source.uniform(0.05, 0.15), log_uniform(source, 8e-12, 30e-12))
        for name in ("D1", "D2")
    ]
    inductance = voltage * (1 - duty) / frequency / (current * source.uniform(*CHOKE_RIPPLES))
    saturation = (current * source.uniform(0.9, 1.8), inductance * source.uniform(0.2, 0.5))
    choke = Choke("L1", inductance, source.uniform(0.003, 0.012) * voltage / current,
                  *(saturation if source.random() < 0.4 else ()))  # fmt: skip
    esr = source.uniform(0.002, 0.02) * voltage / current
    banks = [Bank("C1", 10e-6 * current * 12 / voltage * source.uniform(3, 10), esr * 2, parallel=2)]
    if source.random() < 0.5:
        banks.append(Bank("C2", 10e-6, source.uniform(2e-3, 10e-3), parallel=2))
    across = rectifier("D4")
    snubber = None
    if source.random() < 0.5:
        capacitance = across.junction_capacitance * pieces * source.uniform(1.0, 4.0)
        characteristic = math.sqrt(transformer.leakage_inductance / ratio**2 / (across.junction_capacitance * pieces))
        snubber = Snubber(characteristic * source.uniform(0.5, 2.0), capacitance)
    lowest = ratio * (voltage + 1.5 * forward_voltage) / MOST_DUTY
    moved = max(bus * source.uniform(*BUS_MOVES), 1.06 * lowest)
    params = Params(
        high=switch("Q1", on_resistance, output_capacitance),
        low=switch("Q2", on_resistance, output_capacitance),
        high_clamp=clamps[0],
        low_clamp=clamps[1],
        transformer=transformer,
        forward=rectifier("D3"),
        freewheel=across,
        choke=choke,
        output=Output("main", tuple(banks), voltage, current),
        strays=Strays(log_uniform(source, 10e-9, 60e-9), source.uniform(2, 8), source.uniform(8e-9, 30e-9)),
        switching_frequency=frequency,
        largest_duty=source.uniform(0.45, 0.5),
        leakage_quality=source.uniform(3, 15),
        snubber=snubber,
    )
    fraction = source.choice(LOADS)
    condition = Condition(
        moved, 0.0, voltage * current * fraction, 25.0, supply="dc", load_fraction=fraction
    )  # fmt: skip
    return params, condition
