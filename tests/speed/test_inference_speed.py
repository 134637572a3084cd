"""The speed script of the inference runs, its numpy reference agrees, and its stored history reads back as it was."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
from inference import NOW, invented_history, measure, store_history

from planner.stages.health import read_history


def test_sweeps_agree_with_numpy_by_level_and_are_quicker() -> None:
    """On 20,000 end faces one forward sweep gives the beliefs of the reference in less than half its time."""
    figures = measure(20_000, 100_000)
    assert figures["largest_difference"] < 1e-5
    assert figures["numpy_by_level_over_ours"] > 2.0


def test_a_stored_history_reads_back_as_it_was(tmp_path: Path) -> None:
    """Ids become the same numbers again, and events come in the order of the work."""
    history = invented_history(400, 3_000)
    con = duckdb.connect(str(store_history(history, tmp_path)))
    back, ids = read_history(con, NOW)
    con.close()
    assert ids.tolist() == [f"C-{number:08d}" for number in range(history.faces)]
    for name in ("seconds", "kind", "face", "port", "detail"):
        assert np.array_equal(getattr(back, name), getattr(history, name)), name
    for name in ("start_port", "fixed_port", "face_kind", "port_site", "port_environment"):
        assert np.array_equal(getattr(back, name), getattr(history, name)), name
