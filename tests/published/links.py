"""Links written as a row of elements, for checks against printed loss budgets."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd

from planner.health.loss_budget import ELEMENT_COLUMNS, POWER_COLUMNS, TEST_COLUMNS, Budgets, circuit_budgets
from planner.standards.lookup import Limits

DATA = Path(__file__).resolve().parents[1] / "data"


def printed(name: str) -> list[dict[str, str]]:
    """Rows of a table of printed values in tests/data."""
    with (DATA / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def link(
    cables_km: list[tuple[str, float]], connections: int, splices: int = 0, grade: str | None = "C"
) -> pd.DataFrame:
    """A link with these cables, so many mated pairs at its ends and between, and so many splices.

    Splices come right after the first cable; connections that find no gap between cables stand at the Z end.
    """
    rows: list[dict[str, object]] = []

    def add(kind: str, name: str, **values: object) -> None:
        position = len(rows) + 1
        rows.append({"circuit_id": "X", "position": position, "element_kind": kind, "element_id": name, **values})

    def pair(number: int) -> None:
        for _ in range(2):
            add("connector", f"P{number}", role="patch", family="LC", polish="UPC", grade=grade)

    made = 0
    for number, (fibre, km) in enumerate(cables_km):
        if made < connections:
            pair(made)
            made += 1
        add("cable", f"K{number}", fibre_type=fibre, length_m=km * 1000.0)
        if number == 0:
            for splice in range(splices):
                add("splice", f"S{splice}", splice_kind="fusion")
    while made < connections:
        pair(made)
        add("cable", f"J{made}", fibre_type=cables_km[-1][0], length_m=0.0)
        made += 1
    return pd.DataFrame(rows).reindex(columns=list(ELEMENT_COLUMNS))


def budget(
    elements: pd.DataFrame,
    limits: Limits,
    wavelength_nm: float,
    max_loss_db: float = np.nan,
    application: str | None = None,
    tests: pd.DataFrame | None = None,
    powers: pd.DataFrame | None = None,
) -> Budgets:
    """The budget of that one link."""
    circuits = pd.DataFrame(
        {
            "circuit_id": ["X"],
            "a_port_id": ["P-A"],
            "z_port_id": ["P-Z"],
            "application": [application],
            "wavelength_nm": [wavelength_nm],
            "max_loss_db": [max_loss_db],
        }
    )
    no_tests = pd.DataFrame({name: [] for name in TEST_COLUMNS}).astype({"wavelength_nm": float, "measured_db": float})
    no_powers = pd.DataFrame({name: [] for name in POWER_COLUMNS})
    return circuit_budgets(
        elements,
        circuits,
        no_tests if tests is None else tests,
        no_powers if powers is None else powers,
        limits,
    )
