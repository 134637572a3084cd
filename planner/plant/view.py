"""The plant as a networkx graph that reads the arrays: nothing is copied, nothing can be changed.

Nodes are light points: ("connector", connector_id, fibre), ("splice", splice_id, 1) and
("splitter", splitter_id, leg). Edges carry `kind` (adapter, cable, splitter or inside), `element_id` and
`length_m` (0 except for cables), so that path functions of networkx can weigh by length.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple, TypeVar

import networkx as nx
import numpy as np

from planner.plant.graph import MATE_SIDE, Plant, find_id

V = TypeVar("V")

NODE_KINDS = ("connector", "splice", "splitter")


class LightPoint(NamedTuple):
    """A node: one fibre of a connector, a splice, or a splitter leg (0 is the common leg)."""

    kind: str
    element_id: str
    fibre: int


class _Keys:
    """Light points by number and back."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant

    def key(self, number: int) -> Any:
        """The node of a point."""
        plant = self.plant
        if number < plant.n_connector_points:
            connector = int(plant.connector_of[number])
            name = plant.records.connectors.ids[connector].as_py()
            return LightPoint("connector", name, number - int(plant.first_point[connector]) + 1)
        if number < plant.first_leg:
            return LightPoint("splice", plant.records.splices.ids[number - plant.first_splice].as_py(), 1)
        leg = number - plant.first_leg
        legs = plant.records.legs
        return LightPoint("splitter", legs.ids[int(legs.splitter[leg])].as_py(), int(legs.leg[leg]))

    def number(self, node: Any) -> int:
        """The point of a node; -1 if it is none."""
        if not isinstance(node, tuple) or len(node) != 3:
            return -1
        kind, name, fibre = node
        plant = self.plant
        if not isinstance(name, str) or isinstance(fibre, bool) or not isinstance(fibre, (int, np.integer)):
            return -1
        if kind == "connector":
            connector = find_id(plant.records.connectors.ids, name)
            if connector < 0 or not 1 <= fibre <= int(plant.records.connectors.fibre_count[connector]):
                return -1
            return int(plant.first_point[connector]) + int(fibre) - 1
        if kind == "splice":
            splice = find_id(plant.records.splices.ids, name)
            return plant.first_splice + splice if splice >= 0 and fibre == 1 else -1
        if kind == "splitter":
            splitter = find_id(plant.records.legs.ids, name)
            if splitter < 0:
                return -1
            if fibre == 0:
                leg = int(plant.common_leg[splitter])
            else:
                order, start = plant.legs_in_order
                legs = order[start[splitter] : start[splitter + 1]]
                hits = legs[plant.records.legs.leg[legs] == fibre]
                leg = int(hits[0]) if len(hits) else -1
            return plant.first_leg + leg if leg >= 0 else -1
        return -1


class _NumberKeys(_Keys):
    """Nodes that are the light points' numbers themselves."""

    def key(self, number: int) -> Any:
        return int(number)

    def number(self, node: Any) -> int:
        if isinstance(node, bool) or not isinstance(node, (int, np.integer)):
            return -1
        return int(node) if 0 <= node < self.plant.n_points else -1


def _neighbours(plant: Plant, number: int) -> list[tuple[int, int]]:
    """Points joined to a point, each with the side of this point it is joined by."""
    link = plant.link
    out = []
    for side in (2 * number, 2 * number + 1):
        there = int(link[side])
        if there >= 0:
            out.append((there >> 1, side))
    leg = number - plant.first_leg
    if leg >= 0 and plant.records.legs.leg[leg] == 0:
        splitter = int(plant.records.legs.splitter[leg])
        if plant.common_leg[splitter] == leg:
            order, start = plant.legs_in_order
            branches = order[start[splitter] : start[splitter + 1]]
            out += [(plant.first_leg + int(branch), 2 * number + 1) for branch in branches]
    # two joints between the same two points (a cord in both faces of one port) are one edge here
    return list({point: (point, side) for point, side in reversed(out)}.values())[::-1]


