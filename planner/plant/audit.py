"""The traced plant -> findings: what in the records contradicts what, and which repair would explain it.

In come the plant, its paths, the events that did not fit the patching and the ports that report light. Out
come rows of `audit_findings`. Imperfect records never stop the planner: every finding says what is assumed
meanwhile and what to look at in the field.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from planner.plant import patching
from planner.plant.graph import (
    CABLE_SIDE,
    ENDS,
    FACES,
    MATE_SIDE,
    NONE,
    OUTWARD,
    Plant,
    distinct,
    is_single_mode,
    taken,
)
from planner.plant.patching import FIXED, FRONT, REAR
from planner.plant.put_back import LIGHT_DBM
from planner.plant.trace import (
    AT_SPLITTER,
    LOOP,
    NO_END_FACE,
    OPEN,
    Paths,
    ends_of_walks,
    reasons,
    walked_points,
)
from planner.tables.intake_tables import CABLE_KINDS, FAMILIES, HOUSING_KINDS, POLISHES

Array = npt.NDArray[Any]

APC = POLISHES.index("APC")
PATCH_CORD = CABLE_KINDS.index("patch_cord")
LAUNCH_CORD = CABLE_KINDS.index("launch_cord")
TEST_SET = HOUSING_KINDS.index("test_set")

# A cable cannot be shorter than the straight line between its ends; 2 % for coordinates (our estimate) and
# half a kilometre for sites that are large themselves.
STRAIGHT_LINE_SHARE = 0.98
STRAIGHT_LINE_SLACK_M = 500.0
# So many cables of one kind, and so large a share of them, are no single mistakes: they become one finding.
MANY_SHORT = 20
MANY_SHORT_SHARE = 0.1
EARTH_RADIUS_M = 6_371_000.0


@dataclass(frozen=True)
class FindingKind:
    """One kind of finding: severity, what it means, what is assumed meanwhile, what to check in the field."""

    severity: str
    title: str
    assumed: str
    check: str


KINDS: dict[str, FindingKind] = {
    "circuit-gap": FindingKind(
        "error",
        "the records of a circuit have a gap",
        "the circuit is not traced; its readings say nothing about single connectors",
        "follow the cord from where each side stops; record what is plugged in there",
    ),
    "circuit-wrong-end": FindingKind(
        "error",
        "a circuit leads to another port than its own",
        "the circuit is not traced",
        "compare the labels at both ends; find the cord that sits in the wrong port",
    ),
    "circuit-no-end-face": FindingKind(
        "error",
        "no end face is recorded in a circuit's A or Z port",
        "the circuit is not traced",
        "see what is plugged into that port and record it",
    ),
    "circuit-same-ports": FindingKind(
        "error",
        "a circuit begins and ends in the same port",
        "the circuit is not traced",
        "look up the circuit's true ends",
    ),
    "circuit-port-unknown": FindingKind(
        "error",
        "a circuit names a port that is not recorded",
        "the circuit is not traced",
        "look up the circuit's true ends",
    ),
    "loop": FindingKind(
        "error",
        "cords and adapters form a closed ring",
        "circuits that enter the ring are not traced",
        "find the cord of the ring that is really plugged in elsewhere",
    ),
    "cords-swapped": FindingKind(
        "error",
        "two circuits end in each other's port",
        "both circuits are not traced",
        "compare the two cords with their labels at the ports named",
    ),
    "cord-in-wrong-port": FindingKind(
        "error",
        "a cord is recorded in another port than its circuit needs",
        "the circuit is not traced",
        "see which of the two ports the cord is really in",
    ),
    "dangling-end": FindingKind(
        "warning",
        "a cable is plugged in at one end only",
        "the open end is not on any path",
        "find the other end: plugged in unrecorded, or hanging open (cap it)",
    ),
    "two-on-one-face": FindingKind(
        "error",
        "two connectors are recorded on one face",
        "the first by id is there, the other is in no port",
        "see which connector is there",
    ),
    "built-in-rear": FindingKind(
        "error",
        "a connector is recorded in the rear of a port with a built-in end face",
        "it is mated with nothing",
        "find where the connector really is",
    ),
    "mating-family": FindingKind(
        "error",
        "connectors of different families meet in one adapter",
        "they are taken as mated",
        "see which connector is really there",
    ),
    "mating-polish": FindingKind(
        "error",
        "an angled end face is mated with a straight one",
        "they are taken as mated; expect high loss and reflection, and damage",
        "separate them; inspect both end faces before use",
    ),
    "adapter-polish": FindingKind(
        "warning",
        "an angled connector sits in a straight adapter or the other way round",
        "they are taken as mated",
        "compare the colours of plug and adapter",
    ),
    "mating-mode": FindingKind(
        "error",
        "single-mode and multimode fibre are mated",
        "they are taken as mated; expect high loss one way",
        "see which cord is really there",
    ),
    "adapter-mode": FindingKind(
        "warning",
        "a cord's mode differs from its adapter's",
        "they are taken as mated",
        "see which cord is really there",
    ),
    "mating-fibre-count": FindingKind(
        "error",
        "arrays of different fibre counts meet in one adapter",
        "the fibres that both have are joined, position by position",
        "count the fibres of both connectors",
    ),
    "splice-mode": FindingKind(
        "error",
        "single-mode fibre is spliced to multimode",
        "they are taken as joined",
        "look up the cable types",
    ),
    "cable-end-claimed-twice": FindingKind(
        "error",
        "two connectors claim the same fibre at a cable end",
        "the first by id has it, the other leads nowhere",
        "see which connector is on that fibre",
    ),
    "splice-on-taken-fibre": FindingKind(
        "error",
        "a splice names a fibre end that a connector or another splice already has",
        "the earlier record has it, this side of the splice leads nowhere",
        "look into the splice tray",
    ),
    "splice-beyond-cable": FindingKind(
        "error",
        "a splice names a fibre that its cable does not have",
        "the splice leads nowhere on that side",
        "look into the splice tray",
    ),
    "duplicate-circuit-port": FindingKind(
        "error",
        "several circuits claim the same port and fibre as their end",
        "each is traced as recorded",
        "look up which circuit really ends there",
    ),
    "splitter-over-subscribed": FindingKind(
        "error",
        "a splitter serves more branches or circuits than it has",
        "all are traced as recorded",
        "count the legs of the splitter and what is plugged in",
    ),
    "splitter-no-common": FindingKind(
        "error",
        "a splitter has no common leg",
        "its branches lead nowhere",
        "find the splitter's input port",
    ),
    "splitter-leg-blocked": FindingKind(
        "error",
        "a splitter leg's port already joins two other connectors",
        "the leg leads nowhere",
        "see what stands behind that port",
    ),
    "cord-between-sites": FindingKind(
        "error",
        "a patch cord is plugged in at two different sites",
        "it is taken as recorded",
        "find the true other end of the cord",
    ),
    "cable-shorter-than-distance": FindingKind(
        "warning",
        "a cable is shorter than the straight line between its ends",
        "the length is used as recorded",
        "compare the length with a trace, and the sites' coordinates",
    ),
    "lengths-against-coordinates": FindingKind(
        "warning",
        "many cables of one kind are shorter than the straight line between their ends",
        "lengths and coordinates are used as recorded",
        "find out which is wrong as a rule: the unit of the lengths, or where the sites are placed",
    ),
    "test-set-on-path": FindingKind(
        "warning",
        "a circuit runs through a test set",
        "the path is taken as recorded",
        "see whether the test set is still plugged in",
    ),
    "mate-without-demate": FindingKind(
        "warning",
        "a connector went into a face that still held another",
        "the other one was taken out just before",
        "see where the other connector is now",
    ),
    "mate-recorded-elsewhere": FindingKind(
        "warning",
        "a connector was mated while recorded in another place",
        "it was taken out there just before",
        "see where the connector is now",
    ),
    "mate-repeated": FindingKind(
        "warning",
        "a connector was mated where it already was",
        "nothing changed; it counts as a mating",
        "ask whether it was taken out in between",
    ),
    "demate-not-there": FindingKind(
        "warning",
        "a connector was taken out of a face where it was not recorded",
        "it was there unrecorded",
        "see what is in that face now",
    ),
    "event-on-built-in": FindingKind(
        "warning",
        "an end face built into a port was recorded as moved",
        "the event is passed over",
        "ask which connector was meant",
    ),
    "event-rear-of-built-in": FindingKind(
        "warning",
        "a connector was moved at the rear of a port with a built-in end face",
        "it is mated with nothing there",
        "ask which port was meant",
    ),
    "mate-not-recorded": FindingKind(
        "warning",
        "a connector was taken out and, by the records, never put back, yet a circuit needs it",
        "it is back where it was; circuits are traced through it",
        "see whether it is plugged in and record the mate",
    ),
    "power-without-circuit": FindingKind(
        "warning",
        "a port reports power but no circuit ends there",
        "the readings are not used",
        "find the circuit of that port",
    ),
    "light-without-path": FindingKind(
        "error",
        "light arrives where the records lead nowhere",
        "the fibre is whole and the records are wrong",
        "follow the cord at that port",
    ),
}

# Which kind of finding an event's irregularity is; the first that applies.
EVENT_KINDS = (
    (patching.BUILT_IN, "event-on-built-in"),
    (patching.NO_SUCH_FACE, "event-rear-of-built-in"),
    (patching.FACE_OCCUPIED, "mate-without-demate"),
    (patching.ALREADY_THERE, "mate-repeated"),
    (patching.NOT_THERE, "demate-not-there"),
    (patching.RECORDED_ELSEWHERE, "mate-recorded-elsewhere"),
)


@dataclass
class _Findings:
    """Findings collected so far, one dict per row; places are kept as numbers for later look-ups."""

    plant: Plant
    rows: list[dict[str, Any]] = field(default_factory=list)

    def add(
        self,
        code: str,
        place_kind: str,
        place_id: str,
        text: str,
        *,
        port: int = NONE,
        site: int = NONE,
        connectors: Iterable[int] = (),
        circuits: Iterable[int] = (),
        severity: str = "",
    ) -> dict[str, Any]:
        """Add one finding at a port (or site), concerning connectors and circuits by number."""
        kind = KINDS[code]
        if port >= 0 and site < 0:
            site = int(self.plant.site_of_port[port])
        row = {
            "code": code,
            "severity": severity or kind.severity,
            "place_kind": place_kind,
            "place_id": place_id,
            "site_id": self.plant.id_of("sites", site) or None,
            "text": text,
            "assumed": kind.assumed,
            "check": kind.check,
            "repair": None,
            "plausibility": np.nan,
            "connectors": tuple(int(number) for number in connectors),
            "circuits": tuple(int(number) for number in circuits),
        }
        self.rows.append(row)
        return row


def _connector_name(plant: Plant, connector: int) -> str:
    port = int(plant.records.connectors.port[connector])
    name = f"connector {plant.id_of('connectors', connector)}"
    if port < 0:
        return f"{name} (in no port)"
    return f"{name} ({FACES[int(plant.records.connectors.face[connector])]} of port {plant.id_of('ports', port)})"


# ---------------------------------------------------------------------------------------------------------
# patching


def _places(plant: Plant, out: _Findings) -> None:
    """Two connectors on one face; connectors behind a built-in end face."""
    connectors = plant.records.connectors
    placed = np.flatnonzero((connectors.port >= 0) & (connectors.face >= 0))
    there = plant.holder[connectors.port[placed], connectors.face[placed]]
    for connector, first in zip(placed[there != placed], there[there != placed], strict=True):
        port = int(connectors.port[connector])
        out.add(
            "two-on-one-face", "port", plant.id_of("ports", port),
            f"{_connector_name(plant, int(first))} and {_connector_name(plant, int(connector))} claim the same face",
            port=port, connectors=(first, connector),
        )  # fmt: skip
    for port in np.flatnonzero((plant.holder[:, FIXED] >= 0) & (plant.holder[:, REAR] >= 0)).tolist():
        rear, fixed = int(plant.holder[port, REAR]), int(plant.holder[port, FIXED])
        out.add(
            "built-in-rear", "port", plant.id_of("ports", int(port)),
            f"{_connector_name(plant, rear)}, but {_connector_name(plant, fixed)} is built in",
            port=int(port), connectors=(rear, fixed),
        )  # fmt: skip


def _matings(plant: Plant, out: _Findings) -> None:
    """Connectors that cannot be mated with each other, or with the adapter they sit in."""
    connectors, ports = plant.records.connectors, plant.records.ports
    fibre_mode = is_single_mode(taken(plant.records.cables.fibre_type, connectors.cable)).astype(np.int8)
    # 0 single-mode, 1 multimode as in MODES; a built-in end face is of its port's mode
    mode = np.where(connectors.cable >= 0, 1 - fibre_mode, taken(ports.mode, connectors.fixed_port))
    front = plant.holder[:, FRONT]
    behind = np.where(plant.holder[:, FIXED] >= 0, plant.holder[:, FIXED], plant.holder[:, REAR])

    def differ(values: Array, of_port: Array) -> tuple[Array, Array]:
        one, other = taken(values, front, -9), taken(values, behind, -9)
        known_one, known_other = one >= 0, other >= 0
        pair = known_one & known_other & (one != other)
        plug = ((known_one & (one != of_port)) | (known_other & (other != of_port))) & (of_port >= 0)
        return pair, plug & ~pair

    def report(code: str, which: Array, what: Any) -> None:
        for port in np.flatnonzero(which):
            here = [int(c) for c in (front[port], behind[port]) if c >= 0]
            names = ", ".join(f"{_connector_name(plant, c)} is {what(c)}" for c in here)
            out.add(
                code, "port", plant.id_of("ports", int(port)), f"{names}; {_port_text(code, plant, int(port))}",
                port=int(port), connectors=here,
            )  # fmt: skip

    pair, plug = differ(connectors.family, ports.family)
    report("mating-family", pair | plug, lambda c: FAMILIES[connectors.family[c]])
    angled = np.where(connectors.polish >= 0, connectors.polish == APC, -9).astype(np.int8)
    pair, plug = differ(angled, np.where(ports.polish >= 0, ports.polish == APC, -9).astype(np.int8))
    report("mating-polish", pair, lambda c: POLISHES[connectors.polish[c]])
    report("adapter-polish", plug, lambda c: POLISHES[connectors.polish[c]])
    pair, plug = differ(mode, ports.mode)
    report("mating-mode", pair, lambda c: ("SM", "MM")[mode[c]])
    report("adapter-mode", plug, lambda c: ("SM", "MM")[mode[c]])
    pair, plug = differ(connectors.fibre_count, ports.fibre_count)
    report("mating-fibre-count", pair | plug, lambda c: f"of {int(connectors.fibre_count[c])} fibres")


def _port_text(code: str, plant: Plant, port: int) -> str:
    ports = plant.records.ports
    words = {
        "family": FAMILIES[ports.family[port]],
        "polish": POLISHES[ports.polish[port]],
        "mode": ("SM", "MM")[ports.mode[port]],
        "count": f"of {int(ports.fibre_count[port])} fibres",
    }
    return f"the port is {words[code.rsplit('-', 1)[1]]}"


# ---------------------------------------------------------------------------------------------------------
# cables and splices


def _cable_ends(plant: Plant, out: _Findings) -> None:
    """Fibre ends claimed twice, splices beyond a cable, unlike fibres spliced."""
    records = plant.records
    connectors, splices = records.connectors, records.splices
    for connector in np.unique(plant.connector_of[plant.refused_points]):
        cable = int(connectors.cable[connector])
        out.add(
            "cable-end-claimed-twice", "cable", plant.id_of("cables", cable),
            f"{_connector_name(plant, int(connector))} claims a fibre of end "
            f"{ENDS[int(connectors.cable_end[connector])]} of cable {plant.id_of('cables', cable)} that another has",
            port=int(connectors.port[connector]), connectors=(connector,),
        )  # fmt: skip
    for side in plant.refused_sides:
        splice, which = int(side) >> 1, int(side) & 1
        cable = int((splices.cable_a, splices.cable_b)[which][splice])
        fibre = int((splices.fibre_a, splices.fibre_b)[which][splice])
        out.add(
            "splice-on-taken-fibre", "splice", plant.id_of("splices", splice),
            f"fibre {fibre} of cable {plant.id_of('cables', cable)} is already terminated or spliced at that end",
            site=int(splices.site[splice]),
        )  # fmt: skip
    for cable_of, fibre_of in ((splices.cable_a, splices.fibre_a), (splices.cable_b, splices.fibre_b)):
        beyond = (cable_of >= 0) & ((fibre_of < 1) | (fibre_of > taken(records.cables.fibre_count, cable_of, 0)))
        for splice in np.flatnonzero(beyond).tolist():
            cable = int(cable_of[splice])
            out.add(
                "splice-beyond-cable", "splice", plant.id_of("splices", int(splice)),
                f"names fibre {int(fibre_of[splice])} of cable {plant.id_of('cables', cable)}, which has "
                f"{int(records.cables.fibre_count[cable])}",
                site=int(splices.site[splice]),
            )  # fmt: skip
    single = is_single_mode(records.cables.fibre_type).astype(np.int8)
    unlike = (splices.cable_a >= 0) & (splices.cable_b >= 0)
    unlike &= taken(single, splices.cable_a) != taken(single, splices.cable_b)
    for splice in np.flatnonzero(unlike).tolist():
        out.add(
            "splice-mode", "splice", plant.id_of("splices", int(splice)),
            f"joins cable {plant.id_of('cables', int(splices.cable_a[splice]))} and cable "
            f"{plant.id_of('cables', int(splices.cable_b[splice]))}, one single-mode, one multimode",
            site=int(splices.site[splice]),
        )  # fmt: skip


def _dangling(plant: Plant, out: _Findings) -> None:
    """Cables plugged in at one end while the other end is in no port, or ends in nothing."""
    connectors = plant.records.connectors
    points = np.arange(plant.n_connector_points)
    owner = plant.connector_of
    in_plant = (connectors.port >= 0) & (_housing_kind(plant, connectors.port) != TEST_SET)
    kind = taken(plant.records.cables.kind, connectors.cable)
    candidate = in_plant[owner] & (connectors.cable[owner] >= 0) & (kind[owner] != LAUNCH_CORD)
    beyond = plant.link[2 * points + CABLE_SIDE]
    other = taken(owner, np.where((beyond >= 0) & (beyond < 2 * plant.n_connector_points), beyond >> 1, NONE))
    unplugged = candidate & (other >= 0) & (taken(connectors.port, other, 0) < 0)
    rows = np.flatnonzero(unplugged)
    cables, first = np.unique(connectors.cable[owner[rows]], return_index=True)
    for cable, row in zip(cables.tolist(), rows[first].tolist(), strict=True):
        here, far = int(owner[row]), int(other[row])
        out.add(
            "dangling-end", "connector", plant.id_of("connectors", far),
            f"cable {plant.id_of('cables', cable)} is plugged in with {_connector_name(plant, here)}, "
            f"its other end, connector {plant.id_of('connectors', far)}, is in no port",
            port=int(connectors.port[here]), connectors=(far, here),
        )  # fmt: skip
    # a patch cord whose other end has no connector at all (a pigtail's unspliced fibre is a spare, no fault)
    cut = candidate & (beyond == NONE) & (kind[owner] == PATCH_CORD)
    cut[plant.refused_points] = False
    for connector in np.unique(owner[cut]):
        cable = int(connectors.cable[connector])
        out.add(
            "dangling-end", "connector", plant.id_of("connectors", int(connector)),
            f"patch cord {plant.id_of('cables', cable)} is plugged in with {_connector_name(plant, int(connector))}, "
            "its other end has no connector",
            port=int(connectors.port[connector]), connectors=(connector,),
        )  # fmt: skip


def _housing_kind(plant: Plant, port: Array) -> Array:
    return taken(plant.records.housings.kind, taken(plant.records.ports.housing, port))


def _distances(plant: Plant, out: _Findings) -> None:
    """Patch cords between sites, and cables shorter than the straight line between their ends."""
    records = plant.records
    connectors, splices = records.connectors, records.splices
    in_plant = (connectors.port >= 0) & (connectors.cable >= 0)
    in_plant &= _housing_kind(plant, connectors.port) != TEST_SET
    site = taken(plant.site_of_port, connectors.port)
    known = np.flatnonzero(in_plant & (site >= 0))
    cable = np.concatenate((connectors.cable[known], splices.cable_a, splices.cable_b))
    end = np.concatenate((connectors.cable_end[known], splices.end_a, splices.end_b))
    place = np.concatenate((site[known], splices.site, splices.site))
    good = (cable >= 0) & (end >= 0) & (place >= 0)
    site_of_end = np.full((len(records.cables.kind), 2), NONE, np.int64)
    rows = np.flatnonzero(good)[::-1]
    site_of_end[cable[rows], end[rows]] = place[rows]
    apart = (site_of_end >= 0).all(axis=1) & (site_of_end[:, 0] != site_of_end[:, 1])
    straight = _straight_line_m(plant, site_of_end[:, 0], site_of_end[:, 1])
    length = records.cables.length_m
    of_cable = np.flatnonzero(in_plant)[np.argsort(connectors.cable[in_plant], kind="stable")]
    start = np.searchsorted(connectors.cable[of_cable], np.arange(len(length) + 1))
    for number in np.flatnonzero(apart & (records.cables.kind == PATCH_CORD)).tolist():
        a, b = (plant.id_of("sites", int(s)) for s in site_of_end[number])
        out.add(
            "cord-between-sites", "cable", plant.id_of("cables", number),
            f"patch cord of {length[number]:g} m is plugged in at site {a} and at site {b}",
            site=int(site_of_end[number, 0]), connectors=of_cable[start[number] : start[number + 1]],
        )  # fmt: skip
    short = apart & (records.cables.kind >= 0)
    short &= (records.cables.kind != PATCH_CORD) & (records.cables.kind != LAUNCH_CORD)
    between_sites = np.bincount(records.cables.kind[short], minlength=len(CABLE_KINDS) + 1)
    short &= length < STRAIGHT_LINE_SHARE * straight - STRAIGHT_LINE_SLACK_M
    too_short = np.bincount(records.cables.kind[short], minlength=len(CABLE_KINDS) + 1)
    many = (too_short >= MANY_SHORT) & (too_short >= MANY_SHORT_SHARE * between_sites)
    for kind in np.flatnonzero(many).tolist():
        of_kind = np.flatnonzero(short & (records.cables.kind == kind))
        worst = int(of_kind[np.argmax(straight[of_kind] - length[of_kind])])
        out.add(
            "lengths-against-coordinates", "cable", plant.id_of("cables", worst),
            f"{too_short[kind]} of {between_sites[kind]} {CABLE_KINDS[kind]} cables between sites are shorter than "
            f"the straight line between their ends; this one is {length[worst]:,.0f} m long with its ends "
            f"{straight[worst]:,.0f} m apart",
            site=int(site_of_end[worst, 0]),
        )  # fmt: skip
    for number in np.flatnonzero(short & ~many[records.cables.kind]).tolist():
        a, b = (plant.id_of("sites", int(s)) for s in site_of_end[number])
        out.add(
            "cable-shorter-than-distance", "cable", plant.id_of("cables", number),
            f"length is {length[number]:,.0f} m, but its ends at sites {a} and {b} are {straight[number]:,.0f} m apart",
            site=int(site_of_end[number, 0]),
        )  # fmt: skip


def _straight_line_m(plant: Plant, one: Array, other: Array) -> Array:
    """Great-circle distance between sites by number; 0 where one is unknown. [m]"""
    sites = plant.records.sites
    lat1, lat2 = (np.radians(taken(sites.latitude, s, np.nan)) for s in (one, other))
    lon1, lon2 = (np.radians(taken(sites.longitude, s, np.nan)) for s in (one, other))
    chord = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    metres: Array = np.nan_to_num(2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(chord, 0, 1))))
    return metres


def _loops(plant: Plant, out: _Findings) -> None:
    """Closed rings of cords and adapters."""
    ring = _on_rings(plant)
    if not len(ring):
        return
    place = np.full(plant.n_points, NONE, np.int64)
    place[ring] = np.arange(len(ring))
    sides = np.concatenate((2 * ring, 2 * ring + 1))
    there = taken(place, np.where(plant.link[sides] >= 0, plant.link[sides] >> 1, NONE))
    here = np.concatenate((np.arange(len(ring)),) * 2)
    joined = there >= 0
    joints = coo_array((np.ones(int(joined.sum())), (here[joined], there[joined])), shape=(len(ring), len(ring)))
    parts, label = connected_components(joints, directed=False)
    for part in range(parts):
        members = ring[label == part]
        owners = np.unique(plant.connector_of[members[members < plant.n_connector_points]]).tolist()
        if not owners:
            continue
        names = ", ".join(plant.id_of("connectors", c) for c in owners[:6])
        more = f" and {len(owners) - 6} more" if len(owners) > 6 else ""
        out.add(
            "loop", "connector", plant.id_of("connectors", owners[0]),
            f"the records form a closed ring through connectors {names}{more}",
            port=int(plant.records.connectors.port[owners[0]]), connectors=owners,
        )  # fmt: skip


def _on_rings(plant: Plant) -> Array:
    """Points that remain when open ends are taken away again and again: rings, and what joins two rings.

    Every point keeps the count and the XOR of its remaining neighbours; one with a single neighbour is an
    end, and its XOR is that neighbour.
    """
    link = plant.link
    side = np.flatnonzero(link >= 0)
    # every joint once: from its lower side, or from the branch leg to the common leg
    once = side[(side < link[side]) | (link[link[side]] != side)]
    one, other = once >> 1, link[once].astype(np.int64) >> 1
    neighbours = np.bincount(one, minlength=plant.n_points) + np.bincount(other, minlength=plant.n_points)
    mixed = np.zeros(plant.n_points, np.int64)
    np.bitwise_xor.at(mixed, one, other)
    np.bitwise_xor.at(mixed, other, one)
    ends = np.flatnonzero(neighbours == 1)
    while len(ends):
        beyond = mixed[ends]
        neighbours[ends] = 0
        np.subtract.at(neighbours, beyond, 1)
        np.bitwise_xor.at(mixed, beyond, ends)
        ends = distinct(beyond[neighbours[beyond] == 1])
    return np.flatnonzero(neighbours > 0)


# ---------------------------------------------------------------------------------------------------------
# splitters and circuits


def _splitters(plant: Plant, paths: Paths, out: _Findings) -> None:
    """Splitters without a common leg, with blocked legs, or serving more than they have."""
    legs = plant.records.legs
    if not len(legs.leg):
        return
    count = len(legs.ids)
    ratio = np.zeros(count, np.int64)
    np.maximum.at(ratio, legs.splitter, legs.ratio)
    branches = np.bincount(legs.splitter[legs.leg > 0], minlength=count)
    highest = np.zeros(count, np.int64)
    np.maximum.at(highest, legs.splitter, legs.leg)
    # circuits that go through each splitter
    on_leg = np.flatnonzero(paths.points >= plant.first_leg)
    row_of_point = np.repeat(np.arange(len(paths.circuits)), np.diff(paths.start))
    through = legs.splitter[paths.points[on_leg] - plant.first_leg].astype(np.int64)
    pairs = distinct(through * (len(paths.circuits) + 1) + row_of_point[on_leg])
    circuits = np.bincount(pairs // (len(paths.circuits) + 1), minlength=count)
    site = taken(plant.site_of_port, taken(legs.port, plant.common_leg))
    too_many = (ratio > 0) & ((branches > ratio) | (highest > ratio) | (circuits > ratio))
    for splitter in np.flatnonzero(too_many):
        served = pairs[pairs // (len(paths.circuits) + 1) == splitter] % (len(paths.circuits) + 1)
        out.add(
            "splitter-over-subscribed", "splitter", plant.id_of("legs", int(splitter)),
            f"a 1:{ratio[splitter]} splitter has {branches[splitter]} branch legs recorded (highest number "
            f"{highest[splitter]}) and carries {circuits[splitter]} circuits",
            site=int(site[splitter]), circuits=paths.circuits[served],
        )  # fmt: skip
    for splitter in np.flatnonzero(plant.common_leg < 0):
        port = int(legs.port[np.flatnonzero(legs.splitter == splitter)[0]])
        out.add(
            "splitter-no-common", "splitter", plant.id_of("legs", int(splitter)),
            f"{branches[splitter]} branch legs but no leg 0 recorded", port=port,
        )  # fmt: skip
    outward = plant.link[2 * (plant.first_leg + np.arange(len(legs.leg)))]
    crowded = (outward == NONE) & (legs.port >= 0)
    crowded &= (plant.holder[np.maximum(legs.port, 0)] >= 0).any(axis=1)
    for leg in np.flatnonzero(crowded):
        port = int(legs.port[leg])
        out.add(
            "splitter-leg-blocked", "splitter", plant.id_of("legs", int(legs.splitter[leg])),
            f"leg {int(legs.leg[leg])} is recorded at port {plant.id_of('ports', port)}, where two connectors "
            "are joined to each other already",
            port=port, connectors=[int(c) for c in plant.holder[port] if c >= 0],
        )  # fmt: skip


def _head_ends(plant: Plant, paths: Paths) -> tuple[Array, Array]:
    """Whether each circuit's A end, and its Z end, is on the common side of a splitter on its path."""
    row = np.repeat(np.arange(len(paths.circuits)), np.diff(paths.start))
    is_leg = paths.points >= plant.first_leg
    common = np.zeros(len(paths.points), bool)
    common[is_leg] = plant.records.legs.leg[paths.points[is_leg] - plant.first_leg] == 0
    entered = np.append(False, is_leg[1:] & is_leg[:-1] & (row[1:] == row[:-1]))
    down, up = np.zeros(len(paths.circuits), bool), np.zeros(len(paths.circuits), bool)
    first = np.flatnonzero(entered) - 1
    down[row[first[common[first]]]] = True
    up[row[first[~common[first]]]] = True
    return down | (paths.a_outcome == AT_SPLITTER), up | (paths.z_outcome == AT_SPLITTER)


