"""A fleet over a real public backbone: its sites, coordinates and links; everything else made up by seed.

The topology is the 50-node German reference network of the public SNDlib collection, as carried by the
registry package `topohub` (node names and coordinates, link lengths). Over it are laid: one outside-plant
cable per link, spliced at both ends to pigtails in a panel, and circuits along shortest routes, patched
through with cords at every site they pass. The lines would be amplified, which the tables cannot say: the
loss allowed is that between the powers the transceivers report.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd
import topohub

TOPOLOGY = "sndlib/germany50"
START = datetime(2031, 1, 6)
DAYS = 360
Element = tuple[str, str]


@dataclass
class Backbone:
    """Intake tables by name, and the path of every circuit as (kind, element id) from A to Z."""

    tables: dict[str, pd.DataFrame]
    paths: dict[str, list[Element]]


@dataclass
class _Builder:
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    numbers: dict[str, int] = field(default_factory=dict)

    def add(self, table: str, **row: Any) -> None:
        self.rows.setdefault(table, []).append(row)

    def new(self, prefix: str) -> str:
        self.numbers[prefix] = self.numbers.get(prefix, 0) + 1
        return f"{prefix}-{self.numbers[prefix]:05d}"

    def port(self, housing: str, label: str, role: str) -> str:
        port = self.new("port")
        self.add(
            "ports", port_id=port, housing_id=housing, label=label, family="LC", polish="UPC", mode="SM",
            fibre_count=1, role=role,
        )  # fmt: skip
        return port

    def cable(self, kind: str, length_m: float, fibres: int = 1) -> str:
        cable = self.new("cable")
        self.add(
            "cables", cable_id=cable, kind=kind, fibre_type="G.652.D", length_m=round(length_m, 1),
            fibre_count=fibres,
        )  # fmt: skip
        return cable

    def connector(self, cable: str | None, end: str | None, port: str, face: str) -> str:
        connector = self.new("face")
        self.add(
            "connectors", connector_id=connector, cable_id=cable, cable_end=end, first_fibre=1 if cable else None,
            fibre_count=1, fixed_port_id=None if cable else port, family="LC", polish="UPC", grade="B",
        )  # fmt: skip
        if cable:
            self.add("patching", connector_id=connector, port_id=port, face=face, since_at=START - timedelta(days=30))
        return connector

    def cord(self, one: str, other: str) -> list[Element]:
        cable = self.cable("patch_cord", 5.0)
        a, b = self.connector(cable, "A", one, "front"), self.connector(cable, "B", other, "front")
        return [("connector", a), ("cable", cable), ("connector", b)]

    def splice(self, site: str, pigtail: str, cable: str, end: str, fibre: int) -> str:
        splice = self.new("splice")
        self.add(
            "splices", splice_id=splice, site_id=site, cable_a_id=pigtail, end_a="B", fibre_a=1, cable_b_id=cable,
            end_b=end, fibre_b=fibre, kind="fusion", loss_db=0.05,
        )  # fmt: skip
        return splice


def _site(node: int) -> str:
    return f"site-{node:03d}"


def topology() -> nx.Graph:
    """The topology as the package carries it (read here, because its own reader leaves the file open)."""
    file = Path(topohub.__file__).parent / "data" / f"{TOPOLOGY}.json"
    return nx.node_link_graph(json.loads(file.read_text(encoding="utf-8")), edges="edges")


def build_backbone(circuits: int = 60, seed: int = 1) -> Backbone:
    """The fleet with that many circuits; same seed, same tables."""
    rng = np.random.default_rng(seed)
    graph = topology()
    build = _Builder()
    for node, data in graph.nodes(data=True):
        longitude, latitude = data["pos"]
        build.add(
            "sites", site_id=_site(node), name=data["name"], kind="central_office", region=f"{int(latitude)}N",
            latitude=latitude, longitude=longitude, environment="controlled", timezone="Europe/Berlin", entry_min=10,
        )  # fmt: skip
        build.add("housings", housing_id=f"shelf-{node:03d}", site_id=_site(node), kind="equipment", name="shelf")
    links: dict[tuple[int, int], dict[str, Any]] = {}
    for one, other, data in graph.edges(data=True):
        cable = build.cable("feeder", 1000 * data["dist"] * 1.1, 96)
        links[min(one, other), max(one, other)] = {"cable": cable, "fibre": 0}
        for node, far in ((one, other), (other, one)):
            build.add(
                "housings", housing_id=f"panel-{node:03d}-{far:03d}", site_id=_site(node), kind="panel",
                name=f"panel towards {far}",
            )  # fmt: skip
    paths: dict[str, list[Element]] = {}
    while len(paths) < circuits:
        a, z = (int(node) for node in rng.choice(graph.number_of_nodes(), 2, replace=False))
        route = nx.shortest_path(graph, a, z, weight="dist")
        if len(route) <= 10:
            name = f"circuit-{len(paths) + 1:04d}"
            paths[name] = _lay(build, links, route, name)
    _history(build, rng)
    _crews(build, graph)
    return Backbone({name: pd.DataFrame(rows) for name, rows in build.rows.items()}, paths)


def _lay(build: _Builder, links: dict[tuple[int, int], dict[str, Any]], route: list[int], name: str) -> list[Element]:
    """One circuit along a route of nodes; returns its path."""
    a_port = build.port(f"shelf-{route[0]:03d}", name, "equipment")
    path: list[Element] = [("connector", build.connector(None, None, a_port, "")), ("adapter", a_port)]
    here = a_port
    for one, other in pairwise(route):
        link = links[min(one, other), max(one, other)]
        link["fibre"] += 1
        fibre = link["fibre"]
        near = build.port(f"panel-{one:03d}-{other:03d}", f"{fibre:02d}", "patch")
        far = build.port(f"panel-{other:03d}-{one:03d}", f"{fibre:02d}", "patch")
        path += [*build.cord(here, near), ("adapter", near)]
        pigtails = [build.cable("pigtail", 2.0) for _ in range(2)]
        faces = [build.connector(p, "A", port, "rear") for p, port in zip(pigtails, (near, far), strict=True)]
        ends = ("A", "B") if one < other else ("B", "A")
        splices = [
            build.splice(_site(node), pigtail, link["cable"], end, fibre)
            for node, pigtail, end in zip((one, other), pigtails, ends, strict=True)
        ]
        path += [("connector", faces[0]), ("cable", pigtails[0]), ("splice", splices[0]), ("cable", link["cable"])]
        path += [("splice", splices[1]), ("cable", pigtails[1]), ("connector", faces[1]), ("adapter", far)]
        here = far
    z_port = build.port(f"shelf-{route[-1]:03d}", name, "equipment")
    path += [*build.cord(here, z_port), ("adapter", z_port), ("connector", build.connector(None, None, z_port, ""))]
    build.add(
        "circuits", circuit_id=name, name=f"wave {name}", a_port_id=a_port, z_port_id=z_port, fibre=1,
        wavelength_nm=1550.0, max_loss_db=14.0, customers=len(route) * 20_000, priority=1 + len(route) % 3,
    )  # fmt: skip
    return path


def _history(build: _Builder, rng: np.random.Generator) -> None:
    """Cords opened and closed again, looks at end faces, cleanings, daily power of every equipment port."""
    cords = [row for row in build.rows["patching"] if row["face"] == "front"]
    for place in cords:
        # visits to one connector lie in months of their own, so that they cannot overlap
        for month in sorted(rng.choice(12, int(rng.integers(0, 4)), replace=False)):
            at = START + timedelta(days=30 * int(month) + int(rng.integers(28)), minutes=int(rng.integers(480, 960)))
            same = {"port_id": place["port_id"], "face": "front", "connector_id": place["connector_id"]}
            build.add("mating_events", event_id=build.new("mating"), at=at, action="demate", **same)
            failed = bool(rng.random() < 0.25)
            build.add(
                "inspections", inspection_id=build.new("look"), at=at + timedelta(minutes=3),
                connector_id=place["connector_id"], result="fail" if failed else "pass",
                finding="particle" if failed else "clean", stage="before_cleaning",
            )  # fmt: skip
            if failed:
                build.add(
                    "cleanings", cleaning_id=build.new("clean"), at=at + timedelta(minutes=5),
                    connector_id=place["connector_id"], method="dry_pen",
                )  # fmt: skip
            build.add(
                "mating_events", event_id=build.new("mating"), at=at + timedelta(minutes=9), action="mate", **same
            )
    for port in (row["port_id"] for row in build.rows["ports"] if row["role"] == "equipment"):
        level = -8.0 - 4.0 * rng.random()
        noise = rng.normal(0, 0.05, DAYS // 3)
        onset = int(rng.integers(DAYS // 3)) if rng.random() < 0.15 else DAYS
        for step in range(DAYS // 3):
            rx = level + noise[step] - (1.2 if step > onset else 0.0)
            build.add(
                "power_readings", at=START + timedelta(days=3 * step), port_id=port, tx_dbm=1.0, rx_dbm=round(rx, 2)
            )


def _crews(build: _Builder, graph: nx.Graph) -> None:
    """Ten crews spread over the region from north to south, every other one on the late shift."""
    by_latitude = sorted(graph.nodes, key=lambda n: graph.nodes[n]["pos"][1])
    for number, node in enumerate([by_latitude[i * (len(by_latitude) - 1) // 9] for i in range(10)], 1):
        start, end = ("13:00", "23:00") if number % 2 else ("06:00", "15:00")
        build.add(
            "crews", crew_id=f"crew-{number}", depot_site_id=_site(node), shift_start=start, shift_end=end,
            work_days="Mon;Tue;Wed;Thu;Fri", max_overtime_min=60, cost_per_hour=60.0, cost_per_km=0.5,
            kit="tip_1.25_upc;pen_1.25;cassette;sticks_1.25;wipes;solvent",
        )  # fmt: skip


def write_backbone(folder: Path, backbone: Backbone) -> Path:
    """The fleet as a folder of CSV files, as a person would deliver it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in backbone.tables.items():
        frame.convert_dtypes().to_csv(
            folder / f"{name}.csv", index=False, date_format="%Y-%m-%dT%H:%M:%SZ", lineterminator="\n"
        )
    return folder
