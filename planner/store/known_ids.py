"""Ids that people type: whether there is such a row, and which ids they may have meant."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

import duckdb

from planner.store.database import has_rows

# What an id may name -> its table and key.
NAMED = {
    "circuit": ("circuits", "circuit_id"),
    "port": ("ports", "port_id"),
    "connector": ("connectors", "connector_id"),
    "inspection": ("inspections", "inspection_id"),
    "cable": ("cables", "cable_id"),
    "housing": ("housings", "housing_id"),
    "site": ("sites", "site_id"),
}
# How many of the ids that look most alike are compared closely.
_CANDIDATES = 200
# An id without case, separators and leading zeros: PORT-0000012 and port12 are alike.
_BARE = "regexp_replace(lower({}), '([^a-z0-9]+|[a-z]|^)0*', '\\1', 'g').regexp_replace('[^a-z0-9]', '', 'g')"


def is_known(con: duckdb.DuckDBPyConnection, kind: str, name: str) -> bool:
    """Whether there is a row of that kind (`circuit`, `port`, ...) with this id."""
    table, key = NAMED[kind]
    return con.execute(f"SELECT 1 FROM {table} WHERE {key} = ?", [name]).fetchone() is not None


def nearest_ids(con: duckdb.DuckDBPyConnection, kind: str, name: str, at_most: int = 3) -> list[str]:
    """Ids of that kind that look like the one given, the most alike first; empty if none does.

    If some differ in case, separators and leading zeros only, it is those.
    """
    table, key = NAMED[kind]
    bare = _BARE.format(key)
    alike = con.execute(
        f"SELECT {key} FROM {table} WHERE {bare} = {_BARE.format('?')} ORDER BY {key} LIMIT ?", [name, at_most]
    ).fetchall()
    if alike:
        return [str(row[0]) for row in alike]
    rows = con.execute(
        f"SELECT {key} FROM {table} ORDER BY jaro_winkler_similarity(lower({key}), lower(?)) DESC, {key} LIMIT ?",
        [name, _CANDIDATES],
    ).fetchall()
    lowered = {str(row[0]).lower(): str(row[0]) for row in reversed(rows)}
    return [lowered[each] for each in get_close_matches(name.lower(), list(lowered), n=at_most)]


def unknown_id(con: duckdb.DuckDBPyConnection, where: str, kinds: str | Sequence[str], name: str) -> str:
    """The message for an id that names nothing of the kinds asked for; says what it may have meant.

    Parameters
    ----------
    where
        The command, e.g. "trace".
    kinds
        What the id should name, from `NAMED`.
    name
        What was given.
    """
    asked = [kinds] if isinstance(kinds, str) else list(kinds)
    must = " or ".join(f"a {NAMED[kind][1]} of {NAMED[kind][0]}" for kind in asked)
    got = repr(name) if len(asked) > 1 else f"{asked[0]} {name!r}"
    text = f"{where}: got {got}, must be {must}".replace("a inspection", "an inspection")
    others = [kind for kind in NAMED if kind not in asked and is_known(con, kind, name)]
    if others:
        return f"{text}; {name} is a {others[0]}".replace("a inspection", "an inspection")
    tables = [NAMED[kind][0] for kind in asked]
    if not any(has_rows(con, table) for table in tables):
        return f"{text}; no {' or '.join(tables)} are loaded"
    near = [each for kind in asked for each in nearest_ids(con, kind, name)]
    if near:
        return f"{text}; did you mean {', '.join(near[:3])}?"
    return f"{text}; planner export {tables[0]} --out FILE lists them"
