"""The plant -> the path of every circuit, element by element from A to Z.

All circuits are walked at once: each step is one look-up in the plant's `link` array for all circuits that
are still under way. Light that enters a splitter from its common leg goes to every branch, so circuits are
walked from their Z end first; those that do not arrive are walked from their A end.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.errors import TraceError
from planner.plant.graph import (
    CABLE_SIDE,
    INWARD,
    MANY_LEGS,
    MATE_SIDE,
    NONE,
    OUTWARD,
    SPLICE_KINDS,
    Plant,
    distinct,
    taken,
)
from planner.plant.patching import FIXED, FRONT, REAR
from planner.tables.intake_tables import FIBRE_TYPES

Array = npt.NDArray[Any]
Int32 = npt.NDArray[np.int32]
Int8 = npt.NDArray[np.int8]
Int64 = npt.NDArray[np.int64]

# How a walk ended.
ARRIVED, OPEN, AT_SPLITTER, LOOP, NO_END_FACE = 0, 1, 2, 3, 4

ELEMENT_KINDS = ("connector", "adapter", "cable", "splice", "splitter")
CONNECTOR, ADAPTER, CABLE, SPLICE, SPLITTER = range(5)


@dataclass(frozen=True)
class Paths:
    """Light points of every circuit's path, from A to Z.

    Attributes
    ----------
    circuits
        Circuit numbers traced, in order. Shape (c,).
    start
        Where each circuit's points begin in `points`; one more at the end. Shape (c + 1,).
    points
        Light points of all paths one after another, A first. None for a circuit that was not traced.
    traced
        Whether the path is complete. Shape (c,).
    a_outcome, z_outcome
        How the walk from each end finished (0 arrived, 1 open end, 2 inside of a splitter's common leg,
        3 loop, 4 no end face at the port); the one not needed is 0. Shape (c,).
    a_last, z_last
        Side (2 * point + side) through which the walk from that end could go no further; -1 if arrived or
        never begun. Shape (c,).
    """

    circuits: Int32
    start: Int64
    points: Int32
    traced: npt.NDArray[np.bool_]
    a_outcome: Int8
    z_outcome: Int8
    a_last: Int32
    z_last: Int32

    def points_of(self, row: int) -> Int32:
        """Points of the circuit in that row, A first."""
        return self.points[self.start[row] : self.start[row + 1]]


@dataclass(frozen=True)
class _Walks:
    """Outcome of many walks; `steps` lists (row, point) per step, the first point included."""

    outcome: Int8
    last: Int32
    length: Int64
    steps: list[tuple[Array, Array]]


def _walk(plant: Plant, darts: Array, target: Array, target_fibre: Array) -> _Walks:
    """Walk from each dart until a connector of the target port (and fibre, if not 0) is reached.

    A walk that returns to a side it left before is a loop (found by comparing with the side held at the
    last power of two steps).
    """
    link, n = plant.link, plant.n_connector_points
    connectors = plant.records.connectors
    port_of_connector = connectors.port
    has_built_in = plant.holder[:, FIXED] >= 0
    outcome = np.full(len(darts), OPEN, np.int8)
    last = darts.astype(np.int32)
    length = np.ones(len(darts), np.int64)
    rows = np.arange(len(darts))
    steps: list[tuple[Array, Array]] = [(rows, darts >> 1)]
    here = darts.astype(np.int32)
    seen, power, taken_steps = here.copy(), 1, 0
    wanted, fibre = target, target_fibre
    any_fibre = not fibre.any()
    while len(rows):
        there = link[here]
        stuck = there < 0
        if stuck.any():
            ended = rows[stuck]
            outcome[ended] = np.where(there[stuck] == MANY_LEGS, AT_SPLITTER, OPEN)
            last[ended] = here[stuck]
            go = ~stuck
            rows, there, wanted, fibre, seen = rows[go], there[go], wanted[go], fibre[go], seen[go]
        point = there >> 1
        steps.append((rows, point))
        length[rows] += 1
        owner = plant.connector_of[np.minimum(point, n - 1)] if n else point
        port = port_of_connector[owner]
        arrived = (port == wanted) & (point < n)
        if arrived.any():
            arrived &= (connectors.fixed_port[owner] >= 0) | ~has_built_in[np.maximum(port, 0)]
            if not any_fibre:
                arrived &= (fibre == 0) | (point - plant.first_point[owner] + 1 == fibre)
        here = there ^ 1
        taken_steps += 1
        looped = here == seen
        over = arrived | looped
        if over.any():
            outcome[rows[looped]] = LOOP
            last[rows[looped]] = here[looped]
            outcome[rows[arrived]] = ARRIVED
            last[rows[arrived]] = NONE
            go = ~over
            rows, here, wanted, fibre, seen = rows[go], here[go], wanted[go], fibre[go], seen[go]
        if taken_steps == power:
            seen, power, taken_steps = here.copy(), 2 * power, 0
    return _Walks(outcome, last, length, steps)


def _start_sides(plant: Plant, port: Array, fibre: Array) -> Array:
    """Sides through which a path may leave each port, in order of preference, -1 none. Shape (c, 4).

    A built-in end face: its mating side, or the splitter behind it. Otherwise the cables of the connectors
    in front and rear, and a splitter leg that stands behind the port.
    """
    connectors = plant.records.connectors
    sides = np.full((len(port), 4), NONE, np.int64)
    known = port >= 0
    at = plant.holder[np.maximum(port, 0)] if len(plant.holder) else np.full((len(port), 3), NONE, np.int32)
    at = np.where(known[:, None], at, NONE)

    def point(connector: Array) -> tuple[Array, Array]:
        there = (connector >= 0) & (fibre <= taken(connectors.fibre_count, connector, 0))
        return there, taken(plant.first_point[:-1], connector) + fibre - 1

    there, fixed_point = point(at[:, FIXED])
    sides[there, 0] = 2 * fixed_point[there] + MATE_SIDE
    behind = there & (taken(plant.link, np.where(there, 2 * fixed_point + CABLE_SIDE, NONE)) >= 0)
    sides[behind, 1] = 2 * fixed_point[behind] + CABLE_SIDE
    open_port = at[:, FIXED] < 0
    for column, face in ((0, FRONT), (1, REAR)):
        there, cable_point = point(at[:, face])
        there &= open_port
        sides[there, column] = 2 * cable_point[there] + CABLE_SIDE
        to_leg = taken(plant.link, np.where(there, 2 * cable_point + MATE_SIDE, NONE)) >= 2 * plant.first_leg
        sides[to_leg, 2 + column] = 2 * cable_point[to_leg] + MATE_SIDE
    return sides


@dataclass
class _Legwork:
    """What walking a set of circuits from one end gave, over all start sides tried."""

    outcome: Int8
    last: Int32
    found: list[tuple[Array, _Walks]]


def _walk_from(plant: Plant, rows: Array, port: Array, fibre: Array, target: Array, target_fibre: Array) -> _Legwork:
    """Walk from a port by each possible start side until the target is reached.

    Returns per row the outcome (that of the first side tried if none arrives), where it ended, and the
    walks that arrived as (rows, walks).
    """
    outcome = np.full(len(rows), NO_END_FACE, np.int8)
    last = np.full(len(rows), NONE, np.int32)
    found: list[tuple[Array, _Walks]] = []
    sides = _start_sides(plant, port, fibre)
    for column in range(sides.shape[1]):
        trying = np.flatnonzero((sides[:, column] >= 0) & (outcome != ARRIVED))
        if not len(trying):
            continue
        walks = _walk(plant, sides[trying, column], target[trying], target_fibre[trying])
        first = outcome[trying] == NO_END_FACE
        better = first | (walks.outcome == ARRIVED)
        outcome[trying[better]] = walks.outcome[better]
        last[trying[better]] = walks.last[better]
        if (walks.outcome == ARRIVED).any():
            found.append((rows[trying], walks))
    return _Legwork(outcome, last, found)


def trace_all(plant: Plant, circuits: npt.ArrayLike | None = None) -> Paths:
    """The path of every circuit (or of the circuit numbers given).

    A path starts with the end face built into the A port, if it has one, and ends likewise at Z; a port
    without one is left by whichever of its connectors leads to the other end. Where both ports are arrays,
    `fibre` counts at the A port and the path may arrive at any fibre of Z; otherwise it counts at the array.
    A broken, looping or wrongly recorded path gives `traced` False and where the walk from each end stopped.

    Parameters
    ----------
    plant
        From `build_plant`.
    circuits
        Row numbers of the circuits wanted; all if None.
    """
    records = plant.records.circuits
    numbers = np.arange(len(records.a_port)) if circuits is None else np.asarray(circuits, dtype=np.int64)
    a_port, z_port = records.a_port[numbers], records.z_port[numbers]
    fibre = records.fibre[numbers].astype(np.int64)
    port_fibres = plant.records.ports.fibre_count
    a_is_array = taken(port_fibres, a_port, 1) > 1
    z_is_array = taken(port_fibres, z_port, 1) > 1
    a_fibre = np.where(a_is_array, fibre, 1)
    z_fibre = np.where(z_is_array, fibre, 1)
    z_wanted = np.where(a_is_array & z_is_array, 0, np.where(z_is_array, fibre, 0))
    same = (a_port == z_port) | (a_port < 0) | (z_port < 0)

    count = len(numbers)
    a_outcome = np.full(count, NO_END_FACE, np.int8)
    z_outcome = np.full(count, NO_END_FACE, np.int8)
    a_last = np.full(count, NONE, np.int32)
    z_last = np.full(count, NONE, np.int32)
    from_z = np.flatnonzero(~same & ~(a_is_array & z_is_array))
    up = _walk_from(
        plant, from_z, z_port[from_z], z_fibre[from_z], a_port[from_z], np.where(a_is_array, a_fibre, 0)[from_z]
    )
    z_outcome[from_z], z_last[from_z] = up.outcome, up.last
    a_outcome[from_z[up.outcome == ARRIVED]] = ARRIVED
    from_a = np.flatnonzero(~same & (z_outcome != ARRIVED))
    down = _walk_from(plant, from_a, a_port[from_a], a_fibre[from_a], z_port[from_a], z_wanted[from_a])
    a_outcome[from_a], a_last[from_a] = down.outcome, down.last
    both_arrays = np.flatnonzero(~same & a_is_array & z_is_array)
    unfinished = both_arrays[a_outcome[both_arrays] != ARRIVED]
    back = _walk_from(
        plant, unfinished, z_port[unfinished], z_fibre[unfinished], a_port[unfinished], a_fibre[unfinished]
    )
    z_outcome[unfinished], z_last[unfinished] = back.outcome, back.last
    traced = (a_outcome == ARRIVED) | (z_outcome == ARRIVED)
    a_outcome[traced], z_outcome[traced] = ARRIVED, ARRIVED
    a_last[traced], z_last[traced] = NONE, NONE

    start, points = _gathered(count, [(up.found, True), (down.found, False), (back.found, True)])
    return Paths(
        circuits=numbers.astype(np.int32),
        start=start,
        points=points,
        traced=traced,
        a_outcome=a_outcome,
        z_outcome=z_outcome,
        a_last=a_last,
        z_last=z_last,
    )


def _gathered(count: int, found: list[tuple[list[tuple[Array, _Walks]], bool]]) -> tuple[Int64, Int32]:
    """Points of all walks that arrived, laid one circuit after another, A first."""
    length = np.zeros(count, np.int64)
    for walks_of_end, _ in found:
        for rows, walks in walks_of_end:
            good = walks.outcome == ARRIVED
            length[rows[good]] = walks.length[good]
    start = np.concatenate(([0], np.cumsum(length)))
    points = np.empty(int(start[-1]), np.int32)
    for walks_of_end, backwards in found:
        for rows, walks in walks_of_end:
            good = walks.outcome == ARRIVED
            all_good = bool(good.all())
            for step, (row, point) in enumerate(walks.steps):
                if not all_good:
                    kept = good[row]
                    row, point = row[kept], point[kept]
                circuit = rows[row]
                place = start[circuit + 1] - 1 - step if backwards else start[circuit] + step
                points[place] = point
    return start, points


def walked_points(plant: Plant, paths: Paths, rows: Array, *, from_a: bool) -> list[Array]:
    """Points that can be reached from the A (or Z) end of circuits without a path; one array per row given."""
    records = plant.records.circuits
    numbers = paths.circuits[rows]
    ports = plant.records.ports.fibre_count
    port = records.a_port[numbers] if from_a else records.z_port[numbers]
    fibre = np.where(taken(ports, port, 1) > 1, records.fibre[numbers], 1).astype(np.int64)
    sides = _start_sides(plant, port, fibre)
    first = np.argmax(sides >= 0, axis=1) if len(rows) else np.zeros(0, np.int64)
    start = sides[np.arange(len(rows)), first]
    going = np.flatnonzero(start >= 0)
    nowhere = np.full(len(going), -9)
    walks = _walk(plant, start[going], nowhere, np.zeros(len(going), np.int64))
    out: list[Array] = [np.zeros(0, np.int64) for _ in rows]
    row = np.concatenate([step[0] for step in walks.steps])
    point = np.concatenate([step[1] for step in walks.steps]).astype(np.int64)
    order = np.argsort(row, kind="stable")
    for place, part in zip(going, np.split(point[order], np.cumsum(walks.length)[:-1]), strict=False):
        out[int(place)] = part
    return out


def ends_of_walks(plant: Plant, sides: Array) -> Int32:
    """Side through which each walk, begun by leaving through the side given, can go no further."""
    return _walk(plant, sides, np.full(len(sides), -9), np.zeros(len(sides), np.int64)).last


def trace_circuit(plant: Plant, circuit_id: str) -> pd.DataFrame:
    """The path of one circuit as rows of `circuit_paths`.

    Raises
    ------
    TraceError
        There is no such circuit, or its path is broken; the message says where it ends from each side.
    """
    number = plant.number_of("circuits", circuit_id)
    if number < 0:
        raise TraceError(
            f"tracing: got circuit {circuit_id!r}, must be a circuit_id of the circuits table; check the spelling"
        )
    paths = trace_all(plant, np.array([number]))
    if not paths.traced[0]:
        raise TraceError(f"circuit {circuit_id}: {reasons(plant, paths)[0]}; see planner audit")
    return paths_frame(plant, paths)


# ---------------------------------------------------------------------------------------------------------
# paths -> rows


def element_rows(plant: Plant, paths: Paths) -> dict[str, Array]:
    """Every element of every path as integer columns, circuit by circuit from A to Z.

    Columns: `row` (row of `paths`), `position` (1-based), `kind` (code in ELEMENT_KINDS), `element`
    (number in the table of its kind), `connector`, `port`, `site` (-1 none), `fibre`, and `leg` (row of the
    branch leg, splitters only, else -1).
    """
    points = paths.points.astype(np.int64)
    count = np.diff(paths.start)
    row = np.repeat(np.arange(len(count)), count)
    if not len(points):
        nothing = np.zeros(0, np.int64)
        return dict.fromkeys(_ROW_COLUMNS, nothing)
    following = np.append(points[1:], NONE)
    following[paths.start[1:][count > 0] - 1] = NONE
    kind, element, connector, port, site, fibre, leg = _point_elements(plant, points)
    between = _between_elements(plant, points, following)

    # A splitter is two legs in the arrays and one element on a path: the first of the two is kept.
    is_leg = points >= plant.first_leg
    repeated = np.append(False, is_leg[1:] & is_leg[:-1] & (row[1:] == row[:-1]))
    pair = np.flatnonzero(is_leg[:-1] & repeated[1:])
    branch = np.maximum(leg[pair], 0)
    leg_number = plant.records.legs.leg
    other = leg[pair + 1]
    leg[pair] = np.where(leg_number[branch] > 0, leg[pair], other)
    fibre[pair] = leg_number[leg[pair]]

    # every point kept is a row, followed by a row for what lies between it and the next
    kept, keep_between = ~repeated, between["kind"] >= 0
    after = np.cumsum(kept.astype(np.int64) + keep_between)
    place_between = after[keep_between] - 1
    place = (after - 1 - keep_between)[kept]
    columns = {
        "row": row,
        "kind": kind,
        "element": element,
        "connector": connector,
        "port": port,
        "site": site,
        "fibre": fibre,
        "leg": leg,
    }
    out: dict[str, Array] = {}
    for name, values in columns.items():
        column = np.empty(int(after[-1]), np.int64)
        column[place] = values[kept]
        column[place_between] = between.get(name, row)[keep_between]
        out[name] = column
    first = np.searchsorted(out["row"], np.arange(len(count)))
    out["position"] = np.arange(len(out["row"])) - first[out["row"]] + 1
    return out


_ROW_COLUMNS = ("row", "position", "kind", "element", "connector", "port", "site", "fibre", "leg")


def _point_elements(plant: Plant, points: Array) -> tuple[Array, Array, Array, Array, Array, Array, Array]:
    """Kind, element, connector, port, site, fibre and leg of every light point."""
    n, first_splice, first_leg = plant.n_connector_points, plant.first_splice, plant.first_leg
    is_connector, is_leg = points < n, points >= first_leg
    splice = np.where(~is_connector & ~is_leg, points - first_splice, NONE)
    leg = np.where(is_leg, points - first_leg, NONE)
    connector = taken(plant.connector_of, np.where(is_connector, points, NONE)).astype(np.int64)
    port = taken(plant.records.connectors.port, connector).astype(np.int64)
    leg_port = taken(plant.records.legs.port, leg)
    site = taken(plant.site_of_port, np.where(is_leg, leg_port, port)).astype(np.int64)
    site = np.where(splice >= 0, taken(plant.records.splices.site, splice), site)
    splitter = taken(plant.records.legs.splitter, leg)
    kind = np.where(is_connector, CONNECTOR, np.where(is_leg, SPLITTER, SPLICE))
    element = np.where(is_connector, connector, np.where(is_leg, splitter, splice))
    fibre = np.where(is_connector, points - taken(plant.first_point[:-1], connector) + 1, 1)
    fibre = np.where(is_leg, taken(plant.records.legs.leg, leg), fibre)
    return kind, element, connector, port, site, fibre, leg


def _between_elements(plant: Plant, points: Array, following: Array) -> dict[str, Array]:
    """The adapter or cable between each point and the next one; kind -1 where there is neither."""
    records = plant.records
    n, first_leg = plant.n_connector_points, plant.first_leg
    has_next = following >= 0
    # the side that joins the two: 0 or 1 of this point
    mate_way = has_next & (plant.link[2 * points] == 2 * following) | has_next & (
        plant.link[2 * points] == 2 * following + 1
    )
    side = np.where(mate_way, 0, 1)
    joined_side = np.where(has_next, plant.link[2 * points + side] & 1, NONE)
    # describe the joint from an end that is a connector or splice, not a splitter leg
    turn = points >= first_leg
    describe = np.where(turn & has_next, following, points)
    describe_side = np.where(turn & has_next, joined_side, side)
    is_connector, is_leg = describe < n, describe >= first_leg
    connector = taken(plant.connector_of, np.where(is_connector, describe, NONE)).astype(np.int64)
    splice = np.where(~is_connector & ~is_leg, describe - plant.first_splice, NONE)
    position = np.where(is_connector, describe - taken(plant.first_point[:-1], connector), 0)
    adapter = has_next & is_connector & (describe_side == MATE_SIDE)
    cable = np.where(
        splice >= 0,
        np.where(describe_side == 0, taken(records.splices.cable_a, splice), taken(records.splices.cable_b, splice)),
        taken(records.connectors.cable, connector),
    ).astype(np.int64)
    on_cable = has_next & ~adapter & ~is_leg & (cable >= 0)
    end = np.where(
        splice >= 0,
        np.where(describe_side == 0, taken(records.splices.end_a, splice), taken(records.splices.end_b, splice)),
        taken(records.connectors.cable_end, connector),
    )
    fibre_here = _cable_fibre(plant, splice, describe_side, connector, position)
    # fibres of a cable are counted at its A end: look from the other end when this one is B
    other = np.where(describe == points, following, points)
    other_side = np.where(describe == points, joined_side, side)
    other_is_connector = (other >= 0) & (other < n)
    other_connector = taken(plant.connector_of, np.where(other_is_connector, other, NONE)).astype(np.int64)
    other_splice = np.where((other >= n) & (other < first_leg), other - plant.first_splice, NONE)
    other_position = np.where(other_is_connector, other - taken(plant.first_point[:-1], other_connector), 0)
    fibre_there = _cable_fibre(plant, other_splice, other_side, other_connector, other_position)
    known_there = other_is_connector | (other_splice >= 0)
    cable_fibre = np.where((end == 1) & known_there, fibre_there, fibre_here)
    port = np.where(adapter, taken(records.connectors.port, connector), NONE).astype(np.int64)
    kind = np.where(adapter, ADAPTER, np.where(on_cable, CABLE, NONE))
    nothing = np.full(len(points), NONE, np.int64)
    return {
        "kind": kind,
        "element": np.where(adapter, port, cable),
        "connector": nothing,
        "port": port,
        "site": np.where(adapter, taken(plant.site_of_port, port), NONE),
        "fibre": np.where(adapter, position + 1, cable_fibre),
        "leg": nothing,
    }


def _cable_fibre(plant: Plant, splice: Array, side: Array, connector: Array, position: Array) -> Array:
    """Number of the cable fibre (1-based) at a splice side or a connector position."""
    splices = plant.records.splices
    at_splice = np.where(side == 0, taken(splices.fibre_a, splice), taken(splices.fibre_b, splice))
    return np.where(splice >= 0, at_splice, taken(plant.records.connectors.first_fibre, connector) + position)


def _details(plant: Plant, rows: dict[str, Array]) -> tuple[Array, list[str]]:
    """Detail of every row as a code and the texts the codes stand for (-1 empty)."""
    kind, element, leg = rows["kind"], rows["element"], rows["leg"]
    records = plant.records
    texts = [*FIBRE_TYPES, *SPLICE_KINDS]
    code = np.full(len(kind), NONE, np.int64)
    on_cable = kind == CABLE
    code[on_cable] = records.cables.fibre_type[element[on_cable]]
    at_splice = kind == SPLICE
    splice_kind = records.splices.kind[element[at_splice]].astype(np.int64)
    code[at_splice] = np.where(splice_kind >= 0, splice_kind + len(FIBRE_TYPES), NONE)
    at_splitter = np.flatnonzero(kind == SPLITTER)
    legs_used, where = np.unique(leg[at_splitter], return_inverse=True)
    code[at_splitter] = len(texts) + where
    texts += [_leg_text(plant, int(number)) for number in legs_used]
    at_adapter = np.flatnonzero(kind == ADAPTER)
    labels = records.ports.label.dictionary_encode() if len(records.ports.label) else None
    if labels is not None and len(at_adapter):
        label_code = np.asarray(labels.indices.fill_null(-1))[element[at_adapter]].astype(np.int64)
        code[at_adapter] = np.where(label_code >= 0, label_code + len(texts), NONE)
        texts += [str(text) for text in labels.dictionary.to_pylist()]
    return code, texts


def _leg_text(plant: Plant, leg: int) -> str:
    legs = plant.records.legs
    ratio = int(legs.ratio[leg])
    return f"leg {int(legs.leg[leg])}" + (f" of 1:{ratio}" if ratio else "")


def _named(codes: Array, texts: Any) -> Any:
    """Codes (-1 empty) as an arrow dictionary column over the texts."""
    codes = codes.astype(np.int32)
    return pa.DictionaryArray.from_arrays(pa.array(codes, mask=codes < 0), texts)


def paths_table(plant: Plant, paths: Paths, rows: dict[str, Array] | None = None) -> Any:
    """`paths_frame` as an arrow table whose text columns are dictionaries: no text is copied.

    `rows` are those of `element_rows`, if they are at hand.
    """
    rows = element_rows(plant, paths) if rows is None else rows
    kind, element = rows["kind"], rows["element"]
    records = plant.records
    tables = (
        records.connectors.ids,
        records.ports.ids,
        records.cables.ids,
        records.splices.ids,
        records.legs.ids,
    )
    shift = np.concatenate(([0], np.cumsum([len(ids) for ids in tables])))
    all_ids = pa.concat_arrays([pa.array(ids, type=pa.string()) for ids in tables])
    detail, texts = _details(plant, rows)
    on_cable = kind == CABLE
    length = np.full(len(kind), np.nan)
    length[on_cable] = records.cables.length_m[element[on_cable]]
    return pa.table(
        {
            "circuit_id": _named(paths.circuits[rows["row"]], records.circuits.ids),
            "position": pa.array(rows["position"]),
            "element_kind": _named(kind, pa.array(ELEMENT_KINDS)),
            "element_id": _named(element + shift[kind], all_ids),
            "connector_id": _named(rows["connector"], records.connectors.ids),
            "port_id": _named(rows["port"], records.ports.ids),
            "site_id": _named(rows["site"], records.sites.ids),
            "fibre": pa.array(rows["fibre"]),
            "length_m": pa.array(length, mask=np.isnan(length)),
            "detail": _named(detail, pa.array(texts, type=pa.string())),
        }
    )


def paths_frame(plant: Plant, paths: Paths) -> pd.DataFrame:
    """Rows of `circuit_paths`: one per element of each complete path, in order.

    `element_kind` is connector, adapter, cable, splice or splitter; `element_id` of an adapter is its port;
    `connector_id` stands only at connectors; `site_id` is empty for cables; a cable's `fibre` counts at its
    end A, a splitter's is the branch leg.
    """
    table = paths_table(plant, paths)
    plain = [column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column for column in table.columns]
    frame: pd.DataFrame = pa.table(plain, names=table.column_names).to_pandas()
    return frame


def reached_frame(plant: Plant, paths: Paths, row: int, *, from_a: bool) -> pd.DataFrame:
    """How far the path of an incomplete circuit gets from one end: rows as of `paths_frame`, that end first.

    Parameters
    ----------
    row
        Row of the circuit in `paths`.
    from_a
        From the A end, else from Z.
    """
    points = walked_points(plant, paths, np.array([row]), from_a=from_a)[0].astype(np.int32)
    part = replace(paths, circuits=paths.circuits[row : row + 1], start=np.array([0, len(points)]), points=points)
    return paths_frame(plant, part)


def status_frame(plant: Plant, paths: Paths, rows: dict[str, Array] | None = None) -> pd.DataFrame:
    """Rows of `circuit_status`: whether each circuit was traced, why not, and what its path is made of.

    `rows` are those of `element_rows`, if they are at hand.
    """
    rows = element_rows(plant, paths) if rows is None else rows
    count, row, kind = len(paths.circuits), rows["row"], rows["kind"]
    circuits, records = paths.circuits, plant.records

    def number(of_kind: int) -> Array:
        return np.bincount(row[kind == of_kind], minlength=count)

    metres = taken(records.cables.length_m, np.where(kind == CABLE, rows["element"], NONE), 0.0)
    # sites touched: distinct (circuit, site) pairs
    has_site = rows["site"] >= 0
    pairs = distinct(row[has_site] * (len(records.sites.ids) + 1) + rows["site"][has_site])
    sites = np.bincount(pairs // (len(records.sites.ids) + 1), minlength=count)
    known = paths.traced

    def where_traced(values: Array) -> pd.Series:
        return pd.Series(values).astype("Int64").where(known)

    return pd.DataFrame(
        {
            "circuit_id": records.circuits.ids.take(pa.array(circuits)).to_numpy(zero_copy_only=False),
            "traced": known,
            "reason": reasons(plant, paths),
            "connectors": where_traced(number(CONNECTOR)),
            "mated_pairs": where_traced(_mated_pairs(rows, count)),
            "splices": where_traced(number(SPLICE)),
            "splitters": where_traced(number(SPLITTER)),
            "sites": where_traced(sites),
            "length_m": np.where(known, np.bincount(row, weights=metres, minlength=count), np.nan),
            "a_site_id": _plain(taken(plant.site_of_port, records.circuits.a_port[circuits]), records.sites.ids),
            "z_site_id": _plain(taken(plant.site_of_port, records.circuits.z_port[circuits]), records.sites.ids),
        }
    )


def _mated_pairs(rows: dict[str, Array], count: int) -> Array:
    """Adapters with a connector on both sides, per circuit."""
    kind, row = rows["kind"], rows["row"]
    middle = np.flatnonzero(kind == ADAPTER)
    middle = middle[(middle > 0) & (middle < len(kind) - 1)]
    pair = (kind[middle - 1] == CONNECTOR) & (kind[middle + 1] == CONNECTOR)
    return np.bincount(row[middle[pair]], minlength=count)


def _plain(codes: Array, ids: Any) -> Array:
    """Ids of codes as objects, None for -1."""
    plain: Array = _named(codes, ids).cast(pa.string()).to_numpy(zero_copy_only=False)
    return plain


# ---------------------------------------------------------------------------------------------------------
# why a circuit could not be traced


def reasons(plant: Plant, paths: Paths) -> Array:
    """Why each circuit could not be traced, in words; empty for those that were. Shape (c,)."""
    out = np.full(len(paths.circuits), "", dtype=object)
    for row in np.flatnonzero(~paths.traced):
        out[row] = "; ".join(_reason_parts(plant, paths, int(row)))
    return out


def _reason_parts(plant: Plant, paths: Paths, row: int) -> Iterator[str]:
    circuits = plant.records.circuits
    number = int(paths.circuits[row])
    a_port, z_port = int(circuits.a_port[number]), int(circuits.z_port[number])
    if a_port < 0 or z_port < 0:
        yield "its A or Z port is not in the ports table"
        return
    if a_port == z_port:
        yield f"its A and Z port are the same port {plant.id_of('ports', a_port)}"
        return
    for end, port, outcome, last in (
        ("A", a_port, int(paths.a_outcome[row]), int(paths.a_last[row])),
        ("Z", z_port, int(paths.z_outcome[row]), int(paths.z_last[row])),
    ):
        if outcome == NO_END_FACE:
            yield f"at the {end} end no end face is recorded in port {plant.id_of('ports', port)}"
        elif outcome == LOOP:
            yield f"from the {end} end the records run in a loop through {describe_side(plant, last)}"
        elif outcome == AT_SPLITTER:
            yield f"from the {end} end it reaches {describe_side(plant, last)}, whose branches do not lead on"
        elif outcome == OPEN:
            yield f"from the {end} end it stops at {describe_side(plant, last)}"


def describe_side(plant: Plant, side: int) -> str:
    """A side of a light point in words: what it is, where, and what is missing beyond it."""
    point, which = side >> 1, side & 1
    records = plant.records
    if point < plant.n_connector_points:
        connector = int(plant.connector_of[point])
        port = int(records.connectors.port[connector])
        name = f"connector {plant.id_of('connectors', connector)}"
        if which == MATE_SIDE and port < 0:
            return f"{name} (plugged in nowhere)"
        if which == MATE_SIDE:
            return f"{name} in port {plant.id_of('ports', port)} (nothing is recorded opposite)"
        cable = int(records.connectors.cable[connector])
        if cable < 0:
            return f"{name} built into port {plant.id_of('ports', port)} (another port than its own)"
        return f"cable {plant.id_of('cables', cable)} beyond {name} (nothing is recorded at its other end)"
    if point < plant.first_leg:
        splice = point - plant.first_splice
        cable = int((records.splices.cable_a if which == 0 else records.splices.cable_b)[splice])
        return (
            f"cable {plant.id_of('cables', cable)} beyond splice {plant.id_of('splices', splice)} "
            "(nothing is recorded at its other end)"
        )
    leg = point - plant.first_leg
    name = f"splitter {plant.id_of('legs', int(records.legs.splitter[leg]))} leg {int(records.legs.leg[leg])}"
    if which == INWARD:
        return name
    assert which == OUTWARD
    return f"{name} (nothing is recorded at its port {plant.id_of('ports', int(records.legs.port[leg]))})"
