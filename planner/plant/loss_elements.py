"""Traced paths -> what loses light along them, as integers: mated pairs, cables, splices, splitters.

In come the plant's arrays and the light points of all paths. Out come the elements of all circuits one after
another with one small code each that says what decides its loss. No text is touched and no row is listed, so
that budgets of a whole fleet are sums over arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from planner.plant.graph import CABLE_SIDE, GRADES, MATE_SIDE, NONE, SPLICE_KINDS, Plant, taken
from planner.plant.trace import Paths
from planner.tables.intake_tables import FAMILIES, FIBRE_TYPES, POLISHES, PORT_ROLES

Array = npt.NDArray[Any]
Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

KINDS = ("mated_pair", "cable", "splice", "splitter")
PAIR, CABLE, SPLICE, SPLITTER = range(4)

# A face code packs whether it is an array, its polish and its grade (0 unknown); a pair code packs two faces
# and whether the second is only presumed.
_POLISH_BASE, _GRADE_BASE = len(POLISHES) + 1, len(GRADES) + 1
FACE_CODES = 2 * _POLISH_BASE * _GRADE_BASE
FIRST_CABLE = 2 * FACE_CODES * FACE_CODES
FIRST_SPLICE = FIRST_CABLE + len(FIBRE_TYPES) + 1
FIRST_SPLITTER = FIRST_SPLICE + 4

BLOCK = 1 << 16
"""Light points worked on at a time, whole circuits: what is in hand then stays in the processor's cache."""


@dataclass(frozen=True)
class ElementNames:
    """Which elements they are: only rows that are stored or shown need it.

    Attributes
    ----------
    position
        1-based position in the circuit's path, of a pair that of its first end face. Shape (e,).
    element
        Number of the element in `ids` of its kind; a mated pair goes by the port it meets in. Shape (e,).
    ids
        Text ids that `element` counts in, one arrow array per kind.
    """

    position: Int32
    element: Int32
    ids: tuple[Any, ...]


@dataclass(frozen=True)
class LossElements:
    """Elements that lose light, circuit by circuit from A to Z.

    Attributes
    ----------
    start
        Where each circuit's elements begin; one more at the end. Shape (c + 1,).
    code
        What decides the loss apart from length: `pair_codes`, `cable_codes`, `splice_codes` or
        `splitter_codes`. Shape (e,).
    length_km
        Length of a cable, else 0; 0 where it is not recorded. Shape (e,).
    splice_loss_db
        Loss of a splice as built; NaN where it is not recorded and for other kinds. Shape (e,).
    circuit_ids
        Id of each circuit. Arrow array, shape (c,).
    names
        Which elements they are; None if not asked for.
    """

    start: Int64
    code: Int32
    length_km: Floats
    splice_loss_db: Floats
    circuit_ids: Any
    names: ElementNames | None

    @property
    def kind(self) -> Int8:
        """Code of every element's kind in `KINDS`. Shape (e,)."""
        kind: Int8 = (self.code >= FIRST_CABLE).astype(np.int8)
        kind += self.code >= FIRST_SPLICE
        kind += self.code >= FIRST_SPLITTER
        return kind


def face_codes(is_array: Array, polish: Array, grade: Array) -> Int32:
    """Code of end faces; `polish` and `grade` are places in their lists, -1 unknown."""
    code: Int32 = (is_array + 2 * ((polish.astype(np.int32) + 1) + _POLISH_BASE * (grade.astype(np.int32) + 1))).astype(
        np.int32
    )
    return code


def of_face(code: Array) -> tuple[Array, Array, Array]:
    """Whether an array, polish and grade (-1 unknown) of face codes."""
    rest = code // 2
    return code % 2 == 1, rest % _POLISH_BASE - 1, rest // _POLISH_BASE - 1


def pair_codes(face: Array, other: Array, is_lone: Array | bool) -> Int32:
    """Code of mated pairs from the codes of both faces; `is_lone` where the other one is only presumed."""
    code: Int32 = ((is_lone * FACE_CODES + face) * FACE_CODES + other).astype(np.int32)
    return code


def of_pair(code: Array) -> tuple[Array, Array, Array]:
    """Both face codes of pair codes, and whether the other face is only presumed."""
    faces = code // FACE_CODES
    return faces % FACE_CODES, code % FACE_CODES, faces >= FACE_CODES


def cable_codes(fibre_type: Array) -> Int32:
    """Code of cables by fibre type, -1 unknown."""
    code: Int32 = (FIRST_CABLE + 1 + fibre_type.astype(np.int32)).astype(np.int32)
    return code


