"""The plant of an invented fleet: sites to circuits, with the true path of every circuit written down.

In comes a size and a random generator; out comes a `Plant`: the plant tables as integer arrays (names are
given only when files are written), what is plugged where, and for each circuit the list of elements that
light really passes. Everything is built for all regions at once; nothing loops over rows.

Three kinds of link are built, each region holding some of all:

- data-hall links: equipment, duplex cord, cassette (fan-out behind LC ports), MPO trunk of polarity A, B or
  C, cassette, duplex cord, equipment;
- metro links: equipment, duplex cord, distribution frame, pigtail, splice, feeder, splice in a closure,
  feeder, splice, pigtail, frame, cord, equipment;
- passive optical trees: line terminal, cord, frame, pigtail, feeder, cabinet panel, cord, splitter 1:8 to
  1:32, distribution, drop, outlet, cord, customer terminal.

A duplex receptacle is two ports and a duplex link two circuits, one per direction of light.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.tables.intake_tables import (
    CABLE_KINDS,
    FAMILIES,
    FIBRE_TYPES,
    HOUSING_KINDS,
    POLISHES,
    PORT_ROLES,
    SITE_KINDS,
)

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

# Kinds of element in a true path; the number of the port, cable, splice or leg goes with it.
FRONT, ADAPTER, REAR, CABLE, CORD_AT, SPLICE, SPLITTER = range(7)

ENVIRONMENTS = ("controlled", "indoor", "outdoor")
GRADES = ("A", "B", "C", "D")
POLARITIES = ("", "A", "B", "C")
APPLICATIONS = ("10GBASE-SR", "10GBASE-LR", "100GBASE-FR1", "10GBASE-ER", "GPON-B+", "GPON-C+")
APPLICATION_NM = np.array([850.0, 1310.0, 1310.0, 1550.0, 1490.0, 1490.0])

# Where invented regions lie: stretches of open country with one time zone each (degrees north and east).
COUNTRYSIDE = (
    ("Europe/Paris", 45.7, 47.9, 0.6, 4.6),
    ("Europe/Warsaw", 50.9, 53.0, 17.2, 21.8),
    ("Europe/Madrid", 39.2, 41.8, -5.2, -2.0),
    ("Europe/Dublin", 52.8, 53.7, -8.4, -7.1),
)

# Sites of one full region of about 3,300 end faces.
REGION_SITES = {
    "central_office": 4,
    "headend": 1,
    "data_hall": 3,
    "hut": 3,
    "tower": 3,
    "cabinet": 8,
    "closure": 8,
    "customer_premises": 30,
}
FACES_PER_REGION = 3300

FAMILY = {name: i for i, name in enumerate(FAMILIES)}
POLISH = {name: i for i, name in enumerate(POLISHES)}
FIBRE = {name: i for i, name in enumerate(FIBRE_TYPES)}
CABLE_KIND = {name: i for i, name in enumerate(CABLE_KINDS)}
ROLE = {name: i for i, name in enumerate(PORT_ROLES)}
HOUSING = {name: i for i, name in enumerate(HOUSING_KINDS)}
SITE_KIND = {name: i for i, name in enumerate(SITE_KINDS)}


@dataclass
class Columns:
    """Rows gathered block by block; `finish` gives one array per column."""

    names: tuple[str, ...]
    count: int = 0
    blocks: dict[str, list[npt.NDArray[Any]]] = field(default_factory=dict)

    def add(self, shape: tuple[int, ...], **values: object) -> IntArray:
        """Append a block of rows of that shape; values broadcast. Returns the row numbers, same shape."""
        size = int(np.prod(shape))
        for name in self.names:
            value = np.broadcast_to(np.asarray(values.get(name, -1)), shape).reshape(-1)
            self.blocks.setdefault(name, []).append(value)
        rows = np.arange(self.count, self.count + size).reshape(shape)
        self.count += size
        return rows

    def finish(self) -> dict[str, npt.NDArray[Any]]:
        """Every column as one array."""
        return {name: np.concatenate(self.blocks[name]) if self.blocks else np.zeros(0) for name in self.names}


@dataclass
class Plant:
    """An invented plant as arrays; row numbers stand for ids until files are written.

    Tables are dictionaries of equal-length arrays. `front_of` and `rear_of` give the connector at each port
    face when history starts (-1: none; a built-in connector counts as the rear). `element_*` list what
    light passes, circuit after circuit (`circuit_start` offsets, length circuits + 1). `cord_faces` is
    (cords, 2 ends, 2 fibres) of connector numbers, -1 where a cord is simplex; `cord_ports` likewise of
    ports, -1 while unplugged; `cord_type` groups cords that can replace one another.
    """

    start: np.datetime64
    regions: int
    sites: dict[str, npt.NDArray[Any]]
    housings: dict[str, npt.NDArray[Any]]
    ports: dict[str, npt.NDArray[Any]]
    cables: dict[str, npt.NDArray[Any]]
    connectors: dict[str, npt.NDArray[Any]]
    splices: dict[str, npt.NDArray[Any]]
    legs: dict[str, npt.NDArray[Any]]
    circuits: dict[str, npt.NDArray[Any]]
    crews: dict[str, npt.NDArray[Any]]
    technicians: dict[str, npt.NDArray[Any]]
    front_of: IntArray
    rear_of: IntArray
    element_kind: npt.NDArray[np.int8]
    element_ref: IntArray
    element_fibre: npt.NDArray[np.int16]
    circuit_start: IntArray
    cord_faces: IntArray
    cord_ports: IntArray
    cord_cable: IntArray
    cord_type: IntArray
    launch_faces: IntArray
    test_housings: IntArray
    batches: int


def csr(keys: IntArray, values: IntArray, size: int) -> tuple[IntArray, npt.NDArray[np.int32]]:
    """Group values by key 0..size-1: offsets (size + 1,) and the values in key order (stable)."""
    order = np.argsort(keys, kind="stable")
    counts = np.bincount(keys, minlength=size)
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64), values[order].astype(np.int32)


def circuit_of_element(plant: Plant) -> IntArray:
    """The circuit of each path element."""
    return np.repeat(np.arange(plant.circuit_start.shape[0] - 1), np.diff(plant.circuit_start))


class _Builder:
    """Grows the tables of a plant block by block."""

    def __init__(self, rng: np.random.Generator, start: np.datetime64, days: int) -> None:
        self.rng = rng
        self.start = start
        self.days = days
        self.sites = Columns(("kind", "region", "latitude", "longitude", "environment", "zone", "habits"))
        self.housings = Columns(("site", "kind", "installed", "rack"))
        self.ports = Columns(("housing", "family", "polish", "mode", "fibres", "role", "label"))
        self.cables = Columns(("kind", "fibre_type", "length_m", "fibres", "batch", "installed", "polarity"))
        self.connectors = Columns(
            ("cable", "end", "first_fibre", "fibres", "fixed_port", "family", "polish", "grade", "installed")
        )
        self.splices = Columns(
            ("site", "cable_a", "end_a", "fibre_a", "cable_b", "end_b", "fibre_b", "kind", "loss_db")
        )
        self.legs = Columns(("splitter", "leg", "port", "ratio", "loss_db"))
        self.circuits = Columns(
            ("a_port", "z_port", "application", "customers", "priority", "in_service", "protected_by", "kind", "region")
        )
        self.plugged: list[tuple[IntArray, IntArray, int]] = []
        self.elements: list[tuple[IntArray, IntArray, IntArray]] = []
        self.cords: list[tuple[IntArray, IntArray, IntArray, IntArray]] = []
        self.splitters = 0
        self.batches = 1

    # -- pieces -------------------------------------------------------------------------------------

    def days_before(self, shape: tuple[int, ...], low: float = 200, high: float = 3000) -> IntArray:
        """Random whole days before the start of the history, as negative day numbers."""
        return -self.rng.integers(int(low), int(high), shape)

    def grade(self, shape: tuple[int, ...]) -> IntArray:
        """Random-mate grades: B .4, C .55, D .05."""
        return self.rng.choice(np.array([1, 2, 3]), shape, p=[0.4, 0.55, 0.05])

    def fixed(self, ports: IntArray, family: object, polish: object) -> IntArray:
        """A built-in connector behind each of these ports."""
        faces = self.connectors.add(
            ports.shape,
            fixed_port=ports,
            fibres=1,
            first_fibre=-1,
            family=family,
            polish=polish,
            grade=self.grade(ports.shape),
            installed=-900,
        )
        self.plugged.append((faces.reshape(-1), ports.reshape(-1), 1))
        return faces

    def plug(self, faces: IntArray, ports: IntArray, face: int) -> None:
        """Plug connectors into port faces (0 front, 1 rear)."""
        self.plugged.append((faces.reshape(-1), ports.reshape(-1), face))

    def cord(
        self,
        ports_a: IntArray,
        ports_b: IntArray,
        family_a: object,
        polish_a: object,
        family_b: object,
        polish_b: object,
        fibre_type: object,
        installed: IntArray,
        length: tuple[float, float] = (1.5, 15.0),
    ) -> None:
        """Cords between ports; the arrays are (n, 1) for simplex, (n, 2) for duplex. Port -1: in stock."""
        n, fibres = ports_a.shape
        batch = self.rng.integers(0, max(1, self.batches), n)
        cable = self.cables.add(
            (n,),
            kind=CABLE_KIND["patch_cord"],
            fibre_type=fibre_type,
            length_m=np.round(self.rng.uniform(*length, n) * 2) / 2,
            fibres=fibres,
            batch=batch,
            installed=installed,
            polarity=0,
        )
        faces = np.full((n, 2, 2), -1)
        ports = np.full((n, 2, 2), -1)
        for end, (where, family, polish) in enumerate(((ports_a, family_a, polish_a), (ports_b, family_b, polish_b))):
            ports[:, end, :fibres] = where
            faces[:, end, :fibres] = self.connectors.add(
                (n, fibres),
                cable=cable[:, None],
                end=end,
                first_fibre=np.arange(1, fibres + 1)[None, :],
                fibres=1,
                fixed_port=-1,
                family=np.broadcast_to(np.asarray(family), (n,))[:, None],
                polish=np.broadcast_to(np.asarray(polish), (n,))[:, None],
                grade=self.grade((n, fibres)),
                installed=installed[:, None],
            )
        mm = np.broadcast_to(np.asarray(fibre_type), (n,)) >= FIBRE["OM1"]
        kinds = np.stack([np.broadcast_to(np.asarray(v), (n,)) for v in (family_a, polish_a, family_b, polish_b)], 1)
        kind = ((kinds[:, 0] * 3 + kinds[:, 1]) * 7 + kinds[:, 2]) * 3 + kinds[:, 3]
        self.cords.append((cable, faces, ports, kind * 4 + mm * 2 + (fibres - 1)))

    def pigtail(self, ports: IntArray, family: object, polish: object, length: float) -> tuple[IntArray, IntArray]:
        """A pigtail behind each port: its cable and its connector; end B is for a splice."""
        cable = self.cables.add(
            ports.shape,
            kind=CABLE_KIND["pigtail"],
            fibre_type=FIBRE["G.657.A1"],
            length_m=length,
            fibres=1,
            batch=-1,
            installed=self.days_before(ports.shape),
            polarity=0,
        )
        face = self.connectors.add(
            ports.shape,
            cable=cable,
            end=0,
            first_fibre=1,
            fibres=1,
            fixed_port=-1,
            family=family,
            polish=polish,
            grade=self.grade(ports.shape),
            installed=-900,
        )
        self.plug(face, ports, 1)
        return cable, face

    def splice(
        self,
        site: IntArray,
        cable_a: IntArray,
        end_a: int,
        fibre_a: object,
        cable_b: IntArray,
        end_b: int,
        fibre_b: object,
    ) -> IntArray:
        """A fusion splice between two fibres (one in fifty is mechanical)."""
        shape = cable_a.shape
        mechanical = self.rng.random(shape) < 0.02
        loss = np.where(mechanical, self.rng.gamma(4, 0.04, shape), self.rng.gamma(2, 0.022, shape))
        return self.splices.add(
            shape,
            site=site,
            cable_a=cable_a,
            end_a=end_a,
            fibre_a=fibre_a,
            cable_b=cable_b,
            end_b=end_b,
            fibre_b=fibre_b,
            kind=mechanical.astype(np.int64),
            loss_db=np.round(loss, 3),
        )

    def path(self, *elements: tuple[int, object], fibres: dict[int, object] | None = None) -> None:
        """The true elements of n circuits; each element is a kind and an array of n references."""
        n = np.asarray(elements[0][1]).shape[0]
        kind = np.tile(np.array([e[0] for e in elements]), (n, 1))
        ref = np.stack([np.broadcast_to(np.asarray(e[1]), (n,)) for e in elements], 1)
        fibre = np.ones_like(ref)
        for column, value in (fibres or {}).items():
            fibre[:, column] = value
        self.elements.append((kind, ref, fibre))

    def in_service(self, n: int) -> IntArray:
        """Day numbers a link goes into service: most before the history, one in fourteen within it."""
        late = self.rng.random(n) < 0.07
        latest = max(11, self.days - 15)
        return np.where(late, self.rng.integers(10, latest, n), self.days_before((n,), 60, 2400))


def _sites(b: _Builder, regions: int, scale: float) -> dict[str, IntArray]:
    """Sites of all regions; gives the site numbers of each kind as (regions, count) arrays."""
    counts = {kind: max(1, round(n * scale)) for kind, n in REGION_SITES.items()}
    zone = np.arange(regions) % len(COUNTRYSIDE) if regions > 4 else np.zeros(regions, dtype=np.int64)
    low = np.array([c[1] for c in COUNTRYSIDE])[zone], np.array([c[3] for c in COUNTRYSIDE])[zone]
    high = np.array([c[2] for c in COUNTRYSIDE])[zone], np.array([c[4] for c in COUNTRYSIDE])[zone]
    centre = b.rng.uniform(low[0], high[0]), b.rng.uniform(low[1], high[1])
    spread = {"central_office": 0.13, "cabinet": 0.17, "closure": 0.17, "customer_premises": 0.2}
    environment = {
        "central_office": 0,
        "headend": 0,
        "data_hall": 0,
        "hut": 1,
        "tower": 2,
        "cabinet": 2,
        "closure": 2,
        "customer_premises": 1,
    }
    found: dict[str, IntArray] = {}
    places: dict[str, tuple[FloatArray, FloatArray]] = {}
    for kind, count in counts.items():
        shape = (regions, count)
        s = spread.get(kind, 0.15)
        latitude = centre[0][:, None] + b.rng.uniform(-s, s, shape)
        longitude = centre[1][:, None] + b.rng.uniform(-s, s, shape) * 1.45
        near = {"closure": "cabinet", "customer_premises": "closure"}.get(kind)
        if near is not None:  # a closure lies near its cabinet, the homes near their closure
            own = np.arange(count) % counts[near]
            reach = 0.006 if kind == "closure" else 0.0012
            latitude = places[near][0][:, own] + b.rng.uniform(-reach, reach, shape)
            longitude = places[near][1][:, own] + b.rng.uniform(-reach, reach, shape) * 1.45
        places[kind] = (latitude, longitude)
        found[kind] = b.sites.add(
            shape,
            kind=SITE_KIND[kind],
            region=np.arange(regions)[:, None],
            latitude=np.round(latitude, 5),
            longitude=np.round(longitude, 5),
            environment=environment[kind],
            zone=zone[:, None],
            habits=np.exp(b.rng.normal(0.0, 0.45, shape)),
        )
    return found


def _pick(b: _Builder, sites: IntArray, region: IntArray) -> IntArray:
    """A random site of that kind in each of the given regions."""
    picked: IntArray = sites[region, b.rng.integers(0, sites.shape[1], region.shape[0])]
    return picked


def _housing(b: _Builder, site: IntArray, kind: str, installed: IntArray | None = None) -> IntArray:
    return b.housings.add(
        site.shape,
        site=site,
        kind=HOUSING[kind],
        installed=b.days_before(site.shape, 600, 4000) if installed is None else installed,
        rack=b.rng.integers(1, 20, site.shape),
    )


def _add_hall_links(b: _Builder, sites: dict[str, IntArray], regions: int, per_region: FloatArray) -> None:
    """Data-hall links of 8 or 12 fibres over one MPO trunk each."""
    region = np.repeat(np.arange(regions), _whole(b, per_region))
    n = region.shape[0]
    if n == 0:
        return
    mm = b.rng.random(n) < 0.4
    fibre_type = np.where(mm, FIBRE["OM4"], FIBRE["OS2"])
    polish = np.where(mm, POLISH["PC"], POLISH["UPC"])
    mpo_polish = np.where(mm, POLISH["PC"], POLISH["APC"])
    mode = mm.astype(np.int64)
    site = _pick(b, sites["data_hall"], region)
    lc, mpo = FAMILY["LC"], FAMILY["MPO"]
    polarity = b.rng.choice(np.array([1, 2, 3]), n, p=[0.6, 0.25, 0.15])
    position = np.arange(12)
    far = np.where(polarity[:, None] == 1, position, np.where(polarity[:, None] == 2, 11 - position, position ^ 1))
    equipment, panels, mpos, fans = [], [], [], []
    for _end in range(2):
        switch = _housing(b, site, "equipment")
        panel = _housing(b, site, "panel")
        eq = b.ports.add(
            (n, 12),
            housing=switch[:, None],
            family=lc,
            polish=polish[:, None],
            mode=mode[:, None],
            fibres=1,
            role=ROLE["equipment"],
            label=position + 1,
        )
        b.fixed(eq, lc, polish[:, None])
        front = b.ports.add(
            (n, 12),
            housing=panel[:, None],
            family=lc,
            polish=polish[:, None],
            mode=mode[:, None],
            fibres=1,
            role=ROLE["patch"],
            label=position + 1,
        )
        array = b.ports.add(
            (n,), housing=panel, family=mpo, polish=mpo_polish, mode=mode, fibres=12, role=ROLE["patch"], label=13
        )
        fan = b.cables.add(
            (n,),
            kind=CABLE_KIND["pigtail"],
            fibre_type=fibre_type,
            length_m=0.5,
            fibres=12,
            batch=-1,
            installed=b.days_before((n,)),
            polarity=1,
        )
        head = b.connectors.add(
            (n,),
            cable=fan,
            end=0,
            first_fibre=1,
            fibres=12,
            fixed_port=-1,
            family=mpo,
            polish=mpo_polish,
            grade=b.grade((n,)),
            installed=-900,
        )
        tails = b.connectors.add(
            (n, 12),
            cable=fan[:, None],
            end=1,
            first_fibre=position + 1,
            fibres=1,
            fixed_port=-1,
            family=lc,
            polish=polish[:, None],
            grade=b.grade((n, 12)),
            installed=-900,
        )
        b.plug(head, array, 1)
        b.plug(tails, front, 1)
        equipment.append(eq)
        panels.append(front)
        mpos.append(array)
        fans.append(fan)
    trunk = b.cables.add(
        (n,),
        kind=CABLE_KIND["trunk"],
        fibre_type=fibre_type,
        length_m=np.round(b.rng.uniform(15, 90, n)),
        fibres=12,
        batch=-1,
        installed=b.days_before((n,)),
        polarity=polarity,
    )
    for end in range(2):
        heads = b.connectors.add(
            (n,),
            cable=trunk,
            end=end,
            first_fibre=1,
            fibres=12,
            fixed_port=-1,
            family=mpo,
            polish=mpo_polish,
            grade=b.grade((n,)),
            installed=-900,
        )
        b.plug(heads, mpos[end], 0)
    # duplex links on fibre pairs; some trunks are only part used
    used = np.arange(6)[None, :] < np.where(b.rng.random(n) < 0.7, 6, b.rng.integers(3, 6, n))[:, None]
    row, pair = np.nonzero(used)
    service = b.in_service(row.shape[0])
    near = np.stack([pair * 2, pair * 2 + 1], 1)
    distant = far[row[:, None], near]
    for end, places in ((0, near), (1, np.sort(distant, axis=1))):
        b.cord(
            equipment[end][row[:, None], places],
            panels[end][row[:, None], places],
            lc,
            polish[row],
            lc,
            polish[row],
            fibre_type[row],
            np.minimum(service, b.days_before(service.shape, 60, 1500)),
        )
    customers = np.maximum(1, b.rng.lognormal(1.8, 1.2, row.shape[0])).astype(np.int64)
    priority = b.rng.choice(np.arange(1, 6), row.shape[0], p=[0.1, 0.25, 0.35, 0.2, 0.1])
    wave = np.where(mm[row], 0, np.where(b.rng.random(row.shape[0]) < 0.5, 1, 2))
    for direction in range(2):
        p, q = near[:, direction], distant[:, direction]
        a, z = equipment[0][row, p], equipment[1][row, q]
        pa, pz = panels[0][row, p], panels[1][row, q]
        hops: list[tuple[int, object]] = [
            (REAR, a),
            (ADAPTER, a),
            (FRONT, a),
            (CORD_AT, a),
            (FRONT, pa),
            (ADAPTER, pa),
            (REAR, pa),
            (CABLE, fans[0][row]),
            (REAR, mpos[0][row]),
            (ADAPTER, mpos[0][row]),
            (FRONT, mpos[0][row]),
            (CABLE, trunk[row]),
            (FRONT, mpos[1][row]),
            (ADAPTER, mpos[1][row]),
            (REAR, mpos[1][row]),
            (CABLE, fans[1][row]),
            (REAR, pz),
            (ADAPTER, pz),
            (FRONT, pz),
            (CORD_AT, pz),
            (FRONT, z),
            (ADAPTER, z),
            (REAR, z),
        ]
        marks: dict[int, object] = dict.fromkeys(range(7, 12), p + 1) | dict.fromkeys(range(12, 16), q + 1)
        if direction:
            hops = hops[::-1]
            marks = {len(hops) - 1 - k: v for k, v in marks.items()}
            a, z = z, a
        b.path(*hops, fibres=marks)
        b.circuits.add(
            a.shape,
            a_port=a,
            z_port=z,
            application=wave,
            customers=customers,
            priority=priority,
            in_service=service,
            protected_by=-1,
            kind=0,
            region=region[row],
        )


def _whole(b: _Builder, per_region: FloatArray) -> IntArray:
    """Whole numbers whose mean is the given rate (a fraction is drawn)."""
    base = np.floor(per_region)
    return (base + (b.rng.random(per_region.shape) < per_region - base)).astype(np.int64)


def _add_metro_links(b: _Builder, sites: dict[str, IntArray], regions: int, per_region: FloatArray) -> None:
    """Spans of three to six duplex links between offices, headends, huts and towers."""
    region = np.repeat(np.arange(regions), _whole(b, per_region / 4.5))
    n = region.shape[0]
    if n == 0:
        return
    near = _pick(b, sites["central_office"], region)
    kinds = ("central_office", "headend", "hut", "tower", "data_hall")
    choice = b.rng.choice(5, n, p=[0.3, 0.2, 0.2, 0.2, 0.1])
    options = np.stack([_pick(b, sites[kind], region) for kind in kinds], 1)
    distant = options[np.arange(n), choice]
    same = distant == near
    distant = np.where(same, _pick(b, sites["hut"], region), distant)
    closure = _pick(b, sites["closure"], region)
    family = np.array([FAMILY["SC"], FAMILY["LC"], FAMILY["FC"], FAMILY["E2000"]])[
        b.rng.choice(4, n, p=[0.45, 0.42, 0.08, 0.05])
    ]
    lc, upc = FAMILY["LC"], POLISH["UPC"]
    links = b.rng.integers(3, 7, n)
    place = np.arange(12)
    equipment, panels, tails, feeders = [], [], [], []
    sections = (_span_km(b, near, closure), _span_km(b, closure, distant))
    lengths = sections[0] + sections[1]
    for end, site in enumerate((near, distant)):
        switch, panel = _housing(b, site, "equipment"), _housing(b, site, "panel")
        eq = b.ports.add(
            (n, 12),
            housing=switch[:, None],
            family=lc,
            polish=upc,
            mode=0,
            fibres=1,
            role=ROLE["equipment"],
            label=place + 1,
        )
        front = b.ports.add(
            (n, 12),
            housing=panel[:, None],
            family=family[:, None],
            polish=upc,
            mode=0,
            fibres=1,
            role=ROLE["patch"],
            label=place + 1,
        )
        live = place[None, :] < 2 * links[:, None]
        row, column = np.nonzero(live)
        b.fixed(eq[row, column], lc, upc)
        feeder = b.cables.add(
            (n,),
            kind=CABLE_KIND["feeder"],
            fibre_type=FIBRE["G.652.D"],
            length_m=np.round(sections[end] * 1000),
            fibres=24,
            batch=-1,
            installed=b.days_before((n,), 900, 6000),
            polarity=0,
        )
        cable = np.full((n, 12), -1)
        cable[row, column], _ = b.pigtail(front[row, column], family[row], upc, 2.0)
        equipment.append(eq)
        panels.append(front)
        tails.append(cable)
        feeders.append(feeder)
    row, column = np.nonzero(place[None, :] < 2 * links[:, None])
    joints = np.full((3, n, 12), -1)
    joints[0, row, column] = b.splice(near[row], tails[0][row, column], 1, 1, feeders[0][row], 0, column + 1)
    joints[1, row, column] = b.splice(closure[row], feeders[0][row], 1, column + 1, feeders[1][row], 0, column + 1)
    joints[2, row, column] = b.splice(distant[row], feeders[1][row], 1, column + 1, tails[1][row, column], 1, 1)
    row, pair = np.nonzero(np.arange(6)[None, :] < links[:, None])
    service = b.in_service(row.shape[0])
    both = np.stack([pair * 2, pair * 2 + 1], 1)
    for end in range(2):
        b.cord(
            equipment[end][row[:, None], both],
            panels[end][row[:, None], both],
            lc,
            upc,
            family[row],
            upc,
            FIBRE["G.657.A1"],
            np.minimum(service, b.days_before(service.shape, 60, 1500)),
        )
    customers = np.maximum(1, b.rng.lognormal(3.6, 1.2, row.shape[0])).astype(np.int64)
    priority = b.rng.choice(np.arange(1, 6), row.shape[0], p=[0.25, 0.35, 0.25, 0.1, 0.05])
    wave = np.where(lengths[row] > 12, 3, 1)
    made = []
    for direction in range(2):
        c = both[:, direction]
        a, z, pa, pz = equipment[0][row, c], equipment[1][row, c], panels[0][row, c], panels[1][row, c]
        hops: list[tuple[int, object]] = [
            (REAR, a),
            (ADAPTER, a),
            (FRONT, a),
            (CORD_AT, a),
            (FRONT, pa),
            (ADAPTER, pa),
            (REAR, pa),
            (CABLE, tails[0][row, c]),
            (SPLICE, joints[0, row, c]),
            (CABLE, feeders[0][row]),
            (SPLICE, joints[1, row, c]),
            (CABLE, feeders[1][row]),
            (SPLICE, joints[2, row, c]),
            (CABLE, tails[1][row, c]),
            (REAR, pz),
            (ADAPTER, pz),
            (FRONT, pz),
            (CORD_AT, pz),
            (FRONT, z),
            (ADAPTER, z),
            (REAR, z),
        ]
        marks: dict[int, object] = {9: c + 1, 11: c + 1}
        if direction:
            hops = hops[::-1]
            marks = {len(hops) - 1 - k: v for k, v in marks.items()}
            a, z = z, a
        b.path(*hops, fibres=marks)
        made.append(
            b.circuits.add(
                a.shape,
                a_port=a,
                z_port=z,
                application=wave,
                customers=customers,
                priority=priority,
                in_service=service,
                protected_by=-1,
                kind=1,
                region=region[row],
            )
        )
    _protect(b, np.stack(made, 1), region[row], row)


def _protect(b: _Builder, circuits: IntArray, region: IntArray, span: IntArray) -> None:
    """Let some links take over from one another: neighbours in the list that lie on different spans."""
    count = circuits.shape[0]
    partner = np.full(b.circuits.count, -1)
    step = 6
    first = np.arange(0, max(0, count - step), 2 * step)
    good = (region[first] == region[first + step]) & (span[first] != span[first + step])
    first = first[good]
    for direction in range(2):
        one, other = circuits[first, direction], circuits[first + step, direction]
        partner[one], partner[other] = other, one
    existing = np.concatenate(b.circuits.blocks["protected_by"])
    b.circuits.blocks["protected_by"] = [np.where(partner >= 0, partner, existing)]


def _span_km(b: _Builder, near: IntArray, distant: IntArray) -> FloatArray:
    """Cable length between sites: the straight line times 1.3 and some slack. [km]"""
    latitude = np.concatenate(b.sites.blocks["latitude"]).astype(float)
    longitude = np.concatenate(b.sites.blocks["longitude"]).astype(float)
    dy = (latitude[near] - latitude[distant]) * 111.2
    dx = (longitude[near] - longitude[distant]) * 111.2 * np.cos(np.radians(latitude[near]))
    return np.asarray(0.03 + 1.3 * np.hypot(dx, dy))


def _add_passive_trees(b: _Builder, sites: dict[str, IntArray], regions: int, per_region: FloatArray) -> None:
    """Passive optical trees: one line terminal port, one splitter, 8 to 32 customers."""
    region = np.repeat(np.arange(regions), _whole(b, per_region))
    n = region.shape[0]
    if n == 0:
        return
    sc, apc, upc = FAMILY["SC"], POLISH["APC"], POLISH["UPC"]
    office = _pick(b, sites["central_office"], region)
    number = b.rng.integers(0, sites["cabinet"].shape[1], n)
    closures, homes = sites["closure"].shape[1], sites["customer_premises"].shape[1]
    cabinet, closure = sites["cabinet"][region, number], sites["closure"][region, number % closures]
    ratio = b.rng.choice(np.array([8, 16, 32]), n, p=[0.4, 0.4, 0.2])
    olt = b.ports.add(
        (n,),
        housing=_housing(b, office, "equipment"),
        family=sc,
        polish=upc,
        mode=0,
        fibres=1,
        role=ROLE["equipment"],
        label=1,
    )
    b.fixed(olt, sc, upc)
    frame_housing = _housing(b, office, "panel")
    frame = b.ports.add(
        (n, 4),
        housing=frame_housing[:, None],
        family=sc,
        polish=apc,
        mode=0,
        fibres=1,
        role=ROLE["patch"],
        label=np.arange(1, 5),
    )[:, 0]
    tail_a, _ = b.pigtail(frame, sc, apc, 2.0)
    pairs, group = np.unique(office * 1_000_000 + cabinet, return_inverse=True)
    order = np.argsort(group, kind="stable")
    rank = np.empty(n, dtype=np.int64)
    starts = np.searchsorted(group[order], np.arange(pairs.shape[0]))
    rank[order] = np.arange(n) - starts[group[order]]
    first = order[starts]
    feeder_of = b.cables.add(
        pairs.shape,
        kind=CABLE_KIND["feeder"],
        fibre_type=FIBRE["G.652.D"],
        length_m=np.round(_span_km(b, office[first], cabinet[first]) * 1000),
        fibres=96,
        batch=-1,
        installed=b.days_before(pairs.shape, 900, 5000),
        polarity=0,
    )
    feeder, fibre = feeder_of[group], rank + 1
    panel_housing = _housing(b, cabinet, "panel")
    panel = b.ports.add(
        (n, 4),
        housing=panel_housing[:, None],
        family=sc,
        polish=apc,
        mode=0,
        fibres=1,
        role=ROLE["patch"],
        label=np.arange(1, 5),
    )[:, 0]
    tail_b, _ = b.pigtail(panel, sc, apc, 1.5)
    splice_a = b.splice(office, tail_a, 1, 1, feeder, 0, fibre)
    splice_b = b.splice(cabinet, feeder, 1, fibre, tail_b, 1, 1)
    splitter_housing = _housing(b, cabinet, "splitter")
    inlet = b.ports.add(
        (n,), housing=splitter_housing, family=sc, polish=apc, mode=0, fibres=1, role=ROLE["splitter_input"], label=0
    )
    b.fixed(inlet, sc, apc)
    service_tree = b.days_before((n,), 500, 2400)
    b.cord(olt[:, None], frame[:, None], sc, upc, sc, apc, FIBRE["G.657.A1"], service_tree)
    b.cord(panel[:, None], inlet[:, None], sc, apc, sc, apc, FIBRE["G.657.A1"], service_tree, (1.0, 3.0))
    splitter = np.arange(n) + b.splitters
    b.splitters += n
    b.legs.add((n,), splitter=splitter, leg=0, port=inlet, ratio=ratio, loss_db=0.0)
    row = np.repeat(np.arange(n), ratio)
    leg = np.arange(row.shape[0]) - np.repeat(np.cumsum(ratio) - ratio, ratio) + 1
    outlet_of_splitter = b.ports.add(
        row.shape,
        housing=splitter_housing[row],
        family=sc,
        polish=apc,
        mode=0,
        fibres=1,
        role=ROLE["splitter_output"],
        label=leg,
    )
    b.fixed(outlet_of_splitter, sc, apc)
    ideal = 10 * np.log10(ratio[row])
    leg_row = b.legs.add(
        row.shape,
        splitter=splitter[row],
        leg=leg,
        port=outlet_of_splitter,
        ratio=ratio[row],
        loss_db=np.round(ideal * 1.06 + 0.6 + b.rng.normal(0, 0.25, row.shape), 2),
    )
    distribution = b.cables.add(
        (n,),
        kind=CABLE_KIND["distribution"],
        fibre_type=FIBRE["G.657.A1"],
        length_m=np.round(_span_km(b, cabinet, closure) * 1000 + 20),
        fibres=ratio,
        batch=-1,
        installed=b.days_before((n,), 500, 3000),
        polarity=0,
    )
    tail_c, _ = _pigtail_in_front(b, outlet_of_splitter)
    splice_c = b.splice(cabinet[row], tail_c, 1, 1, distribution[row], 0, leg)
    live = b.rng.random(row.shape[0]) < 0.85
    row, leg, leg_row, outlet_of_splitter = row[live], leg[live], leg_row[live], outlet_of_splitter[live]
    tail_c, splice_c = tail_c[live], splice_c[live]
    m = row.shape[0]
    around = (number % closures)[row]
    several = np.maximum(1, (homes - around + closures - 1) // closures)
    turn = (b.rng.integers(0, 99, n)[row] + (leg - 1) // 6) % several
    premises = sites["customer_premises"][region[row], (around + turn * closures) % homes]
    drop = b.cables.add(
        (m,),
        kind=CABLE_KIND["drop"],
        fibre_type=FIBRE["G.657.A2"],
        length_m=np.round(_span_km(b, closure[row], premises) * 1000 + b.rng.uniform(5, 40, m)),
        fibres=1,
        batch=-1,
        installed=b.days_before((m,), 100, 2000),
        polarity=0,
    )
    splice_d = b.splice(closure[row], distribution[row], 1, leg, drop, 0, 1)
    wall = b.ports.add(
        (m,),
        housing=_housing(b, premises, "outlet"),
        family=sc,
        polish=apc,
        mode=0,
        fibres=1,
        role=ROLE["outlet"],
        label=1,
    )
    end_of_drop = b.connectors.add(
        (m,),
        cable=drop,
        end=1,
        first_fibre=1,
        fibres=1,
        fixed_port=-1,
        family=sc,
        polish=apc,
        grade=b.grade((m,)),
        installed=-400,
    )
    b.plug(end_of_drop, wall, 1)
    terminal = b.ports.add(
        (m,),
        housing=_housing(b, premises, "equipment"),
        family=sc,
        polish=apc,
        mode=0,
        fibres=1,
        role=ROLE["equipment"],
        label=1,
    )
    b.fixed(terminal, sc, apc)
    service = b.in_service(m)
    b.cord(
        wall[:, None],
        terminal[:, None],
        sc,
        apc,
        sc,
        apc,
        FIBRE["G.657.A2"],
        np.minimum(service, b.days_before((m,), 60, 1500)),
        (1.0, 3.0),
    )
    z = terminal
    b.path(
        (REAR, olt[row]),
        (ADAPTER, olt[row]),
        (FRONT, olt[row]),
        (CORD_AT, olt[row]),
        (FRONT, frame[row]),
        (ADAPTER, frame[row]),
        (REAR, frame[row]),
        (CABLE, tail_a[row]),
        (SPLICE, splice_a[row]),
        (CABLE, feeder[row]),
        (SPLICE, splice_b[row]),
        (CABLE, tail_b[row]),
        (REAR, panel[row]),
        (ADAPTER, panel[row]),
        (FRONT, panel[row]),
        (CORD_AT, panel[row]),
        (FRONT, inlet[row]),
        (ADAPTER, inlet[row]),
        (REAR, inlet[row]),
        (SPLITTER, leg_row),
        (REAR, outlet_of_splitter),
        (ADAPTER, outlet_of_splitter),
        (FRONT, outlet_of_splitter),
        (CABLE, tail_c),
        (SPLICE, splice_c),
        (CABLE, distribution[row]),
        (SPLICE, splice_d),
        (CABLE, drop),
        (REAR, wall),
        (ADAPTER, wall),
        (FRONT, wall),
        (CORD_AT, wall),
        (FRONT, z),
        (ADAPTER, z),
        (REAR, z),
        fibres={9: fibre[row], 25: leg},
    )
    b.circuits.add(
        (m,),
        a_port=olt[row],
        z_port=z,
        application=np.where(ratio[row] == 32, 5, 4),
        customers=np.where(b.rng.random(m) < 0.2, b.rng.integers(2, 13, m), 1),
        priority=b.rng.choice(np.arange(1, 6), m, p=[0.03, 0.07, 0.3, 0.4, 0.2]),
        in_service=service,
        protected_by=-1,
        kind=2,
        region=region[row],
    )


def _pigtail_in_front(b: _Builder, ports: IntArray) -> tuple[IntArray, IntArray]:
    """Distribution pigtails plugged into the fronts of splitter outputs."""
    cable, face = b.pigtail(ports, FAMILY["SC"], POLISH["APC"], 1.0)
    faces, where, _ = b.plugged.pop()
    b.plugged.append((faces, where, 0))
    return cable, face


def _add_crews(
    b: _Builder, sites: dict[str, IntArray], regions: int
) -> tuple[dict[str, npt.NDArray[Any]], dict[str, npt.NDArray[Any]]]:
    """Two crews a region (three in the first), three technicians each."""
    per = np.where(np.arange(regions) == 0, 3, 2)
    region = np.repeat(np.arange(regions), per)
    number = np.arange(region.shape[0]) - np.repeat(np.cumsum(per) - per, per)
    offices = sites["central_office"]
    crews = {
        "region": region,
        "depot": offices[region, number % offices.shape[1]],
        "early": (number % 2 == 0).astype(np.int64),
        "pon": (number != 1).astype(np.int64),
        "hall": (number != 2).astype(np.int64),
    }
    crew = np.repeat(np.arange(region.shape[0]), 3)
    n = crew.shape[0]
    technicians = {
        "crew": crew,
        "quality": np.clip(b.rng.normal(0.0, 1.0, n), -2.2, 2.2),
        "eye": np.clip(b.rng.normal(0.0, 1.0, n), -2.2, 2.2),
        "clock_min": np.where(b.rng.random(n) < 0.35, b.rng.choice(np.array([-1440, -120, -60, 60, 120, 720]), n), 0),
    }
    return crews, technicians


def _add_test_sets(b: _Builder, crews: dict[str, npt.NDArray[Any]]) -> tuple[IntArray, IntArray]:
    """One test set a crew with three launch cords (LC/UPC, SC/UPC, SC/APC free ends).

    Gives the housings (crews,) and the free-end connectors (crews, 3).
    """
    n = crews["region"].shape[0]
    housing = b.housings.add((n,), site=-1, kind=HOUSING["test_set"], installed=-700, rack=-1)
    sc, lc, upc, apc = FAMILY["SC"], FAMILY["LC"], POLISH["UPC"], POLISH["APC"]
    faces = np.full((n, 3), -1)
    for column, (family, polish) in enumerate(((lc, upc), (sc, upc), (sc, apc))):
        port = b.ports.add(
            (n,), housing=housing, family=sc, polish=polish, mode=0, fibres=1, role=ROLE["test"], label=column + 1
        )
        b.fixed(port, sc, polish)
        cable = b.cables.add(
            (n,),
            kind=CABLE_KIND["launch_cord"],
            fibre_type=FIBRE["G.652.D"],
            length_m=150.0,
            fibres=1,
            batch=-1,
            installed=-300,
            polarity=0,
        )
        inner = b.connectors.add(
            (n,),
            cable=cable,
            end=0,
            first_fibre=1,
            fibres=1,
            fixed_port=-1,
            family=sc,
            polish=polish,
            grade=1,
            installed=-300,
        )
        b.plug(inner, port, 0)
        faces[:, column] = b.connectors.add(
            (n,),
            cable=cable,
            end=1,
            first_fibre=1,
            fibres=1,
            fixed_port=-1,
            family=family,
            polish=polish,
            grade=1,
            installed=-300,
        )
    return housing, faces


def _add_stock(b: _Builder) -> None:
    """Spare cords in the stores, about one for every twenty in use, of the same types."""
    for cable, _faces, ports, _type in list(b.cords):
        n = ports.shape[0]
        pick = b.rng.permutation(n)[: max(2, n // 20)]
        fibres = 2 if ports[0, 0, 1] >= 0 else 1
        connectors = {k: np.concatenate(v) for k, v in b.connectors.blocks.items()}
        fibre_type = np.concatenate(b.cables.blocks["fibre_type"])[cable[pick]]
        faces = _faces[pick]
        none = np.full((pick.shape[0], fibres), -1)
        b.cord(
            none,
            none,
            connectors["family"][faces[:, 0, 0]],
            connectors["polish"][faces[:, 0, 0]],
            connectors["family"][faces[:, 1, 0]],
            connectors["polish"][faces[:, 1, 0]],
            fibre_type,
            b.days_before((pick.shape[0],), 10, 400),
        )


def build_plant(connectors: int, rng: np.random.Generator, start: np.datetime64, days: int = 540) -> Plant:
    """An invented plant of about that many end faces.

    Parameters
    ----------
    connectors
        Wished number of end faces, at least 150; the plant comes within a few percent (small ones within
        a link or two).
    rng
        Source of all randomness.
    start
        First day of the history.
    days
        Days of history; new links go into service within them.
    """
    regions = max(1, round(connectors / FACES_PER_REGION))
    budget = connectors / regions
    b = _Builder(rng, start, days)
    b.batches = max(4, connectors // 250)
    sites = _sites(b, regions, min(1.0, budget / FACES_PER_REGION))
    every = np.ones(regions)
    _add_hall_links(b, sites, regions, every * 0.36 * budget / 96.0)
    _add_metro_links(b, sites, regions, every * 0.22 * budget / 16.4)
    _add_passive_trees(b, sites, regions, every * 0.36 * budget / 92.0)
    crews, technicians = _add_crews(b, sites, regions)
    test_housings, launch = _add_test_sets(b, crews)
    _add_stock(b)
    return _assemble(b, regions, crews, technicians, test_housings, launch)


def _assemble(
    b: _Builder,
    regions: int,
    crews: dict[str, npt.NDArray[Any]],
    technicians: dict[str, npt.NDArray[Any]],
    test_housings: IntArray,
    launch: IntArray,
) -> Plant:
    faces = np.concatenate([c[1] for c in b.cords])
    places = np.concatenate([c[2] for c in b.cords])
    front = np.full(b.ports.count, -1)
    rear = np.full(b.ports.count, -1)
    for connector, port, face in b.plugged:
        (rear if face else front)[port] = connector
    there = places >= 0
    front[places[there]] = faces[there]
    width = np.concatenate([np.full(k.shape[0], k.shape[1]) for k, _, _ in b.elements])
    circuits = b.circuits.finish()
    return Plant(
        start=b.start,
        regions=regions,
        sites=b.sites.finish(),
        housings=b.housings.finish(),
        ports=b.ports.finish(),
        cables=b.cables.finish(),
        connectors=b.connectors.finish(),
        splices=b.splices.finish(),
        legs=b.legs.finish(),
        circuits=circuits,
        crews=crews,
        technicians=technicians,
        front_of=front,
        rear_of=rear,
        element_kind=np.concatenate([k.reshape(-1) for k, _, _ in b.elements]).astype(np.int8),
        element_ref=np.concatenate([r.reshape(-1) for _, r, _ in b.elements]),
        element_fibre=np.concatenate([f.reshape(-1) for _, _, f in b.elements]).astype(np.int16),
        circuit_start=np.concatenate([[0], np.cumsum(width)]),
        cord_faces=faces,
        cord_ports=places,
        cord_cable=np.concatenate([c[0] for c in b.cords]),
        cord_type=np.concatenate([c[3] for c in b.cords]),
        launch_faces=launch,
        test_housings=test_housings,
        batches=b.batches,
    )
