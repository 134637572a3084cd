"""Has the ranking been right? Scores of rankings made on a past day against what was found after it.

In come the rankings of that day and the first look at each end face after it; out come precision, lift, area
under the curve, calibration, benefit caught, and survival by decile. End faces nobody looked at, or that were
changed before, are censored: they count as neither good nor bad. Looks are weighted by one over the share of
their stratum that was looked at (clipped), so that a fleet that looks where it suspects does not flatter the
ranking; looks on alarm or complaint are left out where enough others remain.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

Bool = npt.NDArray[np.bool_]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

METHODS: dict[str, str] = {
    "benefit": "benefit_score",
    "probability": "p_not_clean",
    "classic": "classic_score",
    "mates": "mates_part",
    "drift": "drift_part",
    "time": "time_part",
}
MOST_WEIGHT = 20.0
LOWEST_P = 0.01  # below, a benefit says nothing of what it would be if the end face is bad
DECILES = 10
FEWEST_UNSUSPECTED = 0.3  # of the looks: below that share the others count too, and it is said
DRAWS = 200
FEWEST_LOOKS, FEWEST_FOUND = 30, 5  # fewer tell nothing of a ranking; our choice


@dataclass(frozen=True)
class Judged:
    """The end faces of a past ranking with what was found, shape (n,) each.

    `seen`: looked at before anything else changed it; `bad`: and it failed; `weight`: one over the share of
    its stratum that was seen, 0 where not seen; `value`: what a visit is worth if it is bad [customer-min, or
    customers where no benefit was assessed]; `days`: until the look, the change or the end of the horizon;
    `site`: number for resampling.
    """

    seen: Bool
    bad: Bool
    weight: Float64
    value: Float64
    days: Float64
    site: Int64
    note: str
    strata: Int64 = field(default_factory=lambda: np.empty(0, np.int64))


def _true(flags: pd.Series) -> Bool:
    return flags.astype("boolean").fillna(False).to_numpy(np.bool_)


def worth_if_bad(ranking: pd.DataFrame) -> Float64:
    """What a visit to each end face would win if it is bad, by the ranking's own reckoning. [customer-min]

    The parts of the benefit that grow with the probability of dirt or damage, for one; nan where not assessed.
    """
    won = ranking["margin_part"] + ranking["spread_part"] + ranking["damage_part"]
    return (won / ranking["p_not_clean"].clip(lower=LOWEST_P)).to_numpy(np.float64)


def judge(
    found: pd.DataFrame, strata_score: Float64, at: pd.Timestamp, horizon_days: float, worth: Float64 | None = None
) -> Judged:
    """Label every end face of a past ranking.

    Parameters
    ----------
    found
        looked_at, changed_at, bad, suspected, customers, site_id in the order of the ranking; times are empty
        where nothing happened within the horizon.
    strata_score
        Score whose deciles are the strata of the weights, shape (n,).
    at, horizon_days
        The day of the ranking and how long findings count.
    worth
        From `worth_if_bad`; customers stand for it where it is absent or unknown.
    """
    customers = np.maximum(found["customers"].fillna(0.0).to_numpy(np.float64), 1.0)
    looked = ((found["looked_at"] - at).dt.total_seconds() / 86400.0).to_numpy(np.float64)
    changed = ((found["changed_at"] - at).dt.total_seconds() / 86400.0).to_numpy(np.float64)
    looked = np.where(np.isfinite(looked), looked, np.inf)
    changed = np.where(np.isfinite(changed), changed, np.inf)
    first = (looked <= horizon_days) & (looked <= changed)
    suspected = _true(found["suspected"])
    plain = first & ~suspected
    note = ""
    seen = plain
    if int(plain.sum()) < FEWEST_UNSUSPECTED * max(int(first.sum()), 1):
        seen = first
        note = "most looks were on alarm or complaint: they count too, and flatter every ranking"
    order = np.argsort(np.argsort(strata_score, kind="stable"), kind="stable")
    strata = order * DECILES // max(len(order), 1)
    size = np.bincount(strata, minlength=DECILES)
    looks = np.bincount(strata[seen], minlength=DECILES)
    weight = np.where(seen, np.minimum(size[strata] / np.maximum(looks[strata], 1), MOST_WEIGHT), 0.0)
    bad = seen & _true(found["bad"])
    return Judged(
        seen,
        bad,
        weight,
        customers if worth is None or not np.isfinite(worth).any() else np.nan_to_num(worth),
        np.minimum(np.minimum(looked, changed), horizon_days),
        pd.factorize(found["site_id"].fillna(""))[0].astype(np.int64),
        note,
        strata,
    )


def too_few(judged: Judged) -> str:
    """What there is too little of to judge a ranking, in words; empty if there is enough.

    Examples
    --------
    >>> ones = np.ones(7)
    >>> too_few(Judged(ones > 0, ones < 0, ones, ones, ones, ones.astype(np.int64), ""))
    '7 looks and 0 findings, must be at least 30 looks and 5 findings'
    """
    looks, found = int(judged.seen.sum()), int(judged.bad.sum())
    if looks >= FEWEST_LOOKS and found >= FEWEST_FOUND:
        return ""
    return f"{looks} looks and {found} findings, must be at least {FEWEST_LOOKS} looks and {FEWEST_FOUND} findings"


def precision_at(score: Float64, judged: Judged, share: float) -> float:
    """Weighted share found bad among the seen of the first `share` of the whole ranking; nan if none seen."""
    count = max(round(share * len(score)), 1)
    first = np.argsort(-score, kind="stable")[:count]
    weight = judged.weight[first]
    return float(weight[judged.bad[first]].sum() / weight.sum()) if weight.sum() > 0 else float("nan")


def area_under_curve(score: Float64, bad: Bool, weight: Float64) -> float:
    """P(a found one scores above one not found), ties half; nan without both kinds.

    Examples
    --------
    >>> area_under_curve(np.array([3.0, 2.0, 1.0]), np.array([True, False, True]), np.ones(3))
    0.5
    """
    used = weight > 0
    score, bad, weight = score[used], bad[used], weight[used]
    if not bad.any() or bad.all():
        return float("nan")
    levels, level = np.unique(score, return_inverse=True)
    good = np.asarray(np.bincount(level[~bad], weights=weight[~bad], minlength=len(levels)), dtype=np.float64)
    hit = np.asarray(np.bincount(level[bad], weights=weight[bad], minlength=len(levels)), dtype=np.float64)
    below = np.cumsum(good) - good
    return float((hit * (below + 0.5 * good)).sum() / (hit.sum() * good.sum()))


def calibration_bins(p: Float64, judged: Judged, bins: int = 10) -> pd.DataFrame:
    """Said against found in bins of equal weight: columns said, found, cases, weight."""
    used = np.flatnonzero(judged.weight > 0)
    used = used[np.argsort(p[used], kind="stable")]
    weight = judged.weight[used]
    if len(used) == 0:
        return pd.DataFrame({"said": [], "found": [], "cases": [], "weight": []})
    place = np.minimum(((np.cumsum(weight) - 0.5 * weight) / weight.sum() * bins).astype(np.int64), bins - 1)
    total = np.asarray(np.bincount(place, weights=weight, minlength=bins), dtype=np.float64)
    some = total > 0
    said = (
        np.asarray(np.bincount(place, weights=weight * p[used], minlength=bins), dtype=np.float64)[some] / total[some]
    )
    found = (
        np.asarray(np.bincount(place, weights=weight * judged.bad[used], minlength=bins), dtype=np.float64)[some]
        / total[some]
    )
    cases = np.bincount(place, minlength=bins)[some]
    return pd.DataFrame({"said": said, "found": found, "cases": cases, "weight": total[some]})


def calibration_error(bins: pd.DataFrame) -> float:
    """Weighted mean distance of said and found; nan without bins."""
    if bins.empty:
        return float("nan")
    return float(np.average(np.abs(bins["said"] - bins["found"]), weights=bins["weight"]))


def benefit_curve(score: Float64, minutes: Float64, judged: Judged, points: int = 21) -> pd.DataFrame:
    """Share of the value of bad end faces reached against the share of the crew minutes spent."""
    order = np.argsort(-score, kind="stable")
    value = (judged.weight * judged.bad * judged.value)[order]
    spent = np.cumsum(minutes[order])
    if value.sum() <= 0 or spent[-1] <= 0:
        return pd.DataFrame({"x": [], "y": []})
    x = np.linspace(0.0, 1.0, points)
    y = np.interp(x * spent[-1], np.concatenate([[0.0], spent]), np.concatenate([[0.0], np.cumsum(value)]))
    return pd.DataFrame({"x": x, "y": y / value.sum()})


def survival(days: Float64, bad: Bool, horizon_days: float, points: int = 13) -> pd.DataFrame:
    """Kaplan-Meier estimate of "no bad look yet" at points of the horizon; others are censored at `days`.

    Kaplan and Meier, Nonparametric estimation from incomplete observations, JASA 53, 1958.
    """
    times, place = np.unique(days, return_inverse=True)
    events = np.asarray(np.bincount(place, weights=bad.astype(np.float64), minlength=len(times)), dtype=np.float64)
    leaving = np.bincount(place, minlength=len(times))
    at_risk = len(days) - (np.cumsum(leaving) - leaving)
    surviving = np.cumprod(1.0 - events / np.maximum(at_risk, 1))
    x = np.linspace(0.0, horizon_days, points)
    last = np.searchsorted(times, x, side="right") - 1
    return pd.DataFrame({"x": x, "y": np.where(last >= 0, surviving[np.maximum(last, 0)], 1.0)})


def _resampled(score: Float64, rival: Float64, judged: Judged, share: float, seed: int) -> dict[str, list[float]]:
    """5 % and 95 % points of precision and of the lift over a rival, sites drawn with replacement."""
    rng = np.random.default_rng(seed)
    sites = int(judged.site.max(initial=-1)) + 1
    count = max(round(share * len(score)), 1)
    first = np.argsort(-score, kind="stable")[:count]
    other = np.argsort(-rival, kind="stable")[:count]

    def by_site(chosen: Int64) -> tuple[Float64, Float64]:
        weight = judged.weight[chosen]
        site = judged.site[chosen]
        hits = np.asarray(np.bincount(site, weights=weight * judged.bad[chosen], minlength=sites), dtype=np.float64)
        return hits, np.asarray(np.bincount(site, weights=weight, minlength=sites), dtype=np.float64)

    hits, seen = by_site(first)
    rival_hits, rival_seen = by_site(other)
    draws = rng.multinomial(sites, np.full(sites, 1.0 / max(sites, 1)), size=DRAWS).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        precision = (draws @ hits) / (draws @ seen)
        lift = precision / ((draws @ rival_hits) / (draws @ rival_seen))
    out: dict[str, list[float]] = {}
    for name, values in (("precision", precision), ("lift_over_classic", lift)):
        known = values[np.isfinite(values)]
        out[name] = [float(x) for x in np.quantile(known, (0.05, 0.95))] if len(known) else []
    return out


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def score_rankings(
    ranking: pd.DataFrame, judged: Judged, at: pd.Timestamp, until: pd.Timestamp, horizon_days: float, seed: int
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, object]]:
    """All scores of all ways of ranking.

    Parameters
    ----------
    ranking
        One row per end face with the columns named in `METHODS`, and minutes.
    judged
        What was found, in the same order.
    at, until, horizon_days
        Day of the ranking; end of the findings; their distance.
    seed
        Of the resampling of sites.

    Returns
    -------
    Rows of `backtest_scores`, rows of `backtest_curves`, and the details as a dictionary for JSON.
    """
    total = judged.weight.sum()
    base = float(judged.weight[judged.bad].sum() / total) if total > 0 else float("nan")
    censored = float(1.0 - judged.seen.mean()) if len(judged.seen) else float("nan")
    effective = float(total**2 / np.square(judged.weight).sum()) if total > 0 else 0.0
    minutes = ranking["minutes"].fillna(8.0).to_numpy(np.float64)
    note = "; ".join(
        part
        for part in (
            f"{100 * censored:.0f} % were not looked at or changed before: censored, not counted as clean",
            f"looks count the more the rarer they are, and tell as much as {effective:.0f} drawn at random",
            judged.note,
            ", ".join(method for method, column in METHODS.items() if not ranking[column].notna().any())
            + " not assessed: no table for it on that day"
            if not all(ranking[column].notna().any() for column in METHODS.values())
            else "",
        )
        if part
    )
    rival = ranking["classic_score"].to_numpy(np.float64)
    scores, curves = [], []
    details: dict[str, object] = {"censored_share": censored, "effective_looks": effective, "base_rate": base}
    for method, column in METHODS.items():
        score = ranking[column].to_numpy(np.float64)
        if not np.isfinite(score).any():
            continue
        score = np.nan_to_num(score, nan=-np.inf)
        bins = calibration_bins(score, judged) if method == "probability" else pd.DataFrame()
        used = judged.weight > 0
        brier = (
            float(np.average(np.square(score[used] - judged.bad[used]), weights=judged.weight[used]))
            if method == "probability" and used.any()
            else float("nan")
        )
        curve = benefit_curve(score, minutes, judged)
        precision = precision_at(score, judged, 0.05)
        interval = _resampled(score, rival, judged, 0.05, seed)
        low, high = interval["precision"] or (float("nan"), float("nan"))
        over_classic = (interval["lift_over_classic"] if method != "classic" else []) or (float("nan"), float("nan"))
        scores.append(
            {
                "ranked_at": at,
                "until_at": until,
                "method": method,
                "judged": int(judged.seen.sum()),
                "found": int(judged.bad.sum()),
                "base_rate": base,
                "precision_at_5": precision,
                "precision_low": low,
                "precision_high": high,
                "over_classic_low": over_classic[0],
                "over_classic_high": over_classic[1],
                "lift_at_5": precision / base if base > 0 else float("nan"),
                "auc": area_under_curve(score, judged.bad, judged.weight),
                "brier": brier,
                "calibration_error": calibration_error(bins) if method == "probability" else float("nan"),
                "benefit_caught": float(np.interp(0.05, curve["x"], curve["y"])) if len(curve) else float("nan"),
                "note": note,
            }
        )
        details[method] = {
            "precision": {
                f"{share:g}": _known(precision_at(score, judged, share)) for share in (0.01, 0.02, 0.05, 0.1, 0.2)
            },
            "interval_at_5": interval,
        }
        curves.append(curve.assign(method=method, curve="benefit_caught", cases=int(judged.bad.sum())))
        if len(bins):
            curves.append(
                bins.rename(columns={"said": "x", "found": "y"})[["x", "y", "cases"]].assign(
                    method=method, curve="calibration"
                )
            )
    for decile in range(DECILES):
        chosen = judged.strata == decile
        if chosen.any():
            alive = survival(judged.days[chosen], judged.bad[chosen], horizon_days)
            alive["x"] /= max(horizon_days, 1e-9)
            curves.append(alive.assign(method=f"decile {decile + 1}", curve="survival", cases=int(chosen.sum())))
    lines = (
        pd.concat(curves, ignore_index=True) if curves else pd.DataFrame(columns=["method", "curve", "x", "y", "cases"])
    )
    lines.insert(0, "ranked_at", at)
    return pd.DataFrame(scores), lines, details
