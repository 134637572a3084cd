"""The pages in the order of the navigation."""

from __future__ import annotations

from dashboards.pages import (
    backtest,
    circuit,
    circuits,
    connector,
    connectors,
    dispatch,
    find,
    managers,
    method,
    operations,
    records,
    site,
)
from dashboards.pages.page import Page

PAGES: tuple[Page, ...] = (
    operations.PAGE,
    circuits.PAGE,
    circuit.PAGE,
    connectors.PAGE,
    connector.PAGE,
    dispatch.PAGE,
    managers.PAGE,
    backtest.PAGE,
    records.PAGE,
    method.PAGE,
    site.PAGE,
    find.PAGE,
)
_BY_PATH = {page.path: page for page in PAGES}


def page_at(path: str) -> Page | None:
    """The page that lives at a path; a trailing stroke does not matter."""
    return _BY_PATH.get("/" + path.strip("/"))


def section_of(path: str) -> str:
    """The navigation entry a path belongs to."""
    page = page_at(path)
    return "" if page is None else page.section or page.path
