"""A served dashboard and a browser that notes errors and requests to other hosts."""

from __future__ import annotations

import os
import shutil
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from waitress.server import create_server

from planner.store.database import open_database

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
import dashboard_fleet

CHROMIUM = os.environ.get("PLANNER_CHROMIUM", "/usr/bin/chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
MANY = 20_000


@dataclass
class Visit:
    """A page under test, with what went wrong on it."""

    page: Page
    base: str
    errors: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)

    def open(self, view: str) -> Page:
        """Go to a view and wait until its heading and its figures are there."""
        self.page.goto(self.base + view)
        self.settle()
        return self.page

    def settle(self) -> None:
        """Wait for the content, and for every figure to be drawn."""
        self.page.wait_for_selector("main h1")
        self.page.wait_for_function(
            "() => [...document.querySelectorAll('.figure .dash-graph')].every("
            "each => each.querySelector('.main-svg .plot, .main-svg .cartesianlayer'))"
        )

    def address(self) -> str:
        """Path and query of the page that is shown."""
        return self.page.url.removeprefix(self.base)


@pytest.fixture(scope="session")
def base(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of the served dashboard over the small fleet with many more end faces."""
    from dashboards.app import create_app

    path = dashboard_fleet.build(tmp_path_factory.mktemp("served") / "small.duckdb")
    con = open_database(path)
    dashboard_fleet.add_many(con, MANY)
    con.close()
    server = create_server(create_app(path).server, host="127.0.0.1", port=0, threads=6)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()
    thread.join(timeout=5)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """The browser; absent, the tests are skipped, except where CI=true promises one."""
    if shutil.which(CHROMIUM) is None:
        reason = f"no browser at {CHROMIUM}; install chromium or set PLANNER_CHROMIUM"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


def visiting(context: BrowserContext, base: str) -> Visit:
    """A new page whose errors and outside requests are noted."""
    visit = Visit(context.new_page(), base)
    visit.page.set_default_timeout(15_000)
    visit.page.on(
        "console", lambda message: visit.errors.append(message.text) if message.type in ("error", "warning") else None
    )
    visit.page.on("pageerror", lambda error: visit.errors.append(str(error)))
    visit.page.on(
        "request",
        lambda request: None if request.url.startswith((base, "data:", "blob:")) else visit.outside.append(request.url),
    )
    return visit


@pytest.fixture
def visit(chromium: Browser, base: str) -> Iterator[Visit]:
    """A desktop page; at the end nothing may have gone wrong and nothing may have left this machine."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900}, color_scheme="light", bypass_csp=False)
    made = visiting(context, base)
    yield made
    context.close()
    assert made.errors == []
    assert made.outside == []


@pytest.fixture
def phone(chromium: Browser, base: str) -> Iterator[Visit]:
    """A phone held upright, preferring dark."""
    context = chromium.new_context(
        viewport={"width": 390, "height": 844}, color_scheme="dark", has_touch=True, is_mobile=True
    )
    made = visiting(context, base)
    yield made
    context.close()
    assert made.errors == []
    assert made.outside == []
