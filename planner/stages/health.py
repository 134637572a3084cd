"""Step of the analysis: how probable it is, by its history, that each end face is contaminated or damaged.

In: the plant, mating events, inspections, cleanings, closed work orders. Out: `history_beliefs`,
`health_evidence`, `dirt_sources`, `learned_parameters`, `fleet_figures`. What light says is added when the
circuits are diagnosed (planner.stages.diagnose).

Beliefs are inferred from the whole history every time; the figures and the calibration they rest on are learned
once a week and looked up in `fleet_figures` on the other nights (planner.health.fleet_figures).
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.code_mark import code_mark
from planner.health.calibration import corrected, features
from planner.health.contamination import History, Inferred, Names, history_of, infer
from planner.health.episodes import LOOK, LOOK_AFTER, MATE
from planner.health.evidence import Told, evidence_lines
from planner.health.fleet_figures import (
    FleetFigures,
    as_document,
    fingerprint,
    from_document,
    learn_fleet,
    learning_date,
    lesson_of,
    rates_for,
)
from planner.health.learning import start_beliefs
from planner.health.parameters import parameter_rows
from planner.health.tracing import (
    AIR,
    DECIBANS,
    PARTNER,
    START,
    Arrivals,
    arrivals,
    chains,
    events_of,
    log_odds,
    moves,
)
from planner.progress import Progress
from planner.store import history_queries
from planner.store.database import has_rows, replace_result

LISTED_FACES = 20_000  # end faces whose evidence is listed event by event, those most probably not clean first
TRACED_FROM = 0.05  # source tracing of end faces that are dirty with at least this probability
SOURCE_FROM = 0.05
DAY = 86400


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Infer the state of every end face, with evidence, sources and what was learned."""
    progress(0.02, "reading the history")
    history, ids = read_history(con, now)
    names = history_queries.names(con)
    progress(0.15, "what the fleet has taught so far")
    figures = fleet_figures(con, history, names, now)
    progress(0.45, "inferring the state of every end face")
    inferred = infer(history, rates_for(figures, names))
    present = (inferred.coded.port_now >= 0) & (history.face_kind != 2)
    state = corrected(inferred.state, features(history, inferred), figures.calibration, present)
    progress(0.7, "evidence")
    write_evidence(con, history, inferred, state, ids)
    found = write_sources(con, history, inferred, state, ids)
    progress(0.85, "writing what is believed")
    rows = belief_rows(history, inferred, figures, state, found, ids)
    replace_result(con, "history_beliefs", rows.assign(**unassessed(con)))
    return note_of(con)


