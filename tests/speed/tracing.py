"""Building the plant, tracing every circuit and budgeting it, against plain networkx in the same run.

    python tests/speed/tracing.py --connectors 1000000

Both sides start from integer columns. networkx is given its edges ready made (finding who is joined to whom
costs it nothing) with what they are and how long; then `shortest_path` between the ends of every circuit; then
limit, expected loss, variance and return loss are added up edge by edge at two wavelengths, the values of each
kind of element looked up beforehand. The planner starts from the coded tables, finds the joints itself and
looks the values up itself. All paths and all sums are compared.
"""

from __future__ import annotations

import argparse
import gc
import math
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pyarrow as pa

from planner.health.loss_budget import Expected, expected_losses
from planner.plant import as_networkx
from planner.plant.graph import Plant, Records, assemble, records_from_columns
from planner.plant.loss_elements import loss_elements
from planner.plant.trace import element_rows, trace_all
from planner.standards.lookup import Limits, standard_limits
from planner.standards.physics import DB_PER_NEPER, SPEED_OF_LIGHT_M_PER_S
from planner.tables.intake_tables import FIBRE_TYPES

BRANCHES = 32
WAVELENGTHS = (1310.0, 1550.0)
FIBRES = ("G.652.D", "G.657.A1")
SAME_DB = 1e-9
"""Sums that differ by less are equal. [dB]"""


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
    return rows.add("cables", n, kind=kind, length_m=length, fibre_count=fibres, polarity=-1)


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

    Row numbers are shuffled, so that neighbours on a path are not neighbours in memory. Grades of end faces and
    losses of splices are drawn at random, some of them unrecorded; cables are of two fibre types.
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
    tables["connectors"]["grade"] = rng.integers(-1, 4, rows.count["connectors"])
    tables["splices"]["loss_db"] = np.where(
        rng.random(rows.count["splices"]) < 0.5, np.nan, rng.uniform(0.02, 0.15, rows.count["splices"])
    )
    tables["cables"]["fibre_type"] = rng.choice([FIBRE_TYPES.index(name) for name in FIBRES], rows.count["cables"])
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
    """CPU seconds and bytes of both sides, and how many paths and sums differ."""

    connectors: int
    circuits: int
    planner_build: float
    planner_trace: float
    planner_budget: float
    planner_rows: float
    planner_bytes: int
    view_seconds: float
    networkx_build: float
    networkx_trace: float
    networkx_budget: float
    networkx_bytes: int
    different_paths: int
    different_sums: int

    @property
    def planner_total(self) -> float:
        """Build, trace and budget of the planner. [s]"""
        return self.planner_build + self.planner_trace + self.planner_budget

    @property
    def networkx_total(self) -> float:
        """Build, trace and budget by networkx and plain sums. [s]"""
        return self.networkx_build + self.networkx_trace + self.networkx_budget

    @property
    def ratio(self) -> float:
        """Time of networkx over that of the planner: build, trace and budget together."""
        return self.networkx_total / self.planner_total

    @property
    def memory_ratio(self) -> float:
        """Bytes of the networkx graph over those of the planner's arrays."""
        return self.networkx_bytes / self.planner_bytes


# What an element costs at one wavelength: limit, expected loss, variance, the three per km (variance per km2),
# and the share of light it reflects.
Cost = tuple[float, float, float, float, float, float, float]
Kind = tuple[Any, ...]
Sums = tuple[float, float, float, float]


def _cable_of(plant: Plant, side: np.ndarray) -> np.ndarray:
    """Cable that begins at each side, -1 none."""
    records, n = plant.records, plant.n_connector_points
    point, which = side >> 1, side & 1
    cable = np.where(which == 1, records.connectors.cable[plant.connector_of[np.minimum(point, n - 1)]], -1)
    splice = np.flatnonzero((point >= n) & (point < plant.first_leg))
    ends = np.stack((records.splices.cable_a, records.splices.cable_b), axis=1)
    cable[splice] = ends[point[splice] - n, which[splice]]
    cable[point >= plant.first_leg] = -1
    return cable


