"""Does the inference find what the simulator hid, and does the ranking beat its floor?

One small fleet; the figures of many fleets, seeds and traps are measured with
tests/truth/fleet_truth.py by hand.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from fleet_truth import analysed_fleet, judged_frame, scores

from planner.commands.rank import backtest, rank, trace_dirt


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A fleet of about 2 500 end faces and a year of history."""
    yield analysed_fleet(tmp_path_factory.mktemp("fleet"), connectors=2500, days=400, seed=21)


@pytest.fixture(scope="module")
def figures(fleet: Path) -> dict[str, float]:
    """All scores of that fleet."""
    return scores(judged_frame(fleet))


def test_probability_beats_the_classic_ranking(figures: dict[str, float]) -> None:
    """Area under the curve lies above the classic score's by .04, and precision at 5 % above it too."""
    assert figures["AUC"] >= figures["AUC classic"] + 0.04
    assert figures["P@5%"] > figures["P@5% classic"]


def test_probability_means_what_it_says(figures: dict[str, float]) -> None:
    """The calibration error on a small fleet is at most .06 (standard error of a decile is about .02)."""
    assert figures["ECE"] <= 0.06


def test_benefit_finds_more_degrading_end_faces_than_drift_or_probability(figures: dict[str, float]) -> None:
    """The first 2 % by benefit hold more of the end faces that degrade circuits than drift's first 2 % do."""
    assert figures["in top 2% benefit"] > figures["in top 2% drift"]
    assert figures["60 d in top 5% benefit"] >= figures["60 d in top 5% drift"]


def query(fleet: Path, sql: str) -> pd.DataFrame:
    """Rows of the analysed fleet."""
    con = duckdb.connect(str(fleet / "fleet.duckdb"), read_only=True)
    frame = con.execute(sql).df()
    con.close()
    return frame


def test_a_reason_states_what_the_diagnosis_says_of_that_circuit(fleet: Path) -> None:
    """The probability in a reason is that of the end face's page; what was not measured or seen is said to be so."""
    told = query(
        fleet,
        r"""
        WITH words AS (
            SELECT connector_id,
                   regexp_extract(reasons, '(costs|may cost) circuit (\S+) about ([0-9.]+) dB (?:unseen )?\D*(\d+) %',
                                  ['how', 'circuit_id', 'size', 'p']) AS seen,
                   regexp_extract(reasons, 'circuit (\S+) is not measured: may cost it about ([0-9.]+) dB \((\d+) %',
                                  ['circuit_id', 'size', 'p']) AS unread
            FROM ranking
        )
        SELECT connector_id, seen.how AS how, coalesce(nullif(seen.circuit_id, ''), unread.circuit_id) AS circuit_id,
               coalesce(nullif(seen.p, ''), unread.p)::INT AS percent,
               b.p_cause, b.shown_share, b.circuit_id IN (SELECT circuit_id FROM unread_circuits) AS unread
        FROM words JOIN face_blame b USING (connector_id)
        WHERE b.circuit_id = coalesce(nullif(seen.circuit_id, ''), unread.circuit_id)
        """,
    )
    assert len(told) > 50
    assert (told["percent"] - 100 * told["p_cause"]).abs().max() <= 0.5 + 1e-9
    said = np.where(told["unread"], "", np.where(told["shown_share"] < 0.5, "may cost", "costs"))
    assert (told["how"] == said).all()
    assert set(said) == {"", "may cost", "costs"}


def test_evidence_lines_add_up(fleet: Path) -> None:
    """Decibans of every end face and what light added come to the log-odds of its p_not_clean, to .1 deciban."""
    sums = query(
        fleet,
        """SELECT e.total + h.light_decibans AS total, 10 * log10(h.p_not_clean / (1 - h.p_not_clean)) AS odds
           FROM connector_health h
           JOIN (SELECT connector_id, sum(decibans) AS total FROM health_evidence GROUP BY 1) e
           USING (connector_id)""",
    )
    assert len(sums) > 1000
    assert np.abs(sums["total"] - sums["odds"]).max() <= 0.1


