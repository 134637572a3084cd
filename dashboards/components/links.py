"""Addresses of views: every filter stands in the query string, so that a view can be sent to a colleague."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import html
from dash.development.base_component import Component

from dashboards.components.attributes import aria
from dashboards.components.words import is_unknown


def address(path: str, **query: Any) -> str:
    """The address of a page with the given query; empty values are left out."""
    kept = {name: value for name, value in query.items() if not is_unknown(value) and value != ""}
    return f"{path}?{urlencode(kept)}" if kept else path


def circuit_link(circuit_id: Any, text: str = "") -> Component | str:
    """A link to a circuit's page; a dash where there is no circuit."""
    return _link("/circuit", circuit_id, text)


def connector_link(connector_id: Any, text: str = "") -> Component | str:
    """A link to an end face's page."""
    return _link("/connector", connector_id, text)


def site_link(site_id: Any, text: Any = "") -> Component | str:
    """A link to a site's page, by its name where there is one."""
    return _link("/site", site_id, "" if is_unknown(text) else str(text))


def element_link(kind: Any, element_id: Any) -> Component | str:
    """A link to what a diagnosis names: only end faces have a page of their own."""
    if is_unknown(element_id) or element_id == "":
        return "\u2013"
    if not is_unknown(kind) and str(kind) in ("connector", "end_face"):
        return connector_link(element_id)
    return html.Span([str(element_id)], className="id")


def _link(path: str, key: Any, text: str) -> Component | str:
    if is_unknown(key) or key == "":
        return "\u2013"
    return html.A(text or str(key), href=address(path, id=key), className=None if text else "id")


def choices(label: str, path: str, query: dict[str, Any], name: str, options: list[tuple[str, str]]) -> html.Nav:
    """A row of links that set one filter and keep the others; the one in force is marked.

    Parameters
    ----------
    options
        (value, words) in order; the value "" clears the filter.
    """
    chosen = str(query.get(name, "") or "")
    return html.Nav(
        [
            html.Span(label, className="choices-label"),
            *[
                html.A(
                    words,
                    href=address(path, **{**query, name: value}),
                    className="choice",
                    **aria(current="true" if value == chosen else ""),
                )
                for value, words in options
            ],
        ],
        className="choices",
        **aria(label=label),
    )
