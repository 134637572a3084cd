"""What a plan is written as: tables, plan.json, GeoJSON, GPX, calendar, result templates.

Everything here is text made from frames; `write_plan` alone touches the disk.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import pandas as pd

from planner.routes.calendar import clock_of_minutes
from planner.routes.explain import left_out_frame
from planner.routes.planning import PlanResult
from planner.routes.settings import minutes_of
from planner.routes.stops import JOB_COLUMNS, PlanTables, crew_days_frame, pick_list

DOCUMENT_VERSION = 1


def plan_assumptions(result: PlanResult, stop_words: str) -> str:
    """What the plan rests on, in one line per assumption."""
    week = result.week
    hours = ", ".join(clock_of_minutes(start) for start, _ in week.axis.breaks)
    lines = [
        week.travel.words,
        f"worth: {week.job_table.money_words}",
        f"entry and parking: entry_min of the site, else {minutes_of('entry'):g} min, plus {minutes_of('park'):g} min",
        f"break of {week.settings.break_min} min, unpaid, at {hours}" if hours else "no break planned",
        f"seed {result.plan.seed}, stop after {stop_words}",
        f"bound: {result.plan.bound_kind}",
        *week.notes,
        *result.plan.notes,
    ]
    return "; ".join(lines)


def plan_document(
    result: PlanResult, tables: PlanTables, stop_words: str, *, versions: dict[str, str]
) -> dict[str, Any]:
    """The content of plan.json.

    `benefit`, `cost`, `net` and `upper_bound` are in the plan's money; `upper_bound` bounds `net`, and
    `gap` = (upper_bound - net) / net. `benefit_customer_min` is the same benefit before it is priced.
    """
    week, plan = result.week, result.plan
    unit = week.unit
    return {
        "document_version": DOCUMENT_VERSION,
        "plan_id": tables.plan_id,
        "from": week.days[0].isoformat(),
        "days": len(week.days),
        "unit": "money",
        "benefit": round(plan.benefit * unit, 2),
        "benefit_customer_min": None if week.job_table.classic else round(float(tables.stops["benefit"].sum()), 1),
        "money_per_customer_min": None if week.job_table.classic else week.job_table.customer_minute,
        "cost": round(plan.cost * unit, 2),
        "net": round(plan.value * unit, 2),
        "upper_bound": round(plan.upper_bound * unit, 2),
        "gap": None if plan.gap == float("inf") else round(plan.gap, 6),
        "bound": plan.bound_kind,
        "seed": plan.seed,
        "stop": stop_words,
        "iterations": plan.iterations,
        "versions": versions,
        "offers": len(week.offers),
        "offers_given_to_search": plan.kept,
        "both_ends": {
            "pairs_offered": int(week.problem.pair.max(initial=-1)) + 1,
            "half_done_ends_removed": plan.broken_pairs_repaired,
            "cost_of_honouring": round(plan.pair_cost * unit, 2),
        },
        "mandatory_not_served": sorted(
            {name for name, due in week.settings.mandatory if due <= week.days[-1]} - set(tables.jobs["connector_id"])
        ),
        "random_looks": len(result.audits),
        "assumptions": plan_assumptions(result, stop_words).split("; "),
        "crews": [
            {
                key: (None if pd.isna(value) else value)
                for key, value in crew.items()
                if key
                in (
                    "crew_id",
                    "depot_site_id",
                    "shift_start",
                    "shift_end",
                    "max_overtime_min",
                    "cost_per_hour",
                    "cost_per_km",
                    "skills",
                    "kit",
                )
            }
            for crew in week.crews.to_dict("records")
        ],
        "crew_days": _crew_day_documents(result, tables),
    }


def _crew_day_documents(result: PlanResult, tables: PlanTables) -> list[dict[str, Any]]:
    documents = []
    sites = result.week.sites
    stops, jobs = tables.stops, tables.jobs
    for day in tables.days:
        on = day.day_on.isoformat()
        own = stops[(stops["crew_id"] == day.crew_id) & (stops["day_on"] == on)]
        work = jobs[(jobs["crew_id"] == day.crew_id) & (jobs["day_on"] == on)]
        documents.append(
            {
                "crew_id": day.crew_id,
                "day_on": on,
                "depot_site_id": day.depot,
                "departs_at": clock_of_minutes(day.departs),
                "returns_at": clock_of_minutes(day.returns),
                "overtime_min": day.overtime_min,
                "km_back": day.drive_back_km,
                "cost": round(day.cost, 2),
                "breaks": [
                    {"from": clock_of_minutes(a), "to": clock_of_minutes(b), "where": where}
                    for a, b, where in day.breaks
                ],
                "stops": [
                    {
                        **{
                            key: _plain(value)
                            for key, value in stop.items()
                            if key not in ("plan_id", "crew_id", "day_on")
                        },
                        "latitude": float(sites.loc[stop["site_id"], "latitude"]),
                        "longitude": float(sites.loc[stop["site_id"], "longitude"]),
                        "jobs": [
                            {key: _plain(job[key]) for key in JOB_COLUMNS[4:]}
                            for job in work[work["stop_no"] == stop["stop_no"]].to_dict("records")
                        ],
                    }
                    for stop in own.to_dict("records")
                ],
            }
        )
    return documents


def _plain(value: Any) -> Any:
    """A value JSON can hold."""
    if value is None or (isinstance(value, float) and pd.isna(value)) or value is pd.NaT:
        return None
    if hasattr(value, "item"):
        return value.item()
    return value


def geojson(document: dict[str, Any], depots: pd.DataFrame) -> dict[str, Any]:
    """Routes as lines (straight between stops) and stops as points; coordinates are longitude, latitude (RFC 7946)."""
    features: list[dict[str, Any]] = []
    for day in document["crew_days"]:
        depot = depots.loc[day["depot_site_id"]]
        home = [float(depot["longitude"]), float(depot["latitude"])]
        way = [home, *[[stop["longitude"], stop["latitude"]] for stop in day["stops"]], home]
        common = {"crew_id": day["crew_id"], "day_on": day["day_on"]}
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "LineString", "coordinates": way},
                "properties": {
                    **common,
                    "departs_at": day["departs_at"],
                    "returns_at": day["returns_at"],
                    "stops": len(day["stops"]),
                },
            }
        )
        for stop in day["stops"]:
            features.append(
                {
                    "type": "Feature",
                    "geometry": {"type": "Point", "coordinates": [stop["longitude"], stop["latitude"]]},
                    "properties": {
                        **common,
                        **{
                            key: stop[key]
                            for key in ("stop_no", "site_id", "arrive_at", "start_at", "leave_at", "benefit")
                        },
                        "jobs": len(stop["jobs"]),
                    },
                }
            )
    return {"type": "FeatureCollection", "features": features}


def gpx(document: dict[str, Any]) -> str:
    """Each crew-day as a GPX 1.1 route of its stops."""
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="connector-planner" xmlns="http://www.topografix.com/GPX/1/1">',
    ]
    for day in document["crew_days"]:
        parts.append(f"  <rte><name>{escape(day['crew_id'])} {day['day_on']}</name>")
        for stop in day["stops"]:
            parts.append(
                f'    <rtept lat="{stop["latitude"]:.6f}" lon="{stop["longitude"]:.6f}">'
                f"<name>{stop['stop_no']} {escape(stop['site_id'])}</name>"
                f"<desc>{stop['start_at']}-{stop['leave_at']}, {_jobs(stop)}</desc></rtept>"
            )
        parts.append("  </rte>")
    return "\n".join([*parts, "</gpx>", ""])


def calendar_text(document: dict[str, Any], made_at: datetime) -> str:
    """The stops as an iCalendar file (RFC 5545); times float, that is, they are local to the site."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//connector planner//routes//EN"]
    for day in document["crew_days"]:
        for stop in day["stops"]:
            begins = _moment(day["day_on"], stop["arrive_at"], day["departs_at"])
            ends = _moment(day["day_on"], stop["leave_at"], day["departs_at"])
            uid = f"{document['plan_id']}-{day['crew_id']}-{day['day_on']}-{stop['stop_no']}@connector-planner"
            lines += [
                "BEGIN:VEVENT",
                f"UID:{_ical(uid)}",
                f"DTSTAMP:{made_at:%Y%m%dT%H%M%SZ}",
                f"DTSTART:{begins:%Y%m%dT%H%M%S}",
                f"DTEND:{ends:%Y%m%dT%H%M%S}",
                f"SUMMARY:{_ical(day['crew_id'] + ': ' + stop['site_id'] + ', ' + _jobs(stop))}",
                f"LOCATION:{_ical(stop['site_id'])}",
                f"GEO:{stop['latitude']:.6f};{stop['longitude']:.6f}",
                f"DESCRIPTION:{_ical(stop['note'] or '')}",
                "END:VEVENT",
            ]
    return "\r\n".join(_folded(line) for line in [*lines, "END:VCALENDAR"]) + "\r\n"


