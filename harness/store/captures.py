"""Captures: one HDF5 file each, in a folder beside the record it was measured for. Whole or not at all, and sealed.

``RECORD-STEM.captures/NAME.h5`` holds ``time`` (f8), ``channels/SIGNAL`` (f8), and ``about``, one JSON text with all
else. A capture is evidence: it is not rounded as a run's waveforms are, and never changed in place.
"""

from __future__ import annotations

import dataclasses
import io
import json
import re
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from harness.contracts import Capture, Channel, FloatArray
from harness.store import files
from netlists.errors import DamagedRunError, OptionError, SchemaError, StoreError, nearest

SCHEMA_VERSION = 1
NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,59}")
CHUNK = 65536  # samples, as in a run file
ARRAYS = ("time", "channels")  # fields of a capture that are not in its JSON


def folder_of(record_file: Path) -> Path:
    """Where captures of a record lie."""
    return record_file.with_name(f"{record_file.stem}.captures")


def path_of(record_file: Path, name: str) -> Path:
    """Where one lies; OptionError for a name that is none."""
    if not NAME.fullmatch(name):
        raise OptionError(f"NAME: must be 1 to 60 of a-z, 0-9, - and _, found {name[:80]!r}")
    return folder_of(record_file) / f"{name}.h5"


def names(record_file: Path) -> list[str]:
    """Names of all stored captures of a record, sorted; no file is opened."""
    return sorted(path.stem for path in folder_of(record_file).glob("*.h5") if NAME.fullmatch(path.stem))


def write(record_file: Path, capture: Capture, *, replace: bool = False) -> Path:
    """Puts a capture in place, whole or not at all, and returns its path.

    Raises
    ------
    OptionError : there is one of that name, and ``replace`` is not said
    StoreError : it cannot be written
    """
    path = path_of(record_file, capture.name)
    is_kept = False

    def keep_old() -> bool:  # asked while no other can write here
        nonlocal is_kept
        is_kept = path.exists() and not replace
        return is_kept

    try:
        files.replace_whole(path, encode(capture), keep_old=keep_old)
    except StoreError as error:
        if isinstance(error.__cause__, OSError):  # its advice is about results folders
            raise StoreError(f"{path}: cannot be written ({error.__cause__.strerror})") from error
        raise
    if is_kept:
        raise OptionError(f"--name: {path} is stored already; give another --name, or --replace")
    return path


def encode(capture: Capture) -> bytes:
    """The bytes of a capture's file."""
    about = {field.name: getattr(capture, field.name) for field in dataclasses.fields(capture)}
    about = {key: value for key, value in about.items() if key not in ARRAYS} | {
        "channels": [
            {field.name: getattr(one, field.name) for field in dataclasses.fields(one) if field.name != "values"}
            for one in capture.channels
        ]
    }
    image = io.BytesIO()
    with h5py.File(image, "w", libver=("v110", "v110")) as file:
        file.attrs["schema_version"] = SCHEMA_VERSION
        text = json.dumps({**about, "source": dict(capture.source)}, allow_nan=False).encode("ascii")
        file.create_dataset("about", data=np.array([text], dtype=h5py.string_dtype("ascii", len(text))))
        _write_array(file, "time", capture.time)
        for channel in capture.channels:
            if channel.values.shape != capture.time.shape:
                raise StoreError(f"capture {capture.name}: {channel.signal} has another length than its time")
            _write_array(file, f"channels/{channel.signal}", channel.values)
    return files.seal(image.getvalue())


def _write_array(file: h5py.File, name: str, values: FloatArray) -> None:
    file.create_dataset(
        name, data=np.asarray(values, "<f8"), chunks=(min(CHUNK, len(values)),), compression=1, shuffle=True,
        fletcher32=True,
    )  # fmt: skip


def read(record_file: Path, name: str) -> Capture:
    """A stored capture, its seal checked.

    Raises
    ------
    OptionError : no such capture
    SchemaError, DamagedRunError, StoreError : of an unknown schema, damaged, or not to be read
    """
    path = path_of(record_file, name)
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        known = names(record_file)
        told = nearest(name, known) if known else f"{folder_of(record_file)} holds none; bulkrail capture add makes one"
        raise OptionError(f"NAME: no capture {name}; {told}") from error
    except OSError as error:
        raise StoreError(f"{path}: cannot be read ({error.strerror})") from error
    try:
        return _decoded(files.unseal(data, path), path)
    except (OSError, RuntimeError, LookupError, ValueError, TypeError, DamagedRunError) as error:
        raise DamagedRunError(f"{path}: damaged, incomplete or no capture; add it again from its file") from error


def _decoded(image: bytes, path: Path) -> Capture:
    with h5py.File(io.BytesIO(image), "r") as file:
        found = int(file.attrs["schema_version"])
        if found != SCHEMA_VERSION:
            raise SchemaError(f"{path}: schema {found}, this program knows {SCHEMA_VERSION}; use a newer bulkrail")
        about: dict[str, Any] = json.loads(file["about"][0])
        channels = tuple(
            Channel(**one, values=_values(file[f"channels/{one['signal']}"])) for one in about.pop("channels")
        )
        assumed = tuple(about.pop("assumed"))
        return Capture(**about, assumed=assumed, time=_values(file["time"]), channels=channels)


def _values(dataset: h5py.Dataset) -> NDArray[np.float64]:
    return np.asarray(dataset[()], dtype=np.float64)
