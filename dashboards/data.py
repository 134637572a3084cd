"""The dashboard's only door to the store: read-only, one cursor per thread, answers kept per state of the data.

In: a database file, or a folder of published snapshots of which the newest is read (a newer one is picked up
without a restart). Out: what the functions of `planner.store.page_queries` return. Frames that come from
here are shared between requests: pages must not change them.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar, cast

import duckdb
import pandas as pd
from flask import current_app

from planner.errors import StoreError
from planner.store import page_queries, snapshots

Answer = TypeVar("Answer")

# Answers kept; the oldest used is forgotten first.
KEPT_ANSWERS = 400
# How often a folder of snapshots is looked at for a newer one. [s]
LOOK_EVERY_S = 2.0


class Door:
    """Reads one state of the data at a time and remembers its answers.

    Parameters
    ----------
    source
        A database file, or a folder of published snapshots.

    Raises
    ------
    StoreError
        There is no database there, or it cannot be opened for reading.
    """

    def __init__(self, source: Path) -> None:
        self._source = source
        self._lock = threading.Lock()
        self._cursors = threading.local()
        self._answers: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self._looked_at = 0.0
        self._path = Path()
        self._con: duckdb.DuckDBPyConnection | None = None
        self.generation = 0
        self._look()

    def _newest(self) -> Path:
        if not self._source.is_dir():
            return self._source
        newest = snapshots.newest(self._source)
        if newest is None:
            raise StoreError(f"{self._source}: holds no published snapshot; publish one with: planner serve --db FILE")
        return newest

    def _look(self) -> None:
        """Open the newest state of the data if it is not the one that is open."""
        with self._lock:
            if self._con is not None and time.monotonic() - self._looked_at < LOOK_EVERY_S:
                return
            path = self._newest()
            if path != self._path:
                self._con = page_queries.open_for_pages(path)
                self._path = path
                self._answers.clear()
                self.generation += 1
            self._looked_at = time.monotonic()

    def cursor(self) -> duckdb.DuckDBPyConnection:
        """This thread's cursor on the newest state of the data."""
        self._look()
        if getattr(self._cursors, "generation", -1) != self.generation:
            self._cursors.cursor = page_queries.page_cursor(cast(duckdb.DuckDBPyConnection, self._con))
            self._cursors.generation = self.generation
        return cast(duckdb.DuckDBPyConnection, self._cursors.cursor)

    def ask(self, question: Callable[..., Answer], *values: Any) -> Answer:
        """The answer of a query function for these values, from memory if it was asked before."""
        cursor = self.cursor()
        key = (self.generation, question.__name__, *values)
        with self._lock:
            if key in self._answers:
                self._answers.move_to_end(key)
                return cast(Answer, self._answers[key])
        answer = question(cursor, *values)
        with self._lock:
            self._answers[key] = answer
            while len(self._answers) > KEPT_ANSWERS:
                self._answers.popitem(last=False)
        return answer

    def count(self, grid: page_queries.Grid, filters: Mapping[str, Mapping[str, Any]]) -> int:
        """Rows of a large table that pass the filters."""

        def rows(con: duckdb.DuckDBPyConnection, name: str, _: object) -> int:
            return page_queries.count_of(con, page_queries.GRIDS[name], filters)

        rows.__name__ = "row_count"
        return self.ask(rows, grid.name, _frozen(filters))

    def page(
        self,
        grid: page_queries.Grid,
        start: int,
        end: int,
        by: str,
        sort: Sequence[tuple[str, bool]],
        filters: Mapping[str, Mapping[str, Any]],
    ) -> pd.DataFrame:
        """Rows of one page of a large table; pages that many ask for are remembered."""
        dense = bool(by) and self.rank_is_dense(grid, by)

        def rows(con: duckdb.DuckDBPyConnection, name: str, *_: object) -> pd.DataFrame:
            return page_queries.page_of(
                con, page_queries.GRIDS[name], start, end, by=by, dense=dense, sort=sort, filters=filters
            )

        rows.__name__ = "page_rows"
        return self.ask(rows, grid.name, start, end, by, tuple(sort), _frozen(filters))

    def rank_is_dense(self, grid: page_queries.Grid, by: str) -> bool:
        """Whether pages of that order can go by the stored rank alone."""

        def is_dense(con: duckdb.DuckDBPyConnection, name: str, order: str) -> bool:
            return page_queries.rank_is_dense(con, page_queries.GRIDS[name], order)

        return self.ask(is_dense, grid.name, by)


def _frozen(filters: Mapping[str, Mapping[str, Any]]) -> tuple[Any, ...]:
    return tuple(sorted((name, repr(sorted(wanted.items()))) for name, wanted in filters.items()))


def door() -> Door:
    """The door of the dashboard that is answering now."""
    return cast(Door, current_app.extensions["planner_door"])


def ask(question: Callable[..., Answer], *values: Any) -> Answer:
    """The answer of a query function, from the dashboard that is answering now."""
    return door().ask(question, *values)
