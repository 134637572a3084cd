"""Network: which circuits are losing margin, which end face is suspected and why, and what else was found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component
from flask import current_app

from dashboards.components import maps
from dashboards.components.absent import nothing_known
from dashboards.components.bars import level
from dashboards.components.charts import Spec, drawn, sites_trace
from dashboards.components.frames import first, records
from dashboards.components.links import address, choices, circuit_link, connector_link, element_link, site_link
from dashboards.components.marks import state_mark
from dashboards.components.tables import Cell, heads, not_assessed, table
from dashboards.components.words import (
    STAR,
    action,
    bold,
    cause,
    counted,
    day,
    db,
    duration,
    figure,
    is_unknown,
    margin_db,
    moment,
    percent,
    plain,
    sentence,
)
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries
from planner.tables.result_tables import CAUSES

PATH = "/"
SHOWN = 15

ANALYSE = "Run: planner analyse --db FILE"
# What lines of evidence that only name their source say, for what is suspected or against it.
SAID_BY = {
    "loss tests": "the loss tests decide it",
    "return loss in the loss tests": "the return loss of the loss tests decides it",
    "reflectance and place in the OTDR trace": "reflectance and place in the OTDR trace decide it",
    "measured loss against what the path should lose": "the measured loss against what the path should lose decides it",
}
NEEDS = {
    "circuit_budget": "It needs loss_tests or power_readings and the plant tables. " + ANALYSE,
    "series_drift": "It needs power_readings or loss_tests. " + ANALYSE,
    "diagnosis": "It needs series of readings and traced circuits. " + ANALYSE,
    "connector_health": "It needs the history of matings, inspections and cleanings. " + ANALYSE,
    "ranking": ANALYSE,
}


def title(_: Query) -> str:
    """The page's title."""
    return "Network"


def layout(query: Query) -> list[Component]:
    """The page for a query with region, cause and state."""
    region, cause_wanted, state = (query.get(name, "") for name in ("region", "cause", "state"))
    counts = ask(page_queries.row_counts)
    if not counts["circuits"]:
        return [
            html.H1("No fleet is loaded yet"),
            html.P("Load a folder of tables, then open this page again:"),
            html.Pre("planner load FOLDER --db FILE\nplanner serve --db FILE"),
        ]
    states = ask(page_queries.circuit_states, region)
    parts: list[Component] = [html.H1("Which circuits are losing margin, and where"), *_summary(counts, states)]
    parts += _filters(query, region)
    parts += _circuits(counts, region, cause_wanted, state)
    parts += _first_visits(counts)
    parts += _map(region)
    parts += _findings(counts)
    return parts


def _summary(counts: dict[str, int], states: dict[str, int]) -> list[Component]:
    needing = states.get("act", 0) + states.get("soon", 0)
    verb = "needs" if needing == 1 else "need"
    lines: list[Component] = [
        sentence(
            bold(counted(needing, "circuit")),
            f" of {counts['circuits']:,} {verb} somebody now or soon; ",
            bold(figure(states.get("watch", 0))),
            " more bear watching.",
            kind="lead",
        )
    ]
    if states and not set(states) - {"unknown"}:
        lines = [not_assessed("power_readings, loss_tests or otdr_events", "No circuit was measured. " + ANALYSE)]
    health = ask(page_queries.fleet_health)
    unknown = nothing_known()
    if unknown is not None:
        lines.append(unknown)
    elif len(health) and health["assessed"].iloc[0]:
        row = first(health)
        lines.append(
            sentence(
                bold(counted(row["likely_not_clean"], "end face")),
                f" of {int(row['assessed']):,} in service "
                f"{'is' if row['likely_not_clean'] == 1 else 'are'} more likely dirty or damaged than not. "
                "Adding up the probabilities, about ",
                bold(figure(row["expected_contaminated"])),
                " are dirty and ",
                bold(figure(row["expected_damaged"])),
                " are damaged.",
            )
        )
    else:
        lines.append(not_assessed("connector_health", NEEDS["connector_health"]))
    lines.append(
        html.Ul(
            [
                html.Li([state_mark(state), " ", bold(figure(states.get(state, 0))), " circuits"])
                for state in ("act", "soon", "watch", "sound", "unknown")
            ],
            className="tally",
        )
    )
    return lines


def _filters(query: Query, region: str) -> list[Component]:
    kept = {name: query[name] for name in ("region", "cause", "state") if query.get(name)}
    regions = ask(page_queries.regions)
    rows: list[Component] = []
    if 1 < len(regions) <= 24:
        options = [("", "everywhere"), *[(name, name) for name in regions]]
        rows.append(choices("Region", PATH, kept, "region", options))
    rows.append(
        choices(
            "Suspected",
            PATH,
            kept,
            "cause",
            [("", "anything"), *[(each, cause(each)) for each in CAUSES if each not in ("nothing",)]],
        )
    )
    rows.append(
        choices(
            "State",
            PATH,
            kept,
            "state",
            [("", "all that need somebody"), ("act", "act now"), ("soon", "soon"), ("watch", "watch")],
        )
    )
    return [html.Div(rows, className="filters")]


