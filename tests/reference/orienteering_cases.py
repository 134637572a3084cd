"""Public team-orienteering instances with time windows, read from `../shared/benchmarks/routing` if they are there.

Format: one row per place `number x y service prize ... opens closes`; row 0 is the depot, its closing time the
length of the day; service must start in the window; distances are Euclidean, cut to one decimal (Solomon sets) or
two (Cordeau sets), and are travel times too. Sets by Righini and Salani, Computers & OR 36 (2009) 1191-1203, and
Vansteenwegen and others, Computers & OR 36 (2009) 3281-3290 (both from memory).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from planner.routes.problem import CrewDay, Problem, make_problem

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "benchmarks" / "routing"

# The sixteen cases of the comparison: (instance, crews).
CASES = (
    ("r104", 1),
    ("rc104", 1),
    ("pr03", 1),
    ("pr05", 1),
    ("c104", 2),
    ("r112", 2),
    ("rc108", 2),
    ("pr04", 2),
    ("c103", 3),
    ("r109", 3),
    ("rc104", 3),
    ("pr05", 3),
    ("c108", 4),
    ("r107", 4),
    ("rc108", 4),
    ("pr10", 4),
)


def read_case(name: str, crews: int) -> Problem:
    """One instance as a problem whose prizes are all that counts."""
    cordeau = name.startswith("pr")
    path = FOLDER / ("toptw_cordeau" if cordeau else "toptw_solomon") / f"{name}.txt"
    rows = [[float(part) for part in line.split()] for line in path.read_text().splitlines()[2:] if line.strip()]
    scale = 100 if cordeau else 10
    xy = np.array([row[1:3] for row in rows])
    travel = np.floor(np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1)) * scale + 1e-9).astype(np.int64)
    whole = np.array([[row[3] * scale, row[4], row[-2] * scale, row[-1] * scale] for row in rows]).round().astype(int)
    day = CrewDay(start=0, end=0, opens=int(whole[0, 2]), closes=int(whole[0, 3]))
    return make_problem(travel, whole[1:, 0], whole[1:, 2:], whole[1:, 1], [day] * crews, place=np.arange(1, len(rows)))


def best_known(name: str, crews: int) -> int:
    """The highest score known: published (for two crews and more from memory) or found in earlier runs."""
    with (FOLDER / "toptw_reference.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["instance"] == name and int(row["m"]) == crews:
                return max(int(row["reference_score"]), int(row["best_seen_here"] or 0))
    raise KeyError(f"{name}, {crews} crews: no reference score")
