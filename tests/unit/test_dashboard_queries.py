"""Large tables read page by page: order, filters, and what is refused."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import dashboard_fleet
import duckdb
import numpy as np
import pandas as pd
import pytest

from planner.errors import ParameterError
from planner.store import page_queries
from planner.store.database import open_database, replace_result, transaction
from planner.tables.catalogue import TABLES

GRID = page_queries.CONNECTOR_GRID
ROWS = 1200


@pytest.fixture(scope="module")
def ranked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[duckdb.DuckDBPyConnection, pd.DataFrame]]:
    """A ranking of 1,200 end faces with ties and unknown values, and the same as a frame."""
    rng = np.random.default_rng(11)
    frame = pd.DataFrame(dict.fromkeys(TABLES["ranking"].column_names), index=range(ROWS))
    frame["connector_id"] = [f"C-{number:05d}" for number in range(ROWS)]
    frame["site_id"] = [f"S-{number}" for number in rng.integers(0, 20, ROWS)]
    frame["p_contaminated"] = np.where(rng.random(ROWS) < 0.1, np.nan, rng.random(ROWS).round(2))
    frame["benefit"] = rng.normal(0, 100, ROWS)
    frame["benefit_rank"] = frame["benefit"].rank(ascending=False, method="first").astype(int)
    frame["classic_rank"] = rng.permutation(ROWS) + 1
    frame["probability_rank"] = 1
    frame["reasons"] = ["has 100 % and a_b" if number % 7 == 0 else "plain" for number in range(ROWS)]
    path = tmp_path_factory.mktemp("ranked") / "ranked.duckdb"
    con = open_database(path)
    with transaction(con):
        replace_result(con, "ranking", frame)
    con.close()
    opened = page_queries.open_for_pages(path)
    yield page_queries.page_cursor(opened), frame
    opened.close()


def page(con: duckdb.DuckDBPyConnection, start: int, end: int, **how: Any) -> list[str]:
    """Ids of the rows of one page."""
    return list(page_queries.page_of(con, GRID, start, end, **how)["connector_id"])


@pytest.mark.parametrize("by", ["benefit", "classic"])
@pytest.mark.parametrize("start", [0, 100, 1150])
def test_pages_follow_the_stored_rank(ranked: Any, by: str, start: int) -> None:
    """Reading by rank and counting off the sorted rows give the same page at any depth."""
    con, frame = ranked
    wanted = list(frame.sort_values(f"{by}_rank")["connector_id"])[start : start + 50]
    assert page_queries.rank_is_dense(con, GRID, by)
    assert page(con, start, start + 50, by=by, dense=True) == wanted
    assert page(con, start, start + 50, by=by, dense=False) == wanted


def test_a_rank_with_ties_is_not_read_by_rank(ranked: Any) -> None:
    """A stored rank that repeats is noticed."""
    assert not page_queries.rank_is_dense(ranked[0], GRID, "probability")


@pytest.mark.parametrize("ascending", [True, False])
def test_sorting_is_total_and_puts_unknown_last(ranked: Any, ascending: bool) -> None:
    """All pages together hold each row once, in order, unknown values last."""
    con, frame = ranked
    read = [
        name
        for start in range(0, ROWS, 400)
        for name in page(con, start, start + 400, sort=[("p_contaminated", ascending)])
    ]
    wanted = frame.sort_values(["p_contaminated", "connector_id"], ascending=[ascending, True], na_position="last")
    assert read == list(wanted["connector_id"])


FILTERS: list[tuple[dict[str, dict[str, Any]], Any]] = [
    ({"site_id": {"type": "equals", "filter": "s-3"}}, lambda f: f["site_id"] == "S-3"),
    ({"reasons": {"type": "contains", "filter": "100 %"}}, lambda f: f["reasons"].str.contains("100 %")),
    ({"reasons": {"type": "contains", "filter": "a%b"}}, lambda f: f["reasons"].str.contains("a%b")),
    ({"reasons": {"type": "startsWith", "filter": "has"}}, lambda f: f["reasons"].str.startswith("has")),
    ({"p_contaminated": {"type": "greaterThanOrEqual", "filter": 0.5}}, lambda f: f["p_contaminated"] >= 0.5),
    (
        {"p_contaminated": {"type": "inRange", "filter": 0.2, "filterTo": 0.4}},
        lambda f: f["p_contaminated"].between(0.2, 0.4),
    ),
    ({"p_contaminated": {"type": "blank"}}, lambda f: f["p_contaminated"].isna()),
    (
        {"site_id": {"type": "notEqual", "filter": "S-3"}, "benefit": {"type": "lessThan", "filter": 0}},
        lambda f: (f["site_id"] != "S-3") & (f["benefit"] < 0),
    ),
    ({"state": {"type": "equals", "filter": "unknown"}}, lambda f: f["site_id"].notna()),
    ({"last_cleaned_at": {"type": "greaterThan", "dateFrom": "2031-01-01"}}, lambda f: f["site_id"].isna()),
]


@pytest.mark.parametrize(("filters", "wanted"), FILTERS, ids=lambda value: str(value)[:40])
def test_filters_keep_what_they_say(ranked: Any, filters: dict[str, dict[str, Any]], wanted: Any) -> None:
    """A filter keeps the rows pandas keeps, takes text as text, and the count agrees."""
    con, frame = ranked
    kept = frame[wanted(frame)].sort_values("benefit_rank")
    assert page_queries.count_of(con, GRID, filters) == len(kept)
    assert page(con, 0, 200, by="benefit", filters=filters) == list(kept["connector_id"])[:200]


@pytest.mark.parametrize(
    "how",
    [
        {"sort": [("connector_id; DROP TABLE ranking", True)]},
        {"filters": {"no_such_column": {"type": "equals", "filter": "x"}}},
        {"filters": {"site_id": {"type": "regexp", "filter": "x"}}},
        {"filters": {"p_contaminated": {"type": "greaterThan", "filter": "0.5 OR 1=1"}}},
        {"filters": {"last_cleaned_at": {"type": "equals", "dateFrom": "yesterday"}}},
        {"by": "alphabet"},
    ],
)
def test_what_cannot_be_meant_is_refused(ranked: Any, how: dict[str, Any]) -> None:
    """Unknown columns, orders, kinds of filter and values are refused with what they got."""
    with pytest.raises(ParameterError, match="got"):
        page_queries.page_of(ranked[0], GRID, 0, 10, **how)


@pytest.mark.parametrize(("start", "end"), [(0, 100_000), (-5, 10), (10, 10)])
def test_pages_are_bounded(ranked: Any, start: int, end: int) -> None:
    """No request can ask for the whole table."""
    with pytest.raises(ParameterError, match="at most"):
        page_queries.page_of(ranked[0], GRID, start, end)


def test_every_grid_reads_all_its_columns(tmp_path: Path) -> None:
    """Each declared column of each large table sorts, filters and reads on the small fleet."""
    opened = page_queries.open_for_pages(dashboard_fleet.build(tmp_path / "small.duckdb"))
    con = page_queries.page_cursor(opened)
    for grid in page_queries.GRIDS.values():
        frame = page_queries.page_of(con, grid, 0, 50)
        assert list(frame.columns) == [column.name for column in grid.columns]
        assert len(frame) == page_queries.count_of(con, grid, {}) > 0
        for column in grid.columns:
            filters = {column.name: {"type": "notBlank"}}
            rows = page_queries.page_of(con, grid, 0, 50, sort=[(column.name, False)], filters=filters)
            assert len(rows) == page_queries.count_of(con, grid, filters)
    opened.close()


def test_rows_of_a_second_analysis_keep_their_state_and_place(tmp_path: Path) -> None:
    """A ranking that was written anew has other row numbers: the page still finds each row's state and end face."""
    path = dashboard_fleet.build(tmp_path / "small.duckdb")
    con = open_database(path)
    frame = con.execute("SELECT * FROM ranking").df()
    for _ in range(2):  # the rows written first keep their numbers until the file is packed
        with transaction(con):
            replace_result(con, "ranking", frame)
    assert con.execute("SELECT min(rowid) > 0 FROM ranking").fetchone() == (True,)
    con.close()
    opened = page_queries.open_for_pages(path)
    rows = page_queries.page_of(page_queries.page_cursor(opened), GRID, 0, 50, by="benefit")
    opened.close()
    assert rows["state"].notna().all() and rows["family"].notna().all()
    assert rows.set_index("connector_id")["state"]["C-4"] == "act"
