"""Benchmark of the viewer: start, first picture, zoom into ten million samples, cursors, a list of many runs, memory.

Requests go to the command in a process of its own, over its socket; what the browser adds is measured in Chromium,
where that is installed. Ratios are against reading whole arrays, in the same run.
"""

from __future__ import annotations

import argparse
import hashlib
import http.client
import json
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import psutil
from bench_batch import seconds, tiny_runs
from playwright.sync_api import Page, sync_playwright

from harness.contracts import Axis, FloatArray, Run, Signal
from harness.show.report.pdf import find_chromium
from harness.store import runs, views

COLUMNS = 1400  # of the picture
PERIOD = 10e-6  # s, of a made-up converter of 100 kHz
DECADES = (-5.0, 0.0)  # a window is this share of the run, at random between, in powers of ten


@dataclass
class Server:
    """The viewer in a process of its own."""

    process: psutil.Popen
    port: int
    token: str
    cookie: str
    started: float

    def ask(self, path: str, pairs: Sequence[tuple[str, Any]] = ()) -> bytes:
        """One answer, over a connection of its own."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        try:
            connection.request("GET", f"{path}?{urlencode(pairs)}", headers={"Cookie": self.cookie})
            answer = connection.getresponse()
            body = answer.read()
            assert answer.status in (200, 303), body
            if cookie := answer.getheader("Set-Cookie"):
                self.cookie = cookie.partition(";")[0]
            return body
        finally:
            connection.close()

    @property
    def megabytes(self) -> float:
        """Memory it holds."""
        return float(self.process.memory_info().rss) / 1e6


@contextmanager
def served(results: Path) -> Iterator[Server]:
    """The viewer of a folder; ``started`` is the time from the command to its first answer [s]."""
    command = [sys.executable, "-c", "from harness.cli import main; main()", "view", str(results), "--no-browser"]
    began = time.perf_counter()
    process = psutil.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        match = re.search(r":(\d+)/\?token=(\S+)", process.stdout.readline())
        assert match, "the viewer did not start"
        server = Server(process, int(match[1]), match[2], "", 0.0)
        server.ask("/", [("token", server.token)])
        server.started = time.perf_counter() - began
        yield server
    finally:
        process.kill()
        process.communicate()


def switching(samples: int, signals: int, name: str) -> Run:
    """A made-up converter: edges that ring, uneven steps, one signal a phase; axis [s]."""
    random = np.random.default_rng(samples)
    axis = np.cumsum(random.uniform(0.5, 1.5, samples)) * (PERIOD / 200)

    def course(phase: float) -> FloatArray:
        inside = (axis / PERIOD + phase) % 1.0
        ring = np.exp(-40 * inside) * np.sin(2 * np.pi * 30 * inside)
        return np.asarray(np.where(inside < 0.4, 400.0, 0.0) + 60 * ring + random.normal(0, 0.5, samples))

    found = {
        f"voltage_{k}": Signal(f"voltage_{k}", "V", "made up", "voltage", "0", course(k / signals))
        for k in range(signals)
    }
    return Run(hashlib.sha256(name.encode()).hexdigest(), "ok", Axis("time", "s", axis), found)


def windows(path: Path, number: int) -> list[tuple[float, float]]:
    """Random windows of a run [s], of every length."""
    overview = views.overview(path)
    assert overview is not None
    random = np.random.default_rng(1)
    whole = overview.last - overview.first
    lengths = whole * 10.0 ** random.uniform(*DECADES, number)
    starts = overview.first + random.uniform(0, 1, number) * (whole - lengths)
    return [(float(a), float(a + b)) for a, b in zip(starts, lengths, strict=True)]


def bench_zoom(server: Server, path: Path, spans: Sequence[tuple[float, float]]) -> dict[str, float]:
    """Windows of a long run: time of each answer and its bytes; against reading the arrays whole."""
    name = f"{path.stem[:12]}:voltage_0"
    walls, sizes = [], []
    for start, stop in spans:
        began = time.perf_counter()
        body = server.ask("/api/view", [("trace", name), ("from", start), ("to", stop), ("columns", COLUMNS)])
        walls.append(time.perf_counter() - began)
        sizes.append(len(body))
    overview = views.overview(path)
    assert overview is not None
    whole = min(seconds(lambda: views.read_window(path, "voltage_0", -np.inf, np.inf)) for _ in range(3))
    cursors = [("trace", name), ("a", overview.first), ("b", overview.last)]
    return {
        "zoom_samples": float(overview.samples),
        "zoom_windows": float(len(spans)),
        "zoom_milliseconds_median": 1e3 * float(np.median(walls)),
        "zoom_milliseconds_95": 1e3 * float(np.percentile(walls, 95)),
        "zoom_bytes_most": float(max(sizes)),
        "whole_arrays_milliseconds": 1e3 * whole,
        "whole_arrays_over_zoom_95": whole / float(np.percentile(walls, 95)),
        "whole_arrays_bytes_over_zoom": 12.0 * overview.samples / max(sizes),
        "cursors_over_all_samples_milliseconds": 1e3 * seconds(lambda: server.ask("/api/between", cursors)),
    }


def bench_first(server: Server, path: Path) -> dict[str, float]:
    """Answer of the first picture: all signals of a run, whole."""
    overview = views.overview(path)
    assert overview is not None
    traces = [("trace", f"{path.stem[:12]}:{name}") for name in overview.units]
    pairs = [*traces, ("from", overview.first), ("to", overview.last), ("columns", COLUMNS)]
    began = time.perf_counter()
    body = server.ask("/api/view", pairs)
    wall = time.perf_counter() - began
    whole = seconds(lambda: runs.read_run(path))
    return {
        "first_signals": float(len(overview.units)),
        "first_samples": float(overview.samples),
        "first_answer_milliseconds": 1e3 * wall,
        "first_answer_bytes": float(len(body)),
        "first_whole_file_over_answer": whole / wall,
    }


def bench_browser(server: Server, first: Path, long: Path, spans: Sequence[tuple[float, float]]) -> dict[str, float]:
    """In Chromium: from the address to the first picture, and each window from its number to what is drawn."""
    chromium = find_chromium()
    if chromium is None:
        print("bench: no Chromium here (Debian: apt-get install chromium), so what a browser adds is not measured")
        return {}
    overview = views.overview(first)
    assert overview is not None
    lines = "&".join(f"draw={first.stem[:12]}:{name}" for name in overview.units)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1900, "height": 1000})
        began = time.perf_counter()
        page.goto(f"http://127.0.0.1:{server.port}/?token={server.token}#{lines}")
        page.wait_for_selector("#panels[data-drawn]")
        drawn = time.perf_counter() - began
        page.goto("about:blank")
        page.goto(f"http://127.0.0.1:{server.port}/#draw={long.stem[:12]}:voltage_0")
        page.wait_for_selector("#panels[data-drawn]")
        walls = [zoomed(page, *span) for span in spans]
        browser.close()
    return {
        "browser_first_picture_seconds": drawn,
        "browser_zoom_milliseconds_median": float(np.median(walls)),
        "browser_zoom_milliseconds_95": float(np.percentile(walls, 95)),
    }


def zoomed(page: Page, start: float, stop: float) -> float:
    """Time from another window's numbers to its picture [ms]; 20 ms of it are the wait for a hand that goes on."""
    found: float = page.evaluate(
        """([from, to]) => new Promise(resolve => {
            const panels = document.querySelector('#panels'), began = performance.now();
            const seen = new MutationObserver(() => {
                seen.disconnect();
                requestAnimationFrame(() => resolve(performance.now() - began));
            });
            seen.observe(panels, { attributeFilter: ['data-drawn'] });
            const field = document.querySelector('#from'), other = document.querySelector('#to');
            for (const [one, value] of [[other, to], [field, from], [other, to]]) {
                one.value = String(value);
                one.dispatchEvent(new Event('change'));
            }
        })""",
        [start, stop],
    )
    return found


