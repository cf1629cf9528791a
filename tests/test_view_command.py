"""`bulkrail view` as a user meets it where something is wrong, and the files that must come with it."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest
from stored_runs import a_run, run_id, stored
from viewing import COMMAND, viewing

from harness import view
from harness.show.viewer import access
from harness.show.viewer.app import PACKAGE, static_files
from netlists.errors import OptionError, RecordError, StoreError

ROOT = Path(__file__).parents[1]


def refused(results: Path, port: int | None = None, *records: Path) -> str:
    """The line that is told where nothing can be served; no socket is left open."""
    with pytest.raises((OptionError, StoreError, RecordError)) as caught:
        view.serve(results, port, print, browser=False, records=records)
    assert len(str(caught.value).splitlines()) == 1
    return str(caught.value)


def test_what_cannot_be_opened_is_told_in_one_line(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "nothing", "--no-browser"], capture_output=True, text=True, cwd=tmp_path, timeout=60, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "nothing: no such results folder; bulkrail check makes one, --out names it\n"
    (tmp_path / "empty").mkdir()
    assert "empty: holds no run yet; bulkrail check" in refused(tmp_path / "empty")
    assert list((tmp_path / "empty").iterdir()) == []  # and no index is laid into it
    results = stored(tmp_path / "results").parents[2]
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        assert f"--port: {port} cannot be had (Address already in use)" in refused(results, port)
    assert "cannot be read: No such file or directory" in refused(results, None, tmp_path / "none.toml")


@pytest.mark.parametrize("port", [-1, 65536, 10**9])
def test_a_port_that_is_none(port: int) -> None:
    with pytest.raises(OptionError, match="--port: must be 0 to 65535"):
        view.bound(port)


def test_a_folder_of_a_damaged_run_opens_and_says_which(tmp_path: Path) -> None:
    """Its port is kept, so that addresses stay good; a folder that cannot be written to is served too."""
    stored(tmp_path)
    damaged = stored(tmp_path, a_run("two"))
    damaged.write_bytes(b"no run")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with viewing(tmp_path, "--port", str(port)) as found:
        assert found.port == port
        runs = {row["run_id"]: row["status"] for row in found.ask("/api/runs").json["runs"]}
        assert runs == {run_id("one"): "ok", run_id("two"): "unreadable"}
        assert damaged.name in found.ask("/api/run", [("id", run_id("two"))]).json["error"]


def test_the_ticket_of_a_browser_opens_once() -> None:
    """Other users of the machine can read it off the list of processes, as an argument of the browser."""
    keys = access.Keys(8000)
    assert keys.opens(keys.ticket)
    assert not keys.opens(keys.ticket)
    assert keys.opens(keys.token)
    assert keys.opens(keys.token)
    assert len({keys.token, keys.ticket, keys.cookie, access.Keys(8000).token}) == 4


def test_the_browser_is_opened_where_there_is_a_window_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """One of the terminal would take that away from the viewer."""
    asked: list[str] = []
    done = threading.Event()
    monkeypatch.setattr(view.webbrowser, "open", lambda address: (asked.append(address), done.set()))
    monkeypatch.setattr(view.sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    view._open("http://127.0.0.1:1/")
    assert asked == []
    monkeypatch.setenv("DISPLAY", ":7")
    view._open("http://127.0.0.1:1/")
    assert done.wait(10)
    assert asked == ["http://127.0.0.1:1/"]


def test_an_installed_package_has_the_viewer_s_files() -> None:
    """As setuptools puts them into a wheel; and each is one the server knows."""
    said = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    packed = {path.name for pattern in said["package-data"]["harness"] for path in (ROOT / "harness").glob(pattern)}
    known = {item.name for item in files(PACKAGE).joinpath("static").iterdir()}
    assert {"viewer.html", "main.js", "viewer.css", "uPlot.iife.min.js", "uPlot.LICENSE"} <= known
    assert known | {"palette.css", "report.css"} <= packed
    assert set(static_files()) == known | {"palette.css"}


def test_the_drawing_library_keeps_its_licence() -> None:
    served = static_files()
    licence = served["uPlot.LICENSE"][0].decode()
    assert "The MIT License" in licence
    assert "Leon Sorokin" in licence
    assert served["uPlot.iife.min.js"][0].startswith(b"/*! https://github.com/leeoniya/uPlot (v1.6.32) */")


def test_no_page_names_another_host() -> None:
    """But the drawing library's comment and the name of the picture's format."""
    for name, (content, _) in static_files().items():
        text = content.decode().replace("http://www.w3.org/2000/svg", "")
        assert "//" not in text.replace("/*! https://github.com/leeoniya", "").replace("// ", "") or name.startswith(
            "uPlot"
        ), name


def test_help_names_it() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from harness.cli import main; main()", "view", "--help"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    for word in ("--port", "--no-browser", "--record"):
        assert word in done.stdout