def _duplicate_ends(plant: Plant, paths: Paths, out: _Findings) -> None:
    """Several circuits that end in one port and fibre, unless they part at a splitter."""
    circuits = plant.records.circuits
    numbers = paths.circuits
    head_a, head_z = _head_ends(plant, paths)
    fibre = circuits.fibre[numbers].astype(np.int64)
    port_fibres = plant.records.ports.fibre_count
    ends = []
    for port, head, first in ((circuits.a_port[numbers], head_a, True), (circuits.z_port[numbers], head_z, False)):
        end_fibre = np.where(taken(port_fibres, port, 1) > 1, fibre, 1)
        # a traced path knows the fibre it arrives at
        point = np.full(len(numbers), NONE, np.int64)
        whole = np.flatnonzero(paths.traced)
        point[whole] = paths.points[paths.start[whole] if first else paths.start[whole + 1] - 1]
        owner = taken(plant.connector_of, np.where(point < plant.n_connector_points, point, NONE))
        arrived = point - taken(plant.first_point[:-1], owner) + 1
        end_fibre = np.where(owner >= 0, arrived, end_fibre)
        ends.append(pd.DataFrame({"port": port, "fibre": end_fibre, "head": head, "row": np.arange(len(numbers))}))
    frame = pd.concat(ends, ignore_index=True)
    frame = frame[frame["port"] >= 0]
    shared = frame[frame.duplicated(["port", "fibre"], keep=False)]
    parted = shared.groupby(["port", "fibre"])["head"].transform("all")
    for key, group in shared[~parted].groupby(["port", "fibre"]):
        port, end_fibre = np.asarray(key).tolist()
        if group["row"].nunique() < 2:
            continue
        rows = group["row"].unique()
        waves = np.unique(circuits.wavelength_nm[numbers[rows]])
        names = ", ".join(plant.id_of("circuits", int(numbers[row])) for row in rows[:6])
        out.add(
            "duplicate-circuit-port", "port", plant.id_of("ports", int(port)),
            f"fibre {int(end_fibre)} is the end of {len(rows)} circuits: {names}",
            port=int(port), circuits=numbers[rows],
            severity="error" if len(waves) < len(rows) else "warning",
        )  # fmt: skip


