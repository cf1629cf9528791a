"""The viewer in real headless Chromium: list, picture, zoom, cursors against numpy, overlay, files, keys alone, axe."""

from __future__ import annotations

import csv
import re
import struct
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import numpy as np
import pytest
from browser import address_of, chromium, findings, open_all
from playwright.sync_api import Browser, Page, expect
from report_pages import HOSTILE
from stored_runs import HOLDUP, LINE_LOST_AT, a_run, failed_run, run_id, stored
from viewing import Viewing, viewing

from harness.contracts import Signal
from harness.show.report import texts as texts_of
from harness.store.runs import read_run
from netlists.quantity import QuantityError, engineering, read_value

WIDE, PHONE = 1280, 390
LONG, SHORT = run_id("long")[:12], run_id("one")[:12]
SPIKE = 1000.0  # V, one sample of 200,000
PREFIXES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
REACHED = """wanted => {
    const one = document.activeElement;
    return [one.id, one.className].includes(wanted) || wanted === 'usual' && one.textContent.startsWith('Draw');
}"""
Opened = AbstractContextManager[tuple[Page, list[str]]]


def spiked_run():
    """A long run whose bulk has a spike of one sample at 150 ms."""
    run = a_run("long", samples=200_000)
    assert run.axis is not None
    bulk = run.signals["bulk_voltage"]
    values = bulk.values.copy()
    values[np.searchsorted(run.axis.values, 0.15)] = SPIKE
    spiked = Signal(bulk.name, bulk.unit, HOSTILE[1], bulk.quantity, bulk.reference_node, values)
    return a_run("long", samples=200_000, signals={**run.signals, "bulk_voltage": spiked})


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("seen") / "results"
    stored(folder, spiked_run())
    stored(folder, condition=HOSTILE[0], deck=list(HOSTILE), instance=HOSTILE[3], record=HOSTILE[5])
    stored(folder, failed_run(log=HOSTILE))
    return folder


@pytest.fixture(scope="module")
def view(results: Path) -> Iterator[Viewing]:
    with viewing(results) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def truth(results: Path) -> tuple[np.ndarray, np.ndarray]:
    """Time and bulk voltage of the long run, as stored."""
    run = read_run(results / "runs" / LONG[:2] / f"{run_id('long')}.h5", signals=["bulk_voltage"]).run
    assert run.axis is not None
    return run.axis.values, run.signals["bulk_voltage"].values


def opened(
    browser: Browser, view: Viewing, width: int = WIDE, scheme: str = "light", hash_: str = "", **more: bool
) -> Opened:
    return address_of(browser, view.address + hash_, f"http://127.0.0.1:{view.port}/", width, scheme, **more)


def ready(page: Page) -> None:
    page.wait_for_selector("body[data-ready]", timeout=15_000)


def drawn(page: Page) -> tuple[float, float]:
    """The window the picture shows now."""
    page.wait_for_function("() => document.querySelector('#panels').dataset.drawn !== undefined")
    start, stop = str(page.locator("#panels").get_attribute("data-drawn")).split()
    return float(start), float(stop)


def draw_long(page: Page) -> None:
    """The long run's bulk and line voltage, by the list."""
    page.locator("#text").fill(LONG)
    expect(page.locator("button.run")).to_have_count(1)
    page.locator("button.run").click()
    page.get_by_label("bulk voltage", exact=True).check()
    page.get_by_label("line current", exact=True).check()
    expect(page.locator("#panels figure")).to_have_count(2)  # one a unit
    drawn(page)


def si(text: str) -> float:
    """A number as the page writes it, back in SI."""
    match = re.match(r"([−-]?[\d.]+(?:e[+-]?\d+)?)\s*([pnµmkM]?)(?:V|A|s|Hz)", text.replace("\N{NO-BREAK SPACE}", " "))
    assert match, text
    return float(match[1].replace("−", "-")) * PREFIXES[match[2]]


def figures(page: Page, line: str) -> dict[str, float]:
    """The row of a line between the cursors, in SI."""
    row = page.locator("#figures tr", has_text=line)
    cells = row.locator("td").evaluate_all("cells => cells.map(one => [one.dataset.label, one.innerText])")
    return {label: si(text) for label, text in cells if label != "samples"}


