"""What OTDR traces say for and against a fault at each place of a path.

In: trace events, the elements of the paths with their lengths, hypotheses and cases. Out: log evidence per
hypothesis. Places near the instrument are hidden by its own reflection: they are left as they are. Where
both directions were traced their mean counts, so that a gainer at a splice cancels.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.circuit_cases import Cases
from planner.health.fault_laws import CODE
from planner.health.hypotheses import Hypotheses

HIDDEN_M = 8.0  # first connector behind the instrument; common practice, no source
NEAR_M, NEAR_SHARE = 3.0, 0.01  # how far a shown distance may lie from the recorded one
SAME_PLACE_M = 0.5
USUAL_LOSS_DB = {"connector": 0.20, "splice": 0.06}
CHANGE_SD_DB, ABSOLUTE_SD_DB = 0.10, 0.18
SIZE_SPREAD = 0.35
FREEDOM = 3.0
# Reflectance of a dirty or damaged pair above that of a clean one. [dB] Our estimates.
REFLECTS = {"contamination": (12.0, 7.0), "damaged_end_face": (15.0, 7.0)}
CLEAN_SD_DB = 4.0
CLEAN_DB = {"PC": -40.0, "UPC": -50.0, "APC": -62.0}
STRAY = 0.05  # share of readings that follow no law
SHORT_SHARE = 0.97
BREAK_SEEN, BREAK_NOT_SEEN = 6.0, -4.0
USUAL_SIZE_DB = 0.35

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def weigh_traces(
    traces: pd.DataFrame, elements: pd.DataFrame, hypotheses: Hypotheses, cases: Cases, numbers: pd.Index
) -> FloatArray:
    """Log evidence of the traces for each hypothesis, zero where there is none.

    Parameters
    ----------
    traces
        Events: trace_id, circuit_id, direction, day, distance_m, loss_db, reflectance_db, kind.
    elements
        Path elements: circuit_id, position, element_kind, element_id, port_id, length_m, polish.
    hypotheses, cases
        Main cases give the day and size of the change that the trace must show.
    numbers
        Names of the circuits.
    """
    result = np.zeros(len(hypotheses))
    if traces.empty:
        return result
    events = traces.assign(circuit=numbers.get_indexer(pd.Index(traces["circuit_id"])))
    events = _after_and_before(events[events["circuit"] >= 0], cases)
    if events.empty:
        return result
    places = _places(elements[elements["circuit_id"].isin(traces["circuit_id"])], numbers)
    shown = _shown(places, events)
    loss = _loss_evidence(shown, cases)
    mirror = _mirror_evidence(shown, events)
    inside, ends = _between_places(places, events, cases)
    key = hypotheses.circuit * np.int64(len(hypotheses.names) + 1) + hypotheses.element
    place_key = _element_key(places, hypotheses)
    located = pd.DataFrame({"key": place_key, "circuit": places["circuit"], "place": places["place"]})
    located = located[place_key >= 0].drop_duplicates("key").set_index("key")
    at = located["place"].reindex(key)
    on_place = at.notna().to_numpy()
    pair = pd.MultiIndex.from_arrays([hypotheses.circuit, at.fillna(-1).astype(np.int64)])
    joint_cause = np.isin(hypotheses.cause, [CODE[c] for c in ("contamination", "damaged_end_face", "splice")])
    result += np.where(on_place & joint_cause, loss.reindex(pair).fillna(0.0).to_numpy(), 0.0)
    for cause in REFLECTS:
        own = on_place & (hypotheses.cause == CODE[cause])
        result += np.where(own, mirror[cause].reindex(pair).fillna(0.0).to_numpy(), 0.0)
    cable = pd.MultiIndex.from_arrays([hypotheses.circuit, np.asarray(hypotheses.names, object)[hypotheses.element]])
    bend, broken = hypotheses.cause == CODE["bend"], hypotheses.cause == CODE["fibre_break"]
    result += np.where(bend | broken, inside.reindex(cable).fillna(0.0).to_numpy(), 0.0)
    result += np.where(broken, ends.reindex(cable).fillna(0.0).to_numpy(), 0.0)
    return result


def _after_and_before(events: pd.DataFrame, cases: Cases) -> pd.DataFrame:
    """Events of the newest trace per circuit and direction (`when` now), and of the newest one before the
    change (`when` then). A trace older than the change says nothing about it."""
    circuit = events["circuit"].to_numpy(np.int64)
    row = cases.computed[circuit]
    changed = (cases.last_day[circuit] >= cases.first_day[circuit]) & (row >= 0)
    best = cases.best_day[np.maximum(row, 0)] if len(cases.best_day) else np.zeros(len(circuit), np.int64)
    onset = np.where(changed, np.minimum(best, cases.first_day[circuit]), -np.inf)
    day = events["day"].to_numpy(np.float64)
    later = day >= np.where(changed, np.maximum(best, 0), -np.inf)
    events = events.assign(when=np.where(later, "now", np.where(day < onset, "then", "")))
    events = events[events["when"] != ""]
    newest = events.groupby(["circuit", "direction", "when"])["day"].transform("max")
    events = events[events["day"] == newest]
    last = events.groupby(["circuit", "direction", "when"])["trace_id"].transform("max")
    return events[events["trace_id"] == last].reset_index(drop=True)


def _places(elements: pd.DataFrame, numbers: pd.Index) -> pd.DataFrame:
    """Distance from A of every joint and splice; elements at one distance are one place.

    Columns circuit, element_kind, element_id, distance_m, total_m, place, polish; for cables the distance
    is where they begin and `length_m` how long they are.
    """
    circuit = numbers.get_indexer(pd.Index(elements["circuit_id"]))
    length = elements["length_m"].fillna(0.0).where(elements["element_kind"] == "cable", 0.0)
    reach = length.groupby(circuit).cumsum()
    frame = elements.assign(circuit=circuit, distance_m=reach - length, length_m=length)
    frame["total_m"] = length.groupby(circuit).transform("sum")
    frame = frame[frame["circuit"] >= 0]
    near = (frame["distance_m"] * (1 / SAME_PLACE_M)).round().astype(np.int64)
    frame["place"] = near
    return frame.reset_index(drop=True)


def _element_key(places: pd.DataFrame, hypotheses: Hypotheses) -> IntArray:
    element = hypotheses.names.get_indexer(pd.Index(places["element_id"]))
    joint = (places["element_kind"] != "cable").to_numpy()
    key = places["circuit"].to_numpy(np.int64) * np.int64(len(hypotheses.names) + 1) + element
    return np.where(joint & (element >= 0), key, -1)


def _shown(places: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """What each trace shows at each place: loss and reflectance now and then.

    Columns circuit, direction, place, element_kind, polish, and loss_now, loss_then, mirror_now,
    mirror_then; a place where the trace shows no event lost nothing that it could see.
    """
    joints = places[places["element_kind"] != "cable"].drop_duplicates(["circuit", "place"])
    traced = events[["circuit", "direction", "when"]].drop_duplicates()
    spots = joints.merge(traced, on="circuit")
    forward = spots["direction"] == "a_to_z"
    spots["seen_at_m"] = np.where(forward, spots["distance_m"], spots["total_m"] - spots["distance_m"])
    spots = spots[(spots["seen_at_m"] > HIDDEN_M) & (spots["seen_at_m"] < spots["total_m"] - HIDDEN_M)]
    if spots.empty:
        return spots.assign(loss_db=np.nan, reflectance_db=np.nan)
    seen = events[["circuit", "direction", "when", "distance_m", "loss_db", "reflectance_db"]]
    seen = seen.assign(event_at_m=seen["distance_m"]).drop(columns="distance_m")
    matched = pd.merge_asof(
        spots.sort_values("seen_at_m", kind="stable"),
        seen.sort_values("event_at_m", kind="stable"),
        left_on="seen_at_m",
        right_on="event_at_m",
        by=["circuit", "direction", "when"],
        direction="nearest",
    )
    far = (matched["event_at_m"] - matched["seen_at_m"]).abs() > NEAR_M + NEAR_SHARE * matched["seen_at_m"]
    matched.loc[far, ["loss_db", "reflectance_db"]] = np.nan
    return matched


def _log_student(x: FloatArray, width: FloatArray | float) -> FloatArray:
    return np.asarray(-0.5 * (FREEDOM + 1) * np.log1p((x / width) ** 2 / FREEDOM) - np.log(width), np.float64)


def _excess_evidence(excess: FloatArray, sd: FloatArray, size: FloatArray) -> FloatArray:
    width = np.hypot(sd, SIZE_SPREAD * size)
    return _log_student(excess - size, width) - _log_student(excess, sd)


def _case_size(circuit: IntArray, cases: Cases) -> FloatArray:
    size = cases.size_db[circuit]
    return np.where(size > 0, size, USUAL_SIZE_DB)


def _loss_evidence(shown: pd.DataFrame, cases: Cases) -> pd.Series:
    """Evidence of the loss at each place, by circuit and place; directions averaged."""
    if shown.empty:
        return pd.Series(dtype=float, index=pd.MultiIndex.from_arrays([[], []]))
    usual = shown["element_kind"].map(USUAL_LOSS_DB).to_numpy(np.float64)
    frame = shown.assign(usual=usual)
    table = frame.pivot_table(
        index=["circuit", "place", "direction"], columns="when", values="loss_db", aggfunc="first", dropna=False
    )
    usual_at = frame.groupby(["circuit", "place", "direction"])["usual"].first().reindex(table.index)
    now = table["now"] if "now" in table else pd.Series(np.nan, index=table.index)
    then = table["then"] if "then" in table else pd.Series(np.nan, index=table.index)
    traced_now = frame[frame["when"] == "now"].groupby(["circuit", "place", "direction"]).size().reindex(table.index)
    compared = then.notna() & now.notna()
    excess = np.where(compared, now - then, np.where(now.notna(), now - usual_at, 0.0))
    sd = np.where(compared, CHANGE_SD_DB, ABSOLUTE_SD_DB)
    both = pd.DataFrame({"excess": excess, "sd": sd}, index=table.index)[traced_now.notna().to_numpy()]
    mean = both.groupby(level=["circuit", "place"]).agg(excess=("excess", "mean"), sd=("sd", "max"), n=("sd", "size"))
    circuit = mean.index.get_level_values("circuit").to_numpy(np.int64)
    values = _excess_evidence(
        mean["excess"].to_numpy(), mean["sd"].to_numpy() / np.sqrt(mean["n"].to_numpy()), _case_size(circuit, cases)
    )
    return pd.Series(values, index=mean.index)


def _mirror_evidence(shown: pd.DataFrame, events: pd.DataFrame) -> dict[str, pd.Series]:
    """Evidence of the reflectance at each place for dirt and for damage, by circuit and place."""
    empty = pd.Series(dtype=float, index=pd.MultiIndex.from_arrays([[], []]))
    if shown.empty or shown["reflectance_db"].isna().all():
        return dict.fromkeys(REFLECTS, empty)
    usual = (
        shown["reflectance_db"]
        .groupby(shown["polish"].fillna(""))
        .transform(lambda values: values.median() if values.notna().sum() >= 30 else np.nan)
    )
    clean = usual.fillna(shown["polish"].map(CLEAN_DB)).fillna(CLEAN_DB["UPC"])
    frame = shown.assign(rise=shown["reflectance_db"] - clean)
    table = frame.pivot_table(index=["circuit", "place"], columns="when", values="rise", aggfunc="mean")
    if "now" not in table:
        return dict.fromkeys(REFLECTS, empty)
    then = table["then"] if "then" in table else pd.Series(np.nan, index=table.index)
    rise = (table["now"] - then.fillna(0.0)).dropna()
    flat = STRAY / 60.0

    def density(mean: float, sd: float) -> FloatArray:
        x = (rise.to_numpy(np.float64) - mean) / sd
        return np.asarray((1 - STRAY) * np.exp(-0.5 * x**2) / (sd * np.sqrt(2 * np.pi)) + flat, np.float64)

    null = density(0.0, CLEAN_SD_DB)
    return {
        cause: pd.Series(np.log(density(mean, sd) / null), index=rise.index) for cause, (mean, sd) in REFLECTS.items()
    }


def _between_places(places: pd.DataFrame, events: pd.DataFrame, cases: Cases) -> tuple[pd.Series, pd.Series]:
    """Evidence for a loss inside each cable, and for a fibre that ends in it, by circuit and cable."""
    cables = places[places["element_kind"] == "cable"]
    now = events[events["when"] == "now"]
    span = cables[["circuit", "element_id", "distance_m", "length_m", "total_m"]].merge(
        now[["circuit", "direction", "distance_m", "loss_db", "kind"]], on="circuit", suffixes=("", "_event")
    )
    at = np.where(span["direction"] == "a_to_z", span["distance_m_event"], span["total_m"] - span["distance_m_event"])
    slack = NEAR_M + NEAR_SHARE * span["distance_m_event"]
    inside = (at > span["distance_m"] + slack) & (at < span["distance_m"] + span["length_m"] - slack)
    is_end = (span["kind"] == "end_of_fibre").to_numpy()
    wide = span["length_m"] > 2 * (NEAR_M + NEAR_SHARE * span["total_m"])
    loss = np.where(inside & ~is_end, span["loss_db"].fillna(0.0), 0.0)
    grouped = (
        span.assign(loss=loss, wide=wide)
        .groupby(["circuit", "element_id"])
        .agg(loss=("loss", "max"), wide=("wide", "first"))
    )
    circuit = grouped.index.get_level_values("circuit").to_numpy(np.int64)
    sd = np.full(len(grouped), ABSOLUTE_SD_DB)
    bend = _excess_evidence(grouped["loss"].to_numpy(np.float64), sd, _case_size(circuit, cases))
    bend = np.where(grouped["wide"], bend, 0.0)
    short = is_end & (span["distance_m_event"] < SHORT_SHARE * span["total_m"] - HIDDEN_M)
    here = short & (at >= span["distance_m"] - slack) & (at <= span["distance_m"] + span["length_m"] + slack)
    ended = (
        span.assign(here=here, short=short, end=is_end)
        .groupby(["circuit", "element_id"])[["here", "short", "end"]]
        .any()
    )
    ends = np.where(ended["here"], BREAK_SEEN, np.where(ended["end"], BREAK_NOT_SEEN, 0.0))
    return pd.Series(bend, index=grouped.index), pd.Series(ends, index=ended.index)
