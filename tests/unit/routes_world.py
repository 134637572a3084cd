"""A small made-up region for the route tests: sites on a plane, end faces with a ranking, crews.

Not the simulator's fleet: every figure here is drawn independently, so that the planner is tested on input
that no other part of the project has shaped.
"""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd

from planner.routes.jobs import CANDIDATE_COLUMNS
from planner.routes.planning import PlanInput
from planner.tables.catalogue import TABLES

FULL_KIT = (
    "tip_2.5_upc;tip_2.5_apc;tip_1.25_upc;tip_1.25_apc;tip_mpo_upc;tip_mpo_apc;pen_2.5;pen_1.25;pen_mpo;cassette;"
    "sticks_2.5;sticks_1.25;wipes;solvent"
)
ENVIRONMENTS = ("controlled", "indoor", "outdoor")


def make_sites(random: np.random.Generator, count: int) -> pd.DataFrame:
    """Sites scattered over about 60 x 60 km, with access hours, in one time zone."""
    return pd.DataFrame(
        {
            "site_id": [f"S{number:03d}" for number in range(count)],
            "name": [f"Made-up place {number}" for number in range(count)],
            "kind": "central_office",
            "region": random.choice(["north", "south"], count),
            "latitude": 50 + random.uniform(0, 0.55, count),
            "longitude": 10 + random.uniform(0, 0.85, count),
            "environment": random.choice(ENVIRONMENTS, count),
            "access_open": random.choice(["07:00", "08:00", ""], count),
            "access_close": "18:00",
            "access_days": random.choice(["Mon;Tue;Wed;Thu;Fri", "", "Tue;Thu"], count, p=[0.5, 0.4, 0.1]),
            "timezone": "Europe/Berlin",
            "entry_min": random.choice([5.0, 10.0, np.nan], count),
            "access_note": "",
        }
    ).replace({"access_open": {"": None}})


def make_crews(count: int, sites: pd.DataFrame, *, kit: str = FULL_KIT, overtime: float = 0.0) -> pd.DataFrame:
    """Crews at the first sites, 07:30 to 16:00, Monday to Friday."""
    return pd.DataFrame(
        {
            "crew_id": [f"crew-{number + 1}" for number in range(count)],
            "depot_site_id": [sites["site_id"].iloc[number % len(sites)] for number in range(count)],
            "shift_start": "07:30",
            "shift_end": "16:00",
            "work_days": "Mon;Tue;Wed;Thu;Fri",
            "max_overtime_min": overtime,
            "cost_per_hour": 80.0,
            "cost_per_km": 0.5,
            "skills": "",
            "kit": kit,
        }
    )


def make_candidates(random: np.random.Generator, count: int, sites: pd.DataFrame) -> pd.DataFrame:
    """Ranked end faces, two per port, with benefits that are very uneven."""
    port = np.arange(count) // 2
    where = random.integers(0, len(sites), port.max() + 1)[port]
    family = random.choice(["LC", "SC", "MPO"], port.max() + 1, p=[0.6, 0.3, 0.1])[port]
    benefit = random.lognormal(3.5, 1.2, count)
    margin = benefit * random.uniform(0.2, 0.9, count)
    minutes = random.uniform(4, 9, count)
    frame = pd.DataFrame(
        {
            "connector_id": [f"C{number:05d}" for number in range(count)],
            "site_id": sites["site_id"].to_numpy()[where],
            "port_id": [f"P{number:05d}" for number in port],
            "label": [f"port {number}" for number in port],
            "face": np.where(np.arange(count) % 2 == 0, "front", "rear"),
            "role": "patch",
            "housing_name": "panel",
            "family": family,
            "polish": random.choice(["UPC", "APC"], port.max() + 1)[port],
            "fibre_count": 1,
            "fixed": False,
            "cable_id": [f"K{number:05d}" for number in range(count)],
            "cable_end": "A",
            "first_fibre": 1,
            "cable_kind": "patch_cord",
            "partner_id": [f"C{number + 1 if number % 2 == 0 else number - 1:05d}" for number in range(count)],
            "circuits": [f"Z{number % 97:03d}" for number in range(count)],
            "p_contaminated": random.uniform(0.1, 0.9, count),
            "p_damaged": random.uniform(0.0, 0.1, count),
            "classic_score": random.uniform(0.2, 2.5, count),
            "benefit": benefit - minutes,
            "margin_part": margin,
            "minutes_part": -minutes,
            "ranked_minutes": minutes,
            "action": random.choice(["inspect_clean", "replace", "inspect"], count, p=[0.8, 0.05, 0.15]),
            "reasons": "made up",
        }
    )
    return frame[list(CANDIDATE_COLUMNS)]


