"""Files that pages offer: the work list of a crew-day as CSV and PDF, and the plan as written."""

from __future__ import annotations

import csv
import io
import json
import re
from typing import Any

from flask import Flask, Response, request

from dashboards.components.frames import records
from dashboards.data import ask
from dashboards.job_sheets import sheet_day, sheet_pdf
from planner.store import page_queries

WORK_LIST_COLUMNS = (
    "day_on",
    "crew_id",
    "stop_no",
    "start_at",
    "site_id",
    "site_name",
    "job_no",
    "connector_id",
    "housing_name",
    "port_label",
    "port_id",
    "action",
    "method",
    "tip",
    "kit",
    "minutes",
    "circuits",
    "p_contaminated",
    "p_damaged",
    "pair_id",
    "reasons",
)
# A cell that a spreadsheet would take for a formula.
_FORMULA = re.compile(r"^[=+\-@\t\r]")
_NUMBER = re.compile(r"^[+-]?[0-9]+([.][0-9]+)?([eE][+-]?[0-9]+)?$")


def safe_cell(value: object) -> str:
    """A cell that no spreadsheet takes for a formula; unknown is empty."""
    if value is None or value != value:
        return ""
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return "'" + text if _FORMULA.match(text) and not _NUMBER.match(text) else text


def work_list_csv(plan_id: str, crew_id: str, day_on: str) -> str:
    """The jobs of a crew-day (or of the whole plan) as CSV text."""
    jobs = ask(page_queries.plan_jobs, plan_id, crew_id, day_on)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(WORK_LIST_COLUMNS)
    for row in records(jobs[list(WORK_LIST_COLUMNS)]):
        writer.writerow([safe_cell(value) for value in row])
    return out.getvalue()


def plan_document(plan_id: str) -> dict[str, Any]:
    """The plan as written (plan.json); empty if there is none or it is not readable."""
    text = ask(page_queries.plan_document, plan_id)
    try:
        document = json.loads(text) if text else {}
    except json.JSONDecodeError:
        return {}
    return document if isinstance(document, dict) else {}


def _file_name(*parts: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "-", "-".join(part for part in parts if part))


def add_downloads(server: Flask) -> None:
    """Routes of the files; they read the same state of the data as the pages."""

    @server.get("/download/work-list.csv")
    def work_list() -> Response:
        plan_id, crew_id, day_on = (request.args.get(name, "") for name in ("plan", "crew", "day"))
        name = _file_name("work-list", plan_id, crew_id, day_on)
        return Response(
            "\ufeff" + work_list_csv(plan_id, crew_id, day_on),
            mimetype="text/csv",
            headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
        )

    @server.get("/download/work-list.pdf")
    def job_sheet() -> Response:
        plan_id, crew_id, day_on = (request.args.get(name, "") for name in ("plan", "crew", "day"))
        days = plan_document(plan_id).get("crew_days", [])
        match = [each for each in days if (each.get("crew_id"), each.get("day_on")) == (crew_id, day_on)]
        day = sheet_day(plan_id, crew_id, day_on, match[0] if match else {})
        if day is None:
            words = f"plan {plan_id!r}, crew {crew_id!r}, day {day_on!r}: the plan has no such crew-day"
            return Response(words, status=404, mimetype="text/plain")
        name = _file_name("work-list", plan_id, crew_id, day_on)
        return Response(
            sheet_pdf(day),
            mimetype="application/pdf",
            headers={"Content-Disposition": f'attachment; filename="{name}.pdf"'},
        )

    @server.get("/download/plan.json")
    def plan() -> Response:
        plan_id = request.args.get("plan", "")
        document = ask(page_queries.plan_document, plan_id)
        if not document:
            return Response(f"plan {plan_id!r}: there is no such plan", status=404, mimetype="text/plain")
        return Response(
            document,
            mimetype="application/json",
            headers={"Content-Disposition": f'attachment; filename="{_file_name("plan", plan_id)}.json"'},
        )
