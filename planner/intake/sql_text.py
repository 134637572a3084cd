"""Names and values written safely into SQL text."""

from __future__ import annotations


def quoted(name: str) -> str:
    """A column or table name quoted for SQL (`at` and `table` are reserved words of the engine).

    Examples
    --------
    >>> quoted("at")
    '"at"'
    """
    return '"' + name.replace('"', '""') + '"'


def literal(value: str) -> str:
    """A text value as an SQL literal.

    Examples
    --------
    >>> literal("it's")
    "'it''s'"
    """
    return "'" + value.replace("'", "''") + "'"
