"""One end face: what is believed of it and why, its history, whom it met, what a visit is worth."""

from __future__ import annotations

from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboards.components.absent import no_such
from dashboards.components.bars import additive_table, evidence_table, level
from dashboards.components.charts import drawn, history_figure, marks_figure
from dashboards.components.frames import first, records
from dashboards.components.links import address, circuit_link, connector_link, site_link
from dashboards.components.marks import connector_state_of, state_mark
from dashboards.components.tables import Cell, column_help, facts, heads, not_assessed, table
from dashboards.components.words import (
    STAR,
    action,
    bold,
    counted,
    day,
    db,
    figure,
    is_unknown,
    margin_db,
    moment,
    percent,
    plain,
    sentence,
    weekday,
)
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries

PATH = "/connector"

LIKELY_ENOUGH = 0.2  # from that probability of dirt on, where it came from is worth a line

BENEFIT_PARTS = (
    ("Margin restored", "outages avoided on its circuits by giving them their margin back", "margin_part"),
    ("Spread avoided", "dirt it would otherwise carry to end faces it meets", "spread_part"),
    ("Damage avoided", "scratches that dirt would press in at the next matings", "damage_part"),
    ("Value of looking", "what a look would tell, even if it turns out clean", "looking_part"),
    ("Crew minutes", "the crew's time at the port", "minutes_part"),
    ("Risk of opening it", "disturbing a good, live connection", "risk_part"),
)
CLASSIC_PARTS = (
    ("Matings", "mates_part"),
    ("Drift", "drift_part"),
    ("Time", "time_part"),
)
EVENT_WORDS = {"mate": "mated", "demate": "demated", "inspect": "inspected", "clean": "cleaned"}


def title(query: Query) -> str:
    """The page's title."""
    return f"End face {query.get('id', '')}"


def layout(query: Query) -> list[Component]:
    """The page for a query with id."""
    connector_id = query.get("id", "")
    found = ask(page_queries.connector, connector_id)
    if found.empty:
        near = ask(page_queries.nearest_ids, "connector", connector_id)
        return no_such("end face", "connector", connector_id, near, "All end faces", "/connectors")
    row = first(found)
    events = ask(page_queries.connector_events, connector_id)
    return [
        html.H1(f"End face {connector_id}"),
        html.P(state_mark(row["state"]), title=page_queries.CONNECTOR_STATE_RULE),
        *_verdict(row),
        _facts(row, events[events["other_side"] & (events["what"] == "mate")]),
        html.Div(
            [html.Div(_evidence(connector_id, row)), html.Div(_benefit(row))],
            className="two",
        ),
        *_circuits(connector_id),
        *_partners(connector_id),
        *_history(connector_id, events),
        *_marks(connector_id),
    ]


def _verdict(row: Any) -> list[Component]:
    lines: list[Component] = []
    if is_unknown(row["p_contaminated"]):
        lines.append(
            not_assessed("connector_health", "It needs the history of this fleet. Run: planner analyse --db FILE")
        )
    else:
        lines.append(
            sentence(
                "It is dirty with ",
                bold(percent(row["p_contaminated"])),
                " and damaged with ",
                bold(percent(row["p_damaged"])),
                " probability",
                *_costs(row),
                ".",
                kind="lead",
            )
        )
        if row["p_contaminated"] >= LIKELY_ENOUGH and not is_unknown(row["likely_source"]) and row["likely_source"]:
            source: list[Any] = ["If it is dirty, the dirt most probably came from ", str(row["likely_source"])]
            if not is_unknown(row["source_id"]) and row["source_id"]:
                source += [" (", connector_link(row["source_id"]), ")"]
            lines.append(html.P([*source, "."]))
        lines.append(html.P(_looks(row)))
    if not is_unknown(row["action"]):
        worth = "" if is_unknown(row["benefit"]) else f"; a visit wins about {figure(row['benefit'])} customer-minutes"
        if not is_unknown(row["benefit"]) and row["benefit"] <= 0:
            worth = "; but a visit for it alone does not pay"
        lines.append(
            sentence(
                "What to do: ", bold(action(row["action"])), f", {figure(row['minutes'])} minutes at the port{worth}."
            )
        )
    visits = ask(page_queries.planned_visits, str(row["connector_id"]))
    for visit in records(visits.head(1)):
        href = address("/dispatch", plan=visit.plan_id, crew=visit.crew_id, day=visit.day_on, stop=visit.stop_no)
        lines.append(
            html.P(
                [
                    "Planned: ",
                    html.A(f"{weekday(visit.day_on)}, crew {visit.crew_id}, stop {visit.stop_no}", href=href),
                    f" ({visit.status} plan {visit.plan_id}).",
                ]
            )
        )
    return lines


