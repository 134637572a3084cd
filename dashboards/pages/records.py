"""Records: what was loaded, what was wrong with it, and what contradicts what."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.frames import records
from dashboards.components.links import address
from dashboards.components.tables import (
    GridColumnView,
    filters_from,
    grid_table,
    heads,
    not_assessed,
    sort_from,
    table,
)
from dashboards.components.words import bold, counted, figure, is_unknown, moment, plain, sentence
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries
from planner.tables.catalogue import TABLES

PATH = "/records"

AUDIT_VIEWS = (
    GridColumnView("code", "Kind", 190, "words", pinned=True),
    GridColumnView("severity", "Severity", 124),
    GridColumnView("place_id", "Place", 160, "PlaceLink"),
    GridColumnView("site_id", "Site", 110, "SiteLink"),
    GridColumnView("text", "What contradicts what", 420),
    GridColumnView("check", "Check in the field", 320),
    GridColumnView("assumed", "Assumed meanwhile", 280),
    GridColumnView("repair", "One repair that explains it", 300),
    GridColumnView("plausibility", "Plausibility", 157, "whole"),
    GridColumnView("circuits", "Circuits", 190, "ListOfCircuits"),
)
FINDING_VIEWS = (
    GridColumnView("code", "Kind", 170, "words", pinned=True),
    GridColumnView("severity", "Severity", 124),
    GridColumnView("table_name", "Table", 140),
    GridColumnView("file_name", "File", 170),
    GridColumnView("line", "Line", 91, "whole"),
    GridColumnView("column_name", "Column", 140),
    GridColumnView("value", "Got", 180),
    GridColumnView("rule", "Must be", 300),
    GridColumnView("consequence", "What we did", 260),
    GridColumnView("load_id", "Load", 91, "whole"),
)


def title(_: Query) -> str:
    """The page's title."""
    return "Records"


def layout(query: Query) -> list[Component]:
    """The page for a query with `show` (audit or findings) and the table's filters and sorting."""
    show = query.get("show", "")
    counts = ask(page_queries.row_counts)
    if show == "audit":
        return _every("What contradicts the records", page_queries.AUDIT_GRID, AUDIT_VIEWS, query)
    if show == "findings":
        return _every("Findings of the intake", page_queries.FINDING_GRID, FINDING_VIEWS, query)
    return [
        html.H1("What the results rest on"),
        *_have(counts),
        html.Div([html.Div(_findings(counts)), html.Div(_audit(counts))], className="two"),
        *_loads(counts),
    ]


def _every(heading: str, grid: page_queries.Grid, views: tuple[GridColumnView, ...], query: Query) -> list[Component]:
    """Every row of a table, to filter and sort."""
    return [
        html.H1(heading),
        html.P(["Back to ", html.A("all records", href=PATH), "."]),
        grid_table(grid, views, caption=heading, by="", sort=sort_from(grid, query), filters=filters_from(grid, query)),
    ]


def _have(counts: dict[str, int]) -> list[Component]:
    spans = {row.table_name: row for row in records(ask(page_queries.time_spans))}
    rows = []
    missing = []
    for declared in TABLES.values():
        if declared.kind != "intake":
            continue
        if not counts[declared.name]:
            missing.append(declared.name)
            continue
        span = spans.get(declared.name)
        times = ["", ""] if span is None else [moment(span.first_at), moment(span.last_at)]
        rows.append([declared.name, figure(counts[declared.name]), *times, declared.meaning])
    parts: list[Component] = []
    if missing:
        parts.append(sentence("Not there: ", bold(", ".join(missing)), ". Whatever depends on these is not assessed."))
    parts.append(table("Tables that are filled.", heads("Table", "Rows#", "First", "Last", "What a row is*"), rows))
    return parts


def _findings(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("Faults in the files")]
    if not counts["loads"]:
        return [*parts, not_assessed("loads", "Run: planner load FOLDER --db FILE")]
    found = ask(page_queries.finding_counts)
    if found.empty:
        return [*parts, html.P("Every row that was handed in passed every check.")]
    return [
        *parts,
        table(
            "By kind. Blocking ones kept the row out.",
            heads("Kind", "Severity", "Table", "Findings#", "What we did*"),
            [
                [
                    html.A(
                        plain(line.code),
                        href=address(PATH, show="findings", code=f"is:{line.code}", table_name=f"is:{line.table_name}"),
                    ),
                    str(line.severity),
                    str(line.table_name),
                    figure(line.findings),
                    plain(line.consequence),
                ]
                for line in records(found.head(15))
            ],
        ),
        html.P(html.A("Every finding with file, line and value", href=address(PATH, show="findings"))),
    ]


def _audit(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("Contradictions between the tables")]
    if not counts["circuit_status"]:
        return [*parts, not_assessed("audit_findings", "Run: planner analyse --db FILE")]
    audit = ask(page_queries.audit_counts)
    if audit.empty:
        return [*parts, html.P("No contradiction was found.")]
    return [
        *parts,
        table(
            "By kind, with what to check in the field.",
            heads("Kind", "Severity", "Findings#", "Check*"),
            [
                [
                    html.A(plain(line.code), href=address(PATH, show="audit", code=f"is:{line.code}")),
                    str(line.severity),
                    figure(line.findings),
                    plain(line.check) if is_unknown(line.check) else str(line.check),
                ]
                for line in records(audit)
            ],
        ),
        html.P(html.A("Every contradiction", href=address(PATH, show="audit"))),
    ]


def _loads(counts: dict[str, int]) -> list[Component]:
    parts: list[Component] = [html.H2("Loads")]
    loads = ask(page_queries.loads)
    if loads.empty:
        return [*parts, not_assessed("loads", "Run: planner load FOLDER --db FILE")]
    parts.append(
        table(
            "Newest first. Loading the same file twice changes nothing; corrected rows replace by key and the earlier "
            "version is kept.",
            heads("Load", "When", "Read#", "New#", "Corrected#", "Known#", "Kept out#", "From*"),
            [
                [
                    figure(line.load_id),
                    moment(line.loaded_at),
                    figure(line.rows_read),
                    figure(line.rows_new),
                    figure(line.rows_replaced),
                    figure(line.rows_same),
                    bold(figure(line.rows_kept_out)) if line.rows_kept_out else "0",
                    str(line.source),
                ]
                for line in records(loads)
            ],
        )
    )
    newest = int(loads["load_id"].iloc[0])
    files = ask(page_queries.load_files, newest)
    if len(files):
        parts.append(
            html.Details(
                [
                    html.Summary(f"The {counted(len(files), 'file')} of load {newest}"),
                    table(
                        "How each file was read, and its content's hash.",
                        heads("File", "Table", "Rows#", "Kept out#", "Read as*", "SHA-256"),
                        [
                            [
                                str(line.file_name),
                                str(line.table_name),
                                figure(line.rows_read),
                                figure(line.rows_kept_out),
                                plain(line.read_as) if is_unknown(line.read_as) else str(line.read_as),
                                html.Span(str(line.sha256)[:12], className="id", title=str(line.sha256)),
                            ]
                            for line in records(files)
                        ],
                    ),
                ]
            )
        )
    return parts


PAGE = Page(path=PATH, name="Records", layout=layout, title=title)
