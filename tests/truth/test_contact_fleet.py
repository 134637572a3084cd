"""Does the inference find dirty end faces in histories of other laws than its own and the simulator's?

One fleet of 2,000 end faces; `python tests/truth/contact_fleet.py` prints the table over seeds and traps.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import pandas as pd
import pytest
from contact_fleet import METHODS, Laws, analysed_contacts, contact_scores


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the fleet lies."""
    return tmp_path_factory.mktemp("contacts")


@pytest.fixture(scope="module")
def fleet(folder: Path) -> pd.DataFrame:
    """Truth and belief of every end face."""
    return analysed_contacts(folder, links=250, seed=7)


@pytest.fixture(scope="module")
def figures(fleet: pd.DataFrame) -> dict[str, float]:
    """Scores of that fleet."""
    return contact_scores(fleet)


def test_dirty_end_faces_come_first(figures: dict[str, float]) -> None:
    """Precision among the first 5 % is at least 1.7 times the classic ranking's, area under the curve .80 or more."""
    assert figures["lift"] >= 1.7
    assert figures["AUC"] >= 0.80 > figures["AUC classic"]


def test_stated_probabilities_hold(figures: dict[str, float]) -> None:
    """The calibration error is at most .05 (200 end faces in a tenth: its noise alone is about .03)."""
    assert figures["ECE"] <= 0.05


def test_what_was_learned_is_near_what_was_drawn(folder: Path, fleet: pd.DataFrame) -> None:
    """Transfer within .12, damage within .02, the success of each method within .12 of what really happened."""
    assert len(fleet) == 2000
    con = duckdb.connect(str(folder / "fleet.duckdb"), read_only=True)
    learned = dict(
        con.execute(
            "SELECT parameter || ' ' || group_id, estimate FROM learned_parameters "
            "WHERE group_kind IN ('fleet', 'method') AND learned"
        ).fetchall()
    )
    con.close()
    assert learned["transfer all"] == pytest.approx(Laws.transfer, abs=0.12)
    assert learned["damage all"] == pytest.approx(Laws.damage, abs=0.02)
    for method in METHODS:
        assert learned[f"cleaning_success {method}"] == pytest.approx(fleet.attrs["worked"][method], abs=0.12)
