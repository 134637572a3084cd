"""Dispatch: which crew goes where on which day, what it does at each stop and why, and what was left out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component
from flask import current_app

from dashboards.components import maps
from dashboards.components.attributes import aria
from dashboards.components.bars import level, signed
from dashboards.components.cautions import cautions
from dashboards.components.charts import Spec, day_figure, drawn
from dashboards.components.frames import first, records
from dashboards.components.links import address, choices, circuit_link, connector_link, site_link
from dashboards.components.tables import Cell, facts, heads, not_assessed, table
from dashboards.components.words import (
    action,
    and_others,
    bold,
    counted,
    day,
    duration,
    figure,
    is_unknown,
    listed,
    moment,
    percent,
    plain,
    sentence,
    weekday,
)
from dashboards.data import ask
from dashboards.downloads import plan_document
from dashboards.pages.page import Page, Query
from planner.reports.fleet_summary import proof_words
from planner.store import page_queries

PATH = "/dispatch"
LINE_COLOURS = ("watch", "soon", "sound", "act")
LINE_DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
SCENARIOS = (
    ("extra_crew", "one more crew, like the first"),
    ("no_overtime", "no overtime"),
    ("overtime", "overtime as the crews table allows it, for a plan made without"),
    ("any_hour", "live circuits without protection may be opened at any hour (outages agreed)"),
    ("no_wet_kits", "no solvent on any vehicle"),
    ("move_depot=CREW:SITE", "that crew starts and ends at that site"),
    ("skip_region=NAME", "that region is left out"),
)
PLAN_COMMAND = "planner route --from DATE --days 5 --out plan --db FILE"


def title(query: Query) -> str:
    """The page's title."""
    return "Dispatch" + (f" {query['day']}" if query.get("day") else "")


def layout(query: Query) -> list[Component]:
    """The page for a query with plan, day, crew and stop."""
    plans = ask(page_queries.plans)
    if plans.empty:
        return [
            html.H1("No route is planned yet"),
            not_assessed("plans", "Plan the crews' days, then open this page again:"),
            html.Pre(PLAN_COMMAND),
        ]
    known = plans["plan_id"].tolist()
    plan_id = query.get("plan", "")
    if plan_id not in known:
        plan_id = known[0]
    plan = plans[plans["plan_id"] == plan_id].iloc[0]
    document = plan_document(plan_id)
    stops = ask(page_queries.plan_stops, plan_id)
    kept = {name: query[name] for name in ("plan", "day", "crew", "stop") if query.get(name)}
    kept["plan"] = plan_id
    shown = stops
    if query.get("day"):
        shown = shown[shown["day_on"] == query["day"]]
    if query.get("crew"):
        shown = shown[shown["crew_id"] == query["crew"]]
    parts: list[Component] = [html.H1("Who goes where, and why"), *_verdict(plan, document)]
    parts += _filters(stops, kept)
    if shown.empty:
        parts.append(html.P("No stop is planned for this choice."))
    else:
        chosen = _chosen(query, shown)
        parts += [
            html.Div(
                [
                    html.Div(_timeline(shown, kept, chosen, document)),
                    html.Div(_map(shown, kept, plan_id)),
                ],
                className="two",
            ),
            html.Div(
                [html.Div(_stop_lists(shown, kept, chosen)), html.Div(_stop(plan_id, shown, chosen))],
                className="narrow-wide",
            ),
        ]
    parts += _left_out(plan_id, plan)
    parts += _what_if(plan_id, plan)
    parts += _side_by_side(plans, plan_id)
    parts += _assumptions(plan, document)
    return parts


