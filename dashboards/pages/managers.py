"""Patterns: where trouble repeats, what it costs, what the fleet's history taught, whether the ranking was right."""

from __future__ import annotations

from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboards.components.absent import nothing_known
from dashboards.components.bars import level
from dashboards.components.charts import drawn, months_figure
from dashboards.components.frames import first, records
from dashboards.components.links import connector_link, site_link
from dashboards.components.tables import Cell, Head, heads, not_assessed, table
from dashboards.components.words import (
    bold,
    counted,
    day,
    figure,
    is_unknown,
    moment,
    percent,
    plain,
    sentence,
)
from dashboards.data import ask
from dashboards.pages import backtest
from dashboards.pages.page import Page, Query
from planner.reports.fleet_summary import proof_words
from planner.store import page_queries

PATH = "/patterns"
SHOWN = 5  # rows of each table before the rest is folded away


def title(_: Query) -> str:
    """The page's title."""
    return "Patterns and costs"


def layout(_: Query) -> list[Component]:
    """The page."""
    counts = ask(page_queries.row_counts)
    return [
        html.H1("Where trouble repeats, and what it costs"),
        *_was_right(counts),
        *_costs(counts),
        *_prevented(counts),
        *_offenders(counts),
        *_habits(counts),
        *_learned(counts),
    ]


def _was_right(counts: dict[str, int]) -> list[Component]:
    """The link to the back-tests, with what the fullest of them says."""
    link = html.P(html.A("Has the ranking been right?", href=backtest.PATH))
    if not counts["backtest_scores"]:
        return [link]
    scores = ask(page_queries.backtest_scores)
    shown = scores[scores["ranked_at"] == backtest.chosen_day(scores, "")]
    return [link, *backtest.verdict(shown)[1:]]


