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
from planner.health.otdr_placement import place_events

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
FEWEST_MIRRORS = 30
# Optical return loss of a whole circuit. [dB] Our estimates.
ORL_SD_DB = 2.0
ORL_FALL_DB, ORL_FALL_SPREAD_DB = 9.0, 6.0
REFLECTING_SHARE = 0.5

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def weigh_traces(
    traces: pd.DataFrame, elements: pd.DataFrame, hypotheses: Hypotheses, cases: Cases, numbers: pd.Index
) -> FloatArray:
    """Log evidence of the traces for each hypothesis, zero where there is none.

    Parameters
    ----------
    traces
        Events: trace_id, event_no, circuit_id, at, direction, wavelength_nm, day, distance_m, loss_db,
        reflectance_db, kind.
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
    path = elements[elements["circuit_id"].isin(events["circuit_id"])]
    if events.empty or path.empty:
        return result
    placed = place_events(path, events)
    places = _places(path, numbers)
    shown = _shown(places, placed)
    loss, mirror = _loss_evidence(shown, cases), _mirror_evidence(shown)
    inside, ends = _between_places(places, placed, cases)
    spot = pd.MultiIndex.from_arrays([hypotheses.circuit, hypotheses.position])
    joint_cause = np.isin(hypotheses.cause, [CODE[c] for c in ("contamination", "damaged_end_face", "splice")])
    result += np.where(joint_cause, loss.reindex(spot).fillna(0.0).to_numpy(), 0.0)
    for cause in REFLECTS:
        own = hypotheses.cause == CODE[cause]
        result += np.where(own, mirror[cause].reindex(spot).fillna(0.0).to_numpy(), 0.0)
    cable = pd.MultiIndex.from_arrays([hypotheses.circuit, np.asarray(hypotheses.names, object)[hypotheses.element]])
    bend, broken = hypotheses.cause == CODE["bend"], hypotheses.cause == CODE["fibre_break"]
    result += np.where(bend | broken, inside.reindex(cable).fillna(0.0).to_numpy(), 0.0)
    result += np.where(broken, ends.reindex(cable).fillna(0.0).to_numpy(), 0.0)
    return result


def weigh_return_loss(tests: pd.DataFrame, hypotheses: Hypotheses, cases: Cases) -> FloatArray:
    """Log evidence of optical return loss for each hypothesis: dirt and damage reflect, other causes do not.

    The newest test since the change against the newest before it, or against the middle of the fleet where
    there is none before. Half of the dirty end faces reflect no more than clean ones.

    Parameters
    ----------
    tests
        circuit, direction, wavelength_nm, day, orl_db; may hold unknown values.
    """
    result = np.zeros(len(hypotheses))
    known = tests[tests["orl_db"].notna()]
    if known.empty:
        return result
    circuit = known["circuit"].to_numpy(np.int64)
    changed = cases.last_day[circuit] >= cases.first_day[circuit]
    day = known["day"].to_numpy(np.float64)
    now = ~changed | (day >= cases.first_day[circuit])
    frame = known.assign(now=now).sort_values(["circuit", "day"], kind="stable")
    key = ["circuit", "direction", "wavelength_nm"]
    late = frame[frame["now"]].groupby(key)["orl_db"].last()
    if late.empty:
        return result
    early = frame[~frame["now"]].groupby(key)["orl_db"].last().reindex(late.index)
    middle = float(known["orl_db"].median())
    spread = max(1.4826 * float((known["orl_db"] - middle).abs().median()), ORL_SD_DB)
    compared = early.notna().to_numpy()
    worse = np.where(compared, early - late, middle - late)
    sd = np.where(compared, np.sqrt(2.0) * ORL_SD_DB, spread)
    calm = _stray_normal(worse, 0.0, sd)
    dirty = (
        REFLECTING_SHARE * _stray_normal(worse, ORL_FALL_DB, np.hypot(sd, ORL_FALL_SPREAD_DB))
        + (1 - REFLECTING_SHARE) * calm
    )
    each = pd.Series(np.log(dirty / calm), index=late.index).groupby(level="circuit").mean()
    face = np.isin(hypotheses.cause, [CODE["contamination"], CODE["damaged_end_face"]])
    return np.where(face, each.reindex(hypotheses.circuit).fillna(0.0).to_numpy(), 0.0)


def _stray_normal(x: FloatArray, mean: float, sd: FloatArray) -> FloatArray:
    bell = np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    return np.asarray((1 - STRAY) * bell + STRAY / 60.0, np.float64)


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
    """Distance from A of every joint and splice.

    Columns circuit, position, element_kind, element_id, distance_m, total_m, polish; for cables the distance
    is where they begin and `length_m` how long they are.
    """
    circuit = numbers.get_indexer(pd.Index(elements["circuit_id"]))
    length = elements["length_m"].fillna(0.0).where(elements["element_kind"] == "cable", 0.0)
    reach = length.groupby(circuit).cumsum()
    frame = elements.assign(circuit=circuit, distance_m=reach - length, length_m=length)
    frame["total_m"] = length.groupby(circuit).transform("sum")
    known: pd.DataFrame = frame[frame["circuit"] >= 0].reset_index(drop=True)
    return known


def _shown(places: pd.DataFrame, placed: pd.DataFrame) -> pd.DataFrame:
    """What each trace shows at each joint and splice: loss and reflectance.

    Columns circuit, position, direction, when, element_kind, polish, loss_db, reflectance_db. Only places
    between the trace's first and last event; one without an event lost nothing that could be seen.
    """
    key = ["circuit", "direction", "when"]
    known = placed[placed["position"].notna()]
    reach = known.groupby(key)["place_m"].agg(first_m="min", last_m="max").reset_index()
    joints = places[places["element_kind"] != "cable"]
    spots = joints[["circuit", "position", "distance_m", "element_kind", "polish"]].merge(reach, on="circuit")
    spots = spots[
        (spots["distance_m"] >= spots["first_m"] - SAME_PLACE_M)
        & (spots["distance_m"] <= spots["last_m"] + SAME_PLACE_M)
    ]
    events = known[known["element_kind"] != "cable"]
    first, last = events["position"].to_numpy(np.int64), events["last_position"].to_numpy(np.int64)
    size = np.maximum(last - first + 1, 1)
    inside = np.arange(size.sum()) - np.repeat(np.concatenate(([0], np.cumsum(size)[:-1])), size)
    spread = events[[*key, "loss_db", "reflectance_db"]].iloc[np.repeat(np.arange(len(events)), size)]
    spread = spread.assign(position=np.repeat(first, size) + inside)
    seen = spread.groupby([*key, "position"], as_index=False).agg(
        loss_db=("loss_db", lambda losses: losses.sum(min_count=1)), reflectance_db=("reflectance_db", "max")
    )
    return spots.merge(seen, on=[*key, "position"], how="left")


def _log_student(x: FloatArray, width: FloatArray | float) -> FloatArray:
    return np.asarray(-0.5 * (FREEDOM + 1) * np.log1p((x / width) ** 2 / FREEDOM) - np.log(width), np.float64)


def _excess_evidence(excess: FloatArray, sd: FloatArray, size: FloatArray) -> FloatArray:
    width = np.hypot(sd, SIZE_SPREAD * size)
    return _log_student(excess - size, width) - _log_student(excess, sd)


def _case_size(circuit: IntArray, cases: Cases) -> FloatArray:
    size = cases.size_db[circuit]
    return np.where(size > 0, size, USUAL_SIZE_DB)


def _loss_evidence(shown: pd.DataFrame, cases: Cases) -> pd.Series:
    """Evidence of the loss at each place, by circuit and position; directions averaged."""
    if shown.empty:
        return pd.Series(dtype=float, index=pd.MultiIndex.from_arrays([[], []]))
    key = ["circuit", "position", "direction"]
    usual = shown["element_kind"].map(USUAL_LOSS_DB).to_numpy(np.float64)
    frame = shown.assign(usual=usual).set_index(key)
    now = frame[frame["when"] == "now"]
    then = frame.loc[frame["when"] == "then", "loss_db"].reindex(now.index)
    compared = (then.notna() & now["loss_db"].notna()).to_numpy()
    # no event there now: nothing was lost beyond the usual
    excess = np.where(compared, now["loss_db"] - then, (now["loss_db"] - now["usual"]).fillna(0.0))
    sd = np.where(compared, CHANGE_SD_DB, ABSOLUTE_SD_DB)
    both = pd.DataFrame({"excess": excess, "sd": sd}, index=now.index)
    mean = both.groupby(level=["circuit", "position"]).agg(
        excess=("excess", "mean"), sd=("sd", "max"), n=("sd", "size")
    )
    circuit = mean.index.get_level_values("circuit").to_numpy(np.int64)
    width = mean["sd"].to_numpy(np.float64) / np.sqrt(mean["n"].to_numpy(np.float64))
    values = _excess_evidence(mean["excess"].to_numpy(np.float64), width, _case_size(circuit, cases))
    return pd.Series(values, index=mean.index)


def _mirror_evidence(shown: pd.DataFrame) -> dict[str, pd.Series]:
    """Evidence of the reflectance at each place for dirt and for damage, by circuit and position."""
    empty = pd.Series(dtype=float, index=pd.MultiIndex.from_arrays([[], []]))
    polish = shown["polish"].fillna("") if len(shown) else pd.Series(dtype=object)
    usual = shown["reflectance_db"].groupby(polish).transform("median") if len(shown) else empty
    often = shown["reflectance_db"].groupby(polish).transform("count") >= FEWEST_MIRRORS if len(shown) else empty
    if shown.empty or shown["reflectance_db"].isna().all():
        return dict.fromkeys(REFLECTS, empty)
    clean = usual.where(often).fillna(shown["polish"].map(CLEAN_DB)).fillna(CLEAN_DB["UPC"])
    frame = shown.assign(rise=shown["reflectance_db"] - clean)
    table = frame.pivot_table(index=["circuit", "position"], columns="when", values="rise", aggfunc="mean")
    if "now" not in table:
        return dict.fromkeys(REFLECTS, empty)
    then = table["then"] if "then" in table else pd.Series(np.nan, index=table.index)
    rise = (table["now"] - then.fillna(0.0)).dropna()
    values = rise.to_numpy(np.float64)
    null = _stray_normal(values, 0.0, np.full(len(values), CLEAN_SD_DB))
    return {
        cause: pd.Series(np.log(_stray_normal(values, mean, np.full(len(values), sd)) / null), index=rise.index)
        for cause, (mean, sd) in REFLECTS.items()
    }


def _between_places(places: pd.DataFrame, placed: pd.DataFrame, cases: Cases) -> tuple[pd.Series, pd.Series]:
    """Evidence for a loss inside each cable, and for a fibre that ends in it, by circuit and cable."""
    cables = places[places["element_kind"] == "cable"]
    now = placed[(placed["when"] == "now") & placed["place_m"].notna()]
    span = cables[["circuit", "element_id", "distance_m", "length_m", "total_m"]].merge(
        now[["circuit", "direction", "place_m", "element_kind", "element_id", "loss_db", "kind"]],
        on="circuit",
        suffixes=("", "_event"),
    )
    at = span["place_m"].to_numpy(np.float64)
    slack = NEAR_M + NEAR_SHARE * span["total_m"].to_numpy(np.float64)
    is_end = (span["kind"] == "end_of_fibre").to_numpy()
    here = ((span["element_kind"] == "cable") & (span["element_id"] == span["element_id_event"])).to_numpy()
    wide = span["length_m"].to_numpy(np.float64) > 2 * slack
    loss = np.where(here & ~is_end, span["loss_db"].fillna(0.0), 0.0)
    off_a, off_z = at, span["total_m"].to_numpy(np.float64) - at
    remaining = np.where(span["direction"] == "a_to_z", off_z, off_a)
    short = is_end & (remaining > (1 - SHORT_SHARE) * span["total_m"].to_numpy(np.float64) + HIDDEN_M)
    within = (at >= span["distance_m"] - slack) & (at <= span["distance_m"] + span["length_m"] + slack)
    grouped = span.assign(loss=loss, wide=wide, here=short & within, end=is_end).groupby(["circuit", "element_id"])
    table = grouped.agg(loss=("loss", "max"), wide=("wide", "first"), here=("here", "any"), end=("end", "any"))
    circuit = table.index.get_level_values("circuit").to_numpy(np.int64)
    sd = np.full(len(table), ABSOLUTE_SD_DB)
    bend = _excess_evidence(table["loss"].to_numpy(np.float64), sd, _case_size(circuit, cases))
    ends = np.where(table["here"], BREAK_SEEN, np.where(table["end"], BREAK_NOT_SEEN, 0.0))
    return (
        pd.Series(np.where(table["wide"], bend, 0.0), index=table.index),
        pd.Series(ends, index=table.index),
    )