def bench_list(folder: Path, number: int) -> dict[str, float]:
    """A list of many runs: the first, which makes the index, then again and filtered."""
    tiny_runs(folder, number)
    with served(folder) as server:
        made = seconds(lambda: server.ask("/api/runs"))
        again = min(seconds(lambda: server.ask("/api/runs")) for _ in range(3))
        filtered = seconds(lambda: server.ask("/api/runs", [("instance", "stage_a"), ("sort", "created")]))
        body = server.ask("/api/runs")
        return {
            "list_runs": float(json.loads(body)["all"]),
            "list_first_seconds": made,
            "list_again_milliseconds": 1e3 * again,
            "list_filtered_milliseconds": 1e3 * filtered,
            "list_bytes": float(len(body)),
            "list_memory_megabytes": server.megabytes,
        }


def main() -> None:
    """Runs all parts and prints them; --quick uses the smallest sizes, to see that it works."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--quick", action="store_true")
    options = parser.parse_args()
    quick = options.quick
    found: dict[str, float] = {}
    with tempfile.TemporaryDirectory(prefix="bulkrail-bench-") as text:
        folder = Path(text)
        stored = [
            runs.write_run(folder / "long", run, (), postprocess_version="bench", provenance={}, parameters={})
            for run in (
                switching(100_000 if quick else 2_000_000, 4, "four"),
                switching(200_000 if quick else 10_000_000, 1, "long"),
            )
        ]
        spans = windows(stored[1], 5 if quick else 200)
        with served(folder / "long") as server:
            found |= {"start_seconds": server.started, "start_memory_megabytes": server.megabytes}
            found |= bench_first(server, stored[0])
            found |= bench_zoom(server, stored[1], spans)
            found |= {"memory_megabytes": server.megabytes}
            found |= bench_browser(server, stored[0], stored[1], spans)
        found |= bench_list(folder / "many", 20 if quick else 10_000)
    for name, value in found.items():
        print(f"{name:45} {value:.4g}")
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
