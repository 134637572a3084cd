"""Learned figures as plain tables with uncertainty: what the fleet says of its own habits.

In come the figures and the expected counts they rest on; out come rows in the shape of `learned_parameters`.
Intervals are those of Beta distributions with the effective numbers of cases; where the data leave a figure
at its prior (posterior spread above 0.8 of the prior's, or no case at all), it is marked as not learned. Without a
single look nothing is learned of anything: what is expected of openings and matings then only repeats the priors.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import betaincinv

from planner.health import learning
from planner.health.contamination import Figures, Names
from planner.health.learning import ENVIRONMENTS, FACE_KINDS, METHODS
from planner.health.sweeps import Counts

Float64 = npt.NDArray[np.float64]

NOT_LEARNED = 0.8
MOST_OF_A_KIND = 200  # rows for sites and people: those with most cases
FEWEST_CASES = 5.0


def _interval(mean: Float64, cases: Float64) -> tuple[Float64, Float64, Float64]:
    """5 % and 95 % points and standard deviation of Beta distributions with these means and cases."""
    a = np.maximum(mean * cases, 1e-3)
    b = np.maximum((1.0 - mean) * cases, 1e-3)
    low, high = (np.asarray(betaincinv(a, b, point), dtype=np.float64) for point in (0.05, 0.95))
    return low, high, np.asarray(np.sqrt(mean * (1 - mean) / (cases + 1.0)), dtype=np.float64)


def _rows(
    parameter: str,
    kind: str,
    groups: list[str],
    mean: Float64,
    cases: Float64,
    strength: float,
    prior: Float64,
    words: str,
) -> pd.DataFrame:
    """Rows of one figure for several groups; `words` has {group}, {percent}, {low} and {high}."""
    mean = np.clip(np.asarray(mean, np.float64), 1e-6, 1 - 1e-6)
    low, high, sd = _interval(mean, cases + strength)
    prior_sd = np.sqrt(prior * (1 - prior) / (strength + 1.0))
    text = [
        words.format(group=group, percent=_percent(m), low=_percent(lo), high=_percent(hi))
        for group, m, lo, hi in zip(groups, mean, low, high, strict=True)
    ]
    return pd.DataFrame(
        {
            "parameter": parameter,
            "group_kind": kind,
            "group_id": groups,
            "estimate": mean,
            "low": low,
            "high": high,
            "weight": cases,
            "learned": (sd < NOT_LEARNED * prior_sd) & (cases > 0),
            "text": text,
        }
    )


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"


def _by(group: npt.NDArray[np.int32], groups: int, weights: Float64) -> Float64:
    known = group >= 0
    return np.asarray(np.bincount(group[known], weights=weights[known], minlength=groups), dtype=np.float64)[:groups]


def parameter_rows(figures: Figures, names: Names) -> pd.DataFrame:
    """All learned figures as rows of `learned_parameters`; `names` are those of the history they come from."""
    classes, rates, counts = figures.classes, figures.rates, figures.counts
    opening = counts.single[: classes.first_cleaning]
    cleaning = counts.single[classes.first_cleaning : classes.first_look]
    opened = opening[:, 0].sum(axis=1) + opening[:, 2].sum(axis=1)
    soiled = opening[:, 0, 1] + opening[:, 2, 3]
    kinds = len(classes.cleaning_method)
    cleaned = (cleaning[:, 1].sum(axis=1) + cleaning[:, 3].sum(axis=1)).reshape(2, kinds)
    worked = (cleaning[:, 1, 0] + cleaning[:, 3, 2]).reshape(2, kinds)
    parts = [
        *_exposure_rows(figures, opened, soiled, names),
        *_cleaning_rows(figures, cleaned[0], worked[0], names),
        *_repeated_rows(figures, cleaned[1]),
        *_mating_rows(figures, counts),
        *_look_rows(figures, counts, names),
    ]
    start = counts.start
    started = np.bincount(classes.start_kind, minlength=len(FACE_KINDS)).astype(np.float64)
    for column, name, words in (
        (1, "dirty_at_start", "{percent} of {group} end faces were contaminated when the records begin ({low}-{high})"),
        (2, "damaged_at_start", "{percent} of {group} end faces were damaged when the records begin ({low}-{high})"),
    ):
        share = rates.start[:, column] + rates.start[:, 3]
        groups = [kind.replace("_", "-") for kind in FACE_KINDS]
        prior = np.full(len(groups), float(learning.START_PRIOR[column] + learning.START_PRIOR[3]))
        parts.append(_rows(name, "role", groups, share, started, learning.START_STRENGTH, prior, words))
    if classes.batches:
        size = _by(classes.start_batch, classes.batches, np.ones(len(start)))
        share = rates.start_batch[:-1, 1] + rates.start_batch[:-1, 3]
        mean = np.full(classes.batches, float(rates.start_batch[-1, 1] + rates.start_batch[-1, 3]))
        words = "{percent} of the end faces of batch {group} were contaminated from the start ({low}-{high})"
        parts.append(
            _largest(_rows("dirty_at_start", "batch", names["batch"], share, size, learning.BATCH_CASES, mean, words))
        )
    rows = pd.concat(parts, ignore_index=True)
    looks = counts.single[classes.first_look : classes.first_wait].sum()
    return rows if looks > 0 else rows.assign(learned=False, low=np.nan, high=np.nan, weight=0.0)


def _largest(rows: pd.DataFrame) -> pd.DataFrame:
    """The groups with most cases, in order of their estimate."""
    enough = rows[rows["weight"] >= FEWEST_CASES]
    kept = enough.nlargest(MOST_OF_A_KIND, "weight", keep="first")
    return kept.sort_values(["estimate", "group_id"], ascending=[False, True])


def _exposure_rows(figures: Figures, opened: Float64, soiled: Float64, names: Names) -> list[pd.DataFrame]:
    classes, rates = figures.classes, figures.rates
    base = classes.opening_base
    half = learning.BASES // 2
    prior = learning.prior_exposure()
    kinds = len(FACE_KINDS)
    place = (base % half) // kinds
    recorded = base < half
    cases = np.asarray(
        np.bincount(place[recorded], weights=opened[recorded], minlength=len(ENVIRONMENTS)), dtype=np.float64
    )
    hits = np.asarray(
        np.bincount(place[recorded], weights=soiled[recorded], minlength=len(ENVIRONMENTS)), dtype=np.float64
    )
    own = np.array([learning.EXPOSURE_PRIOR[name] for name in ENVIRONMENTS])
    strength = learning.EXPOSURE_STRENGTH
    words = "opening an end face in {group} air makes it dirty {percent} of the time ({low}-{high})"
    mean = (hits + own * strength) / (cases + strength)
    rows = [_rows("exposure", "environment", list(ENVIRONMENTS), mean, cases, strength, own, words)]
    begun_with = float(prior[:half].mean())
    overall = np.array([(soiled[recorded].sum() + begun_with * 1e-6) / (opened[recorded].sum() + 1e-6)])
    rows.append(
        _rows(
            "exposure", "fleet", ["all"], overall, opened[recorded].sum(keepdims=True), strength,
            np.array([begun_with]),
            "opening an end face makes it dirty {percent} of the time ({low}-{high})",
        )
    )  # fmt: skip
    expected = opened * rates.exposure[base]
    made_dirty = "makes it dirty {percent} of the time ({low}-{high})"
    for kind, group, who in (
        ("site", classes.opening_site, "opening an end face at {group} "),
        ("technician", classes.opening_technician, "{group} opening an end face "),
    ):
        groups, words = names[kind], who + made_dirty
        factor = (rates.site if kind == "site" else rates.technician)[: len(groups)]
        cases = _by(group, len(groups), opened)
        usual = _by(group, len(groups), expected) / np.maximum(cases, 1e-9)
        rows.append(
            _largest(_rows("exposure", kind, groups, factor * usual, cases, learning.GROUP_CASES, usual, words))
        )
    return rows


def _cleaning_rows(figures: Figures, cleaned: Float64, worked: Float64, names: Names) -> list[pd.DataFrame]:
    classes, rates = figures.classes, figures.rates
    strength = learning.CLEANING_STRENGTH
    cases = np.asarray(np.bincount(classes.cleaning_method, weights=cleaned, minlength=len(METHODS)), dtype=np.float64)
    methods = list(METHODS)
    rows = [
        _rows(
            "cleaning_success", "method", methods, rates.cleaning[0], cases, strength, learning.CLEANING_PRIOR,
            "cleaning with {group} works {percent} of the time here ({low}-{high})",
        )
    ]  # fmt: skip
    rows[0]["text"] = rows[0]["text"].str.replace("_", " ")
    total = float(cleaned.sum())
    mean = np.array([(worked.sum() + 0.78 * strength) / (total + strength)])
    rows.append(
        _rows(
            "cleaning_success", "fleet", ["all"], mean, np.array([total]), strength, np.array([0.78]),
            "cleaning works {percent} of the time here ({low}-{high})",
        )
    )  # fmt: skip
    people = names["technician"]
    usual = _by(classes.cleaning_technician, len(people), cleaned * rates.cleaning[0][classes.cleaning_method])
    count = _by(classes.cleaning_technician, len(people), cleaned)
    mean = usual / np.maximum(count, 1e-9) + rates.cleaning_technician[: len(people)]
    rows.append(
        _largest(
            _rows(
                "cleaning_success", "technician", people, mean, count, learning.GROUP_CASES,
                np.full(len(people), 0.78), "cleaning by {group} works {percent} of the time ({low}-{high})",
            )
        )
    )  # fmt: skip
    return rows


def _repeated_rows(figures: Figures, cleaned: Float64) -> list[pd.DataFrame]:
    classes, rates = figures.classes, figures.rates
    methods = [method.replace("_", " ") for method in METHODS]
    cases = np.asarray(np.bincount(classes.cleaning_method, weights=cleaned, minlength=len(METHODS)), dtype=np.float64)
    rows = _rows(
        "repeated_cleaning_success",
        "method",
        methods,
        rates.cleaning[1],
        cases,
        learning.CLEANING_STRENGTH,
        learning.REPEATED_SHARE * learning.CLEANING_PRIOR,
        "cleaning again with {group} what one cleaning left works {percent} of the time here ({low}-{high})",
    )
    return [rows.assign(group_id=list(METHODS))]


def _mating_rows(figures: Figures, counts: Counts) -> list[pd.DataFrame]:
    rates = figures.rates
    joint = counts.both[0].reshape(4, 4, 4, 4)
    dirt = np.arange(4) & 1
    met = float(joint[np.ix_(dirt == 0, dirt == 1)].sum() + joint[np.ix_(dirt == 1, dirt == 0)].sum())
    either = float(joint.sum() - joint[np.ix_(dirt == 0, dirt == 0)].sum())
    return [
        _rows(
            "transfer", "fleet", ["all"], rates.transfer[:1], np.array([met]), learning.TRANSFER_STRENGTH,
            np.array([learning.TRANSFER_PRIOR]),
            "a clean end face mated with a dirty one becomes dirty {percent} of the time ({low}-{high})",
        ),
        _rows(
            "damage", "fleet", ["all"], rates.damage[:1], np.array([2 * either]), learning.DAMAGE_STRENGTH,
            np.array([learning.DAMAGE_PRIOR]),
            "a mating with dirt damages an end face {percent} of the time ({low}-{high})",
        ),
    ]  # fmt: skip


def _look_rows(figures: Figures, counts: Counts, names: Names) -> list[pd.DataFrame]:
    classes, rates = figures.classes, figures.rates
    seen = np.diagonal(counts.single[classes.first_look : classes.first_wait], axis1=1, axis2=2)
    rows = []
    for name, state, outcome, words in (
        ("pass_if_clean", 0, 0, "a clean end face passes its inspection {percent} of the time ({low}-{high})"),
        ("dirt_found_if_dirty", 1, 1, "dirt is found on a dirty end face {percent} of the time ({low}-{high})"),
        ("damage_found_if_damaged", 2, 2, "damage is found on a damaged one {percent} of the time ({low}-{high})"),
    ):
        cases = np.array([seen[:, state].sum()])
        rows.append(
            _rows(
                name, "fleet", ["all"], rates.look[state, outcome : outcome + 1], cases,
                float(learning.LOOK_STRENGTH[state]),
                learning.LOOK_PRIOR[state, outcome : outcome + 1], words,
            )
        )  # fmt: skip
    sets = names["test_set"]
    if sets:
        cases = _by(classes.look_test_set, len(sets), seen[:, 1])
        words = "inspecting with {group} finds dirt on a dirty end face {percent} of the time ({low}-{high})"
        rows.append(
            _largest(
                _rows(
                    "dirt_found_if_dirty", "test_set", sets, rates.look_test_set[: len(sets), 1, 1], cases,
                    learning.TEST_SET_CASES, np.full(len(sets), float(rates.look[1, 1])), words,
                )
            )
        )  # fmt: skip
    return rows
