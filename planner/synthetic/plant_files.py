"""The plant, people and travel tables as files, and the errors planted in the records of patching."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from planner.synthetic import state as st
from planner.synthetic.plant import (
    APPLICATION_NM,
    APPLICATIONS,
    COUNTRYSIDE,
    ENVIRONMENTS,
    GRADES,
    HOUSING,
    POLARITIES,
    ROLE,
    SITE_KIND,
    Plant,
)
from planner.synthetic.settings import (
    Settings,
)
from planner.synthetic.world import static_loss
from planner.synthetic.writing import choice, days, ids, moments, number, whole, write_table
from planner.tables.intake_tables import (
    CABLE_KINDS,
    FAMILIES,
    FIBRE_TYPES,
    HOUSING_KINDS,
    POLISHES,
    PORT_ROLES,
    SITE_KINDS,
)

Numbers = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

# Loss of cable and splices that the longest application still bears beside its connections, and what a
# designer adds for connections and repairs where it does not (our choices). [dB]
LONGEST_PASSIVE_DB = 6.0
DESIGN_RESERVE_DB = 7.0


def plant_names(plant: Plant) -> dict[str, list[str]]:
    """Invented names of sites and regions, built from syllables; no real place is meant."""
    first = (
        "Or",
        "Tel",
        "Var",
        "Mel",
        "Bran",
        "Cor",
        "Sel",
        "Fen",
        "Hal",
        "Ild",
        "Lor",
        "Nev",
        "Pel",
        "Quin",
        "Ros",
        "Sarn",
        "Thor",
        "Ulm",
        "Wen",
        "Yar",
    )
    middle = ("", "a", "e", "i", "ova", "ele", "ino", "ara")
    last = ("ford", "mere", "dale", "wick", "holt", "stead", "combe", "field", "ridge", "haven", "brook", "moor")
    n = plant.sites["kind"].shape[0]
    label = {
        "central_office": "office",
        "headend": "headend",
        "data_hall": "hall",
        "hut": "hut",
        "tower": "mast",
        "cabinet": "cabinet",
        "closure": "closure",
        "customer_premises": "house",
    }
    step = 977  # shares no factor with the number of combinations
    combos = len(first) * len(middle) * len(last)
    names = []
    for i, kind in enumerate(plant.sites["kind"]):
        k = (i * step) % combos
        place = first[k % 20] + middle[(k // 20) % 8] + last[(k // 160) % 12]
        names.append(f"{place} {label[SITE_KINDS[int(kind)]]}" + (f" {i // combos + 1}" if n > combos else ""))
    regions = [f"{first[(7 * r) % 20]}{last[(5 * r) % 12]} district (invented)" for r in range(plant.regions)]
    return {"sites": names, "regions": regions}


def write_plant(plant: Plant, world: st.World, folder: Path, settings: Settings, recorded_front: IntArray) -> None:
    """The plant tables; `recorded_front` is what the records say was in each port's front at the start."""
    fmt, start = settings.file_format, settings.start
    s, n = plant.sites, plant.sites["kind"].shape[0]
    names = plant_names(plant)
    row = np.arange(n)
    kind = s["kind"].astype(np.int64)
    office = np.isin(kind, [SITE_KIND["central_office"], SITE_KIND["headend"], SITE_KIND["data_hall"]])
    home = kind == SITE_KIND["customer_premises"]
    opens = np.where(office, 0, np.where(home, 2, 1))
    full_days = "Mon;Tue;Wed;Thu;Fri;Sat;Sun"
    notes = ("", "key at the depot", "ring the site contact a day ahead", "roadside: cones and vest", "badge needed")
    note_of = np.where(kind == SITE_KIND["cabinet"], 3, np.where(office, 4, np.where(home, 2, row % 2)))
    write_table(
        folder,
        "sites",
        fmt,
        {
            "site_id": ids("site", row, 6),
            "name": pa.array(names["sites"]),
            "kind": choice(SITE_KINDS, kind),
            "region": pa.array(names["regions"]).take(pa.array(s["region"].astype(np.int64))),
            "latitude": pa.array(s["latitude"].astype(np.float64)),
            "longitude": pa.array(s["longitude"].astype(np.float64)),
            "environment": choice(ENVIRONMENTS, s["environment"]),
            "access_open": choice(("00:00", "07:00", "08:00"), opens),
            "access_close": choice(("23:59", "19:00", "18:00"), opens),
            "access_days": choice((full_days, "Mon;Tue;Wed;Thu;Fri;Sat", "Mon;Tue;Wed;Thu;Fri"), opens),
            "timezone": choice(tuple(c[0] for c in COUNTRYSIDE), s["zone"]),
            "entry_min": whole(np.array([10, 8, 12])[opens]),
            "access_note": choice(notes, np.where(note_of == 0, -1, note_of)),
        },
    )
    hs = plant.housings
    count = np.arange(hs["site"].shape[0])
    test = hs["kind"] == HOUSING["test_set"]
    write_table(
        folder,
        "housings",
        fmt,
        {
            "housing_id": ids("housing", count),
            "site_id": ids("site", hs["site"], 6),
            "kind": choice(HOUSING_KINDS, hs["kind"]),
            "name": _joined(choice(HOUSING_KINDS, hs["kind"]), count),
            "rack": _joined(pa.array(np.full(count.shape[0], "R")), np.where(test, -1, hs["rack"]), "", 0),
            "rack_unit": whole(np.where(test, -1, 1 + count % 42)),
            "installed_on": days(start, hs["installed"]),
        },
    )
    p = plant.ports
    write_table(
        folder,
        "ports",
        fmt,
        {
            "port_id": ids("port", np.arange(p["housing"].shape[0])),
            "housing_id": ids("housing", p["housing"]),
            "label": choice(tuple(str(i) for i in range(64)), p["label"]),
            "family": choice(FAMILIES, p["family"]),
            "polish": choice(POLISHES, p["polish"]),
            "mode": choice(("SM", "MM"), p["mode"]),
            "fibre_count": whole(p["fibres"]),
            "role": choice(PORT_ROLES, p["role"]),
        },
    )
    c = plant.cables
    write_table(
        folder,
        "cables",
        fmt,
        {
            "cable_id": ids("cable", np.arange(c["kind"].shape[0])),
            "kind": choice(CABLE_KINDS, c["kind"]),
            "fibre_type": choice(FIBRE_TYPES, c["fibre_type"]),
            "length_m": number(c["length_m"], 1),
            "fibre_count": whole(c["fibres"]),
            "batch": ids("batch", c["batch"], 5),
            "installed_on": days(start, c["installed"]),
            "polarity": choice(POLARITIES, np.where(c["polarity"] > 0, c["polarity"], -1)),
        },
    )
    f = plant.connectors
    write_table(
        folder,
        "connectors",
        fmt,
        {
            "connector_id": ids("connector", np.arange(f["cable"].shape[0])),
            "cable_id": ids("cable", f["cable"]),
            "cable_end": choice(("A", "B"), np.where(f["cable"] >= 0, f["end"], -1)),
            "first_fibre": whole(np.where(f["cable"] >= 0, f["first_fibre"], -1)),
            "fibre_count": whole(f["fibres"]),
            "fixed_port_id": ids("port", f["fixed_port"]),
            "family": choice(FAMILIES, f["family"]),
            "polish": choice(POLISHES, f["polish"]),
            "grade": choice(GRADES, f["grade"]),
            "installed_on": days(start, f["installed"]),
        },
    )
    ports = np.arange(plant.rear_of.shape[0])
    plugged_rear = (plant.rear_of >= 0) & (f["cable"][np.maximum(plant.rear_of, 0)] >= 0)
    in_front = recorded_front >= 0
    connector = np.concatenate([recorded_front[in_front], plant.rear_of[plugged_rear]])
    order = np.argsort(connector, kind="stable")
    since = st.DAY_MIN * np.minimum(-1, f["installed"][connector[order]].astype(np.float64))
    write_table(
        folder,
        "patching",
        fmt,
        {
            "connector_id": ids("connector", connector[order]),
            "port_id": ids("port", np.concatenate([ports[in_front], ports[plugged_rear]])[order]),
            "face": choice(("front", "rear"), np.repeat([0, 1], [in_front.sum(), plugged_rear.sum()])[order]),
            "since_at": moments(start, since),
        },
    )
    _write_outside_plant(plant, folder, settings)
    _write_people(plant, folder, settings)