def _verdict(plan: Any, document: dict[str, Any]) -> list[Component]:
    home = sum(each.get("km_back", 0.0) for each in document.get("crew_days", []))
    lines: list[Component] = [
        sentence(
            "Plan ",
            bold(str(plan["plan_id"])),
            f" ({plan['status']}, made {moment(plan['made_at'])}"
            + ("" if is_unknown(plan["made_by"]) or not plan["made_by"] else f" by {plan['made_by']}")
            + ") sends crews on ",
            bold(counted(plan["crew_days"], "crew-day")),
            " to ",
            bold(counted(plan["stops"], "stop")),
            " for ",
            bold(counted(plan["jobs"], "job")),
            f", from {weekday(plan['from_on'])} on.",
            kind="lead",
        ),
        sentence("No crew goes out; why each job was left out stands below.")
        if not plan["stops"]
        else sentence(
            "It should win ",
            bold(f"{figure(plan['benefit'])} customer-minutes"),
            " and costs ",
            bold(figure(plan["cost"])),
            " in labour and travel: ",
            bold(figure(plan["travel_km"] + home, 0, "km")),
            f" with the ways home, {duration(plan['travel_min'])} of driving to the stops and "
            f"{duration(plan['work_min'])} there.",
        ),
    ]
    if plan["stops"] and not is_unknown(plan["gap"]):
        net = document.get("net")
        lines.append(
            sentence(
                "In money, customer-minutes at what they are worth less the cost, no plan with these crews can net "
                "more than ",
                bold(figure(plan["upper_bound"])),
                "" if net is None else f"; this one nets {figure(net)}",
                ", so it is ",
                bold(proof_words(plan["gap"]).replace("%", "\u202f%")),
                ".",
            )
        )
    ends = document.get("both_ends") or {}
    if ends.get("pairs_offered"):
        lines.append(
            sentence(
                bold(figure(ends["pairs_offered"])),
                " pairs of ends were offered together; no pair is left half done. Honouring them costs ",
                bold(figure(ends.get("cost_of_honouring"))),
                " of the benefit.",
            )
        )
    if document.get("random_looks"):
        lines.append(
            sentence(
                bold(counted(document["random_looks"], "job")), " were drawn at random, to keep the ranking honest."
            )
        )
    missed = document.get("mandatory_not_served") or []
    if missed:
        lines.append(
            html.P(
                [
                    html.B(f"{counted(len(missed), 'mandatory end face')} could not be served: "),
                    and_others(list(missed), 6),
                ],
                className="caution",
            )
        )
    return lines


def _gap(gap: float) -> str:
    return f"{100 * gap:.1f}\u202f%"


def _filters(stops: pd.DataFrame, kept: dict[str, str]) -> list[Component]:
    base = {name: value for name, value in kept.items() if name != "stop"}
    days = sorted(stops["day_on"].dropna().unique())
    crews = sorted(stops["crew_id"].dropna().unique())
    return [
        choices("Day", PATH, base, "day", [("", "all days"), *[(each, weekday(each)) for each in days]]),
        choices("Crew", PATH, base, "crew", [("", "all crews"), *[(each, each) for each in crews]]),
    ]


def _chosen(query: Query, stops: pd.DataFrame) -> tuple[str, str, int]:
    """The stop asked for, else the first shown."""
    wanted = query.get("stop", "")
    if wanted.isdigit():
        match = stops[stops["stop_no"] == int(wanted)]
        if len(match):
            row = first(match)
            return str(row["crew_id"]), str(row["day_on"]), int(row["stop_no"])
    row = first(stops)
    return str(row["crew_id"]), str(row["day_on"]), int(row["stop_no"])


def _stop_address(kept: dict[str, str], stop: Any) -> str:
    return address(PATH, plan=kept["plan"], day=stop.day_on, crew=stop.crew_id, stop=stop.stop_no)


def _timeline(
    stops: pd.DataFrame, kept: dict[str, str], chosen: tuple[str, str, int], document: dict[str, Any]
) -> list[Component]:
    rows = stops[["crew_id", "day_on"]].drop_duplicates()
    hrefs = [_stop_address(kept, stop) for stop in records(stops)]
    spec = day_figure(stops, chosen=chosen, hrefs=hrefs)
    _add_breaks(spec, stops, document)
    return [
        html.H2("The days"),
        drawn(
            "timeline",
            spec,
            label=f"Timeline of {counted(len(rows), 'crew-day')}; the list below holds the same stops.",
            caption="Hatched: driving. Solid: work with its stop number; click it for its jobs. The chosen stop has "
            "another colour.",
            height=min(620, 120 + 30 * len(rows)),
        ),
    ]


