"""What a capture and a simulated waveform differ by, number by number, and whether that is more than is uncertain.

Waveforms and plain data in, rows out: no file.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from harness.contracts import Capture, Channel, FloatArray
from harness.judge.tolerances import TOLERANCES
from harness.judge.uncertainty import agrees, combined, predicted_uncertainty
from harness.postprocess.alignment import Alignment, noise_of
from harness.postprocess.overlay import FIGURES, SURGE_FIGURES, Figure, Remainder, remainder
from harness.postprocess.waveform import window

Waveform = tuple[FloatArray, FloatArray]  # time [s] and values
Method = Literal["correlation", "level", "trigger"]

SCHEMA = 1
SURGES = ("inrush", "hot_restart", "held_relay")  # studies whose line current is a surge
SURGE_SIGNAL = "line_current"
# signal and figure -> metrics of the assessment that are the same number, where windows agree
PREDICTED: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("line_current", "surge_peak"): ("inrush_peak", "hot_restart_peak", "held_relay_peak"),
    ("line_current", "surge_i2t"): ("inrush_i2t", "hot_restart_i2t"),
    ("line_current", "rms"): ("line_current_rms",),
    ("bulk_voltage", "highest"): ("bulk_voltage_peak",),
    ("bulk_voltage", "lowest"): ("bulk_voltage_trough",),
    ("bulk_voltage", "peak_to_peak"): ("bulk_ripple",),
    ("rectified_current", "highest"): ("rectifier_current_peak",),
    ("thermistor_current", "rms"): ("thermistor_current_rms",),
}
LEAST_CORRELATION = 0.8  # below it an alignment is not to be trusted: another course
LEAST_CONCORDANCE = 0.8  # below it, of one course: a factor or a level that a reader must look at
SAME = 0.02  # a figure over this window and the assessment's metric are one number within this share
RIPPLE = frozenset({"peak_to_peak"})
EXTREMES = frozenset({"highest", "lowest", "surge_peak"})


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One number of both waveforms.

    Parameters
    ----------
    difference : predicted less measured [unit]
    uncertainty : of the difference, below and above [unit]
    counted : what of the prediction is in it
    """

    name: str
    unit: str
    measured: float
    predicted: float
    difference: float
    uncertainty: tuple[float, float]
    counted: str
    consistent: bool


@dataclass(frozen=True, slots=True)
class Overlaid:
    """All that is said of a capture over a run.

    Parameters
    ----------
    start, stop : window on the run's time [s]
    noise : of the capture, standard deviation [unit]
    """

    start: float
    stop: float
    rows: tuple[FigureRow, ...]
    left: Remainder
    noise: float

    @property
    def consistent(self) -> bool:
        """Whether every number agrees within its uncertainty."""
        return all(row.consistent for row in self.rows)


@dataclass(frozen=True, slots=True)
class Compared:
    """A capture over a run.

    Parameters
    ----------
    measured : on the run's time;  reference : the run's own waveform
    notes : what a reader must know, a line each
    lag_uncertainty : either way [s]
    """

    capture: Capture
    channel: Channel
    run_id: str
    study: str
    condition: str
    alignment: Alignment
    method: Method
    measured: Waveform
    reference: Waveform
    found: Overlaid
    notes: tuple[str, ...]
    lag_uncertainty: float

    @property
    def is_trusted(self) -> bool:
        """Whether both have one course, so that the alignment means something; how large they are the numbers say."""
        return self.alignment.correlation >= LEAST_CORRELATION

    def to_json(self) -> str:
        """All numbers as JSON text, in SI."""
        content = {
            "schema": SCHEMA, "record": self.capture.record, "instance": self.capture.instance,
            "capture": self.capture.name, "source": dict(self.capture.source), "signal": self.channel.signal,
            "unit": self.channel.unit, "gain": self.channel.gain, "offset": self.channel.offset, "run_id": self.run_id,
            "study": self.study, "condition": self.condition, "aligned_by": self.method, "lag": self.alignment.lag,
            "lag_uncertainty": self.lag_uncertainty, "concordance": self.alignment.concordance,
            "correlation": self.alignment.correlation, "window": [self.found.start, self.found.stop],
            "noise": self.found.noise, "numbers": [asdict(row) for row in self.found.rows],
            "remaining": asdict(self.found.left), "trusted": self.is_trusted, "notes": list(self.notes),
        }  # fmt: skip
        return json.dumps(content, indent=2, allow_nan=False)

    @property
    def exit_code(self) -> int:
        """0 where all numbers agree at an alignment to be trusted, else 1."""
        return 0 if self.is_trusted and self.found.consistent else 1


def overlaid(
    channel: Channel, measured: Waveform, reference: Waveform, span: tuple[float, float], timing: tuple[float, float],
    study: str, rows: Sequence[Mapping[str, Any]],
) -> Overlaid:  # fmt: skip
    """Takes the same numbers from both waveforms over a window and compares them.

    Parameters
    ----------
    measured : already on the reference's time
    timing : share by which the capture's time may be off, and how far its lag may [s]
    rows : of the assessment, those whose metrics the run gave

    Raises
    ------
    ValueError : the window reaches beyond either waveform
    """
    ours, theirs = window(*reference, *span), window(*measured, *span)
    figures = dict(FIGURES)
    if study in SURGES and channel.signal == SURGE_SIGNAL:
        figures = {**SURGE_FIGURES, "mean": FIGURES["mean"], "rms": FIGURES["rms"]}
    noise = noise_of(theirs[1])
    found = []
    for name, figure in figures.items():
        reading, prediction = figure(*theirs), figure(*ours)
        of_reading = reading_uncertainty(name, figure, channel, measured, span, timing, noise)
        of_prediction, counted = prediction_uncertainty(channel.signal, name, prediction, study, rows)
        either = combined(of_prediction, of_reading)
        difference = prediction - reading
        unit = "A2s" if name == "surge_i2t" else channel.unit
        found.append(
            FigureRow(name, unit, reading, prediction, difference, either, counted, agrees(difference, either))
        )
    return Overlaid(*span, tuple(found), remainder(reference, measured, *span), noise)


