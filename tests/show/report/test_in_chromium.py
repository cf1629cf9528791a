"""The demonstration record's report in real headless Chromium: wide, narrow, dark, printed; axe; a hostile record."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import chromium, findings, open_all, page_of
from playwright.sync_api import Browser
from report_pages import hostile_page

from harness.show.report.pdf import write_pdf

PHONE, WIDE = 360, 1280


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.mark.parametrize(("width", "scheme"), [(WIDE, "light"), (PHONE, "light"), (WIDE, "dark"), (PHONE, "dark")])
def test_it_stands_alone_and_fits_its_width(browser: Browser, reported: Path, width: int, scheme: str) -> None:
    with page_of(browser, reported, width, scheme) as (page, heard):
        for unfolded in (False, True):
            if unfolded:
                open_all(page)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            beyond = page.evaluate(
                """width => [...document.querySelectorAll('main *')].filter(one => {
                    const box = one.getBoundingClientRect();
                    return box.right > width + 1 && !one.closest('.box, .typeset, pre, figure.circuit');
                }).map(one => one.outerHTML.slice(0, 120))""",
                width,
            )
            assert beyond == []
        assert heard == []
        background = page.evaluate("getComputedStyle(document.body).backgroundColor")
        brightness = sum(map(int, re.findall(r"\d+", background)[:3])) / 3
        assert (brightness < 60) == (scheme == "dark")


def test_axe_finds_nothing(browser: Browser, reported: Path) -> None:
    """Wide with all unfolded, narrow as it opens; in the dark the contrasts, which alone are other there."""
    with page_of(browser, reported, WIDE, bypass_csp=True) as (page, _):
        open_all(page)
        assert findings(page) == []
    with page_of(browser, reported, PHONE, bypass_csp=True) as (page, _):
        assert findings(page) == []
    with page_of(browser, reported, WIDE, "dark", bypass_csp=True) as (page, _):
        assert findings(page, {"runOnly": ["color-contrast"]}) == []


def test_on_a_phone_no_number_is_lost_and_letters_can_be_read(browser: Browser, reported: Path) -> None:
    with page_of(browser, reported, PHONE) as (page, _):
        rows = page.locator("section:has(#margins) > .box tbody tr")
        said = rows.first.evaluate("""row => [...row.cells].map(
            cell => getComputedStyle(cell, '::before').content + cell.innerText).join(' ')""")
        for word in ("adverse", "limit", "margin", "holdup time of bulk", "8.197", "10", "18.0", "undecided"):
            assert word in said
        sizes = page.evaluate(
            """[...document.querySelectorAll('svg.waveform')].filter(one => one.checkVisibility()).map(one =>
            11 * one.getBoundingClientRect().width / one.viewBox.baseVal.width)"""
        )
        assert len(sizes) == 4
        assert min(sizes) > 7.5  # px of a picture's letters


def test_labels_of_a_circuit_keep_their_own_size(browser: Browser, reported: Path) -> None:
    """A label is made smaller where it would not fit its room; the page's style must not make it larger again."""
    with page_of(browser, reported, WIDE) as (page, _):
        sizes = page.evaluate(
            """[...document.querySelectorAll('figure.circuit text')].map(one =>
            [parseFloat(getComputedStyle(one).fontSize), parseFloat(one.getAttribute('font-size'))])"""
        )
        assert len(sizes) > 40
        assert all(abs(shown - own) < 0.01 for shown, own in sizes)


def test_formulas_fit_on_a_wide_page(browser: Browser, reported: Path) -> None:
    with page_of(browser, reported, WIDE) as (page, _):
        wide = "[...document.querySelectorAll('.typeset')].filter(one => one.scrollWidth > one.clientWidth + 1)"
        assert page.evaluate(f"{wide}.map(one => one.getAttribute('aria-label'))") == []


def test_marks_sit_on_their_traces(browser: Browser, reported: Path) -> None:
    """As drawn: every ring's middle lies on some trace of its picture."""
    with page_of(browser, reported, WIDE) as (page, _):
        open_all(page)
        off = page.evaluate(
            """[...document.querySelectorAll('svg.waveform')].flatMap(svg => {
                const traces = [...svg.querySelectorAll('path.trace.nominal')];
                return [...svg.querySelectorAll('circle.ring')].filter(ring => {
                    const x = +ring.getAttribute('cx'), y = +ring.getAttribute('cy');
                    return !traces.some(trace => {
                        const points = trace.getAttribute('d').slice(1).split(/[ L]/).map(Number);
                        for (let k = 0; k + 3 < points.length; k += 2) {
                            const [a, b, c, d] = points.slice(k, k + 4);
                            const t = Math.max(0, Math.min(1, ((x-a)*(c-a)+(y-b)*(d-b)) / ((c-a)**2+(d-b)**2 || 1)));
                            if (Math.hypot(a + t*(c-a) - x, b + t*(d-b) - y) < 2) return true;
                        }
                        return false;
                    });
                }).map(ring => svg.querySelector('title').textContent);
            })"""
        )
        assert off == []


def test_a_link_to_a_folded_row_unfolds_it(browser: Browser, reported: Path) -> None:
    with page_of(browser, reported, WIDE) as (page, _):
        link = page.locator("section:has(#margins) > .box tbody a").last
        target = page.locator(str(link.get_attribute("href")))
        assert not target.is_visible()
        link.click()
        target.wait_for(state="visible", timeout=5000)


def test_nothing_of_a_hostile_record_runs(browser: Browser, tmp_path: Path) -> None:
    """Even with the page's own policy bypassed: nothing in it is markup."""
    file = hostile_page(tmp_path)
    for bypassed in (True, False):
        with page_of(browser, file, WIDE, bypass_csp=bypassed) as (page, heard):
            open_all(page)
            page.wait_for_timeout(200)
            assert heard == []
            assert page.evaluate("window.stolen === undefined")
            assert page.locator("script:not([type='application/gzip']), img, iframe, object, form").count() == 0
            assert page.evaluate("document.documentElement.scrollWidth") <= WIDE


def test_the_pdf_has_what_the_page_folds(reported: Path, tmp_path: Path) -> None:
    pdf = tmp_path / "lantern-65.pdf"
    write_pdf(reported, pdf)
    text = subprocess.run(
        ["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True, timeout=60
    ).stdout
    flat = " ".join(text.split())
    for words in ("An opened supply can kill", "further margins", "Limits in force", "inlet_filter"):
        assert words in flat
    # of folded tables: the light load's metrics, and the record's own text, to their last line
    assert flat.count("light load") > 30
    assert 'description = "output socket, 5.5 mm barrel"' in flat
    for heading in ("nominal", "by hand", "declared", "margin", "verdict"):
        assert heading in flat
    pages = text.count("\f")
    assert 20 < pages < 50
