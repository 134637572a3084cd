"""Reflectometer events -> elements of the traced path.

In: rows of `circuit_paths` and of `otdr_events`, of one circuit or of many. Out: every event with the element
it lies on, and per place the loss averaged over both directions.

A joint is a run of elements without fibre between them (two connectors in an adapter, a splitter with its
ports). Joints nearer to each other than the dead zone cannot be told apart and form one place. An event that
is near no joint lies on the cable there: a bend, a break or an unrecorded splice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.errors import ParameterError
from planner.standards.physics import SPEED_OF_LIGHT_M_PER_S
from planner.tables.result_tables import ELEMENT_READINGS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DEAD_ZONE_M = 5.0
"""Event dead zone assumed where the pulse is not known: our estimate, a 30 ns pulse and some margin. [m]"""

LARGEST_STRETCH = 0.05
"""Largest difference between recorded and optical length that is corrected by scaling (our estimate). [-]"""

LONGEST_LAUNCH_M = 2500.0
"""Longest launch cord that an alignment may take off the distances (our estimate). [m]"""

DEEPEST_START_M = 300.0
"""How far along the path from the end port a trace may have been started, e.g. at a frame (our estimate). [m]"""

START_JOINTS = 4
"""How many joints from the launching end are tried as the place of a trace's first event."""

RELATIVE_TOLERANCE = 0.005
"""Distance error per metre of an event, from cable records and group index (our estimate). [-]"""


def dead_zone_m(pulse_ns: float, group_index: float = 1.468) -> float:
    """Shortest distance at which a pulse of this length leaves two events apart: c t / (2 n). [m]

    About 1 m per 10 ns; the dead zone of a real instrument is longer.

    Examples
    --------
    >>> round(dead_zone_m(10.0), 2)
    1.02
    """
    if not pulse_ns > 0:
        raise ParameterError(f"pulse_ns: got {pulse_ns}, must be above 0 ns")
    return SPEED_OF_LIGHT_M_PER_S * pulse_ns * 1e-9 / (2.0 * group_index)


@dataclass(frozen=True)
class _Line:
    """The paths as distances: rows sorted by circuit and position, joints and places along them."""

    ids: pd.Index[Any]
    frame: pd.DataFrame
    circuit: Ints
    end_m: Floats
    total_m: Floats
    joint_circuit: Ints
    joint_m: Floats
    joint_row: Ints
    place_of_joint: Ints
    place_of_row: Ints
    stride: float


def place_events(
    path: pd.DataFrame, events: pd.DataFrame, dead_zone: float = DEAD_ZONE_M, launch_cord_m: float = 0.0
) -> pd.DataFrame:
    """Every event with the element it lies on.

    Parameters
    ----------
    path
        `circuit_id, position, element_kind, element_id, port_id, length_m` of `circuit_paths`, any number of
        circuits in any order.
    events
        Rows of `otdr_events`; events of circuits without a path are left unplaced.
    dead_zone
        Joints nearer than this form one place. [m]
    launch_cord_m
        Length of a launch cord contained in the distances. [m]

    Returns
    -------
    The rows of `events` in their order with

    * `place_m`: distance from the A end along the recorded path (traces from Z are turned round) [m];
    * `position, last_position`: first and last element of the place in `circuit_paths`;
    * `element_kind`: mated_pair, splice, splitter or cable; empty where nothing could be assigned;
    * `element_id`: of the nearest joint (its port for a mated pair), or of the cable;
    * `same_as`: the other elements of the place, which the trace cannot tell apart, separated by `;`;
    * `off_by_m`: event less recorded place [m];
    * `aligned_by`: how the trace was laid on the path. A trace says neither where it was started nor how long
      the launch cord was, and recorded lengths differ from optical ones; so each trace is tried as it is,
      stretched to the recorded length, shifted so that its end of fibre is the path's end, and shifted so that
      its first event is one of the first joints. The way that brings its events nearest to joints counts.

    Raises
    ------
    ParameterError
        A dead zone that is not above 0.
    """
    if not dead_zone > 0:
        raise ParameterError(f"dead_zone: got {dead_zone}, must be above 0 m")
    line = _line(path, dead_zone)
    out = events.reset_index(drop=True).copy()
    circuit = line.ids.get_indexer(pd.Index(out["circuit_id"].astype(object)))
    known = circuit >= 0
    at = pd.to_numeric(out["distance_m"]).to_numpy(dtype=float) - launch_cord_m
    fit = _aligned(out, circuit, at, line, dead_zone)
    place_m, joint, off = fit.place_m, fit.joint, fit.off_m
    at_joint = known & (joint >= 0) & (np.abs(off) <= fit.tolerance_m)
    row = np.where(at_joint, line.joint_row[np.maximum(joint, 0)] if len(line.joint_row) else -1, -1)
    row = np.where(at_joint, row, _cable_row(line, circuit, place_m))
    place = np.where(at_joint, line.place_of_joint[np.maximum(joint, 0)] if len(line.joint_row) else -1, -1)
    described = _described(line, row, place)
    out["place_m"] = place_m
    for name in ("position", "last_position", "element_kind", "element_id", "same_as"):
        out[name] = described[name].to_numpy()
    out["off_by_m"] = np.where(at_joint, off, np.nan)
    out["aligned_by"] = fit.words
    return out


