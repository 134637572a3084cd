"""The work list a crew takes along: one crew-day as PDF, as a page that prints well, and as CSV.

In: `SheetDay` (plain texts and numbers). Cautions come first and defer to local codes. No routing is done here.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib.resources import files
from pathlib import Path

import pandas as pd
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

INK = colors.HexColor("#1c2b33")
SOFT = colors.HexColor("#5d6d75")
LINE = colors.HexColor("#b9c4c9")
BAND = colors.HexColor("#eef2f4")
WARN = colors.HexColor("#fff4d6")
WARN_LINE = colors.HexColor("#c98a00")


@dataclass(frozen=True)
class SheetJob:
    """One line of work at a stop."""

    number: int
    connector_id: str
    port: str
    action: str
    method: str
    tip: str
    minutes: float
    suspicion: str
    circuits: str
    expected: str
    caution: str
    pair: str
    reasons: str


@dataclass(frozen=True)
class SheetStop:
    """One site of the day."""

    number: int
    site_id: str
    site_name: str
    region: str
    arrive_at: str
    start_at: str
    leave_at: str
    drive_min: float
    drive_km: float
    access: str
    note: str
    latitude: float
    longitude: float
    jobs: tuple[SheetJob, ...]


@dataclass(frozen=True)
class SheetDay:
    """One crew's day."""

    plan_id: str
    crew_id: str
    day_on: str
    weekday: str
    depot: str
    departs_at: str
    returns_at: str
    breaks: str
    km: float
    stops: tuple[SheetStop, ...]
    pick: tuple[tuple[str, int], ...]

    @property
    def file_stem(self) -> str:
        """Name of the day's files without ending."""
        safe = "".join(sign if sign.isalnum() or sign in "-_" else "_" for sign in self.crew_id)
        return f"{self.day_on}_{safe}"


@cache
def cautions() -> tuple[tuple[str, str], ...]:
    """Topic and text of every caution, from `data/cautions.csv`."""
    return tuple((row["topic"], row["text"]) for row in _data("cautions"))


@cache
def steps() -> tuple[tuple[str, str], ...]:
    """Name and text of every step at a connection, in order, from `data/steps.csv`."""
    return tuple((row["step"], row["text"]) for row in _data("steps"))


