"""Tables: small ones as plain markup with a caption, large ones as a grid that reads page by page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import dash_ag_grid as dag
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.attributes import aria
from dashboards.components.attributes import head as head_of
from dashboards.components.words import Child
from planner.store import page_queries
from planner.tables.catalogue import TABLES

Cell = Child | Sequence[Child] | None

# Rows a grid asks for at a time.
BLOCK_ROWS = 100

# The grid takes its colours from the page's own, so that it follows light and dark.
GRID_THEME = (
    "themeQuartz.withParams({backgroundColor: 'var(--raised)', foregroundColor: 'var(--ink)', "
    "headerBackgroundColor: 'var(--sunken)', headerTextColor: 'var(--faint)', borderColor: 'var(--line)', "
    "rowHoverColor: 'var(--sunken)', accentColor: 'var(--focus)', chromeBackgroundColor: 'var(--sunken)', "
    "menuBackgroundColor: 'var(--raised)', inputBackgroundColor: 'var(--ground)', fontFamily: 'inherit', "
    "fontSize: 13.5, spacing: 5, wrapperBorder: false, tooltipBackgroundColor: 'var(--ink)', "
    "tooltipTextColor: 'var(--ground)'})"
)


@dataclass(frozen=True)
class Head:
    """A column's heading; numbers stand right-aligned."""

    text: str
    number: bool = False
    wide: bool = False
    middling: bool = False

    @property
    def kind(self) -> str | None:
        """The style class of its cells."""
        return "number" if self.number else "wide" if self.wide else "middling" if self.middling else None


def heads(*columns: str) -> list[Head]:
    """Headings from short text: `#` at the end makes a number column, `*` a wide one, `~` a middling one."""
    return [
        Head(
            column.rstrip("#*~").strip(),
            number=column.endswith("#"),
            wide=column.endswith("*"),
            middling=column.endswith("~"),
        )
        for column in columns
    ]


def table(
    caption: str, columns: Sequence[Head], rows: Sequence[Sequence[Cell]], *, total: Sequence[Cell] = ()
) -> html.Div:
    """A captioned table whose first cell of each row is the row's heading."""

    def cells(row: Sequence[Cell], leading: Any) -> list[Component]:
        made: list[Component] = []
        for position, (head, cell) in enumerate(zip(columns, row, strict=True)):
            kind = head.kind
            children: Any = list(cell) if isinstance(cell, list | tuple) else cell
            tag: Any = leading if position == 0 else html.Td
            extra: dict[str, Any] = {"scope": "row"} if tag is html.Th else {}
            # on a phone each cell carries its heading
            made.append(tag(children, className=kind, **extra, **head_of(head.text)))
        return made

    body = [html.Tr(cells(row, html.Th)) for row in rows]
    foot = [html.Tfoot(html.Tr(cells(total, html.Th)))] if total else []
    head_row = html.Tr([html.Th(head.text, scope="col", className=head.kind) for head in columns])
    return html.Div(
        html.Table([html.Caption(caption), html.Thead(head_row), html.Tbody(body), *foot]),
        className="table",
        role="region",
        tabIndex="0",
        **aria(label=caption),
    )


def not_assessed(table_name: str, todo: str) -> html.P:
    """Says which table is missing or empty, and what would fill it."""
    return html.P([html.B(f"Not assessed: no {table_name}."), f" {todo}"], className="not-assessed", role="note")


def facts(pairs: Sequence[tuple[str, Cell]]) -> html.Dl:
    """Short facts as term and value."""
    items: list[Component] = []
    for term, value in pairs:
        children: Any = list(value) if isinstance(value, list | tuple) else value
        items.append(html.Div([html.Dt(term), html.Dd(children)]))
    return html.Dl(items, className="facts")


# ------------------------------------------------------------------------------------- large tables


@dataclass(frozen=True)
class GridColumnView:
    """How a column of a large table is shown."""

    name: str
    heading: str
    width: int = 120
    shows: str = ""  # name of a renderer or formatter in assets/grid.js
    pinned: bool = False
    explains: str = ""


def column_help(name: str) -> str:
    """What a column means and its unit, from the declarations."""
    for table_name in ("ranking", "connector_health", "connector_state", "circuit_budget", "circuits"):
        if TABLES[table_name].has(name):
            column = TABLES[table_name].column(name)
            unit = f" [{column.unit}]" if column.unit and column.unit != "-" else ""
            return column.meaning + unit
    return ""


_FILTERS = {"text": "agTextColumnFilter", "number": "agNumberColumnFilter", "timestamp": "agDateColumnFilter"}
_RENDERED = {"ConnectorLink", "CircuitLink", "SiteLink", "StateMark", "ListOfCircuits", "PlaceLink", "SuspectLink"}


