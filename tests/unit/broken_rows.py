"""For every declared rule, rows that break it: a copy of a good row with one thing wrong."""

from __future__ import annotations

from dataclasses import dataclass

from tiny_fleet import Rows, full_fleet

from planner.intake.codes import TYPE_CODES
from planner.tables.catalogue import INTAKE_TABLES
from planner.tables.schema import Column, Table

# what the engine's own casts would let through, or nearly
NOT_OF_TYPE: dict[str, tuple[str, ...]] = {
    "integer": ("12.5", "0x1F", "1e3", "1_000", " 7 ", "seven", "1,000"),
    "number": ("NaN", "inf", "-Infinity", "1_000", "0x1F", " 7 ", "1,5", "1 000", "+-1", "ten"),
    "boolean": ("yes", "1", "t"),
    "timestamp": (
        "2031-02-30T00:00:00Z",
        "2031-04-05T24:00:00Z",
        "2031-04-05",
        "05.04.2031 06:07",
        "infinity",
        "2031-04-05T06:07:08+0",
        "2031-4-5T06:07:08Z",
    ),
    "date": ("2031-02-30", "2031-2-3", "03.02.2031", "2031-02-03T00:00:00Z", "infinity"),
    "time": ("24:00", "7:30", "07:60", "07:30:00", "noon"),
}


@dataclass(frozen=True)
class Broken:
    """A row, the column that is wrong with it ("" for a whole row) and the code it must yield."""

    table: Table
    column: str
    code: str
    row: dict[str, str]


def broken_rows() -> list[Broken]:
    """Every declared rule of every intake table with at least one row that breaks it."""
    fleet = full_fleet()
    found: list[Broken] = []
    for table in INTAKE_TABLES:
        for column in table.columns:
            found += _broken_cells(table, column, fleet[table.name])
        found += _broken_keys(table, fleet[table.name])
        for rule in table.rules:
            found += [Broken(table, "", rule.code, row) for row in RULE_BREAKERS[rule.code]]
    return found


def _renamed(table: Table, row: dict[str, str], suffix: str) -> dict[str, str]:
    """The row under a key of its own, where its key is not a reference."""
    renamed = dict(row)
    for name in table.key:
        column = table.column(name)
        if column.type == "text" and not column.references:
            renamed[name] = f"broken-{suffix}"
    return renamed


def _broken_cells(table: Table, column: Column, rows: Rows) -> list[Broken]:
    cells: list[tuple[str, str]] = []
    if column.required or column.name in table.key:
        cells.append(("", "missing-value"))
    if column.type in TYPE_CODES:
        cells += [(text, TYPE_CODES[column.type]) for text in NOT_OF_TYPE[column.type]]
    if column.low is not None:
        cells.append((f"{column.low - 1:g}", "out-of-range"))
    if column.high is not None:
        cells.append((f"{column.high + 1:g}", "out-of-range"))
    if column.allowed:
        cells.append(("nonsense", "not-allowed"))
        cells.append((column.allowed[0].swapcase(), "not-allowed"))
    if column.allowed and column.type == "list":
        cells.append((f"{column.allowed[0]};nonsense", "not-allowed"))
        cells.append((f"{column.allowed[0]};;{column.allowed[1]}", "not-allowed"))
    if column.references:
        cells.append(("nowhere", "unknown-reference"))
    elif column.type in ("text", "list") and not column.allowed:
        cells.append(("a\x07b", "control-character"))
    base = rows[0]
    return [
        Broken(table, column.name, code, {**_renamed(table, base, f"{column.name}-{number}"), column.name: text})
        for number, (text, code) in enumerate(cells)
    ]


def _broken_keys(table: Table, rows: Rows) -> list[Broken]:
    if not table.key:
        return []
    return [Broken(table, ", ".join(table.key), "duplicate-key", {**rows[0], **_second_values(table, rows[0])})]


def _second_values(table: Table, row: dict[str, str]) -> dict[str, str]:
    """Another legal value of a column outside the key."""
    for column in table.columns:
        now = row.get(column.name, "")
        if column.name in table.key:
            continue
        if now and not column.required:
            return {column.name: ""}
        if column.allowed and column.type == "text":
            return {column.name: next(value for value in column.allowed if value != now)}
    return {"minutes": "36"}  # travel_times, if it had no optional column


_CONNECTOR = {"fibre_count": "1", "family": "LC", "polish": "UPC"}
_SPLICE = {
    "cable_a_id": "K1",
    "end_a": "A",
    "fibre_a": "7",
    "cable_b_id": "K2",
    "end_b": "A",
    "fibre_b": "7",
}
_SITE = {"kind": "hut", "latitude": "1", "longitude": "1"}
RULE_BREAKERS: dict[str, Rows] = {
    "unknown-time-zone": [
        {"site_id": "S-lissabon", **_SITE, "timezone": "Europe/Lissabon"},
        {"site_id": "S-summer", **_SITE, "timezone": "PST"},
        {"site_id": "S-offset", **_SITE, "timezone": "+01:00"},
    ],
    "site-missing": [{"housing_id": "H-broken", "site_id": "", "kind": "panel"}],
    "fibres-of-family": [
        {
            "port_id": "P-broken",
            "housing_id": "H1",
            "family": "LC",
            "polish": "UPC",
            "mode": "SM",
            "fibre_count": "2",
            "role": "patch",
        }
    ],
    "cable-or-port": [
        {"connector_id": "C-neither", **_CONNECTOR},
        {"connector_id": "C-both", **_CONNECTOR, "cable_id": "K1", "cable_end": "A", "fixed_port_id": "P1"},
    ],
    "cable-end-missing": [{"connector_id": "C-no-end", **_CONNECTOR, "cable_id": "K1"}],
    "fibres-beyond-cable": [
        {"connector_id": "C-wide", **_CONNECTOR, "cable_id": "K1", "cable_end": "A", "first_fibre": "2"}
    ],
    "one-connector-per-port-face": [{"connector_id": "C3", "port_id": "P1", "face": "front"}],
    "fixed-connector-patched": [{"connector_id": "F1", "port_id": "P3", "face": "rear"}],
    "fibre-a-spliced-twice": [{"splice_id": "L-twice-a", **_SPLICE, "end_a": "B", "fibre_a": "1"}],
    "fibre-b-spliced-twice": [{"splice_id": "L-twice-b", **_SPLICE, "end_b": "B", "fibre_b": "1"}],
    "port-on-two-legs": [{"splitter_id": "H9", "leg": "0", "port_id": "P3"}],
    "closed-before-opened": [
        {"work_order_id": "O-back", "opened_at": "2030-04-01T08:00:00Z", "closed_at": "2030-04-01T07:59:59Z"}
    ],
}