def _data(name: str) -> list[dict[str, str]]:
    text = files("planner.reports").joinpath("data", f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def suspicion_words(contaminated: object, damaged: object, action: str) -> str:
    """What the planner believes of an end face: damage where it is to be replaced, else dirt; empty if unknown.

    Examples
    --------
    >>> suspicion_words(0.03, 0.97, "replace"), suspicion_words(0.41, 0.04, "inspect_clean")
    ('damaged with probability 97%', 'dirty with probability 41%')
    """
    word, chance = ("damaged", damaged) if action == "replace" else ("dirty", contaminated)
    return "" if chance is None or pd.isna(chance) else f"{word} with probability {float(str(chance)):.0%}"  # type: ignore[call-overload]


def write_job_sheets(days: Sequence[SheetDay], folder: Path) -> list[Path]:
    """Write PDF, HTML and CSV of every crew-day into `folder`; returns the paths written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for day in days:
        pdf, page, table = (folder / f"{day.file_stem}.{ending}" for ending in ("pdf", "html", "csv"))
        write_pdf(day, pdf)
        page.write_text(html_page(day), encoding="utf-8")
        jobs_table(day).to_csv(table, index=False)
        written += [pdf, page, table]
    return written


def jobs_table(day: SheetDay) -> pd.DataFrame:
    """The day's work as a table, one row per job."""
    rows = [
        {
            "stop": stop.number,
            "site_id": stop.site_id,
            "arrive_at": stop.arrive_at,
            "leave_at": stop.leave_at,
            "job": job.number,
            "connector_id": job.connector_id,
            "port": job.port,
            "action": job.action,
            "method": job.method,
            "tip": job.tip,
            "minutes": job.minutes,
            "circuits": job.circuits,
            "expected": job.expected,
            "caution": job.caution,
            "far_end": job.pair,
            "why": job.reasons,
        }
        for stop in day.stops
        for job in stop.jobs
    ]
    return pd.DataFrame(rows)


# --- PDF ---------------------------------------------------------------------------------------------------


def _style(
    name: str, size: float, *, bold: bool = False, colour: colors.Color = INK, after: float = 0
) -> ParagraphStyle:
    return ParagraphStyle(
        name,
        fontName="Helvetica-Bold" if bold else "Helvetica",
        fontSize=size,
        leading=size * 1.25,
        textColor=colour,
        spaceAfter=after,
    )


TITLE = _style("title", 16, bold=True, after=2)
LEAD = _style("lead", 9.5, colour=SOFT, after=4)
HEAD = _style("head", 11, bold=True, after=2)
TEXT = _style("text", 8.5)
SMALL = _style("small", 7.4)
SMALL_SOFT = _style("small_soft", 7.0, colour=SOFT)
SMALL_BOLD = _style("small_bold", 7.6, bold=True)


def write_pdf(day: SheetDay, target: Path) -> None:
    """The day as an A4 PDF: cautions, overview, what to load, then each stop with space for results."""
    margin = 14 * mm
    document = BaseDocTemplate(
        str(target),
        pagesize=A4,
        leftMargin=margin,
        rightMargin=margin,
        topMargin=14 * mm,
        bottomMargin=15 * mm,
        title=f"Work list {day.crew_id} {day.day_on}",
        author="connector planner",
        invariant=1,
    )
    frame = Frame(
        margin,
        15 * mm,
        A4[0] - 2 * margin,
        A4[1] - 29 * mm,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )

    def footer(canvas: Canvas, _: BaseDocTemplate) -> None:
        canvas.setFont("Helvetica", 7)
        canvas.setFillColor(SOFT)
        canvas.drawString(margin, 8 * mm, f"{day.plan_id}  ·  {day.crew_id}  ·  {day.day_on}")
        canvas.drawRightString(A4[0] - margin, 8 * mm, f"page {canvas.getPageNumber()}")

    document.addPageTemplates([PageTemplate(id="page", frames=[frame], onPage=footer)])
    width = A4[0] - 2 * margin
    story: list[Flowable] = [
        Paragraph(f"{escape(day.crew_id)}, {day.weekday} {day.day_on}", TITLE),
        Paragraph(escape(_day_line(day)), LEAD),
        _caution_box(width),
        Spacer(1, 3 * mm),
        _overview(day, width),
        Spacer(1, 3 * mm),
        _steps_and_pick(day, width),
    ]
    for stop in day.stops:
        story += [Spacer(1, 4 * mm), *_stop_flowables(stop, width)]
    story += [Spacer(1, 5 * mm), KeepTogether(_signature(width))]
    document.build(story)


def _day_line(day: SheetDay) -> str:
    jobs = sum(len(stop.jobs) for stop in day.stops)
    rest = f", break {day.breaks}" if day.breaks else ""
    return (
        f"Leave {day.depot} at {day.departs_at}, back at {day.returns_at}{rest}; {len(day.stops)} stops, {jobs} jobs, "
        f"{day.km:.0f} km. Times are planned, not promised."
    )


def _caution_box(width: float) -> Table:
    rows = [[Paragraph(f"<b>{escape(topic)}</b>", SMALL), Paragraph(escape(text), SMALL)] for topic, text in cautions()]
    rows.insert(0, [Paragraph("Cautions first", SMALL_BOLD), ""])
    box = Table(rows, colWidths=[32 * mm, width - 32 * mm])
    box.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), WARN),
                ("BOX", (0, 0), (-1, -1), 1, WARN_LINE),
                ("SPAN", (0, 0), (-1, 0)),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ]
        )
    )
    return box


def _overview(day: SheetDay, width: float) -> Table:
    rows: list[list[object]] = [["", "arrive", "leave", "site", "drive", "jobs"]]
    for stop in day.stops:
        name = f"<b>{escape(stop.site_name or stop.site_id)}</b> {escape(stop.region)}"
        rows.append(
            [
                str(stop.number),
                stop.arrive_at,
                stop.leave_at,
                Paragraph(name, SMALL),
                f"{stop.drive_min:.0f} min, {stop.drive_km:.1f} km",
                str(len(stop.jobs)),
            ]
        )
    table = Table(rows, colWidths=[8 * mm, 15 * mm, 15 * mm, width - 90 * mm, 38 * mm, 14 * mm], repeatRows=1)
    table.setStyle(_grid_style(8))
    return table


def _grid_style(size: float) -> TableStyle:
    return TableStyle(
        [
            ("FONT", (0, 0), (-1, -1), "Helvetica", size),
            ("FONT", (0, 0), (-1, 0), "Helvetica-Bold", size),
            ("TEXTCOLOR", (0, 0), (-1, -1), INK),
            ("BACKGROUND", (0, 0), (-1, 0), BAND),
            ("LINEBELOW", (0, 0), (-1, -1), 0.4, LINE),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ]
    )


