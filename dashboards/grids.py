"""Rows for the large tables: one callback answers every grid, page by page."""

from __future__ import annotations

from typing import Any

import duckdb
import pandas as pd
from dash import MATCH, ClientsideFunction, Input, Output, State, no_update

from dashboards.components.words import counted
from dashboards.data import door
from planner.errors import ParameterError
from planner.store import page_queries

NOUNS = {
    "connectors": "end face",
    "circuits": "circuit",
    "audit": "contradiction",
    "findings": "finding",
}


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A frame as rows for the grid: unknown as null, times as text."""
    shown = frame.copy()
    for name in shown.columns:
        if pd.api.types.is_datetime64_any_dtype(shown[name]):
            shown[name] = shown[name].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        elif pd.api.types.is_float_dtype(shown[name]):
            shown[name] = shown[name].round(5)
    shown = shown.astype(object).where(shown.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in shown.to_dict("records")]


def answer(name: str, by: str, request: dict[str, Any]) -> tuple[dict[str, Any], str]:
    """The rows a grid asked for and the sentence above it.

    Raises
    ------
    ParameterError
        The grid, the order, a column or a filter is not known.
    """
    if name not in page_queries.GRIDS:
        raise ParameterError(f"got table {name!r}, must be one of {list(page_queries.GRIDS)}")
    grid = page_queries.GRIDS[name]
    filters = {str(column): dict(wanted) for column, wanted in (request.get("filterModel") or {}).items()}
    sort = [(str(each["colId"]), each.get("sort") != "desc") for each in request.get("sortModel") or []]
    start = int(request.get("startRow") or 0)
    end = min(int(request.get("endRow") or start + 100), start + page_queries.LARGEST_PAGE)
    here = door()
    total = here.count(grid, filters)
    frame = here.page(grid, start, end, by, sort, filters)
    if filters:
        everything = here.count(grid, {})
        words = f"{counted(total, NOUNS[name])} of {everything:,} pass the filters."
    else:
        words = f"{counted(total, NOUNS[name])}."
    return {"rowData": rows_of(frame), "rowCount": total}, words


def add_callbacks(app: Any) -> None:
    """Attach the rows, the address and the clear button to every grid."""

    def read_rows(request: dict[str, Any] | None, by: str, grid_id: dict[str, str]) -> tuple[Any, Any]:
        if request is None:
            return no_update, no_update
        try:
            return answer(grid_id["table"], by or "", request)
        except (ParameterError, duckdb.Error) as error:
            return {"rowData": [], "rowCount": 0}, str(error)

    app.callback(
        Output({"part": "grid", "table": MATCH}, "getRowsResponse"),
        Output({"part": "grid-count", "table": MATCH}, "children"),
        Input({"part": "grid", "table": MATCH}, "getRowsRequest"),
        State({"part": "grid-by", "table": MATCH}, "data"),
        State({"part": "grid", "table": MATCH}, "id"),
    )(read_rows)
    app.clientside_callback(
        ClientsideFunction("planner", "keepAddress"),
        Output({"part": "grid-count", "table": MATCH}, "title"),
        Input({"part": "grid", "table": MATCH}, "getRowsRequest"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("planner", "clearGrid"),
        Output({"part": "grid-clear", "table": MATCH}, "title"),
        Input({"part": "grid-clear", "table": MATCH}, "n_clicks"),
        State({"part": "grid-by", "table": MATCH}, "data"),
        prevent_initial_call=True,
    )
