"""Scores of past rankings, against other programs and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter
from sklearn.metrics import roc_auc_score

from planner.health.backtest import (
    METHODS,
    Judged,
    area_under_curve,
    benefit_curve,
    calibration_bins,
    calibration_error,
    judge,
    precision_at,
    score_rankings,
    survival,
    too_few,
    worth_if_bad,
)

AT = pd.Timestamp("2031-01-01")


def found_frame(n: int, seed: int = 1) -> pd.DataFrame:
    """Looks at random days, some after a change, some on suspicion."""
    rng = np.random.default_rng(seed)

    def day(values: np.ndarray) -> pd.Series:
        return pd.Series(AT + pd.to_timedelta(values, unit="D"))

    looked = day(rng.uniform(1, 200, n)).where(rng.random(n) < 0.6)
    return pd.DataFrame(
        {
            "looked_at": looked,
            "changed_at": day(rng.uniform(1, 200, n)).where(rng.random(n) < 0.5),
            "bad": rng.random(n) < 0.3,
            "suspected": rng.random(n) < 0.1,
            "customers": rng.integers(0, 50, n).astype(float),
            "site_id": rng.integers(0, 9, n).astype(str),
        }
    )


def test_area_equals_that_of_scikit_learn() -> None:
    """The weighted area under the curve, ties included, equals scikit-learn's roc_auc_score."""
    rng = np.random.default_rng(2)
    score, bad, weight = rng.integers(0, 12, 300) / 3.0, rng.random(300) < 0.3, rng.uniform(0.5, 4, 300)
    expected = roc_auc_score(bad, score, sample_weight=weight)
    assert area_under_curve(score, bad, weight) == pytest.approx(expected, abs=1e-12)


def test_survival_equals_that_of_lifelines() -> None:
    """The Kaplan-Meier curve with censoring equals lifelines' at every point."""
    rng = np.random.default_rng(5)
    days, bad = np.minimum(rng.exponential(60, 400), 90.0), rng.random(400) < 0.5
    bad &= days < 90.0
    curve = survival(days, bad, 90.0)
    fitted = KaplanMeierFitter().fit(days, bad)
    assert curve["y"].to_numpy() == pytest.approx(fitted.predict(curve["x"].to_numpy()).to_numpy(), abs=1e-9)


def test_unseen_end_faces_count_as_neither() -> None:
    """A look after a change, after the horizon, or none at all is censored: weight 0 and not bad."""
    found = found_frame(400)
    judged = judge(found, np.arange(400.0), AT, 90.0)
    late = found["looked_at"].isna() | (found["looked_at"] > AT + pd.Timedelta(days=90))
    changed = found["changed_at"].notna() & (found["changed_at"] < found["looked_at"])
    censored = (late | changed).to_numpy()
    assert not judged.seen[censored].any()
    assert (judged.weight[censored] == 0).all()
    assert not judged.bad[censored].any()


def test_weights_undo_a_choice_of_what_is_looked_at() -> None:
    """When the upper deciles are looked at five times as often, the weighted rate still is that of the fleet."""
    rng = np.random.default_rng(8)
    n = 20_000
    score = rng.random(n)
    bad = rng.random(n) < score * 0.4
    seen = rng.random(n) < np.where(score > 0.5, 0.5, 0.1)
    found = pd.DataFrame(
        {
            "looked_at": pd.Series([AT + pd.Timedelta(days=5)] * n).where(seen),
            "changed_at": pd.Series([pd.NaT] * n),
            "bad": bad,
            "suspected": False,
            "customers": 1.0,
            "site_id": "S",
        }
    )
    judged = judge(found, score, AT, 90.0)
    weighted = judged.weight[judged.bad].sum() / judged.weight.sum()
    assert weighted == pytest.approx(bad.mean(), abs=0.01)
    assert bad[seen].mean() > bad.mean() + 0.03, "unweighted looks flatter"