def _steps_and_pick(day: SheetDay, width: float) -> Table:
    left = [Paragraph("At every connection", HEAD)]
    left += [
        Paragraph(f"{number}. <b>{escape(name)}</b>: {escape(text)}", SMALL)
        for number, (name, text) in enumerate(steps(), start=1)
    ]
    right: list[Flowable] = [Paragraph("Load before leaving", HEAD)]
    right += [
        Paragraph(f"[&nbsp;&nbsp;&nbsp;] {quantity} x {escape(_plain(thing))}", SMALL) for thing, quantity in day.pick
    ]
    table = Table([[left, right]], colWidths=[width * 0.66, width * 0.34])
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (0, 0), 0),
                ("LINEBEFORE", (1, 0), (1, 0), 0.5, LINE),
                ("LEFTPADDING", (1, 0), (1, 0), 8),
            ]
        )
    )
    return table


def _stop_flowables(stop: SheetStop, width: float) -> list[Flowable]:
    head = Table(
        [
            [
                Paragraph(f"{stop.number}  {escape(stop.site_name or stop.site_id)}", HEAD),
                Paragraph(
                    f"{stop.arrive_at} arrive, {stop.start_at} work, {stop.leave_at} leave<br/>"
                    f"{stop.latitude:.5f}, {stop.longitude:.5f}",
                    SMALL,
                ),
            ]
        ],
        colWidths=[width - 62 * mm, 62 * mm],
    )
    head.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), BAND),
                ("LINEABOVE", (0, 0), (-1, 0), 1, INK),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ]
        )
    )
    notes = [text for text in (f"site {stop.site_id}", stop.access, stop.note) if text]
    lines = [Paragraph(escape("; ".join(notes)), SMALL), Spacer(1, 1 * mm)]
    rows: list[list[object]] = [["", "end face and port", "do", "expect", "before", "after", "used / remarks"]]
    for job in stop.jobs:
        rows.append(_job_cells(job))
    table = Table(
        rows,
        colWidths=[6 * mm, 47 * mm, 41 * mm, 38 * mm, 15 * mm, 15 * mm, width - 162 * mm],
        repeatRows=1,
    )
    style = _grid_style(7.4)
    style.add("GRID", (4, 0), (-1, -1), 0.4, LINE)
    table.setStyle(style)
    return [KeepTogether([head, *lines]), table]


def _job_cells(job: SheetJob) -> list[object]:
    verdict = Paragraph("[&nbsp;&nbsp;&nbsp;] pass<br/>[&nbsp;&nbsp;&nbsp;] fail", SMALL)
    face = f"<b>{escape(job.connector_id)}</b><br/>{escape(job.port)}"
    if job.caution:
        face += f'<br/><font color="#a05a00"><b>{escape(job.caution)}</b></font>'
    if job.pair:
        face += f"<br/><b>{escape(job.pair)}</b>"
    action, tools = ACTION_WORDS.get(job.action, job.action), f"{_plain(job.tip)}, {job.minutes:g} min"
    do = f"<b>{escape(action)}</b><br/>{escape(_plain(job.method))}<br/>{escape(tools)}"
    expect = "<br/>".join(escape(text) for text in (job.expected, job.suspicion, job.circuits) if text)
    return [
        str(job.number),
        Paragraph(face, SMALL),
        Paragraph(do, SMALL),
        Paragraph(expect, SMALL_SOFT),
        verdict,
        verdict,
        "",
    ]


def _plain(text: str) -> str:
    """A table word as people read it."""
    return text.replace("_", " ")


ACTION_WORDS = {
    "inspect_clean": "inspect, clean if dirty",
    "replace": "inspect, replace if damaged",
    "inspect": "inspect only",
}


def _signature(width: float) -> list[Flowable]:
    table = Table(
        [["done by", "", "time back", "", "handed in", ""]],
        colWidths=[16 * mm, width * 0.3, 18 * mm, width * 0.15, 18 * mm, width * 0.2],
        rowHeights=[9 * mm],
    )
    table.setStyle(
        TableStyle(
            [
                ("FONT", (0, 0), (-1, -1), "Helvetica", 8),
                ("LINEBELOW", (1, 0), (1, 0), 0.6, INK),
                ("LINEBELOW", (3, 0), (3, 0), 0.6, INK),
                ("LINEBELOW", (5, 0), (5, 0), 0.6, INK),
                ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
            ]
        )
    )
    return [
        table,
        Paragraph(
            "Results: fill in results_inspections.csv and results_cleanings.csv beside the plan and load them "
            "(planner load); they change the ranking.",
            SMALL_SOFT,
        ),
    ]


