"""The networkx view over the arrays answers as a plain dict graph of networkx does."""

from __future__ import annotations

import sys
from pathlib import Path

import networkx as nx
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "property"))

from random_plants import random_plant

from planner.errors import TraceError
from planner.plant import Plant, as_networkx, build_plant, trace_all, trace_circuit

SEEDS = range(3)


@pytest.fixture(params=SEEDS, scope="module")
def plant(request: pytest.FixtureRequest) -> Plant:
    """A random plant with cords, splices, arrays and splitters."""
    tables, _ = random_plant(int(request.param), circuits=15)
    return build_plant(tables)


@pytest.fixture(params=[False, True], ids=["names", "numbers"])
def numbers(request: pytest.FixtureRequest) -> bool:
    """Whether nodes are light-point numbers or (kind, id, fibre)."""
    return bool(request.param)


def dict_graph(view: nx.Graph) -> nx.Graph:
    """The same graph as ordinary dicts."""
    plain = nx.Graph()
    plain.add_nodes_from((node, dict(data)) for node, data in view.nodes(data=True))
    plain.add_edges_from((u, v, dict(data)) for u, v, data in view.edges(data=True))
    return plain


def test_it_has_the_nodes_and_edges_of_the_plant(plant: Plant, numbers: bool) -> None:
    """Every light point is a node; every joint is seen alike from both its ends."""
    view = as_networkx(plant, numbers=numbers)
    assert view.number_of_nodes() == plant.n_points == len(list(view))
    for node in view:
        assert node in view
        for other, edge in view[node].items():
            assert view[other][node] == edge
            assert other in view[node] and view.has_edge(other, node)
    plain = dict_graph(view)
    assert view.number_of_edges() == plain.number_of_edges()
    assert dict(view.degree()) == dict(plain.degree())
    assert view.size(weight="length_m") == pytest.approx(plain.size(weight="length_m"))


def test_queries_equal_those_of_a_dict_graph(plant: Plant, numbers: bool) -> None:
    """Paths, components, neighbourhoods, trees, bridges and subgraphs come out the same."""
    view = as_networkx(plant, numbers=numbers)
    plain = dict_graph(view)

    def sets(parts: object) -> set[frozenset[object]]:
        return {frozenset(part) for part in parts}  # type: ignore[attr-defined]

    assert sets(nx.connected_components(view)) == sets(nx.connected_components(plain))
    assert {frozenset(e) for e in nx.bridges(view)} == {frozenset(e) for e in nx.bridges(plain)}
    assert nx.is_forest(view) == nx.is_forest(plain)
    nodes = list(view)[:: max(len(view) // 25, 1)]
    for node in nodes:
        assert nx.node_connected_component(view, node) == nx.node_connected_component(plain, node)
        assert set(nx.ego_graph(view, node, radius=3)) == set(nx.ego_graph(plain, node, radius=3))
        assert dict(nx.bfs_successors(view, node)).keys() == dict(nx.bfs_successors(plain, node)).keys()
        assert set(nx.dfs_preorder_nodes(view, node)) == set(nx.dfs_preorder_nodes(plain, node))
        lengths = nx.single_source_dijkstra_path_length(plain, node, weight="length_m")
        assert nx.single_source_dijkstra_path_length(view, node, weight="length_m") == pytest.approx(lengths)
        far = max(lengths, key=lambda other: (lengths[other], str(other)))
        assert nx.shortest_path(view, node, far) == nx.shortest_path(plain, node, far)
        assert list(nx.all_simple_paths(view, node, far)) == list(nx.all_simple_paths(plain, node, far))
        assert nx.has_path(view, nodes[0], node) == nx.has_path(plain, nodes[0], node)
    part = nodes[: len(nodes) // 2]
    assert nx.utils.graphs_equal(nx.Graph(view.subgraph(part)), nx.Graph(plain.subgraph(part)))
    kept = nx.restricted_view(view, nodes[:1], [])
    assert set(kept) == set(plain) - set(nodes[:1])


def test_a_shortest_path_of_the_view_is_the_traced_path(plant: Plant) -> None:
    """Between the ends of every circuit networkx finds the very light points that tracing found."""
    view = as_networkx(plant, numbers=True)
    paths = trace_all(plant)
    assert paths.traced.all()
    for row in range(len(paths.circuits)):
        points = paths.points_of(row).tolist()
        assert nx.shortest_path(view, points[0], points[-1]) == points


def test_nodes_can_be_written_as_plain_tuples(plant: Plant) -> None:
    """("connector", id, fibre) typed by hand finds the node; what is no node is not in the graph."""
    view = as_networkx(plant)
    first = trace_circuit(plant, plant.id_of("circuits", 0))
    ends = first.loc[first["element_kind"] == "connector"].iloc[[0, -1]]
    a, z = (("connector", str(row.connector_id), int(row.fibre)) for row in ends.itertuples())
    path = nx.shortest_path(view, a, z)
    assert path[0] == a and path[-1] == z
    assert path[1].kind in ("connector", "splice", "splitter")
    assert view.nodes[a]["port_id"] == ends.iloc[0]["port_id"]
    for stranger in (("connector", "no such", 1), ("connector", a[1], 99), ("splice", a[1], 1), "text", 3, a[:2]):
        assert stranger not in view


def test_the_view_cannot_be_changed(plant: Plant) -> None:
    """Adding or removing raises; an editable copy of a part can be made."""
    view = as_networkx(plant)
    node = next(iter(view))
    with pytest.raises(nx.NetworkXError):
        view.add_node("new")
    with pytest.raises(nx.NetworkXError):
        view.remove_node(node)
    copy = nx.Graph(view.subgraph(list(view)[:5]))
    copy.add_edge("new", node)
    assert copy.has_edge("new", node)


def test_a_circuit_that_is_not_there_is_refused(plant: Plant) -> None:
    """Tracing an unknown circuit says which id was given and what to do."""
    with pytest.raises(TraceError, match="got circuit 'nowhere'"):
        trace_circuit(plant, "nowhere")
