"""Numbers taken in the same way from two waveforms over one window, and what remains between them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from harness.contracts import FloatArray
from harness.postprocess.waveform import integral_of_square, mean, rms, window

Figure = Callable[[FloatArray, FloatArray], float]  # time [s] and values of the window -> number

FIGURES: Mapping[str, Figure] = {
    "highest": lambda time, values: float(np.max(values)),
    "lowest": lambda time, values: float(np.min(values)),
    "peak_to_peak": lambda time, values: float(np.ptp(values)),
    "mean": mean,
    "rms": rms,
}
# Of a surge the largest magnitude counts, whichever way round the probe hung
SURGE_FIGURES: Mapping[str, Figure] = {
    "surge_peak": lambda time, values: float(np.max(np.abs(values))),
    "surge_i2t": integral_of_square,
}


@dataclass(frozen=True, slots=True)
class Remainder:
    """Measured less reference over the window, in the signal's unit.

    Parameters
    ----------
    rms : time-weighted;  largest : largest magnitude;  at : where that stands [s]
    span : highest less lowest of the reference, to scale them by
    """

    rms: float
    largest: float
    at: float
    span: float


def remainder(
    reference: tuple[FloatArray, FloatArray], measured: tuple[FloatArray, FloatArray], start: float, stop: float
) -> Remainder:
    """What remains of the measured waveform where the reference is taken off, both on one time.

    Raises
    ------
    ValueError : the window reaches beyond either
    """
    time, values = window(*measured, start, stop)
    left = values - np.interp(time, *reference)
    worst = int(np.argmax(np.abs(left)))
    _, ours = window(*reference, start, stop)
    return Remainder(rms(time, left), float(abs(left[worst])), float(time[worst]), float(np.ptp(ours)))