def _costs(row: Any) -> list[Any]:
    """What the circuits say of it: one figure, that of the circuit it most probably costs light."""
    if is_unknown(row["p_costs_light"]):
        return ["; no traced circuit passes it"]
    if not row["diagnosed_circuits"]:
        return ["; whether it costs its circuits light was not measured"]
    if is_unknown(row["costs_circuit"]):
        return ["; it costs no circuit light"]
    size = "" if is_unknown(row["light_db"]) or not row["light_db"] else f", then about {db(row['light_db'])}"
    return [
        "; it costs circuit ",
        circuit_link(row["costs_circuit"]),
        " light with ",
        bold(percent(row["p_costs_light"])),
        size,
    ]


def _looks(row: Any) -> str:
    """When an inspection last passed it, and what happened to it since."""
    if not row["looks_known"]:
        return "Looks not assessed: no inspections."
    matings = row["matings_since_good_look"]
    if is_unknown(row["days_since_good_look"]):
        mated = "" if is_unknown(matings) else f"; it was mated {_times(matings)} in them"
        return f"No inspection has passed it in the records{mated}."
    since = "" if is_unknown(matings) else f"; it was mated {_times(matings)} since then"
    return f"The last inspection that passed it was {counted(round(row['days_since_good_look']), 'day')} ago{since}."


def _times(count: Any) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(round(float(count)), f"{figure(count)} times")


def _facts(row: Any, other_side: pd.DataFrame) -> Component:
    port: Any = "in no port"
    if not is_unknown(row["port_id"]):
        label = "" if is_unknown(row["port_label"]) else f", marked {row['port_label']}"
        port = [html.Span(str(row["port_id"]), className="id"), f"{label}, {plain(row['face'])}"]
    cable: Any = "built into its port"
    if not is_unknown(row["cable_id"]):
        batch = "" if is_unknown(row["batch"]) else f", batch {row['batch']}"
        cable = f"{row['cable_id']} end {row['cable_end']}, {plain(row['cable_kind'])}{batch}"
    return facts(
        [
            ("Site", site_link(row["site_id"], row["site_name"])),
            ("Port", port),
            ("In", plain(row["housing_name"]) if is_unknown(row["housing_name"]) else str(row["housing_name"])),
            ("Mated with", connector_link(row["partner_id"])),
            ("Kind", f"{plain(row['family'])} {plain(row['polish'])}, {plain(row['role'])} port"),
            ("Cable", cable),
            ("Air", plain(row["environment"])),
            ("Last mated itself", "never recorded" if is_unknown(row["last_mated_at"]) else day(row["last_mated_at"])),
            ("Last cleaned", "never recorded" if is_unknown(row["last_cleaned_at"]) else day(row["last_cleaned_at"])),
            (
                "Last inspected",
                "never recorded"
                if is_unknown(row["last_inspected_at"])
                else f"{day(row['last_inspected_at'])}: {plain(row['last_result'])}"
                + ("" if is_unknown(row["last_finding"]) else f", {plain(row['last_finding'])}"),
            ),
            ("Matings of its own", f"{figure(row['mates'])}, {figure(row['mates_since_clean'])} since it was cleaned"),
            (
                "Mated from the other side",
                "never recorded"
                if other_side.empty
                else f"{_times(len(other_side))}, last on {day(other_side['at'].max())}",
            ),
        ]
    )


