"""Whole files: where they lie, the seal that notices one flipped bit, writing that leaves the old one or the new one.

Knows nothing of HDF5, runs or the index.

Why a seal of our own, and why at the end of the file. HDF5 checks chunks and most of its headers, but not contiguous
data, heaps or unused bytes, so a whole-file check is needed. A SHA-256 behind the HDF5 image was chosen by
measurement: h5py, xarray with h5netcdf and xarray with netcdf4 ignore bytes behind the end the superblock states,
36 MB are hashed in 20 ms, and the check moves with the file in one ``os.replace``. A sidecar would be a second file
that can be lost or be one version behind; a user block in front would have to be written before the content is known
and takes 512 bytes of every file.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import os
import re
import secrets
from collections.abc import Callable, Iterator
from pathlib import Path

from netlists.errors import DamagedRunError, StoreError

SEAL_MARK = b"BRSHA256"
SEAL_SIZE = len(SEAL_MARK) + hashlib.sha256().digest_size
RUN_ID = re.compile(r"[0-9a-f]{64}")
READ_BLOCK = 1 << 20  # bytes hashed at a time

ADVICE = {
    errno.ENOSPC: "free some space, or choose another results folder",
    errno.EDQUOT: "free some space, or choose another results folder",
    errno.EROFS: "choose a results folder that can be written",
    errno.EACCES: "choose a results folder that can be written",
    errno.EPERM: "choose a results folder that can be written",
    errno.EEXIST: "something else stands where a folder is needed: move it away",
    errno.ENOTDIR: "something else stands where a folder is needed: move it away",
    errno.EISDIR: "a folder stands where the file is needed: move it away",
}


def run_path(results: Path, run_id: str) -> Path:
    """Where a run lies: ``results/runs/<first two digits>/<run_id>.h5``.

    Raises
    ------
    StoreError : run_id is not 64 small hexadecimal digits
    """
    if not RUN_ID.fullmatch(run_id):
        raise StoreError(f"run id {run_id[:80]!r}: must be 64 hexadecimal digits in small letters")
    return results / "runs" / run_id[:2] / f"{run_id}.h5"


def seal(image: bytes) -> bytes:
    """The image followed by its seal: 8 bytes of mark and the SHA-256 of the image."""
    return b"".join((image, SEAL_MARK, hashlib.sha256(image).digest()))


def unseal(data: bytes, where: object) -> bytes:
    """The image of sealed bytes.

    Raises
    ------
    DamagedRunError : no seal, or content that does not match it; ``where`` begins the message
    """
    image, trailer = data[:-SEAL_SIZE], data[-SEAL_SIZE:]
    _compare(trailer, hashlib.sha256(image).digest(), where)
    return image


def check_seal(path: Path) -> None:
    """Hash a file in blocks and compare it with its seal.

    Raises
    ------
    StoreError : the file cannot be opened
    DamagedRunError : no seal, or content that does not match it
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            left = os.fstat(file.fileno()).st_size - SEAL_SIZE
            while left > 0 and (block := file.read(min(READ_BLOCK, left))):
                digest.update(block)
                left -= len(block)
            trailer = file.read(SEAL_SIZE)
    except OSError as error:
        raise unreadable(path, error) from error
    _compare(trailer, digest.digest(), path)


def unreadable(path: Path, error: OSError) -> StoreError:
    """The error for a run file that the system does not let us read."""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return StoreError(f"{path}: no such run file; run the case first")
    return StoreError(f"{path}: cannot be read ({error.strerror or error}); check the results folder")


def _compare(trailer: bytes, digest: bytes, where: object) -> None:
    if len(trailer) < SEAL_SIZE or not trailer.startswith(SEAL_MARK):
        raise DamagedRunError(f"{where}: incomplete or not a run file (no seal at its end); run the case again")
    if trailer[len(SEAL_MARK) :] != digest:
        raise DamagedRunError(f"{where}: damaged (content does not match its SHA-256); run the case again")


def replace_whole(path: Path, data: bytes, keep_old: Callable[[], bool] = lambda: False) -> bool:
    """Put a file in place whole or not at all, and on the disk before returning.

    Writers of one folder take turns, so that ``keep_old`` (asked just before writing; True leaves what is there)
    and the replacement cannot be parted by another process.

    Returns
    -------
    True where the file was written, False where the old one was kept

    Raises
    ------
    StoreError : the file cannot be written; one line with the path, the reason and what to do
    """
    folder = path.parent
    try:
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            for parent in list(folder.parents)[:2]:  # a new folder is itself an entry that a power loss can undo
                _sync_folder(parent)
        with locked(folder) as alone:
            if alone:
                _remove_leftovers(folder)
            if keep_old():
                return False
            _write_and_replace(path, data)
    except OSError as error:
        raise unwritable(path, error) from error
    return True


def unwritable(path: Path, error: OSError) -> StoreError:
    """The error for a file that the system does not let us write."""
    advice = ADVICE.get(error.errno or 0, "check the results folder")
    return StoreError(f"{path}: cannot be written ({error.strerror or error}); {advice}")


def _write_and_replace(path: Path, data: bytes) -> None:
    temporary = path.with_name(f".{path.name}.{os.getpid()}.{secrets.token_hex(4)}.tmp")
    try:
        with temporary.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
        _sync_folder(path.parent)
    finally:  # after a successful replacement there is nothing left to remove
        with contextlib.suppress(OSError):
            temporary.unlink()


def _remove_leftovers(folder: Path) -> None:
    """Remove temporary files of writers that died; only while holding the folder, when no other can be writing."""
    for leftover in folder.glob(".*.tmp"):
        with contextlib.suppress(OSError):
            leftover.unlink()


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[bool]:
    """Hold a folder against other processes; the lock ends with the process, so none is ever left over.

    Yields False where the file system has no locks (some network folders): the work then goes on unguarded.
    """
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            alone = True
        except OSError:
            alone = False
        yield alone
    finally:
        os.close(descriptor)
