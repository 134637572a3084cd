"""What light lost on circuits says of the end faces on their paths.

Few dirty end faces cost light, and a circuit that lost light has many end faces: each circuit's excess loss
is weighed between "none of them", "another cause" and "this one", by what the history says of each end face
and by whether it was touched on the day the loss began; circuits that share end faces are weighed together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

# Laws of loss (assumptions): lognormal with these medians [dB] and log-standard deviations.
COSTING_MEDIAN_DB, COSTING_LOG_SD = 0.35, 0.8
OTHER_MEDIAN_DB, OTHER_LOG_SD = 0.6, 0.9
OTHER_PRIOR = 0.02  # share of circuits that lost light for a reason that is no end face
OFFSET_DB, LEAST_OFFSET_DB, MOST_OFFSET_DB = 0.06, 0.03, 0.30  # each remating redraws the loss of its pair by this
OFFSET_CIRCUITS = 50  # fewest from which it is learned
MOST_TOUCHES = 6.0
FLOOR_DB = 0.03
TAIL_FREEDOM = 4.0  # of the noise: outliers happen
# Share of end faces that cost light: clean, contaminated, damaged, both; the second is learned.
COSTING_SHARE = np.array([0.0, 0.20, 0.30, 0.44])
SHARE_STRENGTH = 100.0
TOUCHED_SHARE = 0.85  # of losses by end faces that begin on a day the end face was touched
MOST_ALIGNMENT = 30.0
BACKGROUND_TOUCHES = 0.25  # losses that begin on no recorded touch, in touches; before the record counts as one
MOST_EVIDENCE = 8.0  # natural log: many circuits that share a fault must not prove an end face
ROUNDS = 4
GRID = np.exp(np.linspace(np.log(0.03), np.log(12.0), 48))


@dataclass(frozen=True)
class CircuitLight:
    """Excess loss of each measured circuit, shape (c,) each.

    `excess_db` against its own baseline (positive is worse), `sd_db` its uncertainty, `onset_day` the day
    (since 1970) a significant step began, -1 if none, `touches` rematings since the baseline, `days` length
    of the record. `standing_db`, `standing_sd_db`: loss that stood before the first reading
    (`planner.health.standing_loss`), NaN where not known.
    """

    excess_db: Float64
    sd_db: Float64
    onset_day: Int64
    touches: Float64
    days: Float64
    standing_db: Float64
    standing_sd_db: Float64


@dataclass(frozen=True)
class LightEvidence:
    """What light says of each end face, shape (n,) or (n, 4).

    `likelihood` (n, 4): P(light | state), up to a factor; ones where nothing was measured. `costs`: the
    probability that the end face costs light now. `size_db`: how much, nan where nothing was measured.
    `share` (4,): the learned share of end faces that cost light, by state.
    """

    likelihood: Float64
    costs: Float64
    size_db: Float64
    share: Float64


def _density(excess: Float64, sd: Float64) -> Float64:
    """Student's t density of the excess about nothing, scaled by sd."""
    from math import gamma, pi, sqrt

    v = TAIL_FREEDOM
    constant = gamma((v + 1) / 2) / (gamma(v / 2) * sqrt(v * pi))
    return np.asarray(constant / sd * (1.0 + (excess / sd) ** 2 / v) ** (-(v + 1) / 2))


def _lossy_density(excess: Float64, sd: Float64, median: float, log_sd: float) -> Float64:
    """Density of the excess when a loss with a lognormal law adds to the noise, on a fixed grid."""
    weight = np.exp(-0.5 * ((np.log(GRID) - np.log(median)) / log_sd) ** 2)
    weight /= weight.sum()
    out = np.zeros(len(excess))
    for size, share in zip(GRID, weight, strict=True):
        out += share * _density(excess - size, sd)
    return out


def _lossy_ratio(excess: Float64, sd: Float64) -> Float64:
    """Likelihood ratio of an excess when an end face costs light, against nothing or another cause."""
    quiet = (1.0 - OTHER_PRIOR) * _density(excess, sd) + OTHER_PRIOR * _lossy_density(
        excess, sd, OTHER_MEDIAN_DB, OTHER_LOG_SD
    )
    return _lossy_density(excess, sd, COSTING_MEDIAN_DB, COSTING_LOG_SD) / quiet


def touched_on(
    face: Int64, day: Int64, touch_face: Int64, touch_day: Int64, slack: int = 1
) -> tuple[npt.NDArray[np.bool_], Int64]:
    """Whether each (face, day) was touched within `slack` days, and on how many days each face was at all.

    `touch_face`, `touch_day` list all touches, in any order. Returns arrays of the shape of `face`.
    """
    span = np.int64(1_000_000)
    keys = np.unique(touch_face * span + touch_day)
    low = np.searchsorted(keys, face * span + day - slack, side="left")
    high = np.searchsorted(keys, face * span + day + slack, side="right")
    every = np.searchsorted(keys, (face + 1) * span, side="left") - np.searchsorted(keys, face * span, side="left")
    return high > low, every


