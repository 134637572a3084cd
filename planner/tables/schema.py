"""The vocabulary in which tables are declared: Column, Rule, Table.

Nothing here knows a particular table; `planner.tables.catalogue` holds the declarations.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

ColumnType = Literal["text", "integer", "number", "boolean", "timestamp", "date", "time", "list"]

SQL_TYPES: dict[str, str] = {
    "text": "VARCHAR",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "boolean": "BOOLEAN",
    "timestamp": "TIMESTAMP",  # always UTC
    "date": "DATE",
    "time": "VARCHAR",  # HH:MM, local to the site
    "list": "VARCHAR",  # parts separated by ;
}


@dataclass(frozen=True)
class Column:
    """One column: its type, what it must satisfy and what it means.

    `low` and `high` are inclusive. `allowed` restricts the value, or each part of a list.
    `references` is "table.column". `unit` is for people; the name carries it too.
    """

    name: str
    type: ColumnType
    meaning: str
    required: bool = False
    unit: str = ""
    low: float | None = None
    high: float | None = None
    allowed: tuple[str, ...] = ()
    references: str = ""

    @property
    def sql_type(self) -> str:
        """The DuckDB type the column is stored as."""
        return SQL_TYPES[self.type]


@dataclass(frozen=True)
class Rule:
    """A condition over a whole row or over several rows.

    `condition` is SQL that is true for a good row, over typed columns of the table (alias `r`); it must be
    true for unknown values. `unique` names columns that may not repeat together (and `condition` is empty).
    `needs` names tables that the condition looks up as "table" (store and batch together).
    A rule is blocking (the row is kept out) unless `severity` says "warning" (row kept, finding written).
    """

    code: str
    text: str
    condition: str = ""
    unique: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    severity: Literal["blocking", "warning"] = "blocking"


@dataclass(frozen=True)
class Table:
    """One table: name, columns in order, key, rules and what a row stands for."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    rules: tuple[Rule, ...] = ()
    kind: Literal["intake", "result", "ledger"] = "intake"
    required: bool = False
    time_column: str = ""
    _by_name: dict[str, Column] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_name", {column.name: column for column in self.columns})

    def column(self, name: str) -> Column:
        """The declared column of that name; KeyError if there is none."""
        return self._by_name[name]

    def has(self, name: str) -> bool:
        """Whether a column of that name is declared."""
        return name in self._by_name

    @property
    def column_names(self) -> tuple[str, ...]:
        """Column names in declared order."""
        return tuple(column.name for column in self.columns)
