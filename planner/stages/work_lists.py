"""A plan turned into the work lists of `planner.reports.job_sheet`, with what each circuit should read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from planner.reports.job_sheet import SheetDay, SheetJob, SheetStop, suspicion_words
from planner.routes.calendar import clock_of_minutes, weekday_of
from planner.routes.planning import PlanResult, site_row
from planner.routes.stops import PlanTables, pick_list


def sheet_days(result: PlanResult, tables: PlanTables, expected: Mapping[str, str]) -> list[SheetDay]:
    """One `SheetDay` per crew-day; `expected` gives the expected reading of a circuit in words."""
    stops, jobs = tables.stops, tables.jobs
    loads = pick_list(jobs)
    days = []
    for day in tables.days:
        on = day.day_on.isoformat()
        own = stops[(stops["crew_id"] == day.crew_id) & (stops["day_on"] == on)]
        work = jobs[(jobs["crew_id"] == day.crew_id) & (jobs["day_on"] == on)]
        load = loads[(loads["crew_id"] == day.crew_id) & (loads["day_on"] == on)]
        days.append(
            SheetDay(
                plan_id=tables.plan_id,
                crew_id=day.crew_id,
                day_on=on,
                weekday=weekday_of(day.day_on),
                depot=_site_name(result, day.depot),
                departs_at=clock_of_minutes(day.departs),
                returns_at=clock_of_minutes(day.returns),
                breaks=", ".join(f"{clock_of_minutes(a)}-{clock_of_minutes(b)}" for a, b, _ in day.breaks),
                km=float(own["travel_km"].sum()) + day.drive_back_km,
                stops=tuple(
                    _stop(result, stop, work[work["stop_no"] == stop["stop_no"]], expected)
                    for stop in own.to_dict("records")
                ),
                pick=tuple((str(row["thing"]), int(row["quantity"])) for row in load.to_dict("records")),
            )
        )
    return days


def _site_name(result: PlanResult, site_id: str) -> str:
    name = result.week.sites["name"].get(site_id)
    return str(name) if isinstance(name, str) and name else site_id


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _stop(result: PlanResult, stop: dict[Any, Any], work: pd.DataFrame, expected: Mapping[str, str]) -> SheetStop:
    site = site_row(result.week.sites, str(stop["site_id"]))
    hours = f"access {site['access_open']}-{site['access_close']}" if _text(site["access_open"]) else ""
    days = f"days {site['access_days']}" if _text(site["access_days"]) else ""
    return SheetStop(
        number=int(str(stop["stop_no"])),
        site_id=str(stop["site_id"]),
        site_name=_text(site["name"]),
        region=_text(site["region"]),
        arrive_at=str(stop["arrive_at"]),
        start_at=str(stop["start_at"]),
        leave_at=str(stop["leave_at"]),
        drive_min=float(str(stop["travel_min"])),
        drive_km=float(str(stop["travel_km"])),
        access=", ".join(text for text in (hours, days) if text),
        note=str(stop["note"]),
        latitude=float(site["latitude"]),
        longitude=float(site["longitude"]),
        jobs=tuple(_job(row, expected) for row in work.to_dict("records")),
    )


def _job(row: dict[Any, Any], expected: Mapping[str, str]) -> SheetJob:
    circuits = [part for part in _text(row["circuits"]).split(";") if part]
    port = ", ".join(
        text
        for text in (_text(row["housing_name"]), _text(row["label"]) or _text(row["port_id"]), _text(row["face"]))
        if text
    )
    suspicion = suspicion_words(row["p_contaminated"], row["p_damaged"], str(row["action"]))
    shown = ", ".join(circuits[:3]) + (f" and {len(circuits) - 3} more" if len(circuits) > 3 else "")
    return SheetJob(
        number=int(str(row["job_no"])),
        connector_id=str(row["connector_id"]),
        port=f"{port} ({row['family']}/{row['polish']})",
        action=str(row["action"]),
        method=str(row["method"]),
        tip=str(row["tip"]),
        minutes=float(str(row["minutes"])),
        suspicion=suspicion,
        circuits=shown,
        expected=next((expected[name] for name in circuits if name in expected), ""),
        caution=_text(row["change_note"]),
        pair=_text(row["pair_id"]),
        reasons=_text(row["reasons"]),
    )
