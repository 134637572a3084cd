"""A tiny hand-made fleet with every result table filled, for tests of the dashboard.

    North Hall (S-1)                         Mill Hut (S-2)                    Quay 7 (S-3)
    EQ-A [C-1 fixed] C-2 ===cord CB-1=== C-3 | C-4 ---trunk CB-2--- C-5 | C-6 ===cord CB-3=== C-7 [C-8 fixed] EQ-Z

Circuit K-1 runs end to end over three mated pairs; C-4 is dirty and costs it 0.9 dB. K-2 shares the plant and
is sound. K-3 could not be traced. Everything in it is invented; results are written by hand, not computed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from planner.pipeline import settings_of
from planner.store.database import open_database, transaction
from planner.tables.catalogue import TABLES

NOW = datetime(2031, 4, 5, 6, 0)
Rows = list[dict[str, Any]]


def put(con: duckdb.DuckDBPyConnection, table_name: str, rows: Rows) -> None:
    """Add rows to a declared table; columns that are not given stay unknown."""
    table = TABLES[table_name]
    for row in rows:
        unknown = set(row) - set(table.column_names)
        if unknown:
            raise KeyError(f"{table_name} has no columns {sorted(unknown)}")
        names = list(row)
        columns = ", ".join(f'"{name}"' for name in names)
        marks = ", ".join("?" for _ in names)
        con.execute(f'INSERT INTO "{table_name}" ({columns}) VALUES ({marks})', list(row.values()))


def days_ago(days: float) -> datetime:
    """A moment before the fleet's now."""
    return NOW - timedelta(days=days)


def build(path: Path) -> Path:
    """Write the fleet to a new database file and return its path."""
    con = open_database(path)
    with transaction(con):
        _plant(con)
        _history(con)
        _paths(con)
        _health(con)
        _backtest(con)
        _plans(con)
        _ledger(con)
    con.close()
    return path


def build_empty(path: Path) -> Path:
    """A database with the tables and nothing in them."""
    open_database(path).close()
    return path


SITES = [
    ("S-1", "North Hall", "data_hall", "North", 47.10, 8.50, "controlled"),
    ("S-2", "Mill Hut", "hut", "North", 47.22, 8.75, "outdoor"),
    ("S-3", "Quay 7", "customer_premises", "South", 46.95, 8.90, "indoor"),
]
FACES = ["C-1", "C-2", "C-3", "C-4", "C-5", "C-6", "C-7", "C-8"]
SITE_OF = {
    "C-1": "S-1",
    "C-2": "S-1",
    "C-3": "S-1",
    "C-4": "S-1",
    "C-5": "S-3",
    "C-6": "S-3",
    "C-7": "S-3",
    "C-8": "S-3",
}
PORT_OF = {
    "C-1": "P-A",
    "C-2": "P-A",
    "C-3": "P-1",
    "C-4": "P-1",
    "C-5": "P-2",
    "C-6": "P-2",
    "C-7": "P-Z",
    "C-8": "P-Z",
}
P_DIRTY = {"C-1": 0.11, "C-2": 0.22, "C-3": 0.31, "C-4": 0.91, "C-5": 0.08, "C-6": 0.05, "C-7": 0.12, "C-8": 0.04}
PARTNER = {
    "C-1": "C-2",
    "C-2": "C-1",
    "C-3": "C-4",
    "C-4": "C-3",
    "C-5": "C-6",
    "C-6": "C-5",
    "C-7": "C-8",
    "C-8": "C-7",
}