def _costs(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = []
    if not counts["work_orders"]:
        return [html.H2("What the work costs"), not_assessed("work_orders", "Load work_orders.csv.")]
    causes = ask(page_queries.orders_by_cause)
    total, cost = int(causes["orders"].sum()), causes["cost"].sum()
    faces = causes[causes["cause"].isin(["contamination", "damaged_end_face"])]
    vain = causes[causes["cause"] == "no_fault_found"]["orders"].sum()
    span = f"{day(causes['first_at'].min())} to {day(causes['last_at'].max())}"
    parts += [
        sentence(
            "From ",
            span,
            ", ",
            bold(counted(total, "work order")),
            " were opened; ",
            bold(percent(faces["orders"].sum() / total)),
            " were closed as dirt or damage on an end face, ",
            bold(percent(vain / total)),
            " as no fault found.",
            kind="lead",
        ),
    ]
    if cost and not is_unknown(cost):
        share = faces["cost"].sum() / cost
        parts.append(
            sentence("They cost ", bold(figure(cost)), " in all; end faces took ", bold(percent(share)), " of it.")
        )
    months = ask(page_queries.orders_by_month)
    parts += [
        html.H2("What the work costs"),
        drawn(
            "months",
            months_figure(months),
            label="Work orders by month; the table beside holds the sums.",
            caption="Work orders by month of opening. Solid: closed as dirt or damage on an end face.",
            height=260,
        ),
        _first_rows(
            "causes",
            "As closed by the crews; close codes can be wrong.",
            heads("Cause", "Orders#", "Share#", "Cost#", "Cost of one#", "Hours open, median#"),
            [
                [
                    plain(line.cause),
                    figure(line.orders),
                    percent(line.orders / total),
                    figure(line.cost),
                    figure(line.cost / line.orders) if not is_unknown(line.cost) else "unknown",
                    figure(line.hours_open, 1),
                ]
                for line in records(causes)
            ],
        ),
    ]
    return parts


def _prevented(counts: dict[str, int]) -> list[Component]:
    plans = ask(page_queries.plans)
    parts: list[Component] = [html.H2("What planned work should prevent")]
    if plans.empty:
        return [*parts, not_assessed("plans", "Run: planner route --from DATE --days 5 --out plan --db FILE")]
    plan = first(plans)
    per_day = plan["benefit"] / plan["crew_days"] if plan["crew_days"] else None
    return [
        *parts,
        sentence(
            "The newest plan spends ",
            bold(counted(plan["crew_days"], "crew-day")),
            " and ",
            bold(figure(plan["cost"])),
            " to win about ",
            bold(f"{figure(plan['benefit'])} customer-minutes"),
            "" if per_day is None else f", {figure(per_day)} a crew-day",
            ". ",
            ""
            if is_unknown(plan["gap"])
            else f"It is {proof_words(plan['gap'])} with these crews. ".replace("%", "\u202f%"),
            html.A("See it", href="/dispatch"),
            ".",
        ),
    ]


def _first_rows(things: str, caption: str, columns: list[Head], rows: list[list[Cell]]) -> html.Div:
    """A table of the first rows; the others behind a line that counts them."""
    if len(rows) <= SHOWN + 1:
        return table(caption, columns, rows)
    more = f"{len(rows) - SHOWN} more {things}"
    rest = html.Details([html.Summary(more), table(f"{more}, in the same order.", columns, rows[SHOWN:])])
    return html.Div([table(caption, columns, rows[:SHOWN]), rest])


def _offenders(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("Repeat offenders")]
    if not counts["connector_health"]:
        return [*parts, not_assessed("connector_health", "Run: planner analyse --db FILE")]
    unknown = nothing_known()
    if unknown is not None:
        return [*parts, unknown]
    sites = ask(page_queries.repeat_sites)
    parts.append(
        _first_rows(
            "sites",
            "Sites by the share of end faces expected dirty or damaged (small sites are held back a little, alike "
            "ones stand in the order of their ids).",
            heads(
                "Site",
                "Air",
                "End faces#",
                "Not clean",
                "Looked first#",
                "Matings#",
                "Orders#",
                "of them end faces#",
                "Cost#",
            ),
            [
                [
                    site_link(line.site_id, line.name),
                    plain(line.environment),
                    figure(line.end_faces),
                    level(float(line.p_not_clean)),
                    percent(line.looked_first),
                    figure(line.matings),
                    figure(line.orders),
                    figure(line.end_face_orders),
                    figure(line.cost),
                ]
                for line in records(sites)
            ],
        )
        if len(sites)
        else html.P("No site has enough assessed end faces to compare.")
    )
    batches = ask(page_queries.repeat_batches)
    parts.append(html.H3("Cord batches"))
    parts.append(
        _first_rows(
            "batches",
            "Production batches with at least eight end faces in service; alike ones in the order of their ids.",
            heads("Batch", "End faces#", "Sites#", "Damaged", "Dirty", "Against the fleet#"),
            [
                [
                    str(line.batch),
                    figure(line.end_faces),
                    figure(line.sites),
                    level(float(line.p_damaged)),
                    level(float(line.p_contaminated)),
                    f"{figure(line.times_fleet, 1)} times",
                ]
                for line in records(batches)
            ],
        )
        if len(batches)
        else not_assessed("cables with a batch", "Fill batch in cables.csv to compare batches.")
    )
    parts += _test_sets()
    return parts


def _test_sets() -> list[Component]:
    parts: list[Component] = [html.H3("Test sets and launch cords")]
    sets = ask(page_queries.test_set_contacts)
    if sets.empty:
        parts.append(
            html.P(
                "No meeting with a test set is believed to have carried dirt, or none is recorded.", className="faint"
            )
        )
    else:
        parts.append(
            _first_rows(
                "test sets",
                "Test sets by how many end faces they are believed to have made dirty.",
                heads("Test set", "Believed to have dirtied#", "End faces met#", "Dirty now", "Last such meeting"),
                [
                    [
                        str(line.test_set_id if is_unknown(line.name) else line.name),
                        figure(line.expected_dirtied, 1),
                        figure(line.end_faces_met),
                        level(None if is_unknown(line.p_not_clean_now) else float(line.p_not_clean_now)),
                        moment(line.last_met_at),
                    ]
                    for line in records(sets)
                ],
            )
        )
    met = ask(page_queries.inspect_because_met)
    if len(met):
        parts.append(
            html.Details(
                [
                    html.Summary(f"Inspect these next because they met a dirty end face ({len(met)} shown)"),
                    table(
                        "Not inspected since that meeting.",
                        heads("End face", "Site", "Met", "When", "Probability#"),
                        [
                            [
                                connector_link(line.connector_id),
                                site_link(line.site_id),
                                connector_link(line.source_id),
                                moment(line.met_at),
                                percent(line.probability),
                            ]
                            for line in records(met)
                        ],
                    ),
                ]
            )
        )
    return parts


def _habits(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("Habits")]
    if not counts["mating_events"]:
        return [*parts, not_assessed("mating_events", "Load mating_events.csv with inspected_first and cleaned_first.")]
    people = ask(page_queries.technician_habits)
    if people.empty:
        return [
            *parts,
            not_assessed("technician_id in mating_events", "At least 20 matings of one technician are needed."),
        ]
    return [
        *parts,
        html.P(
            "Those who look least before mating stand first. Use it to train, not to blame: "
            "hard places lower the figures."
        ),
        _first_rows(
            "technicians",
            "Technicians with at least 20 matings. Failed later: of the end faces they mated, "
            "the share whose next look within 180 days failed.",
            heads("Technician", "Matings#", "Looked first", "Cleaned first", "Failed later", "of looks#"),
            [
                [
                    str(line.technician_id),
                    figure(line.matings),
                    level(_share(line.inspected_first)),
                    level(_share(line.cleaned_first)),
                    level(_share(line.failed_later)),
                    figure(line.looked_at_later),
                ]
                for line in records(people)
            ],
        ),
    ]


def _share(value: Any) -> float | None:
    return None if is_unknown(value) else float(value)


def _learned(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("What this fleet's history taught")]
    if not counts["learned_parameters"]:
        return [*parts, not_assessed("learned_parameters", "Run: planner analyse --db FILE")]
    learned = ask(page_queries.learned_parameters)
    fleet = learned[learned["group_kind"].isin(["fleet", "environment", "role", "method"])]
    groups = learned[~learned["group_kind"].isin(["fleet", "environment", "role", "method"])]
    known = fleet[fleet["learned"].fillna(False).astype(bool) & fleet["text"].notna()]
    parts.append(html.Ul([html.Li(_sentence(line.text)) for line in records(known)]))
    assumed = len(fleet) - len(known)
    if assumed:
        parts.append(html.P(f"{counted(assumed, 'more figure')} rest on assumptions: too little data here."))
    standing = standing_out(learned)
    if len(standing):
        parts += [
            html.H3("Who and what stands out"),
            html.P("Of all groups, those whose interval does not hold the fleet's own figure:"),
            html.Ul([html.Li(_sentence(line.text)) for line in records(standing.head(6))]),
        ]
    parts.append(
        html.Details(
            [
                html.Summary(f"All {len(learned)} figures with their 90 % intervals"),
                table(
                    "Estimate, interval and the effective number of cases each rests on.",
                    heads("Figure", "Of", "Estimate#", "From#", "To#", "Cases#", "Basis"),
                    [_parameter(line) for line in records(pd.concat([fleet, groups]))],
                ),
            ]
        )
    )
    return parts


def standing_out(learned: pd.DataFrame) -> pd.DataFrame:
    """Learned figures of sites, technicians, test sets and batches whose interval leaves out the fleet's figure."""
    fleet = learned[learned["group_kind"] == "fleet"].set_index("parameter")["estimate"]
    groups = learned[learned["group_kind"].isin(["site", "technician", "test_set", "batch"]) & learned["text"].notna()]
    groups = groups[groups["learned"].fillna(False).astype(bool)]
    usual = groups["parameter"].map(fleet[~fleet.index.duplicated()])
    apart = (groups["low"] > usual) | (groups["high"] < usual)
    distance = (groups["estimate"] - usual).abs() / (groups["high"] - groups["low"]).clip(lower=1e-9)
    return groups.assign(distance=distance)[apart].sort_values("distance", ascending=False)


def _sentence(text: Any) -> str:
    words = str(text).strip()
    return words[:1].upper() + words[1:] + ("" if words.endswith(".") else ".")


def _parameter(line: Any) -> list[Cell]:
    group = "the fleet" if line.group_kind == "fleet" else f"{plain(line.group_kind)} {plain(line.group_id)}"
    return [
        plain(line.parameter),
        group,
        figure(line.estimate, 3),
        figure(line.low, 3),
        figure(line.high, 3),
        figure(line.weight),
        "learned" if line.learned else "assumed",
    ]


PAGE = Page(path=PATH, name="Patterns", layout=layout, title=title)