def test_list_draw_zoom_and_nothing_from_elsewhere(browser: Browser, view: Viewing) -> None:
    with opened(browser, view) as (page, heard):
        ready(page)
        assert page.url == f"http://127.0.0.1:{view.port}/"  # the token is gone from it
        assert page.locator("button.run").count() == 3
        draw_long(page)
        whole = drawn(page)
        assert whole[1] == pytest.approx(0.2)
        box = page.locator("#panels .u-over").first.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 50)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 60, steps=4)
        page.mouse.up()
        page.wait_for_function(
            "was => document.querySelector('#panels').dataset.drawn !== was", arg=f"{whole[0]} {whole[1]}"
        )
        page.wait_for_timeout(200)
        zoomed = drawn(page)
        assert zoomed == pytest.approx((0.05, 0.1), abs=1e-3)
        page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 60)
        page.mouse.wheel(0, -300)
        page.wait_for_timeout(400)
        closer = drawn(page)
        assert closer[1] - closer[0] == pytest.approx(0.8 * (zoomed[1] - zoomed[0]), rel=0.01)
        page.get_by_role("button", name="Whole").click()
        page.wait_for_timeout(300)
        assert drawn(page) == whole
        assert heard == []


def test_a_spike_of_one_sample_is_drawn(browser: Browser, view: Viewing) -> None:
    """In the whole run, 200 samples a pixel: its colour stands in the upper half of the panel, above all else."""
    with opened(browser, view, hash_=f"#draw={LONG}:bulk_voltage") as (page, _):
        ready(page)
        drawn(page)
        page.wait_for_timeout(200)
        columns = page.evaluate(
            """() => {
                const canvas = document.querySelector('#panels canvas'), at = canvas.getContext('2d');
                const { width, height } = canvas, half = at.getImageData(0, 0, width, Math.round(height / 2)).data;
                const found = new Set();
                for (let k = 0; k < half.length; k += 4)
                    if (half[k + 3] > 100 && half[k + 2] - half[k] > 80) found.add((k / 4) % width);
                return [...found].map(x => x / width);
            }"""
        )
        assert 0 < len(columns) < 8
        assert np.mean(columns) == pytest.approx(0.75, abs=0.06)


def test_cursors_say_what_numpy_says_of_all_samples(
    browser: Browser, view: Viewing, truth: tuple[np.ndarray, np.ndarray]
) -> None:
    time, values = truth
    a, b = 0.0312, 0.1654
    with opened(browser, view) as (page, heard):
        ready(page)
        draw_long(page)
        page.locator("#panels").focus()
        page.keyboard.press("a")
        for name, at in (("a", "31.2 ms"), ("b", "0.1654")):
            page.locator(f"#cursor-{name}").fill(at)
            page.locator(f"#cursor-{name}").press("Enter")
        page.wait_for_function("() => document.querySelector('#reading').dataset.of === '0.0312 0.1654'")
        found = figures(page, "bulk voltage")
        inside = (time > a) & (time < b)
        at = np.concatenate(([a], time[inside], [b]))
        of = np.interp(at, time, values)
        square = np.sum(np.diff(at) * (of[1:] ** 2 + of[1:] * of[:-1] + of[:-1] ** 2) / 3)
        truly = {
            "at A": of[0], "at B": of[-1], "B − A": of[-1] - of[0], "mean": np.trapezoid(of, at) / (b - a),
            "RMS": np.sqrt(square / (b - a)), "peak to peak": np.ptp(of), "lowest": of.min(), "highest": SPIKE,
        }  # fmt: skip
        for name, value in truly.items():
            assert found[name] == pytest.approx(value, rel=1e-5), name
        assert "134.2" in page.locator("#apart").inner_text()
        page.locator("#cursor-a").fill("a lot")
        page.locator("#cursor-a").press("Enter")
        expect(page.locator("#trouble")).to_contain_text("is no value in s")
        assert heard == []