def _plant(con: duckdb.DuckDBPyConnection) -> None:
    put(
        con,
        "sites",
        [
            {
                "site_id": key,
                "name": name,
                "kind": kind,
                "region": region,
                "latitude": latitude,
                "longitude": longitude,
                "environment": air,
                "access_open": "08:00",
                "access_close": "18:00",
                "entry_min": 10,
                "access_note": "ring at the gate",
            }
            for key, name, kind, region, latitude, longitude, air in SITES
        ],
    )
    put(
        con,
        "housings",
        [
            {"housing_id": "H-A", "site_id": "S-1", "kind": "equipment", "name": "Shelf A"},
            {"housing_id": "H-1", "site_id": "S-1", "kind": "panel", "name": "Frame 1"},
            {"housing_id": "H-2", "site_id": "S-3", "kind": "panel", "name": "Frame 2"},
            {"housing_id": "H-Z", "site_id": "S-3", "kind": "equipment", "name": "Shelf Z"},
            {"housing_id": "T-1", "kind": "test_set", "name": "Tester 1"},
        ],
    )
    ports = [("P-A", "H-A", "equipment"), ("P-1", "H-1", "patch"), ("P-2", "H-2", "patch"), ("P-Z", "H-Z", "equipment")]
    put(
        con,
        "ports",
        [
            {
                "port_id": port,
                "housing_id": housing,
                "label": port[-1] + "/1",
                "family": "LC",
                "polish": "UPC",
                "mode": "SM",
                "fibre_count": 1,
                "role": role,
            }
            for port, housing, role in ports
        ],
    )
    put(
        con,
        "cables",
        [
            {
                "cable_id": "CB-1",
                "kind": "patch_cord",
                "fibre_type": "G.657.A1",
                "length_m": 5,
                "fibre_count": 1,
                "batch": "B-77",
            },
            {"cable_id": "CB-2", "kind": "trunk", "fibre_type": "G.652.D", "length_m": 8200, "fibre_count": 1},
            {
                "cable_id": "CB-3",
                "kind": "patch_cord",
                "fibre_type": "G.657.A1",
                "length_m": 3,
                "fibre_count": 1,
                "batch": "B-77",
            },
        ],
    )
    ends = {
        "C-2": ("CB-1", "A"),
        "C-3": ("CB-1", "B"),
        "C-4": ("CB-2", "A"),
        "C-5": ("CB-2", "B"),
        "C-6": ("CB-3", "A"),
        "C-7": ("CB-3", "B"),
    }
    put(
        con,
        "connectors",
        [
            {
                "connector_id": face,
                "cable_id": ends.get(face, (None, None))[0],
                "cable_end": ends.get(face, (None, None))[1],
                "fixed_port_id": PORT_OF[face] if face not in ends else None,
                "fibre_count": 1,
                "family": "LC",
                "polish": "UPC",
                "grade": "B",
            }
            for face in FACES
        ],
    )
    circuit = {"a_port_id": "P-A", "z_port_id": "P-Z", "fibre": 1, "application": "10GBASE-LR", "wavelength_nm": 1310}
    put(
        con,
        "circuits",
        [
            {
                **circuit,
                "circuit_id": "K-1",
                "name": "Harbour ring",
                "customers": 420,
                "priority": 1,
                "protected_by": "K-2",
            },
            {**circuit, "circuit_id": "K-2", "name": "Harbour spare", "customers": 0, "priority": 4},
            {**circuit, "circuit_id": "K-3", "name": "Not traced", "customers": 12, "priority": 3},
        ],
    )
    put(
        con,
        "crews",
        [
            {
                "crew_id": "W-1",
                "depot_site_id": "S-2",
                "shift_start": "07:30",
                "shift_end": "16:00",
                "cost_per_hour": 60,
                "cost_per_km": 0.5,
            }
        ],
    )