def _circuits(counts: dict[str, int], region: str, cause_wanted: str, state: str) -> list[Component]:
    parts: list[Component] = [html.H2("Circuits to attend to")]
    for name in ("circuit_budget", "diagnosis"):
        if not counts[name]:
            parts.append(not_assessed(name, NEEDS[name]))
    worst = ask(page_queries.worst_circuits, SHOWN, region, cause_wanted, state)
    if worst.empty:
        parts.append(
            html.P("No circuit is in this state" + (" with these filters." if region or cause_wanted or state else "."))
        )
        return parts
    parts.append(
        table(
            "Worst first: state, then probable faults, then least margin; circuits with the same suspect once. "
            f"At most {SHOWN} are shown.{STAR}",
            heads("Circuit~", "State", "Margin#", "Change#", "Suspect and why*", "Customers#"),
            [circuit_row(row) for row in records(worst)],
        )
    )
    parts.append(
        html.P(
            [
                html.A("All circuits as a table", href=address("/circuits")),
                ". ",
                html.Span(page_queries.CIRCUIT_STATE_RULE, className="faint small"),
            ]
        )
    )
    return parts


def circuit_row(row: Any) -> list[Cell]:
    """One circuit of the list: what it is, how bad it is, who is suspected and why."""
    name = "" if is_unknown(row.name) else str(row.name)
    suspect: list[Any] = []
    if is_unknown(row.p_fault):
        suspect.append(html.Span("not diagnosed", className="faint"))
    elif row.p_fault < 0.2 or is_unknown(row.cause):
        suspect.append("Most probably nothing is wrong with the path.")
    else:
        suspect += [
            bold(percent(row.p_fault)),
            f" that something is wrong; most probably {cause(row.cause)}",
            *(
                [" at ", element_link(row.suspect_kind, row.suspect_id)]
                if not is_unknown(row.suspect_id) and row.suspect_id
                else []
            ),
            " (",
            bold(percent(row.p_suspect)),
            ")",
        ]
        if not is_unknown(row.same_as) and row.same_as:
            others = len(str(row.same_as).split("; "))
            suspect.append(f" or one of {counted(others, 'other')} like it")
        if not is_unknown(row.onset_at):
            suspect.append(f", since about {day(row.onset_at)}")
        suspect.append(".")
        if not is_unknown(row.evidence) and row.evidence:
            suspect.append(html.Div(_light_words(str(row.evidence)), className="faint small"))
    if not is_unknown(row.next_test) and row.next_test:
        suspect.append(html.Div(["Next: ", str(row.next_test)], className="small"))
    if row.same_suspect > 1:
        where = address("/circuits", suspect_id=f"is:{row.suspect_id}")
        more = counted(row.same_suspect - 1, "more circuit")
        suspect.append(html.Div(html.A(f"{more} with the same suspect", href=where), className="small"))
    change: list[Any] = [db(row.drift_db, sign=True)]
    if not is_unknown(row.drift_at):
        change.append(html.Div(f"{plain(row.drift_kind)}, {day(row.drift_at)}", className="faint small"))
    margin: list[Any] = [bold(margin_db(row.margin_db, row.allowed_from))]
    if not is_unknown(row.margin_nm):
        words = "measured" if not is_unknown(row.measured_db) else "expected, not measured"
        margin.append(html.Div(f"{words}, {row.margin_nm:.0f}\u202fnm", className="faint small"))
    return [
        [circuit_link(row.circuit_id), html.Div(name, className="faint small")],
        state_mark(row.state),
        margin,
        change,
        suspect,
        figure(row.customers),
    ]


def _light_words(text: str) -> str:
    """The strongest line about light as a sentence: "Received at Z fell 0.31 dB about 24 Aug 2030."."""
    words = text.removeprefix("power: ")
    words = SAID_BY.get(words, words)
    return f"{words[:1].upper()}{words[1:]}."


def _first_visits(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("End faces to visit first")]
    if not counts["ranking"]:
        return [*parts, not_assessed("ranking", NEEDS["ranking"])]
    unknown = nothing_known()
    if unknown is not None:
        return [*parts, unknown]
    first = ask(page_queries.first_connectors, 8)
    rows: list[list[Cell]] = [
        [
            [connector_link(row.connector_id), html.Div(site_link(row.site_id, row.site_name), className="small")],
            [state_mark(row.state), html.Div(_belief(row), className="small")],
            [
                f"{action(row.action)}, {figure(row.minutes, 0, 'min')}",
                html.Div(_why(row.reasons), className="faint small"),
            ],
            figure(row.benefit),
        ]
        for row in records(first)
    ]
    return [
        *parts,
        table(
            "By expected benefit per crew minute.",
            heads("End face~", "State~", "What to do and why*", "Benefit, customer-min#"),
            rows,
        ),
        html.P(html.A("The whole ranking", href="/connectors")),
    ]