def _definition(grid: page_queries.Grid, view: GridColumnView, sort: dict[str, str]) -> dict[str, Any]:
    kind = grid.column(view.name).kind
    definition: dict[str, Any] = {
        "field": view.name,
        "headerName": view.heading,
        "width": view.width,
        "headerTooltip": view.explains or column_help(view.name) or view.heading,
        "filter": _FILTERS.get(kind, "agTextColumnFilter"),
        "filterParams": {"maxNumConditions": 1, "buttons": ["reset"], "debounceMs": 400},
    }
    if kind == "number":
        definition["type"] = "rightAligned"
    if view.pinned:
        definition["pinned"] = "left"
        definition["lockPinned"] = True
    if view.shows in _RENDERED:
        definition["cellRenderer"] = view.shows
    elif view.shows:
        definition["valueFormatter"] = {"function": f"{view.shows}(params.value)"}
    if view.name in sort:
        definition["initialSort"] = sort[view.name]
    return definition


def grid_table(
    grid: page_queries.Grid,
    views: Sequence[GridColumnView],
    *,
    caption: str,
    by: str,
    sort: dict[str, str],
    filters: dict[str, dict[str, Any]],
) -> html.Section:
    """A large table that scrolls to any depth; sorting and filters stand in the address.

    Parameters
    ----------
    by
        Name of the stored order (see `Grid.ranks`), "" for the table's own.
    sort
        Column -> "asc" or "desc" at opening.
    filters
        Column -> filter at opening, as the grid states it.
    """
    return html.Section(
        [
            html.Div(
                [
                    html.P("", id={"part": "grid-count", "table": grid.name}, role="status"),
                    html.Button("Clear sorting and filters", id={"part": "grid-clear", "table": grid.name}),
                ],
                className="grid-head",
            ),
            dcc.Store(id={"part": "grid-by", "table": grid.name}, data=by),
            dag.AgGrid(
                id={"part": "grid", "table": grid.name},
                columnDefs=[_definition(grid, view, sort) for view in views],
                defaultColDef={"sortable": True, "resizable": True, "suppressHeaderMenuButton": True},
                rowModelType="infinite",
                filterModel=filters,
                dashGridOptions={
                    "theme": {"function": GRID_THEME},
                    "cacheBlockSize": BLOCK_ROWS,
                    "maxBlocksInCache": 40,
                    "rowBuffer": 20,
                    # two requests at once would overwrite each other in the one property they travel in
                    "maxConcurrentDatasourceRequests": 1,
                    "infiniteInitialRowCount": 30,
                    "tooltipShowDelay": 400,
                    "suppressCellFocus": False,
                    "enableCellTextSelection": True,
                    "ensureDomOrder": True,
                },
                className="grid",
                dangerously_allow_code=False,
            ),
        ],
        className="grid-section",
        **aria(label=caption),
    )


_SHORT = {
    "contains": "contains",
    "notContains": "without",
    "equals": "is",
    "notEqual": "not",
    "startsWith": "starts",
    "endsWith": "ends",
    "lessThan": "lt",
    "lessThanOrEqual": "le",
    "greaterThan": "gt",
    "greaterThanOrEqual": "ge",
    "inRange": "between",
    "blank": "empty",
    "notBlank": "filled",
    "true": "yes",
    "false": "no",
}
_LONG = {short: long for long, short in _SHORT.items()}


def filters_from(grid: page_queries.Grid, query: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The grid's filters from the address, e.g. `p_contaminated=ge:0.5`; what cannot be meant is left out."""
    filters: dict[str, dict[str, Any]] = {}
    for column in grid.columns:
        short, _, rest = str(query.get(column.name, "")).partition(":")
        kind = _LONG.get(short)
        if kind is None:
            continue
        if kind in ("blank", "notBlank", "true", "false"):
            filters[column.name] = {"filterType": column.kind, "type": kind}
        elif column.kind == "number":
            try:
                numbers = [float(part) for part in rest.split(":")]
            except ValueError:
                continue
            wanted: dict[str, Any] = {"filterType": "number", "type": kind, "filter": numbers[0]}
            if kind == "inRange" and len(numbers) == 2:
                wanted["filterTo"] = numbers[1]
            filters[column.name] = wanted
        elif column.kind == "timestamp":
            days = rest.split(":")
            filters[column.name] = {"filterType": "date", "type": kind, "dateFrom": days[0]}
            if kind == "inRange" and len(days) == 2:
                filters[column.name]["dateTo"] = days[1]
        else:
            filters[column.name] = {"filterType": "text", "type": kind, "filter": rest}
    return filters


def sort_from(grid: page_queries.Grid, query: dict[str, Any]) -> dict[str, str]:
    """Column -> asc or desc from the address, e.g. `sort=-drift_db` for falling."""
    wanted = str(query.get("sort", ""))
    name = wanted.lstrip("-")
    if name in {column.name for column in grid.columns}:
        return {name: "desc" if wanted.startswith("-") else "asc"}
    return {}
