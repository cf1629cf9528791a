"""The folders workers live in: one a pool, locked while its parent lives, removed at the end whoever ended how.

A parent removes its folder when it closes the pool; a worker that outlives its parent removes its own; what a power
loss or a SIGKILL of everybody leaves behind is removed by the next parent on this machine, told from folders in use
by their lock, which ends with the process that holds it.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import stat
import tempfile
from pathlib import Path

from netlists.errors import SetupError

PREFIX = "bulkrail-workers-"


class PoolFolder:
    """A locked temporary folder with one empty folder and one log file a worker.

    Raises
    ------
    SetupError : no temporary folder can be made
    """

    def __init__(self) -> None:
        remove_abandoned()
        self._made = 0
        try:
            self.path, self._lock = _locked_folder()
        except OSError as error:
            place = tempfile.gettempdir()
            raise SetupError(f"{place}: no folder for workers can be made ({error.strerror}); set TMPDIR") from error

    def for_worker(self) -> Path:
        """A new empty folder; its log lies beside it, see ``log_of``."""
        self._made += 1
        folder = self.path / f"worker-{self._made}"
        try:
            folder.mkdir(mode=0o700)
        except OSError as error:
            raise SetupError(f"{folder}: cannot be made ({error.strerror})") from error
        return folder

    def remove(self) -> None:
        """Removes everything and lets go of the lock."""
        shutil.rmtree(self.path, ignore_errors=True)
        with contextlib.suppress(OSError):
            os.close(self._lock)


def log_of(folder: Path) -> Path:
    """Where a worker's output goes: beside its folder, which stays empty."""
    return folder.with_name(f"{folder.name}.log")


def remove_worker_folder(folder: Path) -> None:
    """What a worker without a parent does about its folder; the last of a pool takes the pool's with it."""
    shutil.rmtree(folder, ignore_errors=True)
    log_of(folder).unlink(missing_ok=True)
    with contextlib.suppress(OSError):  # other workers of the pool are still there
        folder.parent.rmdir()


def remove_abandoned() -> None:
    """Removes this user's pool folders whose parents are gone."""
    for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
        lock = _lock_of(folder)
        if lock is not None:
            shutil.rmtree(folder, ignore_errors=True)
            os.close(lock)


def _locked_folder() -> tuple[Path, int]:
    while True:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX))
        lock = _lock_of(folder)
        if lock is not None and folder.exists():
            return folder, lock
        if lock is not None:  # another parent took it for abandoned between the two calls
            os.close(lock)


def _lock_of(folder: Path) -> int | None:
    """Descriptor that holds the folder's lock; None where it is in use, gone or not ours."""
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except OSError:
        return None
    try:
        is_ours = stat.S_ISDIR(os.fstat(descriptor).st_mode) and os.fstat(descriptor).st_uid == os.getuid()
        if is_ours:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return descriptor
    except OSError:
        pass
    os.close(descriptor)
    return None
