"""How long the budgets of a large fleet take, against adding them up circuit by circuit in plain Python.

Run by hand: `python tests/speed/budget.py [CIRCUITS]`. The fleet is a row of cords and panels: every circuit
has ten mated pairs, so 100 000 circuits stand on 2 000 000 end faces. Prints processor seconds of one run and the
ratio to the plain loop (timed on a sample and scaled), both in the same process.
"""

from __future__ import annotations

import math
import sys
import time

import duckdb
import numpy as np
import pandas as pd

from planner.health.loss_budget import ELEMENT_COLUMNS, POWER_COLUMNS, TEST_COLUMNS, circuit_budgets
from planner.standards.lookup import Limits, standard_limits
from planner.standards.physics import SPEED_OF_LIGHT_M_PER_S
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
    tests = pd.DataFrame(dict(zip(TEST_COLUMNS, (ids, 1550.0, loss, at, loss + 0.1, at, 2, 1, 1), strict=True)))
    readings = (ids, 0.0, -loss, 0.0, -loss, at)
    return elements, circuits, tests, pd.DataFrame(dict(zip(POWER_COLUMNS, readings, strict=True)))


def plain_budgets(
    elements: pd.DataFrame, wavelengths: tuple[float, ...], limits: Limits
) -> tuple[dict[tuple[str, float], tuple[float, float, float, float]], list[tuple[object, ...]]]:
    """The same by walking each path element by element in plain Python, limits in dicts.

    Returns limit, typical loss, variance and return loss per circuit and wavelength, and the element rows.
    """
    default = limits.default_grade(False)
    pair = {name: (limits.grade(name)[0].value, limits.grade_sd_db(name)) for name in "ABCD"}
    pair_limit = limits.connection("max", False, "SM").value
    cable = {
        (fibre, nm): (limits.cable(fibre, nm, "max").value, limits.cable(fibre, nm, "typical").value)
        for fibre in ("OS2", "G.652.D", "G.657.A1")
        for nm in wavelengths
    }
    relative = limits.get("cable", "relative sd").value
    joint = 10.0 ** (-limits.return_loss("UPC").value / 10.0)
    index = limits.get("group index", "typical", ("SM",)).value
    level = [limits.get("backscatter", "typical", ("SM",), nm).value for nm in (1310.0, 1550.0)]
    cell_m = SPEED_OF_LIGHT_M_PER_S * 1e-9 / (2.0 * index)
    paths: dict[str, list[tuple[object, ...]]] = {}
    for row in elements.itertuples(index=False):
        paths.setdefault(row.circuit_id, []).append(row)
    sums: dict[tuple[str, float], tuple[float, float, float, float]] = {}
    rows: list[tuple[object, ...]] = []
    for circuit, path in paths.items():
        for nm in wavelengths:
            per_m = 10.0 ** (float(np.interp(nm, [1310.0, 1550.0], level)) / 10.0) / cell_m
            most = typical = variance = returned = 0.0
            waiting = None
            for row in path:
                if row.element_kind == "cable":
                    limit, usual = cable[row.fibre_type, nm]
                    km = row.length_m / 1000.0
                    a = usual / 1000.0 / 4.342944819032518
                    part = per_m * -math.expm1(-2.0 * a * row.length_m) / (2.0 * a)
                    values = (limit * km, usual * km, relative * usual * km)
                elif waiting is None:
                    waiting = row
                    continue
                else:
                    names = [each.grade if isinstance(each.grade, str) else default for each in (waiting, row)]
                    values, part = (pair_limit, *pair[max(names)]), joint
                    row, waiting = waiting, None
                returned += part * 10.0 ** (-2.0 * typical / 10.0)
                most, typical, variance = most + values[0], typical + values[1], variance + values[2] ** 2
                rows.append((circuit, nm, row.position, row.element_kind, row.element_id, *values))
            sums[circuit, nm] = (most, typical, variance, -10.0 * math.log10(returned))
    return sums, rows


def measure(count: int) -> dict[str, float]:
    """Processor seconds for computing and for writing, and the ratio to the plain loop."""
    elements, circuits, tests, powers = fleet(count)
    limits = standard_limits()
    begin = time.process_time()
    budgets = circuit_budgets(elements, circuits, tests, powers, limits)
    computed = time.process_time() - begin
    con = duckdb.connect()
    begin = time.process_time()
    with transaction(con):
        for name, frame in (("circuit_budget", budgets.circuits), ("budget_elements", budgets.elements)):
            con.execute(create_statement(TABLES[name]))
            replace_result(con, name, frame)
    written = time.process_time() - begin
    sample = elements[elements["circuit_id"].cat.codes < SAMPLE]
    begin = time.process_time()
    plain, plain_rows = plain_budgets(sample, (1310.0, 1550.0), limits)
    looped = (time.process_time() - begin) / min(count, SAMPLE) * count
    ours = budgets.circuits.assign(variance=budgets.circuits["typical_sd_db"] ** 2)
    ours = ours.set_index(["circuit_id", "wavelength_nm"])[["maximum_db", "typical_db", "variance", "return_loss_db"]]
    theirs = pd.DataFrame.from_dict(plain, orient="index", columns=ours.columns)
    worst = np.abs(ours.loc[list(plain)].to_numpy() - theirs.to_numpy()).max()
    assert len(plain_rows) == len(plain) * (2 * PAIRS - 1)
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