def plain_edges(plant: Plant) -> tuple[list[int], list[int], list[Kind], list[float]]:
    """Every joint once: both points, what it is and its length.

    Kinds: ("pair", worse grade, grade known), ("cable", fibre type), ("splitter",) and () for what loses nothing.
    """
    side = np.flatnonzero(plant.link >= 0)
    there = plant.link[side]
    once = (side < there) | (plant.link[there] != side)
    side, there = side[once], there[once]
    one, other = side >> 1, there >> 1
    records, n = plant.records, plant.n_connector_points
    grades = [
        records.connectors.grade[plant.connector_of[np.minimum(point, n - 1)]].astype(int) for point in (one, other)
    ]
    cable = _cable_of(plant, side)
    code = np.where(cable >= 0, records.cables.fibre_type[np.maximum(cable, 0)], -1).astype(np.int64)
    is_pair = (one < n) & (other < n) & (side & 1 == 0)
    known = np.minimum(*grades) >= 0
    code[is_pair] = 100 + 10 * (np.maximum(*grades)[is_pair] + 1) + known[is_pair]
    code[(one >= plant.first_leg) & (other >= plant.first_leg)] = 99
    kinds: dict[int, Kind] = {-1: (), 99: ("splitter",)}
    kinds |= {number: ("cable", name) for number, name in enumerate(FIBRE_TYPES)}
    kinds |= {100 + 10 * (grade + 1) + sure: ("pair", grade, bool(sure)) for grade in range(-1, 4) for sure in (0, 1)}
    metres = np.where(cable >= 0, records.cables.length_m[np.maximum(cable, 0)], 0.0)
    return one.tolist(), other.tolist(), [kinds[number] for number in code.tolist()], metres.tolist()


def plain_costs(limits: Limits, nm: float) -> dict[Kind, Cost]:
    """What every kind of element of the fleet costs at one wavelength, looked up once."""
    default = "ABCD".index(limits.default_grade(False))
    connection = limits.connection("max", False, "SM").value
    reflects = 10.0 ** (-limits.return_loss("UPC").value / 10.0)
    costs: dict[Kind, Cost] = {}
    for worse in range(-1, 4):
        for known in (False, True):
            name = "ABCD"[worse if known else max(worse, default)]
            mean, spread = limits.grade(name)[0].value, limits.grade_sd_db(name)
            costs["pair", worse, known] = (connection, mean, spread**2, 0.0, 0.0, 0.0, reflects)
    relative = limits.get("cable", "relative sd").value
    for name in FIBRES:
        most, usual = limits.cable(name, nm, "max").value, limits.cable(name, nm, "typical").value
        costs["cable", name] = (0.0, 0.0, 0.0, most, usual, (relative * usual) ** 2, 0.0)
    low, high = (limit.value for limit in limits.splitter(BRANCHES))
    costs["splitter",] = (high, (low + high) / 2, ((high - low) / 4) ** 2, 0.0, 0.0, 0.0, 0.0)
    most, usual = limits.get("splice", "max", ("any",)).value, limits.get("splice", "typical", ("SM", "any")).value
    costs["splice",] = (most, usual, limits.get("splice", "variance", ("any",)).value, 0.0, 0.0, 0.0, 0.0)
    return costs


def scattered_per_m(limits: Limits, nm: float) -> float:
    """Share of light that a metre of fibre scatters back."""
    anchors = [limits.get("backscatter", "typical", ("SM",), at).value for at in (1310.0, 1550.0)]
    cell_m = SPEED_OF_LIGHT_M_PER_S * 1e-9 / (2.0 * limits.get("group index", "typical", ("SM",)).value)
    return 10.0 ** (float(np.interp(nm, [1310.0, 1550.0], anchors)) / 10.0) / cell_m


def plain_sums(graph: nx.Graph, path: list[int], costs: list[dict[Kind, Cost]], per_m: list[float]) -> list[Sums]:
    """Limit, expected loss, variance and return loss of one path at every wavelength, element by element."""
    elements: list[tuple[Kind, float, float | None]] = []
    for u, v in pairwise(path):
        node = graph.nodes[u]
        if node:
            elements.append((node["kind"], 0.0, node["loss_db"]))
        edge = graph.get_edge_data(u, v)
        if edge["kind"]:
            elements.append((edge["kind"], edge["length_m"], None))
    out = []
    for at_wavelength, scattered in zip(costs, per_m, strict=True):
        most = typical = variance = returned = 0.0
        for kind, metres, recorded in elements:
            limit, usual, spread, limit_km, usual_km, spread_km2, reflects = at_wavelength[kind]
            seen_through = math.exp(-2.0 * typical / DB_PER_NEPER)
            if metres:
                km = metres / 1000.0
                limit, usual, spread = limit + limit_km * km, usual + usual_km * km, spread + spread_km2 * km * km
                a = usual_km / DB_PER_NEPER / 1000.0
                reflects = scattered * -math.expm1(-2.0 * a * metres) / (2.0 * a)
            elif recorded is not None:
                usual, spread = recorded, 0.0
            most, typical, variance = most + limit, typical + usual, variance + spread
            returned += reflects * seen_through
        out.append((most, typical, variance, -10.0 * math.log10(returned)))
    return out