def _history(con: duckdb.DuckDBPyConnection) -> None:
    put(
        con,
        "mating_events",
        [
            {
                "event_id": f"M-{number}",
                "at": days_ago(200 - 8 * number),
                "port_id": "P-1",
                "face": "front",
                "connector_id": "C-4",
                "action": "mate" if number % 2 else "demate",
                "inspected_first": number % 4 == 1,
                "cleaned_first": False,
                "technician_id": "TECH-1",
            }
            for number in range(24)
        ]
        + [
            {
                "event_id": f"N-{number}",
                "at": days_ago(300 - number),
                "port_id": "P-2",
                "face": "front",
                "connector_id": "C-6",
                "action": "mate",
                "inspected_first": True,
                "cleaned_first": True,
                "technician_id": "TECH-2",
            }
            for number in range(25)
        ],
    )
    put(
        con,
        "inspections",
        [
            {
                "inspection_id": "I-1",
                "at": days_ago(150),
                "connector_id": "C-4",
                "result": "fail",
                "finding": "particle",
                "worst_zone": "A",
                "stage": "routine",
                "technician_id": "TECH-1",
                "test_set_id": "T-1",
            },
            {
                "inspection_id": "I-2",
                "at": days_ago(149),
                "connector_id": "C-4",
                "result": "pass",
                "finding": "clean",
                "stage": "after_cleaning",
            },
        ],
    )
    put(
        con,
        "end_face_defects",
        [
            {"inspection_id": "I-1", "fibre": 1, "kind": "defect", "x_um": 3.0, "y_um": -1.0, "width_um": 4.0},
            {
                "inspection_id": "I-1",
                "fibre": 1,
                "kind": "scratch",
                "x_um": -20.0,
                "y_um": 30.0,
                "width_um": 1.5,
                "length_um": 40.0,
            },
        ],
    )
    put(
        con,
        "cleanings",
        [
            {
                "cleaning_id": "CL-1",
                "at": days_ago(149.5),
                "connector_id": "C-4",
                "method": "dry_pen",
                "technician_id": "TECH-1",
            }
        ],
    )
    put(
        con,
        "loss_tests",
        [
            {
                "test_id": "L-1",
                "at": days_ago(340),
                "circuit_id": "K-1",
                "wavelength_nm": 1310,
                "direction": "both",
                "loss_db": 4.1,
                "reference_cords": 1,
            },
            {
                "test_id": "L-2",
                "at": days_ago(9),
                "circuit_id": "K-1",
                "wavelength_nm": 1310,
                "direction": "both",
                "loss_db": 5.0,
                "reference_cords": 1,
            },
            {
                "test_id": "L-3",
                "at": days_ago(9),
                "circuit_id": "K-1",
                "wavelength_nm": 1550,
                "direction": "both",
                "loss_db": 3.6,
                "reference_cords": 1,
            },
        ],
    )
    put(
        con,
        "power_readings",
        [
            {
                "at": days_ago(day),
                "port_id": "P-Z",
                "tx_dbm": -1.0,
                "rx_dbm": round(-5.2 - (0.9 if day < 40 else 0) + 0.03 * ((day * 7) % 5 - 2), 2),
            }
            for day in range(120, 0, -1)
        ],
    )
    put(
        con,
        "otdr_events",
        [
            {
                "trace_id": "O-1",
                "event_no": number,
                "at": days_ago(8),
                "circuit_id": "K-1",
                "direction": "a_to_z",
                "wavelength_nm": 1550,
                "distance_m": distance,
                "loss_db": loss,
                "reflectance_db": reflectance,
                "kind": "reflective",
            }
            for number, distance, loss, reflectance in ((1, 5.0, 1.2, -31.0), (2, 8205.0, 0.2, -52.0))
        ],
    )
    put(
        con,
        "work_orders",
        [
            {
                "work_order_id": f"WO-{number}",
                "opened_at": days_ago(30 * number + 2),
                "closed_at": days_ago(30 * number),
                "site_id": "S-1" if number % 2 else "S-3",
                "circuit_id": "K-1",
                "connector_id": "C-4" if number == 1 else None,
                "reason": "alarm",
                "cause_found": ("contamination", "no_fault_found", "bend")[number % 3],
                "action_taken": "cleaned",
                "crew_id": "W-1",
                "cost": 240.0,
            }
            for number in range(1, 9)
        ],
    )