def _joined(words: pa.Array, numbers: Numbers, gap: str = " ", add: int = 1) -> pa.Array:
    values = np.asarray(numbers).astype(np.int64)
    text = pc.cast(pa.array(values + add, mask=values < 0), pa.string())
    return pc.binary_join_element_wise(pc.replace_substring(words, "_", " "), text, gap)


def _write_outside_plant(plant: Plant, folder: Path, settings: Settings) -> None:
    fmt, start = settings.file_format, settings.start
    s = plant.splices
    n = s["site"].shape[0]
    if n:
        write_table(
            folder,
            "splices",
            fmt,
            {
                "splice_id": ids("splice", np.arange(n)),
                "site_id": ids("site", s["site"], 6),
                "cable_a_id": ids("cable", s["cable_a"]),
                "end_a": choice(("A", "B"), s["end_a"]),
                "fibre_a": whole(s["fibre_a"]),
                "cable_b_id": ids("cable", s["cable_b"]),
                "end_b": choice(("A", "B"), s["end_b"]),
                "fibre_b": whole(s["fibre_b"]),
                "kind": choice(("fusion", "mechanical"), s["kind"]),
                "loss_db": number(s["loss_db"], 2),
                "spliced_on": days(start, plant.cables["installed"][s["cable_a"]]),
            },
        )
    legs = plant.legs
    if legs["port"].shape[0]:
        write_table(
            folder,
            "splitter_legs",
            fmt,
            {
                "splitter_id": ids("splitter", legs["splitter"], 6),
                "leg": whole(legs["leg"]),
                "port_id": ids("port", legs["port"]),
                "ratio": whole(legs["ratio"]),
            },
        )
    c = plant.circuits
    n = c["a_port"].shape[0]
    app = c["application"].astype(np.int64)
    # What is too long for its application runs over line equipment with a loss allowed by its own design.
    passive = static_loss(plant, APPLICATION_NM[app].astype(np.int64))
    designed = (app == APPLICATIONS.index("10GBASE-ER")) & (passive > LONGEST_PASSIVE_DB)
    words = ("hall link", "metro link", "home line")
    write_table(
        folder,
        "circuits",
        fmt,
        {
            "circuit_id": ids("circuit", np.arange(n)),
            "name": _joined(choice(words, c["kind"]), np.arange(n)),
            "a_port_id": ids("port", c["a_port"]),
            "z_port_id": ids("port", c["z_port"]),
            "fibre": whole(np.ones(n)),
            "application": choice(APPLICATIONS, np.where(designed, -1, app)),
            "wavelength_nm": number(APPLICATION_NM[app], 0),
            "max_loss_db": number(np.where(designed, np.ceil(passive) + DESIGN_RESERVE_DB, np.nan), 1),
            "customers": whole(c["customers"]),
            "priority": whole(c["priority"]),
            "protected_by": ids("circuit", c["protected_by"]),
            "in_service_on": days(start, c["in_service"]),
        },
    )