def compare(records: Records) -> Result:
    """Build, trace and budget by both means and compare every path and every sum."""
    limits = standard_limits()
    gc.collect()
    started = time.process_time()
    plant = assemble(records)
    built = time.process_time()
    paths = trace_all(plant)
    traced = time.process_time()
    budgets = expected_losses(loss_elements(plant, paths), WAVELENGTHS, limits)
    budgeted = time.process_time()
    element_rows(plant, paths)
    listed = time.process_time()
    as_networkx(plant, numbers=True)
    viewed = time.process_time()

    edges = plain_edges(plant)
    splices = plant.records.splices.loss_db.tolist()
    gc.collect()
    before = resident_bytes()
    begun = time.process_time()
    graph = nx.Graph()
    graph.add_edges_from((u, v, {"kind": kind, "length_m": m}) for u, v, kind, m in zip(*edges, strict=True))
    splice_kind = ("splice",)
    graph.add_nodes_from(
        (u, {"kind": splice_kind, "loss_db": loss if loss == loss else None})
        for u, loss in enumerate(splices, plant.first_splice)
    )
    grown = time.process_time()
    gc.collect()
    networkx_bytes = resident_bytes() - before
    first, last = paths.points[paths.start[:-1]].tolist(), paths.points[paths.start[1:] - 1].tolist()
    walking = time.process_time()
    found = [nx.shortest_path(graph, a, z) for a, z in zip(first, last, strict=True)]
    walked = time.process_time()
    costs = [plain_costs(limits, nm) for nm in WAVELENGTHS]
    per_m = [scattered_per_m(limits, nm) for nm in WAVELENGTHS]
    sums = [plain_sums(graph, path, costs, per_m) for path in found]
    summed = time.process_time()
    return Result(
        connectors=len(records.connectors.port),
        circuits=len(paths.circuits),
        planner_build=built - started,
        planner_trace=traced - built,
        planner_budget=budgeted - traced,
        planner_rows=listed - budgeted,
        planner_bytes=plant.memory_bytes() + budget_bytes(plant),
        view_seconds=viewed - listed,
        networkx_build=grown - begun,
        networkx_trace=walked - walking,
        networkx_budget=summed - walked,
        networkx_bytes=networkx_bytes,
        different_paths=sum(path != paths.points_of(row).tolist() for row, path in enumerate(found))
        + int((~paths.traced).sum()),
        different_sums=different_sums(budgets, sums),
    )


def different_sums(budgets: dict[float, Expected], sums: list[list[Sums]]) -> int:
    """How many circuits and wavelengths differ in any sum by more than `SAME_DB`."""
    plain = np.array(sums)
    ours = np.stack(
        [
            np.column_stack((each.maximum_db, each.typical_db, each.variance_db2, each.return_loss_db))
            for each in (budgets[nm] for nm in WAVELENGTHS)
        ],
        axis=1,
    )
    return int((~(np.abs(plain - ours) < SAME_DB)).any(axis=2).sum())


def budget_bytes(plant: Plant) -> int:
    """Bytes of the columns that only budgets need."""
    records = plant.records
    connectors, splices = records.connectors, records.splices
    columns = (
        *(connectors.cable, connectors.family, connectors.polish, connectors.grade),
        *(records.cables.length_m, records.cables.fibre_type, records.ports.role),
        *(splices.cable_a, splices.cable_b, splices.kind, splices.loss_db, records.legs.ratio, records.legs.splitter),
    )
    return int(sum(column.nbytes for column in columns))


def main() -> None:
    """Run at the size asked for and print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--connectors", type=int, default=1_000_000)
    arguments = parser.parse_args()
    compare(fleet(5_000))  # imports and caches warm on both sides
    result = compare(fleet(arguments.connectors))
    print(f"{result.connectors:,} connectors, {result.circuits:,} circuits, {len(WAVELENGTHS)} wavelengths")
    for name, build, trace, budget, total in (
        ("planner", result.planner_build, result.planner_trace, result.planner_budget, result.planner_total),
        ("networkx", result.networkx_build, result.networkx_trace, result.networkx_budget, result.networkx_total),
    ):
        print(f"{name:9} build {build:.2f} s, trace {trace:.2f} s, budget {budget:.2f} s, total {total:.2f} s")
    print(f"time ratio: {result.ratio:.1f}x (aim 20x)")
    print(
        f"memory per connector: {result.planner_bytes / result.connectors:.0f} B against "
        f"{result.networkx_bytes / result.connectors:.0f} B: {result.memory_ratio:.1f}x (aim 10x)"
    )
    print(f"paths that differ: {result.different_paths}, sums that differ: {result.different_sums}")
    print(f"not in the comparison: listing every element of every path {result.planner_rows:.2f} s, ", end="")
    print(f"networkx view {result.view_seconds * 1000:.1f} ms")


if __name__ == "__main__":
    main()
