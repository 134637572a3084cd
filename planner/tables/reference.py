"""The table reference as Markdown, written from the declarations so that it cannot drift from them."""

from __future__ import annotations

from collections.abc import Iterable

from planner.tables.schema import Column, Table


def _limits(column: Column) -> str:
    parts = []
    if column.allowed:
        parts.append(", ".join(column.allowed))
    if column.low is not None and column.high is not None:
        parts.append(f"{column.low:g} to {column.high:g}")
    elif column.low is not None:
        parts.append(f">= {column.low:g}")
    elif column.high is not None:
        parts.append(f"<= {column.high:g}")
    if column.references:
        parts.append(f"in {column.references}")
    return "; ".join(parts)


def table_reference(tables: Iterable[Table]) -> str:
    """One section per table: meaning, then a row per column (type, unit, what it must be, meaning)."""
    lines: list[str] = []
    for table in tables:
        lines += [f"#### {table.name}", "", table.meaning, ""]
        lines += ["| column | type | unit | must be | meaning |", "|---|---|---|---|---|"]
        for column in table.columns:
            marks = ("*" if column.required else "") + (" (key)" if column.name in table.key else "")
            lines.append(
                f"| `{column.name}`{marks} | {column.type} | {column.unit} | {_limits(column)} | {column.meaning} |"
            )
        for rule in table.rules:
            lines.append("")
            lines.append(f"Rule `{rule.code}` ({rule.severity}): {rule.text}.")
        lines.append("")
    return "\n".join(lines)