def _add_breaks(spec: Spec, stops: pd.DataFrame, document: dict[str, Any]) -> None:
    shown = set(zip(stops["crew_id"], stops["day_on"], strict=True))
    base, length, rows = [], [], []
    for each in document.get("crew_days", []):
        if (each.get("crew_id"), each.get("day_on")) not in shown:
            continue
        for pause in each.get("breaks", []):
            start, end = (_clock(pause.get(name)) for name in ("from", "to"))
            if start is not None and end is not None and end > start:
                base.append(start)
                length.append(end - start)
                rows.append(f"{each['crew_id']}  {each['day_on'][5:]}")
    if rows:
        spec["data"].append(
            {
                "type": "bar",
                "orientation": "h",
                "name": "break",
                "y": rows,
                "x": length,
                "base": base,
                "width": 0.35,
                "marker": {"color": "~ground", "line": {"color": "~sound", "width": 2}},
                "hovertemplate": "break, %{x:.0f} min<extra></extra>",
            }
        )


def _clock(text: Any) -> float | None:
    hours, _, minutes = str(text).partition(":")
    return 60.0 * int(hours) + int(minutes) if hours.isdigit() and minutes.isdigit() else None


def _map(stops: pd.DataFrame, kept: dict[str, str], plan_id: str) -> list[Component]:
    parts: list[Component] = [html.H2("The routes")]
    placed = stops[stops["latitude"].notna() & stops["longitude"].notna()]
    if placed.empty:
        return [*parts, not_assessed("sites with coordinates", "Fill latitude and longitude in sites.")]
    longitudes = pd.concat([placed["longitude"], placed["depot_longitude"].dropna()])
    latitudes = pd.concat([placed["latitude"], placed["depot_latitude"].dropna()])
    box = maps.frame_box(longitudes.to_numpy(float), latitudes.to_numpy(float))
    scale = maps.y_scale(box)
    traces = [
        trace
        for number, (_, day_stops) in enumerate(placed.groupby(["crew_id", "day_on"], sort=True))
        for trace in _route_traces(number, day_stops, scale, kept)
    ]
    own: Path | None = current_app.extensions.get("planner_base_map")
    return [
        *parts,
        drawn(
            "routes",
            maps.map_figure(box, traces, own),
            label=f"Map of the routes of plan {plan_id}; the list of stops holds the same.",
            caption="Straight lines between stops in order, from the depot (square) and back. "
            "Click a stop for its jobs.",
            height=420,
            pan=True,
        ),
    ]