def test_numbers_are_written_and_read_as_elsewhere(browser: Browser, view: Viewing) -> None:
    """Held against the formatting and reading of the command line, which alone know suffixes there."""
    values = [
        (1.2e-4, "V"),
        (0.99999996, "A"),
        (-3.3e5, "V"),
        (999.996, "s"),
        (40.0, "degC"),
        (1.5e-12, "s"),
        (7.25, "A2s"),
    ]
    texts = ["12 ms", "4.7u", "1.5e-3", "-2 µs", "0.1", "3k", "7 V", "", "1,5", "1 2", "nan", "12 Ms s", "0x10"]
    with opened(browser, view) as (page, _):
        ready(page)
        written, read, marked = page.evaluate(
            """async ([values, texts]) => {
                const { axisOf, engineering, parsed, ticks } = await import('/static/numbers.js');
                const written = values.map(([value, unit]) => engineering(value, unit, 4));
                const marked = [
                    ticks(axisOf(0, 1e-6, 's'), [0, 2.5e-7, 5e-7], 2.5e-7),
                    ticks(axisOf(0.1, 0.100004, 's'), [0.100001], 1e-6),
                    ticks(axisOf(-300, 300, 'V'), [-200, 0, 200], 100), ticks(axisOf(64.996, 65, 'V'), [64.997], 5e-4),
                ];
                return [written, texts.map(text => parsed(text, 's')), marked];
            }""",
            [values, texts],
        )
    plain = [text.replace("\N{NO-BREAK SPACE}", " ").replace("−", "-") for text in written]
    assert plain == [
        texts_of.pretty(engineering(value, unit)).replace("\N{NO-BREAK SPACE}", " ") for value, unit in values
    ]
    assert marked == [["0.00", "0.25", "0.50"], ["1"], ["−200", "0", "200"], ["64.9970"]]
    for text, found in zip(texts, read, strict=True):
        try:
            expected = read_value(text, "s")
        except QuantityError:
            expected = None
        assert found == expected, text


def test_by_keys_alone(browser: Browser, view: Viewing) -> None:
    """From the list to a line, cursors, a zoom and back; Tab reaches all of it."""
    with opened(browser, view) as (page, _):
        ready(page)
        page.locator("#text").focus()
        page.keyboard.type(LONG)
        expect(page.locator("#tally")).to_have_text(re.compile("^1 of 3 runs"))
        for wanted in ("run", "usual", "panels"):
            for _ in range(60):
                page.keyboard.press("Tab")
                if page.evaluate(REACHED, wanted):
                    break
            else:
                raise AssertionError(f"Tab does not reach {wanted}")
            if wanted != "panels":
                page.keyboard.press("Enter")
                page.wait_for_timeout(400)
        drawn(page)
        for key in ("a", "Shift+ArrowLeft", "b", "ArrowRight", "+"):
            page.keyboard.press(key)
        page.wait_for_timeout(500)
        start, stop = drawn(page)
        assert stop - start == pytest.approx(0.1, rel=1e-3)
        assert si(page.locator("#cursor-a").input_value()) < si(page.locator("#cursor-b").input_value())
        page.keyboard.press("PageUp")
        page.wait_for_timeout(400)
        assert drawn(page)[0] == pytest.approx(start - 0.05, abs=1e-3)
        page.keyboard.press("Home")
        page.keyboard.press("Delete")
        page.wait_for_timeout(400)
        assert drawn(page)[1] == pytest.approx(0.2)
        assert not page.locator("#reading").is_visible()


