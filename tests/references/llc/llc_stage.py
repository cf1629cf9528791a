"""The product's LLC stage of near-ideal parts, and the same converter as a circuit of ``ideal_llc.py``.

Near ideal: picofarads, nanoseconds of dead time, strays that end at once. What conducts is in both: resistances, and a
diode as the straight line that touches its curve at the mean current of a conducting half period. Rectifiers have a
picofarad; turning it over takes about pi sqrt(L K), L the tank's inductances beside each other, so the converters work
at tens of kilohertz, at which that is under a thousandth of the period. A snubber, as small, ends its ring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from ideal_llc import Capacitor, Circuit

from harness.contracts import Control, FloatArray, Periodic, Run
from harness.plan import llc_bench
from harness.postprocess import waveform
from harness.simulate import periodic
from netlists.periodic import Level
from netlists.point import Condition
from netlists.stages.banks import Bank
from netlists.stages.llc import Params
from netlists.stages.outputs import Output
from netlists.stages.switching import Diode, Snubber, Strays, Switch
from netlists.stages.transformer import Transformer, Winding

ON, WINDING, SLOPE, ESR = 1e-3, 1e-3, 1e-4, 1e-4  # [ohm]
PICOFARAD, DEAD_TIME = 1e-12, 5e-9
STRAYS = Strays(loop_inductance=1e-10, loop_quality=1.0, switching_time=2e-9)
FORWARD_VOLTAGE, TEST_CURRENT = 0.4, 1.0  # of every diode
# Of a period, search and final. Above the resonance a picofarad turns over in 0.1 us, an eighth of the product's own
# step at 3 kHz: with that, halved steps moved the tank's current by half a percent, and the run was not verified.
STEPS = (1000, 1600)
EMISSION_VOLTAGE = 1.05 * 25.865e-3  # of a Schottky diode at 27 degC; k T / q is a constant of nature [V]


@dataclass(frozen=True)
class Converter:
    """What both sides are made of; SI units.

    Parameters
    ----------
    resonance : [Hz];  inductance_ratio : magnetising over series
    quality : characteristic impedance over 8 n^2 R / pi^2 at full load
    ratio : ideal, of the windings;  outputs : banks of the output;  snubbed : a snubber stands across each rectifier
    """

    bridge: str
    resonance: float
    inductance_ratio: float
    quality: float
    ratio: float
    voltage: float
    current: float
    outputs: tuple[Bank, ...]
    secondary: str = "centre_tapped"
    snubbed: bool = True

    @property
    def series(self) -> float:
        return self.characteristic / (2 * math.pi * self.resonance)

    @property
    def capacitance(self) -> float:
        return 1 / (2 * math.pi * self.resonance * self.characteristic)

    @property
    def characteristic(self) -> float:
        """Characteristic impedance [ohm]."""
        return self.quality * 8 / math.pi**2 * self.ratio**2 * self.voltage / self.current


def straight_line(current: float) -> tuple[float, float]:
    """Drop [V] and resistance [ohm] of the line that touches a diode's curve at a current; Shockley's equation."""
    junction = FORWARD_VOLTAGE - SLOPE * TEST_CURRENT + EMISSION_VOLTAGE * math.log(current / TEST_CURRENT)
    return junction - EMISSION_VOLTAGE, SLOPE + EMISSION_VOLTAGE / current


def stage_of(of: Converter) -> Params:
    """The product's parameters: all of the series inductance is leakage."""
    magnetising = of.inductance_ratio * of.series
    coupling = math.sqrt(magnetising / (magnetising + of.series))
    winding = Winding(of.ratio / coupling, WINDING)
    ringing = math.sqrt(of.series * magnetising / (of.series + magnetising) / PICOFARAD) / of.ratio
    return Params(
        bridge=of.bridge,  # type: ignore[arg-type]
        secondary=of.secondary,  # type: ignore[arg-type]
        rectification="diode",
        switch=Switch("Q1", ON, PICOFARAD),
        resonant=(Bank("C1", of.capacitance, ESR),),
        split=(),
        transformers=(Transformer("T1", (winding,), magnetising + of.series, of.series, WINDING),),
        output=Output("rail", of.outputs, of.voltage, of.current),
        strays=STRAYS,
        lowest_frequency=1.02 * of.resonance / math.sqrt(1 + of.inductance_ratio),
        highest_frequency=3 * of.resonance,
        dead_time=DEAD_TIME,
        diode=Diode("D1", FORWARD_VOLTAGE, TEST_CURRENT, SLOPE, PICOFARAD),
        snubber=Snubber(0.5 * ringing, 3 * PICOFARAD) if of.snubbed else None,
    )


def circuit_of(of: Converter, bus: float, load: float) -> Circuit:
    """The ideal circuit at a bus [V] and a share of the full load."""
    in_path = 1 if of.secondary == "centre_tapped" else 2
    drop, resistance = straight_line(of.current * load)
    return Circuit(
        bus, of.bridge == "full", of.series, of.inductance_ratio * of.series, of.capacitance, of.ratio,
        of.voltage / (of.current * load),
        tuple(Capacitor(bank.capacitance * bank.parallel, bank.esr / bank.parallel) for bank in of.outputs),
        (2 if of.bridge == "full" else 1) * ON + WINDING + ESR,
        WINDING + in_path * resistance,
        in_path * drop,
    )  # fmt: skip


def condition_of(of: Converter, bus: float, load: float) -> Condition:
    return Condition(bus, 0.0, of.voltage * of.current * load, 25.0, supply="dc", load_fraction=load)


def settled(of: Converter, bus: float, load: float) -> tuple[Run, float]:
    """The stage's run and the frequency that regulates it [Hz]."""
    case = llc_bench.case(stage_of(of), condition_of(of, bus, load), "steady")[0]
    assert isinstance(case.analysis, Periodic)
    analysis = replace(case.analysis, steps_search=STEPS[0], steps_final=STEPS[1])
    run = periodic.settle(replace(case, analysis=analysis), "reference").run
    return run, run.solution["control.0.frequency"]


def bus_at(of: Converter, frequency: float, bus: float) -> float:
    """The bus at which the stage regulates at a frequency [Hz] and full load, sought from a bus near it [V]."""
    case = llc_bench.case(stage_of(of), condition_of(of, bus, 1.0), "steady")[0]
    assert isinstance(case.analysis, Periodic)
    gates = tuple(Level("vfeed") if gate.source == "vfeed" else gate for gate in case.analysis.gates)
    control = Control("voltage", bus, 0.7 * bus, 1.4 * bus)
    analysis = replace(case.analysis, frequency=frequency, controls=(control,), gates=gates)
    found = periodic.settle(replace(case, analysis=analysis), "reference")
    return found.run.solution["control.0.voltage"]


def last_period(run: Run, frequency: float) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Times and signals of the last period of a run."""
    assert run.axis is not None
    axis, found = run.axis.values, {}
    span = (float(axis[-1]) - 1 / frequency, float(axis[-1]))
    time = axis
    for name, signal in run.signals.items():
        time, found[name] = waveform.window(axis, signal.values, *span)
    return time, found
