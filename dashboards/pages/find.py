"""Find: circuits, end faces and sites by id or name."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.absent import listed_links
from dashboards.components.frames import records
from dashboards.components.links import circuit_link, connector_link, site_link
from dashboards.components.tables import heads, table
from dashboards.components.words import is_unknown
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries

PATH = "/find"
KINDS = {"circuit": "circuit", "connector": "end face", "site": "site"}


def title(query: Query) -> str:
    """The page's title."""
    return f"Find {query.get('q', '')}"


def layout(query: Query) -> list[Component]:
    """The page for a query with q, the text looked for."""
    text = query.get("q", "").strip()
    parts: list[Component] = [html.H1(f"What matches \u201c{text}\u201d" if text else "Find")]
    if not text:
        return [*parts, html.P("Type a circuit, an end face, a port or a site into the field at the top.")]
    hits = ask(page_queries.find, text)
    if hits.empty:
        parts.append(html.P("Nothing has this in its id or name. Try a shorter part of it."))
        return [*parts, *_alike(text)]
    links = {"circuit": circuit_link, "connector": connector_link, "site": site_link}
    return [
        *parts,
        table(
            f"{len(hits)} shown, closest first.",
            heads("Id", "What it is", "Name or place*"),
            [
                [
                    links[str(row.kind)](row.id),
                    KINDS[str(row.kind)],
                    "" if is_unknown(row.words) else str(row.words),
                ]
                for row in records(hits)
            ],
        ),
    ]


def _alike(text: str) -> list[Component]:
    """Ids of each kind that look like what was typed, as links."""
    near = [(kind, ask(page_queries.nearest_ids, kind, text)) for kind in KINDS]
    items = [html.Li([f"{KINDS[kind]} ", *listed_links(kind, ids)]) for kind, ids in near if ids]
    return [html.P("These look like it:"), html.Ul(items)] if items else []


PAGE = Page(path=PATH, layout=layout, title=title, section="/")