def _untraced(plant: Plant, paths: Paths, out: _Findings) -> dict[int, dict[str, Any]]:
    """One finding per circuit without a path; returns them by row of `paths`."""
    circuits = plant.records.circuits
    text = reasons(plant, paths)
    found: dict[int, dict[str, Any]] = {}
    for row in np.flatnonzero(~paths.traced):
        number = int(paths.circuits[row])
        a_port, z_port = int(circuits.a_port[number]), int(circuits.z_port[number])
        outcomes = (int(paths.a_outcome[row]), int(paths.z_outcome[row]))
        ends_at = [_end_port(plant, int(last)) for last in (paths.a_last[row], paths.z_last[row])]
        if a_port < 0 or z_port < 0:
            code = "circuit-port-unknown"
        elif a_port == z_port:
            code = "circuit-same-ports"
        elif LOOP in outcomes:
            code = "loop"
        elif NO_END_FACE in outcomes:
            code = "circuit-no-end-face"
        elif any(outcome == OPEN and port >= 0 for outcome, port in zip(outcomes, ends_at, strict=True)):
            code = "circuit-wrong-end"
        else:
            code = "circuit-gap"
        found[int(row)] = out.add(
            code, "circuit", plant.id_of("circuits", number), text[row],
            port=a_port if a_port >= 0 else z_port, circuits=(number,),
        )  # fmt: skip
    return found


