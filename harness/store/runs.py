"""Run files: one HDF5 file a case, the only module that touches h5py.

Must not judge or compute: what goes in comes out, within f4 rounding for signals and exactly for the rest.

Three checks notice a flipped bit, each where the others are slow or blind. The seal at the end of the file
(``files.py``) covers every byte and is checked unless a caller says ``verify=False``. Chunks carry a Fletcher sum:
gzip's own Adler sum misses a flip that only reorders the bytes of a chunk (a test shows one). HDF5 sums headers and
lists of chunks, given format v110; text attributes lie there because they are strings of fixed length, while strings of
variable length would lie in a heap without a sum. So a window read without hashing the whole file is right or refused.

Files are never changed in place, so readers need no lock and survive a replacement.
"""

from __future__ import annotations

import contextlib
import datetime
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, cast, get_args

import h5py
import numpy as np
from numpy.typing import NDArray

from harness.contracts import Axis, FloatArray, Metric, Run, Signal, Status
from harness.store import files, tables
from harness.store.files import run_path as run_path  # part of this module's face
from harness.store.pyramid import Level, build
from harness.store.samples import stored_axis, stored_samples
from netlists.errors import DamagedRunError, SchemaError, StoreError, nearest

SCHEMA_VERSION = 1
# The seal is no part of the schema: every version keeps it, so an old program can tell "newer" from "damaged".
SCHEMA_HISTORY: dict[int, str] = {
    1: "waveforms (f8 axis, f4 signals, complex ones as two), pyramid, metrics, parameters, solution, log, provenance",
}

LIBRARY_VERSIONS = ("v110", "v110")  # v108 lists chunks in a tree without a sum, of 2 KB for each array
WAVEFORMS, DROPPED = "waveforms", "dropped"  # key and value in the provenance of a run kept without its waveforms
CHUNK = 65536  # samples; one chunk for all made a small slice ten times slower
ANALYSIS_OF_AXIS: dict[Literal["time", "frequency"], str] = {"time": "transient", "frequency": "small_signal"}


@dataclass(frozen=True, slots=True)
class StoredRun:
    """One run file's content.

    Parameters
    ----------
    run : signals as f8 or complex (f4 precision), only those asked for; axis None where no signal was read
    postprocess_version : version of the code the metrics come from
    provenance : JSON: worker, program and ngspice version, attempt, timings, deck text, record, instance, study, ...
    parameters : name -> (SI value, unit)
    created_utc : ISO 8601 in UTC
    """

    run: Run
    metrics: tuple[Metric, ...]
    postprocess_version: str
    provenance: dict[str, Any]
    parameters: dict[str, tuple[float, str]]
    created_utc: str
    path: Path

    @property
    def has_waveforms(self) -> bool:
        """False where its waveforms were left out on purpose."""
        return self.provenance.get(WAVEFORMS) != DROPPED


def write_run(
    results: Path,
    run: Run,
    metrics: Sequence[Metric],
    *,
    postprocess_version: str,
    provenance: Mapping[str, Any],
    parameters: Mapping[str, tuple[float, str]],
    pyramid: bool = True,
) -> Path:
    """Encode a run and put its file in place; see ``encode_run`` and ``write_bytes`` for what is raised."""
    data = encode_run(
        run,
        metrics,
        postprocess_version=postprocess_version,
        provenance=provenance,
        parameters=parameters,
        pyramid=pyramid,
    )
    return write_bytes(results, run.case_id, data)


def write_bytes(results: Path, run_id: str, data: bytes) -> Path:
    """Put the finished bytes of a run file in place, whole or not at all, and return its path.

    A stored run that is ok and undamaged is kept where the new one is not ok.

    Raises
    ------
    StoreError : the bytes are of another run, or the file cannot be written
    DamagedRunError, SchemaError : the bytes are not those of a run file
    """
    path = run_path(results, run_id)
    where = f"bytes for {path}"
    with opened_run(io.BytesIO(files.unseal(data, where)), where) as file:
        if (found := _text_attribute(file, "run_id")) != run_id:
            raise StoreError(f"{where}: hold run {found[:80]}, not the one asked for")
        is_ok = _text_attribute(file, "status") == "ok"
    files.replace_whole(path, data, keep_old=lambda: not is_ok and _is_stored_ok(path))
    return path


