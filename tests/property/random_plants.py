"""Random plants for tracing tests, with the intended path of every circuit written down while building.

Nothing here uses the planner's own graph: circuits are laid element by element and the list of elements is
kept. Point-to-point circuits of many shapes and splitter trees, single fibres and arrays of every polarity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

# What a path is made of here: (kind, element id), fibre left out where the maker does not fix it.
Element = tuple[str, str]


@dataclass
class PlantMaker:
    """Builds intake tables row by row; ids are shuffled at the end so that their order means nothing."""

    rng: np.random.Generator
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    paths: dict[str, list[Element]] = field(default_factory=dict)
    _last: dict[str, int] = field(default_factory=dict)

    def new(self, prefix: str) -> str:
        """A new id with the prefix."""
        self._last[prefix] = self._last.get(prefix, 0) + 1
        return f"{prefix}{self._last[prefix]}"

    def add(self, table: str, **row: Any) -> None:
        """One row of a table."""
        self.rows.setdefault(table, []).append(row)

    def site(self) -> str:
        """A site with one equipment shelf, one panel and one splitter frame."""
        site = self.new("S")
        lat, lon = self.rng.uniform(40, 41), self.rng.uniform(5, 6)
        self.add("sites", site_id=site, kind="central_office", latitude=lat, longitude=lon)
        for kind in ("equipment", "panel", "splitter"):
            self.add("housings", housing_id=f"{site}-{kind}", site_id=site, kind=kind)
        return site

    def port(self, site: str, role: str = "patch", fibres: int = 1, housing: str = "") -> str:
        """A port in the site's panel, or in its equipment or splitter housing by role."""
        port = self.new("P")
        kind = {"equipment": "equipment", "splitter_input": "splitter", "splitter_output": "splitter"}.get(
            role, "panel"
        )
        self.add(
            "ports", port_id=port, housing_id=housing or f"{site}-{kind}", label=port, mode="SM", role=role,
            family="LC" if fibres == 1 else "MPO", polish="UPC", fibre_count=fibres,
        )  # fmt: skip
        return port

    def cable(self, kind: str, fibres: int = 1, polarity: str | None = None, length: float = 3.0) -> str:
        """A cable."""
        cable = self.new("K")
        self.add(
            "cables", cable_id=cable, kind=kind, fibre_type="OS2", length_m=length, fibre_count=fibres,
            polarity=polarity,
        )  # fmt: skip
        return cable

    def connector(
        self,
        cable: str | None = None,
        end: str | None = None,
        first: int = 1,
        fibres: int = 1,
        fixed: str | None = None,
        at: tuple[str, str] | None = None,
    ) -> str:
        """A connector on a cable end or built into a port, plugged in at (port, face) if given."""
        connector = self.new("C")
        self.add(
            "connectors", connector_id=connector, cable_id=cable, cable_end=end,
            first_fibre=first if cable else None, fibre_count=fibres, fixed_port_id=fixed,
            family="LC" if fibres == 1 else "MPO", polish="UPC",
        )  # fmt: skip
        if at:
            self.add("patching", connector_id=connector, port_id=at[0], face=at[1])
        return connector

    def splice(self, a: tuple[str, str, int], b: tuple[str, str, int], site: str) -> str:
        """A splice between two cable fibre ends, in either order."""
        if self.rng.random() < 0.5:
            a, b = b, a
        splice = self.new("X")
        self.add(
            "splices", splice_id=splice, site_id=site, cable_a_id=a[0], end_a=a[1], fibre_a=a[2],
            cable_b_id=b[0], end_b=b[1], fibre_b=b[2], kind="fusion",
        )  # fmt: skip
        return splice

    def circuit(self, a: str, z: str, fibre: int, path: list[Element]) -> str:
        """A circuit with its path, sometimes recorded the other way round."""
        circuit = self.new("N")
        if self.rng.random() < 0.5:
            a, z, path = z, a, path[::-1]
        self.add(
            "circuits", circuit_id=circuit, a_port_id=a, z_port_id=z, fibre=fibre, wavelength_nm=1310.0, customers=1
        )
        self.paths[circuit] = path
        return circuit

    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables, rows shuffled."""
        out = {}
        for name in (
            "sites", "housings", "ports", "cables", "connectors", "patching", "circuits", "splices", "splitter_legs",
        ):  # fmt: skip
            rows = self.rows.get(name, [])
            if rows:
                frame = pd.DataFrame(rows).sample(frac=1, random_state=int(self.rng.integers(1 << 30)))
                out[name] = frame.reset_index(drop=True)
        return out

    # -------------------------------------------------------------------------------------------------
    # stretches of path; each returns its elements

    def cord(self, one: tuple[str, str], other: tuple[str, str], fibres: int = 1) -> list[Element]:
        """A cord between two port faces; either end may be its A end."""
        cable = self.cable("patch_cord", fibres)
        ends = ["A", "B"] if self.rng.random() < 0.5 else ["B", "A"]
        first = self.connector(cable, ends[0], fibres=fibres, at=one)
        second = self.connector(cable, ends[1], fibres=fibres, at=other)
        return [("connector", first), ("cable", cable), ("connector", second)]

    def spliced(self, one: tuple[str, str], other: tuple[str, str], site: str, joints: int) -> list[Element]:
        """Pigtail, `joints` splices with cables of several fibres between them, pigtail."""
        cables = [self.cable("pigtail")]
        cables += [self.cable("feeder", int(self.rng.integers(1, 13)), length=900.0) for _ in range(joints - 1)]
        cables += [self.cable("pigtail")]
        fibres = [1] + [int(self.rng.integers(1, self._fibres(c) + 1)) for c in cables[1:-1]] + [1]
        ends = [("A", "B") if self.rng.random() < 0.5 else ("B", "A") for _ in cables]
        head = self.connector(cables[0], ends[0][0], at=one)
        tail = self.connector(cables[-1], ends[-1][1], at=other)
        path: list[Element] = [("connector", head), ("cable", cables[0])]
        for left in range(joints):
            splice = self.splice(
                (cables[left], ends[left][1], fibres[left]),
                (cables[left + 1], ends[left + 1][0], fibres[left + 1]),
                site,
            )
            path += [("splice", splice), ("cable", cables[left + 1])]
        return [*path, ("connector", tail)]

    def _fibres(self, cable: str) -> int:
        return next(int(row["fibre_count"]) for row in self.rows["cables"] if row["cable_id"] == cable)

    def equipment(self, site: str, fibres: int = 1, bare: bool = False) -> tuple[str, list[Element]]:
        """An equipment port with its built-in end face and adapter, A side first; bare without end face."""
        port = self.port(site, "equipment", fibres)
        if bare:
            return port, []
        return port, [("connector", self.connector(fixed=port, fibres=fibres)), ("adapter", port)]


def add_point_to_point(maker: PlantMaker, sites: Sequence[str], sections: int) -> str:
    """A circuit of cords and spliced routes over panels: `sections` stretches between adapters."""
    rng = maker.rng
    a_site, z_site = rng.choice(sites, 2)
    bare_a, bare_z = rng.random(2) < 0.25
    a_port, path = maker.equipment(str(a_site), bare=bool(bare_a))
    here = (a_port, "front")
    end_port, end = maker.equipment(str(z_site), bare=bool(bare_z))
    for section in range(sections):
        last = section == sections - 1
        site = str(rng.choice(sites))
        port = end_port if last else maker.port(site)
        into, out = ("front", "rear") if last or rng.random() < 0.5 else ("rear", "front")
        if rng.random() < 0.5:
            path = path + maker.cord(here, (port, into))
        else:
            path = path + maker.spliced(here, (port, into), site, int(rng.integers(1, 5)))
        if not last:
            path = [*path, ("adapter", port)]
        here = (port, out)
    return maker.circuit(a_port, end_port, 1, path + end[::-1])


def add_array_trunk(maker: PlantMaker, sites: Sequence[str]) -> list[str]:
    """Circuits over a trunk of arrays into fan-outs at both ends, of a random polarity."""
    rng = maker.rng
    a_site, z_site = (str(site) for site in rng.choice(sites, 2))
    fibres = int(rng.choice([8, 12]))
    polarity = rng.choice(["A", "B", "C", ""])
    trunk = maker.cable("trunk", fibres, str(polarity) or None, 40.0)
    near, far = maker.port(a_site, fibres=fibres), maker.port(z_site, fibres=fibres)
    trunk_a = maker.connector(trunk, "A", fibres=fibres, at=(near, "rear"))
    trunk_b = maker.connector(trunk, "B", fibres=fibres, at=(far, "rear"))
    fans = []
    for port, site in ((near, a_site), (far, z_site)):
        fan = maker.cable("pigtail", fibres)
        array = maker.connector(fan, "A", fibres=fibres, at=(port, "front"))
        ports = [maker.port(site) for _ in range(fibres)]
        singles = [maker.connector(fan, "B", first=i + 1, at=(ports[i], "rear")) for i in range(fibres)]
        fans.append((fan, array, ports, singles))
    comes_out = {
        "B": lambda i: fibres - 1 - i,
        "C": lambda i: i ^ 1,
    }.get(str(polarity), lambda i: i)
    out = []
    for i in sorted(rng.choice(fibres, int(rng.integers(1, fibres)), replace=False)):
        i = int(i)
        k = comes_out(i)
        (fan_a, array_a, ports_a, singles_a), (fan_z, array_z, ports_z, singles_z) = fans
        a_port, head = maker.equipment(a_site)
        z_port, tail = maker.equipment(z_site)
        path = head + maker.cord((a_port, "front"), (ports_a[i], "front")) + [("adapter", ports_a[i])]
        path += [("connector", singles_a[i]), ("cable", fan_a), ("connector", array_a), ("adapter", near)]
        path += [("connector", trunk_a), ("cable", trunk), ("connector", trunk_b), ("adapter", far)]
        path += [("connector", array_z), ("cable", fan_z), ("connector", singles_z[k]), ("adapter", ports_z[k])]
        path += maker.cord((ports_z[k], "front"), (z_port, "front")) + tail[::-1]
        out.append(maker.circuit(a_port, z_port, 1, path))
    return out


def add_array_circuits(maker: PlantMaker, sites: Sequence[str]) -> list[str]:
    """Circuits on the single fibres of a link of array ports: cord, reversed trunk, cord."""
    rng = maker.rng
    a_site, z_site = (str(site) for site in rng.choice(sites, 2))
    fibres = 12
    polarity = str(rng.choice(["A", "B", "C"]))
    a_port, head = maker.equipment(a_site, fibres)
    z_port, tail = maker.equipment(z_site, fibres)
    near, far = maker.port(a_site, fibres=fibres), maker.port(z_site, fibres=fibres)
    path = head + maker.cord((a_port, "front"), (near, "front"), fibres) + [("adapter", near)]
    trunk = maker.cable("trunk", fibres, polarity, 60.0)
    one = maker.connector(trunk, "B", fibres=fibres, at=(near, "rear"))
    other = maker.connector(trunk, "A", fibres=fibres, at=(far, "rear"))
    path += [("connector", one), ("cable", trunk), ("connector", other), ("adapter", far)]
    path += maker.cord((far, "front"), (z_port, "front"), fibres) + tail[::-1]
    chosen = rng.choice(fibres, 3, replace=False)
    return [maker.circuit(a_port, z_port, int(i) + 1, path) for i in chosen]


def add_splitter_tree(maker: PlantMaker, sites: Sequence[str], cascade: bool) -> list[str]:
    """Head-end port, feeder, splitter (perhaps a second behind one leg), drops to customers."""
    rng = maker.rng
    site = str(rng.choice(sites))
    head_port, path = maker.equipment(site)
    panel = maker.port(site)
    path = path + maker.cord((head_port, "front"), (panel, "front")) + [("adapter", panel)]

    def splitter(path: list[Element], here: tuple[str, str], branches: int) -> list[tuple[str, list[Element]]]:
        """A splitter fed from `here`; returns its output ports with the path up to and with their adapter."""
        name = maker.new("L")
        built_in, pigtailed = rng.random(2) < [0.7, 0.5]
        common = maker.port(site, "splitter_input")
        maker.add("splitter_legs", splitter_id=name, leg=0, port_id=common, ratio=branches)
        path = path + maker.spliced(here, (common, "front"), site, int(rng.integers(1, 4))) + [("adapter", common)]
        path = path + leg_inside(common, bool(built_in), bool(pigtailed))
        path = [*path, ("splitter", name)]
        outputs = []
        for leg in range(1, branches + 1):
            port = maker.port(site, "splitter_output")
            maker.add("splitter_legs", splitter_id=name, leg=leg, port_id=port, ratio=branches)
            inside = leg_inside(port, bool(built_in), bool(pigtailed))[::-1]
            outputs.append((port, path + inside + [("adapter", port)]))
        return outputs

    def leg_inside(port: str, built_in: bool, pigtailed: bool) -> list[Element]:
        if built_in:
            return [("connector", maker.connector(fixed=port))]
        if pigtailed:
            cable = maker.cable("pigtail")
            return [("connector", maker.connector(cable, "A", at=(port, "rear"))), ("cable", cable)]
        return []

    outputs = splitter(path, (panel, "rear"), int(rng.choice([2, 4, 8])))
    if cascade:
        port, so_far = outputs.pop()
        outputs += splitter(so_far, (port, "front"), 4)
    out = []
    for port, so_far in outputs:
        if rng.random() < 0.8:
            customer, tail = maker.equipment(site, bare=bool(rng.random() < 0.3))
            drop = maker.spliced((port, "front"), (customer, "front"), site, int(rng.integers(1, 3)))
            out.append(maker.circuit(head_port, customer, 1, so_far + drop + tail[::-1]))
    return out


def random_plant(seed: int, circuits: int = 12) -> tuple[dict[str, pd.DataFrame], dict[str, list[Element]]]:
    """A random plant: its intake tables and the path of every circuit from A to Z."""
    rng = np.random.default_rng(seed)
    maker = PlantMaker(rng)
    sites = [maker.site() for _ in range(int(rng.integers(2, 6)))]
    while len(maker.paths) < circuits:
        kind = rng.choice(4, p=[0.4, 0.2, 0.15, 0.25])
        if kind == 0:
            add_point_to_point(maker, sites, int(rng.integers(1, 11)))
        elif kind == 1:
            add_array_trunk(maker, sites)
        elif kind == 2:
            add_array_circuits(maker, sites)
        else:
            add_splitter_tree(maker, sites, bool(rng.random() < 0.4))
    # spare cords and an idle test set, which belong to no path
    maker.add("housings", housing_id="T-housing", site_id=None, kind="test_set")
    test = maker.port(sites[0], "test", housing="T-housing")
    maker.connector(fixed=test)
    launch = maker.cable("launch_cord")
    maker.connector(launch, "A", at=(test, "front"))
    maker.connector(launch, "B")
    spare = maker.cable("patch_cord")
    maker.connector(spare, "A")
    maker.connector(spare, "B")
    return maker.tables(), maker.paths