def merge_directions(placed: pd.DataFrame) -> pd.DataFrame:
    """One row per circuit, wavelength and place: losses of both directions and their mean.

    Events of one trace at the same place add up. Where both directions are known, `loss_db` is their mean, in
    which gainers cancel; with one direction it is that one's loss and `is_two_way` is False: a fibre mismatch
    cannot then be told from a loss. Only the newest trace of each direction counts; 0 dB at the end of a trace
    is no loss measured.

    Returns
    -------
    Columns `circuit_id, wavelength_nm, position, element_kind, element_id, same_as, place_m, loss_db,
    loss_a_to_z_db, loss_z_to_a_db, is_two_way, is_gainer, reflectance_db, events, measured_at`.
    """
    columns = list(ELEMENT_READINGS.column_names)
    good = placed[placed["position"].notna()]
    if good.empty:
        return pd.DataFrame(columns=columns)
    newest = good.sort_values(["at", "trace_id"], kind="stable").groupby(["circuit_id", "direction", "wavelength_nm"])
    good = good[good["trace_id"].to_numpy() == newest["trace_id"].transform("last").reindex(good.index).to_numpy()]
    # the 0 dB that instruments write at the end of the fibre is no measurement
    is_end = good.get("kind", pd.Series("", index=good.index)) == "end_of_fibre"
    loss = good["loss_db"].mask(is_end & (good["loss_db"] == 0))
    good = good.assign(spot=_spots(good), loss_db=loss)
    key = ["circuit_id", "wavelength_nm", "position", "spot"]
    by_way = good.groupby([*key, "direction"])["loss_db"].sum(min_count=1).reset_index()
    by_way = by_way.pivot_table(index=key, columns="direction", values="loss_db", dropna=False, observed=True)
    by_way = by_way.reindex(columns=["a_to_z", "z_to_a"])
    first = good.sort_values([*key, "direction", "event_no"], kind="stable").groupby(key)
    table = first[["element_kind", "element_id", "same_as", "place_m"]].first()
    table["reflectance_db"] = first["reflectance_db"].max()
    table["events"] = first.size()
    table["measured_at"] = first["at"].max()
    table["loss_a_to_z_db"], table["loss_z_to_a_db"] = by_way["a_to_z"], by_way["z_to_a"]
    table["loss_db"] = by_way.mean(axis=1)
    table["is_two_way"] = by_way.notna().all(axis=1)
    table["is_gainer"] = (by_way < 0).any(axis=1)
    merged: pd.DataFrame = table.reset_index()[columns]
    return merged


def _spots(placed: pd.DataFrame) -> Ints:
    """Number of the spot within a cable (0 for joints): events further apart than the tolerance are different."""
    key = ["circuit_id", "wavelength_nm", "position"]
    is_cable = placed["element_kind"].to_numpy() == "cable"
    place_m = placed["place_m"].to_numpy(dtype=float)
    group = placed.groupby(key, sort=True).ngroup().to_numpy()
    order = np.lexsort((place_m, group))
    tolerance = np.maximum(2.0 * DEAD_ZONE_M, 2.0 * RELATIVE_TOLERANCE * place_m[order])
    jump = np.zeros(len(order), dtype=bool)
    jump[1:] = (group[order][1:] == group[order][:-1]) & (np.diff(place_m[order]) > tolerance[1:])
    spot = np.empty(len(order), dtype=np.int64)
    spot[order] = np.cumsum(jump)
    return np.where(is_cable, spot, 0).astype(np.int64)