def small_world(
    seed: int = 0, *, sites: int = 20, faces: int = 200, crews: int = 2, overtime: float = 0.0, pool: int = 60
) -> PlanInput:
    """A whole input for `plan_week`; every seventh circuit is of priority 1 without protection."""
    random = np.random.default_rng(seed)
    places = make_sites(random, sites)
    candidates = make_candidates(random, faces + pool, places)
    circuits = pd.DataFrame({"circuit_id": [f"Z{number:03d}" for number in range(97)]})
    circuits["priority"] = [1 if number % 7 == 0 else 3 for number in range(97)]
    circuits["protected_by"] = [None if number % 2 else "Z096" for number in range(97)]
    return PlanInput(
        candidates=candidates.iloc[:faces].reset_index(drop=True),
        sites=places,
        crews=make_crews(crews, places, overtime=overtime),
        travel_times=pd.DataFrame(columns=["from_site_id", "to_site_id", "minutes", "km"]),
        circuits=circuits,
        audit_pool=candidates.iloc[faces:].reset_index(drop=True),
    )


def store_world(con: duckdb.DuckDBPyConnection, world: PlanInput) -> None:
    """Put a world into an open database as if it had been loaded and ranked."""
    faces = pd.concat([world.candidates, world.audit_pool], ignore_index=True)
    ports = faces.drop_duplicates("port_id")
    in_ranking = faces["benefit"].notna()
    tables = {
        "sites": world.sites,
        "crews": world.crews,
        "travel_times": world.travel_times,
        "circuits": world.circuits.assign(
            a_port_id=ports["port_id"].iloc[0], z_port_id=ports["port_id"].iloc[1], wavelength_nm=1310.0
        ),
        "housings": pd.DataFrame(
            {"housing_id": "H-" + world.sites["site_id"], "site_id": world.sites["site_id"]}
        ).assign(kind="panel", name="panel"),
        "ports": ports[["port_id", "label", "family", "polish", "role"]].assign(
            housing_id="H-" + ports["site_id"], mode="SM", fibre_count=1
        ),
        "cables": pd.DataFrame({"cable_id": faces["cable_id"], "kind": faces["cable_kind"]}).assign(
            fibre_type="OS2", length_m=3.0, fibre_count=1
        ),
        "connectors": faces[
            ["connector_id", "cable_id", "cable_end", "first_fibre", "fibre_count", "family", "polish"]
        ],
        "patching": faces[["connector_id", "port_id", "face"]],
        "connector_state": faces[
            ["connector_id", "port_id", "face", "site_id", "role", "family", "polish", "partner_id"]
        ].assign(housing_id="H-" + faces["site_id"], in_service=True),
        "ranking": faces.loc[in_ranking]
        .assign(
            minutes=faces["ranked_minutes"],
            port=faces["port_id"],
            benefit_score=faces["benefit"] / faces["ranked_minutes"],
            benefit_rank=faces["benefit"].rank(ascending=False, method="first"),
        )
        .iloc[: len(world.candidates)],
    }
    for name, frame in tables.items():
        declared = [column for column in TABLES[name].column_names if column in frame.columns]
        if len(frame):
            con.register("_world", frame[declared])
            columns = ", ".join(f'"{column}"' for column in declared)
            con.execute(f"INSERT INTO {name} ({columns}) SELECT {columns} FROM _world")
            con.unregister("_world")