def _paths(con: duckdb.DuckDBPyConnection) -> None:
    elements = [
        ("connector", "C-1", "P-A", "S-1"),
        ("connector", "C-2", "P-A", "S-1"),
        ("cable", "CB-1", None, None),
        ("connector", "C-3", "P-1", "S-1"),
        ("adapter", "P-1", "P-1", "S-1"),
        ("connector", "C-4", "P-1", "S-1"),
        ("cable", "CB-2", None, None),
        ("splice", "SP-1", None, "S-2"),
        ("connector", "C-5", "P-2", "S-3"),
        ("adapter", "P-2", "P-2", "S-3"),
        ("connector", "C-6", "P-2", "S-3"),
        ("cable", "CB-3", None, None),
        ("connector", "C-7", "P-Z", "S-3"),
        ("connector", "C-8", "P-Z", "S-3"),
    ]
    lengths = {"CB-1": 5.0, "CB-2": 8200.0, "CB-3": 3.0}
    for circuit_id in ("K-1", "K-2"):
        put(
            con,
            "circuit_paths",
            [
                {
                    "circuit_id": circuit_id,
                    "position": position,
                    "element_kind": kind,
                    "element_id": element,
                    "connector_id": element if kind == "connector" else None,
                    "port_id": port,
                    "site_id": site,
                    "fibre": 1,
                    "length_m": lengths.get(element),
                    "detail": "G.652.D" if kind == "cable" else None,
                }
                for position, (kind, element, port, site) in enumerate(elements, start=1)
            ],
        )
    put(
        con,
        "circuit_status",
        [
            {
                "circuit_id": circuit_id,
                "traced": True,
                "connectors": 8,
                "mated_pairs": 4,
                "splices": 1,
                "splitters": 0,
                "sites": 3,
                "length_m": 8208.0,
                "a_site_id": "S-1",
                "z_site_id": "S-3",
            }
            for circuit_id in ("K-1", "K-2")
        ]
        + [
            {
                "circuit_id": "K-3",
                "traced": False,
                "reason": "port P-9 holds nothing",
                "a_site_id": "S-1",
                "z_site_id": "S-3",
            }
        ],
    )
    for circuit_id, measured in (("K-1", 5.0), ("K-2", 3.9)):
        for wavelength in (1310.0, 1550.0):
            loss = measured - (1.4 if wavelength == 1550 else 0)
            put(
                con,
                "circuit_budget",
                [
                    {
                        "circuit_id": circuit_id,
                        "wavelength_nm": wavelength,
                        "maximum_db": 6.6,
                        "typical_db": 4.1,
                        "typical_sd_db": 0.25,
                        "as_built_db": 4.1,
                        "measured_db": loss,
                        "measured_from": "loss_test",
                        "measured_at": days_ago(9),
                        "measured_sd_db": 0.1,
                        "allowed_db": 5.6,
                        "allowed_from": "10GBASE-LR, invented table for this test, edition 1; not confirmed",
                        "margin_db": 5.6 - loss,
                        "return_loss_db": 31.0,
                        "excess_db": loss - 4.1,
                        "confirmed": False,
                        "note": "splice loss assumed",
                    }
                ],
            )
            put(
                con,
                "budget_elements",
                [
                    {
                        "circuit_id": circuit_id,
                        "wavelength_nm": wavelength,
                        "position": position,
                        "element_kind": kind,
                        "element_id": element,
                        "maximum_db": maximum,
                        "typical_db": typical,
                        "typical_sd_db": 0.1,
                        "source": "invented table for this test" + ("; not confirmed" if kind == "splice" else ""),
                    }
                    for position, kind, element, maximum, typical in (
                        (1, "mated_pair", "P-A", 0.75, 0.25),
                        (3, "cable", "CB-1", 0.01, 0.0),
                        (4, "mated_pair", "P-1", 0.75, 0.25),
                        (7, "cable", "CB-2", 3.28, 2.95),
                        (8, "splice", "SP-1", 0.3, 0.05),
                        (9, "mated_pair", "P-2", 0.75, 0.25),
                        (12, "cable", "CB-3", 0.01, 0.0),
                        (13, "mated_pair", "P-Z", 0.75, 0.25),
                    )
                ],
            )
    put(
        con,
        "element_readings",
        [
            {
                "circuit_id": "K-1",
                "wavelength_nm": 1310.0,
                "position": position,
                "element_kind": kind,
                "element_id": element,
                "same_as": same,
                "place_m": metres,
                "loss_db": loss,
                "is_two_way": two_way,
                "events": 1,
                "measured_at": days_ago(8),
            }
            for position, kind, element, same, metres, loss, two_way in (
                (4, "splice", "SP-0", "P-1", 5.0, 1.21, False),
                (7, "cable", "CB-2", "", 4321.0, 0.33, True),
                (8, "splice", "SP-1", "", 8200.0, 0.07, True),
            )
        ],
    )
    put(
        con,
        "series_drift",
        [
            {
                "series_id": "rx|P-Z",
                "kind": "rx_power",
                "port_id": "P-Z",
                "circuit_id": "K-1",
                "direction": "a_to_z",
                "wavelength_nm": 1310,
                "readings": 120,
                "first_at": days_ago(120),
                "last_at": days_ago(1),
                "baseline": -5.2,
                "latest": -6.1,
                "drift_db": 0.9,
                "noise_db": 0.05,
                "step_db": 0.9,
                "step_sd_db": 0.02,
                "step_at": days_ago(40),
                "slope_db_per_year": 0.0,
                "shape": "step",
            },
            {
                "series_id": "rx|P-Q",
                "kind": "rx_power",
                "circuit_id": "K-2",
                "readings": 9,
                "drift_db": 0.02,
                "baseline": -4.0,
                "latest": -4.02,
                "noise_db": 0.05,
                "shape": "steady",
                "last_at": days_ago(1),
            },
        ],
    )
    put(
        con,
        "audit_findings",
        [
            {
                "finding_no": 1,
                "code": "gap-in-circuit",
                "severity": "error",
                "place_kind": "circuit",
                "place_id": "K-3",
                "site_id": "S-1",
                "circuits": "K-3",
                "text": "K-3 ends at port P-9, which holds nothing",
                "assumed": "the circuit is not traced",
                "check": "look at port P-9",
                "repair": "cord CB-3 is in P-9",
                "plausibility": 1,
            }
        ],
    )


