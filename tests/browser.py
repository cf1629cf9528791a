"""Real headless Chromium for tests, without a network: pages opened at a size and in a scheme, axe run on them."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import axe_playwright_python
from playwright.sync_api import Browser, Page, sync_playwright

from harness.show.report.pdf import find_chromium

# axe-core comes inside this package; it is Deque's, under the MPL-2.0, and never part of the project
AXE = Path(glob.glob(str(Path(axe_playwright_python.__file__).parent / "**" / "axe.min.js"), recursive=True)[0])


@contextmanager
def chromium() -> Iterator[Browser]:
    """The system's browser; scripts/setup installs it."""
    path = find_chromium()
    assert path is not None, "Chromium is missing: scripts/test installs it by apt-get"
    with sync_playwright() as playwright:
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = playwright.chromium.launch(
            executable_path=path,
            args=[*sandbox, "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"],
            timeout=60_000,
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def page_of(
    browser: Browser, file: Path, width: int, scheme: str = "light", *, bypass_csp: bool = False
) -> Iterator[tuple[Page, list[str]]]:
    """A page opened, and every request it makes beyond itself, error and console message, as they come."""
    own = file.as_uri()
    with address_of(browser, own, own, width, scheme, bypass_csp=bypass_csp) as found:
        yield found


@contextmanager
def address_of(
    browser: Browser, address: str, own: str, width: int, scheme: str = "light", *, bypass_csp: bool = False
) -> Iterator[tuple[Page, list[str]]]:
    """The same of an address; requests to what begins with ``own`` are its own."""
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=bypass_csp)  # type: ignore[arg-type]
    page, heard = context.new_page(), list[str]()
    page.on("request", lambda request: heard.append(request.url) if not request.url.startswith(own) else None)
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("console", lambda message: heard.append(message.text))
    page.on("dialog", lambda dialog: (heard.append(dialog.message), dialog.dismiss()))
    page.goto(address)
    try:
        yield page, heard
    finally:
        context.close()


def open_all(page: Page) -> None:
    """Unfolds what is folded."""
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")


def findings(page: Page, options: dict[str, Any] | None = None) -> list[str]:
    """What axe finds, serious or not; the page's own policy must be bypassed."""
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(
        "options => axe.run(document, options).then(result => result.violations)",
        {"resultTypes": ["violations"], **(options or {})},
    )
    return [f"{one['id']} ({one['impact']}): {one['nodes'][0]['html'][:200]}" for one in found]