def _belief(row: Any) -> list[Any]:
    """What the visit is about: damage where it is to be replaced, else dirt."""
    if row.action == "replace":
        return ["damaged ", level(row.p_damaged, state="act")]
    return ["dirty ", level(row.p_contaminated)]


def _why(reasons: object) -> str:
    """Of the reasons of a rank those about cost and customers, as one sentence."""
    if is_unknown(reasons):
        return ""
    parts = [part for part in str(reasons).split("; ") if not part.startswith("contaminated ")]
    of_light = ("costs circuit ", "may cost circuit ", "circuit ")
    telling = [part for part in parts if part.startswith(of_light) or (" on " in part and "customer" in part)]
    words = ", ".join(telling or parts[:2])
    return f"{words[:1].upper()}{words[1:]}." if words else ""


def _short(text: object, most: int = 170) -> str:
    if is_unknown(text):
        return ""
    words = str(text)
    return words if len(words) <= most else words[: words.rfind(" ", 0, most)] + "\u2026"


def _findings(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("What contradicts the records")]
    audit = ask(page_queries.audit_counts)
    if audit.empty:
        parts.append(html.P("No contradiction between the tables was found."))
    else:
        parts.append(
            table(
                "Paths and suspects rest on these records; the kinds with most findings first.",
                heads("Kind", "Findings#", "For instance*"),
                [
                    [
                        html.A(plain(row.code), href=address("/records", show="audit", code=f"is:{row.code}")),
                        figure(row.findings),
                        html.Span(_short(row.example), className="small"),
                    ]
                    for row in records(audit.sort_values("findings", ascending=False).head(6))
                ],
            )
        )
    if counts["findings"]:
        parts.append(
            sentence(
                "The intake reported ",
                bold(counted(counts["findings"], "finding")),
                " in the files: ",
                html.A("see them", href="/records"),
                ".",
            )
        )
    notes = ask(page_queries.stages)
    notes = notes[notes["note"].fillna("") != ""]
    if len(notes):
        parts.append(html.H3("Not assessed"))
        parts.append(html.Ul([html.Li(f"{row.stage}: {row.note}") for row in records(notes)], className="small"))
    return parts


def site_states(sites: pd.DataFrame) -> pd.Series:
    """The state of each site: that of its worst end faces, told by counts."""
    state = pd.Series("sound", index=sites.index)
    state[sites["expected_not_clean"].isna()] = "unknown"
    share = sites["expected_not_clean"] / sites["end_faces"].where(sites["end_faces"] > 0)
    state[share >= 0.2] = "watch"
    state[sites["likely_not_clean"].fillna(0) / sites["end_faces"].where(sites["end_faces"] > 0) >= 0.1] = "soon"
    state[sites["act_now"].fillna(0) > 0] = "act"
    return state


def sites_map(sites: pd.DataFrame, traces: list[Spec] | None = None) -> Spec:
    """The map of the sites, with further traces below them."""
    placed = sites[sites["latitude"].notna() & sites["longitude"].notna()]
    placed = placed.assign(state=site_states(placed))
    box = maps.frame_box(placed["longitude"].to_numpy(float), placed["latitude"].to_numpy(float))
    hrefs = [address("/site", id=key) for key in placed["site_id"]]
    own: Path | None = current_app.extensions.get("planner_base_map")
    return maps.map_figure(box, [*(traces or []), *sites_trace(placed, maps.y_scale(box), hrefs)], own)


def _map(region: str) -> list[Component]:
    sites = ask(page_queries.site_health, region)
    if sites["latitude"].notna().sum() == 0:
        return [html.H2("Where"), not_assessed("sites with coordinates", "Fill latitude and longitude in sites.")]
    acting = sites[sites["act_now"].fillna(0) > 0]
    words = (
        f"{counted(len(acting), 'site')} with an end face to act on now"
        if len(acting)
        else "no site has an end face to act on now"
    )
    figure_part = drawn(
        "sites",
        sites_map(sites),
        label=f"Map of {len(sites)} sites: {words}. The list beside it says the same.",
        caption=(
            "Diamond: a site with an end face to act on now; triangle: one in ten end faces or more is likely "
            "not clean; square: one in five expected; circle: less. Size: end faces expected not clean. "
            "Drag to move, scroll to zoom, click a site to open it."
        ),
        height=440,
        pan=True,
    )
    listing = nothing_known() or table(
        "Sites with most to do first.",
        heads("Site", "End faces#", "Not clean#", "Act now#", "Work that pays#"),
        [
            [
                site_link(row.site_id, row.name),
                figure(row.end_faces),
                figure(row.expected_not_clean, 1),
                figure(row.act_now),
                duration(row.minutes),
            ]
            for row in records(sites.head(12))
        ],
    )
    return [html.H2("Where"), html.Div([html.Div(figure_part), html.Div(listing)], className="wide-narrow")]


PAGE = Page(path=PATH, name="Network", layout=layout, title=title)

__all__ = ["PAGE", "circuit_row", "layout", "moment", "site_states", "sites_map"]