def remating_offset_db(light: CircuitLight) -> float:
    """By how much one remating redraws the loss of its pair, from the spread of touched circuits. [dB]

    Most touched circuits carry no dirt that costs light: their median absolute excess, less the noise, over
    the square root of the touches. The usual figure where few circuits were touched.
    """
    touched = (light.touches > 0) & (light.touches <= MOST_TOUCHES)
    if int(touched.sum()) < OFFSET_CIRCUITS:
        return OFFSET_DB
    spread = np.square(1.4826 * np.abs(light.excess_db[touched])) - np.square(light.sd_db[touched])
    per_touch = float(np.median(spread / light.touches[touched]))
    return float(np.clip(np.sqrt(max(per_touch, 0.0)), LEAST_OFFSET_DB, MOST_OFFSET_DB))


def weigh(
    state: Float64,
    circuit: Int64,
    face: Int64,
    light: CircuitLight,
    touched: npt.NDArray[np.bool_],
    touch_days: Int64,
) -> LightEvidence:
    """Weigh the excess loss of circuits between their end faces.

    Parameters
    ----------
    state
        P(state) of each end face from the history, shape (n, 4).
    circuit, face
        Entries (measured circuit, end face on its path), shape (k,).
    light
        What each circuit lost, shape (c,).
    touched, touch_days
        For each entry whether the end face was touched when the loss began, and on how many days at all.
    """
    n, circuits = len(state), len(light.excess_db)
    share = COSTING_SHARE.copy()
    if circuits == 0 or len(circuit) == 0:
        return LightEvidence(np.ones((n, 4)), state @ share, np.full(n, np.nan), share)
    offset = remating_offset_db(light)
    sd = np.sqrt(light.sd_db**2 + FLOOR_DB**2 + offset**2 * np.minimum(light.touches, MOST_TOUCHES))
    lossy = _lossy_ratio(light.excess_db, sd)
    by_chance = light.days[circuit] / np.maximum(touch_days, 1)
    alignment = np.where(
        light.onset_day[circuit] < 0,
        1.0,
        np.where(
            touched,
            np.minimum(TOUCHED_SHARE * by_chance / 3.0, MOST_ALIGNMENT) + 1.0 - TOUCHED_SHARE,
            1.0 - TOUCHED_SHARE,
        ),
    )
    ratio = lossy[circuit] * alignment
    # an end face began to cost light within the record, or did so before it
    stands = np.isfinite(light.standing_db)
    before = np.where(stands[circuit], 1.0 / (1.0 + BACKGROUND_TOUCHES + touch_days), 0.0)
    standing = np.ones(circuits)
    standing[stands] = _lossy_ratio(light.standing_db[stands], light.standing_sd_db[stands])
    ratio = before * standing[circuit] + (1.0 - before) * ratio
    measured = np.bincount(face, minlength=n) > 0
    message = np.zeros(len(circuit))  # log likelihood ratio that a circuit sends to an end face
    total = np.zeros(n)
    for _ in range(ROUNDS):
        prior = np.clip(state @ share, 1e-9, 1 - 1e-6)
        log_odds = np.log(prior / (1.0 - prior))
        for _inner in range(2):
            total = np.asarray(np.bincount(face, weights=message, minlength=n), dtype=np.float64)
            cavity = np.clip(log_odds[face] + total[face] - message, -30.0, 12.0)
            weight = np.exp(cavity) * ratio
            others = (
                1.0
                + np.asarray(np.bincount(circuit, weights=weight, minlength=circuits), dtype=np.float64)[circuit]
                - weight
            )
            # a second costly end face adds little to a circuit that another already explains
            new = np.log((ratio + np.maximum(others - 1.0, 0.0)) / np.maximum(others, 1e-12))
            message = np.clip(0.5 * message + 0.5 * new, -12.0, 12.0)
        total = np.asarray(np.bincount(face, weights=message, minlength=n), dtype=np.float64)
        likelihood = _state_likelihood(share, total, measured)
        posterior = state * likelihood
        posterior /= posterior.sum(axis=1, keepdims=True)
        costing = _costing_given_state(share, total)
        dirty = posterior[measured, 1].sum()
        costly = (posterior[measured, 1] * costing[measured, 1]).sum()
        share[1] = (costly + COSTING_SHARE[1] * SHARE_STRENGTH) / (dirty + SHARE_STRENGTH)
        share[3] = 1.0 - (1.0 - share[1]) * (1.0 - share[2])
    likelihood = _state_likelihood(share, total, measured)
    posterior = state * likelihood
    posterior /= posterior.sum(axis=1, keepdims=True)
    costs = (posterior * _costing_given_state(share, np.where(measured, total, 0.0))).sum(axis=1)
    size = np.full(n, -np.inf)
    np.maximum.at(size, face, light.excess_db[circuit])
    return LightEvidence(likelihood, costs, np.where(measured, np.maximum(size, 0.0), np.nan), share)


def _state_likelihood(share: Float64, total: Float64, measured: npt.NDArray[np.bool_]) -> Float64:
    """P(light | state) up to a factor: (1 - share) + share x likelihood ratio of costing light."""
    ratio = np.exp(np.clip(total, -MOST_EVIDENCE, MOST_EVIDENCE))
    return np.where(measured[:, None], (1.0 - share)[None, :] + share[None, :] * ratio[:, None], 1.0)


def _costing_given_state(share: Float64, total: Float64) -> Float64:
    """P(it costs light | state, light), shape (n, 4)."""
    ratio = np.exp(np.clip(total, -MOST_EVIDENCE, MOST_EVIDENCE))[:, None]
    up = share[None, :] * ratio
    return np.asarray(up / ((1.0 - share)[None, :] + up))