def test_an_address_restores_the_view(browser: Browser, view: Viewing) -> None:
    """Lines of two runs, window, cursors, the run told about and the filters; in another browser's context."""
    with opened(browser, view) as (page, _):
        ready(page)
        draw_long(page)
        page.locator("#text").fill(SHORT)
        expect(page.locator("button.run")).to_contain_text(SHORT)
        page.locator("button.run").click()
        page.get_by_label("bulk voltage", exact=True).check()
        page.get_by_role("button", name="own panel for bulk voltage").last.click()
        expect(page.locator("#panels figure")).to_have_count(3)
        page.locator("#from").fill("20 ms")
        page.locator("#from").press("Enter")
        page.locator("#panels").focus()
        page.keyboard.press("a")
        page.keyboard.press("b")
        page.keyboard.press("Shift+ArrowRight")
        page.wait_for_timeout(700)
        address, before = page.url.partition("#")[2], drawn(page)
        told = [page.locator(f"#{name}").input_value() for name in ("from", "to", "cursor-a", "cursor-b")]
        lines = page.locator("#drawn li").all_inner_texts()
    assert "token" not in address
    with opened(browser, view, hash_=f"#{address}") as (page, heard):
        ready(page)
        page.wait_for_timeout(500)
        assert drawn(page) == before
        assert page.locator("#drawn li").all_inner_texts() == lines
        assert len(lines) == 3
        expect(page.locator("#panels figure")).to_have_count(3)
        assert [page.locator(f"#{name}").input_value() for name in ("from", "to", "cursor-a", "cursor-b")] == told
        assert page.locator("#facts-title").inner_text() == f"Run {SHORT}"
        assert page.locator("#text").input_value() == SHORT
        assert heard == []
    with opened(browser, view, hash_=f"#draw={'0' * 12}:x&draw=<b>&from=1&to=nan&a=zz&run=..&draw={LONG}:none") as (
        page,
        _,
    ):
        ready(page)
        expect(page.locator("#trouble")).to_contain_text("no stored run begin so")
        assert page.locator("#drawn li").count() == 0


def test_metrics_are_marked_and_gone_to(browser: Browser, view: Viewing) -> None:
    with opened(browser, view, hash_=f"#draw={LONG}:bulk_voltage") as (page, _):
        ready(page)
        row = page.locator("#taken tr")
        expect(row).to_contain_text("1 holdup time of bulk")
        row.get_by_role("button").click()
        page.wait_for_timeout(500)
        start, stop = drawn(page)
        assert start < LINE_LOST_AT < LINE_LOST_AT + HOLDUP < stop < 0.15
        assert si(page.locator("#cursor-a").input_value()) == pytest.approx(LINE_LOST_AT + HOLDUP, rel=1e-4)


def test_a_steady_state_has_its_last_period(browser: Browser, results: Path, view: Viewing) -> None:
    path = stored(results, a_run("steady", solution={"frequency": 50.0, "duty": 0.4}))
    try:
        with opened(browser, view, hash_=f"#draw={run_id('steady')[:12]}:bulk_voltage&run={run_id('steady')[:12]}") as (
            page,
            _,
        ):
            ready(page)
            page.get_by_role("button", name="Last period").click()
            page.wait_for_timeout(400)
            assert drawn(page) == pytest.approx((0.18, 0.2))
            open_all(page)
            expect(page.locator("#facts-body")).to_contain_text("Steady state found (2)")
    finally:
        path.unlink()


def test_a_window_is_saved_as_csv_and_png(
    browser: Browser, view: Viewing, truth: tuple[np.ndarray, np.ndarray], tmp_path: Path
) -> None:
    time, values = truth
    with opened(browser, view, hash_=f"#draw={LONG}:bulk_voltage&from=0.05&to=0.0500999&a=0.05") as (page, heard):
        ready(page)
        drawn(page)
        page.wait_for_timeout(300)
        with page.expect_download() as saved:
            page.locator("#csv").click()
        saved.value.save_as(tmp_path / "window.csv")
        with page.expect_download() as pictured:
            page.locator("#png").click()
        pictured.value.save_as(tmp_path / "window.png")
        assert [one for one in heard if not one.startswith("blob:")] == []
    rows = list(csv.reader((tmp_path / "window.csv").read_text().splitlines()))
    inside = (time >= 0.05) & (time <= 0.0500999)
    assert [float(row[0]) for row in rows[1:]] == time[inside].tolist()
    assert np.array_equal(np.array([row[1] for row in rows[1:]], "f4"), values[inside].astype("f4"))
    data = (tmp_path / "window.png").read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = struct.unpack(">II", data[16:24])
    assert width > 700
    assert height > 300