def splice_codes(loss_db: Array, is_mechanical: Array) -> Int32:
    """Code of splices: whether their loss is recorded, and whether they are mechanical."""
    code: Int32 = (FIRST_SPLICE + ~np.isnan(loss_db) + 2 * is_mechanical).astype(np.int32)
    return code


def splitter_codes(ratio: Array) -> Int32:
    """Code of splitters by their number of branches, 0 unknown."""
    code: Int32 = (FIRST_SPLITTER + np.maximum(ratio, 0)).astype(np.int32)
    return code


def loss_elements(plant: Plant, paths: Paths, *, named: bool = True) -> LossElements:
    """What loses light along every path, straight from the light points.

    Two end faces mated in one adapter are one element. An end face that ends a path in equipment whose own
    end face is not recorded counts as a pair with a presumed one; elsewhere a lone end face costs nothing.
    Circuits without a path have no elements.

    Parameters
    ----------
    named
        Whether to say which elements they are; sums do not need it.
    """
    lookups = _Lookups.of(plant)
    inner = np.searchsorted(paths.start, np.arange(BLOCK, len(paths.points), BLOCK))
    edges = np.unique(np.concatenate(([0], inner, [len(paths.start) - 1]))).tolist()
    blocks = [_block(plant, lookups, paths, one, other, named) for one, other in pairwise(edges)]
    count = np.concatenate([block.count for block in blocks]) if blocks else np.zeros(0, np.int64)

    def joined(column: str, dtype: type) -> Array:
        return np.concatenate([getattr(block, column) for block in blocks]) if blocks else np.zeros(0, dtype)

    records = plant.records
    ids = (records.ports.ids, records.cables.ids, records.splices.ids, records.legs.ids)
    return LossElements(
        start=np.append(0, np.cumsum(count)),
        code=joined("code", np.int32),
        length_km=joined("length_km", np.float64),
        splice_loss_db=joined("splice_loss_db", np.float64),
        circuit_ids=records.circuits.ids.take(pa.array(paths.circuits)),
        names=ElementNames(joined("position", np.int32), joined("element", np.int32), ids) if named else None,
    )


@dataclass(frozen=True)
class _Lookups:
    """What is known of every side, point and cable of the plant.

    `cable_of_side` is the cable that begins at a side (2 * point + side), -1 where none does; `code_of_point`
    the code of its end face, its splice or its splitter.
    """

    cable_of_side: Int32
    code_of_point: Int32
    code_of_cable: Int32
    km_of_cable: Floats

    @classmethod
    def of(cls, plant: Plant) -> _Lookups:
        """From the plant's records."""
        records = plant.records
        connectors, splices = records.connectors, records.splices
        cable = np.full((plant.n_points, 2), NONE, np.int32)
        cable[: plant.first_splice, CABLE_SIDE] = connectors.cable[plant.connector_of]
        cable[plant.first_splice : plant.first_leg, 0] = splices.cable_a
        cable[plant.first_splice : plant.first_leg, 1] = splices.cable_b
        face = face_codes(connectors.family == FAMILIES.index("MPO"), connectors.polish, connectors.grade)
        splice = splice_codes(splices.loss_db, splices.kind == SPLICE_KINDS.index("mechanical"))
        splitter = splitter_codes(branches_of(plant))[records.legs.splitter]
        return cls(
            cable_of_side=cable.ravel(),
            code_of_point=np.concatenate((face[plant.connector_of], splice, splitter)),
            code_of_cable=cable_codes(records.cables.fibre_type),
            km_of_cable=np.nan_to_num(records.cables.length_m) / 1000.0,
        )


@dataclass(frozen=True)
class _Block:
    """Loss elements of some circuits; `count` is their number per circuit."""

    count: Int64
    code: Int32
    length_km: Floats
    splice_loss_db: Floats
    position: Int32
    element: Int32