def _line(path: pd.DataFrame, dead_zone: float) -> _Line:
    ids = pd.Index(pd.unique(path["circuit_id"].astype(object)))
    circuit = ids.get_indexer(pd.Index(path["circuit_id"].astype(object)))
    position = path["position"].to_numpy(dtype=np.int64)
    order = np.lexsort((position, circuit))
    frame = path.iloc[order].reset_index(drop=True)
    circuit = circuit[order].astype(np.int64)
    is_cable = frame["element_kind"].to_numpy() == "cable"
    length = np.where(is_cable, pd.to_numeric(frame["length_m"]).fillna(0.0).to_numpy(dtype=float), 0.0)
    running = np.cumsum(length)
    new = np.concatenate(([True], circuit[1:] != circuit[:-1])) if len(circuit) else np.zeros(0, dtype=bool)
    base = (running - length)[new]
    end_m = running - base[circuit] if len(circuit) else running
    total = np.zeros(len(ids))
    total[circuit] = end_m  # rows are sorted, so the last one of each circuit stays
    starts = ~is_cable & (new | np.concatenate(([True], is_cable[:-1]))) if len(circuit) else is_cable
    joint_row = np.flatnonzero(starts)
    joint_circuit, joint_m = circuit[joint_row], end_m[joint_row]
    apart = np.ones(len(joint_row), dtype=bool)
    if len(joint_row):
        apart[1:] = (joint_circuit[1:] != joint_circuit[:-1]) | (np.diff(joint_m) > dead_zone)
    place_of_joint = np.cumsum(apart) - 1
    joint_of_row = np.cumsum(starts) - 1
    place_of_row = np.where(is_cable, -1, place_of_joint[np.maximum(joint_of_row, 0)] if len(joint_row) else -1)
    longest = float(total.max()) if len(total) else 0.0
    return _Line(
        ids,
        frame,
        circuit,
        end_m,
        total,
        joint_circuit,
        joint_m,
        joint_row,
        place_of_joint.astype(np.int64),
        place_of_row.astype(np.int64),
        stride=4.0 * longest + 1e4,
    )


@dataclass(frozen=True)
class _Fit:
    """Events laid on their paths: distance from A, nearest joint, how far off, and how they were aligned."""

    place_m: Floats
    joint: Ints
    off_m: Floats
    tolerance_m: Floats
    words: npt.NDArray[np.object_]


def _aligned(events: pd.DataFrame, circuit: Ints, at: Floats, line: _Line, dead_zone: float) -> _Fit:
    """Lay each trace on its path in the way that brings its events nearest to joints."""
    size = len(events)
    known = circuit >= 0
    total = np.where(known, line.total_m[np.maximum(circuit, 0)] if len(line.ids) else np.nan, np.nan)
    from_z = events["direction"].to_numpy() == "z_to_a"
    trace, names = pd.factorize(events["trace_id"])
    best = _Fit(
        np.full(size, np.nan),
        np.full(size, -1, dtype=np.int64),
        np.full(size, np.nan),
        np.full(size, dead_zone),
        np.full(size, "", dtype=object),
    )
    lowest = np.full(len(names), np.inf)
    for penalty, (factor, offset, words, to_end) in enumerate(
        _ways(events, trace, len(names), circuit, at, total, line)
    ):
        along = at * factor[trace] - offset[trace]
        place_m = np.where(from_z, total - along, along)
        joint, off = _nearest_joint(line, circuit, place_m)
        anchor = np.minimum(np.abs(along), np.abs(total - along)) if to_end else np.abs(along)
        tolerance = np.maximum(dead_zone, RELATIVE_TOLERANCE * np.nan_to_num(anchor))
        miss = np.where(np.isnan(off), 1.0, np.minimum(np.abs(off) / tolerance, 1.0))
        score = np.bincount(trace, weights=miss, minlength=len(names)) / np.maximum(
            np.bincount(trace, minlength=len(names)), 1
        )
        score = np.where(np.isnan(factor + offset), np.inf, score + 1e-3 * penalty)
        better = score < lowest
        lowest = np.where(better, score, lowest)
        take = better[trace] & known
        best.place_m[take], best.joint[take], best.off_m[take] = place_m[take], joint[take], off[take]
        best.tolerance_m[take] = tolerance[take]
        best.words[take] = words[trace[take]]
    return best


Way = tuple[Floats, Floats, npt.NDArray[np.object_], bool]