def _is_stored_ok(path: Path) -> bool:
    try:
        return read_run(path, signals=()).run.status == "ok"
    except StoreError:  # nothing there, or nothing worth keeping
        return False


def encode_run(
    run: Run,
    metrics: Sequence[Metric],
    *,
    postprocess_version: str,
    provenance: Mapping[str, Any],
    parameters: Mapping[str, tuple[float, str]],
    pyramid: bool = True,
    created_utc: str | None = None,
) -> bytes:
    """The bytes of a run's file, for writing here or for a worker elsewhere to send back.

    Raises
    ------
    StoreError : a run id, signal name, shape, value or provenance that a run file cannot hold; an ok run with a
        value that is not finite, or too large for f4, or an axis that decreases
    """
    run_path(Path(), run.case_id)
    image = io.BytesIO()
    try:
        with h5py.File(image, "w", libver=LIBRARY_VERSIONS, track_order=True) as file:
            file.attrs["schema_version"] = SCHEMA_VERSION
            texts = {
                "Conventions": "CF-1.10",
                "run_id": run.case_id,
                "created_utc": created_utc or datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
                "status": run.status,
                "provenance_json": json.dumps(dict(provenance), allow_nan=False),
                "parameters_json": json.dumps(dict(parameters), allow_nan=False),
            }
            _set_texts(file, texts)
            _write_waveforms(file, run, with_pyramid=pyramid)
            _write_metrics(file, metrics, postprocess_version)
            _write_array(file, "parameters/table", tables.parameter_table(parameters))
            _write_array(file, "solution/table", tables.solution_table(run.solution))
            log = json.dumps(run.log).encode("ascii")
            _write_array(file, "log", np.array([log], dtype=h5py.string_dtype("ascii", len(log))))
    except (TypeError, ValueError, AttributeError) as error:
        raise StoreError(f"run {run.case_id}: cannot be stored ({_one_line(error)})") from error
    return files.seal(image.getvalue())


def _write_waveforms(file: h5py.File, run: Run, *, with_pyramid: bool) -> None:
    axis = stored_axis(run)
    if run.axis is None or axis is None:
        return
    analysis = ANALYSIS_OF_AXIS[run.axis.name]
    group = file.create_group(f"waveforms/{analysis}", track_order=True)
    scale = _write_array(group, run.axis.name, axis)
    scale.make_scale(run.axis.name)
    _set_texts(scale, {"units": run.axis.unit, "long_name": run.axis.name})
    is_ordered = bool(np.all(np.diff(axis) >= 0))  # False also for NaN, which a failed run may hold
    for samples in stored_samples(run, axis):
        dataset = _write_array(group, samples.name, samples.values)
        dataset.dims[0].attach_scale(scale)
        _set_texts(dataset, samples.texts)
        if with_pyramid and is_ordered:
            levels = build(axis, samples.values)
            _write_levels(file, f"pyramid/{analysis}", run.axis.name, samples.name, levels)


def _write_levels(file: h5py.File, folder: str, axis_name: str, name: str, levels: Sequence[Level]) -> None:
    for number, level in enumerate(levels):
        if f"{folder}/{axis_name}/L{number}" not in file:
            _write_array(file, f"{folder}/{axis_name}/L{number}", level.starts)
        _write_array(file, f"{folder}/{name}/L{number}", np.stack((level.low, level.high)))


def _write_metrics(file: h5py.File, metrics: Sequence[Metric], postprocess_version: str) -> None:
    table = _write_array(file, "metrics/table", tables.metric_table(metrics))
    _set_texts(table, {"postprocess_version": postprocess_version})


def _write_array(group: h5py.Group, name: str, values: NDArray[Any]) -> h5py.Dataset:
    if values.size == 0:  # HDF5 has no chunks of nothing
        return group.create_dataset(name, data=values)
    chunks = (*values.shape[:-1], min(CHUNK, values.shape[-1]))
    return group.create_dataset(name, data=values, chunks=chunks, compression=1, shuffle=True, fletcher32=True)


