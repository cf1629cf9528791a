"""What a fit found of each value, whether it may be offered, and why not. Numbers in, verdicts and texts out."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.stats import norm

from harness.contracts import Capture, Channel
from harness.judge.captured import LEAST_CORRELATION
from harness.postprocess.alignment import Alignment
from harness.postprocess.course_fit import Course, Reading
from harness.postprocess.fit_quality import Quality
from netlists.formulas import FITTED
from netlists.quantity import Quantity, engineering

SCHEMA = 1
CONFIDENCE = 0.95
HALF_WIDTH = float(norm.ppf(0.5 + CONFIDENCE / 2))  # standard deviations
AT_END = 0.005  # of a range: this near its end, the end holds the value and not the capture
SAME = 0.99  # correlation beyond which two values cannot be told apart
NO_NEWS = 0.9  # of a range: an interval this wide says what the range said
LARGEST_PULL = 4.0  # standard deviations: twice a stated uncertainty
FEWEST_INDEPENDENT = 50  # samples, correlation counted: fewer do not show how far residuals run together
SPARE_DIGITS = 0.01  # of the interval's half: how far a printed value may be rounded


@dataclass(frozen=True, slots=True)
class Input:
    """Something the simulation is given that the fit moves.

    Parameters
    ----------
    path : record path, or the switch-on angle's name;  low, nominal, high : of its range
    role : ``value`` is asked for; ``angle`` and ``other`` are moved so that the intervals know of them
    """

    path: str
    unit: str
    low: float
    nominal: float
    high: float
    role: str

    def scaled(self, share: float) -> float:
        """SI value at a share of the range."""
        return self.low + share * (self.high - self.low)

    def share(self, value: float) -> float:
        """Where a value lies in the range: 0 at its low end, 1 at its high one."""
        return (value - self.low) / (self.high - self.low)


@dataclass(frozen=True, slots=True)
class FittedValue:
    """One value found; ``why`` says why it is not offered, empty where it is.

    Parameters
    ----------
    low, high : 95 % interval, cut to the range;  widened : variance by correlated residuals over that of white ones
    """

    input: Input
    value: float
    low: float
    high: float
    widened: float
    why: str

    @property
    def offered(self) -> bool:
        return not self.why


@dataclass(frozen=True, slots=True)
class FittedCapture:
    """A fit of a capture.

    Parameters
    ----------
    others : moved within their ranges as nuisance;  held, still : paths of open inputs kept as recorded, because it was
        asked for, or since noise hides what they do
    steps : how far halved time steps moved each value, SI
    terms, term_deviations : lag [s], gain, offset, time base; as found, and standard
    measured : the window on the run's time;  fitted, recorded : the run at the values found, and as recorded
    why : why nothing is offered; empty where values speak for themselves
    """

    capture: Capture
    channel: Channel
    study: str
    condition: str
    values: tuple[FittedValue, ...]
    others: tuple[FittedValue, ...]
    held: tuple[str, ...]
    still: tuple[str, ...]
    correlation: tuple[tuple[float, ...], ...]
    steps: tuple[float, ...]
    terms: tuple[float, ...]
    term_deviations: tuple[float, ...]
    alignment: Alignment
    aligned_by: str
    quality: Quality
    sigma: float
    reading: Reading
    measured: Course
    fitted: Course
    recorded: Course
    run_id: str
    simulated: int
    places: int
    failures: tuple[str, ...]
    notes: tuple[str, ...]
    why: tuple[str, ...]

    @property
    def offered(self) -> tuple[FittedValue, ...]:
        """What may be put into the record."""
        return () if self.why else tuple(one for one in self.values if one.offered)

    @property
    def exit_code(self) -> int:
        """0 where every value asked for is offered, else 1."""
        return 0 if len(self.offered) == len(self.values) else 1

    def to_json(self, lines: Mapping[str, tuple[str, str]]) -> str:
        """All numbers as JSON text, in SI; ``lines`` are those to paste, by path."""
        lag, gain, offset, time_base = self.terms
        content: dict[str, Any] = {
            "schema": SCHEMA, "record": self.capture.record, "instance": self.capture.instance,
            "capture": self.capture.name, "source": dict(self.capture.source), "signal": self.channel.signal,
            "unit": self.channel.unit, "study": self.study, "condition": self.condition,
            "confidence": CONFIDENCE, "values": [self._plain(one, lines) for one in self.values],
            "others": [self._plain(one, {}) for one in self.others], "held": list(self.held), "still": list(self.still),
            "correlation": [list(row) for row in self.correlation],
            "terms": {
                "lag": lag, "gain": gain, "offset": offset, "time_base": time_base,
                "deviations": list(self.term_deviations), "stated": [self.reading.gain, self.reading.offset,
                                                                      self.reading.time_base],
            },
            "window": [float(self.measured.time[0]), float(self.measured.time[-1])],
            "samples": len(self.measured.time), "noise": self.reading.noise, "residual_rms": self.sigma,
            "systematic_rms": self.quality.systematic, "stated_rms": self.quality.band, "run_id": self.run_id,
            "steps_moved": list(self.steps), "simulated": self.simulated, "places": self.places,
            "failures": list(self.failures), "notes": list(self.notes), "why_not": list(self.why),
            "exit_code": self.exit_code,
        }  # fmt: skip
        return json.dumps(content, indent=2, allow_nan=False)

    def _plain(self, one: FittedValue, lines: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
        table, line = lines.get(one.input.path, (None, None))
        content = asdict(one) | {"offered": one in self.offered, "toml_table": table, "toml": line}
        return {**content.pop("input"), **content}


def fitted_values(inputs: Sequence[Input], at: Sequence[float], quality: Quality, samples: int) -> list[FittedValue]:
    """Each input with its interval, and why it says too little to be offered.

    Parameters
    ----------
    at : shares of the ranges;  samples : of the capture in the window
    """
    found = []
    for index, (one, share) in enumerate(zip(inputs, at, strict=True)):
        half = HALF_WIDTH * float(quality.deviation[index])
        low, high = max(share - half, 0.0), min(share + half, 1.0)
        why = _why_not(inputs, index, share, high - low, quality, samples)
        found.append(
            FittedValue(one, one.scaled(share), one.scaled(low), one.scaled(high), float(quality.widened[index]), why)
        )
    return found


def _why_not(
    inputs: Sequence[Input], index: int, share: float, width: float, quality: Quality, samples: int
) -> str:  # fmt: skip
    twins = [
        (abs(float(quality.correlation[index, other])), other)
        for other in range(len(inputs))
        if other != index and abs(quality.correlation[index, other]) > SAME
    ]
    if twins:
        strength, other = max(twins)
        return f"cannot be told apart from {inputs[other].path} (correlation {strength:.3f})"
    if share < AT_END or share > 1 - AT_END:
        end = "lower" if share < AT_END else "upper"
        return f"lies at the {end} end of its range, which holds it there"
    if width > NO_NEWS:
        return "the capture says no more of it than its range"
    if quality.endless[index] or samples / quality.widened[index] < FEWEST_INDEPENDENT:
        return "residuals run together over so long that no interval holds"
    return ""


def why_nothing(
    quality: Quality, alignment: Alignment, channel: Channel, reading: Reading, *, rests: bool, places: int
) -> list[str]:  # fmt: skip
    """Why no value of a fit may be offered; empty where nothing speaks against it."""
    told = []
    if not rests:
        told.append(f"the search did not come to rest in {places} simulated places")
    if quality.systematic > quality.band:
        left, good = (engineering(size, channel.unit) for size in (quality.systematic, quality.band))
        told.append(
            f"bad fit: {left} RMS is left beside noise, the capture is good to {good}: model, condition or a value "
            "held is not this hardware's"
        )
    for name, pull, stated in zip(
        ("gain", "offset", "time base"), quality.pulls, (channel.gain, channel.offset, reading.time_base), strict=True
    ):
        if abs(pull) > LARGEST_PULL:
            said = engineering(stated, channel.unit) if name == "offset" else f"{stated * 100:.3g} %"
            told.append(f"bad fit: it needs the capture's {name} off by {abs(pull) / 2:.1f} times the stated {said}")
    if alignment.correlation < LEAST_CORRELATION:
        told.append(f"bad fit: another course (correlation {alignment.correlation:.2f}; 1 is the same)")
    return told


def pasted(one: FittedValue, quantity: Quantity, evidence: str, date: str, beside: Sequence[str]) -> tuple[str, str]:
    """The record's table a value stands in, and its line to paste there.

    Parameters
    ----------
    quantity : as recorded;  beside : paths fitted or moved with it
    """
    table, field = one.input.path.rsplit(".", 1)
    value, low, high = rounded(one)
    said = {"value": value, "low": low, "high": high, "known": "inferred", "formula": FITTED, "evidence": evidence,
            "date": date}  # fmt: skip
    note = f"95 %{'; fitted with ' + ', '.join(beside) if beside else ''}; was {quantity.known} " + (
        f"{quantity.nominal:.4g} ({quantity.low:.4g} to {quantity.high:.4g})"
    )
    text = ", ".join(f"{key} = {json.dumps(content, ensure_ascii=False)}" for key, content in said.items())
    effort = "" if quantity.effort == 1.0 else f", effort = {quantity.effort!r}"
    return table, f"{field} = {{ {text}, note = {json.dumps(note, ensure_ascii=False)}{effort} }}"


def rounded(one: FittedValue) -> tuple[str, str, str]:
    """Value, low and high as texts that differ from them by a hundredth of the interval's half at most."""
    half = max((one.high - one.low) / 2, 1e-9 * abs(one.value), 1e-30)
    largest = max(abs(one.low), abs(one.high))
    digits = int(np.clip(1 + math.ceil(math.log10(largest / (2 * SPARE_DIGITS * half))), 2, 12))
    value, low, high = (f"{number:.{digits}g}" for number in (one.value, one.low, one.high))
    return value, low, high
