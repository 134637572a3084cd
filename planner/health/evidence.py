"""Evidence lines: what moved the belief about an end face, in words and decibans that add up.

In come the moves of the log-odds by event (tracing), what light and calibration added, and the ids; out
comes one frame in the shape of `health_evidence`. For most end faces of a large fleet their events are one
line; those most probably not clean have theirs listed.
"""

from __future__ import annotations

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
SEEN = ("seen clean", "seen contaminated", "seen damaged", "failed its inspection")
CLOSED = ("an order on it closed without fault of it", "an order found it contaminated", "an order found it damaged")


def _words(moves: Moves, history: History, ids: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """What each move was, in words."""
    m = len(history.seconds)
    event = np.clip(moves.event, 0, max(m - 1, 0))
    if m == 0:
        return np.full(len(event), "what such end faces are like on this fleet", dtype=object)
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
        (moves.event < 0, np.full(len(event), "what such end faces are like on this fleet", dtype=object)),
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


def evidence_lines(
    moves: Moves,
    listed: npt.NDArray[np.bool_],
    final: Float64,
    from_light: Float64,
    history: History,
    ids: npt.NDArray[np.object_],
) -> pd.DataFrame:
    """Lines for all end faces that have moves; `decibans` of one end face add up to `final`.

    Parameters
    ----------
    moves
        Moves of the log-odds by event, prior included.
    listed
        End faces whose events are listed one by one, shape (n,); the others' are summed in one line.
    final
        Log-odds of being not clean in decibans, shape (n,).
    from_light
        What light on the circuits added, in decibans, shape (n,); what is then missing to `final` came from
        calibration.
    history, ids
        The events and the ids of the end faces.
    """
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
    own_line = is_prior | (listed[face] & (place <= LISTED) & (size[order] >= SMALLEST))
    rows = order[own_line]
    lines = pd.DataFrame(
        {
            "face": moves.face[rows].astype(np.int64),
            "event": moves.event[rows],
            "text": _words(
                Moves(moves.face[rows], moves.event[rows], moves.partner[rows], moves.decibans[rows]), history, ids
            ),
            "decibans": moves.decibans[rows],
        }
    )
    present = np.unique(face)
    rest = order[~own_line]
    n = len(final)
    rest_sum = np.bincount(moves.face[rest], weights=moves.decibans[rest], minlength=n)
    rest_count = np.bincount(moves.face[rest], minlength=n)
    some = present[rest_count[present] > 0]
    last = np.int64(len(history.seconds))
    summed = pd.DataFrame(
        {
            "face": some,
            "event": last + 1,
            "text": pd.Series(rest_count[some]).astype(str).to_numpy()
            + np.where(listed[some], " smaller events", " events of its history").astype(object),
            "decibans": rest_sum[some],
        }
    )
    lit = present[from_light[present] != 0.0]
    light = pd.DataFrame({"face": lit, "event": last + 2, "text": "light on its circuits", "decibans": from_light[lit]})
    everything = pd.concat([lines, summed, light], ignore_index=True)
    so_far = np.bincount(everything["face"], weights=everything["decibans"], minlength=n)
    remainder = final[present] - so_far[present]
    moved = np.abs(remainder) > 1e-9
    calibrated = pd.DataFrame(
        {
            "face": present[moved],
            "event": last + 3,
            "text": "what looks on this fleet say of such predictions",
            "decibans": remainder[moved],
        }
    )
    everything = pd.concat([everything, calibrated], ignore_index=True).sort_values(
        ["face", "event"], kind="stable", ignore_index=True
    )
    at = everything["event"].to_numpy()
    dated = (at >= 0) & (at < last)
    seconds = np.full(len(at), np.iinfo(np.int64).min, np.int64)
    seconds[dated] = history.seconds[at[dated]] * 1_000_000_000
    return pd.DataFrame(
        {
            "connector_id": ids[everything["face"].to_numpy()],
            "line": everything.groupby("face").cumcount().to_numpy() + 1,
            "evidence_at": seconds.view("datetime64[ns]"),
            "text": everything["text"].to_numpy(object),
            "decibans": everything["decibans"].to_numpy(np.float64),
        }
    )