def reading_uncertainty(
    name: str, figure: Figure, channel: Channel, measured: Waveform, span: tuple[float, float],
    timing: tuple[float, float], noise: float,
) -> tuple[float, float]:  # fmt: skip
    """How far below and above its reading the true number may lie; SI, both >= 0.

    Gain, offset, time base and lag are put into the waveform one at a time and the number is taken again; root sum of
    squares (numerical propagation, JCGM 100:2008, 5.1.3 note 2; from memory), either side by itself. Noise lifts
    extremes and squares and lowers none: by at most what ``noise_excess`` says.
    """
    time, values = window(*measured, *span)
    reading = figure(time, values)
    time_base, lag = timing
    changed = [
        (figure(time, values * (1 + sign * channel.gain)), figure(time, values + sign * channel.offset),
         figure(time[0] + (time - time[0]) * (1 + sign * time_base), values),
         figure(*window(*measured, max(span[0] + sign * lag, measured[0][0]),
                        min(span[1] + sign * lag, measured[0][-1]))))
        for sign in (-1.0, 1.0)
    ]  # fmt: skip
    below, above = 0.0, 0.0
    for ends in zip(*changed, strict=True):
        below += (reading - min(*ends, reading)) ** 2
        above += (max(*ends, reading) - reading) ** 2
    too_high, too_low = noise_excess(name, (time, values), reading, noise)
    return math.hypot(math.sqrt(below), too_high), math.hypot(math.sqrt(above), too_low)


def lag_uncertainty(
    align: Callable[[Waveform], Alignment | None], lag: float, channel: Channel, measured: Waveform
) -> float:
    """How far the lag may be off either way [s]: gain and offset put in one at a time, and what noise does.

    Noise moves the top of a correlation by its deviation over the root of the samples' squared slopes (Cramer-Rao
    bound of a delay in white noise, from memory); two deviations are taken, as ranges are bounds.

    Parameters
    ----------
    align : lays a changed waveform over the reference near the lag [s] that was found; None where it cannot
    """
    time, values = measured
    square = 0.0
    for one, other in (
        (values * (1 - channel.gain), values * (1 + channel.gain)),
        (values - channel.offset, values + channel.offset),
    ):
        ends = [align((time, changed)) for changed in (one, other)]
        square += max((end.lag - lag) ** 2 if end else 0.0 for end in ends)
    slopes = float(np.sqrt(np.sum(np.gradient(values, time) ** 2)))
    by_noise = 2 * noise_of(values) / slopes if slopes > 0 else 0.0
    return math.hypot(math.sqrt(square), by_noise)


def noise_excess(name: str, measured: Waveform, reading: float, noise: float) -> tuple[float, float]:
    """By how much white noise may make a number read too high, and too low; SI, both >= 0.

    Of n samples' noise the largest is at most some noise times sqrt(2 ln n) (extreme value of Gaussian samples, from
    memory): reached where the waveform is flat at its extreme, so it is a bound. A mean square reads the noise's own
    mean square too high; between samples taken straight two thirds of it remain, the whole is taken.
    """
    time, _ = measured
    largest = noise * math.sqrt(2 * math.log(max(len(time), 2)))
    if name in ("highest", "surge_peak"):
        return largest, 0.0
    if name == "lowest":
        return 0.0, largest
    if name == "peak_to_peak":
        return 2 * largest, 0.0
    if name == "rms":
        return reading - math.sqrt(max(reading**2 - noise**2, 0.0)), 0.0
    if name == "surge_i2t":
        return noise**2 * float(time[-1] - time[0]), 0.0
    return (noise / math.sqrt(len(time)),) * 2


def prediction_uncertainty(
    signal: str, name: str, prediction: float, study: str, rows: Sequence[Mapping[str, Any]]
) -> tuple[tuple[float, float], str]:
    """How far below and above the predicted number may lie, and what is in that, in words.

    The swings of the record's open inputs where the assessment has this very number; the time steps' part always.
    """
    kind = "ripple" if name in RIPPLE else "ringing" if name in EXTREMES and study not in SURGES else "mean"
    if kind == "ringing" and study in ("line_ripple", "holdup"):
        kind = "mean"  # smooth waveforms of the line
    steps = TOLERANCES[kind].relative * abs(prediction)
    for row in rows:
        if row["metric"] not in PREDICTED.get((signal, name), ()) or row["value"] in (None, 0):
            continue
        found = predicted_uncertainty(row)
        if found is not None and abs(prediction - row["value"]) <= SAME * abs(row["value"]):
            share = abs(prediction / row["value"])
            return (math.hypot(found[0] * share, steps), math.hypot(found[1] * share, steps)), "inputs"
    return (steps, steps), "solver"


def amplitude_band(channel: Channel, values: FloatArray) -> FloatArray:
    """How far either way each sample's true value may lie by gain and offset; shape of ``values``."""
    return np.hypot(channel.gain * np.abs(values), channel.offset)
