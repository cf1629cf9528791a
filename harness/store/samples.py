"""What a run file holds of a run's axis and signals: names checked, complex ones parted, rounded to f4.

Refuses what would read back as something else. Knows no HDF5.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.contracts import FloatArray, Run, Signal
from netlists.errors import StoreError

SIGNAL_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.#()+-]*")  # what HDF5 and netCDF both take, without a slash
COMPLEX_PARTS = ("real", "imaginary")


@dataclass(frozen=True, slots=True)
class Samples:
    """One stored waveform: its name, its text attributes, and f4 values of the shape of the axis."""

    name: str
    texts: dict[str, str]
    values: NDArray[np.float32]


def stored_axis(run: Run) -> FloatArray | None:
    """The axis as f8, shape (n,): f4 would merge neighbouring steps. None for a run without signals.

    Raises
    ------
    StoreError : signals without an axis; not one dimension; for an ok run: decreasing or not finite
    """
    if run.axis is None:
        if run.signals:
            raise StoreError(f"run {run.case_id}: has signals but no axis")
        return None
    axis = np.asarray(run.axis.values, dtype="<f8")
    if axis.ndim != 1:
        raise StoreError(f"run {run.case_id}: axis has shape {axis.shape}, must have one dimension")
    if run.status == "ok" and not (np.all(np.isfinite(axis)) and np.all(np.diff(axis) >= 0)):
        raise StoreError(f"run {run.case_id}: is ok but its axis decreases or is not finite; store it as failed")
    return axis


def stored_samples(run: Run, axis: FloatArray) -> Iterator[Samples]:
    """Every waveform to store, in the order of the run's signals; two for a complex signal.

    Raises
    ------
    StoreError : an unusable or doubled name, another shape than the axis; for an ok run: a value that is not finite
        or too large for f4
    """
    taken: set[str] = set() if run.axis is None else {run.axis.name}
    for name, signal in run.signals.items():
        if signal.name != name or not SIGNAL_NAME.fullmatch(name):
            raise StoreError(f"run {run.case_id}: signal {name[:80]!r}: not a usable name, or not its own")
        values = np.asarray(signal.values)
        if values.shape != axis.shape:
            raise StoreError(f"run {run.case_id}: signal {name}: has shape {values.shape}, its axis {axis.shape}")
        for samples in _parts(signal, values):
            if samples.name in taken:
                raise StoreError(f"run {run.case_id}: signal {name}: the name {samples.name} is taken")
            if run.status == "ok" and not np.all(np.isfinite(samples.values)):
                raise StoreError(
                    f"run {run.case_id}: is ok but signal {name} holds a value that is not finite or too large for f4; "
                    "store it as failed"
                )
            taken.add(samples.name)
            yield samples


def _parts(signal: Signal, values: NDArray[Any]) -> list[Samples]:
    texts = {
        "units": signal.unit,
        "long_name": signal.description,
        "quantity": signal.quantity,
        "reference_node": signal.reference_node,
    }
    if not np.iscomplexobj(values):
        return [Samples(signal.name, texts, _rounded(values))]
    return [
        Samples(f"{signal.name}_{part}", texts | {"complex_signal": signal.name, "complex_part": part}, _rounded(half))
        for part, half in zip(COMPLEX_PARTS, (values.real, values.imag), strict=True)
    ]


def _rounded(values: NDArray[Any]) -> NDArray[np.float32]:
    with np.errstate(over="ignore", invalid="ignore"):  # told by the caller, with the signal's name
        return values.astype("<f4")
