"""End faces: the whole ranking, by benefit, probability or the three classic measures."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.attributes import aria
from dashboards.components.links import address, choices
from dashboards.components.tables import GridColumnView, filters_from, grid_table, not_assessed, sort_from
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries

PATH = "/connectors"
GRID = page_queries.CONNECTOR_GRID

MODES = {
    "benefit": (
        "Benefit",
        "Ordered by expected benefit per crew minute: what a visit should win for customers, less the minutes and "
        "the risk of opening a good, live connection.",
    ),
    "probability": (
        "Probability",
        "Ordered by the probability of being dirty or damaged, whatever it costs anybody.",
    ),
    "classic": (
        "Classic measures",
        "Ordered by the sum of three classic measures: matings since the last cleaning, loss drift of its "
        "circuits, time since the last inspection.",
    ),
}

_FIRST = (GridColumnView("connector_id", "End face", 165, "ConnectorLink", pinned=True),)
_BELIEF = (
    GridColumnView("state", "State", 105, "StateMark", explains=page_queries.CONNECTOR_STATE_RULE),
    GridColumnView("p_contaminated", "Dirty", 99, "share"),
    GridColumnView("p_damaged", "Damaged", 116, "share"),
)
_PLACE = (
    GridColumnView("site_id", "Site", 110, "SiteLink"),
    GridColumnView("site_name", "Site name", 160, explains="name of the site"),
    GridColumnView("port", "Port", 150),
)
_REST = (
    GridColumnView("circuits", "Circuits", 190, "ListOfCircuits"),
    GridColumnView("mates_since_clean", "Matings since clean", 215, "whole"),
    GridColumnView("last_cleaned_at", "Cleaned", 116, "dayOf"),
    GridColumnView("last_inspected_at", "Inspected", 132, "dayOf"),
    GridColumnView("region", "Region", 120, explains="region of the site"),
    GridColumnView("environment", "Air", 105, "words"),
    GridColumnView("family", "Family", 107),
    GridColumnView("polish", "Polish", 107),
    GridColumnView("batch", "Batch", 110),
)


def views(by: str) -> tuple[GridColumnView, ...]:
    """The columns in the order that suits a mode."""
    if by == "classic":
        classic = (
            GridColumnView("classic_rank", "Rank", 91, "whole"),
            GridColumnView("classic_score", "Score", 99, "threeDigits"),
            GridColumnView("mates_part", "Matings", 116, "threeDigits"),
            GridColumnView("drift_part", "Drift", 99, "threeDigits"),
            GridColumnView("time_part", "Time", 91, "threeDigits"),
            GridColumnView("classic_reasons", "Why", 380),
        )
        return (*_FIRST, *classic, *_PLACE, *_BELIEF, *_REST)
    rank = GridColumnView(f"{by}_rank", "Rank", 91, "whole")
    middle = (
        rank,
        *_BELIEF,
        GridColumnView("benefit", "Benefit", 116, "whole"),
        GridColumnView("benefit_score", "Per minute", 141, "oneDigit"),
        GridColumnView("action", "Do", 150, "work"),
        GridColumnView("minutes", "Work", 91, "minutes"),
        *_PLACE,
        GridColumnView("reasons", "Why", 380),
    )
    return (*_FIRST, *middle, *_REST)


def title(_: Query) -> str:
    """The page's title."""
    return "End faces"


def layout(query: Query) -> list[Component]:
    """The page for a query with the mode (`by`), filters and sorting of the table."""
    by = query.get("by", "benefit")
    if by not in MODES:
        by = "benefit"
    counts = ask(page_queries.row_counts)
    parts: list[Component] = [html.H1("End faces, ranked")]
    if not counts["ranking"]:
        return [*parts, not_assessed("ranking", "Run: planner analyse --db FILE")]
    kept = {name: value for name, value in query.items() if name not in ("sort", "fresh")}
    parts += [
        choices("Ranked by", PATH, {**kept, "by": by}, "by", [(key, words) for key, (words, _) in MODES.items()]),
        html.P(f"{MODES[by][1]} Equal ones stand in the order of their ids."),
        html.Nav(
            [
                html.A(words, href=address(PATH, by=by, **filters), className="choice")
                for words, filters in (
                    ("Everything", {}),
                    ("More likely dirty than not", {"p_contaminated": "ge:0.5"}),
                    ("Probably damaged", {"p_damaged": "ge:0.5"}),
                    ("Never inspected", {"last_inspected_at": "empty"}),
                    ("To be replaced", {"action": "is:replace"}),
                )
            ],
            className="choices",
            **aria(label="Ready-made filters"),
        ),
    ]
    if not counts["connector_health"]:
        parts.append(not_assessed("connector_health", "Probabilities are unknown. Run: planner analyse --db FILE"))
    parts.append(
        grid_table(
            GRID,
            views(by),
            caption=f"End faces by {MODES[by][0].lower()}",
            by=by,
            sort=sort_from(GRID, query),
            filters=filters_from(GRID, query),
        )
    )
    parts.append(
        html.P(
            [
                "The same list as a file: ",
                html.Code(f"planner rank --by {by} --out ranking.csv"),
                ".",
            ],
            className="faint small",
        )
    )
    return parts


PAGE = Page(path=PATH, name="End faces", layout=layout, title=title)
