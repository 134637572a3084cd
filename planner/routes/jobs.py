"""Ranked end faces -> jobs: minutes, method, tip, kit, change window, worth, both-ends pairs.

In: the candidate rows of the ranking with what is known of each end face; circuits. Out: one row per job.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from planner.routes.calendar import span
from planner.routes.settings import (
    Settings,
    change_windows,
    data_rows,
    minutes_of,
    named_values,
    success_shares,
)

CANDIDATE_COLUMNS = (
    "connector_id",
    "site_id",
    "port_id",
    "label",
    "face",
    "role",
    "housing_name",
    "family",
    "polish",
    "fibre_count",
    "fixed",
    "cable_id",
    "cable_end",
    "first_fibre",
    "cable_kind",
    "partner_id",
    "circuits",
    "p_contaminated",
    "p_damaged",
    "classic_score",
    "benefit",
    "margin_part",
    "minutes_part",
    "ranked_minutes",
    "action",
    "reasons",
)

# How sure both ends of a cable must be of dirt before they are held to be worth doing together only.
PAIR_PROBABILITY = 0.5


@dataclass(frozen=True)
class JobTable:
    """Jobs and how their worth was reckoned.

    `rows` holds one row per end face to visit: the candidate columns and `geometry, ferrule, tip, needs, method
    options, minutes (the planner's own), worth (customer-minutes or score), money, opens, closes (change window,
    minutes of the day or -1), change_note, pair_id, pair_site, connection`.
    """

    rows: pd.DataFrame
    customer_minute: float
    money_words: str
    classic: bool


def make_jobs(
    candidates: pd.DataFrame, circuits: pd.DataFrame, crew_minute_cost: float, settings: Settings
) -> JobTable:
    """Jobs from the candidate rows of the ranking.

    Parameters
    ----------
    candidates
        Columns `CANDIDATE_COLUMNS`; `benefit` empty throughout if only the classic ranking exists.
    circuits
        `circuit_id, priority, protected_by, a_port_id, z_port_id` and the sites of its ends `a_site_id, z_site_id`.
    crew_minute_cost
        Price of one crew minute. [money/min]
    settings
        Choices of this run.
    """
    rows = candidates.reset_index(drop=True).copy()
    classic = bool(rows["benefit"].isna().all()) if len(rows) else True
    rows["action"] = rows["action"].fillna("inspect_clean")
    _add_method(rows)
    _add_minutes(rows, settings)
    customer_minute, words = _price(rows, crew_minute_cost, settings, classic)
    rows["worth"] = _worth(rows, settings, classic)
    rows["money"] = rows["worth"] * customer_minute
    _add_change_windows(rows, circuits, settings)
    rows["connection"] = rows["port_id"].where(rows["port_id"].notna(), rows["connector_id"])
    agreed = rows.loc[rows["connector_id"].isin(settings.agreed), "connection"]
    rows.loc[rows["connection"].isin(agreed), ["opens", "closes"]] = -1
    _say_lifted_windows(rows, settings)
    rows["pair_id"] = ""
    rows["stop_key"] = rows["connector_id"].map(dict(settings.stop_keys)).fillna("")
    asked = rows["connector_id"].isin({name for name, _ in settings.mandatory} | set(settings.keep))
    rows = rows[(rows["money"] > 0) | asked].reset_index(drop=True)
    rows[["worth", "money"]] = rows[["worth", "money"]].clip(lower=0.0)
    if settings.both_ends:
        _add_pairs(rows)
    return JobTable(rows, customer_minute, words, classic)


def _add_method(rows: pd.DataFrame) -> None:
    """Geometry, ferrule, tip and the cleaning tools that would do."""
    ferrules = {row["family"]: row["ferrule"] for row in data_rows("ferrules")}
    fixed = rows["fixed"].fillna(False).astype(bool)
    rows["geometry"] = np.select([fixed, rows["face"].eq("rear")], ["equipment_port", "in_adapter"], "bare_plug")
    rows["ferrule"] = rows["family"].map(ferrules)
    polish = np.where(rows["polish"].eq("APC"), "apc", "upc")
    rows["tip"] = "tip_" + rows["ferrule"].astype(str) + "_" + polish


def method_options(geometry: str, ferrule: str) -> list[dict[str, str]]:
    """The ways to clean an end face of that geometry, best first."""
    return [row for row in data_rows("methods") if row["geometry"] == geometry and row["ferrule"] == ferrule]


def _add_minutes(rows: pd.DataFrame, settings: Settings) -> None:
    shares = success_shares()
    array = rows["ferrule"].eq("mpo").to_numpy()

    def step(name: str) -> np.ndarray:
        return np.where(array, minutes_of(name, True), minutes_of(name, False))

    retry = np.where(rows["geometry"].eq("equipment_port") | (not settings.wet), 0.0, 1 - shares["clean_dry"])
    cleaning = step("clean_dry") + retry * step("wet_to_dry")
    dirt = rows["p_contaminated"].fillna(1.0).to_numpy()
    work = np.select(
        [rows["action"].eq("replace"), rows["action"].eq("inspect")],
        [step("replace") + step("test"), dirt * cleaning],
        cleaning + step("test"),
    )
    rows["minutes"] = step("inspect") + work + minutes_of("paperwork")


def _price(rows: pd.DataFrame, crew_minute_cost: float, settings: Settings, classic: bool) -> tuple[float, str]:
    """Money per customer-minute (or per point of the classic score), and where the figure comes from."""
    money = named_values("money")
    if classic:
        return money["classic_point"], (
            f"no benefit in the ranking: each point of the classic score counts {money['classic_point']:g} (our choice)"
        )
    if settings.customer_minute is not None:
        return settings.customer_minute, f"{settings.customer_minute:g} per customer-minute, as set"
    spent = float(-rows["minutes_part"].fillna(0).sum())
    minutes = float(rows["ranked_minutes"].fillna(0).sum())
    if spent > 0 and minutes > 0:
        value = crew_minute_cost * minutes / spent
        return value, f"{value:.3g} per customer-minute, from the ranking's own price of crew minutes"
    return money["customer_minute"], f"{money['customer_minute']:g} per customer-minute (our choice)"


def _worth(rows: pd.DataFrame, settings: Settings, classic: bool) -> pd.Series:
    """Benefit of the work itself: the ranking's without its price of minutes, cures of one circuit counted once."""
    if classic:
        score: pd.Series = rows["classic_score"].fillna(0.0)
        return score
    discounted: pd.Series
    gross: pd.Series = rows["benefit"].fillna(0.0) - rows["minutes_part"].fillna(0.0).clip(upper=0)
    discounted = gross - rows["margin_part"].fillna(0.0) * (1 - _share_still_to_cure(rows))
    if settings.wet:
        return discounted
    shares = success_shares()
    dry_only = shares["clean_dry"] / (shares["clean_dry"] + (1 - shares["clean_dry"]) * shares["wet_to_dry"])
    cleaned = rows["action"].ne("replace") & rows["geometry"].ne("equipment_port")
    reduced: pd.Series = discounted * np.where(cleaned, dry_only, 1.0)
    return reduced


