"""Captures of a bench that knows its truth: inrush by ``own_equations.py``, an instrument's errors drawn.

The supply is of our own invention and as small as a record may be. Its waveforms come from scipy, never from ngspice;
the record only says in which ranges the values lie.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from references.rectifier.own_equations import Disc, Junction, OwnRectifier

from harness.contracts import Capture, Channel, FloatArray
from harness.store import captures

VOLTAGE, FREQUENCY, ANGLE, AMBIENT = 230.0, 50.0, 70.0, 25.0
STEP, BEFORE, LENGTH = 10e-6, 1.5e-3, 13.5e-3  # of the capture: between samples, before and after switching on [s]
NOISE, GAIN, OFFSET, TIME_BASE = 0.2, 0.03, 0.1, 1e-4  # A; stated uncertainties, two standard deviations
COVERAGE = 2.0
DISC = "stages.mains.parts.RT1"
RESISTANCE, INDUCTANCE, B_VALUE = f"{DISC}.resistance_25", "line.inductance", f"{DISC}.b_value"

RECORD = """\
schema = 1
name = "kettle-40"
title = "a bench supply of our own invention, only its line side"
[nameplate.input_bands.mains]
voltage_low = "230"
voltage_high = "230"
frequency_low = "50"
frequency_high = "50"
output_power = "40"
[nameplate]
ambient = { value = "25", known = "marked" }
[line]
known = "marked"
resistance = "0.4"
inductance = { value = "400u", low = "100u", high = "800u", known = "assumed" }
[stages.mains]
kind = "rectifier_bulk"
known = "marked"
feed = "bridge"
load = "constant_power"
converter_efficiency = "85%"
holdup_end_voltage = "100"
undervoltage_cutoff = "90"
undervoltage_restart = "110"
[stages.mains.parts.RT1]
kind = "thermistor"
role = "inrush_limiter"
known = "marked"
resistance_25 = { value = "5", low = "3.5", high = "6.5", known = "assumed", effort = 2 }
b_value = B_VALUE
dissipation_constant = "14m"
time_constant = "20"
[stages.mains.parts.BD1]
kind = "bridge_rectifier"
role = "rectifier"
known = "marked"
forward_voltage = "0.95"
forward_test_current = "3"
slope_resistance = "20m"
[stages.mains.parts.C1]
kind = "electrolytic_capacitor"
role = "bulk"
known = "marked"
capacitance = CAPACITANCE
voltage_rating = "400"
esr = "0.5"
"""
EXACT = {"B_VALUE": '"2800"', "CAPACITANCE": '"100u"'}
OPEN = {
    "B_VALUE": '{ value = "2800", low = "2500", high = "3100", known = "assumed" }', "CAPACITANCE": '"100u 10%"',
}  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What the bench has in front of it: thermistor, line, bulk; SI."""

    resistance: float = 4.55
    inductance: float = 330e-6
    b_value: float = 2800.0
    capacitance: float = 100e-6


@cache
def current(truth: Truth) -> tuple[FloatArray, FloatArray]:
    """Line current [A] from 1.5 ms before switching on, and its time [s]."""
    time = np.arange(-BEFORE, LENGTH, STEP)
    own = OwnRectifier(
        VOLTAGE * math.sqrt(2), FREQUENCY, math.radians(ANGLE), 0.4, truth.inductance, Junction(0.95, 3.0, 0.02, 1.8),
        ((truth.capacitance, 0.5),), disc=Disc(truth.resistance, truth.b_value, 14e-3, 14e-3 * 20), ambient=AMBIENT,
    )  # fmt: skip
    values, on = np.zeros_like(time), time >= 0
    values[on] = own.solve(LENGTH, 0.0, time[on])[0]
    return time, values * np.sign(np.sin(2 * np.pi * FREQUENCY * time + math.radians(ANGLE)))  # a bridge hides the sign


def write_record(folder: Path, texts: dict[str, str]) -> Path:
    """The record, with its b-value and capacitance as given."""
    text = RECORD
    for name, value in texts.items():
        text = text.replace(name, value)
    file = folder / "kettle-40.toml"
    file.write_text(text, encoding="utf-8")
    return file


def take(record: Path, truth: Truth, seed: int, *, noise: float = NOISE, gain: float | None = None) -> str:
    """A capture stored beside the record: gain, offset and lag of the instrument and its noise drawn; its name.

    ``gain`` is the instrument's own error, in place of a drawn one.
    """
    draw = np.random.default_rng(seed)
    time, values = current(truth)
    errors = draw.normal(size=2) / COVERAGE * np.array([GAIN, OFFSET])
    lag = draw.uniform(-1e-3, 1e-3)
    shown = (1 + (errors[0] if gain is None else gain)) * values + errors[1] + draw.normal(0, noise, len(time))
    channel = Channel("line_current", "A", "clamp", shown, GAIN, OFFSET)
    name = f"seed-{seed}"
    source = {"file": f"{name}.csv", "sha256": f"{seed:064x}", "modified_utc": "2026-11-20T10:00:00+00:00"}
    capture = Capture(
        name, "kettle-40", "mains", time - lag, (channel,), -lag, TIME_BASE, "inrush", "highest line", VOLTAGE, None,
        "2026-11-20", "", source, "2026-11-20T10:00:00+00:00", (),
    )  # fmt: skip
    captures.write(record, capture, replace=True)
    return name
