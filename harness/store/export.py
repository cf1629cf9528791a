"""Columns written as CSV or Parquet, whole or not at all. The only user of pyarrow, which is an extra."""

from __future__ import annotations

import contextlib
import csv
import importlib.util
import io
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from netlists.errors import OptionError, SetupError, StoreError

Columns = Mapping[str, Sequence[float | int | str | None]]


def write_csv(path: Path, columns: Columns) -> None:
    """One line a row under a line of names; floats by ``repr``, so they read back as they were; None and NaN are empty.

    Raises
    ------
    StoreError : the file cannot be written
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*([_plain(cell) for cell in cells] for cells in columns.values()), strict=True))
    write_whole(path, text.getvalue().encode())


def _plain(cell: Any) -> Any:
    return "" if cell is None or (isinstance(cell, float) and not math.isfinite(cell)) else cell


def write_parquet(path: Path, columns: Columns) -> None:
    """The same as Parquet.

    Raises
    ------
    SetupError : pyarrow is not installed
    StoreError : the file cannot be written
    """
    check_parquet(path)
    import pyarrow  # an extra, and slow to load
    from pyarrow import parquet

    sink = pyarrow.BufferOutputStream()
    parquet.write_table(pyarrow.table({name: list(cells) for name, cells in columns.items()}), sink)
    write_whole(path, sink.getvalue().to_pybytes())


def check_parquet(path: Path | None) -> None:
    """SetupError where a Parquet file is wanted and pyarrow is not installed: asked before anything is simulated."""
    if path is not None and importlib.util.find_spec("pyarrow") is None:
        raise SetupError(
            f"{path}: needs pyarrow, which is not here; install the extra: pip install 'bulkrail[parquet]'"
        )


def check_target(option: str, path: Path | None, ending: str) -> None:
    """OptionError where a file's name does not say what it holds: asked before anything is simulated."""
    if path is not None and path.suffix.lower() != ending:
        raise OptionError(f"{option}: must end in {ending}, found {path.name}")


def write_whole(path: Path, data: bytes) -> None:
    """A file outside the runs, whole or not at all: a reader never sees half of it; StoreError where it cannot be."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(data)
        temporary.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):  # nor can it be removed where its folder is none
            temporary.unlink()
        raise StoreError(f"{path}: cannot be written: {error.strerror}") from error
