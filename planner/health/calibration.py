"""Calibration on the fleet's own looks: predictions made at past dates against what was then seen.

At several past dates the beliefs are inferred from what was known then; the first look at each end face
after that date, with no mating or cleaning between, says how far they were right. A logistic correction is
fitted to that, with looks taken as noisy, shrunk towards leaving the beliefs as they are. Looks made because
something was wrong (alarm, complaint) are left out where the orders say so: they would make every end face
look worse than it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.health.contamination import History, Inferred, infer, learn_figures
from planner.health.episodes import CLEAN, LOOK, LOOK_AFTER, MATE
from planner.health.learning import FACE_KINDS

Bool = npt.NDArray[np.bool_]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

DAY = 86400
CUTS = (0.5, 0.62, 0.74, 0.86)  # shares of the history; figures are learned from what lies before the first
HORIZON_DAYS = 150
FEWEST_LOOKS = 60
SUREST_HIT = 0.92
EARLY_SHARE = 1.0 / 3.0
# Share kept of the fleet's mean log-odds that the history gives, where looks find more, and where they find less:
# looks are of chosen end faces, so they can overstate the level, hardly understate it. Our choice.
LEVEL_KEPT_IF_MORE, LEVEL_KEPT_IF_LESS = 2.0 / 3.0, 1.0 / 3.0
ROUNDS = 40
# What an end face is like counts the less, the more its own history speaks against it: by (1 - belief) to this power.
# Without that the correction took the worst end faces down among the many. Ours, chosen with simulated truth in view.
SILENCE = 8
FEATURES = (
    "belief",
    "belief squared",
    "matings since a look",
    "days since a look",
    "never looked at",
    "matings a year",
    "last look failed",
    "indoor air",
    "outdoor air",
    "built in",
    "never moved",
    "partner's belief",
    "days since a cleaning",
    "days since a mating",
    "cleanings",
    "looks",
    "looks that failed",
)
# Prior of the weights of standardised features: leave the belief as it is.
PRIOR_SD = np.array([0.4, 0.15, *[0.35] * (len(FEATURES) - 2)])
INTERCEPT_SD = 0.8


@dataclass(frozen=True)
class Calibration:
    """A fitted correction: intercept and weights over features centred and scaled by `centre`, `scale`.

    `looks` is how many looks it rests on; with too few it is the identity.
    """

    intercept: float
    weights: Float64
    centre: Float64
    scale: Float64
    looks: int


def _logit(p: Float64) -> Float64:
    p = np.clip(p, 1e-4, 1.0 - 1e-4)
    return np.asarray(np.log(p / (1.0 - p)))


def _expit(x: Float64) -> Float64:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -30.0, 30.0))))


def features(history: History, inferred: Inferred) -> Float64:
    """What the correction looks at, for every end face at the end of `history`; shape (n, features).

    All but the belief and its square are scaled by how silent the history is (`SILENCE`).
    """
    n, m = history.faces, len(history.seconds)
    belief = _logit(1.0 - inferred.state[:, 0])
    silent = np.clip(inferred.state[:, :1], 0.0, 1.0) ** SILENCE
    kind, face = history.kind, history.face
    partner = inferred.coded.partner
    mates = np.flatnonzero(kind == MATE)
    met = partner[mates] >= 0
    mated_face = np.concatenate([face[mates], partner[mates][met]])
    mated_event = np.concatenate([mates, mates[met]])
    looks = np.flatnonzero((kind == LOOK) | (kind == LOOK_AFTER))
    last_look = np.full(n, -1, np.int64)
    last_look[face[looks]] = looks
    seen = last_look >= 0
    start = int(history.seconds[0]) if m else history.end_at
    since = np.where(seen, history.seconds[np.maximum(last_look, 0)] if m else start, start)
    years = max((history.end_at - start) / DAY, 30.0) / 365.0
    after = np.bincount(mated_face[mated_event > last_look[mated_face]], minlength=n)
    failed = np.where(seen, history.detail[np.maximum(last_look, 0)] != 0 if m else False, False)
    port = np.where(inferred.coded.port_now >= 0, inferred.coded.port_now, history.start_port)
    at_port = port >= 0
    air = np.where(at_port, history.port_environment[np.maximum(port, 0)], 3)
    own = np.bincount(mated_face, minlength=n)
    moved = np.bincount(face[mates], minlength=n) > 0
    cleaned = np.flatnonzero(kind == CLEAN)
    bad = looks[history.detail[looks] != 0]
    last_mated, last_cleaned = np.full(n, start, np.int64), np.full(n, start, np.int64)
    if m:
        np.maximum.at(last_mated, mated_face, history.seconds[mated_event])
        np.maximum.at(last_cleaned, face[cleaned], history.seconds[cleaned])
    with_partner = inferred.coded.partner_now >= 0
    met_belief = np.where(with_partner, belief[np.maximum(inferred.coded.partner_now, 0)], belief)
    like = np.stack(
        [
            np.log1p(after),
            np.log1p((history.end_at - since) / DAY),
            ~seen,
            np.log1p(own / years),
            failed,
            air == 1,
            air == 2,
            history.face_kind == FACE_KINDS.index("built_in"),
            ~moved,
            met_belief,
            np.log1p((history.end_at - last_cleaned) / DAY),
            np.log1p((history.end_at - last_mated) / DAY),
            *(np.log1p(np.bincount(face[events], minlength=n)) for events in (cleaned, looks, bad)),
        ],
        axis=1,
    ).astype(np.float64)
    return np.concatenate([belief[:, None], np.square(belief + 2.0)[:, None], like * silent], axis=1)


def first_looks(history: History, after: int, until: int) -> tuple[Int64, Bool]:
    """The first look at each end face in a window, before anything else changed it; found not clean or not.

    Looks after a mating (in which it was the one that moved) or a cleaning of the end face in the window do not
    count, nor those on suspicion.
    Returns end faces and outcomes.
    """
    low, high = (int(np.searchsorted(history.seconds, moment, side="right")) for moment in (after, until))
    event = np.arange(low, high)
    kind, face = history.kind[low:high], history.face[low:high]
    n = history.faces
    none = np.int64(len(history.seconds))
    changed = np.full(n, none)
    changing = (kind == MATE) | (kind == CLEAN) | (kind == LOOK_AFTER)
    np.minimum.at(changed, face[changing], event[changing])
    looked = np.full(n, none)
    looking = kind == LOOK
    np.minimum.at(looked, face[looking], event[looking])
    faces = np.flatnonzero(looked < changed)
    first = looked[faces]
    unsuspected = ~history.suspected[first]
    faces, first = faces[unsuspected], first[unsuspected]
    return faces, history.detail[first] != 0


def opening_exposure(history: History, known: Inferred) -> Float64:
    """P(the opening for a look makes a clean end face dirty before it is looked at), shape (n,).

    A third of what a whole opening, from demating to mating, does: the look comes early in it (our estimate).
    """
    port = known.coded.port_now
    air = np.where(port >= 0, history.port_environment[np.maximum(port, 0)], 3).astype(np.int64)
    return np.asarray(EARLY_SHARE * known.rates.exposure[air * len(FACE_KINDS) + history.face_kind])


def calibrate(history: History, look: Float64) -> Calibration:
    """Fit the correction to looks after several past dates of the history.

    `look` is the learned P(outcome | state), shape (4, 3): it says how many findings are false alarms. What
    is borderline is found now and then and counts as half dirty: a hit is taken as at least `SUREST_HIT`.
    """
    identity = Calibration(0.0, np.eye(len(FEATURES))[0], np.zeros(len(FEATURES)), np.ones(len(FEATURES)), 0)
    m = len(history.seconds)
    if m == 0:
        return identity
    start, span = int(history.seconds[0]), history.end_at - int(history.seconds[0])
    cuts = [start + int(share * span) for share in CUTS]
    rows, found, chance = [], [], []
    false_alarm, hit = 1.0 - float(look[0, 0]), max(1.0 - float(look[1, 0]), SUREST_HIT)
    rates = learn_figures(history.until(cuts[0])).rates
    for cut, following in zip(cuts, [*cuts[1:], history.end_at], strict=True):
        past = history.until(cut)
        known = infer(past, rates, explain=False)
        faces, outcome = first_looks(history, cut, min(following, cut + HORIZON_DAYS * DAY))
        if len(faces) == 0:
            continue
        rows.append(features(past, known)[faces])
        found.append(outcome)
        exposure = opening_exposure(past, known)[faces]
        chance.append(false_alarm + exposure * (hit - false_alarm))
    looks = int(sum(len(part) for part in found))
    if looks < FEWEST_LOOKS:
        return identity
    return _fit(np.concatenate(rows), np.concatenate(found), np.concatenate(chance), hit)


def _fit(rows: Float64, found: Bool, false_alarm: Float64, hit: float) -> Calibration:
    """Logistic regression on noisy looks by EM: P(found) = false_alarm + (hit - false_alarm) P(not clean)."""
    centre, scale = rows.mean(axis=0), rows.std(axis=0)
    scale = np.where(scale > 1e-6, scale, 1.0)
    # the belief itself keeps its unit, so that weight 1 and intercept 0 mean "as it is"
    centre[0], scale[0] = 0.0, 1.0
    x = np.column_stack([np.ones(len(rows)), (rows - centre) / scale])
    prior_mean = np.zeros(x.shape[1])
    prior_mean[1] = 1.0
    precision = 1.0 / np.square(np.concatenate([[INTERCEPT_SD], PRIOR_SD]))
    weights = prior_mean.copy()
    for _ in range(ROUNDS):
        p = _expit(x @ weights)
        seen = false_alarm + (hit - false_alarm) * p
        dirty = np.where(found, hit * p / seen, (1.0 - hit) * p / (1.0 - seen))
        gradient = x.T @ (dirty - p) - precision * (weights - prior_mean)
        curvature = (x.T * (p * (1.0 - p))) @ x + np.diag(precision)
        step = np.linalg.solve(curvature, gradient)
        weights = weights + step
        if float(np.max(np.abs(step))) < 1e-5:
            break
    return Calibration(float(weights[0]), weights[1:], centre, scale, len(rows))


def corrected(state: Float64, rows: Float64, calibration: Calibration, present: Bool) -> Float64:
    """States with P(not clean) corrected, the mix of dirt and damage kept; shape (n, 4).

    The order and the spread are those of the fitted correction. The mean over the end faces that are
    `present` lies between that of the fit and that of the history (`LEVEL_KEPT_IF_MORE`, `LEVEL_KEPT_IF_LESS`):
    the rate of false alarms and the choice of what is looked at make the level that looks show uncertain.
    """
    if calibration.looks == 0 or not present.any():
        return state
    score = calibration.intercept + ((rows - calibration.centre) / calibration.scale) @ calibration.weights
    before = float(np.mean(1.0 - state[present, 0]))
    fitted = float(np.mean(_expit(score[present])))
    means = _logit(np.array([before, fitted]))
    kept = LEVEL_KEPT_IF_MORE if fitted > before else LEVEL_KEPT_IF_LESS
    wanted = float(_expit(np.array([kept * means[0] + (1.0 - kept) * means[1]]))[0])
    shift = 0.0
    for _ in range(30):  # Newton on the mean
        p = _expit(score[present] + shift)
        step = (wanted - float(p.mean())) / max(float((p * (1.0 - p)).mean()), 1e-9)
        shift += float(np.clip(step, -1.0, 1.0))
        if abs(step) < 1e-9:
            break
    p = np.clip(_expit(score + shift), 1e-4, 1.0 - 1e-4)
    bad = np.maximum(1.0 - state[:, :1], 1e-12)
    return np.concatenate([1.0 - p[:, None], state[:, 1:] / bad * p[:, None]], axis=1)
