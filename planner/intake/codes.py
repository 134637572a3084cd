"""Every kind of fault the intake can find: its code, what it means and what the planner does about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["blocking", "warning"]

KEPT_OUT = "row kept out, its text kept in quarantine"


@dataclass(frozen=True)
class FindingCode:
    """One kind of fault. `consequence` is one phrase on what the planner did."""

    code: str
    title: str
    severity: Severity
    consequence: str = KEPT_OUT


_ALL = (
    FindingCode("missing-value", "a required cell is empty", "blocking"),
    FindingCode("not-an-integer", "the cell is not a whole number", "blocking"),
    FindingCode("not-a-number", "the cell is not a finite decimal number", "blocking"),
    FindingCode("not-a-boolean", "the cell is neither true nor false", "blocking"),
    FindingCode("not-a-timestamp", "the cell is not an existing ISO 8601 time", "blocking"),
    FindingCode("not-a-date", "the cell is not an existing day written YYYY-MM-DD", "blocking"),
    FindingCode("not-a-time", "the cell is not a time of day written HH:MM", "blocking"),
    FindingCode("out-of-range", "the value lies outside the declared range", "blocking"),
    FindingCode("not-allowed", "the value is not one of the declared ones", "blocking"),
    FindingCode("control-character", "the text holds a control character", "blocking"),
    FindingCode("unknown-reference", "the row refers to something that is not there", "blocking"),
    FindingCode("parent-kept-out", "the row refers to a row of this load that was kept out", "blocking"),
    FindingCode("duplicate-key", "another row of the file bears the same key but differs", "blocking"),
    FindingCode("column-count", "the record has more or fewer cells than the header", "blocking"),
    FindingCode("broken-quote", "a quoted cell does not end as it should", "blocking"),
    FindingCode("record-too-long", "the record is longer than any row can be", "blocking"),
    FindingCode("not-utf-8", "the record holds bytes that are not text in the file's encoding", "blocking"),
    FindingCode("repeated-row", "the same row stands in the file more than once", "warning", "taken once"),
    FindingCode(
        "no-time-zone",
        "times without a zone",
        "warning",
        "read as UTC; declare timezone in mapping.toml if they are not",
    ),
    FindingCode("blanks-trimmed", "ids with blanks around them", "warning", "blanks removed"),
    FindingCode("not-filled-in", "rows of a result sheet with no time and no result", "warning", "taken as not done"),
    FindingCode("unknown-column", "the table has no such column", "warning", "column kept out"),
    FindingCode(
        "mapped-file-missing", "the mapping names a file or sheet that was not handed in", "warning", "not read"
    ),
    FindingCode("unknown-file", "the file belongs to no table", "warning", "file not read"),
    FindingCode("header-only", "the file has a header and no rows", "warning", "nothing to load"),
    FindingCode(
        "encoding-guessed",
        "the file is not UTF-8",
        "warning",
        "read in the encoding named; declare encoding in mapping.toml to settle it",
    ),
)

CODES: dict[str, FindingCode] = {code.code: code for code in _ALL}

# the code of a cell that cannot be read as its column's type
TYPE_CODES: dict[str, str] = {
    "integer": "not-an-integer",
    "number": "not-a-number",
    "boolean": "not-a-boolean",
    "timestamp": "not-a-timestamp",
    "date": "not-a-date",
    "time": "not-a-time",
}