def _set_texts(target: h5py.HLObject, texts: Mapping[str, str]) -> None:
    for name, text in texts.items():
        encoded = text.encode()
        target.attrs[name] = np.array(encoded, dtype=h5py.string_dtype("utf-8", max(1, len(encoded))))


def read_run(path: Path, *, signals: Iterable[str] | None = None, verify: bool = True) -> StoredRun:
    """Read a run file.

    Parameters
    ----------
    signals : names to read; None for all, empty for none (then neither axis nor waveforms are touched)
    verify : hash the whole file first (36 MB in 20 ms); without, HDF5's own sums still cover what is read

    Raises
    ------
    StoreError : no such file, or no such signal
    SchemaError : a schema this program does not know
    DamagedRunError : flipped bits, cut short, or not a run file
    """
    if verify:
        files.check_seal(path)
    wanted = None if signals is None else tuple(signals)
    with opened_run(path, path) as file:
        axis, found = (None, {}) if wanted == () else _read_waveforms(file, wanted, path)
        run = Run(
            case_id=_text_attribute(file, "run_id"),
            status=_status(file),
            axis=axis,
            signals=found,
            solution=tables.solution_of(file["solution/table"][()]),
            log=tuple(json.loads(file["log"][0])),
        )
        metrics = file["metrics/table"]
        return StoredRun(
            run=run,
            metrics=tables.metrics_of(metrics[()]),
            postprocess_version=_text_attribute(metrics, "postprocess_version"),
            provenance=json.loads(_text_attribute(file, "provenance_json")),
            parameters=tables.parameters_of(file["parameters/table"][()]),
            created_utc=_text_attribute(file, "created_utc"),
            path=path,
        )


def verify(path: Path) -> None:
    """Check the whole file against its seal, and that it is a run file of a known schema.

    Raises
    ------
    StoreError, SchemaError, DamagedRunError : as ``read_run``
    """
    read_run(path, signals=(), verify=True)


def check_self_contained(path: Path) -> None:
    """Refuse a file that points at other files: HDF5 can take links, and samples, from anywhere on the disk.

    Raises
    ------
    StoreError, SchemaError, DamagedRunError : as ``read_run``; DamagedRunError also for such a file
    """

    def linked(name: str, link: object) -> str | None:
        return f"{name} is a link" if isinstance(link, h5py.ExternalLink | h5py.SoftLink) else None

    def foreign(name: str, item: h5py.HLObject) -> str | None:
        is_foreign = isinstance(item, h5py.Dataset) and (item.external or item.is_virtual)
        return f"{name} takes its samples from another file" if is_foreign else None

    with opened_run(path, path) as file:
        # what is returned ends the walk; an error raised inside it would be lost
        if fault := file.visititems_links(linked) or file.visititems(foreign):
            raise ValueError(fault)


def rewrite_metrics(path: Path, metrics: Sequence[Metric], postprocess_version: str) -> None:
    """Replace the metrics of a run file, whole or not at all; its waveforms keep every byte.

    Raises
    ------
    StoreError, SchemaError, DamagedRunError : as ``read_run``; nothing is then changed
    """
    try:
        image = io.BytesIO(files.unseal(path.read_bytes(), path))
    except OSError as error:
        raise files.unreadable(path, error) from error
    with opened_run(image, path):
        pass  # an unknown schema is refused before anything is written
    try:
        with h5py.File(image, "r+", libver=LIBRARY_VERSIONS) as file:
            del file["metrics/table"]
            _write_metrics(file, metrics, postprocess_version)
    except (TypeError, ValueError, AttributeError) as error:
        raise StoreError(f"{path}: metrics cannot be stored ({_one_line(error)})") from error
    files.replace_whole(path, files.seal(image.getvalue()))


def drop_waveforms(path: Path) -> None:
    """Replace a run file by one without waveforms, whole or not at all; metrics, deck and log stay as they are.

    Raises
    ------
    StoreError, SchemaError, DamagedRunError : as ``read_run``; nothing is then changed
    """
    stored = read_run(path, signals=())
    data = encode_run(
        stored.run,
        stored.metrics,
        postprocess_version=stored.postprocess_version,
        provenance={**stored.provenance, WAVEFORMS: DROPPED},
        parameters=stored.parameters,
        created_utc=stored.created_utc,
    )
    files.replace_whole(path, data)