def _end_port(plant: Plant, side: int) -> int:
    """Port of the built-in end face at which a walk ended; -1 if it ended elsewhere."""
    point, which = side >> 1, side & 1
    if side < 0 or point >= plant.n_connector_points or which != CABLE_SIDE:
        return NONE
    return int(plant.records.connectors.fixed_port[plant.connector_of[point]])


def _test_sets(plant: Plant, paths: Paths, out: _Findings) -> None:
    """Circuits whose path runs through a test set's port."""
    on_connector = np.flatnonzero(paths.points < plant.n_connector_points)
    owner = plant.connector_of[paths.points[on_connector]]
    port = plant.records.connectors.port[owner]
    row = np.repeat(np.arange(len(paths.circuits)), np.diff(paths.start))[on_connector]
    through = _housing_kind(plant, port) == TEST_SET
    ports = len(plant.holder)
    for pair in distinct(row[through] * ports + port[through]).tolist():
        circuit, test_port = divmod(pair, ports)
        number = int(paths.circuits[circuit])
        out.add(
            "test-set-on-path", "circuit", plant.id_of("circuits", number),
            f"runs through port {plant.id_of('ports', int(test_port))} of a test set",
            port=int(test_port), circuits=(number,),
        )  # fmt: skip


# ---------------------------------------------------------------------------------------------------------
# history and light


