"""One site: how to get in, what to look at there, which circuits pass."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.absent import no_such
from dashboards.components.bars import level
from dashboards.components.frames import first, records
from dashboards.components.links import address, circuit_link, connector_link
from dashboards.components.marks import state_mark
from dashboards.components.tables import facts, heads, not_assessed, table
from dashboards.components.words import (
    STAR,
    action,
    bold,
    cause,
    counted,
    db,
    figure,
    is_unknown,
    margin_db,
    plain,
    sentence,
)
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries

PATH = "/site"


def title(query: Query) -> str:
    """The page's title."""
    return f"Site {query.get('id', '')}"


def layout(query: Query) -> list[Component]:
    """The page for a query with id."""
    site_id = query.get("id", "")
    found = ask(page_queries.site, site_id)
    if found.empty:
        near = ask(page_queries.nearest_ids, "site", site_id)
        return no_such("site", "site", site_id, near, "The network", "/")
    row = first(found)
    name = site_id if is_unknown(row["name"]) else str(row["name"])
    return [
        html.H1(name),
        *_verdict(site_id),
        facts(
            [
                ("Id", html.Span(site_id, className="id")),
                ("Kind", plain(row["kind"])),
                ("Region", plain(row["region"]) if is_unknown(row["region"]) else str(row["region"])),
                ("Air", plain(row["environment"])),
                (
                    "Access",
                    "not stated"
                    if is_unknown(row["access_open"])
                    else f"{row['access_open']} to {row['access_close']} local"
                    + ("" if is_unknown(row["access_days"]) else f", {str(row['access_days']).replace(';', ' ')}"),
                ),
                (
                    "Getting in and out",
                    "unknown" if is_unknown(row["entry_min"]) else figure(row["entry_min"], 0, "min"),
                ),
                ("Position", f"{figure(row['latitude'], 4)}, {figure(row['longitude'], 4)} (WGS84)"),
                ("To know", "nothing noted" if is_unknown(row["access_note"]) else str(row["access_note"])),
            ]
        ),
        html.Div([html.Div(_connectors(site_id)), html.Div(_circuits(site_id))], className="two"),
    ]


def _verdict(site_id: str) -> list[Component]:
    health = ask(page_queries.site_health)
    mine = health[health["site_id"] == site_id]
    if mine.empty or is_unknown(mine["expected_not_clean"].iloc[0]):
        return [not_assessed("connector_health of this site", "Run: planner analyse --db FILE")]
    row = first(mine)
    return [
        sentence(
            "Of ",
            bold(counted(row["end_faces"], "end face")),
            " here, about ",
            bold(figure(row["expected_not_clean"], 1)),
            " are expected dirty or damaged; ",
            bold(figure(row["likely_not_clean"])),
            " are more likely so than not. Work that pays takes ",
            bold(f"{figure(row['minutes'])} minutes"),
            ".",
            kind="lead",
        )
    ]


def _connectors(site_id: str) -> list[Component]:
    parts: list[Component] = [html.H2("End faces to look at first")]
    rows = ask(page_queries.site_connectors, site_id)
    if rows.empty:
        return [*parts, html.P("No end face is in service here, or the ranking was not made.")]
    return [
        *parts,
        table(
            "By benefit per crew minute.",
            heads("End face", "State", "Dirty", "Do", "Benefit#"),
            [
                [
                    [connector_link(line.connector_id), html.Div(str(line.port), className="faint small")],
                    state_mark(line.state),
                    level(None if is_unknown(line.p_contaminated) else float(line.p_contaminated)),
                    f"{action(line.action)}, {figure(line.minutes, 0, 'min')}",
                    figure(line.benefit),
                ]
                for line in records(rows)
            ],
        ),
        html.P(html.A("All of them", href=address("/connectors", site_id=f"is:{site_id}"))),
    ]


def _circuits(site_id: str) -> list[Component]:
    parts: list[Component] = [html.H2("Circuits that pass")]
    rows = ask(page_queries.site_circuits, site_id)
    if rows.empty:
        return [*parts, html.P("No traced circuit passes this site.")]
    return [
        *parts,
        table(
            f"{figure(rows['circuits'].iloc[0])} in all; those that need somebody first.{STAR}",
            heads("Circuit", "State", "Margin#", "Change#", "Suspected"),
            [
                [
                    circuit_link(line.circuit_id),
                    state_mark(line.state),
                    margin_db(line.margin_db, line.allowed_from),
                    db(line.drift_db, sign=True),
                    "" if is_unknown(line.cause) or (line.p_fault or 0) < 0.2 else cause(line.cause),
                ]
                for line in records(rows)
            ],
        ),
    ]


PAGE = Page(path=PATH, layout=layout, title=title, section="/")
