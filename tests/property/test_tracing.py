"""Tracing: equal to what was laid, to a brute-force search, to its own reverse; sensitive to every cord."""

from __future__ import annotations

from collections import defaultdict

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from random_plants import Element, random_plant

from planner.plant import audit, build_plant, paths_frame, shared_elements, status_frame, trace_all

Tables = dict[str, pd.DataFrame]
SEEDS = range(200)


def paths_of(tables: Tables) -> dict[str, list[Element]]:
    """The planner's path of every complete circuit as (kind, element id) from A to Z."""
    plant = build_plant(tables)
    frame = paths_frame(plant, trace_all(plant))
    out: dict[str, list[Element]] = defaultdict(list)
    for circuit, kind, element in zip(frame["circuit_id"], frame["element_kind"], frame["element_id"], strict=True):
        out[str(circuit)].append((str(kind), str(element)))
    return dict(out)


# ---------------------------------------------------------------------------------------------------------
# an independent search: a plain graph of fibres, built row by row, and a search that enters a splitter from
# a branch leg only


def comes_out(row: dict, cable: dict) -> dict[int, int]:
    """Fibre of end A -> fibre of end B within one array connector's fibres, by the cable's polarity."""
    first, count = int(row["first_fibre"]), int(row["fibre_count"])
    positions = range(count)
    swap = {"B": lambda i: count - 1 - i, "C": lambda i: i ^ 1}.get(cable.get("polarity"), lambda i: i)
    return {first + i: first + swap(i) for i in positions}


def fibre_graph(tables: Tables) -> nx.Graph:
    """Connector fibres, splices, cable fibre ends and splitter legs as nodes; what light passes as edges."""
    graph = nx.Graph()
    connectors = {row["connector_id"]: row for row in tables["connectors"].to_dict("records")}
    cables = {row["cable_id"]: row for row in tables["cables"].to_dict("records")}
    at_port: dict[str, dict[str, str]] = defaultdict(dict)
    for row in tables["patching"].itertuples(index=False):
        at_port[row.port_id][row.face] = row.connector_id
    permutation: dict[str, dict[int, int]] = defaultdict(dict)
    for name, row in connectors.items():
        if isinstance(row["fixed_port_id"], str):
            at_port[row["fixed_port_id"]]["fixed"] = str(name)
        elif int(row["fibre_count"]) > 1 and (row["cable_end"] == "A" or row["cable_id"] not in permutation):
            permutation[row["cable_id"]].update(comes_out(row, cables[row["cable_id"]]))
    for name, row in connectors.items():
        for fibre in range(1, int(row["fibre_count"]) + 1):
            graph.add_node(("connector", name, fibre))
            if isinstance(row["cable_id"], str):
                end = (row["cable_id"], row["cable_end"], int(row["first_fibre"]) + fibre - 1)
                graph.add_edge(("connector", name, fibre), ("end", *end))
    for name, row in cables.items():
        for fibre in range(1, int(row["fibre_count"]) + 1):
            there = permutation[str(name)].get(fibre, fibre)
            graph.add_edge(("end", name, "A", fibre), ("end", name, "B", there), cable=name)
    for row in tables.get("splices", pd.DataFrame()).itertuples(index=False):
        graph.add_edge(("splice", row.splice_id, 1), ("end", row.cable_a_id, row.end_a, int(row.fibre_a)))
        graph.add_edge(("splice", row.splice_id, 1), ("end", row.cable_b_id, row.end_b, int(row.fibre_b)))
    legs = {row.port_id: row for row in tables.get("splitter_legs", pd.DataFrame()).itertuples(index=False)}
    for port, here in at_port.items():
        behind = here.get("fixed", here.get("rear"))
        if "front" in here and behind:
            for fibre in range(1, int(connectors[behind]["fibre_count"]) + 1):
                graph.add_edge(("connector", here["front"], fibre), ("connector", behind, fibre), adapter=port)
        if port in legs:
            leg = ("leg", legs[port].splitter_id, int(legs[port].leg))
            if "fixed" in here:
                graph.add_edge(("connector", here["fixed"], 1), leg)
            elif "rear" in here:
                row = connectors[here["rear"]]
                other = "B" if row["cable_end"] == "A" else "A"
                graph.add_edge(("end", row["cable_id"], other, int(row["first_fibre"])), leg)
            else:
                graph.add_edge(("connector", here["front"], 1), leg, adapter=port)
    for row in legs.values():
        if row.leg:
            graph.add_edge(
                ("leg", row.splitter_id, int(row.leg)), ("leg", row.splitter_id, 0), splitter=row.splitter_id
            )
    return graph


