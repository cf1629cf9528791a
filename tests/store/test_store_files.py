"""Damage is noticed, and a write that goes wrong leaves the old file or nothing."""

from __future__ import annotations

import errno
import multiprocessing
import os
import zlib
from pathlib import Path

import h5py
import numpy as np
import pytest
from example_runs import METRICS, PARAMETERS, PROVENANCE, a_run

from harness.store import files
from harness.store.runs import encode_run, read_run, rewrite_metrics, run_path, verify, write_run
from harness.store.views import read_window
from netlists.errors import DamagedRunError, StoreError

FLIPS = 600


def flipped(data: bytes, bit: int) -> bytes:
    changed = bytearray(data)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def some_bits(data: bytes) -> list[int]:
    """Random bits of the file, the first and last ones, and all that surround text, where attributes lie."""
    random = np.random.default_rng(1)
    size = 8 * len(data)
    bits = [*range(0, 256), *range(size - 8 * files.SEAL_SIZE - 8, size), *random.integers(0, size, FLIPS)]
    for mark in (b"CF-1.10", b"kiln-900", b"bulk capacitor", b"schema_version", b"window_start"):
        place = 8 * data.index(mark)
        bits += range(place, place + 16)
    return [int(bit) for bit in bits]


def test_a_flipped_bit_anywhere_is_noticed(store):
    path = store(a_run(samples=3000))
    data = path.read_bytes()
    damaged = path.with_name("damaged.h5")
    for bit in some_bits(data):
        damaged.write_bytes(flipped(data, bit))
        with pytest.raises(DamagedRunError, match="run the case again"):
            verify(damaged)
        with pytest.raises(DamagedRunError):
            read_run(damaged)


def test_without_the_seal_a_flip_is_noticed_or_changes_nothing(store):
    """What a view or the index reads without hashing the file is right or refused."""
    path = store(a_run(samples=3000))
    data = path.read_bytes()
    metadata, window = read_run(path, signals=()), read_window(path, "i(BR1)", 0.0, 1.0)
    damaged = path.with_name("damaged.h5")
    noticed = 0
    for bit in some_bits(data):
        damaged.write_bytes(flipped(data, bit))
        try:
            found = read_run(damaged, signals=(), verify=False)
            found_window = read_window(damaged, "i(BR1)", 0.0, 1.0)
        except StoreError:
            noticed += 1
            continue
        assert (found.metrics, found.run, found.provenance) == (metadata.metrics, metadata.run, metadata.provenance)
        assert (found.parameters, found.created_utc) == (metadata.parameters, metadata.created_utc)
        assert np.array_equal(found_window, window)
    assert noticed > FLIPS / 10


@pytest.mark.parametrize("is_summed", [False, True])
def test_chunks_need_a_sum_beside_that_of_gzip(tmp_path, is_summed):
    """A flip in a distance of a packed chunk copies its bytes in another order, which gzip's Adler sum cannot see."""
    packed = bytes.fromhex("78014b4c4c020220910c210133fb061f")  # by zlib, level 1, of the first text below
    assert zlib.decompress(packed) == b"aabbbbabbcbbabbc"
    assert zlib.decompress(flipped(packed, 88)) == b"aabbbbabbcbabbcb"
    path = tmp_path / "plain.h5"
    with h5py.File(path, "w", libver=("v110", "v110")) as file:
        table = file.create_dataset("text", (16,), "u1", chunks=(16,), compression=1, fletcher32=is_summed)
        table.id.write_direct_chunk((0,), packed + (fletcher32(packed) if is_summed else b""))
        place = table.id.get_chunk_info(0).byte_offset
        assert table[()].tobytes() == b"aabbbbabbcbbabbc"
    path.write_bytes(flipped(path.read_bytes(), 8 * place + 88))
    with h5py.File(path) as file:
        if is_summed:
            with pytest.raises(OSError, match="filter"):
                file["text"][()]
        else:
            assert file["text"][()].tobytes() == b"aabbbbabbcbabbcb"  # wrong and unnoticed


def fletcher32(data: bytes) -> bytes:
    """The sum HDF5 puts behind a chunk: 16-bit words, the first byte of each the higher one; little-endian."""
    first = second = 0
    for high, low in zip(data[::2], data[1::2], strict=True):
        first = (first + 256 * high + low) % 65535
        second = (second + first) % 65535
    return (second << 16 | first).to_bytes(4, "little")


@pytest.mark.parametrize("kept", [0, 1, 7, 100, 0.5, -1])
def test_a_file_cut_short_is_noticed(store, kept):
    path = store()
    data = path.read_bytes()
    path.write_bytes(data[: int(kept * len(data)) if isinstance(kept, float) else kept])
    for reads in (verify, read_run, lambda path: rewrite_metrics(path, METRICS, "4")):
        with pytest.raises(DamagedRunError, match=str(path)) as caught:
            reads(path)
        assert "\n" not in str(caught.value)
    if kept != -1:  # without the last byte of the seal the image is whole, and a window is summed by itself
        with pytest.raises(DamagedRunError):
            read_window(path, "i(BR1)", 0.0, 1.0)