def _events(plant: Plant, events: pd.DataFrame, out: _Findings) -> None:
    """Mating events that contradict the patching they met."""
    for event in events.to_dict("records"):
        bits = int(event["irregular"])
        code = next(name for bit, name in EVENT_KINDS if bits & bit)
        connector, port, pushed = int(event["connector"]), int(event["port"]), int(event["displaced"])
        face = FACES[int(event["face"])]
        text = (
            f"{event['at']}: connector {plant.id_of('connectors', connector)} at {face} of port "
            f"{plant.id_of('ports', port)}: {KINDS[code].title}"
        )
        if pushed >= 0:
            text += f" (connector {plant.id_of('connectors', pushed)})"
        out.add(
            code, "event", str(event["event_id"]), text, port=port,
            connectors=[connector, pushed] if pushed >= 0 else [connector],
        )  # fmt: skip


def _put_back(plant: Plant, back: pd.DataFrame, out: _Findings) -> None:
    """Connectors that are assumed to be back in their port."""
    for row in back.to_dict("records"):
        connector, port = int(row["connector"]), int(row["port"])
        name, where = plant.id_of("connectors", connector), f"{FACES[int(row['face'])]} of port"
        when = pd.Timestamp(int(row["at"]), unit="us")
        finding = out.add(
            "mate-not-recorded", "connector", name,
            f"connector {name} was taken out of the {where} {plant.id_of('ports', port)} at {when} and the records "
            "never put it back",
            port=port, connectors=(connector,),
        )  # fmt: skip
        finding.update(
            repair=f"record the mate of connector {name} in the {where} {plant.id_of('ports', port)}", plausibility=1.0
        )