def _write_people(plant: Plant, folder: Path, settings: Settings) -> None:
    fmt = settings.file_format
    crews = plant.crews
    n = crews["region"].shape[0]
    small = "tip_1.25_upc;tip_2.5_upc;pen_1.25;pen_2.5;cassette;wipes;sticks_1.25;sticks_2.5"
    pon = "tip_2.5_apc;tip_1.25_apc;solvent"
    hall = "tip_mpo_upc;tip_mpo_apc;pen_mpo"
    kits = (small, f"{small};{pon}", f"{small};{hall}", f"{small};{pon};{hall}")
    skills = (
        "inspection;cleaning",
        "inspection;cleaning;pon",
        "inspection;cleaning;data_hall",
        "inspection;cleaning;pon;data_hall;otdr",
    )
    equipped = crews["pon"] + 2 * crews["hall"]
    write_table(
        folder,
        "crews",
        fmt,
        {
            "crew_id": ids("crew", np.arange(n), 4),
            "depot_site_id": ids("site", crews["depot"], 6),
            "shift_start": choice(("08:00", "07:00"), crews["early"]),
            "shift_end": choice(("16:30", "15:30"), crews["early"]),
            "work_days": choice(("Mon;Tue;Wed;Thu;Fri",), np.zeros(n)),
            "max_overtime_min": whole(np.full(n, 60)),
            "cost_per_hour": number(np.full(n, 92.0), 0),
            "cost_per_km": number(np.full(n, 0.6), 2),
            "skills": choice(skills, equipped),
            "kit": choice(kits, equipped),
        },
    )
    write_table(
        folder,
        "technicians",
        fmt,
        {
            "technician_id": ids("technician", np.arange(plant.technicians["crew"].shape[0]), 5),
            "crew_id": ids("crew", plant.technicians["crew"], 4),
        },
    )
    # driving times between depots, offices, halls and cabinets of a region: the pairs that are driven often
    s = plant.sites
    known = np.isin(s["kind"], [SITE_KIND[k] for k in ("central_office", "headend", "data_hall", "cabinet", "hut")])
    site = np.nonzero(known)[0]
    region = s["region"][site].astype(np.int64)
    order = np.argsort(region, kind="stable")
    site, region = site[order], region[order]
    count = np.bincount(region, minlength=plant.regions)
    first = np.cumsum(count) - count
    a = np.repeat(np.arange(site.shape[0]), count[region])
    b = np.arange(a.shape[0]) - np.repeat(np.cumsum(count[region]) - count[region], count[region]) + first[region[a]]
    a, b = site[a[a != b]], site[b[a != b]]
    lat, lon = s["latitude"].astype(np.float64), s["longitude"].astype(np.float64)
    km = 1.28 * np.hypot((lat[a] - lat[b]) * 111.2, (lon[a] - lon[b]) * 111.2 * np.cos(np.radians(lat[a]))) + 0.4
    write_table(
        folder,
        "travel_times",
        fmt,
        {
            "from_site_id": ids("site", a, 6),
            "to_site_id": ids("site", b, 6),
            "minutes": number(3.0 + km * 1.15 + (a * 31 + b * 17) % 5, 0),
            "km": number(km, 1),
        },
    )


