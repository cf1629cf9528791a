"""A page printed into PDF by the Chromium that is installed: the only use of a browser."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

from harness.store.export import write_whole
from netlists.errors import SetupError

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
TIME_LIMIT = 180.0  # s; kiln-900, the longest, takes 15
OPTIONS = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-sync", "--disable-extensions",
    "--disable-background-networking", "--disable-component-update", "--disable-default-apps", "--mute-audio",
    "--host-resolver-rules=MAP * ~NOTFOUND", "--proxy-server=127.0.0.1:9",  # no network, whatever a page asks for
)  # fmt: skip


def find_chromium() -> str | None:
    """The browser found by PATH, or None."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


def chromium_command(chromium: str, profile: str) -> list[str]:
    """Its command line without what to do: headless, without network, with a profile folder of its own."""
    command = [chromium, *OPTIONS, f"--user-data-dir={profile}"]
    if os.geteuid() == 0:  # its sandbox does not run as root
        command.append("--no-sandbox")
    return command


def write_pdf(page: Path, pdf: Path) -> None:
    """Prints a page of ours.

    Raises
    ------
    SetupError : no Chromium, or it did not print it in time
    StoreError : the PDF cannot be written
    """
    chromium = find_chromium()
    if chromium is None:
        raise SetupError(f"{pdf.name}: not written, printing needs Chromium (apt-get install chromium)")
    with tempfile.TemporaryDirectory(prefix="bulkrail-pdf-", ignore_cleanup_errors=True) as folder:
        printed = Path(folder) / "page.pdf"
        command = chromium_command(chromium, str(Path(folder) / "profile"))
        command += ["--no-pdf-header-footer", f"--print-to-pdf={printed}", page.resolve().as_uri()]
        said = _run(command, pdf)
        if not printed.is_file():
            raise SetupError(f"{pdf.name}: not written, Chromium printed nothing{said}")
        write_whole(pdf, printed.read_bytes())


def _run(command: list[str], pdf: Path) -> str:
    """Runs it with a time limit, which ends its children too; returns the last line it said."""
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
    )
    try:
        _, errors = process.communicate(timeout=TIME_LIMIT)
    except subprocess.TimeoutExpired as error:
        raise SetupError(f"{pdf.name}: not written, Chromium took longer than {TIME_LIMIT:g} s") from error
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()  # reaps it and closes the pipe
    lines = errors.decode("utf-8", "replace").strip().splitlines()
    return f": {lines[-1][:200]}" if lines else ""