def searched(tables: Tables) -> dict[str, list[Element]]:
    """Every circuit's path by breadth-first search over the plain graph, in the planner's element form."""
    graph = fibre_graph(tables)
    fixed = tables["connectors"].dropna(subset="fixed_port_id").set_index("fixed_port_id")["connector_id"]
    plugged = tables["patching"].groupby("port_id")["connector_id"].agg(list)
    fibres = tables["ports"].set_index("port_id")["fibre_count"]
    out = {}
    for row in tables["circuits"].itertuples(index=False):
        sources = [("connector", fixed[row.a_port_id])] if row.a_port_id in fixed else [
            ("connector", c) for c in plugged.get(row.a_port_id, [])
        ]  # fmt: skip
        targets = {fixed[row.z_port_id]} if row.z_port_id in fixed else set(plugged.get(row.z_port_id, []))
        fibre = int(row.fibre) if fibres[row.a_port_id] > 1 else 1
        best: list[tuple] | None = None
        for source in sources:
            found = nx.single_source_shortest_path(graph, (*source, fibre)) if (*source, fibre) in graph else {}
            for node, path in found.items():
                if node[0] == "connector" and node[1] in targets and (best is None or len(path) < len(best)):
                    best = path
        if best is not None:
            out[row.circuit_id] = elements(graph, best)
    return out


def elements(graph: nx.Graph, path: list[tuple]) -> list[Element]:
    """A path over the plain graph as (kind, element id): cable ends and legs are parts of elements."""
    out: list[Element] = []
    for node, following in zip(path, [*path[1:], None], strict=True):
        if node[0] in ("connector", "splice"):
            out.append((node[0], node[1]))
        if following is not None:
            edge = graph.edges[node, following]
            out += [(kind, edge[kind]) for kind in ("adapter", "cable", "splitter") if kind in edge]
        # a splitter's own pigtail: its far fibre end is the leg itself
        if node[0] == "end" and following is not None and following[0] == "leg":
            out.append(("cable", node[1]))
        if node[0] == "leg" and following is not None and following[0] == "end":
            out.append(("cable", following[1]))
    # a pigtail's fibre shows twice where both its ends are passed
    return [element for i, element in enumerate(out) if i == 0 or element != out[i - 1]]


@pytest.mark.parametrize("seed", range(4))
def test_paths_equal_what_was_laid_and_a_search_over_a_plain_graph(seed: int) -> None:
    """On 200 random plants every path is the one that was laid, and the one a plain graph search finds."""
    for number in SEEDS[seed * 50 : (seed + 1) * 50]:
        tables, laid = random_plant(number, circuits=5)
        traced = paths_of(tables)
        assert traced == laid, number
        assert searched(tables) == laid, number


def test_reversed_circuits_have_reversed_paths() -> None:
    """A circuit recorded from Z to A has the same path backwards."""
    for seed in range(300, 312):
        tables, laid = random_plant(seed)
        # between two array ports the fibre is counted at A, which may be another number seen from Z
        ports = tables["ports"].set_index("port_id")["fibre_count"]
        circuits = tables["circuits"]
        both = (circuits["a_port_id"].map(ports) > 1) & (circuits["z_port_id"].map(ports) > 1)
        tables["circuits"] = circuits[~both].rename(columns={"a_port_id": "z_port_id", "z_port_id": "a_port_id"})
        back = {circuit: path[::-1] for circuit, path in paths_of(tables).items()}
        assert back == {circuit: laid[circuit] for circuit in tables["circuits"]["circuit_id"]}