def _share_still_to_cure(rows: pd.DataFrame) -> np.ndarray:
    """Share of each job's margin that jobs of higher margin on the same circuits leave to it, shape (rows,).

    On one circuit the j-th job finds the circuit still sick with probability prod(1 - p) of those before it.
    """
    listed = rows["circuits"].fillna("").astype(str)
    p = (rows["p_contaminated"].fillna(0) + rows["p_damaged"].fillna(0)).clip(upper=0.95)
    long = pd.DataFrame({"row": np.arange(len(rows)), "circuit": listed.str.split(";"), "p": p.to_numpy()})
    long["margin"] = rows["margin_part"].fillna(0).to_numpy()
    long = long.explode("circuit")
    long = long[long["circuit"].fillna("").ne("") & (long["margin"] > 0)]
    share = np.ones(len(rows))
    if long.empty:
        return share
    long = long.sort_values(["circuit", "margin", "row"], ascending=[True, False, True], kind="stable")
    log_left = np.log1p(-long["p"])
    before = log_left.groupby(long["circuit"]).cumsum() - log_left
    left = np.exp(before).groupby(long["row"]).mean()
    share[left.index.to_numpy()] = left.to_numpy()
    return share


def _add_change_windows(rows: pd.DataFrame, circuits: pd.DataFrame, settings: Settings) -> None:
    """Hours in which a job may open a live, unprotected circuit, from the highest priority it carries.

    Mandatory jobs (alarms) are not held to them: the circuit is in trouble already; the note says to agree the outage.
    """
    rows["opens"], rows["closes"], rows["change_note"], rows["change_class"] = -1, -1, "", ""
    if not len(rows) or not len(circuits):
        return
    long = pd.DataFrame(
        {"row": np.arange(len(rows)), "circuit_id": rows["circuits"].fillna("").astype(str).str.split(";")}
    )
    long = long.explode("circuit_id").merge(circuits, on="circuit_id", how="inner")
    protected = long["protected_by"].fillna("").ne("")
    unprotected = long[~protected].groupby("row")["priority"].min().dropna()
    covered = long[protected].groupby("row")["circuit_id"].first()
    note = pd.Series("", index=rows.index)
    kind = note.copy()
    note.loc[covered.index] = "live circuit " + covered.astype(str) + " is protected: switch it over first"
    kind.loc[covered.index] = "live circuits are protected: switch them over first"
    note.loc[unprotected.index] = kind.loc[unprotected.index] = "live circuits without protection: agree the outage"
    for priority, (opens, closes) in sorted(change_windows().items(), reverse=True):
        hit = unprotected.index[unprotected.eq(priority)]
        note.loc[hit] = kind.loc[hit] = (
            f"change window {opens}-{closes}: live circuit of priority {priority} without protection"
        )
        window = span(opens, closes)
        if settings.change_windows and window is not None:
            free = hit.difference(rows.index[rows["connector_id"].isin({name for name, _ in settings.mandatory})])
            rows.loc[free, "opens"], rows.loc[free, "closes"] = window
    rows["change_note"], rows["change_class"] = note, kind