def _health(con: duckdb.DuckDBPyConnection) -> None:
    put(
        con,
        "connector_state",
        [
            {
                "connector_id": face,
                "port_id": PORT_OF[face],
                "face": "front",
                "site_id": SITE_OF[face],
                "environment": "indoor",
                "role": "patch",
                "family": "LC",
                "polish": "UPC",
                "batch": "B-77" if face in ("C-2", "C-3", "C-6", "C-7") else None,
                "in_service": True,
                "partner_id": PARTNER[face],
                "mates": 24,
                "mates_since_clean": 5,
                "mates_since_inspection": 5,
                "last_mated_at": days_ago(16),
                "last_cleaned_at": days_ago(149.5) if face == "C-4" else None,
                "last_inspected_at": days_ago(149) if face == "C-4" else None,
                "last_result": "pass" if face == "C-4" else None,
            }
            for face in FACES
        ],
    )
    put(
        con,
        "connector_health",
        [
            {
                "connector_id": face,
                "p_contaminated": share,
                "p_damaged": 0.02,
                "p_not_clean": min(1.0, share + 0.015),
                "p_costs_light": 0.8 if face == "C-4" else 0.02,
                "light_db": 0.9 if face == "C-4" else None,
                "days_since_good_look": 149 if face == "C-4" else None,
                "matings_since_good_look": 6,
                "likely_source": "the air at its last opening" if face == "C-4" else None,
                "basis": "priors",
            }
            for face, share in P_DIRTY.items()
        ],
    )
    put(
        con,
        "health_evidence",
        [
            {
                "connector_id": "C-4",
                "line": 1,
                "text": "share of end faces like it that are not clean",
                "decibans": -8.0,
            },
            {
                "connector_id": "C-4",
                "line": 2,
                "evidence_at": days_ago(149),
                "text": "passed an inspection after cleaning",
                "decibans": -4.0,
            },
            {
                "connector_id": "C-4",
                "line": 3,
                "evidence_at": days_ago(40),
                "text": "opened, then K-1 lost 0.9 dB",
                "decibans": 23.0,
            },
        ],
    )
    put(con, "dirt_sources", [{"source_id": "C-4", "connector_id": "C-3", "met_at": days_ago(16), "probability": 0.3}])
    put(
        con,
        "learned_parameters",
        [
            {
                "parameter": "cleaning_success",
                "group_kind": "method",
                "group_id": "dry_pen",
                "estimate": 0.74,
                "low": 0.68,
                "high": 0.8,
                "weight": 120,
                "learned": True,
                "text": "One cleaning with a dry pen works 74 % of the time here (68-80 %).",
            }
        ],
    )
    line = {"element_kind": "connector", "onset_at": days_ago(40), "size_db": 0.9}
    put(
        con,
        "diagnosis",
        [
            {
                **line,
                "circuit_id": "K-1",
                "cause": "contamination",
                "element_id": "C-4",
                "probability": 0.72,
                "evidence": "power +27.5, how common -15.0 = +12.5 decibans against nothing wrong",
                "next_test": "inspect C-4 first",
                "same_as": "C-3",
            },
            {
                **line,
                "circuit_id": "K-1",
                "cause": "contamination",
                "element_id": "C-3",
                "probability": 0.18,
                "evidence": "power +27.5, how common -21.0 = +6.5 decibans against nothing wrong",
                "same_as": "C-4",
            },
            {
                "circuit_id": "K-1",
                "cause": "bend",
                "element_id": "CB-2",
                "element_kind": "cable",
                "probability": 0.06,
                "evidence": "1550 nm lost no more than 1310 nm",
                "size_db": 0.9,
            },
            {"circuit_id": "K-1", "cause": "nothing", "probability": 0.04},
            {"circuit_id": "K-2", "cause": "nothing", "probability": 1.0},
        ],
    )
    wrong = "Is anything wrong? Something (96 %), most probably dirt on C-4 or C-3, against nothing wrong (4 %)"
    which = "Which of these? Dirt on C-4 (72 %) against dirt on C-3 (18 %)"
    put(
        con,
        "diagnosis_evidence",
        [
            {
                "circuit_id": "K-1",
                "line": number + 1,
                "question": question,
                "text": text,
                "decibans": decibans,
            }
            for number, (question, text, decibans) in enumerate(
                (
                    (wrong, "how common each is, before anything is read", -14.0),
                    (wrong, "power: received at Z fell 0.90 dB about 1 Mar 2031", 27.5),
                    (which, "what openings, cleanings and looks say of the end faces", 4.0),
                    (which, "timing, against work on the joints: both from 1 Mar 2031", 2.0),
                )
            )
        ],
    )
    put(
        con,
        "face_blame",
        [
            {
                "connector_id": face,
                "circuit_id": "K-1",
                "p_cause": share,
                "p_dirt": share,
                "p_damage": 0.0,
                "size_db": 0.9,
                "onset_at": days_ago(40),
            }
            for face, share in (("C-4", 0.8), ("C-3", 0.18))
        ],
    )
    ordered = sorted(FACES, key=lambda face: -P_DIRTY[face])
    put(
        con,
        "ranking",
        [
            {
                "connector_id": face,
                "site_id": SITE_OF[face],
                "port": PORT_OF[face],
                "circuits": "K-1;K-2",
                "p_contaminated": P_DIRTY[face],
                "p_damaged": 0.02,
                "classic_rank": len(ordered) - rank,
                "classic_score": 1.0 + rank / 10,
                "mates_part": 0.5,
                "drift_part": 0.3,
                "time_part": 0.2 + rank / 10,
                "classic_reasons": "5 matings since the last cleaning",
                "probability_rank": rank + 1,
                "benefit_rank": rank + 1,
                "benefit_score": 100.0 - 10 * rank,
                "benefit": 1000.0 - 100 * rank,
                "margin_part": 900.0 - 100 * rank,
                "spread_part": 60.0,
                "damage_part": 40.0,
                "looking_part": 50.0,
                "minutes_part": -30.0,
                "risk_part": -20.0,
                "minutes": 10.0,
                "action": "inspect_clean",
                "reasons": f"K-1 lost 0.9 dB; {face} was opened that day",
            }
            for rank, face in enumerate(ordered)
        ],
    )