def test_precision_by_hand() -> None:
    """Of the first two of four, weights 1 and 3, the heavier is bad: precision 3/4."""
    judged = Judged(
        np.ones(4, np.bool_),
        np.array([False, True, True, False]),
        np.array([1.0, 3.0, 1.0, 1.0]),
        np.ones(4),
        np.ones(4),
        np.zeros(4, np.int64),
        "",
    )
    assert precision_at(np.array([4.0, 3.0, 2.0, 1.0]), judged, 0.5) == 0.75


def test_worth_is_the_benefit_had_it_been_known() -> None:
    """Parts that grow with the probability, for a probability of one; customers stand where nothing is assessed."""
    ranking = pd.DataFrame(
        {"margin_part": [10.0, np.nan], "spread_part": [2.0, np.nan], "damage_part": [0.5, np.nan]}
        | {"p_not_clean": [0.25, np.nan]}
    )
    worth = worth_if_bad(ranking)
    assert worth[0] == 50.0 and np.isnan(worth[1])
    found = found_frame(2).assign(customers=[3.0, np.nan])
    assert judge(found, np.arange(2.0), AT, 90.0, worth).value.tolist() == [50.0, 0.0]
    assert judge(found, np.arange(2.0), AT, 90.0, np.full(2, np.nan)).value.tolist() == [3.0, 1.0]


def test_a_perfectly_calibrated_probability_has_no_error() -> None:
    """Said equals found in every bin when outcomes are the probabilities themselves on average."""
    p = np.repeat([0.1, 0.5, 0.9], 10)
    bad = np.concatenate([np.arange(10) < k for k in (1, 5, 9)])
    judged = Judged(np.ones(30, np.bool_), bad, np.ones(30), np.ones(30), np.ones(30), np.zeros(30, np.int64), "")
    assert calibration_error(calibration_bins(p, judged, bins=3)) == pytest.approx(0.0, abs=1e-12)


def test_benefit_curve_runs_from_nothing_to_everything() -> None:
    """No minutes catch nothing, all minutes everything, and a better order is never below a worse one."""
    found = found_frame(300)
    judged = judge(found, np.arange(300.0), AT, 90.0)
    best = benefit_curve((judged.bad * judged.value).astype(float), np.full(300, 8.0), judged)
    worst = benefit_curve(-(judged.bad * judged.value).astype(float), np.full(300, 8.0), judged)
    assert best["y"].iloc[0] == 0.0
    assert best["y"].iloc[-1] == pytest.approx(1.0)
    assert (best["y"] >= worst["y"] - 1e-12).all()


def test_all_ways_of_ranking_are_scored_the_same_every_time() -> None:
    """Every method gets a row, and the same seed gives the same intervals."""
    rng = np.random.default_rng(9)
    n = 500
    ranking = pd.DataFrame({column: rng.random(n) for column in METHODS.values()}).assign(minutes=8.0)
    judged = judge(found_frame(n), ranking["p_not_clean"].to_numpy(), AT, 90.0)
    until = AT + pd.Timedelta(days=90)
    scores, curves, details = score_rankings(ranking, judged, AT, until, 90.0, seed=3)
    again = score_rankings(ranking, judged, AT, until, 90.0, seed=3)
    assert scores["method"].tolist() == list(METHODS)
    assert set(curves["curve"]) == {"benefit_caught", "calibration", "survival"}
    assert details == again[2]
    assert (scores["precision_low"] <= scores["precision_at_5"]).all()
    assert (scores["precision_high"] >= scores["precision_at_5"]).all()
    others = scores[scores["method"] != "classic"]
    assert (others["over_classic_low"] < 1).all() and (others["over_classic_high"] > 1).all(), "all are random here"


@pytest.mark.parametrize(("looks", "found", "enough"), [(29, 10, False), (30, 4, False), (30, 5, True)])
def test_a_handful_of_looks_judges_nothing(looks: int, found: int, enough: bool) -> None:
    """Below thirty looks or five findings a ranking is not judged, and it is said what there was."""
    seen, bad = np.arange(60) < looks, np.arange(60) < found
    ones = np.ones(60)
    said = too_few(Judged(seen, bad, ones, ones, ones, np.zeros(60, np.int64), ""))
    assert (said == "") == enough
    assert enough or said.startswith(f"{looks} looks and {found} findings")
