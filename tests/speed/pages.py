"""How quickly pages of a large ranking come back, for one user and for twenty.

Run by hand: `python tests/speed/pages.py [END_FACES] [USERS]`. The tables are filled with random figures, not
computed. Prints milliseconds; beside the stored-rank pages stands the same page read with a plain sorted
query over the joined tables (what a page would cost without the prepared tables), from the same process.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from dashboards.app import create_app, show_page
from dashboards.data import door
from dashboards.grids import answer
from planner.store.database import open_database, transaction

THINK_S = 1.0
ROUNDS = 12


def build(path: Path, faces: int) -> Path:
    """A database with that many ranked end faces, a tenth as many circuits and their diagnoses."""
    circuits = max(faces // 10, 10)
    con = open_database(path)
    con.execute("SELECT setseed(0.5)")
    with transaction(con):
        con.execute(
            """INSERT INTO sites (site_id, name, kind, region, latitude, longitude)
               SELECT 'S-' || n, 'Site ' || n, 'hut', 'R' || (n % 8), 46 + random() * 3, 6 + random() * 5
               FROM range(2000) t(n)"""
        )
        con.execute(
            """INSERT INTO connector_state (connector_id, port_id, site_id, family, polish, batch, in_service,
                                            mates_since_clean, last_cleaned_at)
               SELECT 'C-' || lpad(n::VARCHAR, 8, '0'), 'P-' || (n // 2), 'S-' || (n // 2 % 2000), 'LC', 'UPC',
                      'B-' || (n % 300), true, n % 20, TIMESTAMP '2031-01-01' - to_days((n % 700)::INTEGER)
               FROM range(?) t(n)""",
            [faces],
        )
        con.execute(
            """INSERT INTO connector_health (connector_id, p_contaminated, p_damaged, p_not_clean, basis)
               SELECT connector_id, pow(random(), 6), pow(random(), 20), pow(random(), 5), 'random'
               FROM connector_state"""
        )
        con.execute(
            """INSERT INTO ranking (connector_id, site_id, port, circuits, p_contaminated, p_damaged, classic_rank,
                                    classic_score, probability_rank, benefit_rank, benefit_score, benefit, minutes,
                                    action, reasons)
               SELECT connector_id, s.site_id, s.port_id, 'K-' || (hash(connector_id) % ?), h.p_contaminated,
                      h.p_damaged, row_number() OVER (ORDER BY hash(connector_id)), random() * 3,
                      row_number() OVER (ORDER BY h.p_not_clean DESC, connector_id),
                      row_number() OVER (ORDER BY hash(connector_id, 7)) AS by_benefit, random() * 100,
                      random() * 1000 - 100, 10, 'inspect_clean', 'random figures'
               FROM connector_state s JOIN connector_health h USING (connector_id) ORDER BY by_benefit""",
            [circuits],
        )
        con.execute(
            """INSERT INTO circuits (circuit_id, name, a_port_id, z_port_id, fibre, wavelength_nm, customers, priority)
               SELECT 'K-' || n, 'Circuit ' || n, 'P-' || n, 'P-' || (n + 1), 1, 1310, n % 500, 1 + n % 5
               FROM range(?) t(n)""",
            [circuits],
        )
        con.execute(
            """INSERT INTO circuit_status (circuit_id, traced, a_site_id, z_site_id)
               SELECT circuit_id, true, 'S-' || (row_number() OVER () % 2000), 'S-7' FROM circuits"""
        )
        con.execute(
            """INSERT INTO circuit_budget (circuit_id, wavelength_nm, typical_db, measured_db, allowed_db, margin_db)
               SELECT circuit_id, 1310, 4, 5, 6, random() * 8 - 0.4 FROM circuits"""
        )
        con.execute(
            """INSERT INTO diagnosis (circuit_id, cause, element_id, element_kind, probability, evidence)
               SELECT 'K-' || (n // 5), ['nothing', 'contamination', 'bend', 'contamination', 'splice'][1 + n % 5],
                      'C-' || lpad((n % ?)::VARCHAR, 8, '0'), 'connector',
                      CASE WHEN n % 5 = 0 THEN 1 - pow(random(), 8) ELSE pow(random(), 8) / 4 END, 'random'
               FROM range(?) t(n)""",
            [faces, 5 * circuits],
        )
    con.close()
    return path


def milliseconds(work: Callable[[], Any], times: int = 5) -> tuple[float, float]:
    """First and best time of some work."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(1000 * (time.perf_counter() - start))
    return taken[0], min(taken)


def request(start: int, sort: list[dict[str, str]] | None = None, filters: Any = None) -> dict[str, Any]:
    """What the grid asks for."""
    return {"startRow": start, "endRow": start + 100, "sortModel": sort or [], "filterModel": filters or {}}


def plain_page(start: int) -> None:
    """The same page without stored rank and prepared tables."""
    door().cursor().execute(
        """SELECT r.*, p.name, s.family, s.last_cleaned_at, h.p_not_clean, n.p_named FROM ranking r
           LEFT JOIN sites p USING (site_id) LEFT JOIN connector_state s USING (connector_id)
           LEFT JOIN connector_health h USING (connector_id)
           LEFT JOIN (SELECT element_id AS connector_id, max(probability) AS p_named FROM diagnosis GROUP BY 1) n
             USING (connector_id)
           ORDER BY r.benefit_rank LIMIT 100 OFFSET ?""",
        [start],
    ).fetchall()


def crowd(app: Any, faces: int, users: int) -> tuple[float, float]:
    """Median and 95th percentile of what `users` users wait for who jump, sort, filter and think. [ms]"""
    waits: list[float] = []
    gate = threading.Barrier(users)

    def user(number: int) -> None:
        rng = np.random.default_rng(number)
        gate.wait()
        with app.server.app_context():
            for turn in range(ROUNDS):
                asks = [
                    request(int(rng.integers(0, max(faces - 100, 1)))),
                    request(0, [{"colId": "p_contaminated", "sort": "desc"}]),
                    request(0, None, {"site_id": {"type": "equals", "filter": f"S-{rng.integers(0, 2000)}"}}),
                ]
                start = time.perf_counter()
                answer("connectors", "benefit", asks[turn % 3])
                waits.append(1000 * (time.perf_counter() - start))
                time.sleep(THINK_S * rng.uniform(0.5, 1.5))

    threads = [threading.Thread(target=user, args=(number,)) for number in range(users)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return float(np.median(waits)), float(np.percentile(waits, 95))


def main(faces: int = 1_000_000, users: int = 20) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = build(Path(folder) / "large.duckdb", faces)
        start = time.perf_counter()
        app = create_app(path)
        print(f"{faces:,} end faces; opened and prepared in {time.perf_counter() - start:.2f} s")
        far = max(0, faces - 200)
        # another depth each time, because pages that were asked for are remembered
        depths = iter(range(far, -1, -max(1, far // 40)))
        sort = [{"colId": "p_contaminated", "sort": "desc"}]
        dirty = {"p_contaminated": {"type": "greaterThan", "filter": 0.5}}
        with app.server.app_context():
            work: dict[str, Callable[[], Any]] = {
                "by stored rank, first page": lambda: answer("connectors", "benefit", request(0)),
                "by stored rank, far pages": lambda: answer("connectors", "benefit", request(next(depths))),
                "plain query, last page": lambda: plain_page(far),
                "sorted by probability, first page": lambda: answer("connectors", "benefit", request(0, sort)),
                "sorted by probability, far pages": lambda: answer(
                    "connectors", "benefit", request(next(depths), sort)
                ),
                "filtered by probability": lambda: answer("connectors", "benefit", request(0, None, dirty)),
                "circuits, first page": lambda: answer("circuits", "", request(0)),
                "network page": lambda: show_page("/", ""),
                "end face page": lambda: show_page("/connector", "?id=C-00000007"),
            }
            for name, each in work.items():
                first, best = milliseconds(each)
                print(f"{name:36s} first {first:8.1f} ms   best {best:8.1f} ms")
        median, high = crowd(app, faces, users)
        print(f"{users} users who think {THINK_S:g} s: median {median:.1f} ms, 95th percentile {high:.1f} ms")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
