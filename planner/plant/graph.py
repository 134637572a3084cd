"""Tables -> the plant as integer arrays at fibre level.

In come the plant tables (frames, or columns already coded as integers by the store). Out comes a `Plant`:
one light point per connector fibre, per splice and per splitter leg, each with two sides, and one array
that says which side of which point every side is joined to. Tracing is repeated look-ups in that array.

A side ("dart") is the number 2 * point + side. Sides of a connector: 0 the face it mates with, 1 its cable
(or, for an end face built into a splitter, the splitter). Sides of a splice: 0 its `a` fibre, 1 its `b`.
Sides of a splitter leg: 0 its port, 1 the splitter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.errors import InputError
from planner.plant.patching import FIXED, FRONT, REAR, Replay, replay
from planner.tables.intake_tables import (
    CABLE_KINDS,
    FAMILIES,
    FIBRE_TYPES,
    HOUSING_KINDS,
    MODES,
    POLISHES,
    PORT_ROLES,
    SINGLE_MODE_FIBRES,
)

Array = npt.NDArray[Any]
Int32 = npt.NDArray[np.int32]
Int8 = npt.NDArray[np.int8]
Bool = npt.NDArray[np.bool_]

MATE_SIDE, CABLE_SIDE = 0, 1
OUTWARD, INWARD = 0, 1
NONE = -1
OPEN_SIDE = -1
MANY_LEGS = -2  # the common leg of a splitter, from inside: light goes to every branch

POLARITIES = ("A", "B", "C")
ENDS = ("A", "B")
FACES = ("front", "rear", "fixed")
SPLICE_KINDS = ("fusion", "mechanical")
GRADES = ("A", "B", "C", "D")
ACTIONS = ("mate", "demate")

REQUIRED = ("sites", "housings", "ports", "cables", "connectors", "patching", "circuits")


@dataclass(frozen=True)
class Sites:
    """Sites: id and coordinates in degrees."""

    ids: Any
    latitude: Array
    longitude: Array


@dataclass(frozen=True)
class Housings:
    """Housings: id, site number (-1 none), kind code in HOUSING_KINDS."""

    ids: Any
    site: Array
    kind: Array


@dataclass(frozen=True)
class Ports:
    """Ports: id, label, housing number, and codes of family, polish, mode, role; fibre count."""

    ids: Any
    label: Any
    housing: Array
    family: Array
    polish: Array
    mode: Array
    fibre_count: Array
    role: Array


@dataclass(frozen=True)
class Cables:
    """Cables: id, codes of kind, fibre type and polarity (-1 unknown), length [m], fibre count."""

    ids: Any
    kind: Array
    fibre_type: Array
    length_m: Array
    fibre_count: Array
    polarity: Array


@dataclass(frozen=True)
class Connectors:
    """End faces: id, cable number (-1 none), end (0 A, 1 B), first fibre (1-based), fibre count, port it is
    built into (-1 none), codes of family, polish and grade (-1 unknown), and where it is now: port (-1 none)
    and face."""

    ids: Any
    cable: Array
    cable_end: Array
    first_fibre: Array
    fibre_count: Array
    fixed_port: Array
    family: Array
    polish: Array
    grade: Array
    port: Array
    face: Array


@dataclass(frozen=True)
class Splices:
    """Splices: id, site number (-1), both fibres as cable number, end (0 A, 1 B), fibre (1-based); kind and
    loss as built (NaN unknown) [dB]."""

    ids: Any
    site: Array
    cable_a: Array
    end_a: Array
    fibre_a: Array
    cable_b: Array
    end_b: Array
    fibre_b: Array
    kind: Array
    loss_db: Array


@dataclass(frozen=True)
class Legs:
    """Splitter legs: splitter number, leg (0 common), port number, ratio (0 unknown); `ids` of splitters."""

    ids: Any
    splitter: Array
    leg: Array
    port: Array
    ratio: Array


@dataclass(frozen=True)
class Circuits:
    """Circuits: id, A and Z port numbers, fibre (1-based), wavelength [nm], customers (0 unknown), priority
    (0 unknown), number of the circuit that takes over (-1 none)."""

    ids: Any
    a_port: Array
    z_port: Array
    fibre: Array
    wavelength_nm: Array
    customers: Array
    priority: Array
    protected_by: Array


@dataclass(frozen=True)
class Records:
    """The plant tables coded as integers: rows sorted by id, references as row numbers, -1 for none."""

    sites: Sites
    housings: Housings
    ports: Ports
    cables: Cables
    connectors: Connectors
    splices: Splices
    legs: Legs
    circuits: Circuits


# Columns of every group with their type; the store's queries select these names.
COLUMN_TYPES: dict[type, dict[str, Any]] = {
    Sites: {"latitude": np.float64, "longitude": np.float64},
    Housings: {"site": np.int32, "kind": np.int8},
    Ports: {
        "housing": np.int32,
        "family": np.int8,
        "polish": np.int8,
        "mode": np.int8,
        "fibre_count": np.int16,
        "role": np.int8,
    },
    Cables: {
        "kind": np.int8,
        "fibre_type": np.int8,
        "length_m": np.float64,
        "fibre_count": np.int32,
        "polarity": np.int8,
    },
    Connectors: {
        "cable": np.int32,
        "cable_end": np.int8,
        "first_fibre": np.int32,
        "fibre_count": np.int16,
        "fixed_port": np.int32,
        "family": np.int8,
        "polish": np.int8,
        "grade": np.int8,
        "port": np.int32,
        "face": np.int8,
    },
    Splices: {
        "site": np.int32,
        "cable_a": np.int32,
        "end_a": np.int8,
        "fibre_a": np.int32,
        "cable_b": np.int32,
        "end_b": np.int8,
        "fibre_b": np.int32,
        "kind": np.int8,
        "loss_db": np.float64,
    },
    Legs: {"splitter": np.int32, "leg": np.int32, "port": np.int32, "ratio": np.int32},
    Circuits: {
        "a_port": np.int32,
        "z_port": np.int32,
        "fibre": np.int16,
        "wavelength_nm": np.float64,
        "customers": np.int64,
        "priority": np.int8,
        "protected_by": np.int32,
    },
}


def records_from_columns(columns: Mapping[str, Mapping[str, Any]]) -> Records:
    """Records from coded columns per table (`sites`, `housings`, ... `circuits`), types brought in line."""
    groups: dict[str, Any] = {}
    for field, group in zip(fields(Records), COLUMN_TYPES, strict=True):
        given = columns[field.name]
        groups[field.name] = group(
            **{
                name: np.ascontiguousarray(given[name], dtype=COLUMN_TYPES[group][name])
                if name in COLUMN_TYPES[group]
                else given[name]
                for name in (column.name for column in fields(group))
            }
        )
    return Records(**groups)


@dataclass(frozen=True)
class Plant:
    """The plant as arrays at fibre level; read-only.

    Attributes
    ----------
    records
        The coded tables, with the patching the arrays rest on.
    link
        For every side (2 * point + side) the side it is joined to; -1 open, -2 the inside of a splitter's
        common leg. Shape (2 * points,), int32.
    first_point
        First light point of each connector; its fibre f is point first_point + f - 1. Shape (n + 1,).
    connector_of
        Connector of every point of a connector. Shape (connector points,).
    holder
        Connector in the front, in the rear and built into each port; -1 none. Shape (ports, 3).
    leg_of_port
        Splitter leg (row number) of each port; -1 none. Shape (ports,).
    common_leg
        Row number of the common leg of each splitter; -1 none. Shape (splitters,).
    refused_points
        Connector points whose cable fibre end was already taken by another connector.
    refused_sides
        Splice sides (2 * splice + side) whose cable fibre end was already taken.
    """

    records: Records
    link: Int32
    first_point: Int32
    connector_of: Int32
    holder: Int32
    leg_of_port: Int32
    common_leg: Int32
    refused_points: Int32
    refused_sides: Int32

    @property
    def n_connector_points(self) -> int:
        """Number of light points that belong to connectors; splices follow, then splitter legs."""
        return len(self.connector_of)

    @property
    def n_points(self) -> int:
        """Number of light points."""
        return len(self.link) // 2

    @property
    def first_splice(self) -> int:
        """Point of the first splice."""
        return self.n_connector_points

    @property
    def first_leg(self) -> int:
        """Point of the first splitter leg."""
        return self.n_connector_points + len(self.records.splices.kind)

    @cached_property
    def site_of_port(self) -> Array:
        """Site number of every port, -1 none."""
        housing = self.records.ports.housing
        return taken(self.records.housings.site, housing)

    @cached_property
    def legs_in_order(self) -> tuple[Array, Array]:
        """Branch legs grouped by splitter: (leg rows, start per splitter with one more at the end)."""
        legs = self.records.legs
        branches = np.flatnonzero(legs.leg > 0)
        order = branches[np.lexsort((legs.leg[branches], legs.splitter[branches]))]
        start = np.searchsorted(legs.splitter[order], np.arange(len(self.records.legs.ids) + 1))
        return order, start

    def number_of(self, kind: str, name: str) -> int:
        """Row number of an id in its table (`sites`, `ports`, `connectors`, ...); -1 if there is none."""
        return find_id(getattr(self.records, kind).ids, name)

    def id_of(self, kind: str, number: int) -> str:
        """Id of a row number of a table; empty for -1."""
        return "" if number < 0 else str(getattr(self.records, kind).ids[int(number)].as_py())

    def memory_bytes(self) -> int:
        """Bytes of the arrays that tracing needs (ids and audit columns not counted)."""
        arrays = (
            self.link,
            self.first_point,
            self.connector_of,
            self.holder,
            self.leg_of_port,
            self.common_leg,
            self.records.connectors.port,
            self.records.connectors.fixed_port,
        )
        return int(sum(array.nbytes for array in arrays))


def find_id(ids: Any, name: str) -> int:
    """Position of an id in a sorted arrow array of text; -1 if it is not there."""
    low, high = 0, len(ids)
    while low < high:
        middle = (low + high) // 2
        if ids[middle].as_py() < name:
            low = middle + 1
        else:
            high = middle
    there: bool = low < len(ids) and ids[low].as_py() == name
    return low if there else -1


def taken(values: Array, index: Array, missing: Any = -1) -> Array:
    """`values[index]` where an index of -1 gives `missing`."""
    if not len(values):
        return np.full(len(index), missing, dtype=values.dtype)
    out: Array = values[index]
    nothing = index < 0
    if nothing.any():
        out[nothing] = missing
    return out


def distinct(values: Array) -> Array:
    """The different values, in order; quicker than hashing for the long keys of a fleet."""
    ordered: Array = np.sort(values)
    return ordered[np.append(True, ordered[1:] != ordered[:-1])] if len(ordered) else ordered


def _spread(start: Array, count: Array) -> tuple[Array, Array]:
    """For runs of `count` numbers from `start`: (row each belongs to, the numbers)."""
    row = np.repeat(np.arange(len(start)), count)
    first = np.concatenate(([0], np.cumsum(count)))[:-1]
    return row, np.asarray(start)[row] + (np.arange(len(row)) - first[row])


# ---------------------------------------------------------------------------------------------------------
# frames -> records


def _sorted_ids(frame: pd.DataFrame, column: str) -> tuple[pd.DataFrame, pd.Index]:
    ordered = frame.sort_values(column, kind="stable", ignore_index=True).drop_duplicates(column)
    ordered = ordered.reset_index(drop=True)
    return ordered, pd.Index(ordered[column].astype(str))


def _reference(ids: pd.Index, column: pd.Series) -> Array:
    known = column.notna().to_numpy()
    found = np.full(len(column), NONE, np.int32)
    found[known] = ids.get_indexer(pd.Index(column[known].astype(str)))
    return found


def _code(column: pd.Series, allowed: tuple[str, ...]) -> Array:
    return pd.Categorical(column, categories=list(allowed)).codes.astype(np.int8)


def _number(frame: pd.DataFrame, column: str, missing: float) -> Array:
    if column not in frame:
        return np.full(len(frame), missing)
    return pd.to_numeric(frame[column]).fillna(missing).to_numpy()


def _column(frame: pd.DataFrame, column: str) -> pd.Series:
    if column in frame:
        return frame[column]
    return pd.Series([None] * len(frame), dtype=object)


def _empty(table: str) -> pd.DataFrame:
    from planner.tables.catalogue import TABLES

    return pd.DataFrame({name: pd.Series(dtype=object) for name in TABLES[table].column_names})


def code_events(
    tables: Mapping[str, pd.DataFrame], connectors: pd.Index, ports: pd.Index, at: datetime | None
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, Array]]:
    """Patching at the start, the mating events up to and including `at` in order of play, and their codes.

    A patching row that says it is younger than the first event is taken as a mate of its own at that time.
    """
    patching, events = tables["patching"], tables.get("mating_events")
    if events is None:
        events = _empty("mating_events")
    until = pd.Timestamp.max if at is None else pd.Timestamp(at)
    moments = pd.to_datetime(events["at"])
    events = events.assign(at=moments)[moments <= until]
    since = pd.to_datetime(_column(patching, "since_at"))
    first = min([until, *([moments.min()] if len(moments) else [])])
    young = (since > first).to_numpy()
    late = patching[young & (since <= until).to_numpy()]
    if len(late):
        late = late.assign(at=since[late.index], action="mate", event_id="")
        real = pd.MultiIndex.from_frame(events.loc[events["action"] == "mate", ["connector_id", "at"]])
        late = late[~pd.MultiIndex.from_frame(late[["connector_id", "at"]]).isin(real)]
        events = pd.concat([late[["event_id", "at", "port_id", "face", "connector_id", "action"]], events])
    # numbered ids of one moment in the order of their numbers: shorter ones first
    length = events["event_id"].str.len()
    events = events.assign(length=length).sort_values(["at", "length", "event_id"], kind="stable", ignore_index=True)
    return (
        patching[~young],
        events,
        {
            "event_at": events["at"].to_numpy("datetime64[us]").astype(np.int64),
            "event_port": _reference(ports, events["port_id"]),
            "event_face": _code(events["face"], FACES[:2]),
            "event_connector": _reference(connectors, events["connector_id"]),
            "event_action": _code(events["action"], ACTIONS),
        },
    )


def code_records(
    tables: Mapping[str, pd.DataFrame], at: datetime | None = None
) -> tuple[Records, Replay, pd.DataFrame]:
    """The plant tables coded as integers, with the patching as of `at` (all events if None).

    Returns the records, the replay of the mating events and the events in the order the replay has them.

    Raises
    ------
    InputError
        A required plant table is missing.
    """
    absent = [name for name in REQUIRED if name not in tables]
    if absent:
        raise InputError(f"building the plant: got no {', '.join(absent)}; must have {', '.join(REQUIRED)}")
    sites, site_ids = _sorted_ids(tables["sites"], "site_id")
    housings, housing_ids = _sorted_ids(tables["housings"], "housing_id")
    ports, port_ids = _sorted_ids(tables["ports"], "port_id")
    cables, cable_ids = _sorted_ids(tables["cables"], "cable_id")
    connectors, connector_ids = _sorted_ids(tables["connectors"], "connector_id")
    circuits, circuit_ids = _sorted_ids(tables["circuits"], "circuit_id")
    splices, splice_ids = _sorted_ids(tables.get("splices", _empty("splices")), "splice_id")
    legs = tables.get("splitter_legs", _empty("splitter_legs"))
    legs = legs.sort_values(["splitter_id", "leg"], kind="stable", ignore_index=True)
    splitter_ids = pd.Index(legs["splitter_id"].astype(str)).unique()

    fixed = _reference(port_ids, _column(connectors, "fixed_port_id"))
    start_port = np.full(len(connectors), NONE, np.int32)
    start_face = np.full(len(connectors), FRONT, np.int8)
    patching, events, coded = code_events(tables, connector_ids, port_ids, at)
    rows = _reference(connector_ids, patching["connector_id"])
    known = rows >= 0
    start_port[rows[known]] = _reference(port_ids, patching["port_id"])[known]
    start_face[rows[known]] = _code(patching["face"], FACES[:2])[known]
    history = replay(start_port, start_face, fixed, **coded)
    port_now, face_now = history.port_now, history.face_now

    def text(ids: pd.Index) -> Any:
        return pa.array(ids.tolist(), type=pa.string())

    columns: dict[str, dict[str, Any]] = {
        "sites": {
            "ids": text(site_ids),
            "latitude": _number(sites, "latitude", np.nan),
            "longitude": _number(sites, "longitude", np.nan),
        },
        "housings": {
            "ids": text(housing_ids),
            "site": _reference(site_ids, _column(housings, "site_id")),
            "kind": _code(housings["kind"], HOUSING_KINDS),
        },
        "ports": {
            "ids": text(port_ids),
            "label": pa.array(_column(ports, "label").astype(object).where(_column(ports, "label").notna(), None)),
            "housing": _reference(housing_ids, ports["housing_id"]),
            "family": _code(ports["family"], FAMILIES),
            "polish": _code(ports["polish"], POLISHES),
            "mode": _code(ports["mode"], MODES),
            "fibre_count": _number(ports, "fibre_count", 1),
            "role": _code(ports["role"], PORT_ROLES),
        },
        "cables": {
            "ids": text(cable_ids),
            "kind": _code(cables["kind"], CABLE_KINDS),
            "fibre_type": _code(cables["fibre_type"], FIBRE_TYPES),
            "length_m": _number(cables, "length_m", np.nan),
            "fibre_count": _number(cables, "fibre_count", 1),
            "polarity": _code(_column(cables, "polarity"), POLARITIES),
        },
        "connectors": {
            "ids": text(connector_ids),
            "cable": _reference(cable_ids, _column(connectors, "cable_id")),
            "cable_end": _code(_column(connectors, "cable_end"), ENDS),
            "first_fibre": _number(connectors, "first_fibre", 1),
            "fibre_count": _number(connectors, "fibre_count", 1),
            "fixed_port": fixed,
            "family": _code(connectors["family"], FAMILIES),
            "polish": _code(connectors["polish"], POLISHES),
            "grade": _code(_column(connectors, "grade"), GRADES),
            "port": port_now,
            "face": face_now,
        },
        "splices": {
            "ids": text(splice_ids),
            "site": _reference(site_ids, _column(splices, "site_id")),
            "cable_a": _reference(cable_ids, splices["cable_a_id"]),
            "end_a": _code(splices["end_a"], ENDS),
            "fibre_a": _number(splices, "fibre_a", 1),
            "cable_b": _reference(cable_ids, splices["cable_b_id"]),
            "end_b": _code(splices["end_b"], ENDS),
            "fibre_b": _number(splices, "fibre_b", 1),
            "kind": _code(_column(splices, "kind"), SPLICE_KINDS),
            "loss_db": _number(splices, "loss_db", np.nan),
        },
        "legs": {
            "ids": text(splitter_ids),
            "splitter": splitter_ids.get_indexer(pd.Index(legs["splitter_id"].astype(str))),
            "leg": _number(legs, "leg", 0),
            "port": _reference(port_ids, legs["port_id"]),
            "ratio": _number(legs, "ratio", 0),
        },
        "circuits": {
            "ids": text(circuit_ids),
            "a_port": _reference(port_ids, circuits["a_port_id"]),
            "z_port": _reference(port_ids, circuits["z_port_id"]),
            "fibre": _number(circuits, "fibre", 1),
            "wavelength_nm": _number(circuits, "wavelength_nm", np.nan),
            "customers": _number(circuits, "customers", 0),
            "priority": _number(circuits, "priority", 0),
            "protected_by": _reference(circuit_ids, _column(circuits, "protected_by")),
        },
    }
    return records_from_columns(columns), history, events


# ---------------------------------------------------------------------------------------------------------
# records -> plant


def _first_wins(target: Array, index: Array, values: Array) -> Array:
    """Write values at free (-1) places, the first of several keeps it; returns which values were written."""
    free = target[index] < 0
    back = np.flatnonzero(free)[::-1]
    target[index[back]] = values[back]
    written: Array = free & (target[index] == values)
    return written


def _polarity(records: Records, first_fibre: Array, point_connector: Array, fibre_of_point: Array) -> Array | None:
    """Where each cable fibre comes out at end B, by polarity method; None if every cable is straight.

    Straight: fibre k of end A is fibre k of end B. Reversed (B): position i of an array of n is n + 1 - i.
    Pairs flipped (C): positions 1-2, 3-4, ... change places. Positions count within the array connector at
    end A, else the one at end B; fibres without an array connector run straight. Adapters join position i
    to position i (opposed keys).
    """
    connectors, cables = records.connectors, records.cables
    method = taken(cables.polarity, connectors.cable)
    arrays = (connectors.fibre_count > 1) & (method > 0)
    if not arrays.any():
        return None
    comes_out = np.arange(int(first_fibre[-1]), dtype=np.int64)
    covered = np.zeros(len(comes_out), bool)
    for end in (0, 1):
        points = np.flatnonzero((arrays & (connectors.cable_end == end))[point_connector] & (fibre_of_point >= 0))
        owner, here = point_connector[points], fibre_of_point[points]
        clash = np.zeros(len(arrays), bool)
        clash[owner[covered[here]]] = True
        points = points[~clash[owner]]
        owner, here = point_connector[points], fibre_of_point[points]
        count = connectors.fibre_count[owner].astype(np.int64)
        base = first_fibre[connectors.cable[owner]] + connectors.first_fibre[owner] - 1
        position = here - base
        flipped = position ^ 1
        other = np.where(method[owner] == 1, count - 1 - position, np.where(flipped < count, flipped, position))
        inside = base + other < first_fibre[connectors.cable[owner] + 1]
        comes_out[here[inside]] = (base + other)[inside]
        covered[here] = True
    return comes_out


def assemble(records: Records) -> Plant:
    """The plant's arrays from coded records: who is joined to whom, fibre by fibre.

    Where two records claim one place, the first (by id) keeps it and the other is joined to nothing; the
    audit reports it.
    """
    connectors, cables, splices, legs = records.connectors, records.cables, records.splices, records.legs
    n = len(connectors.port)
    count = connectors.fibre_count.astype(np.int64)
    first_point = np.concatenate(([0], np.cumsum(count)))
    point_connector, _ = (np.arange(n), None) if first_point[-1] == n else _spread(first_point[:-1], count)
    n_splices, n_legs = len(splices.kind), len(legs.leg)
    n_connector_points = int(first_point[-1])
    splice_point = n_connector_points
    leg_point = splice_point + n_splices
    link = np.full(2 * (leg_point + n_legs), OPEN_SIDE, np.int32)

    holder = _holders(records)
    front = holder[:, FRONT]
    behind = np.where(holder[:, FIXED] >= 0, holder[:, FIXED], holder[:, REAR])
    both = np.flatnonzero((front >= 0) & (behind >= 0))
    front, behind = front[both], behind[both]
    pair_fibres = np.minimum(count[front], count[behind])
    if n_connector_points == n:
        here, there = 2 * front, 2 * behind
    else:
        row, here = _spread(first_point[front], pair_fibres)
        there = 2 * (here - first_point[front][row] + first_point[behind][row])
        here = 2 * here
    link[here], link[there] = there, here

    # Cable fibres: each fibre end (slot) has at most one taker, a connector fibre or a splice side.
    first_fibre = np.concatenate(([0], np.cumsum(cables.fibre_count.astype(np.int64))))
    slot_of_point, fibre_of_point = _slots_of_points(records, first_point, point_connector, first_fibre)
    taker = np.full(2 * int(first_fibre[-1]), NONE, np.int32)
    points = np.flatnonzero(slot_of_point >= 0)
    accepted = _first_wins(taker, slot_of_point[points], (2 * points + CABLE_SIDE).astype(np.int32))
    refused_points = points[~accepted]
    sides, slots = _slots_of_splices(records, first_fibre)
    accepted = _first_wins(taker, slots, (2 * splice_point + sides).astype(np.int32))
    refused_sides = sides[~accepted]
    comes_out = _polarity(records, first_fibre, point_connector, fibre_of_point)

    def far_end(slot: Array) -> Array:
        fibre = slot >> 1 if comes_out is None else comes_out[slot >> 1]
        return 2 * fibre + 1 - (slot & 1)

    near = np.flatnonzero(taker[0::2] >= 0) * 2
    far = far_end(near)
    joined = taker[far] >= 0
    one, other = taker[near[joined]], taker[far[joined]]
    link[one], link[other] = other, one

    leg_of_port, common_leg = _join_legs(records, link, holder, first_point, slot_of_point, taker, far_end, leg_point)
    return Plant(
        records=records,
        link=link,
        first_point=first_point.astype(np.int32),
        connector_of=point_connector.astype(np.int32),
        holder=holder,
        leg_of_port=leg_of_port,
        common_leg=common_leg,
        refused_points=refused_points.astype(np.int32),
        refused_sides=refused_sides.astype(np.int32),
    )


def _holders(records: Records) -> Int32:
    """Connector in the front, rear and built into each port; the first of two keeps the place."""
    port, face = records.connectors.port, records.connectors.face
    holder = np.full((len(records.ports.housing), 3), NONE, np.int32)
    placed = np.flatnonzero((port >= 0) & (face >= 0))[::-1]
    holder[port[placed], face[placed]] = placed
    return holder


def _slots_of_points(
    records: Records, first_point: Array, point_connector: Array, first_fibre: Array
) -> tuple[Array, Array]:
    """Cable fibre end and cable fibre (both numbered over all cables) of every connector point; -1 none."""
    connectors = records.connectors
    cable = connectors.cable[point_connector]
    position = np.arange(len(point_connector)) - first_point[point_connector]
    fibre = connectors.first_fibre[point_connector] - 1 + position
    on_cable = (cable >= 0) & (connectors.cable_end[point_connector] >= 0) & (fibre >= 0)
    on_cable &= fibre < taken(records.cables.fibre_count, cable, 0)
    if not len(records.cables.kind):
        nothing = np.full(len(cable), NONE, np.int64)
        return nothing, nothing
    number = np.where(on_cable, first_fibre[np.maximum(cable, 0)] + fibre, NONE)
    slot = np.where(on_cable, 2 * number + connectors.cable_end[point_connector], NONE)
    return slot, number


def _slots_of_splices(records: Records, first_fibre: Array) -> tuple[Array, Array]:
    """Splice sides (2 * splice + side) that name an existing cable fibre, and their cable fibre ends."""
    splices = records.splices
    cable = np.stack((splices.cable_a, splices.cable_b), axis=1).ravel()
    end = np.stack((splices.end_a, splices.end_b), axis=1).ravel()
    fibre = np.stack((splices.fibre_a, splices.fibre_b), axis=1).ravel()
    good = (cable >= 0) & (end >= 0) & (fibre >= 1) & (fibre <= taken(records.cables.fibre_count, cable, 0))
    sides = np.flatnonzero(good)
    return sides, 2 * (first_fibre[cable[sides]] + fibre[sides] - 1) + end[sides]


def _join_legs(
    records: Records,
    link: Int32,
    holder: Int32,
    first_point: Array,
    slot_of_point: Array,
    taker: Int32,
    far_end: Any,
    leg_point: int,
) -> tuple[Int32, Int32]:
    """Join every splitter leg to what is at its port, and the branches to the common leg.

    At the port stands the end face built into it; else the open far end of the cable of a connector in its
    rear (the splitter's own pigtail); else the connector in its front (or rear), through the adapter.
    """
    legs = records.legs
    leg_of_port = np.full(len(records.ports.housing), NONE, np.int32)
    common_leg = np.full(len(legs.ids), NONE, np.int32)
    if not len(legs.leg):
        return leg_of_port, common_leg
    placed = np.flatnonzero(legs.port >= 0)
    _first_wins(leg_of_port, legs.port[placed], placed.astype(np.int32))
    common = np.flatnonzero(legs.leg == 0)
    _first_wins(common_leg, legs.splitter[common], common.astype(np.int32))

    outward = 2 * (leg_point + placed) + OUTWARD
    at_port = holder[legs.port[placed]]
    partner = np.full(len(placed), NONE, np.int64)
    built_in = at_port[:, FIXED] >= 0
    partner[built_in] = 2 * first_point[at_port[built_in, FIXED]] + CABLE_SIDE
    behind = np.flatnonzero(~built_in & (at_port[:, REAR] >= 0))
    rear_point = first_point[at_port[behind, REAR]]
    slot = slot_of_point[rear_point]
    opened = slot >= 0
    if len(taker):
        opened &= taker[far_end(np.maximum(slot, 0))] < 0
    partner[behind[opened]] = 2 * rear_point[opened] + CABLE_SIDE
    for face in (FRONT, REAR):
        plugged = np.flatnonzero((partner < 0) & (at_port[:, face] >= 0))
        mate_side = 2 * first_point[at_port[plugged, face]] + MATE_SIDE
        free = link[mate_side] == OPEN_SIDE
        partner[plugged[free]] = mate_side[free]
    joined = (partner >= 0) & (leg_of_port[legs.port[placed]] == placed)
    joined &= link[np.maximum(partner, 0)] == OPEN_SIDE
    link[outward[joined]], link[partner[joined]] = partner[joined], outward[joined]

    inward = 2 * (leg_point + np.arange(len(legs.leg))) + INWARD
    common_of = common_leg[legs.splitter]
    branch = (legs.leg > 0) & (common_of >= 0)
    link[inward[branch]] = 2 * (leg_point + common_of[branch]) + INWARD
    link[inward[legs.leg == 0]] = MANY_LEGS
    return leg_of_port, common_leg


def build_plant(tables: Mapping[str, pd.DataFrame], at: datetime | None = None) -> Plant:
    """The plant from its tables, patched as of a time.

    Parameters
    ----------
    tables
        Frames by intake table name. Required: sites, housings, ports, cables, connectors, patching,
        circuits; used if present: splices, splitter_legs, mating_events.
    at
        Moment (UTC) of the patching; None plays all mating events. Without events it is the patching table.

    Raises
    ------
    InputError
        A required table is missing.
    """
    records, _, _ = code_records(tables, at)
    return assemble(records)


def is_single_mode(fibre_type: Array) -> Bool:
    """Whether each fibre type code is single-mode."""
    limit = len(SINGLE_MODE_FIBRES)
    single: Bool = (fibre_type >= 0) & (fibre_type < limit)
    return single