# --- HTML --------------------------------------------------------------------------------------------------

_CSS = """
:root{--ink:#1c2b33;--soft:#5d6d75;--line:#b9c4c9;--band:#eef2f4;--warn:#fff4d6;--warnline:#c98a00}
*{box-sizing:border-box}
body{
  font:14px/1.4 system-ui,sans-serif;color:var(--ink);background:#fff;max-width:62rem;
  margin:1.5rem auto;padding:0 1rem}
h1{font-size:1.5rem;margin:0}
h2{font-size:1.05rem;margin:1.4rem 0 .3rem;padding:.35rem .5rem;background:var(--band);
  border-top:2px solid var(--ink)}
.lead,.soft{color:var(--soft)}
.warn{background:var(--warn);border:2px solid var(--warnline);padding:.5rem .8rem;margin:.8rem 0}
.warn dt{font-weight:700}
.warn dd{margin:0 0 .35rem}
.two{display:grid;grid-template-columns:2fr 1fr;gap:1.5rem}
table{border-collapse:collapse;width:100%;font-size:.86rem}
th,td{text-align:left;vertical-align:top;
  border-bottom:1px solid var(--line);padding:.25rem .4rem}
thead th{background:var(--band)}
.caution{color:#8a4d00;font-weight:700}
.box{white-space:nowrap}
ul{list-style:none;padding:0}
@media(max-width:40rem){.two{display:block}
}
@media print{body{font-size:10pt;margin:0;max-width:none}
h2{break-after:avoid}
tr{break-inside:avoid}
}
"""


def html_page(day: SheetDay) -> str:
    """The day as one self-contained page that prints well."""
    parts = [
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>",
        "<meta name='viewport' content='width=device-width,initial-scale=1'>",
        f"<title>Work list {escape(day.crew_id)} {day.day_on}</title><style>{_CSS}</style></head><body><main>",
        f"<h1>{escape(day.crew_id)}, {day.weekday} {day.day_on}</h1><p class='lead'>{escape(_day_line(day))}</p>",
        "<section class='warn' aria-label='Cautions'><strong>Cautions first</strong><dl>",
        *(f"<dt>{escape(topic)}</dt><dd>{escape(text)}</dd>" for topic, text in cautions()),
        "</dl></section><div class='two'><section><strong>At every connection</strong><ol>",
        *(f"<li><b>{escape(name)}</b>: {escape(text)}</li>" for name, text in steps()),
        "</ol></section><section><strong>Load before leaving</strong><ul>",
        *(f"<li>&#9744; {quantity} x {escape(_plain(thing))}</li>" for thing, quantity in day.pick),
        "</ul></section></div>",
        *(_html_stop(stop) for stop in day.stops),
        "</main></body></html>",
    ]
    return "\n".join(parts)


def _html_stop(stop: SheetStop) -> str:
    notes = "; ".join(text for text in (stop.access, stop.note) if text)
    verdict = "<td class='box'>&#9744; pass<br>&#9744; fail</td>"
    rows = []
    for job in stop.jobs:
        caution = f"<div class='caution'>{escape(job.caution)}</div>" if job.caution else ""
        pair = f"<div><b>{escape(job.pair)}</b></div>" if job.pair else ""
        rows.append(
            f"<tr><td>{job.number}</td><td><b>{escape(job.connector_id)}</b>"
            f"<div>{escape(job.port)}</div>{caution}{pair}</td>"
            f"<td><b>{escape(ACTION_WORDS.get(job.action, job.action))}</b><div>{escape(_plain(job.method))}</div>"
            f"<div>{escape(_plain(job.tip))}, {job.minutes:g} min</div></td>"
            f"<td class='soft'><div>{escape(job.expected)}</div><div>{escape(job.suspicion)}</div>"
            f"<div>{escape(job.circuits)}</div></td>{verdict}{verdict}<td></td></tr>"
        )
    return (
        f"<section><h2>{stop.number}. {escape(stop.site_name or stop.site_id)} "
        f"<span class='soft'>{stop.arrive_at} arrive, {stop.start_at} work, {stop.leave_at} leave</span></h2>"
        f"<p>Site {escape(stop.site_id)}; drive {stop.drive_min:.0f} min, {stop.drive_km:.1f} km. {escape(notes)}</p>"
        "<table><thead><tr><th></th><th>end face and port</th><th>do</th><th>expect</th><th>before</th><th>after</th>"
        f"<th>used / remarks</th></tr></thead><tbody>{''.join(rows)}</tbody></table></section>"
    )
