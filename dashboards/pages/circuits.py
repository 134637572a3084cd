"""Circuits: every circuit as a table that sorts and filters at any size."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.attributes import aria
from dashboards.components.links import address
from dashboards.components.tables import GridColumnView, filters_from, grid_table, not_assessed, sort_from
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries

PATH = "/circuits"
GRID = page_queries.CIRCUIT_GRID

VIEWS = (
    GridColumnView("circuit_id", "Circuit", 150, "CircuitLink", pinned=True),
    GridColumnView("state", "State", 105, "StateMark", explains=page_queries.CIRCUIT_STATE_RULE),
    GridColumnView("margin_db", "Margin", 107, "decibels", explains="allowed less measured (or expected) loss [dB]"),
    GridColumnView("drift_db", "Change", 107, "decibels", explains="worst series against its baseline [dB]"),
    GridColumnView("p_fault", "Fault", 99, "share", explains="probability that something is wrong with the path"),
    GridColumnView("cause", "Suspected", 150, "words", explains="most probable cause"),
    GridColumnView("suspect_id", "Suspect", 150, "SuspectLink", explains="element it is suspected at"),
    GridColumnView("customers", "Customers", 132, "whole"),
    GridColumnView("priority", "Priority", 124, "whole"),
    GridColumnView("measured_db", "Measured", 124, "decibels"),
    GridColumnView("allowed_db", "Allowed", 116, "decibels"),
    GridColumnView("allowed_from", "Allowed by", 220, explains="source of the limit; says if it is not confirmed"),
    GridColumnView("connectors", "End faces", 132, "whole"),
    GridColumnView("length_m", "Length", 107, "metres"),
    GridColumnView("a_site_id", "From site", 132, "SiteLink"),
    GridColumnView("z_site_id", "To site", 120, "SiteLink"),
    GridColumnView("application", "Application", 149),
    GridColumnView("name", "Name", 200),
)


def title(_: Query) -> str:
    """The page's title."""
    return "Circuits"


def layout(query: Query) -> list[Component]:
    """The page for a query with filters and sorting of the table."""
    counts = ask(page_queries.row_counts)
    parts: list[Component] = [
        html.H1("Circuits"),
        html.P("Those that need somebody stand first. Click a heading to sort; the funnel beside it filters."),
    ]
    if not counts["circuit_status"]:
        parts.append(not_assessed("circuit_status", "Run: planner analyse --db FILE"))
    presets = [
        ("Everything", address(PATH)),
        ("Beyond what is allowed", address(PATH, margin_db="lt:0", sort="margin_db")),
        ("Fault more likely than not", address(PATH, p_fault="ge:0.5", sort="-p_fault")),
        ("Worsened by 0.5 dB or more", address(PATH, drift_db="ge:0.5", sort="-drift_db")),
        ("Most customers", address(PATH, sort="-customers")),
    ]
    parts.append(
        html.Nav(
            [html.A(words, href=href, className="choice") for words, href in presets],
            className="choices",
            **aria(label="Ready-made filters"),
        )
    )
    parts.append(
        grid_table(
            GRID,
            VIEWS,
            caption="Circuits",
            by="",
            sort=sort_from(GRID, query),
            filters=filters_from(GRID, query),
        )
    )
    return parts


PAGE = Page(path=PATH, name="Circuits", layout=layout, title=title)
