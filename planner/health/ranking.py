"""Which end faces to visit first: by the three classic measures, by probability, by expected benefit.

In come arrays with one entry per in-service end face and one per (end face, circuit); out come scores whose
parts add up exactly. Unit of benefit: customer-minutes kept, one crew minute being worth
`RankingValues.crew_minute` of them. Numbers that no source gives are named as assumptions in `RankingValues`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from planner.health.fault_laws import UNSEEN_DB

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

PARTS = ("margin_part", "spread_part", "damage_part", "looking_part", "minutes_part", "risk_part")
ACTIONS = ("inspect_clean", "replace", "inspect")


@dataclass(frozen=True)
class RankingValues:
    """What the benefit of a visit is reckoned with; every figure is our assumption, to be set by the operator.

    Attributes
    ----------
    horizon_days
        How far ahead the benefit of a visit is counted. [days]
    outage_min
        How long customers are without service when a circuit fails. [min]
    trouble_visit
        What a circuit that visibly lost light costs in complaints, the search for the cause by several desks and
        later visits of its own, however few its customers: 20 crew hours in all. [customer-min]
    crew_minute
        Customer-minutes that one minute of a crew is worth. [customer-min/min]
    margin_middle_db, margin_scale_db
        P(no outage | margin m) = logistic((m - middle) / scale). [dB]
    noticed_db
        Loss at which trouble becomes likely: P(trouble) = 1 - exp(-(loss / noticed)**2). [dB]
    typical_loss_db
        Loss of an end face whose dirt reaches the core. [dB]
    latent_base, latent_per_mating
        Probability that a dirty end face which costs no light yet will within the horizon, at rest and more
        per mating (loose particles move when a pair is opened and closed). [-]
    clean_minutes, mpo_minutes, replace_minutes, look_minutes
        Work at the port. [min]
    replace_cost
        A damaged end face: cord and visit. [customer-min]
    replaced_from
        From this probability of damage on, the end face is replaced: cleaning cannot help it. [-]
    mishap, mishap_min
        Probability that opening a live, good connection takes its circuits down, and for how long.
    protected_factor
        Weight left to a circuit that another one takes over from. [-]
    priority_weight
        Weight of priorities 1 to 5. [-]
    default_margin_db
        Margin taken where none was assessed on the whole fleet. [dB]
    """

    horizon_days: float = 60.0
    outage_min: float = 240.0
    trouble_visit: float = 1200.0
    crew_minute: float = 1.0
    margin_middle_db: float = 1.5
    margin_scale_db: float = 0.6
    noticed_db: float = 0.25
    typical_loss_db: float = 0.3
    latent_base: float = 0.10
    latent_per_mating: float = 0.20
    clean_minutes: float = 8.0
    mpo_minutes: float = 12.0
    replace_minutes: float = 25.0
    look_minutes: float = 3.0
    replace_cost: float = 400.0
    replaced_from: float = 0.5
    mishap: float = 0.01
    mishap_min: float = 30.0
    protected_factor: float = 0.2
    priority_weight: tuple[float, ...] = field(default=(5.0, 3.0, 2.0, 1.0, 0.5))
    default_margin_db: float = 3.0


VALUES = RankingValues()


def share_below(values: FloatArray) -> FloatArray:
    """Share of the fleet with a strictly smaller value, 0..1; unknown values give 0 and do not count.

    The smallest known value gives 0, the largest (if it is alone) 1.

    Examples
    --------
    >>> share_below(np.array([0.0, 3.0, np.nan, 1.0]))
    array([0. , 1. , 0. , 0.5])
    """
    known = np.isfinite(values)
    ordered = np.sort(values[known])
    out = np.zeros(len(values))
    if len(ordered) > 1:
        out[known] = np.searchsorted(ordered, values[known], side="left") / (len(ordered) - 1)
    return out


def ranks(score: FloatArray) -> IntArray:
    """Rank 1 for the largest score; ties keep the order given (so ids in order make ties deterministic)."""
    order = np.argsort(-score, kind="stable")
    out = np.empty(len(score), np.int64)
    out[order] = np.arange(1, len(score) + 1)
    return out


def classic_parts(
    mates_since_clean: FloatArray, drift_db: FloatArray, days_since_inspection: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The three classic measures, each scaled 0..1 by the share of the fleet below it.

    Only worsening counts as drift: a circuit that improved, or was not measured (nan), gets 0. All arrays
    have shape (n,); the classic score is the sum of the three.
    """
    worsening = np.where(np.isfinite(drift_db), np.maximum(drift_db, 0.0), 0.0)
    return share_below(mates_since_clean), share_below(worsening), share_below(days_since_inspection)


