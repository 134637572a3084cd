"""A crew-day of a stored plan as the printable work list of `planner.reports.job_sheet`."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import pandas as pd

from dashboards.components.frames import first, records
from dashboards.components.words import action, db, is_unknown, listed, plain, weekday
from dashboards.data import ask
from planner.reports.job_sheet import SheetDay, SheetJob, SheetStop, suspicion_words, write_pdf
from planner.store import page_queries


def _text(value: Any) -> str:
    return "" if is_unknown(value) else str(value)


def _number(value: Any) -> float:
    return 0.0 if is_unknown(value) else float(value)


def _job(job: Any, expected: dict[str, str]) -> SheetJob:
    circuits = listed(job.circuits)
    shown = ", ".join(circuits[:3]) + (f" and {len(circuits) - 3} more" if len(circuits) > 3 else "")
    place = ", ".join(part for part in (_text(job.housing_name), _text(job.port_label) or _text(job.port_id)) if part)
    return SheetJob(
        number=int(job.job_no),
        connector_id=str(job.connector_id),
        port=place,
        action=action(job.action),
        method=_text(job.method).replace("_", " "),
        tip=_text(job.tip).replace("_", " "),
        minutes=_number(job.minutes),
        suspicion=suspicion_words(job.p_contaminated, job.p_damaged, str(job.action)),
        circuits=shown,
        expected=next((expected[name] for name in circuits if name in expected), ""),
        caution="live: change window or protection first" if circuits else "",
        pair=_text(job.pair_id),
        reasons=_text(job.reasons),
    )


def _stop(stop: Any, jobs: pd.DataFrame, expected: dict[str, str]) -> SheetStop:
    hours = "" if is_unknown(stop.access_open) else f"access {stop.access_open}-{stop.access_close}"
    notes = [_text(stop.note), _text(stop.access_note)]
    return SheetStop(
        number=int(stop.stop_no),
        site_id=str(stop.site_id),
        site_name=_text(stop.site_name),
        region=_text(stop.region),
        arrive_at=_text(stop.arrive_at),
        start_at=_text(stop.start_at),
        leave_at=_text(stop.leave_at),
        drive_min=_number(stop.travel_min),
        drive_km=_number(stop.travel_km),
        access=hours,
        note="; ".join(dict.fromkeys(note for note in notes if note)),
        latitude=_number(stop.latitude),
        longitude=_number(stop.longitude),
        jobs=tuple(_job(job, expected) for job in records(jobs[jobs["stop_no"] == stop.stop_no])),
    )


def sheet_day(plan_id: str, crew_id: str, day_on: str, crew_day: dict[str, Any]) -> SheetDay | None:
    """The work list of one crew-day; None if the plan has no such day.

    `crew_day` is that day in the plan's document, for departure, return and breaks; empty if unknown.
    """
    stops = ask(page_queries.plan_stops, plan_id)
    stops = stops[(stops["crew_id"] == crew_id) & (stops["day_on"] == day_on)]
    if stops.empty:
        return None
    jobs = ask(page_queries.plan_jobs, plan_id, crew_id, day_on)
    circuits = tuple(sorted({name for value in jobs["circuits"] for name in listed(value)}))
    readings = ask(page_queries.expected_readings, circuits)
    expected = {
        str(row.circuit_id): f"{db(row.typical_db)} at {row.wavelength_nm:.0f} nm"
        + ("" if row.is_sure else " (not confirmed)")
        for row in records(readings)
    }
    kit: dict[str, int] = {}
    for value in jobs["kit"]:
        for item in listed(value):
            kit[plain(item)] = kit.get(plain(item), 0) + 1
    head = first(stops)
    return SheetDay(
        plan_id=plan_id,
        crew_id=crew_id,
        day_on=day_on,
        weekday=weekday(day_on).split(" ")[0],
        depot=_text(head["depot_name"]) or _text(head["depot_id"]),
        departs_at=_text(crew_day.get("departs_at")),
        returns_at=_text(crew_day.get("returns_at")),
        breaks=", ".join(f"{pause.get('from')}-{pause.get('to')}" for pause in crew_day.get("breaks", [])),
        km=_number(stops["travel_km"].sum()) + _number(crew_day.get("km_back")),
        stops=tuple(_stop(stop, jobs, expected) for stop in records(stops)),
        pick=tuple(sorted(kit.items())),
    )


def sheet_pdf(day: SheetDay) -> bytes:
    """The work list as a PDF file's content."""
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / f"{day.file_stem}.pdf"
        write_pdf(day, target)
        return target.read_bytes()