def test_parts_of_the_ranking_add_up_and_every_end_face_is_ranked(fleet: Path) -> None:
    """Parts add up to the benefit exactly; every in-service end face, built-in ones too, has all three ranks."""
    rows = query(fleet, "SELECT r.*, s.face FROM ranking r JOIN connector_state s USING (connector_id)")
    parts = ["margin_part", "spread_part", "damage_part", "looking_part", "minutes_part", "risk_part"]
    assert np.abs(rows[parts].sum(axis=1) - rows["benefit"]).max() <= 1e-9
    for name in ("classic_rank", "probability_rank", "benefit_rank"):
        assert sorted(rows[name]) == list(range(1, len(rows) + 1))
    assert (rows["face"] == "fixed").any()
    assert len(rows) == query(fleet, "SELECT count(*) AS n FROM connector_state WHERE in_service")["n"][0]


def test_sources_of_dirt_are_plausible(fleet: Path) -> None:
    """Stated sources lie between .05 and 1, and those of one end face add up to no more than its history believes."""
    rows = query(
        fleet,
        """SELECT d.connector_id, sum(d.probability) AS total, any_value(h.p_contaminated) AS p
           FROM dirt_sources d JOIN history_beliefs h USING (connector_id) GROUP BY 1""",
    )
    assert (rows["total"] <= rows["p"] + 1e-6).all()


@pytest.mark.parametrize("by", ["classic", "probability", "benefit"])
def test_rank_writes_every_end_face(fleet: Path, tmp_path: Path, by: str) -> None:
    """`planner rank --by ... --out` writes all in-service end faces, best first, with both probabilities."""
    target = tmp_path / "ranking.csv"
    result = CliRunner().invoke(
        rank, ["--db", str(fleet / "fleet.duckdb"), "--by", by, "--out", str(target)], catch_exceptions=False
    )
    assert result.exit_code == 0
    rows = pd.read_csv(target)
    assert list(rows.columns[:7]) == ["rank", "connector_id", "score", "site_id", "port", "circuits", "reasons"]
    assert rows["score"].is_monotonic_decreasing
    assert rows[["p_contaminated", "p_damaged"]].notna().all(axis=None)
    assert len(rows) == query(fleet, "SELECT count(*) AS n FROM connector_state WHERE in_service")["n"][0]


def test_trace_dirt_of_a_test_set_lists_whom_it_met(fleet: Path) -> None:
    """A test set stands for its launch cords: what they met and was not inspected since is listed."""
    name = query(fleet, "SELECT housing_id FROM housings WHERE kind = 'test_set' ORDER BY 1")["housing_id"][0]
    result = CliRunner().invoke(trace_dirt, [name, "--db", str(fleet / "fleet.duckdb")], catch_exceptions=False)
    assert result.exit_code == 0
    assert "It met" in result.output


def test_trace_dirt_takes_a_port_as_its_end_faces(fleet: Path) -> None:
    """The id of a port lists what is believed of the end faces in it; where dirt came from is said as a condition."""
    rows = query(
        fleet,
        "SELECT port_id, min(connector_id) AS one, max(connector_id) AS other FROM connector_state "
        "WHERE port_id IS NOT NULL GROUP BY port_id HAVING count(*) = 2 ORDER BY port_id LIMIT 1",
    )
    result = CliRunner().invoke(
        trace_dirt, [rows["port_id"][0], "--db", str(fleet / "fleet.duckdb")], catch_exceptions=False
    )
    assert result.exit_code == 0
    assert rows["one"][0] in result.output and rows["other"][0] in result.output
    assert "likely source, if dirty" in result.output


def test_backtest_scores_every_way_of_ranking(fleet: Path, tmp_path: Path) -> None:
    """`planner backtest` ranks on a past day, prints and keeps the scores, and writes them as JSON."""
    span = query(fleet, 'SELECT min("at") AS a, max("at") AS z FROM mating_events')
    at = span["a"][0] + 0.6 * (span["z"][0] - span["a"][0])
    target = tmp_path / "backtest.json"
    result = CliRunner().invoke(
        backtest,
        ["--db", str(fleet / "fleet.duckdb"), "--at", f"{at:%Y-%m-%d}", "--days", "150", "--out", str(target)],
        catch_exceptions=False,
    )
    assert result.exit_code == 0
    document = json.loads(target.read_text())
    methods = {row["method"] for row in document["scores"]}
    assert methods == {"benefit", "probability", "classic", "mates", "drift", "time"}
    assert document["details"]["censored_share"] > 0
    kept = query(fleet, "SELECT count(*) AS n FROM backtest_scores")["n"][0]
    assert kept == 6
