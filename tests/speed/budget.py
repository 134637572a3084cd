"""How long the budgets of a large fleet take, against adding them up circuit by circuit in plain Python.

Run by hand: `python tests/speed/budget.py [CIRCUITS]`. The fleet is a row of cords and panels: every circuit
has ten mated pairs, so 100 000 circuits stand on 2 000 000 end faces. Prints the seconds of one run and the
ratio to the plain loop (timed on a sample and scaled), both in the same process.
"""

from __future__ import annotations

import sys
import time

import duckdb
import numpy as np
import pandas as pd

from planner.health.loss_budget import ELEMENT_COLUMNS, POWER_COLUMNS, TEST_COLUMNS, circuit_budgets
from planner.standards.lookup import Limits, standard_limits
from planner.store.database import create_statement, replace_result, transaction
from planner.tables.catalogue import TABLES

PAIRS = 10
SAMPLE = 500


def fleet(count: int, seed: int = 1) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Elements, circuits, tests and powers of `count` circuits of ten mated pairs and nine cables each."""
    rng = np.random.default_rng(seed)
    per = 2 * PAIRS + (PAIRS - 1)
    circuit = np.repeat(np.arange(count), per)
    place = np.tile(np.arange(per), count)
    is_cable = place % 3 == 2
    size = count * per
    pair = place // 3
    port = circuit * PAIRS + pair
    element = np.where(is_cable, count * PAIRS + port, port)
    names = pd.Index([f"port-{n}" for n in range(count * PAIRS)] + [f"cable-{n}" for n in range(count * PAIRS)])
    ids = pd.Index([f"circuit-{n}" for n in range(count)])

    def labelled(codes: np.ndarray, texts: list[str]) -> pd.Categorical:
        return pd.Categorical.from_codes(codes, categories=texts)

    def face(codes: np.ndarray) -> np.ndarray:
        return np.where(is_cable, -1, codes)

    elements = pd.DataFrame(
        {
            "circuit_id": pd.Categorical.from_codes(circuit, categories=ids),
            "position": place + 1,
            "element_kind": labelled(is_cable.astype(int), ["connector", "cable"]),
            "element_id": pd.Categorical.from_codes(element, categories=names),
            "role": labelled(face(np.zeros(size, int)), ["patch"]),
            "family": labelled(face(np.zeros(size, int)), ["LC"]),
            "polish": labelled(face(np.zeros(size, int)), ["UPC"]),
            "grade": labelled(face(rng.integers(-1, 3, size)), ["B", "C", "D"]),
            "fibre_type": labelled(np.where(is_cable, rng.integers(0, 3, size), -1), ["OS2", "G.652.D", "G.657.A1"]),
            "length_m": np.where(is_cable, rng.uniform(2, 500, size), np.nan),
            "splice_kind": labelled(np.full(size, -1), ["fusion"]),
            "splice_loss_db": np.nan,
            "ratio": np.nan,
        }
    )[list(ELEMENT_COLUMNS)]
    circuits = pd.DataFrame(
        {
            "circuit_id": ids,
            "a_port_id": names[np.arange(count) * PAIRS],
            "z_port_id": names[np.arange(count) * PAIRS + PAIRS - 1],
            "application": np.where(np.arange(count) % 2, "10GBASE-LR", "100GBASE-FR1"),
            "wavelength_nm": 1310.0,
            "max_loss_db": np.nan,
        }
    )
    loss = rng.uniform(2, 5, count)
    at = pd.Timestamp("2030-01-01")
    tests = pd.DataFrame(dict(zip(TEST_COLUMNS, (ids, 1550.0, loss, at, loss + 0.1, at, 2, 1), strict=True)))
    readings = (ids, 0.0, -loss, 0.0, -loss, at)
    return elements, circuits, tests, pd.DataFrame(dict(zip(POWER_COLUMNS, readings, strict=True)))


def plain_sums(
    elements: pd.DataFrame, wavelengths: tuple[float, ...], limits: Limits
) -> dict[tuple[str, float], float]:
    """Typical loss by walking the elements one by one, looking limits up in a dict."""
    grade = {name: limits.grade(name)[0].value for name in "ABCD"}
    default = limits.default_grade(False)
    cable = {
        (fibre, nm): limits.cable(fibre, nm, "typical").value
        for fibre in ("OS2", "G.652.D", "G.657.A1")
        for nm in wavelengths
    }
    total: dict[tuple[str, float], float] = {}
    waiting: dict[str, str] = {}
    for row in elements.itertuples(index=False):
        for nm in wavelengths:
            key = (row.circuit_id, nm)
            if row.element_kind == "cable":
                total[key] = total.get(key, 0.0) + cable[row.fibre_type, nm] * row.length_m / 1000.0
        if row.element_kind == "connector":
            name = row.grade if isinstance(row.grade, str) else default
            if row.circuit_id in waiting:
                first = waiting.pop(row.circuit_id)
                for nm in wavelengths:
                    total[row.circuit_id, nm] = total.get((row.circuit_id, nm), 0.0) + grade[max(first, name)]
            else:
                waiting[row.circuit_id] = name
    return total


def measure(count: int) -> dict[str, float]:
    """Seconds for computing and for writing, and the ratio to the plain loop."""
    elements, circuits, tests, powers = fleet(count)
    limits = standard_limits()
    begin = time.perf_counter()
    budgets = circuit_budgets(elements, circuits, tests, powers, limits)
    computed = time.perf_counter() - begin
    con = duckdb.connect()
    begin = time.perf_counter()
    with transaction(con):
        for name, frame in (("circuit_budget", budgets.circuits), ("budget_elements", budgets.elements)):
            con.execute(create_statement(TABLES[name]))
            replace_result(con, name, frame)
    written = time.perf_counter() - begin
    sample = elements[elements["circuit_id"].cat.codes < SAMPLE]
    begin = time.perf_counter()
    plain = plain_sums(sample, (1310.0, 1550.0), limits)
    looped = (time.perf_counter() - begin) / min(count, SAMPLE) * count
    ours = budgets.circuits.set_index(["circuit_id", "wavelength_nm"])["typical_db"]
    worst = max(abs(ours[key] - value) for key, value in plain.items())
    return {
        "circuits": count,
        "end faces": count * 2 * PAIRS,
        "element rows": len(budgets.elements),
        "compute s": computed,
        "write s": written,
        "plain loop s (scaled)": looped,
        "ratio": looped / computed,
        "largest difference dB": float(worst),
    }


if __name__ == "__main__":
    for name, value in measure(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000).items():
        print(f"{name:24} {value:.6g}")