def _light(plant: Plant, paths: Paths, powered: pd.DataFrame, out: _Findings) -> None:
    """Ports that report power without a circuit, or light where the records lead nowhere."""
    circuits = plant.records.circuits
    numbers = paths.circuits
    any_end, traced_end = np.zeros(len(plant.holder), bool), np.zeros(len(plant.holder), bool)
    for end_ports in (circuits.a_port[numbers], circuits.z_port[numbers]):
        any_end[end_ports[end_ports >= 0]] = True
        traced_end[end_ports[paths.traced & (end_ports >= 0)]] = True
    names = pd.Index(plant.records.ports.ids.to_numpy(zero_copy_only=False))
    port_of = names.get_indexer(pd.Index(powered["port_id"]))
    rx_dbm = powered["rx_dbm"].to_numpy(dtype=float)
    stray = (port_of >= 0) & ~any_end[np.maximum(port_of, 0)]
    lost = (port_of >= 0) & ~stray & (rx_dbm > LIGHT_DBM) & ~traced_end[np.maximum(port_of, 0)]
    for row in np.flatnonzero(stray).tolist():
        port = int(port_of[row])
        out.add(
            "power-without-circuit", "port", plant.id_of("ports", port),
            f"receives {rx_dbm[row]:.1f} dBm, but no circuit ends in this port",
            port=port, connectors=[int(c) for c in plant.holder[port] if c >= 0],
        )  # fmt: skip
    circuits_at: dict[int, list[int]] = {}
    for number in numbers[~paths.traced].tolist():
        for port in {int(circuits.a_port[number]), int(circuits.z_port[number])}:
            circuits_at.setdefault(port, []).append(number)
    for row in np.flatnonzero(lost).tolist():
        port = int(port_of[row])
        out.add(
            "light-without-path", "port", plant.id_of("ports", port),
            f"receives {rx_dbm[row]:.1f} dBm, but no circuit of this port has a complete path",
            port=port, connectors=[int(c) for c in plant.holder[port] if c >= 0], circuits=circuits_at[port],
        )  # fmt: skip


# ---------------------------------------------------------------------------------------------------------
# repairs


@dataclass(frozen=True)
class _Repair:
    """A repair of the records: how likely (higher first), the words, and what it concerns."""

    likelihood: float
    code: str
    text: str
    connectors: tuple[int, ...]
    port: int


def _cord_ends(plant: Plant, points: Array) -> list[tuple[int, bool]]:
    """Cord connectors on a walk, in order, and whether the walk leaves by their cable (or arrives by it)."""
    connectors = plant.records.connectors
    found = []
    for place, point in enumerate(points.tolist()):
        if point >= plant.n_connector_points:
            continue
        connector = int(plant.connector_of[point])
        cable = int(connectors.cable[connector])
        if cable >= 0 and plant.records.cables.kind[cable] == PATCH_CORD:
            beyond = int(plant.link[2 * point + CABLE_SIDE])
            leaving = place + 1 < len(points) and beyond >= 0 and beyond >> 1 == int(points[place + 1])
            found.append((connector, leaving))
    return found


def _open_at(plant: Plant, side: int) -> int:
    """The connector with nothing opposite at which a walk ended, plugged in or built in; -1 otherwise."""
    point, which = side >> 1, side & 1
    if side < 0 or point >= plant.n_connector_points or which != MATE_SIDE:
        return NONE
    connector = int(plant.connector_of[point])
    return connector if plant.records.connectors.port[connector] >= 0 else NONE


def _moves(plant: Plant, ends: tuple[int, int], walks: tuple[Array, Array]) -> list[_Repair]:
    """Repairs of one circuit by putting one end of a cord elsewhere, or adding what is missing.

    `ends` are the sides where the walks from A and Z stopped, `walks` the points they passed.
    """
    connectors, ports, cables = plant.records.connectors, plant.records.ports, plant.records.cables
    out: list[_Repair] = []
    targets = [
        (walk, target)
        for walk, other in ((walks[0], ends[1]), (walks[1], ends[0]))
        for target in _targets(plant, other)
    ]
    for walk, target in targets:
        right = int(connectors.port[target])
        name_right = plant.id_of("ports", right)
        free_face = REAR if connectors.face[target] == FRONT else FRONT
        for cord, leaving in _cord_ends(plant, walk):
            wrong = int(connectors.port[cord])
            if leaving or cord == target or wrong == right or not _fits(plant, cord, target):
                continue
            name = plant.id_of("connectors", cord)
            if wrong < 0:
                text = f"connector {name}, recorded in no port, is in port {name_right}"
                out.append(_Repair(3.5, "", text, (cord, target), right))
            elif plant.site_of_port[wrong] == plant.site_of_port[right]:
                nothing_opposite = plant.link[2 * plant.first_point[cord] + MATE_SIDE] < 0
                likelihood = 2.0 + (ports.housing[wrong] == ports.housing[right]) + 0.5 / abs(wrong - right)
                likelihood += 1.0 * nothing_opposite - 2.0 * (connectors.face[cord] != free_face)
                text = f"connector {name} is in port {name_right}, not in port {plant.id_of('ports', wrong)}"
                out.append(_Repair(likelihood, "cord-in-wrong-port", text, (cord, target), right))
    one, other = _open_at(plant, ends[0]), _open_at(plant, ends[1])
    if one >= 0 and other >= 0 and one != other:
        at = [int(connectors.port[c]) for c in (one, other)]
        if at[0] != at[1] and plant.site_of_port[at[0]] == plant.site_of_port[at[1]]:
            names = [plant.id_of("ports", port) for port in at]
            text = f"a cord between port {names[0]} and port {names[1]} is missing from the records"
            cords = any(taken(cables.kind, connectors.cable[[one, other]]) == PATCH_CORD)
            out.append(_Repair(1.0 if cords else 2.4, "", text, (one, other), at[0]))
    for side, far in (ends, ends[::-1]):
        target = _open_at(plant, far)
        if side >> 1 < plant.first_leg or target < 0:
            continue
        there = int(connectors.port[target])
        near = [int(connectors.port[branch]) for branch in _targets(plant, side)]
        near = [at for at in near if plant.site_of_port[at] == plant.site_of_port[there]]
        if near:
            ports_named = ", ".join(plant.id_of("ports", at) for at in near[:4]) + (" ..." if len(near) > 4 else "")
            text = (
                f"a cord between port {plant.id_of('ports', there)} and port {ports_named} is missing from the records"
            )
            out.append(_Repair(1.5, "", text, (target,), there))
    open_cables = [_open_cable(plant, side) for side in ends]
    if min(open_cables) >= 0 and open_cables[0] != open_cables[1]:
        a, b = (plant.id_of("cables", cable) for cable in open_cables)
        out.append(_Repair(2.0, "", f"a splice between cable {a} and cable {b} is missing from the records", (), NONE))
    return out