def _read_waveforms(file: h5py.File, wanted: Sequence[str] | None, path: Path) -> tuple[Axis | None, dict[str, Signal]]:
    axis_name, group = waveforms(file)
    if wanted is not None:
        stored = {name: datasets_of(group, name, path) for name in wanted}
    else:
        stored = {} if group is None else stored_names(group)
    if group is None:
        return None, {}
    scale = group[axis_name]
    axis = Axis(axis_name, cast(Literal["s", "Hz"], _text_attribute(scale, "units")), scale[()])
    return axis, {name: _read_signal(group, name, datasets) for name, datasets in stored.items()}


def _read_signal(group: h5py.Group, name: str, datasets: Sequence[str]) -> Signal:
    first = group[datasets[0]]
    return Signal(
        name=name,
        unit=_text_attribute(first, "units"),
        description=_text_attribute(first, "long_name"),
        quantity=_text_attribute(first, "quantity"),
        reference_node=_text_attribute(first, "reference_node"),
        values=read_values(group, datasets, slice(None)),
    )


def waveforms(file: h5py.File) -> tuple[Literal["time", "frequency"], h5py.Group | None]:
    """The axis' name and the group that holds axis and signals; None where a run kept no waveforms."""
    for axis_name, analysis in ANALYSIS_OF_AXIS.items():
        if f"waveforms/{analysis}" in file:
            return axis_name, file[f"waveforms/{analysis}"]
    return "time", None


def stored_names(group: h5py.Group) -> dict[str, list[str]]:
    """Signal -> names of its datasets (one, or the real and the imaginary one), in the order they were given."""
    stored: dict[str, list[str]] = {}
    for name, dataset in group.items():
        if "quantity" in dataset.attrs:  # the axis has none
            is_part = "complex_signal" in dataset.attrs
            stored.setdefault(_text_attribute(dataset, "complex_signal") if is_part else name, []).append(name)
    return stored


def datasets_of(group: h5py.Group | None, signal: str, path: Path) -> list[str]:
    """Names of the datasets of a signal: one, or the real and the imaginary one; StoreError where there is none."""
    stored = {} if group is None else stored_names(group)
    if signal not in stored:
        raise StoreError(f"{path}: no signal {signal[:80]!r}; {nearest(signal, stored)}")
    return stored[signal]


def read_values(group: h5py.Group, datasets: Sequence[str], span: slice) -> NDArray[Any]:
    """A stretch of a signal as f8, or complex where it has two datasets; shape (samples,)."""
    parts: list[FloatArray] = [group[name][span].astype("f8") for name in datasets]
    return parts[0] if len(parts) == 1 else parts[0] + 1j * parts[1]


@contextlib.contextmanager
def opened_run(source: Path | io.BytesIO, where: object) -> Iterator[h5py.File]:
    """A run file of a known schema; whatever HDF5 trips over inside becomes one line that begins with ``where``."""
    try:
        with h5py.File(source, "r", locking=False) as file:  # never changed in place, so nothing to lock out
            found = int(file.attrs["schema_version"])
            if found not in SCHEMA_HISTORY:
                known = ", ".join(map(str, sorted(SCHEMA_HISTORY)))
                raise SchemaError(f"{where}: schema {found}, this program knows {known}; use a newer bulkrail")
            yield file
    except FileNotFoundError as error:
        raise files.unreadable(Path(str(where)), error) from error
    except (OSError, RuntimeError, LookupError, ValueError, TypeError, AttributeError) as error:
        message = f"{where}: damaged or not a run file ({_one_line(error)}); run the case again"
        raise DamagedRunError(message) from error


def _text_attribute(item: h5py.HLObject, name: str) -> str:
    return bytes(item.attrs[name]).decode()


def _status(file: h5py.File) -> Status:
    status = _text_attribute(file, "status")
    if status not in get_args(Status):
        raise ValueError(f"status {status[:40]!r}")
    return cast(Status, status)


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200]