def _moment(day_on: str, clock: str, departs: str) -> datetime:
    moment = datetime.fromisoformat(f"{day_on}T{clock}:00")
    return moment + timedelta(days=1) if clock < departs else moment


def _jobs(stop: dict[str, Any]) -> str:
    count = len(stop["jobs"])
    return f"{count} job" if count == 1 else f"{count} jobs"


def _ical(text: str) -> str:
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """A content line folded at 75 octets."""
    data = line.encode("utf-8")
    pieces = []
    while len(data) > 74:
        cut = 74
        while data[cut] & 0xC0 == 0x80:
            cut -= 1
        pieces.append(data[:cut])
        data = data[cut:]
    pieces.append(data)
    return "\r\n ".join(piece.decode("utf-8") for piece in pieces)


def result_templates(jobs: pd.DataFrame, plan_id: str) -> dict[str, pd.DataFrame]:
    """Empty result sheets with the columns of `inspections` and `cleanings`, one row per step of each job.

    A crew fills in `at` and `result` (and `finding`, `method`); rows left without them are left
    aside by the intake, so that a half-filled sheet can be loaded.
    """
    order = jobs["crew_id"] + "-" + jobs["day_on"].str.replace("-", "") + "-" + jobs["stop_no"].astype(str)
    key = plan_id + "-" + order + "-" + jobs["job_no"].astype(str)
    base = pd.DataFrame({"connector_id": jobs["connector_id"], "work_order_id": key})
    cleaned = base[jobs["action"].ne("inspect").to_numpy()]
    method = jobs.loc[jobs["action"].ne("inspect"), "method"].str.split(", then ").str[0]
    first = base.assign(inspection_id=key + "-before", stage="before_cleaning")
    after = cleaned.assign(inspection_id=cleaned["work_order_id"] + "-after", stage="after_cleaning")
    looks = pd.concat([first, after]).sort_index(kind="stable")
    empty = ("at", "result", "finding", "worst_zone", "image_file", "technician_id", "test_set_id")
    inspections = looks.assign(**dict.fromkeys(empty, ""))
    cleanings = cleaned.assign(cleaning_id=cleaned["work_order_id"] + "-clean", at="", method=method, technician_id="")
    return {
        "inspections": inspections[
            [
                "inspection_id",
                "at",
                "connector_id",
                "result",
                "finding",
                "worst_zone",
                "stage",
                "image_file",
                "technician_id",
                "test_set_id",
                "work_order_id",
            ]
        ],
        "cleanings": cleanings[["cleaning_id", "at", "connector_id", "method", "technician_id", "work_order_id"]],
    }


