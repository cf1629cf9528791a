"""The viewer as a user starts it: the command in a process of its own, and requests to it, as raw as wanted."""

from __future__ import annotations

import http.client
import json
import re
import signal
import struct
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np

COMMAND = [sys.executable, "-c", "from harness.cli import main; main()", "view"]
Pairs = list[tuple[str, Any]]


@dataclass
class Answer:
    """One answer of the server."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        """Its content."""
        return json.loads(self.body)

    @property
    def lines(self) -> list[tuple[dict[str, Any], np.ndarray, np.ndarray]]:
        """Of a view: what each line is, its axis and its values."""
        (size,) = struct.unpack("<I", self.body[:4])
        told = json.loads(self.body[4 : 4 + size])["traces"]
        total = sum(one["points"] for one in told)
        axes = np.frombuffer(self.body, "<f8", total, 4 + size)
        values = np.frombuffer(self.body, "<f4", total, 4 + size + 8 * total)
        borders = np.cumsum([0, *(one["points"] for one in told)])
        return [(one, axes[a:b], values[a:b]) for one, a, b in zip(told, borders, borders[1:], strict=False)]


@dataclass
class Viewing:
    """A viewer that runs."""

    process: subprocess.Popen[str]
    port: int
    token: str
    cookie: str = ""
    said: list[str] = field(default_factory=list)

    @property
    def address(self) -> str:
        """As printed."""
        return f"http://127.0.0.1:{self.port}/?token={self.token}"

    def ask(
        self, path: str, pairs: Pairs | None = None, *, method: str = "GET", body: bytes | None = None, **headers: str
    ) -> Answer:
        """One request with our cookie; headers replace ours, an empty one is left out. The path is sent as it is."""
        target = f"{path}?{urlencode(pairs)}" if pairs else path
        given = {"Host": f"127.0.0.1:{self.port}", "Cookie": self.cookie}
        given |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.putrequest(method, target, skip_host=True, skip_accept_encoding=True)
            for name, value in given.items():
                if value:
                    connection.putheader(name, value)
            if body is not None:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            found = connection.getresponse()
            return Answer(found.status, {k.lower(): v for k, v in found.getheaders()}, found.read())
        finally:
            connection.close()

    def enter(self) -> None:
        """Takes the token for the cookie, as a browser does."""
        answer = self.ask("/", [("token", self.token)])
        assert answer.status == 303, answer.body
        assert answer.headers["location"] == "/"
        self.cookie = answer.headers["set-cookie"].partition(";")[0]

    def end(self) -> tuple[int, str]:
        """Stops it as Ctrl-C does; its exit code and all it printed but the first line."""
        self.process.send_signal(signal.SIGINT)
        out, _ = self.process.communicate(timeout=20)
        return self.process.returncode, out


@contextmanager
def viewing(results: Path, *options: str) -> Iterator[Viewing]:
    """The viewer of a folder, entered."""
    process = subprocess.Popen(
        [*COMMAND, str(results), "--no-browser", *options], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        assert process.stdout is not None
        first = process.stdout.readline()
        match = re.fullmatch(r"viewer: http://127\.0\.0\.1:(\d+)/\?token=([\w-]{43})\n", first)
        assert match, first + process.communicate(timeout=5)[0]
        found = Viewing(process, int(match[1]), match[2])
        found.enter()
        yield found
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()