def _backtest(con: duckdb.DuckDBPyConnection) -> None:
    for method, precision, auc in (("benefit", 0.5, 0.7), ("probability", 0.45, 0.74), ("classic", 0.2, 0.58)):
        put(
            con,
            "backtest_scores",
            [
                {
                    "ranked_at": days_ago(90),
                    "until_at": days_ago(1),
                    "method": method,
                    "judged": 400,
                    "found": 60,
                    "base_rate": 0.13,
                    "precision_at_5": precision,
                    "precision_low": precision - 0.1,
                    "precision_high": precision + 0.1,
                    "over_classic_low": None if method == "classic" else 1.4,
                    "over_classic_high": None if method == "classic" else 3.6,
                    "lift_at_5": precision / 0.13,
                    "auc": auc,
                    "brier": 0.1 if method == "probability" else None,
                    "calibration_error": 0.02 if method == "probability" else None,
                    "benefit_caught": precision,
                }
            ],
        )
        later = {"ranked_at": days_ago(20), "until_at": days_ago(1), "method": method, "judged": 45, "found": 6}
        later |= {"base_rate": 0.13, "precision_at_5": precision, "over_classic_low": 0.6, "over_classic_high": 4.0}
        put(con, "backtest_scores", [later])
        put(
            con,
            "backtest_curves",
            [
                {
                    "ranked_at": days_ago(90),
                    "method": method,
                    "curve": "benefit_caught",
                    "x": x,
                    "y": x**0.5,
                    "cases": 40,
                }
                for x in (0.0, 0.1, 0.3, 0.6, 1.0)
            ],
        )