def _evidence(connector_id: str, row: Any) -> list[Component]:
    parts: list[Component] = [html.H2("Why we think so")]
    evidence = ask(page_queries.connector_evidence, connector_id)
    if evidence.empty:
        return [
            *parts,
            not_assessed("health_evidence of this end face", "Run: planner analyse --db FILE"),
        ]
    basis = "" if is_unknown(row["basis"]) else f" Basis: {row['basis']}."
    return [
        *parts,
        evidence_table(
            f"Each line moves the odds of being not clean; 10 decibans are a factor of ten.{basis}",
            evidence,
            "Dirty or damaged:",
        ),
    ]


def _benefit(row: Any) -> list[Component]:
    parts: list[Component] = [html.H2("What a visit is worth")]
    if is_unknown(row["benefit_rank"]) and is_unknown(row["classic_rank"]):
        return [*parts, not_assessed("ranking of this end face", "It is not in service, or: planner analyse --db FILE")]
    if not is_unknown(row["benefit"]):
        parts += [
            sentence(
                "Rank ",
                bold(figure(row["benefit_rank"])),
                " by benefit per crew minute (",
                bold(figure(row["benefit_score"], 1)),
                " customer-min per minute).",
            ),
            additive_table(
                "Expected benefit of a visit, in customer-minutes; the parts add up to it.",
                [(name, meaning, row[column]) for name, meaning, column in BENEFIT_PARTS],
                "Customer-min",
                "Benefit",
            ),
        ]
    parts.append(
        html.Details(
            [
                html.Summary(
                    f"Rank {figure(row['classic_rank'])} by the three classic measures"
                    + (
                        ""
                        if is_unknown(row["probability_rank"])
                        else f", {figure(row['probability_rank'])} by probability"
                    )
                ),
                additive_table(
                    "The classic score: three parts from 0 to 1.",
                    [(name, column_help(column).split(" [")[0], row[column]) for name, column in CLASSIC_PARTS],
                    "Score",
                    "Sum",
                    decimals=3,
                ),
                html.P("" if is_unknown(row["classic_reasons"]) else str(row["classic_reasons"]), className="small"),
            ]
        )
    )
    return parts


def _circuits(connector_id: str) -> list[Component]:
    parts: list[Component] = [html.H2("Circuits that pass it")]
    circuits = ask(page_queries.connector_circuits, connector_id)
    if circuits.empty:
        return [*parts, html.P("No traced circuit passes this end face.")]
    customers = circuits["customers"].sum()
    return [
        *parts,
        sentence(
            "Opening it interrupts ",
            bold(counted(len(circuits), "circuit")),
            " with ",
            bold(figure(customers)),
            " customers, unless protection takes over.",
        ),
        table(
            f"By priority.{STAR}",
            heads(
                "Circuit",
                "State",
                "Margin#",
                "Change#",
                "Something wrong",
                "It costs light",
                "Customers#",
                "Protected by",
            ),
            [
                [
                    circuit_link(line.circuit_id),
                    state_mark(line.state),
                    margin_db(line.margin_db, line.allowed_from),
                    db(line.drift_db, sign=True),
                    "not measured" if is_unknown(line.p_fault) else percent(line.p_fault),
                    _blamed(line),
                    figure(line.customers),
                    circuit_link(line.protected_by),
                ]
                for line in records(circuits)
            ],
        ),
    ]


def _blamed(line: Any) -> Cell:
    """How probably this end face costs that circuit light, and how much."""
    if is_unknown(line.p_fault):
        return "not measured"
    if is_unknown(line.p_this):
        return "no"
    size = "" if is_unknown(line.this_db) else f" {db(line.this_db)}"
    return [level(float(line.p_this)), size]


