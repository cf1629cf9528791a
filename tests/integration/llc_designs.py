"""Random LLC converters for the robustness campaign: ranges are committed before anything was tuned to them.

A design is drawn as a designer would choose it (bus, output, resonance, inductance ratio, quality factor, a ratio that
puts nominal operation near the resonance), then its bus and load move. Values of parts follow common practice.
"""

from __future__ import annotations

import math
import random

from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.llc import Params
from netlists.stages.outputs import Output
from netlists.stages.switching import Choke, Diode, Strays, Switch
from netlists.stages.transformer import Transformer, Winding

BUSES = (330.0, 420.0)  # [V]
OUTPUTS = ((5.0, 100.0), (12.0, 30.0), (12.0, 100.0), (24.0, 20.0), (48.0, 20.0))  # [V, A]
LOADS = (1.0, 0.5, 0.2, 0.1)
RESONANCES = (60e3, 200e3)  # [Hz]
INDUCTANCE_RATIOS = (3.0, 10.0)
QUALITIES = (0.2, 0.6)
GAINS = (0.9, 1.1)  # nominal output over that at the resonance
DEAD_TIMES = (100e-9, 300e-9)  # [s]


def drawn_llc(seed: int) -> tuple[Params, Condition]:
    """LLC converter number ``seed``, and a bus and a load it works at."""
    source = random.Random(f"llc {seed}")
    voltage, current = source.choice(OUTPUTS)
    bridge = source.choice(("half", "full"))
    secondary = source.choice(("centre_tapped", "bridge")) if voltage >= 24 else "centre_tapped"
    rectification = source.choice(("synchronous", "synchronous", "diode"))
    count = source.choice((1, 1, 1, 2))
    nominal = source.uniform(380.0, 400.0)
    drive = nominal if bridge == "full" else 0.5 * nominal
    drop = 0.8 * (1 if secondary == "centre_tapped" else 2) if rectification == "diode" else 0.05
    resonance, ratio = source.uniform(*RESONANCES), source.uniform(*INDUCTANCE_RATIOS)
    ideal = drive / (voltage + drop) / source.uniform(*GAINS) / count  # of each transformer
    load = 8 / math.pi**2 * (ideal * count) ** 2 * voltage / current
    characteristic = source.uniform(*QUALITIES) * load
    series, capacitance = (characteristic / (2 * math.pi * resonance), 1 / (2 * math.pi * resonance * characteristic))
    magnetising = ratio * series
    apart = source.random() < 0.5  # a series inductor besides little leakage, or all of it leakage
    leakage = (0.03 * series if apart else series) / count
    transformers = []
    for index in range(count):
        own = magnetising / count * source.uniform(0.97, 1.03)
        coupling = math.sqrt(own / (own + leakage))
        transformers.append(
            Transformer(
                f"T{index + 1}",
                (Winding(ideal / coupling, 0.002 * voltage / current),),
                own + leakage,
                leakage,
                0.004 * load / count,
            )
        )
    pieces = max(1, round(current / 25))
    synchronous = Switch("Q7", source.uniform(1e-3, 3e-3), source.uniform(0.5e-9, 1.5e-9), parallel=pieces)
    diode = Diode("D7", 0.8, current / pieces, 0.1 / (current / pieces), source.uniform(0.2e-9, 0.8e-9), pieces)
    params = Params(
        bridge=bridge,  # type: ignore[arg-type]
        secondary=secondary,  # type: ignore[arg-type]
        rectification=rectification,  # type: ignore[arg-type]
        switch=Switch("Q3", source.uniform(0.05, 0.3), source.uniform(60e-12, 300e-12)),
        resonant=(Bank("C10", 0.5 * capacitance, 10e-3, parallel=2),),
        split=(),
        transformers=tuple(transformers),
        output=Output(
            "main", (Bank("C20", 20e-6 * current * 12 / voltage, 0.2 * voltage / current / 12, parallel=4),), voltage,
            current,
        ),
        strays=Strays(source.uniform(2e-9, 10e-9), source.uniform(3.0, 6.0), source.uniform(8e-9, 20e-9)),
        lowest_frequency=1.05 * resonance / math.sqrt(1 + ratio),
        highest_frequency=min(2.3 * resonance, 0.24 / DEAD_TIMES[1]),
        dead_time=source.uniform(*DEAD_TIMES),
        series=Choke("L5", 0.97 * series, 0.004 * load) if apart else None,
        synchronous=synchronous if rectification == "synchronous" else None,
        diode=diode if rectification == "diode" else None,
        turn_on_delay=source.uniform(30e-9, 150e-9),
        turn_off_lead=source.uniform(20e-9, 120e-9),
        least_on_time=200e-9,
    )  # fmt: skip
    fraction = source.choice(LOADS)
    bus = source.uniform(*BUSES)
    return params, Condition(bus, 0.0, voltage * current * fraction, 25.0, supply="dc", load_fraction=fraction)