@dataclass(frozen=True)
class FaceValues:
    """What is known of each in-service end face, shape (n,) each.

    `p_dirty`, `p_damaged`, `p_not_clean` are probabilities; `matings` the matings expected within the
    horizon; `exposure` the probability that one opening makes a clean face dirty; `cleaning` the
    probability that cleaning works; `transfer` and `damage` those of one dirty mating; `is_mpo` marks array
    connectors; `seen_dirty`, `seen_damaged`, `false_alarm` are what a look tells: P(dirt found | dirty),
    P(damage found | damaged), P(anything found | clean).
    """

    p_dirty: FloatArray
    p_damaged: FloatArray
    p_not_clean: FloatArray
    matings: FloatArray
    exposure: FloatArray
    cleaning: FloatArray
    transfer: float
    damage: float
    is_mpo: npt.NDArray[np.bool_]
    seen_dirty: float = 0.83
    seen_damaged: float = 0.80
    false_alarm: float = 0.05


@dataclass(frozen=True)
class CarriedCircuits:
    """One entry per (end face, circuit it carries), shape (k,) each.

    `face` indexes the end faces; `customers`, `priority` (1..5) and `protected` are the circuit's;
    `margin_db` its present margin (nan unknown); `p_dirt_costs` and `p_damage_costs` the probability that
    dirt or damage of this end face costs that circuit light now; `shown_share` the share of these that explains what
    was seen, `shown_db` how much it costs then; the rest is there unseen and small.
    """

    face: IntArray
    customers: FloatArray
    priority: FloatArray
    protected: npt.NDArray[np.bool_]
    margin_db: FloatArray
    p_dirt_costs: FloatArray
    p_damage_costs: FloatArray
    shown_share: FloatArray
    shown_db: FloatArray


@dataclass(frozen=True)
class Benefit:
    """Expected benefit of visiting each end face; the six parts add up to `benefit`. Shape (n,) each."""

    parts: dict[str, FloatArray]
    benefit: FloatArray
    minutes: FloatArray
    score: FloatArray
    action: npt.NDArray[np.int8]
    leading: IntArray  # entry of CarriedCircuits that gains most, -1 if the face carries none


def no_outage(margin_db: FloatArray, values: RankingValues = VALUES) -> FloatArray:
    """P(no outage within the horizon | margin): logistic in the margin (our assumption)."""
    return np.asarray(1.0 / (1.0 + np.exp(-(margin_db - values.margin_middle_db) / values.margin_scale_db)))


def circuit_weight(
    customers: FloatArray, priority: FloatArray, protected: npt.NDArray[np.bool_], values: RankingValues = VALUES
) -> FloatArray:
    """Customers times priority weight, less where another circuit takes over; unknown customers count one."""
    weights = np.asarray(values.priority_weight)
    level = np.clip(np.where(np.isfinite(priority), priority, 3), 1, 5).astype(np.int64) - 1
    served = np.where(np.isfinite(customers), np.maximum(customers, 1.0), 1.0)
    return np.asarray(served * weights[level] * np.where(protected, values.protected_factor, 1.0))


def outage_avoided(
    weight: FloatArray, margin_db: FloatArray, loss_db: FloatArray, values: RankingValues = VALUES
) -> FloatArray:
    """What removing `loss_db` from circuits of present margin `margin_db` saves in outages. [customer-min]

    outage_min x weight x (P(no outage | margin + loss) - P(no outage | margin)).
    """
    avoided = no_outage(margin_db + loss_db, values) - no_outage(margin_db, values)
    return np.asarray(values.outage_min * weight * avoided)


def trouble_avoided(loss_db: FloatArray, values: RankingValues = VALUES) -> FloatArray:
    """What removing a loss saves in complaints and a visit of its own, once per end face. [customer-min]

    trouble_visit x (1 - exp(-(loss / noticed)**2)).
    """
    return np.asarray(values.trouble_visit * (1.0 - np.exp(-np.square(loss_db / values.noticed_db))))


def known_margin(margin_db: FloatArray, values: RankingValues = VALUES) -> FloatArray:
    """Margins with the fleet's median where none was assessed."""
    known = np.isfinite(margin_db)
    middle = float(np.median(margin_db[known])) if known.any() else values.default_margin_db
    return np.where(known, margin_db, middle)


