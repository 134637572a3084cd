"""Evidence lines: what moved the belief about an end face, in words and decibans that add up.

In come the moves of the log-odds by event (tracing), what calibration added, and the ids; out comes one frame
in the shape of `health_evidence`. For most end faces of a large fleet their events are one line; those most
probably not clean have theirs listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.health.contamination import History
from planner.health.episodes import CLEAN, DEMATE, LOOK, LOOK_AFTER, MATE, REPLACED, REPORT
from planner.health.learning import METHODS
from planner.health.tracing import Moves

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

LISTED = 7  # events of an end face that get a line of their own
SMALLEST = 0.3  # decibans
PRIOR = "what such end faces are like on this fleet"
SEEN = ("seen clean", "seen contaminated", "seen damaged", "failed its inspection")
CLOSED = ("an order on it closed without fault of it", "an order found it contaminated", "an order found it damaged")


def _words(moves: Moves, history: History, ids: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """What each move was, in words."""
    m = len(history.seconds)
    event = np.clip(moves.event, 0, max(m - 1, 0))
    if m == 0:
        return np.full(len(event), PRIOR, dtype=object)
    kind, acting, detail = history.kind[event], history.face[event], history.detail[event].astype(np.int64)
    own = acting == moves.face
    with_partner = moves.partner >= 0
    partner = np.where(with_partner, ids[np.maximum(moves.partner, 0)], "no other end face")
    actor = ids[acting]
    method = np.array(METHODS, dtype=object)[np.clip(detail, 0, len(METHODS) - 1)]
    method = np.char.replace(method.astype(str), "_", " ").astype(object)
    look = np.array(SEEN, dtype=object)[np.clip(detail, 0, 3)]
    closed = np.array(CLOSED, dtype=object)[np.clip(detail, 0, 2)]
    choices = [
        (moves.event < 0, np.full(len(event), PRIOR, dtype=object)),
        (moves.event >= m, np.full(len(event), "waiting since, without being looked at", dtype=object)),
        ((kind == DEMATE) & own, "opened: parted from " + partner),
        ((kind == DEMATE) & ~own & (acting == moves.partner), "opened: " + actor + " was taken off"),
        ((kind == MATE) & (own | (acting == moves.partner)), "mated with " + partner),
        ((kind == MATE), "parted from " + partner + ", and what that one showed later"),
        (((kind == LOOK) | (kind == LOOK_AFTER)) & own, look),
        (((kind == LOOK) | (kind == LOOK_AFTER)), actor + ", mated with it, was " + look),
        ((kind == CLEAN) & own, "cleaned with " + method),
        ((kind == CLEAN), actor + ", mated with it, was cleaned"),
        ((kind == REPORT) & own, closed),
        ((kind == REPORT), actor + ", mated with it: " + closed),
        ((kind == REPLACED), np.full(len(event), "replaced by a new one", dtype=object)),
    ]
    return np.asarray(np.select([c for c, _ in choices], [w for _, w in choices], default="its record"), dtype=object)


@dataclass(frozen=True)
class Told:
    """What the history says of every end face, shape (n,) each: log-odds of being not clean in decibans before it
    (`prior`) and after it (`after`), and how many events it is made of."""

    prior: Float64
    after: Float64
    events: npt.NDArray[np.int32]


def evidence_lines(
    moves: Moves,
    listed: npt.NDArray[np.bool_],
    told: Told,
    final: Float64,
    history: History,
    ids: npt.NDArray[np.object_],
) -> pd.DataFrame:
    """Lines for all end faces; `decibans` of one end face add up to `final`.

    Parameters
    ----------
    moves
        Moves of the log-odds by event of the listed end faces, prior included.
    listed
        End faces whose events are listed one by one, shape (n,); the others' are summed in one line.
    told
        What the history says of all end faces.
    final
        Log-odds of being not clean in decibans, shape (n,); what the history leaves missing came from calibration.
    history, ids
        The events and the ids of the end faces.
    """
    n, last = len(final), np.int64(len(history.seconds))
    size = np.abs(moves.decibans)
    order = np.lexsort((-size, moves.face))
    face = moves.face[order].astype(np.int64)
    is_prior = moves.event[order] < 0
    starts = np.flatnonzero(np.append(True, face[1:] != face[:-1])) if len(face) else np.empty(0, np.int64)
    counted = np.cumsum(~is_prior)
    before_face: Int64 = np.repeat(
        counted[starts] - (~is_prior[starts]).astype(np.int64), np.diff(np.append(starts, len(face)))
    )
    place = counted - before_face
    own_line = is_prior | ((place <= LISTED) & (size[order] >= SMALLEST))
    rows, rest = order[own_line], order[~own_line]
    rest_count = np.bincount(moves.face[rest], minlength=n)
    rest_sum = np.asarray(np.bincount(moves.face[rest], weights=moves.decibans[rest], minlength=n), np.float64)
    smaller = np.flatnonzero(rest_count > 0)
    others = np.flatnonzero(~listed)
    summed = others[told.events[others] > 0]
    parts: list[tuple[Int64, Any, Any, Float64]] = [
        (
            moves.face[rows].astype(np.int64),
            moves.event[rows],
            _words(Moves(moves.face[rows], moves.event[rows], moves.partner[rows], moves.decibans[rows]), history, ids),
            moves.decibans[rows],
        ),
        (
            smaller,
            last + 1,
            _counted(rest_count[smaller], " smaller events"),
            rest_sum[smaller],
        ),
        (others, -1, PRIOR, told.prior[others]),
        (
            summed,
            last + 1,
            _counted(told.events[summed], " events of its history"),
            told.after[summed] - told.prior[summed],
        ),
    ]
    so_far = np.zeros(n)
    for faces, _, _, decibans in parts:
        so_far += np.bincount(faces, weights=decibans, minlength=n)
    moved = np.flatnonzero(np.abs(final - so_far) > 1e-9)
    parts.append((moved, last + 2, "what looks on this fleet say of such predictions", (final - so_far)[moved]))
    face = np.concatenate([faces for faces, _, _, _ in parts])
    event = np.concatenate([np.broadcast_to(when, len(faces)) for faces, when, _, _ in parts])
    text = np.concatenate([np.broadcast_to(np.array(words, object), len(faces)) for faces, _, words, _ in parts])
    sizes = np.concatenate([decibans for _, _, _, decibans in parts])
    order = np.lexsort((event, face))
    face, event = face[order], event[order]
    starts = np.flatnonzero(np.append(True, face[1:] != face[:-1])) if len(face) else np.empty(0, np.int64)
    line = np.arange(len(face)) - np.repeat(starts, np.diff(np.append(starts, len(face)))) + 1
    dated = (event >= 0) & (event < last)
    seconds = np.full(len(event), np.iinfo(np.int64).min, np.int64)
    seconds[dated] = history.seconds[event[dated]] * 1_000_000_000
    return pd.DataFrame(
        {
            "connector_id": ids[face],
            "line": line,
            "evidence_at": seconds.view("datetime64[ns]"),
            "text": text[order],
            "decibans": sizes[order],
        }
    )


def _counted(number: npt.NDArray[np.integer[Any]], words: str) -> npt.NDArray[np.object_]:
    """Numbers with words after them; equal ones share one text."""
    values, which = np.unique(number, return_inverse=True)
    return np.array([f"{value}{words}" for value in values.tolist()], dtype=object)[which]