def _targets(plant: Plant, side: int) -> list[int]:
    """Connectors opposite which a cord is missing: where the walk stopped, or beyond the legs of its splitter."""
    point = side >> 1
    if side < 0 or point < plant.first_leg:
        target = _open_at(plant, side)
        return [target] if target >= 0 else []
    order, start = plant.legs_in_order
    splitter = int(plant.records.legs.splitter[point - plant.first_leg])
    branches = order[start[splitter] : start[splitter + 1]]
    lasts = ends_of_walks(plant, 2 * (plant.first_leg + branches) + OUTWARD)
    return [target for target in (_open_at(plant, int(last)) for last in lasts) if target >= 0]


def _open_cable(plant: Plant, side: int) -> int:
    """Cable at whose open far end a walk ended; -1 otherwise."""
    point, which = side >> 1, side & 1
    if side < 0 or point >= plant.first_leg:
        return NONE
    if point < plant.n_connector_points:
        return int(plant.records.connectors.cable[plant.connector_of[point]]) if which == CABLE_SIDE else NONE
    splices = plant.records.splices
    return int((splices.cable_a if which == 0 else splices.cable_b)[point - plant.first_splice])


def _fits(plant: Plant, one: int, other: int) -> bool:
    """Whether two connectors could be mated: family, fibre count, angled or straight."""
    c = plant.records.connectors
    return bool(
        c.family[one] == c.family[other]
        and c.fibre_count[one] == c.fibre_count[other]
        and (c.polish[one] == APC) == (c.polish[other] == APC)
    )


def _swaps(plant: Plant, paths: Paths, newest: Array) -> list[tuple[int, int, list[_Repair]]]:
    """Pairs of circuits that end in each other's port, with the places where two cords may be swapped.

    One end of the first circuit leads to an end of the second, and the second's other end leads to the
    first's other end; the two walks cross where the cords were swapped.
    """
    circuits = plant.records.circuits
    broken: list[int] = np.flatnonzero(~paths.traced).tolist()
    ports = (circuits.a_port[paths.circuits], circuits.z_port[paths.circuits])
    lasts = (paths.a_last, paths.z_last)
    reached = {(row, end): _reached_port(plant, int(lasts[end][row])) for row in broken for end in (0, 1)}
    ends_at: dict[int, list[tuple[int, int]]] = {}
    for row in broken:
        for end in (0, 1):
            ends_at.setdefault(int(ports[end][row]), []).append((row, end))
    crossed: dict[tuple[int, int], tuple[int, int]] = {}
    for (row, end), port in reached.items():
        for other, other_end in ends_at.get(port, []):
            # the second's other end must lead to the first's other end
            if other != row and reached[other, 1 - other_end] == int(ports[1 - end][row]):
                first, second = ((row, end), (other, 1 - other_end))
                if second < first:
                    first, second = second, first
                crossed.setdefault((first[0], second[0]), (first[1], second[1]))
    if not crossed:
        return []
    rows = np.array(sorted({row for pair in crossed for row in pair}))
    walks = [
        dict(zip(rows.tolist(), walked_points(plant, paths, rows, from_a=from_a), strict=True))
        for from_a in (True, False)
    ]
    return [
        (one, other, _swap_places(plant, walks[one_end][one], walks[other_end][other], newest))
        for (one, other), (one_end, other_end) in sorted(crossed.items())
    ]


def _reached_port(plant: Plant, side: int) -> int:
    """Port of the last connector of a walk, built in or with nothing opposite; -1 if it ended elsewhere."""
    port = _end_port(plant, side)
    if port >= 0:
        return port
    connector = _open_at(plant, side)
    return int(plant.records.connectors.port[connector]) if connector >= 0 else NONE


def _swap_places(plant: Plant, one: Array, other: Array, newest: Array) -> list[_Repair]:
    """Where two cords of two walks may be swapped: cord ends in ports of one housing, likeliest first.

    Likelier: the ports are neighbours; something was plugged there recently (`newest`: time of the newest
    event per port, smallest where none).
    """
    connectors, ports = plant.records.connectors, plant.records.ports

    out = []
    first_ends, second_ends = _cord_ends(plant, one), _cord_ends(plant, other)
    for x, x_leaving in first_ends:
        for y, y_leaving in second_ends:
            p, q = int(connectors.port[x]), int(connectors.port[y])
            if min(p, q) < 0:
                continue
            if x == y or x_leaving != y_leaving or ports.housing[p] != ports.housing[q] or not _fits(plant, x, y):
                continue
            if connectors.face[x] != connectors.face[y] or p == q:
                continue
            when = int(max(newest[p], newest[q]))
            both = 1.0 if newest[p] == newest[q] else 0.0
            likelihood = 1.0 / (1.0 + abs(p - q)) + both * (when > _NEVER)
            out.append(
                (
                    when,
                    _Repair(
                        likelihood,
                        "cords-swapped",
                        f"connectors {plant.id_of('connectors', x)} and {plant.id_of('connectors', y)} are swapped "
                        f"between port {plant.id_of('ports', p)} and port {plant.id_of('ports', q)}",
                        (x, y),
                        p,
                    ),
                )
            )
    out.sort(key=lambda item: (-item[0], -item[1].likelihood, item[1].text))
    return [repair for _, repair in out]


_NEVER = np.iinfo(np.int64).min


