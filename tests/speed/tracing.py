"""Building the plant and tracing every circuit, against plain networkx in the same run.

    python tests/speed/tracing.py --connectors 1000000

Both sides start from integer columns. networkx is given its edges ready made (finding who is joined to whom
costs it nothing) and one attribute per edge; then `shortest_path` between the ends of every circuit. The
planner starts from the coded tables and finds the joints itself. All paths are compared.
"""

from __future__ import annotations

import argparse
import gc
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pyarrow as pa

from planner.plant import as_networkx
from planner.plant.graph import Plant, Records, assemble, records_from_columns
from planner.plant.trace import Paths, element_rows, trace_all

BRANCHES = 32


class _Rows:
    """Columns of the coded tables, filled in blocks."""

    def __init__(self) -> None:
        self.blocks: dict[str, dict[str, list[np.ndarray]]] = {}
        self.count: dict[str, int] = {}

    def add(self, table: str, n: int, **columns: Any) -> np.ndarray:
        """Add n rows; scalars are repeated. Returns the row numbers."""
        start = self.count.get(table, 0)
        for name, values in columns.items():
            block = np.broadcast_to(np.asarray(values), (n,))
            self.blocks.setdefault(table, {}).setdefault(name, []).append(block)
        self.count[table] = start + n
        return np.arange(start, start + n)


def _ports(rows: _Rows, n: int, role: int) -> np.ndarray:
    return rows.add("ports", n, housing=0, family=0, polish=1, mode=0, fibre_count=1, role=role)


def _connectors(rows: _Rows, n: int, cable: Any, end: Any, first: Any, fixed: Any, port: Any, face: int) -> None:
    rows.add(
        "connectors", n, cable=cable, cable_end=end, first_fibre=first, fibre_count=1, fixed_port=fixed, family=0,
        polish=1, port=port, face=face,
    )  # fmt: skip


def _cables(rows: _Rows, n: int, kind: int, length: float, fibres: int = 1) -> np.ndarray:
    return rows.add("cables", n, kind=kind, fibre_type=3, length_m=length, fibre_count=fibres, polarity=-1)


def _cords(rows: _Rows, one: np.ndarray, one_face: int, other: np.ndarray, other_face: int) -> None:
    cable = _cables(rows, len(one), 0, 3.0)
    _connectors(rows, len(one), cable, 0, 1, -1, one, one_face)
    _connectors(rows, len(one), cable, 1, 1, -1, other, other_face)