def unassessed(con: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """What a table that is not there leaves open of every end face: columns of `history_beliefs` to overwrite."""
    unknown: dict[str, Any] = {}
    if not has_rows(con, "mating_events"):
        unknown |= {"matings_since_good_look": pd.NA, "likely_source": None, "source_id": None}
    if not has_rows(con, "inspections"):
        unknown["basis"] = "priors alone: no inspections to learn from"
    return unknown


def fleet_figures(con: duckdb.DuckDBPyConnection, history: History, names: Names, now: datetime) -> FleetFigures:
    """The figures learned up to the learning date: those that are kept, else learned anew and kept."""
    lesson = lesson_of(history, names, seconds_of(learning_date(now)))
    mark = fingerprint(lesson, code_mark())
    kept = history_queries.kept_figures(con, mark)
    if kept is not None:
        return from_document(kept)
    figures, learned = learn_fleet(lesson)
    replace_result(con, "learned_parameters", parameter_rows(learned, lesson.names))
    until = datetime.fromtimestamp(lesson.past.end_at, UTC).replace(tzinfo=None)
    kept_row = {"fingerprint": [mark], "until_at": [until], "document": [as_document(figures)]}
    replace_result(con, "fleet_figures", pd.DataFrame(kept_row))
    return figures


def note_of(con: duckdb.DuckDBPyConnection) -> str:
    """What could not be assessed for want of a table."""
    needs = {
        "mating_events": "exposure and transfer",
        "inspections": "what was seen",
        "cleanings": "cleaning",
    }
    missing = [f"no {table} for {what}" for table, what in needs.items() if not has_rows(con, table)]
    return "not assessed: " + "; ".join(missing) if missing else ""


def seconds_of(moment: datetime) -> int:
    """Seconds since 1970 of a naive UTC moment."""
    return int(moment.replace(tzinfo=UTC).timestamp())


def read_history(con: duckdb.DuckDBPyConnection, now: datetime) -> tuple[History, npt.NDArray[np.object_]]:
    """The history up to `now` as arrays, and the ids of the end faces by number."""
    history_queries.make_indices(con)
    faces, ports = history_queries.faces(con), history_queries.ports(con)
    events = history_queries.events(con, now)
    return history_of(faces, ports, events, seconds_of(now)), faces["connector_id"].to_numpy(object)


def write_evidence(
    con: duckdb.DuckDBPyConnection,
    history: History,
    inferred: Inferred,
    state: npt.NDArray[np.float64],
    ids: npt.NDArray[np.object_],
) -> None:
    """Write the evidence lines of every end face."""
    n = history.faces
    not_clean = 1.0 - state[:, 0]
    listed = np.zeros(n, np.bool_)
    listed[np.argsort(-not_clean, kind="stable")[:LISTED_FACES]] = True
    start = 1.0 - start_beliefs(inferred.rates, inferred.coded.classes)[:, 0]
    moved = moves(inferred, chains(inferred, listed), start, listed)
    events = events_of(inferred.coded.operations, n)
    prior, after = log_odds(start) * DECIBANS, log_odds(1.0 - inferred.state[:, 0]) * DECIBANS
    told = Told(prior, np.where(events > 0, after, prior), events)
    lines = evidence_lines(moved, listed, told, log_odds(not_clean) * DECIBANS, history, ids)
    replace_result(con, "health_evidence", lines)


def write_sources(
    con: duckdb.DuckDBPyConnection,
    history: History,
    inferred: Inferred,
    state: npt.NDArray[np.float64],
    ids: npt.NDArray[np.object_],
) -> Arrivals:
    """Trace where dirt came from, and write who may have contaminated whom; returns the likeliest arrivals."""
    dirty = state[:, 1] + state[:, 3]
    found, likeliest = arrivals(inferred, dirty >= TRACED_FROM, SOURCE_FROM / np.maximum(dirty, SOURCE_FROM))
    probability = found.share * dirty[found.face]
    rows = np.flatnonzero((found.how == PARTNER) & (probability >= SOURCE_FROM))
    event = found.event[rows]
    met = (event >= 0) & (event < len(history.seconds))
    seconds = np.where(met, history.seconds[np.clip(event, 0, max(len(history.seconds) - 1, 0))], history.end_at)
    frame = pd.DataFrame(
        {
            "source_id": ids[found.partner[rows]],
            "connector_id": ids[found.face[rows]],
            "met_at": (seconds * 1_000_000_000).astype(np.int64).view("datetime64[ns]"),
            "probability": probability[rows],
        }
    ).sort_values(["source_id", "probability", "connector_id"], ascending=[True, False, True], ignore_index=True)
    replace_result(con, "dirt_sources", frame)
    return likeliest


def belief_rows(
    history: History,
    inferred: Inferred,
    figures: FleetFigures,
    state: npt.NDArray[np.float64],
    found: Arrivals,
    ids: npt.NDArray[np.object_],
) -> pd.DataFrame:
    """Rows of `history_beliefs`."""
    n = history.faces
    days, matings = since_good_look(history, inferred)
    words, source = source_words(history, found, n, ids)
    basis = (
        f"learned from {figures.events:,} events of this fleet"
        if figures.events >= 3 * figures.faces
        else f"mostly priors: {figures.events:,} events for {figures.faces:,} end faces"
    )
    return pd.DataFrame(
        {
            "connector_id": ids,
            "p_contaminated": np.clip(state[:, 1] + state[:, 3], 0.0, 1.0),
            "p_damaged": np.clip(state[:, 2] + state[:, 3], 0.0, 1.0),
            "p_not_clean": np.clip(1.0 - state[:, 0], 1e-6, 1.0 - 1e-6),
            "days_since_good_look": days,
            "matings_since_good_look": matings,
            "likely_source": words,
            "source_id": source,
            "basis": basis,
        }
    )


def since_good_look(history: History, inferred: Inferred) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Days since the last passed look (nan if none) and matings since, or all of them."""
    n, m = history.faces, len(history.seconds)
    good = np.flatnonzero(((history.kind == LOOK) | (history.kind == LOOK_AFTER)) & (history.detail == 0))
    last = np.full(n, -1, np.int64)
    last[history.face[good]] = good  # events are in time order: the last one stays
    days = (
        np.where(last >= 0, (history.end_at - history.seconds[np.maximum(last, 0)]) / DAY, np.nan)
        if m
        else np.full(n, np.nan)
    )
    mates = np.flatnonzero(history.kind == MATE)
    partner = inferred.coded.partner[mates]
    met = partner >= 0
    face = np.concatenate([history.face[mates], partner[met]])
    event = np.concatenate([mates, mates[met]])
    return days, np.bincount(face[event > last[face]], minlength=n)


def source_words(
    history: History, found: Arrivals, n: int, ids: npt.NDArray[np.object_]
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """Where the dirt most probably came from, in words, and the end face it came from."""
    words, source = np.full(n, None, dtype=object), np.full(n, None, dtype=object)
    face = found.face
    if len(face) == 0:
        return words, source
    event = np.clip(found.event, 0, max(len(history.seconds) - 1, 0))
    when = history.seconds[event] if len(history.seconds) else np.full(len(face), history.end_at)
    days, day = np.unique(when // DAY, return_inverse=True)
    dates = np.datetime_as_string(days.astype("datetime64[D]")).astype(object)
    percent = np.array([f" ({share} %)" for share in range(101)], dtype=object)
    share = np.rint(100 * found.share).astype(np.int64)
    how = found.how
    for kind, said in (
        (PARTNER, " at their mating on "),
        (AIR, "the air when it was opened on "),
        (START, "before the records begin"),
        (None, "rest or a poor cleaning about "),
    ):
        rows = np.flatnonzero(how == kind if kind is not None else ~np.isin(how, (PARTNER, AIR, START)))
        text = np.full(len(rows), said, dtype=object) if kind == START else said + dates[day[rows]]
        if kind == PARTNER:
            source[face[rows]] = ids[found.partner[rows]]
            text = source[face[rows]] + text
        words[face[rows]] = text + percent[share[rows]]
    return words, source