def write_plan(
    result: PlanResult,
    tables: PlanTables,
    folder: Path,
    stop_words: str,
    made_at: datetime,
    versions: dict[str, str],
) -> dict[str, Any]:
    """Write every machine-readable file of a plan into `folder`; returns the document of plan.json.

    Files: `plan.json, routes.csv, jobs.csv, left_out.csv, crew_days.csv, pick_list.csv, routes.geojson,
    routes.gpx, routes.ics, results_inspections.csv, results_cleanings.csv`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    document = plan_document(result, tables, stop_words, versions=versions)
    jobs = tables.jobs
    frames = {
        "routes": tables.stops,
        "jobs": jobs[JOB_COLUMNS],
        "left_out": left_out_frame(result, tables.plan_id),
        "crew_days": crew_days_frame(tables.days),
        "pick_list": pick_list(jobs),
        **{f"results_{name}": frame for name, frame in result_templates(jobs, tables.plan_id).items()},
    }
    for name, frame in frames.items():
        safe_for_spreadsheet(frame).to_csv(folder / f"{name}.csv", index=False)
    depots = result.week.sites
    (folder / "routes.geojson").write_text(json.dumps(geojson(document, depots)), encoding="utf-8")
    (folder / "routes.gpx").write_text(gpx(document), encoding="utf-8")
    (folder / "routes.ics").write_text(calendar_text(document, made_at), encoding="utf-8", newline="")
    (folder / "plan.json").write_text(json.dumps(document, indent=1), encoding="utf-8")
    return document


def safe_for_spreadsheet(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with texts that a spreadsheet would run as a formula quoted by an apostrophe."""
    safe = frame.copy()
    for name in safe.columns:
        if pd.api.types.is_object_dtype(safe[name]) or pd.api.types.is_string_dtype(safe[name]):
            texts = safe[name].astype("object")
            risky = texts.map(lambda value: isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"))
            safe[name] = texts.where(~risky, "'" + texts.astype(str))
    return safe
