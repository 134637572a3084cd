"""How the figures come about: which step rests on what, what the words mean, what is not certain."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components import maps
from dashboards.components.frames import records
from dashboards.components.marks import state_mark
from dashboards.components.tables import heads, not_assessed, table
from dashboards.components.words import figure, is_unknown, moment
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries
from planner.tables.catalogue import TABLES

PATH = "/method"

STEPS = (
    ("derive", "latest state of each end face: where it is, matings, cleanings, inspections"),
    ("trace", "the path of every circuit, and what contradicts the records"),
    ("drift", "change of each series of readings against its own baseline"),
    ("light", "expected against measured loss of each circuit"),
    ("health", "probability that each end face is dirty or damaged"),
    ("diagnose", "possible causes for each circuit"),
    ("rank", "expected benefit of visiting each end face"),
)
TERMS = (
    ("End face", "the polished end of a fibre in its connector; the thing that gets dirty, inspected and cleaned"),
    ("Margin", "the loss allowed less the loss measured, in dB; where nothing was measured, less the expected loss"),
    ("Change", "the latest readings of a series against its own first ones, in dB; positive is worse"),
    (
        "Deciban",
        "a tenth of a factor of ten in the odds: 10 decibans for mean odds of ten to one, 3 about two to one",
    ),
    ("Customer-minute", "one customer without service for a minute; the unit of benefit"),
    ("Benefit per crew minute", "expected customer-minutes won by a visit for each minute of work at the port"),
    ("Gap", "how far a plan may lie below the best that any plan with these crews could net"),
)


def title(_: Query) -> str:
    """The page's title."""
    return "How the figures come about"


def layout(_: Query) -> list[Component]:
    """The page."""
    return [
        html.H1("How the figures come about"),
        *_steps(),
        html.H2("States"),
        html.P([state_mark("act"), " to ", state_mark("unknown"), " are set by these rules."]),
        html.P(["Circuits. ", page_queries.CIRCUIT_STATE_RULE]),
        html.P(["End faces. ", page_queries.CONNECTOR_STATE_RULE]),
        html.H2("Words"),
        html.Dl([html.Div([html.Dt(html.B(term)), html.Dd(meaning)]) for term, meaning in TERMS], className="terms"),
        *_standards(),
        *_columns(),
        html.H2("Maps"),
        html.P(f"Outlines: {maps.outlines()[2]}. Distances on the map are to scale at its middle."),
    ]


def _steps() -> list[Component]:
    runs = {row.stage: row for row in records(ask(page_queries.stages))}
    parts: list[Component] = [html.H2("Which data the results rest on")]
    if not runs:
        return [*parts, not_assessed("stage_runs", "Run: planner analyse --db FILE")]
    rows = []
    for stage, meaning in STEPS:
        run = runs.get(stage)
        if run is None:
            rows.append([stage, meaning, "not run", "", "", ""])
        else:
            note = "" if is_unknown(run.note) else str(run.note)
            rows.append([stage, meaning, moment(run.as_of_at), figure(run.load_id), figure(run.seconds, 1), note])
    return [
        *parts,
        table(
            "Each step reads the tables of those before it.",
            heads("Step", "Gives*", "As of", "Newest load#", "Seconds#", "Not assessed*"),
            rows,
        ),
    ]


def _standards() -> list[Component]:
    sources = ask(page_queries.budget_sources)
    parts: list[Component] = [html.H2("Limits and their sources")]
    if sources.empty:
        return [*parts, not_assessed("circuit_budget", "Run: planner analyse --db FILE")]
    parts.append(
        table(
            "What the allowed and the expected losses of this fleet were taken from, as shown on each circuit's page.",
            heads("Used for", "Source*", "Times#", "Confirmed"),
            [
                [str(line.used_for), str(line.source), figure(line.times), _confirmed(line.confirmed)]
                for line in records(sources)
            ],
        )
    )
    return parts


def _confirmed(value: object) -> str:
    if is_unknown(value):
        return "see the circuit"
    return "yes" if value else "not all values are confirmed against their source"


def _columns() -> list[Component]:
    parts: list[Component] = [html.H2("What each result column means")]
    for name in ("ranking", "connector_health", "circuit_budget", "diagnosis", "series_drift"):
        declared = TABLES[name]
        parts.append(
            html.Details(
                [
                    html.Summary(f"{name}: {declared.meaning}"),
                    table(
                        f"Columns of {name}.",
                        heads("Column", "Unit", "Meaning*"),
                        [
                            [html.Span(column.name, className="id"), column.unit, column.meaning]
                            for column in declared.columns
                        ],
                    ),
                ]
            )
        )
    return parts


PAGE = Page(path=PATH, name="Method", layout=layout, title=title)