def _ways(
    events: pd.DataFrame, trace: Ints, traces: int, circuit: Ints, at: Floats, total: Floats, line: _Line
) -> list[Way]:
    """Ways to lay each trace on its path: factor, offset, words, and whether its end is tied to the path's."""
    one, none = np.ones(traces), np.zeros(traces)
    ways: list[Way] = [(one, none, np.full(traces, "as measured", dtype=object), False)]

    def per_trace(values: Floats, rows: npt.NDArray[np.bool_], last: bool) -> Floats:
        """The value of the farthest (or nearest) of these rows of each trace, NaN where it has none."""
        result = np.full(traces, np.nan)
        order = np.flatnonzero(rows)
        order = order[np.argsort(at[order], kind="stable")]
        if not last:
            order = order[::-1]
        result[trace[order]] = values[order]
        return result

    is_end = (events["kind"].to_numpy() == "end_of_fibre") & (circuit >= 0) & (at > 0)
    end, length = per_trace(at, is_end, True), per_trace(total, is_end, True)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = length / end
    ratio = np.where(np.abs(ratio - 1.0) <= LARGEST_STRETCH, ratio, np.nan)
    ways.append((ratio, none, np.full(traces, "stretched to the recorded length", dtype=object), True))
    shift = end - length
    shift = np.where((shift >= -DEEPEST_START_M) & (shift <= LONGEST_LAUNCH_M), shift, np.nan)
    ways.append((one, shift, _shift_words(shift, "end of fibre"), True))
    first = per_trace(at, circuit >= 0, False)
    of_trace = np.full(traces, -1, dtype=np.int64)
    of_trace[trace] = circuit
    backwards = np.zeros(traces, dtype=bool)
    backwards[trace] = events["direction"].to_numpy() == "z_to_a"
    for number in range(START_JOINTS):
        start = _joint_from_end(line, of_trace, backwards, number)
        shift = np.where(start <= DEEPEST_START_M, first - start, np.nan)
        shift = np.where((shift >= -DEEPEST_START_M) & (shift <= LONGEST_LAUNCH_M), shift, np.nan)
        ways.append((one, shift, _shift_words(shift, "first event"), False))
    return ways


def _shift_words(shift_m: Floats, anchor: str) -> npt.NDArray[np.object_]:
    return np.array(
        ["" if np.isnan(value) else f"shifted by {value:.0f} m to its {anchor}" for value in shift_m], dtype=object
    )


def _joint_from_end(line: _Line, circuit: Ints, backwards: npt.NDArray[np.bool_], number: int) -> Floats:
    """Distance of the n-th joint from the launching end of each circuit; NaN if it has fewer. [m]"""
    result = np.full(len(circuit), np.nan)
    if not len(line.joint_row):
        return result
    begin = np.searchsorted(line.joint_circuit, circuit, side="left")
    stop = np.searchsorted(line.joint_circuit, circuit, side="right")
    chosen = np.where(backwards, stop - 1 - number, begin + number)
    good = (circuit >= 0) & (chosen >= begin) & (chosen < stop)
    where = line.joint_m[chosen[good]]
    result[good] = np.where(backwards[good], line.total_m[circuit[good]] - where, where)
    return result


def _nearest_joint(line: _Line, circuit: Ints, place_m: Floats) -> tuple[Ints, Floats]:
    """Number of the nearest joint of the same circuit (-1 none) and how far off it the event is."""
    count = len(line.joint_row)
    none = np.full(len(place_m), -1, dtype=np.int64)
    if not count:
        return none, np.full(len(place_m), np.nan)
    along = np.clip(np.nan_to_num(place_m), -line.stride / 4, line.stride / 2)
    keys = line.joint_circuit * line.stride + line.joint_m
    right = np.searchsorted(keys, circuit * line.stride + along)
    best, off = none.copy(), np.full(len(place_m), np.inf)
    for candidate in (right - 1, right):
        inside = np.clip(candidate, 0, count - 1)
        same = (candidate >= 0) & (candidate < count) & (line.joint_circuit[inside] == circuit)
        distance = np.where(same, place_m - line.joint_m[inside], np.inf)
        better = np.abs(distance) < np.abs(off)
        best, off = np.where(better, inside, best), np.where(better, distance, off)
    return best.astype(np.int64), np.where(np.isfinite(off), off, np.nan)