def plant_record_errors(
    plant: Plant, world: st.World, settings: Settings, rng: np.random.Generator
) -> tuple[IntArray, list[tuple[int, int, int]]]:
    """Recorded fronts with some neighbours swapped; gives them and (connector, recorded port, true port) rows."""
    recorded = world.port["front"].copy()
    patch = np.nonzero((recorded >= 0) & (plant.ports["role"] == ROLE["patch"]) & (plant.ports["fibres"] == 1))[0]
    next_door = patch[:-1][
        (np.diff(patch) == 1) & (plant.ports["housing"][patch[:-1]] == plant.ports["housing"][patch[1:]])
    ]
    cord = world.cord_of_face
    next_door = next_door[cord[recorded[next_door]] != cord[recorded[next_door + 1]]]
    wanted = 0 if settings.perfect_records else max(2, int(0.0006 * cord.max()))
    chosen = np.sort(rng.permutation(next_door)[:wanted])
    chosen = chosen[np.concatenate([[True], np.diff(chosen) > 1])] if chosen.shape[0] else chosen
    rows = []
    for p in chosen.tolist():
        one, other = int(recorded[p]), int(recorded[p + 1])
        recorded[p], recorded[p + 1] = other, one
        rows += [(other, p, p + 1), (one, p + 1, p)]
    return recorded, rows