def _spliced(rows: _Rows, one: np.ndarray, other: np.ndarray) -> None:
    """Pigtails in the rear of two rows of ports, spliced to feeders of 24 fibres between them."""
    n = len(one)
    near, far = _cables(rows, n, 1, 1.0), _cables(rows, n, 1, 1.0)
    _connectors(rows, n, near, 0, 1, -1, one, 1)
    _connectors(rows, n, far, 1, 1, -1, other, 1)
    feeders = _cables(rows, -(-n // 24), 3, 9000.0, 24)
    feeder, fibre = feeders[np.arange(n) // 24], np.arange(n) % 24 + 1
    rows.add("splices", n, site=0, cable_a=near, end_a=1, fibre_a=1, cable_b=feeder, end_b=0, fibre_b=fibre, kind=0)
    rows.add("splices", n, site=0, cable_a=feeder, end_a=1, fibre_a=fibre, cable_b=far, end_b=0, fibre_b=1, kind=0)


def _built_in(rows: _Rows, ports: np.ndarray) -> None:
    _connectors(rows, len(ports), -1, -1, 1, ports, ports, 2)


def _circuits(rows: _Rows, a: np.ndarray, z: np.ndarray) -> None:
    rows.add(
        "circuits", len(a), a_port=a, z_port=z, fibre=1, wavelength_nm=1310.0, customers=1, priority=3, protected_by=-1
    )


def fleet(connectors: int, seed: int = 1) -> Records:
    """Coded tables: 7 of 10 circuits point to point over 1 to 4 spliced sections, the rest on 1:32 splitters.

    Row numbers are shuffled, so that neighbours on a path are not neighbours in memory.
    """
    rng = np.random.default_rng(seed)
    rows = _Rows()
    rows.add("sites", 1, latitude=0.0, longitude=0.0)
    rows.add("housings", 1, site=0, kind=1)
    # a section has 2 pigtails and 2 cord ends; a circuit 2 built-in ends and 2 more cord ends
    point_to_point = round(connectors * 0.875 / (2 + 2 + 2.5 * 4))
    sections = rng.integers(1, 5, point_to_point)
    a, z = _ports(rows, point_to_point, 0), _ports(rows, point_to_point, 0)
    _built_in(rows, a)
    _built_in(rows, z)
    here = a.copy()
    for section in range(4):
        going = np.flatnonzero(sections > section)
        near, far = _ports(rows, len(going), 1), _ports(rows, len(going), 1)
        _cords(rows, here[going], 0, near, 0)
        _spliced(rows, near, far)
        here[going] = far
    _cords(rows, here, 0, z, 0)
    _circuits(rows, a, z)
    trees = max(round(connectors * 0.125 / (4 + 4 * BRANCHES)), 1)
    head, common = _ports(rows, trees, 0), _ports(rows, trees, 2)
    _built_in(rows, head)
    _built_in(rows, common)
    _cords(rows, head, 0, common, 0)
    rows.add("legs", trees, splitter=np.arange(trees), leg=0, port=common, ratio=BRANCHES)
    outputs, customers = _ports(rows, trees * BRANCHES, 3), _ports(rows, trees * BRANCHES, 0)
    _built_in(rows, outputs)
    _built_in(rows, customers)
    _cords(rows, outputs, 0, customers, 0)
    splitter = np.repeat(np.arange(trees), BRANCHES)
    leg = np.tile(np.arange(1, BRANCHES + 1), trees)
    rows.add("legs", trees * BRANCHES, splitter=splitter, leg=leg, port=outputs, ratio=BRANCHES)
    _circuits(rows, np.repeat(head, BRANCHES), customers)
    return _shuffled(rows, trees, rng)


def _shuffled(rows: _Rows, trees: int, rng: np.random.Generator) -> Records:
    tables = {
        name: {column: np.concatenate(blocks) for column, blocks in columns.items()}
        for name, columns in rows.blocks.items()
    }
    new_number = {}
    for name in ("ports", "cables", "connectors", "splices", "circuits"):
        order = rng.permutation(rows.count[name])
        tables[name] = {column: values[order] for column, values in tables[name].items()}
        new_number[name] = np.argsort(order)
    for name, column, target in (
        ("connectors", "cable", "cables"),
        ("connectors", "port", "ports"),
        ("connectors", "fixed_port", "ports"),
        ("splices", "cable_a", "cables"),
        ("splices", "cable_b", "cables"),
        ("legs", "port", "ports"),
        ("circuits", "a_port", "ports"),
        ("circuits", "z_port", "ports"),
    ):
        old = tables[name][column]
        tables[name][column] = np.where(old >= 0, new_number[target][old], -1)
    for name, table in tables.items():
        count = trees if name == "legs" else rows.count[name]
        table["ids"] = pa.array([f"{i:08d}" for i in range(count)])
    tables["ports"]["label"] = pa.nulls(rows.count["ports"], pa.string())
    return records_from_columns(tables)


def resident_bytes() -> int:
    """Memory of this process that is in use."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


@dataclass
class Result:
    """CPU seconds and bytes of both sides, and how many paths differ."""

    connectors: int
    circuits: int
    planner_build: float
    planner_trace: float
    planner_rows: float
    planner_bytes: int
    view_seconds: float
    networkx_build: float
    networkx_trace: float
    networkx_bytes: int
    different: int

    @property
    def ratio(self) -> float:
        """Time of networkx over that of the planner, build and trace together."""
        return (self.networkx_build + self.networkx_trace) / (self.planner_build + self.planner_trace)

    @property
    def memory_ratio(self) -> float:
        """Bytes of the networkx graph over those of the planner's arrays."""
        return self.networkx_bytes / self.planner_bytes


def edges_of(plant: Plant) -> tuple[np.ndarray, np.ndarray]:
    """Both points of every joint, once."""
    side = np.flatnonzero(plant.link >= 0)
    there = plant.link[side]
    once = (side < there) | (plant.link[there] != side)
    return side[once] >> 1, there[once] >> 1


def compare(records: Records) -> Result:
    """Build and trace by both means and compare every path."""
    gc.collect()
    started = time.process_time()
    plant = assemble(records)
    built = time.process_time()
    paths = trace_all(plant)
    traced = time.process_time()
    element_rows(plant, paths)
    listed = time.process_time()
    as_networkx(plant, numbers=True)
    viewed = time.process_time()

    one, other = (points.tolist() for points in edges_of(plant))
    gc.collect()
    before = resident_bytes()
    begun = time.process_time()
    graph = nx.Graph()
    graph.add_edges_from((u, v, {"kind": 0}) for u, v in zip(one, other, strict=True))
    grown = time.process_time()
    gc.collect()
    networkx_bytes = resident_bytes() - before
    ends = _ends(paths)
    walking = time.process_time()
    found = [nx.shortest_path(graph, a, z) for a, z in ends]
    walked = time.process_time()
    different = sum(path != paths.points_of(row).tolist() for row, path in enumerate(found))
    return Result(
        connectors=len(records.connectors.port),
        circuits=len(paths.circuits),
        planner_build=built - started,
        planner_trace=traced - built,
        planner_rows=listed - traced,
        planner_bytes=plant.memory_bytes(),
        view_seconds=viewed - listed,
        networkx_build=grown - begun,
        networkx_trace=walked - walking,
        networkx_bytes=networkx_bytes,
        different=different + int((~paths.traced).sum()),
    )


def _ends(paths: Paths) -> list[tuple[int, int]]:
    first, last = paths.points[paths.start[:-1]], paths.points[paths.start[1:] - 1]
    return list(zip(first.tolist(), last.tolist(), strict=True))


def main() -> None:
    """Run at the size asked for and print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--connectors", type=int, default=1_000_000)
    arguments = parser.parse_args()
    compare(fleet(5_000))  # imports and caches warm on both sides
    result = compare(fleet(arguments.connectors))
    print(f"{result.connectors:,} connectors, {result.circuits:,} circuits")
    print(f"planner:  build {result.planner_build:.2f} s, trace {result.planner_trace:.2f} s")
    print(f"          listing every element of every path {result.planner_rows:.2f} s")
    print(f"          networkx view {result.view_seconds * 1000:.1f} ms")
    print(f"networkx: build {result.networkx_build:.2f} s, trace {result.networkx_trace:.2f} s")
    print(f"time ratio, build and trace: {result.ratio:.1f}x (aim 20x)")
    print(
        f"memory per connector: {result.planner_bytes / result.connectors:.0f} B against "
        f"{result.networkx_bytes / result.connectors:.0f} B: {result.memory_ratio:.1f}x (aim 10x)"
    )
    print(f"paths that differ: {result.different}")


if __name__ == "__main__":
    main()