def test_something_appended_and_something_else(store, tmp_path):
    path = store()
    path.write_bytes(path.read_bytes() + b"\n")
    with pytest.raises(DamagedRunError, match="no seal"):
        verify(path)
    other = tmp_path / "other.h5"
    other.write_bytes(files.seal(b"a text" * 100))
    with pytest.raises(DamagedRunError, match="not a run file"):
        verify(other)


def test_a_missing_file_and_a_folder_are_no_damage(tmp_path):
    for reads in (verify, lambda path: read_run(path, verify=False), lambda path: rewrite_metrics(path, (), "4")):
        with pytest.raises(StoreError, match="no such run file") as caught:
            reads(tmp_path / "none.h5")
        assert not isinstance(caught.value, DamagedRunError)
    with pytest.raises(StoreError, match="cannot be read"):
        verify(tmp_path)


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("call", ["fsync", "replace"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO, errno.EACCES])
def test_a_failing_disk_leaves_the_old_file_or_nothing(store, monkeypatch, tmp_path, call, number):
    old = store()
    before = old.read_bytes()
    new = run_path(tmp_path, "0" * 64)

    def fail(*arguments: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, call, fail)
    for write in (
        lambda: store(a_run(), provenance={}),
        lambda: rewrite_metrics(old, (), "4"),
        lambda: files.replace_whole(new, b"new"),
    ):
        with pytest.raises(StoreError, match=os.strerror(number)) as caught:
            write()
        assert "\n" not in str(caught.value)
        assert str(tmp_path) in str(caught.value)
        assert ";" in str(caught.value)  # and what to do
    assert old.read_bytes() == before
    assert names_in(old.parent) == [old.name]
    assert not new.parent.exists() or names_in(new.parent) == []


def test_a_disk_that_fills_up_while_writing(store, monkeypatch, tmp_path):
    class FullFile:
        def __init__(self, file: object) -> None:
            self.file = file

        def __enter__(self) -> FullFile:
            return self

        def __exit__(self, *reason: object) -> None:
            self.file.close()

        def write(self, data: bytes) -> None:
            self.file.write(data[: len(data) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    plain_open = Path.open
    monkeypatch.setattr(Path, "open", lambda path, mode="r": FullFile(plain_open(path, mode)))
    with pytest.raises(StoreError, match=r"\.h5: cannot be written \(No space left on device\); free some space"):
        store()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("depth", [0, 1, 2])
def test_a_file_in_the_folders_place(store, tmp_path, depth):
    path = run_path(tmp_path / "results", a_run().case_id)
    blocked = [tmp_path / "results", path.parent.parent, path.parent][depth]
    blocked.parent.mkdir(parents=True, exist_ok=True)
    blocked.write_text("in the way")
    with pytest.raises(StoreError, match="move it away"):
        write_run(tmp_path / "results", a_run(), (), postprocess_version="1", provenance={}, parameters={})
    assert blocked.read_text() == "in the way"


def test_a_folder_in_the_files_place(store, tmp_path):
    path = run_path(tmp_path, a_run().case_id)
    path.mkdir(parents=True)
    with pytest.raises(StoreError, match="move it away"):
        store()
    assert names_in(path.parent) == [path.name]


def die_before_replacing(path: Path, data: bytes) -> None:
    os.replace = lambda *arguments: os._exit(9)
    files.replace_whole(path, data)


@pytest.mark.parametrize("is_first", [True, False])
def test_a_process_that_dies_leaves_the_old_file_or_nothing(store, tmp_path, is_first):
    path = run_path(tmp_path, a_run().case_id) if is_first else store()
    before = None if is_first else path.read_bytes()
    new = encode_run(a_run(), (), postprocess_version="9", provenance={}, parameters={})
    process = multiprocessing.get_context("spawn").Process(target=die_before_replacing, args=(path, new))
    process.start()
    process.join(30)
    assert process.exitcode == 9
    assert (path.read_bytes() if path.exists() else None) == before
    store()  # the next writer of this folder removes what the dead one left
    assert names_in(path.parent) == [path.name]
    verify(path)


def write_often(results: Path, worker: int) -> None:
    for attempt in range(15):
        provenance = {"worker": worker, "attempt": attempt}
        run = a_run(samples=500, status="ok" if attempt == 7 else "failed")
        write_run(results, run, METRICS, postprocess_version="3", provenance=provenance, parameters=PARAMETERS)


def test_two_processes_write_the_same_run(tmp_path):
    start = multiprocessing.get_context("spawn").Process
    writers = [start(target=write_often, args=(tmp_path, worker)) for worker in range(2)]
    for writer in writers:
        writer.start()
    path = run_path(tmp_path, a_run().case_id)
    while any(writer.is_alive() for writer in writers):
        if path.exists():
            verify(path)
    assert [writer.exitcode for writer in writers] == [0, 0]
    stored = read_run(path)
    assert (stored.run.status, stored.provenance["attempt"]) == ("ok", 7)
    assert names_in(path.parent) == [path.name]


def test_a_reader_survives_a_replacement(store):
    path = store()
    with h5py.File(path, "r", locking=False) as file:
        store(a_run(), provenance={"attempt": 2})
        assert PROVENANCE["deck"].splitlines()[0] in bytes(file.attrs["provenance_json"]).decode()
    assert read_run(path).provenance == {"attempt": 2}