def _plans(con: duckdb.DuckDBPyConnection) -> None:
    document = {
        "plan_id": "PL-1",
        "net": 900,
        "both_ends": {"pairs_offered": 1, "cost_of_honouring": 4},
        "random_looks": 1,
        "mandatory_not_served": [],
        "assumptions": ["straight lines times 1.3", "seed 7"],
        "crew_days": [{"crew_id": "W-1", "day_on": "2031-04-07", "breaks": [{"from": "12:00", "to": "12:30"}]}],
    }
    plan = {"status": "draft", "made_by": "planner", "from_on": "2031-04-07", "days": 2, "assumptions": "seed 7"}
    put(
        con,
        "plans",
        [
            {
                **plan,
                "plan_id": "PL-0",
                "made_at": days_ago(7),
                "benefit": 1200.0,
                "cost": 640.0,
                "upper_bound": 900.0,
                "gap": 0.07,
                "document": "",
            },
            {
                **plan,
                "plan_id": "PL-1",
                "made_at": NOW,
                "benefit": 1500.0,
                "cost": 600.0,
                "upper_bound": 940.0,
                "gap": 0.04,
                "document": json.dumps(document),
            },
        ],
    )
    stops = [
        ("2031-04-07", 1, "S-1", "08:30", "08:30", "09:10", 40, 31.0, 800.0),
        ("2031-04-07", 2, "S-3", "10:05", "10:10", "10:50", 55, 44.0, 500.0),
        ("2031-04-08", 1, "S-3", "08:20", "08:20", "08:50", 30, 25.0, 200.0),
    ]
    put(
        con,
        "plan_stops",
        [
            {
                "plan_id": "PL-1",
                "crew_id": "W-1",
                "day_on": day_on,
                "stop_no": number,
                "site_id": site_id,
                "arrive_at": arrive,
                "start_at": start,
                "leave_at": leave,
                "travel_min": drive,
                "travel_km": km,
                "work_min": 40.0,
                "benefit": benefit,
                "note": "change window 08:00 to 10:00",
            }
            for day_on, number, site_id, arrive, start, leave, drive, km, benefit in stops
        ],
    )
    put(
        con,
        "plan_jobs",
        [
            {
                "plan_id": "PL-1",
                "crew_id": "W-1",
                "day_on": day_on,
                "stop_no": stop,
                "job_no": 1,
                "connector_id": face,
                "port_id": PORT_OF[face],
                "circuits": "K-1",
                "action": "inspect_clean",
                "method": "dry_stick",
                "tip": "tip_1.25_upc",
                "kit": "tip_1.25_upc;sticks_1.25",
                "minutes": 12.0,
                "benefit": 500.0,
                "pair_id": "PAIR-1",
                "reasons": f"{face} is suspected on K-1",
            }
            for day_on, stop, face in (("2031-04-07", 1, "C-4"), ("2031-04-07", 2, "C-6"), ("2031-04-08", 1, "C-7"))
        ],
    )
    scenario = {"plan_id": "PL-1", "benefit": 1200.0, "km": 100.0, "crew_days": 2, "stops": 3, "jobs": 3, "gap": 0.04}
    put(
        con,
        "plan_scenarios",
        [
            {
                **scenario,
                "scenario": "base",
                "meaning": "as planned",
                "cost": 300.0,
                "net": 900.0,
                "upper_bound": 940.0,
            },
            {**scenario, "scenario": "extra_crew", "meaning": "one more crew", "cost": 280.0, "net": 920.0},
        ],
    )
    put(
        con,
        "plan_left_out",
        [
            {
                "plan_id": "PL-1",
                "connector_id": "C-2",
                "site_id": "S-1",
                "benefit": 30.0,
                "reason": "needs 95 min, best crew has 40 left on Tuesday",
            }
        ],
    )


