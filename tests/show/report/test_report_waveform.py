"""Pictures of a report on a small made-up run: what is drawn where, and how many points that takes."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import Any

import numpy as np
import pytest
from show.test_llc_plots import METRICS, a_run, rows

from harness.contracts import Run
from harness.show.panels import panels_of
from harness.show.plots import Picture
from harness.show.report.waveform import STRAIGHT, _corners, _ticks, draw_waveforms


def picture(run: Run, adverse: Run | None = None, title: str = "a title") -> Picture:
    return Picture(title, tuple(rows(run)), panels_of("steady", run.signals), run, adverse)


@pytest.fixture(scope="module")
def run() -> Run:
    return a_run()


def elements(svg: str, css: str) -> list[ET.Element]:
    return [one for one in ET.fromstring(svg).iter() if css in one.attrib.get("class", "").split()]


def test_every_metric_has_a_ring_and_a_numbered_line(run: Run) -> None:
    found = draw_waveforms(picture(run), "w0")
    assert len(found.marks) == len(METRICS)
    assert found.marks[0].replace("\N{NO-BREAK SPACE}", " ").startswith("primary current peak of T1 6 A at 13.3 µs")
    numbers = ", ".join(one.text or "" for one in elements(found.svg, "mark")).split(", ")
    assert sorted(map(int, numbers)) == list(range(1, len(METRICS) + 1))
    # two metrics of one signal and instant share a ring
    assert len(elements(found.svg, "ring")) == len({(at, signal) for *_, at, signal in METRICS})
    assert not found.has_adverse


def test_the_numbers_are_in_the_picture_s_own_words_too(run: Run) -> None:
    """For who does not see it; and a title of a record is text, not markup."""
    found = draw_waveforms(picture(run, title='<b onclick="x">&'), "w0")
    title = ET.fromstring(found.svg)[0].text or ""
    assert title.startswith('<b onclick="x">&. ')
    assert all(line in title for line in found.marks)


def test_a_ring_lies_at_its_instant_and_level(run: Run) -> None:
    """The tank's peak of 6 A at 0.5 rad behind a quarter of the second of two periods; scales read off the axes."""
    found = draw_waveforms(picture(run), "w0")
    ring = elements(found.svg, "ring")[0]
    times = {float(one.text or "nan"): float(one.attrib["x"]) for one in elements(found.svg, "time")
             if re.fullmatch(r"[\d.]+", one.text or "")}  # fmt: skip
    (t0, x0), *_, (t1, x1) = times.items()
    at = t0 + (float(ring.attrib["cx"]) - x0) * (t1 - t0) / (x1 - x0)
    assert at == pytest.approx(10 * (1 + (np.pi / 2 + 0.5) / (2 * np.pi)), abs=0.05)  # us
    levels = [(float((one.text or "").replace("−", "-")), float(one.attrib["y"]) - 3.5)
              for one in elements(found.svg, "tick")]  # fmt: skip
    first = [pair for pair in levels if pair[1] < 130]  # of the first panel
    (v0, y0), (v1, y1) = first[0], first[-1]
    assert v0 + (float(ring.attrib["cy"]) - y0) * (v1 - v0) / (y1 - y0) == pytest.approx(6.0, abs=0.1)


def test_the_adverse_run_is_drawn_under_the_nominal_one(run: Run) -> None:
    found = draw_waveforms(picture(run, a_run()), "w0")
    assert found.has_adverse
    assert len(elements(found.svg, "adverse")) == sum(len(names) for _, names in panels_of("steady", run.signals))


@pytest.mark.parametrize("shape", ["sine", "square", "flat", "spikes", "noise"])
def test_left_out_points_lie_on_the_line_drawn(shape: str) -> None:
    x = np.linspace(0, 400, 900).round(1)
    random = np.random.default_rng(1)
    y: Any = {
        "sine": 50 * np.sin(x / 20), "square": 50 * np.sign(np.sin(x / 20)), "flat": np.full(900, 7.0),
        "spikes": np.where(np.arange(900) % 100 == 0, 90.0, 0.0), "noise": random.normal(size=900) * 30,
    }[shape].round(1)  # fmt: skip
    kept = np.array(_corners(np.column_stack([x, y])))
    assert (kept[0] == (x[0], y[0])).all()
    assert (kept[-1] == (x[-1], y[-1])).all()
    drawn = np.interp(x, kept[:, 0], kept[:, 1])
    assert np.max(np.abs(drawn - y)) <= 2 * STRAIGHT
    assert len(kept) <= {"flat": 2, "square": 90, "spikes": 30, "sine": 400}.get(shape, 900)


def test_an_upright_edge_keeps_both_ends() -> None:
    points = np.array([[0.0, 0], [10, 0], [10, 50], [10, 80], [20, 80]])
    assert {(10.0, 0.0), (10.0, 80.0)} <= set(_corners(points))


@pytest.mark.parametrize(
    ("low", "high", "ticks", "decimals"),
    [(-12.0, 57.0, [0, 20, 40], 0), (19.4984, 19.5012, [19.499, 19.5, 19.501], 3), (0, 30.8, [0, 10, 20, 30], 0)],
)
def test_ticks_are_round_numbers(low: float, high: float, ticks: list[float], decimals: int) -> None:
    found, places = _ticks(low, high)
    assert found == pytest.approx(ticks)
    assert places == decimals