def _edge(plant: Plant, number: int, other: int, side: int) -> dict[str, Any]:
    """Attributes of the edge by which a point is joined to another."""
    n, first_leg = plant.n_connector_points, plant.first_leg
    records = plant.records
    if number >= first_leg and other >= first_leg:
        splitter = int(records.legs.splitter[number - first_leg])
        return {"kind": "splitter", "element_id": records.legs.ids[splitter].as_py(), "length_m": 0.0}
    if number >= first_leg:
        number, side = other, next(s for s in (2 * other, 2 * other + 1) if plant.link[s] >= 2 * first_leg)
    which = side & 1
    if number < n:
        connector = int(plant.connector_of[number])
        if which == MATE_SIDE:
            port = int(records.connectors.port[connector])
            return {"kind": "adapter", "element_id": plant.id_of("ports", port), "length_m": 0.0}
        cable = int(records.connectors.cable[connector])
        if cable < 0:
            port = int(records.connectors.fixed_port[connector])
            return {"kind": "inside", "element_id": plant.id_of("ports", port), "length_m": 0.0}
    else:
        splice = number - plant.first_splice
        cable = int((records.splices.cable_a, records.splices.cable_b)[which][splice])
    length = float(records.cables.length_m[cable])
    return {"kind": "cable", "element_id": plant.id_of("cables", cable), "length_m": length}


class _Row(Mapping[Any, dict[str, Any]]):
    """Neighbours of one node with the attributes of the edges."""

    def __init__(self, plant: Plant, keys: _Keys, number: int) -> None:
        self._plant, self._keys, self._number = plant, keys, number

    def __iter__(self) -> Iterator[Any]:
        return (self._keys.key(point) for point, _ in _neighbours(self._plant, self._number))

    def __len__(self) -> int:
        return len(_neighbours(self._plant, self._number))

    def __contains__(self, node: object) -> bool:
        return any(point == self._keys.number(node) for point, _ in _neighbours(self._plant, self._number))

    def __getitem__(self, node: Any) -> dict[str, Any]:
        number = self._keys.number(node)
        for point, side in _neighbours(self._plant, self._number):
            if point == number:
                return _edge(self._plant, self._number, point, side)
        raise KeyError(node)


class _Points(Mapping[Any, V]):
    """Something about every node, read from the arrays when asked."""

    def __init__(self, plant: Plant, keys: _Keys) -> None:
        self._plant, self._keys = plant, keys

    def __iter__(self) -> Iterator[Any]:
        return (self._keys.key(number) for number in range(self._plant.n_points))

    def __len__(self) -> int:
        return self._plant.n_points

    def __contains__(self, node: object) -> bool:
        return self._keys.number(node) >= 0

    def _number(self, node: Any) -> int:
        number = self._keys.number(node)
        if number < 0:
            raise KeyError(node)
        return number


class _Adjacency(_Points[_Row]):
    """Every node's neighbours."""

    def __getitem__(self, node: Any) -> _Row:
        return _Row(self._plant, self._keys, self._number(node))


class _NodeData(_Points[dict[str, Any]]):
    """Attributes of every node: kind, port_id and site_id (empty where there is none)."""

    def __getitem__(self, node: Any) -> dict[str, Any]:
        number, plant = self._number(node), self._plant
        if number < plant.n_connector_points:
            kind, port = 0, int(plant.records.connectors.port[plant.connector_of[number]])
        elif number < plant.first_leg:
            site = int(plant.records.splices.site[number - plant.first_splice])
            return {"kind": "splice", "port_id": "", "site_id": plant.id_of("sites", site)}
        else:
            kind, port = 2, int(plant.records.legs.port[number - plant.first_leg])
        site = int(plant.site_of_port[port]) if port >= 0 else -1
        return {"kind": NODE_KINDS[kind], "port_id": plant.id_of("ports", port), "site_id": plant.id_of("sites", site)}


def as_networkx(plant: Plant, *, numbers: bool = False) -> nx.Graph:
    """A read-only networkx graph over the plant's arrays.

    Parameters
    ----------
    plant
        From `build_plant`.
    numbers
        Use the light points' numbers as nodes instead of (kind, id, fibre): quicker on large plants, and
        what `Paths.points` holds.

    Returns
    -------
    A frozen `networkx.Graph`: queries work as on any graph, changes raise `networkx.NetworkXError`. Make an
    editable copy of a part with `nx.Graph(view.subgraph(nodes))`. It relies on an internal name of networkx,
    `Graph._adj`, whose version is therefore pinned.

    Nodes read `("connector", "C1", 1)`: kind, id, fibre; so a path between two end faces is
    `nx.shortest_path(as_networkx(plant), ("connector", "C1", 1), ("connector", "C9", 1))`.
    """
    keys: _Keys = _NumberKeys(plant) if numbers else _Keys(plant)
    graph = nx.Graph()
    graph._adj = _Adjacency(plant, keys)
    graph._node = _NodeData(plant, keys)
    return nx.freeze(graph)