def _repairs(plant: Plant, paths: Paths, found: dict[int, dict[str, Any]], newest: Array, out: _Findings) -> None:
    """Propose repairs for circuits without a path; one that explains several findings is named in each."""
    proposals: dict[str, tuple[_Repair, list[int]]] = {}
    by_row: dict[int, list[_Repair]] = {}
    in_pair: set[int] = set()
    for one, other, repairs in _swaps(plant, paths, newest):
        in_pair |= {one, other}
        for repair in repairs:
            proposals.setdefault(repair.text, (repair, []))[1].extend((one, other))
        for row in (one, other):
            by_row.setdefault(row, []).extend(repairs)
    single = np.array([row for row in found if row not in in_pair], dtype=np.int64)
    walked = [walked_points(plant, paths, single, from_a=from_a) for from_a in (True, False)]
    for row, from_a, from_z in zip(single.tolist(), *walked, strict=True):
        moves = _moves(plant, (int(paths.a_last[row]), int(paths.z_last[row])), (from_a, from_z))
        repairs = sorted(moves, key=lambda repair: (-repair.likelihood, repair.text))
        by_row[row] = repairs
        for repair in repairs:
            proposals.setdefault(repair.text, (repair, []))[1].append(row)
    announced: set[str] = set()
    for row, repairs in by_row.items():
        if not repairs or row not in found:
            continue
        # the one that explains most comes first; among equals the order they came in
        ranked = sorted(repairs, key=lambda repair: -len(set(proposals[repair.text][1])))
        best = ranked[0]
        others = f" (or: {ranked[1].text})" if len(ranked) > 1 else ""
        found[row].update(repair=best.text + others, plausibility=1.0)
        if best.code and best.text not in announced:
            announced.add(best.text)
            rows = sorted(set(proposals[best.text][1]))
            place = plant.id_of("connectors", best.connectors[0])
            finding = out.add(
                best.code, "connector", place, f"{best.text}; this would complete {len(rows)} "
                f"circuit{'s' if len(rows) != 1 else ''}", port=best.port, connectors=best.connectors,
                circuits=paths.circuits[rows],
            )  # fmt: skip
            finding.update(repair=best.text + others, plausibility=1.0)
    _spread_repairs(out, by_row, paths)


def _spread_repairs(out: _Findings, by_row: dict[int, list[_Repair]], paths: Paths) -> None:
    """Name a repair also in the findings about the connectors it moves (a dangling end, a crowded face)."""
    by_connector = {
        connector: (place + 1, repair)
        for repairs in by_row.values()
        for place, repair in reversed(list(enumerate(repairs)))
        for connector in repair.connectors
    }
    for finding in out.rows:
        if finding["repair"] is None and finding["place_kind"] in ("connector", "port", "cable"):
            hits = [by_connector[c] for c in finding["connectors"] if c in by_connector]
            if hits:
                rank, repair = min(hits, key=lambda hit: hit[0])
                finding.update(repair=repair.text, plausibility=float(rank))


# ---------------------------------------------------------------------------------------------------------
# all together


def circuits_of_connectors(plant: Plant, paths: Paths) -> tuple[Array, Array]:
    """Circuits on each connector: (start per connector with one more at the end, circuit numbers).

    Circuits without a path count on the connectors that can be reached from their ends.
    """
    row = np.repeat(np.arange(len(paths.circuits)), np.diff(paths.start))
    points = [paths.points.astype(np.int64)]
    rows = [row]
    broken = np.flatnonzero(~paths.traced)
    for from_a in (True, False):
        for number, walked in zip(broken, walked_points(plant, paths, broken, from_a=from_a), strict=True):
            points.append(walked)
            rows.append(np.full(len(walked), number))
    point, row = np.concatenate(points), np.concatenate(rows)
    on_connector = point < plant.n_connector_points
    owner = plant.connector_of[point[on_connector]].astype(np.int64)
    key = distinct(owner * len(paths.circuits) + row[on_connector])
    divisor = max(len(paths.circuits), 1)
    start = np.searchsorted(key // divisor, np.arange(len(plant.records.connectors.port) + 1))
    return start, paths.circuits[key % divisor]


def audit(
    plant: Plant,
    paths: Paths,
    events: pd.DataFrame | None = None,
    powered: pd.DataFrame | None = None,
    newest_event: Array | None = None,
    put_back: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Every contradiction and gap in the records, as rows of `audit_findings`.

    Parameters
    ----------
    plant, paths
        From `build_plant` and `trace_all` (all circuits).
    events
        Mating events that did not fit, from `irregular_events` with their `event_id` and `at`; None or empty if
        all did.
    powered
        Latest received power per port: port_id, rx_dbm [dBm]; None if there are no readings.
    newest_event
        Time of the newest mating event at each port in any integer unit, the smallest int64 where none.
        Shape (ports,). Used to rank repairs.
    put_back
        Connectors assumed to be back in their port, from `presume_put_back`.
    """
    out = _Findings(plant)
    found = _untraced(plant, paths, out)
    _places(plant, out)
    _matings(plant, out)
    _cable_ends(plant, out)
    _dangling(plant, out)
    _distances(plant, out)
    _loops(plant, out)
    _splitters(plant, paths, out)
    _duplicate_ends(plant, paths, out)
    _test_sets(plant, paths, out)
    if powered is not None:
        _light(plant, paths, powered, out)
    if newest_event is None:
        newest_event = np.full(len(plant.holder), _NEVER, np.int64)
    _repairs(plant, paths, found, newest_event, out)
    if events is not None and len(events):
        _events(plant, events, out)
    if put_back is not None and len(put_back):
        _put_back(plant, put_back, out)
    return _frame(plant, paths, out.rows)


def irregular_events(
    history: patching.Replay, event_connector: Array, event_port: Array, event_face: Array
) -> pd.DataFrame:
    """The events that did not fit the patching, in the order of the replay.

    Columns: event (place in the replay), connector, port, face (numbers), irregular and displaced as in the
    replay. Whoever has the records adds `event_id` and `at`.
    """
    odd = np.flatnonzero(history.irregular)
    return pd.DataFrame(
        {
            "event": odd,
            "connector": event_connector[odd],
            "port": event_port[odd],
            "face": event_face[odd],
            "irregular": history.irregular[odd],
            "displaced": history.displaced[odd],
        }
    )


_SEVERITY = {"error": 0, "warning": 1}


def _frame(plant: Plant, paths: Paths, rows: Sequence[dict[str, Any]]) -> pd.DataFrame:
    columns = [
        "finding_no", "code", "severity", "place_kind", "place_id", "site_id", "circuits", "text", "assumed",
        "check", "repair", "plausibility",
    ]  # fmt: skip
    if not rows:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    start, circuits = circuits_of_connectors(plant, paths)
    names = plant.records.circuits.ids
    out = []
    for row in rows:
        numbers = set(row["circuits"])
        for connector in row["connectors"]:
            numbers.update(int(c) for c in circuits[start[connector] : start[connector + 1]])
        out.append({**row, "circuits": ";".join(names[number].as_py() for number in sorted(numbers)) or None})
    frame = pd.DataFrame(out).drop(columns="connectors")
    rank = frame["severity"].map(_SEVERITY)
    order = np.lexsort((frame["place_id"], frame["code"], rank))
    frame = frame.iloc[order].reset_index(drop=True)
    frame["finding_no"] = np.arange(1, len(frame) + 1)
    return frame[columns]
