"""The last period of a run, from which all figures of a steady state are taken."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from harness.contracts import FloatArray, Metric, Run
from harness.postprocess.waveform import window


class Period:
    """The last period of a run: its signals on their own time axis, ends interpolated."""

    def __init__(self, run: Run) -> None:
        assert run.axis is not None  # an ok run has one
        self._run = run
        self._axis = run.axis.values
        self.stop = float(self._axis[-1])
        self.start = self.stop - 1 / run.solution["frequency"]
        self.solution = run.solution
        self.time, _ = window(self._axis, self._axis, self.start, self.stop)

    def __call__(self, name: str) -> FloatArray:
        """A signal over the period."""
        return window(self._axis, self._run.signals[name].values, self.start, self.stop)[1]

    def whole(self, name: str) -> tuple[FloatArray, FloatArray]:
        """A signal over the whole run, with its time."""
        return self._axis, self._run.signals[name].values

    def metric(self, name: str, subject: str, value: float, unit: str, at: float | None = None) -> Metric:
        """A metric taken from the period."""
        return Metric(name, subject, float(value), unit, (self.start, self.stop), at)

    def largest(self, name: str, subject: str, unit: str, values: Sequence[FloatArray]) -> Metric:
        """The largest value of several signals, and when the one that has it has it."""
        best = max(values, key=lambda one: float(np.max(one)))
        index = int(np.argmax(best))
        return self.metric(name, subject, best[index], unit, float(self.time[index]))