def _ledger(con: duckdb.DuckDBPyConnection) -> None:
    put(
        con,
        "loads",
        [
            {
                "load_id": 1,
                "loaded_at": NOW,
                "source": "hand-made",
                "rows_read": 99,
                "rows_new": 98,
                "rows_replaced": 0,
                "rows_same": 0,
                "rows_kept_out": 1,
            }
        ],
    )
    put(
        con,
        "load_files",
        [
            {
                "load_id": 1,
                "file_name": "sites.csv",
                "table_name": "sites",
                "sha256": "ab" * 32,
                "read_as": "UTF-8, comma",
                "rows_read": 3,
                "rows_new": 3,
                "rows_replaced": 0,
                "rows_same": 0,
                "rows_kept_out": 0,
            }
        ],
    )
    put(
        con,
        "findings",
        [
            {
                "load_id": 1,
                "code": "allowed",
                "severity": "blocking",
                "table_name": "inspections",
                "file_name": "inspections.csv",
                "line": 812,
                "column_name": "finding",
                "value": "dusty",
                "rule": "one of clean, particle",
                "consequence": "row kept out",
            }
        ],
    )
    put(
        con,
        "stage_runs",
        [
            {
                "stage": stage,
                "load_id": 1,
                "as_of_at": NOW,
                "seconds": 0.1,
                "settings": settings_of(stage),
                "note": "no otdr_events" if stage == "diagnose" else "",
            }
            for stage in ("derive", "trace", "drift", "light", "health", "diagnose", "rank")
        ],
    )


def walk(component: Any) -> Iterator[Any]:
    """Every component and every piece of text of a layout, in reading order."""
    if component is None:
        return
    if isinstance(component, list | tuple):
        for each in component:
            yield from walk(each)
        return
    yield component
    yield from walk(getattr(component, "children", None))


def text_of(component: Any) -> str:
    """The text of a layout, as a reader would hear it."""
    words = "".join(str(each) for each in walk(component) if isinstance(each, str | int | float))
    return re.sub(r"[ \n]+", " ", words).strip()


def frame(rows: Rows) -> pd.DataFrame:
    """Rows as a frame, for tests of pure functions."""
    return pd.DataFrame(rows)


def add_many(con: duckdb.DuckDBPyConnection, rows: int) -> None:
    """Add that many more end faces to the ranking, so that a large table has something to scroll through."""
    con.execute(
        """INSERT INTO ranking (connector_id, site_id, port, circuits, p_contaminated, p_damaged, classic_rank,
                                classic_score, probability_rank, benefit_rank, benefit_score, benefit, minutes, action,
                                reasons)
           SELECT 'X-' || lpad(n::VARCHAR, 6, '0'), 'S-2', 'P-' || n, '', 0.1, 0.01, n + 9, 0.5, n + 9, n + 9, 1, 1, 10,
                  'inspect', 'one of many' FROM range(?) t(n)""",
        [rows],
    )