def _cable_row(line: _Line, circuit: Ints, place_m: Floats) -> Ints:
    """Row of the cable that holds a distance; -1 beyond the ends or where the circuit has no path."""
    if not len(line.circuit):
        return np.full(len(place_m), -1, dtype=np.int64)
    known = (circuit >= 0) & ~np.isnan(place_m)
    total = line.total_m[np.maximum(circuit, 0)]
    inside = known & (place_m >= 0) & (place_m <= total)
    keys = line.circuit * line.stride + line.end_m
    row = np.searchsorted(keys, circuit * line.stride + np.where(inside, place_m, 0.0))
    row = np.clip(row, 0, len(keys) - 1)
    is_cable = line.frame["element_kind"].to_numpy()[row] == "cable"
    good = inside & (line.circuit[row] == circuit) & is_cable
    return np.where(good, row, -1).astype(np.int64)


def _described(line: _Line, row: Ints, place: Ints) -> pd.DataFrame:
    """Position, kind, id and look-alikes of the rows that events were placed on."""
    frame = line.frame
    found = row >= 0
    at = np.maximum(row, 0)
    out = pd.DataFrame({"row": row, "place": place})
    if not len(frame):
        return out.assign(position=np.nan, last_position=np.nan, element_kind=None, element_id=None, same_as="")
    position = frame["position"].to_numpy(dtype=float)
    out["position"] = np.where(found, position[at], np.nan)
    out["last_position"] = out["position"]
    kind = np.full(len(row), None, dtype=object)
    kind[found] = "cable"
    name = np.full(len(row), None, dtype=object)
    name[found] = frame["element_id"].to_numpy(dtype=object)[row[found]]
    out["element_kind"], out["element_id"] = kind, name
    out["same_as"] = ""
    at_place = place >= 0
    if not at_place.any():
        return out
    members = _members(line, np.unique(place[at_place]))
    out.loc[at_place, "position"] = out.loc[at_place, "place"].map(members.groupby("place")["position"].min())
    out.loc[at_place, "last_position"] = out.loc[at_place, "place"].map(members.groupby("place")["last"].max())
    nearest = members.drop_duplicates("joint_row").set_index("joint_row")
    here = out.loc[at_place, "row"]
    out.loc[at_place, "element_kind"] = here.map(nearest["kind"]).to_numpy()
    out.loc[at_place, "element_id"] = here.map(nearest["id"]).to_numpy()
    out.loc[at_place, "same_as"] = _others(members, out.loc[at_place, "place"], out.loc[at_place, "element_id"])
    return out


def _others(members: pd.DataFrame, place: pd.Series, chosen: pd.Series) -> npt.NDArray[np.object_]:
    """Ids of the other elements of each event's place, separated by `;`."""
    listed = members.drop_duplicates(["place", "id"]).sort_values(["place", "position"], kind="stable")
    names = listed["id"].to_numpy(dtype=object)
    numbers = place.to_numpy(dtype=np.int64)
    begin = np.searchsorted(listed["place"].to_numpy(), numbers, side="left")
    stop = np.searchsorted(listed["place"].to_numpy(), numbers, side="right")
    mine = chosen.to_numpy(dtype=object)
    texts = np.full(len(numbers), "", dtype=object)
    for row in np.flatnonzero(stop - begin > 1):  # only where joints lie together
        texts[row] = ";".join(name for name in names[begin[row] : stop[row]] if name != mine[row])
    return texts


def _members(line: _Line, places: Ints) -> pd.DataFrame:
    """Elements of the places: one row per mated pair (by its port), splice and splitter."""
    rows = np.flatnonzero(np.isin(line.place_of_row, places))
    frame = line.frame.iloc[rows]
    kind = frame["element_kind"].to_numpy(dtype=object)
    is_face = (kind == "connector") | (kind == "adapter")
    port = frame["port_id"].to_numpy(dtype=object)
    element = frame["element_id"].to_numpy(dtype=object)
    joint = np.searchsorted(line.joint_row, rows, side="right") - 1
    table = pd.DataFrame(
        {
            "place": line.place_of_row[rows],
            "joint_row": line.joint_row[joint],
            "kind": np.where(is_face, "mated_pair", kind),
            "id": np.where(is_face, np.where(pd.isna(port), element, port), element),
            "position": frame["position"].to_numpy(dtype=float),
        }
    )
    table["last"] = table["position"]
    grouped = table.groupby(["place", "joint_row", "kind", "id"], sort=False, as_index=False)
    return grouped.agg(position=("position", "min"), last=("last", "max")).sort_values("position", kind="stable")