def expected_benefit(faces: FaceValues, carried: CarriedCircuits, values: RankingValues = VALUES) -> Benefit:
    """Expected benefit of a visit to each end face, in parts that add up, and per crew minute.

    With P the probability of dirt that costs circuit c light, L the loss and q the success of cleaning:

    margin   q (sum_c P outage avoided(L) + max_c P trouble avoided(L)), plus the same of the typical loss times
             q (P_dirty - P) P(it will cost light within the horizon)
    spread   q P_dirty x matings x transfer x mean value of a clean end face
    damage   q P_dirty x matings x damage per dirty mating x cost of a replacement
    looking  max(0, look first) - max(0, clean blind)
    minutes  - work at the port
    risk     - P(clean) x (exposure x P(the last look misses it) x value of a clean face
             + mishap on its live, unprotected circuits)

    An end face is replaced where damage is more probable than not; less probable damage is looked for first. The
    margin part then counts damage too; its dirt goes with the old end face, as if cleaned.
    """
    n = len(faces.p_dirty)
    weight = circuit_weight(carried.customers, carried.priority, carried.protected, values)
    margin = known_margin(carried.margin_db, values)
    size = np.where(np.isfinite(carried.shown_db), np.maximum(carried.shown_db, 0.0), values.typical_loss_db)
    shown, unseen = carried.shown_share, np.full(len(weight), UNSEEN_DB)
    now_value = shown * outage_avoided(weight, margin, size, values)
    now_value += (1.0 - shown) * outage_avoided(weight, margin, unseen, values)
    typical = np.full(len(weight), values.typical_loss_db)
    later_value = outage_avoided(weight, margin - typical, typical, values)
    noticed = shown * trouble_avoided(size, values) + (1.0 - shown) * trouble_avoided(unseen, values)

    def per_face(amount: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(carried.face, weights=amount, minlength=n), dtype=np.float64)[:n]

    def worst_of_face(amount: FloatArray) -> FloatArray:
        out = np.zeros(n)
        np.maximum.at(out, carried.face, amount)
        return out

    carries = np.bincount(carried.face, minlength=n)[:n] > 0
    costs_now = worst_of_face(carried.p_dirt_costs)
    latent_share = 1.0 - np.exp(-(values.latent_base + values.latent_per_mating * faces.matings))
    value_if_lossy = per_face(later_value) + np.where(
        carries, trouble_avoided(np.array([values.typical_loss_db]), values)[0], 0.0
    )
    latent = np.maximum(faces.p_dirty - costs_now, 0.0) * latent_share * value_if_lossy
    now_gain = carried.p_dirt_costs * now_value
    trouble = worst_of_face(carried.p_dirt_costs * noticed)
    clean_margin = faces.cleaning * (per_face(now_gain) + trouble + latent)
    replace_margin = per_face(carried.p_damage_costs * now_value) + worst_of_face(carried.p_damage_costs * noticed)

    mean_value = float(np.mean(value_if_lossy * latent_share)) if n else 0.0
    spread = faces.cleaning * faces.p_dirty * faces.matings * faces.transfer * mean_value
    damage = faces.cleaning * faces.p_dirty * faces.matings * faces.damage * values.replace_cost

    clean_minutes = np.where(faces.is_mpo, values.mpo_minutes, values.clean_minutes)
    clean_cost = (clean_minutes - values.look_minutes) * values.crew_minute
    look_cost = values.look_minutes * values.crew_minute
    replace_cost = values.replace_minutes * values.crew_minute
    p_good = np.clip(1.0 - faces.p_not_clean, 0.0, 1.0)
    gain_clean = clean_margin + spread + damage
    look_first = (
        -look_cost
        + faces.seen_dirty * (gain_clean - faces.p_dirty * clean_cost)
        + faces.seen_damaged * np.maximum(replace_margin - faces.p_damaged * replace_cost, 0.0)
        - p_good * faces.false_alarm * clean_cost
    )
    blind = gain_clean - clean_cost
    looking = np.maximum(look_first, 0.0) - np.maximum(blind, 0.0)

    live = per_face(np.where(carried.protected, 0.0, weight))
    # the look that ends the work finds most of the dirt that the opening brought, and it is cleaned off
    left = faces.exposure * (1.0 - faces.seen_dirty * faces.cleaning)
    risk = -p_good * (left * latent_share * value_if_lossy + values.mishap * values.mishap_min * live)

    replaces = faces.p_damaged > values.replaced_from
    only_looks = ~replaces & (blind < 0.0) & (faces.p_dirty < 0.5)

    zero = np.zeros(n)
    minutes = np.where(replaces, values.replace_minutes, clean_minutes)
    parts = {
        "margin_part": clean_margin + np.where(replaces, replace_margin, zero),
        "spread_part": spread,
        "damage_part": damage,
        "looking_part": np.where(replaces, zero, np.maximum(looking, 0.0)),
        "minutes_part": -minutes * values.crew_minute,
        "risk_part": risk,
    }
    benefit = sum((parts[name] for name in PARTS), start=np.zeros(n))
    action = np.where(replaces, 1, np.where(only_looks, 2, 0)).astype(np.int8)
    costs = carried.p_dirt_costs + np.where(replaces[carried.face], carried.p_damage_costs, 0.0)
    leading = leading_circuit(carried, costs * (now_value + noticed), n)
    return Benefit(parts, benefit, minutes, benefit / minutes, action, leading)


def leading_circuit(carried: CarriedCircuits, gain: FloatArray, n: int) -> IntArray:
    """For each end face the entry of its circuit that gains most; -1 if it carries none."""
    order = np.lexsort((-gain, carried.face))
    ordered = carried.face[order]
    first = np.ones(len(order), np.bool_)
    first[1:] = ordered[1:] != ordered[:-1]
    out = np.full(n, -1, np.int64)
    out[ordered[first]] = order[first]
    return out
