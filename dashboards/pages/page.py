"""What a page is: an address, a name, a title and a layout made from the address's query alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dash import Dash

Query = dict[str, str]


@dataclass(frozen=True)
class Page:
    """One page.

    `name` is its word in the navigation, empty for pages that are reached from others; `section` is then the
    address of the page they belong to.
    """

    path: str
    layout: Callable[[Query], Any]
    title: Callable[[Query], str]
    name: str = ""
    section: str = ""
    add_callbacks: Callable[[Dash], None] | None = None