def _block(plant: Plant, lookups: _Lookups, paths: Paths, one: int, other: int, named: bool) -> _Block:
    """Loss elements of the circuits in rows `one` to `other` of the paths."""
    start = paths.start[one : other + 1] - paths.start[one]
    points = paths.points[paths.start[one] : paths.start[other]].astype(np.int64)
    n, first_leg = plant.n_connector_points, plant.first_leg
    filled = np.flatnonzero(np.diff(start))
    first, last = start[filled], start[filled + 1] - 1
    following = np.empty_like(points)
    following[:-1] = points[1:]
    following[last] = NONE
    by_first = (plant.link.take(2 * points) >> 1) == following
    by_first[last] = False
    cable = lookups.cable_of_side.take(2 * points + ~by_first)
    cable[last] = NONE
    here = lookups.code_of_point.take(points)
    is_face = points < n
    adapter = by_first & is_face
    pair = np.flatnonzero(adapter & (following < n))
    # a splitter is two legs in a row and one element; a leg's joint is described from its other end
    leg = np.flatnonzero(points >= first_leg)
    repeated = leg[1:][(np.diff(leg) == 1) & (following[leg[:-1]] >= 0)]
    leaving = leg[(following[leg] >= 0) & (following[leg] < first_leg)]
    arrives = plant.link[2 * points[leaving] + ~by_first[leaving]]
    cable[leaving] = lookups.cable_of_side[arrives]
    adapter[leaving] = (following[leaving] < n) & (arrives & 1 == MATE_SIDE)

    # every point brings at most one element of its own, then perhaps the cable to the next point
    code = np.full((len(points), 2), NONE, np.int32)
    np.copyto(code[:, 0], here, where=~is_face)
    code[repeated, 0] = NONE
    code[pair, 0] = pair_codes(here[pair], here[pair + 1], False)
    for end, is_paired in ((first, adapter[first]), (last, (last > first) & adapter[last - 1])):
        alone = end[~is_paired]
        alone = alone[_in_equipment(plant, points[alone])]
        code[alone, 0] = pair_codes(here[alone], here[alone], True)
    on_cable = np.flatnonzero(cable >= 0)
    number = cable[on_cable]
    code[on_cable, 1] = lookups.code_of_cable.take(number)
    kept = np.flatnonzero(code.ravel() >= 0)
    code = code.ravel()[kept]
    length, loss = np.zeros(len(kept)), np.full(len(kept), np.nan)
    length[np.flatnonzero(kept & 1)] = lookups.km_of_cable.take(number)
    splice = np.flatnonzero((code >= FIRST_SPLICE) & (code < FIRST_SPLITTER))
    loss[splice] = plant.records.splices.loss_db[points[kept[splice] >> 1] - plant.first_splice]
    nothing = np.zeros(0, np.int32)
    return _Block(
        count=np.diff(np.searchsorted(kept, 2 * start)),
        code=code,
        length_km=length,
        splice_loss_db=loss,
        position=_positions(start, kept, adapter | (cable >= 0), repeated) if named else nothing,
        element=_numbers(plant, points, kept, cable) if named else nothing,
    )


def _in_equipment(plant: Plant, points: Array) -> Array:
    """Whether each point is an end face in a port of equipment."""
    connector = taken(plant.connector_of, np.where(points < plant.n_connector_points, points, NONE))
    role = taken(plant.records.ports.role, taken(plant.records.connectors.port, connector))
    in_equipment: Array = role == PORT_ROLES.index("equipment")
    return in_equipment


def _positions(start: Int64, kept: Array, has_more: Array, repeated: Array) -> Int32:
    """Position on its path of every element kept: 2 * point, + 1 for what lies between it and the next."""
    counted = np.ones((len(has_more), 2), np.int32)
    counted[repeated, 0] = 0
    counted[:, 1] = has_more
    counted = np.cumsum(counted.ravel(), dtype=np.int32)
    length = np.diff(start)
    before = counted.take(2 * start[:-1][length > 0]) - 1
    positions: Int32 = counted[kept] - np.repeat(before, length[length > 0])[kept >> 1]
    return positions


def _numbers(plant: Plant, points: Array, kept: Array, cable: Array) -> Int32:
    """Number of every element kept, in the table of its kind."""
    records = plant.records
    point = points[kept >> 1]
    owner = taken(plant.connector_of, np.where(point < plant.n_connector_points, point, NONE))
    element = taken(records.connectors.port, owner)
    splice, leg = point - plant.first_splice, point - plant.first_leg
    np.copyto(element, splice, where=(splice >= 0) & (leg < 0), casting="unsafe")
    np.copyto(element, taken(records.legs.splitter, np.maximum(leg, NONE)), where=leg >= 0)
    np.copyto(element, cable[kept >> 1], where=kept & 1 == 1)
    return element


def branches_of(plant: Plant) -> Array:
    """Branches of every splitter: the ratio its legs give, else its highest leg number; 0 unknown."""
    legs = plant.records.legs
    ratio, highest = np.zeros(len(legs.ids), np.int32), np.zeros(len(legs.ids), np.int32)
    np.maximum.at(ratio, legs.splitter, legs.ratio)
    np.maximum.at(highest, legs.splitter, legs.leg)
    return np.where(ratio > 0, ratio, highest)