def _say_lifted_windows(rows: pd.DataFrame, settings: Settings) -> None:
    """Notes of faces whose change window does not hold: an alarm at their connection, or outages agreed."""
    alarms = rows["connector_id"].isin({name for name, _ in settings.mandatory})
    alarmed = rows["connection"].isin(rows.loc[alarms, "connection"])
    lifted = rows["change_class"].str.startswith("change window") & (alarmed | (rows["opens"] < 0))
    for column in ("change_note", "change_class"):
        parts = rows.loc[lifted, column].str.split(": ", n=1)
        why = np.where(alarmed[lifted], " because of the alarm", "")
        rows.loc[lifted, column] = (
            "may be opened outside the " + parts.str[0] + why + ", once the outage is agreed: " + parts.str[1]
        )


def _add_pairs(rows: pd.DataFrame) -> None:
    """Pairs that are worth their benefit only together: both ends of one cable at two sites, both likely dirty.

    While the far face of the same fibre stays dirty, cleaning the near one restores no margin.
    """
    cabled = rows[rows["cable_id"].fillna("").ne("") & rows["cable_end"].isin(["A", "B"])]
    likely = cabled[cabled["p_contaminated"].fillna(0) + cabled["p_damaged"].fillna(0) >= PAIR_PROBABILITY]
    if likely.empty:
        return
    fibre = likely["first_fibre"].fillna(1).astype(int).astype(str)
    keyed = likely.assign(key=likely["cable_id"].astype(str) + " fibre " + fibre)
    ends = keyed.drop_duplicates(["key", "cable_end"])
    both = ends.groupby("key").filter(lambda group: len(group) == 2 and group["site_id"].nunique() == 2)
    taken: set[str] = set()
    for key, group in both.groupby("key", sort=True):
        connections = set(rows.loc[group.index, "connection"])
        if connections & taken:
            continue
        taken |= connections
        rows.loc[rows["connection"].isin(connections), "pair_id"] = f"both ends of {key}"