def _partners(connector_id: str) -> list[Component]:
    parts: list[Component] = [html.H2("Whom it met")]
    partners = ask(page_queries.connector_partners, connector_id)
    if partners.empty:
        return [*parts, html.P("It is mated with nothing, and no dirty meeting is known.")]
    rows: list[list[Cell]] = []
    for line in records(partners.head(20)):
        share = None if is_unknown(line.p_not_clean) else float(line.p_not_clean)
        rows.append(
            [
                connector_link(line.other_id),
                str(line.how),
                "" if is_unknown(line.probability) else percent(line.probability),
                moment(line.met_at) if not is_unknown(line.met_at) else "before the history",
                level(share, state=connector_state_of(share)),
                site_link(line.site_id, line.site_name),
            ]
        )
    return [
        *parts,
        table(
            "The end face behind the same adapter, and meetings that may have carried dirt.",
            heads("End face", "How", "Probability#", "Met", "Dirty or damaged now", "Site"),
            rows,
        ),
    ]


def _history(connector_id: str, events: pd.DataFrame) -> list[Component]:
    parts: list[Component] = [html.H2("Its history")]
    if events.empty:
        return [*parts, not_assessed("history of this end face", "No mating, inspection or cleaning is recorded.")]
    rows: list[list[Cell]] = []
    for line in records(events.head(60)):
        what = EVENT_WORDS.get(str(line.what), plain(line.what))
        habits = []
        if line.what == "mate" and not is_unknown(line.inspected_first):
            habits.append("looked at first" if line.inspected_first else "not looked at first")
        if line.what == "mate" and not is_unknown(line.cleaned_first):
            habits.append("cleaned first" if line.cleaned_first else "not cleaned first")
        note = ", ".join(habits) if line.what == "mate" else ("" if is_unknown(line.note) else str(line.note))
        detail = "" if is_unknown(line.detail) or not line.detail else plain(line.detail)
        rows.append(
            [
                moment(line.at),
                bold(what),
                ", ".join(part for part in (detail, note) if part),
                "" if is_unknown(line.place) else html.Span(str(line.place), className="id"),
                "" if is_unknown(line.technician_id) else str(line.technician_id),
                "" if is_unknown(line.work_order_id) else str(line.work_order_id),
            ]
        )
    more = f" {len(events) - 60} older ones are not shown." if len(events) > 60 else ""
    return [
        *parts,
        drawn(
            "history",
            history_figure(events),
            label=f"{len(events)} recorded events of end face {connector_id} over time; the table holds the same.",
            caption="Lines: mated or demated. Open circle: passed an inspection; diamond: failed one. Times in UTC.",
            height=190,
        ),
        table(
            f"Newest first.{more}",
            heads("When", "What", "How*", "Where, with", "By", "Order"),
            rows,
        ),
    ]


def _marks(connector_id: str) -> list[Component]:
    defects = ask(page_queries.connector_defects, connector_id)
    if defects.empty:
        return []
    fibre = defects["fibre"].fillna(1)
    worst = fibre.value_counts().index[0]
    mine = defects[fibre == worst]
    which = f", fibre {worst:.0f}" if len(set(fibre)) > 1 else ""
    return [
        html.H2("Marks seen under the microscope"),
        drawn(
            "marks",
            marks_figure(mine),
            label=f"{len(mine)} marks on the end face{which}, drawn to scale.",
            caption=(
                f"Inspection {defects['inspection_id'].iloc[0]}, {moment(defects['at'].iloc[0])}{which}: "
                f"{counted(len(mine), 'mark')}. Inner circle: a single-mode core of 9 um; outer: the "
                f"cladding of 125 um. "
                f"Graded by: planner grade {defects['inspection_id'].iloc[0]} --db FILE"
            ),
            height=360,
        ),
    ]


PAGE = Page(path=PATH, layout=layout, title=title, section="/connectors")