def _route_traces(number: int, stops: pd.DataFrame, scale: float, kept: dict[str, str]) -> list[Spec]:
    start = first(stops)
    label = f"{start['crew_id']}, {weekday(start['day_on'])}"
    colour = LINE_COLOURS[number % len(LINE_COLOURS)]
    x, y = stops["longitude"].tolist(), (stops["latitude"] * scale).tolist()
    traces: list[Spec] = []
    if not is_unknown(start["depot_longitude"]):
        depot = float(start["depot_longitude"]), float(start["depot_latitude"]) * scale
        x, y = [depot[0], *x, depot[0]], [depot[1], *y, depot[1]]
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [depot[0]],
                "y": [depot[1]],
                "marker": {"symbol": "square", "size": 12, "color": "~ink", "line": {"color": "~ground", "width": 1}},
                "text": [f"depot {start['depot_name'] or start['depot_id']}"],
                "hovertemplate": "%{text}<extra></extra>",
            }
        )
    line: Spec = {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": y,
        "hoverinfo": "skip",
        "line": {
            "color": f"~{colour}",
            "width": 2,
            "dash": LINE_DASHES[number // len(LINE_COLOURS) % len(LINE_DASHES)],
        },
    }
    dots: Spec = {
        "type": "scatter",
        "mode": "markers+text",
        "x": stops["longitude"].tolist(),
        "y": (stops["latitude"] * scale).tolist(),
        "text": [str(value) for value in stops["stop_no"]],
        "textfont": {"size": 10, "color": "~ground"},
        "marker": {"size": 17, "color": f"~{colour}", "line": {"color": "~ground", "width": 1}},
        "customdata": [_stop_address(kept, stop) for stop in records(stops)],
        "hovertext": [
            f"{label}<br>stop {stop.stop_no}: {stop.site_name or stop.site_id}<br>{stop.start_at} to {stop.leave_at}"
            for stop in records(stops)
        ],
        "hovertemplate": "%{hovertext}<extra></extra>",
    }
    return [line, *traces, dots]


def _stop_lists(stops: pd.DataFrame, kept: dict[str, str], chosen: tuple[str, str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("Stops in order")]
    for (day_on, crew_id), rows in stops.groupby(["day_on", "crew_id"], sort=True):
        parts.append(html.H3(f"{weekday(day_on)}, crew {crew_id}"))
        parts.append(
            html.Div(
                [
                    html.A(
                        "Work list (CSV)",
                        href=address("/download/work-list.csv", plan=kept["plan"], crew=crew_id, day=day_on),
                        download="",
                    ),
                    html.A(
                        "Printable (PDF)",
                        href=address("/download/work-list.pdf", plan=kept["plan"], crew=crew_id, day=day_on),
                        download="",
                    ),
                ],
                className="downloads small",
            )
        )
        items = []
        for stop in records(rows):
            is_chosen = chosen == (stop.crew_id, stop.day_on, stop.stop_no)
            name = stop.site_id if is_unknown(stop.site_name) else stop.site_name
            items.append(
                html.Li(
                    html.A(
                        [
                            html.B(f"{stop.stop_no}. {name}"),
                            f", {counted(stop.jobs, 'job')}, {figure(stop.benefit)} customer-min",
                            html.Span(
                                f"{stop.start_at} to {stop.leave_at}; {duration(stop.travel_min)} and "
                                f"{figure(stop.travel_km, 1, 'km')} to get there",
                                className="when",
                            ),
                        ],
                        href=_stop_address(kept, stop),
                        **aria(current="true" if is_chosen else ""),
                    )
                )
            )
        parts.append(html.Ol(items, className="stops"))
    return parts


def _stop(plan_id: str, stops: pd.DataFrame, chosen: tuple[str, str, int]) -> list[Component]:
    crew_id, day_on, stop_no = chosen
    row = stops[(stops["crew_id"] == crew_id) & (stops["day_on"] == day_on) & (stops["stop_no"] == stop_no)].iloc[0]
    jobs = ask(page_queries.plan_jobs, plan_id, crew_id, day_on)
    jobs = jobs[jobs["stop_no"] == stop_no]
    name = row["site_id"] if is_unknown(row["site_name"]) else row["site_name"]
    opens_live = any(listed(value) for value in jobs["circuits"])
    note, access_note = ("" if is_unknown(row[name]) else str(row[name]) for name in ("note", "access_note"))
    notes = [each for each in (note, access_note if access_note not in note else "") if each]
    kit = sorted({part for value in jobs["kit"] for part in listed(value)})
    access = "not stated"
    if not is_unknown(row["access_open"]):
        access = f"{row['access_open']} to {row['access_close']}"
    return [
        html.H2(["Stop ", f"{stop_no}: ", site_link(row["site_id"], name)], id="stop"),
        html.P(f"{weekday(day_on)}, crew {crew_id}, {row['start_at']} to {row['leave_at']} local time."),
        facts(
            [
                ("Work", duration(row["work_min"])),
                ("Drive there", f"{duration(row['travel_min'])}, {figure(row['travel_km'], 1, 'km')}"),
                ("Expected benefit", f"{figure(row['benefit'])} customer-min"),
                ("Access", access),
            ]
        ),
        *[html.P(note, className="not-assessed") for note in notes],
        cautions(opens_live=opens_live),
        html.P(["Take along: ", bold(", ".join(plain(each) for each in kit))]) if kit else html.P("No kit is named."),
        table(
            "Jobs in order, and why.",
            heads("End face~", "Do, and why*", "Dirty, damaged~", "Minutes#", "Benefit#"),
            [_job(job) for job in records(jobs)],
        )
        if len(jobs)
        else not_assessed("plan_jobs of this stop", "The plan lists none."),
    ]


def _job(job: Any) -> list[Cell]:
    place = [str(part) for part in (job.housing_name, job.port_label) if not is_unknown(part)]
    do: list[Any] = [bold(action(job.action))]
    method = [plain(part) for part in (job.method, job.tip) if not is_unknown(part) and part]
    if method:
        do.append(html.Span(f", {', '.join(method)}", className="faint small"))
    if not is_unknown(job.pair_id) and job.pair_id:
        do.append(html.Span(f"; both ends, pair {job.pair_id}", className="small"))
    do.append(html.Div("" if is_unknown(job.reasons) else str(job.reasons), className="small"))
    circuits = listed(job.circuits)
    carried: list[Any] = ["carries ", circuit_link(circuits[0])] if circuits else ["carries no circuit"]
    if len(circuits) > 1:
        carried.append(f" and {len(circuits) - 1} more")
    belief: list[Any] = []
    if not is_unknown(job.p_contaminated):
        belief = [level(float(job.p_contaminated)), html.Div(f"damaged {percent(job.p_damaged)}", className="small")]
    port = ", ".join(place) or str(job.port_id)
    return [
        [connector_link(job.connector_id), html.Div([port, html.Br(), *carried], className="faint small")],
        do,
        belief,
        figure(job.minutes),
        figure(job.benefit),
    ]


def _left_out(plan_id: str, plan: Any) -> list[Component]:
    parts: list[Component] = [html.H2("Left out, and why")]
    if not plan["left_out"]:
        return [*parts, html.P("Every job that was offered is in the plan.")]
    reasons = ask(page_queries.left_out_reasons, plan_id)
    rows = ask(page_queries.plan_left_out, plan_id)
    return [
        *parts,
        sentence(
            bold(counted(plan["left_out"], "job")),
            " did not fit. The commonest reasons: ",
            "; ".join(f"{line.jobs:,} like \u201c{line.example}\u201d" for line in records(reasons.head(3))),
            ".",
        ),
        html.Details(
            [
                html.Summary(f"The {len(rows)} most valuable of them"),
                table(
                    "Most benefit forgone first.",
                    heads("End face", "Site", "Benefit, customer-min#", "Why*"),
                    [
                        [
                            connector_link(line.connector_id),
                            site_link(line.site_id, line.site_name),
                            figure(line.benefit),
                            plain(line.reason) if is_unknown(line.reason) else str(line.reason),
                        ]
                        for line in records(rows)
                    ],
                ),
            ]
        ),
    ]


def _what_if(plan_id: str, plan: Any) -> list[Component]:
    parts: list[Component] = [html.H2("What if")]
    scenarios = ask(page_queries.plan_scenarios, plan_id)
    if scenarios.empty:
        return [
            *parts,
            html.P(
                "No other circumstances were tried for this plan. This page only reads; they are planned from the "
                "command line, one --what-if for each, and then stand here side by side:"
            ),
            html.Pre(
                f"planner route --from {str(plan['from_on'])[:10]} --days {int(plan['days'])} --out plan --db FILE "
                "--what-if extra_crew --what-if no_overtime"
            ),
            html.Ul([html.Li([html.Code(name), f": {meaning}"]) for name, meaning in SCENARIOS]),
        ]
    base = scenarios[scenarios["scenario"] == "base"]
    reference = None if base.empty else first(base)
    return [
        *parts,
        *_search_noise(reference),
        table(
            "The same days planned under other circumstances; money is benefit priced, less or beside cost. The "
            "difference is against the plan as it is.",
            heads(
                "Circumstances*",
                "Net#",
                "Difference#",
                "Benefit#",
                "Cost#",
                "km#",
                "Crew-days#",
                "Stops#",
                "End faces#",
                "Overtime#",
                "Bound#",
                "Gap#",
            ),
            [_scenario(line, reference) for line in records(scenarios)],
        ),
    ]


def _search_noise(reference: Any) -> list[Component]:
    """How much of a difference the circumstances need not be the cause of: what the plan may still lack."""
    if reference is None or is_unknown(reference["upper_bound"]) or is_unknown(reference["net"]):
        return []
    lacking = float(reference["upper_bound"]) - float(reference["net"])
    return [
        sentence(
            "No plan is proven best: this one may lack up to ",
            bold(figure(lacking)),
            " against its bound. A smaller difference can come from the search as well as from the circumstances.",
        )
    ]


def _scenario(line: Any, reference: Any) -> list[Cell]:
    difference = ""
    if reference is not None and line.scenario != "base" and not is_unknown(line.net):
        difference = signed(float(line.net) - float(reference["net"]), 0)
    words = plain(line.scenario) if is_unknown(line.meaning) or not line.meaning else str(line.meaning)
    return [
        bold(words) if line.scenario == "base" else words,
        figure(line.net),
        difference,
        figure(line.benefit),
        figure(line.cost),
        figure(line.km),
        figure(line.crew_days),
        figure(line.stops),
        figure(line.jobs),
        duration(line.overtime_min),
        figure(line.upper_bound),
        UNKNOWN_GAP if is_unknown(line.gap) else _gap(float(line.gap)),
    ]


def _side_by_side(plans: pd.DataFrame, plan_id: str) -> list[Component]:
    parts: list[Component] = [html.H2("Plans side by side")]
    rows: list[list[Cell]] = []
    for line in records(plans.head(12)):
        mark: list[Any] = [" ", html.Span("shown", className="here")] if line.plan_id == plan_id else []
        rows.append(
            [
                [html.A(str(line.plan_id), href=address(PATH, plan=line.plan_id)), *mark],
                str(line.status),
                f"{day(line.from_on)}, {counted(line.days, 'day')}",
                figure(line.crew_days),
                figure(line.stops),
                figure(line.jobs),
                figure(line.benefit),
                figure(line.cost),
                figure(line.travel_km),
                figure(line.upper_bound),
                UNKNOWN_GAP if is_unknown(line.gap) else _gap(float(line.gap)),
            ]
        )
    return [
        *parts,
        table(
            "Benefit in customer-minutes; cost and bound in money. "
            "The bound is what no plan with the same crews can net more than.",
            heads(
                "Plan",
                "Status",
                "Days",
                "Crew-days#",
                "Stops#",
                "Jobs#",
                "Benefit#",
                "Cost#",
                "km to stops#",
                "Bound#",
                "Gap#",
            ),
            rows,
        ),
        html.P("Plan again from the command line; the new plan appears here:"),
        html.Pre(PLAN_COMMAND),
    ]


UNKNOWN_GAP = "not known"


def _assumptions(plan: Any, document: dict[str, Any]) -> list[Component]:
    lines = document.get("assumptions")
    if not isinstance(lines, list) or not lines:
        lines = [] if is_unknown(plan["assumptions"]) else str(plan["assumptions"]).split("; ")
    if not lines:
        return []
    return [
        html.H2("What the plan rests on"),
        html.Ul([html.Li(str(line)) for line in lines], className="small"),
        html.P(
            html.A(
                "The plan as written (plan.json)",
                href=address("/download/plan.json", plan=plan["plan_id"]),
                download="",
            ),
            className="small",
        ),
    ]


PAGE = Page(path=PATH, name="Dispatch", layout=layout, title=title)