def test_a_file_dropped_on_the_page_is_laid_over(
    browser: Browser, view: Viewing, truth: tuple[np.ndarray, np.ndarray]
) -> None:
    time, values = truth
    shown = np.arange(0.01, 0.14, 5e-5)
    course = np.interp(shown - 2e-3, time, values) + np.random.default_rng(3).normal(0, 0.2, len(shown))
    text = "t [ms];<img src=x onerror=window.stolen=1> [V]\n" + "\n".join(
        f"{t * 1e3:.4f};{v:.2f}" for t, v in zip(shown, course, strict=True)
    )
    with opened(browser, view, hash_=f"#draw={LONG}:bulk_voltage") as (page, heard):
        ready(page)
        drawn(page)
        page.evaluate(
            """text => {
                const carried = new DataTransfer();
                carried.items.add(new File([text], 'bench <b>.csv', { type: 'text/csv' }));
                const said = { dataTransfer: carried, bubbles: true, cancelable: true };
                for (const name of ['dragover', 'drop']) document.body.dispatchEvent(new DragEvent(name, said));
            }""",
            text,
        )
        form = page.locator("#over form")
        expect(form).to_contain_text("bench <b>.csv, 2600 rows")
        form.locator("[name=gain]").fill("3%")
        form.get_by_role("button", name="Lay it over").click()
        expect(page.locator("#compared")).to_contain_text("added to its time")
        expect(page.locator("#drawn li")).to_have_count(2)
        lag = re.search(r": (−[\d.]+\sm?s) ±", page.locator("#compared p").first.inner_text())
        assert lag
        assert si(lag[1]) == pytest.approx(-2e-3, abs=5e-5)
        assert page.locator("#compared tbody tr").count() == 5
        form.locator("[name=gain]").fill("much")
        form.get_by_role("button", name="Lay it over").click()
        expect(page.locator("#trouble")).to_contain_text("gain")
        assert page.evaluate("window.stolen === undefined")
        assert [line for line in heard if "status of 400" not in line] == []


@pytest.mark.parametrize("width", [WIDE, PHONE])
def test_nothing_of_a_record_is_markup_and_the_page_fits(browser: Browser, view: Viewing, width: int) -> None:
    """Even with the page's own policy bypassed."""
    with opened(
        browser,
        view,
        width,
        hash_=f"#draw={SHORT}:bulk_voltage&draw={LONG}:bulk_voltage&run={SHORT}&a=0.1",
        bypass_csp=True,
    ) as (page, heard):
        ready(page)
        drawn(page)
        page.wait_for_timeout(300)
        open_all(page)
        assert page.locator("#facts-body pre").first.inner_text().splitlines()[0] == HOSTILE[0]
        assert page.locator("#facts-body dd", has_text=HOSTILE[0]).count() == 1
        if width == PHONE:  # an address with lines shows the picture first there
            assert not page.locator("#list").is_visible()
            page.get_by_role("button", name="Unfold").click()
        for button in page.locator("button.run").all():
            button.click()
        page.wait_for_timeout(500)
        open_all(page)
        assert page.evaluate("window.stolen === undefined")
        assert page.locator("main img, main script, main iframe").count() == 0
        assert heard == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        beyond = page.evaluate(
            """width => [...document.querySelectorAll('main *')].filter(one => {
                const box = one.getBoundingClientRect();
                return box.right > width + 1 && !one.closest('.box, pre');
            }).map(one => one.outerHTML.slice(0, 120))""",
            width,
        )
        assert beyond == []


@pytest.mark.parametrize(("width", "scheme"), [(WIDE, "light"), (PHONE, "light"), (WIDE, "dark")])
def test_axe_finds_nothing(browser: Browser, view: Viewing, width: int, scheme: str) -> None:
    """With lines, cursors, facts, an opened run and everything unfolded."""
    address = f"#draw={LONG}:bulk_voltage&draw={LONG}:line_current&a=0.05&b=0.1&run={LONG}"
    with opened(browser, view, width, scheme, hash_=address, bypass_csp=True) as (page, _):
        ready(page)
        drawn(page)
        if width == PHONE:
            page.get_by_role("button", name="Unfold").click()
        page.locator("button.run").nth(1).click()
        open_all(page)
        page.wait_for_timeout(400)
        assert findings(page) == []
        background = page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert (sum(map(int, re.findall(r"\d+", background)[:3])) < 180) == (scheme == "dark")
