"""The viewer from a results folder to a server on this machine, and the address that opens it."""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable, Sequence
from pathlib import Path

import uvicorn

from harness.overlays import Overlays
from harness.show.viewer.access import HOST, Keys
from harness.show.viewer.app import Viewer, application
from harness.show.viewer.folder import Folder
from harness.stored import run_files
from netlists.errors import OptionError, StoreError

LAST_PORT = 65535
GRACE = 2  # s that an answer under way has when the viewer is stopped


def serve(
    results: Path, port: int | None, say: Callable[[str], None], *, browser: bool = True, records: Sequence[Path] = ()
) -> None:
    """Serves the viewer until it is stopped by Ctrl-C.

    Parameters
    ----------
    port : None: any that is free
    say : told the address, and what a reader must know, a line each
    records : files whose captures may be laid over runs

    Raises
    ------
    StoreError : no results folder, or one without runs
    RecordError : of a record
    OptionError : a port that cannot be had
    """
    folder = Folder(results)
    if not run_files(folder.results):
        raise StoreError(f"{results}: holds no run yet; bulkrail check RECORD.toml --out {results} stores some")
    with bound(port) as listening, contextlib.closing(folder):
        keys = Keys(listening.getsockname()[1])
        app = application(Viewer(folder, Overlays(folder, records)), keys)
        say(f"viewer: http://{HOST}:{keys.port}/?token={keys.token}")
        say("Ctrl-C stops it. It reads stored runs and changes none; nobody but this machine reaches it.")
        if browser:
            _open(f"http://{HOST}:{keys.port}/?token={keys.ticket}")
        config = uvicorn.Config(
            app, log_config=None, access_log=False, server_header=False, lifespan="off", ws="none", http="h11",
            timeout_graceful_shutdown=GRACE,
        )  # fmt: skip
        with contextlib.suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listening])
        say("viewer stopped")


def bound(port: int | None) -> socket.socket:
    """A socket of this machine's own, listening to nobody else.

    Raises
    ------
    OptionError : the port is none, is in use, or is not ours to take
    """
    if port is not None and not 0 <= port <= LAST_PORT:
        raise OptionError(f"--port: must be 0 to {LAST_PORT}, 0 for any that is free, found {port}")
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((HOST, port or 0))
        found.listen()  # a browser that is quicker than we are waits
    except OSError as error:
        found.close()
        raise OptionError(
            f"--port: {port} cannot be had ({error.strerror}); leave it out for any that is free"
        ) from error
    return found


def _open(address: str) -> None:
    """The user's browser, if there is a window it could open in: one of the terminal would take that away from us."""
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return

    def opened() -> None:
        with contextlib.suppress(webbrowser.Error, OSError):
            webbrowser.open(address)

    threading.Thread(target=opened, daemon=True).start()  # it may wait for the browser, which waits for us
