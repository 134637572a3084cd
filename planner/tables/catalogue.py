"""Every table by name: the one place the rest of the planner asks what a table is."""

from __future__ import annotations

from planner.tables.intake_tables import INTAKE_TABLES
from planner.tables.result_tables import LEDGER_TABLES, RESULT_TABLES
from planner.tables.schema import Table

TABLES: dict[str, Table] = {table.name: table for table in INTAKE_TABLES + RESULT_TABLES + LEDGER_TABLES}

REQUIRED_TABLES: tuple[str, ...] = tuple(table.name for table in INTAKE_TABLES if table.required)

__all__ = ["INTAKE_TABLES", "LEDGER_TABLES", "REQUIRED_TABLES", "RESULT_TABLES", "TABLES"]
