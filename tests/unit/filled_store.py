"""A database whose tables hold given rows, as they are: no check, no load."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pandas as pd

from planner.store.database import open_database
from planner.tables.catalogue import TABLES


def filled(path: Path | str, tables: dict[str, pd.DataFrame]) -> duckdb.DuckDBPyConnection:
    """A database with these rows in its intake tables."""
    con = open_database(path)
    for name, frame in tables.items():
        columns = ", ".join(f'"{column}"' for column in TABLES[name].column_names if column in frame)
        con.register("_rows", frame)
        con.execute(f"INSERT INTO {name} ({columns}) SELECT {columns} FROM _rows")
        con.unregister("_rows")
    return con