def test_fibre_numbers_between_arrays_come_back_from_the_other_end() -> None:
    """Traced from Z with the fibre it arrives at, a circuit between array ports gives the same path back."""
    checked = 0
    for seed in range(400, 412):
        tables, _ = random_plant(seed)
        plant = build_plant(tables)
        frame = paths_frame(plant, trace_all(plant))
        ends = frame.groupby("circuit_id", observed=True)["fibre"].last()
        ports = tables["ports"].set_index("port_id")["fibre_count"]
        circuits = tables["circuits"]
        both = (circuits["a_port_id"].map(ports) > 1) & (circuits["z_port_id"].map(ports) > 1)
        turned = circuits[both].rename(columns={"a_port_id": "z_port_id", "z_port_id": "a_port_id"}).copy()
        if not len(turned):
            continue
        turned["fibre"] = turned["circuit_id"].map(ends.to_dict()).astype(int)
        forwards = paths_of(tables | {"circuits": circuits[both]})
        backwards = paths_of(tables | {"circuits": turned})
        assert {c: path[::-1] for c, path in backwards.items()} == forwards
        checked += len(turned)
    assert checked > 5


def test_deleting_a_cord_breaks_exactly_the_circuits_that_used_it() -> None:
    """Without a cord the circuits on it are not traced, and every other path stays as it was."""
    rng = np.random.default_rng(5)
    for seed in range(500, 508):
        tables, laid = random_plant(seed)
        cords = tables["cables"].loc[tables["cables"]["kind"] == "patch_cord", "cable_id"].to_numpy()
        for cord in rng.choice(cords, min(3, len(cords)), replace=False):
            ends = tables["connectors"].loc[tables["connectors"]["cable_id"] == cord, "connector_id"]
            less = tables | {
                "cables": tables["cables"][tables["cables"]["cable_id"] != cord],
                "connectors": tables["connectors"][~tables["connectors"]["connector_id"].isin(ends)],
                "patching": tables["patching"][~tables["patching"]["connector_id"].isin(ends)],
            }
            used = {circuit for circuit, path in laid.items() if ("cable", cord) in path}
            assert paths_of(less) == {circuit: path for circuit, path in laid.items() if circuit not in used}


def test_row_order_never_matters() -> None:
    """The same tables with their rows in another order give the same rows of paths and status."""
    for seed in range(600, 604):
        tables, _ = random_plant(seed)
        shuffled = {name: frame.sample(frac=1, random_state=1) for name, frame in tables.items()}
        one, other = build_plant(tables), build_plant(shuffled)
        pd.testing.assert_frame_equal(paths_frame(one, trace_all(one)), paths_frame(other, trace_all(other)))
        pd.testing.assert_frame_equal(status_frame(one, trace_all(one)), status_frame(other, trace_all(other)))


def test_any_records_at_all_are_traced_without_a_crash() -> None:
    """With rows lost, doubled and pointed elsewhere at random, every circuit has a path or a reason and a finding."""
    for seed in range(700, 740):
        tables, _ = random_plant(seed, circuits=6)
        broken = spoiled(tables, np.random.default_rng(seed))
        plant = build_plant(broken)
        paths = trace_all(plant)
        status = status_frame(plant, paths)
        assert len(status) == broken["circuits"]["circuit_id"].nunique()
        assert (status["traced"] == (status["reason"] == "")).all()
        frame = paths_frame(plant, paths)
        complete = set(frame["circuit_id"].astype(str)) if len(frame) else set()
        assert complete == set(status.loc[status["traced"], "circuit_id"])
        findings = audit(plant, paths)
        untraced = set(findings.loc[findings["place_kind"] == "circuit", "place_id"])
        assert set(status.loc[~status["traced"], "circuit_id"]) <= untraced
        assert not shared_elements(plant, paths, least=1)["circuits"].isna().any()


def spoiled(tables: Tables, rng: np.random.Generator) -> Tables:
    """Tables with rows lost and references changed at random."""
    out = {}
    for name, frame in tables.items():
        frame = frame[rng.random(len(frame)) > 0.05].reset_index(drop=True)
        for column in frame.columns.intersection(
            ["port_id", "cable_id", "fixed_port_id", "cable_a_id", "cable_b_id", "a_port_id", "z_port_id", "face",
             "cable_end", "end_a", "end_b", "fibre_a", "fibre_b", "first_fibre", "leg"]
        ):  # fmt: skip
            if len(frame) > 1 and not (name in ("cables", "ports") and column in ("cable_id", "port_id")):
                rows = np.flatnonzero(rng.random(len(frame)) < 0.08)
                frame.loc[rows, column] = frame[column].to_numpy()[rng.integers(len(frame), size=len(rows))]
        out[name] = frame
    return out
